"""A plan of days with a real worker, broker and database, which is killed or called off in its
midst."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.services.conftest import Install
from tests.services.installation import Installation, begun_postgres, kill_group
from tests.services.servers import PostgresServer, RedisServer, wait_until

pytestmark = pytest.mark.slow


@pytest.fixture
def site(
    install: Install, postgres_server: PostgresServer, redis_server: RedisServer, tmp_path: Path
) -> Iterator[Installation]:
    """With a plan asked for that takes some seconds."""
    assert install is not None
    redis_server.flush()
    folder = tmp_path / "planned"
    folder.mkdir()
    made = Installation(
        folder,
        **begun_postgres(postgres_server, "planned"),
        redis_url=redis_server.url,
        lease_s=3.0,
    )
    try:
        made.manage("plan_day")
        made.start("beat")
        yield made
    finally:
        made.end()


JOB = "SELECT state, attempts FROM core_job WHERE kind = 'dispatch.plan'"
CALL_OFF = """
from core.accounts.actor import system_actor
from core.jobs.ask import job_cancel
from core.models import Job
from core.tenancy.scope import contractor_scope, everywhere
with everywhere(reason="a test calls a plan off"):
    job = Job.objects.get(kind="dispatch.plan")
with contractor_scope(job.contractor_id):
    job_cancel(job=job, by=system_actor(job.contractor_id, "tests"))
"""


def test_a_plan_whose_worker_is_killed_is_made_once(site: Installation) -> None:
    worker = site.start("worker")
    for _ in range(2):
        site.wait_running()
        time.sleep(0.5)
        kill_group(worker)
        worker = site.start("worker")
    wait_until(lambda: site.rows(JOB)[0][0] in ("done", "dead"), "the plan's job ends", 480.0)
    assert site.rows(JOB)[0][1] > 1, "no kill hit the running job"
    assert site.rows("SELECT state FROM faults_dayplan") == [("draft",)]
    visits, names = site.rows("SELECT count(*), count(DISTINCT name) FROM faults_plannedvisit")[0]
    assert visits == names > 0
    made = "SELECT count(*) FROM core_change WHERE action = 'plan.made'"
    assert site.rows(made) == [(1,)]


def test_a_plan_called_off_while_it_is_made_is_not_made(site: Installation) -> None:
    worker = site.start("worker")
    wait_until(lambda: searching(worker.pid), "the search begins")
    # Held still, for the command may take longer to start than the whole search.
    for process in searching(worker.pid):
        os.kill(process, signal.SIGSTOP)
    site.manage("shell", "--command", CALL_OFF)
    assert site.rows(JOB)[0][0] == "cancelled"
    wait_until(lambda: not searching(worker.pid), "the search ends", 60.0)
    assert site.rows("SELECT state FROM faults_dayplan") == [("asked",)]
    assert site.rows("SELECT count(*) FROM faults_plannedvisit") == [(0,)]


def searching(session: int) -> list[int]:
    """The processes of the worker's session that search for a plan."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            of_session = int((process / "stat").read_text().rpartition(")")[2].split()[3])
            words = (process / "cmdline").read_bytes().split(b"\0")
        except (OSError, IndexError):
            continue  # it ended meanwhile
        if of_session == session and b"faults.day_planning:make_plan" in words:
            found.append(int(process.name))
    return found
