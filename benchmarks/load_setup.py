"""Makes the contractors of the load benchmark and prints a token of each, a line each.

Run as ``python -m benchmarks.load_setup COUNT`` in the environment of the server.
"""

from __future__ import annotations

import datetime as dt
import sys

import django

from core.environment import choose_settings


def main(count: int) -> None:
    """Through the services, as an owner would."""
    choose_settings()
    django.setup()
    # Models can be imported only once Django is set up.
    from core.accounts.actor import TokenScope, system_actor  # noqa: PLC0415
    from core.accounts.people import contractor_create  # noqa: PLC0415
    from core.accounts.tokens import token_issue  # noqa: PLC0415
    from core.tenancy.scope import contractor_scope, everywhere  # noqa: PLC0415

    for number in range(count):
        with everywhere(reason="a benchmark begins"):
            contractor = contractor_create(name=f"Load {number}")
        with contractor_scope(contractor.pk):
            by = system_actor(contractor.pk, "benchmark")
            day = dt.timedelta(days=1)
            scopes = [scope for scope in TokenScope if scope is not TokenScope.ADMIN]
            print(token_issue(name="load", scopes=scopes, lifetime=day, by=by)[1])


if __name__ == "__main__":
    main(int(sys.argv[1]))
