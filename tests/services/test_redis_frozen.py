"""Redis hangs without a word: requests to the web process do not wait for it, jobs are not lost."""

from __future__ import annotations

import logging
import time
from statistics import median

import pytest

from tests.services.conftest import Install
from tests.services.installation import kill_group, p95
from tests.services.servers import RedisServer
from tests.services.test_production import POST_MS, WAITS_MS, start_production
from tests.services.test_web_under_fire import Web

pytestmark = pytest.mark.slow

log = logging.getLogger("tests.services")

POSTS = 40


def took_ms(web: Web, word: str) -> tuple[float, ...]:
    """How long each of some posts took; each is another property."""
    found = []
    for number in range(POSTS):
        name = f"{word} {number}"
        began = time.perf_counter()
        web.post("/properties", {"name": name, "time_zone": "UTC"}, f"{word}-{number}")
        found.append(1000.0 * (time.perf_counter() - began))
    return tuple(found)


def test_posts_do_not_wait_for_a_redis_that_hangs(
    install_production: Install, redis_server: RedisServer
) -> None:
    site = install_production()
    start_production(site)
    web = Web(site)
    try:
        before = took_ms(web, "before")
        redis_server.freeze()
        meanwhile = took_ms(web, "meanwhile")
        redis_server.thaw()
        after = took_ms(web, "after")
    finally:
        redis_server.thaw()
        kill_group(web.process)
    told = ", ".join(f"{p95(one):.1f}" for one in (before, meanwhile, after))
    log.info("p95 before, while it hung, after: %s ms; slowest %.1f", told, max(meanwhile))
    # The tail belongs to whatever else the machine does; a request that waited took seconds.
    assert median(meanwhile) < max(POST_MS, 3.0 * median(before)), told
    assert max(meanwhile) < WAITS_MS
    assert web.statuses == {201: 3 * POSTS}
