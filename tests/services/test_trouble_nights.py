"""Nights of the trouble search with a real worker, broker and database: asked twice, in parallel,
killed half way, over a night when clocks are changed. They are as one clean run leaves them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.services.conftest import Install
from tests.services.installation import Installation, begun_postgres, kill_group
from tests.services.servers import PostgresServer, RedisServer, wait_until

pytestmark = pytest.mark.slow

FLAGS = (
    "SELECT p.label, p.id, f.kind, f.state, f.places::text, f.evidence::text, f.raised_at"
    " FROM faults_troubleflag f JOIN {path} p ON p.id = f.path_id ORDER BY p.id, f.id"
)
LOOKS = (
    "SELECT path_id, flag_id, number, state, due_on, planned_week, places::text"
    " FROM faults_inspection ORDER BY id"
)
PATH = "clampline_sites_wirepath"
JOBS = 8


def told(site: Installation) -> list[Any]:
    """All flags and looks, past the product."""
    return [site.rows(FLAGS.format(path=PATH)), site.rows(LOOKS)]


@contextmanager
def history(postgres: PostgresServer, folder: Path, redis_url: str, name: str) -> Iterator[Any]:
    """An installation with a contractor whose first path has a bad stretch."""
    folder.mkdir()
    site = Installation(
        folder,
        **begun_postgres(postgres, name),
        redis_url=redis_url,
        lease_s=3.0,
    )
    try:
        site.manage("trouble_history")
        yield site
    finally:
        site.end()


def asked(site: Installation, *words: str) -> None:
    site.manage("trouble_ask", *words)


def _runs_or_ended(site: Installation) -> bool:
    states = site.states()
    return states.get("running", 0) > 0 or states.get("done", 0) >= JOBS


def test_however_it_is_run_flags_and_looks_are_those_of_one_clean_run(
    install: Install, postgres_server: PostgresServer, redis_server: RedisServer, tmp_path: Path
) -> None:
    assert install is not None
    with history(postgres_server, tmp_path / "clean", redis_server.url, "clean") as clean:
        asked(clean, "night")
        clean.start("worker")
        clean.start("beat")
        clean.wait_done(1)
        right = told(clean)
        assert right[0], "the bad stretch is flagged"
        flagged = [look for look in right[1] if look[1] is not None]
        assert flagged, "a look at the flag is asked for"
        assert len({look[0] for look in right[1]}) == 6, "every other path is looked at too"
        clean.end()
    redis_server.flush()
    with history(postgres_server, tmp_path / "rough", redis_server.url, "rough") as rough:
        # Asked twice it is one job; more of the same moment run beside it.
        asked(rough, "night")
        asked(rough, "night")
        for _ in range(JOBS - 1):
            asked(rough, "beside")
        rough.start("beat")
        worker = rough.start("worker")
        for _ in range(5):
            # A run is short: the kill comes as soon as one is seen. On a fast day all are done.
            wait_until(lambda: _runs_or_ended(rough), "a job runs")
            kill_group(worker)
            worker = rough.start("worker")
        rough.wait_done(JOBS, within_s=480.0)
        assert rough.attempts() > JOBS, "no kill hit a running job"
        assert told(rough) == right
        runs = rough.rows("SELECT count(*), count(DISTINCT found) FROM faults_recurrencerun")
        assert runs == [(JOBS, 1)]
        # Those that watched the same paths saw the same: none before the first flag, then its path.
        seen = rough.rows(
            "SELECT watched::text, count(DISTINCT seen) FROM faults_recurrencerun GROUP BY 1"
        )
        assert 1 <= len(seen) <= 2
        assert {count for _, count in seen} == {1}
