"""A plan of days with a real worker, broker and database, the worker killed in the middle of it."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from tests.services.conftest import Install
from tests.services.installation import Installation, begun_postgres, kill_group
from tests.services.servers import PostgresServer, RedisServer, wait_until

pytestmark = pytest.mark.slow


def test_a_plan_whose_worker_is_killed_is_made_once(
    install: Install, postgres_server: PostgresServer, redis_server: RedisServer, tmp_path: Path
) -> None:
    assert install is not None
    redis_server.flush()
    folder = tmp_path / "planned"
    folder.mkdir()
    site = Installation(
        folder,
        **begun_postgres(postgres_server, "planned"),
        redis_url=redis_server.url,
        lease_s=3.0,
    )
    try:
        site.manage("plan_day")
        site.start("beat")
        worker = site.start("worker")
        for _ in range(2):
            site.wait_running()
            time.sleep(0.5)
            kill_group(worker)
            worker = site.start("worker")
        job = "SELECT state, attempts FROM core_job WHERE kind = 'dispatch.plan'"
        wait_until(lambda: site.rows(job)[0][0] in ("done", "dead"), "the plan's job ends", 480.0)
        assert site.rows(job)[0][1] > 1, "no kill hit the running job"
        assert site.rows("SELECT state FROM faults_dayplan") == [("draft",)]
        visits, names = site.rows("SELECT count(*), count(DISTINCT name) FROM faults_plannedvisit")[
            0
        ]
        assert visits == names > 0
        made = "SELECT count(*) FROM core_change WHERE action = 'plan.made'"
        assert site.rows(made) == [(1,)]
    finally:
        site.end()
