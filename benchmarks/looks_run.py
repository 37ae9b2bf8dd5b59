"""Five years of looks through rows, in a process and a database of its own; prints a row. Run as
``python -m benchmarks.looks_run``."""

from __future__ import annotations

import datetime as dt
import json
import time
from collections import Counter

import django

from core.environment import choose_settings


def main() -> None:
    """The years, with what each week held."""
    choose_settings()
    django.setup()
    from benchmarks.looks_in_rows import FIRST_MONDAY, Asked, LookYears  # noqa: PLC0415
    from core.accounts.actor import system_actor  # noqa: PLC0415 - needs Django set up
    from core.accounts.people import contractor_create  # noqa: PLC0415
    from core.clock import as_of  # noqa: PLC0415
    from core.tenancy.scope import contractor_scope, everywhere  # noqa: PLC0415

    asked, began = Asked(), time.perf_counter()
    start = dt.datetime.combine(FIRST_MONDAY, dt.time(), dt.UTC)
    with everywhere(reason="a benchmark begins"), as_of(start):
        owner = contractor_create(name="Alder Water Works", time_zone="Europe/Madrid")
    with contractor_scope(owner.pk):
        told = LookYears(asked, system_actor(owner.pk, "benchmark")).run()
    ended = told.done | told.skipped
    after = Counter(ended.values())
    due = Counter(week for look, week in told.due.items() if look in ended)
    late = [max(week - told.due[look], 0) for look, week in ended.items()]
    row = {
        "paths": asked.paths,
        "weeks": asked.weeks,
        "capacity": asked.capacity,
        "took_s": round(time.perf_counter() - began),
        "failures": told.failures,
        "flags": told.flags,
        "looks": len(told.due),
        "of_paths": told.of_paths,
        "done": len(told.done),
        "skipped": len(told.skipped),
        "withdrawn": len(told.withdrawn),
        "open": len(told.open),
        "put_off": told.put_off,
        "most_due": max(due.values()),
        "most_done": max(after.values()),
        "late_median": sorted(late)[len(late) // 2],
        "late_most": max(late),
        "paths_without_look": told.paths_without_look,
        "wrong": {name: int(count) for name, count in sorted(told.wrong.items())},
        "due_by_week": [due[week] for week in range(asked.weeks)],
        "after_by_week": [after[week] for week in range(asked.weeks)],
    }
    print(json.dumps(row))


if __name__ == "__main__":
    main()
