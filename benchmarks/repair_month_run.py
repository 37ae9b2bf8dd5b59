"""One month of calls in a process of its own; prints a row. Run as ``python -m
benchmarks.repair_month_run SEED``, on the database of the environment."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict

import django

from core.environment import choose_settings


def main(seed: int) -> None:
    """For a contractor of its own."""
    choose_settings()
    django.setup()
    from core.accounts.actor import system_actor  # noqa: PLC0415 - needs Django set up
    from core.accounts.people import contractor_create  # noqa: PLC0415
    from core.tenancy.scope import contractor_scope, everywhere  # noqa: PLC0415
    from tests.repairs.month import a_month  # noqa: PLC0415

    with everywhere(reason="a new contractor has no scope yet"):
        contractor = contractor_create(name="Alder Water Works", time_zone="Europe/Madrid")
    with contractor_scope(contractor.pk):
        month = a_month(seed, system_actor(contractor.pk, "benchmark"))
    print(json.dumps(asdict(month)))


if __name__ == "__main__":
    main(int(sys.argv[1]))
