"""One night's run in a process of its own; prints a row. Run as ``python -m benchmarks.nightly_run
full`` on the first night and ``… part`` on the next."""

from __future__ import annotations

import datetime as dt
import json
import os
import resource
import sys
import time
from typing import Any

import django

from core.environment import choose_settings

FIRST_NIGHT = dt.datetime(2026, 11, 1, tzinfo=dt.UTC)
_COUNTED = (
    "SELECT path_id, kind, count(*), max(at) FROM faults_faultevent GROUP BY path_id, kind",
    "SELECT path_id, count(*), sum(length_m) FROM {segment} GROUP BY path_id",
)


def main(which: str) -> None:
    """The run, and on the first night the bare counts."""
    choose_settings()
    django.setup()
    from core.accounts.actor import system_actor  # noqa: PLC0415 - needs Django set up
    from core.tenancy.scope import contractor_scope  # noqa: PLC0415
    from faults.models import FaultEvent, PathTallyRow  # noqa: PLC0415
    from faults.models import TroubleFlag as Flag  # noqa: PLC0415
    from faults.services.recurrence_runs import run_search, run_store  # noqa: PLC0415
    from sites.models import Segment  # noqa: PLC0415

    row: dict[str, Any] = {}
    with contractor_scope(1):
        as_of = FIRST_NIGHT + dt.timedelta(days=which == "part")
        if which == "full":
            row |= {"load": f"{os.getloadavg()[0]:.1f}", "group_by_s": _counted(Segment)}
            row |= {"segments": Segment.objects.count(), "events": FaultEvent.objects.count()}
        before, began = time.process_time(), time.perf_counter()
        search = run_search({"as_of": as_of.isoformat()})
        _stored(run_store, search, system_actor(1, "benchmark"))
        took, cpu = time.perf_counter() - began, time.process_time() - before
        row |= {f"{which}_s": round(took, 1), f"{which}_cpu_s": round(cpu, 1)}
        if which == "full":
            row |= {"paths": search.paths, "ratio": round(took / row["group_by_s"], 1)}
            row |= {"memory_mb": _memory_mb(), "flags": search_flags(search)}
            planted = set(range(1, search.paths + 1, 1000))
            found = set(Flag.objects.filter(state="raised").values_list("path", flat=True))
            row |= {"planted": len(planted), "planted_found": len(planted & found)}
            row["other_flags"] = len(found - planted)
        else:
            row["changed"] = search.tallied
            row["part_memory_mb"] = _memory_mb()
            if search.paths <= 1000:
                PathTallyRow.objects.all().delete()
                anew = run_search({"as_of": as_of.isoformat()})
                row["same"] = (anew.seen, anew.found()) == (search.seen, search.found())
            else:
                row["same"] = "not asked"
    print(json.dumps(row))


def search_flags(search: Any) -> int:
    """How many candidates stand out."""
    return sum(one.alive and one.adjusted <= 0.05 for one in search.candidates)


def _stored(store: Any, search: Any, by: Any) -> None:
    from django.db import transaction  # noqa: PLC0415

    with transaction.atomic():
        store(search=search, job_id=None, by=by)


def _counted(segment: Any) -> float:
    """Seconds of the bare counts, the second time they are asked."""
    from django.db import connection  # noqa: PLC0415

    took = 0.0
    for _ in range(2):
        began = time.perf_counter()
        with connection.cursor() as cursor:
            for words in _COUNTED:
                cursor.execute(words.format(segment=segment._meta.db_table))
                cursor.fetchall()
        took = time.perf_counter() - began
    return round(took, 2)


def _memory_mb() -> float:
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0)


if __name__ == "__main__":
    main(sys.argv[1])
