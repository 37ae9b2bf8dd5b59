"""Settings of the processes that the service tests start: the product's own, and quick leases."""

from __future__ import annotations

from core import environment
from core.settings import embedded
from core.settings.databases import redis_cache
from core.settings.embedded import *  # noqa: F403 - settings modules build on each other

INSTALLED_APPS = [*embedded.INSTALLED_APPS, "tests.jobs.work"]

JOB_LEASE_S = float(environment.text("CLAMPLINE_TEST_LEASE_S", default="60"))
if environment.text("REDIS_URL"):
    CACHES = {"default": redis_cache(environment.text("REDIS_URL"))}

BROKER_VISIBILITY_S = float(environment.text("CLAMPLINE_TEST_VISIBILITY_S", default="3600"))
