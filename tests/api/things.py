"""One thing of each kind for a contractor: what the routes with an id are asked about."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

from core.accounts.actor import Actor, Role, TokenScope
from core.accounts.people import crew_create, person_create
from core.accounts.tokens import token_issue
from core.clock import now
from core.models import Job
from tests.conftest import PASSWORD


def a_person(by: Actor, name: str = "Wren Alderton") -> str:
    return person_create(
        sign_in_name=f"{name} of {by.contractor_id}".lower(),
        name=name,
        password=PASSWORD,
        roles=[Role.TECHNICIAN],
        by=by,
    ).public_id


def a_crew(by: Actor, name: str = "North crew") -> str:
    return crew_create(name=name, members=[], by=by).public_id


def a_token(by: Actor) -> str:
    day = dt.timedelta(days=1)
    return token_issue(name="gateway", scopes=[TokenScope.READ], lifetime=day, by=by)[0].public_id


def a_job(by: Actor) -> str:
    row = Job.objects.create(kind="test", asked_by=by.name, created_at=now(), max_attempts=3)
    return row.public_id


THINGS: dict[str, Callable[[Actor], str]] = {
    "people": a_person,
    "crews": a_crew,
    "tokens": a_token,
    "jobs": a_job,
}
"""By the first word of the route's address."""
