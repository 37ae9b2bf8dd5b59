"""Settings of the processes that the service tests start: the product's own, and quick leases."""

from __future__ import annotations

from core import environment
from core.settings import embedded
from core.settings.embedded import *  # noqa: F403 - settings modules build on each other

INSTALLED_APPS = [*embedded.INSTALLED_APPS, "tests.jobs.work"]

JOB_LEASE_S = float(environment.text("CLAMPLINE_TEST_LEASE_S", default="60"))
BROKER_VISIBILITY_S = float(environment.text("CLAMPLINE_TEST_VISIBILITY_S", default="3600"))
