"""Reading fault calls, their moves and the events on them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db.models import QuerySet

from core.models.accounts import Crew, Person
from core.models.changes import Change
from core.problems import NotFound
from faults.models.call import CallMove, FaultCall
from faults.models.event import FaultEvent
from sites.models.property import Property
from sites.models.wire_path import WirePath


@dataclass(frozen=True)
class Giving:
    """That a call was given by somebody; ``to``: the name of the crew or person, empty: nobody."""

    at: dt.datetime
    to: str
    by_name: str


def call_list(
    *,
    place: Property | None = None,
    path: WirePath | None = None,
    with_ended: bool = False,
) -> QuerySet[FaultCall]:
    """Open calls with their counts of events, newest first; of a property, a path or all.

    Joined: property, controller, path. One query, however many calls.
    """
    calls = FaultCall.objects.select_related("property", "controller", "path").order_by("-pk")
    if place is not None:
        calls = calls.filter(property=place)
    if path is not None:
        calls = calls.filter(path=path)
    return calls if with_ended else calls.filter(closed_at__isnull=True)


def call_get(public_id: str) -> FaultCall:
    """A call, joined as in ``call_list``: one query. Raises NotFound."""
    found = call_list(with_ended=True).filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no call {public_id}.")
    return found


def call_moves(call: FaultCall) -> QuerySet[CallMove]:
    """How a call moved, oldest first: one query."""
    return CallMove.objects.filter(call=call).order_by("pk")


def call_events(call: FaultCall) -> QuerySet[FaultEvent]:
    """The events on a call, newest first: one query."""
    return FaultEvent.objects.filter(call_links__call=call).order_by("-at", "-pk")


def call_givings(call: FaultCall) -> list[Giving]:
    """To whom a call was given, the oldest first, by their names of now: three queries at most."""
    given = Change.objects.filter(object_id=call.public_id, action="call.assigned").order_by("pk")
    rows = [(row, row.after or {}) for row in given]
    names: dict[str, str] = {}
    for model, kind in ((Crew, "crew"), (Person, "person")):
        ids = {after[kind] for _, after in rows if after.get(kind)}
        if ids:
            found = model.objects.filter(public_id__in=ids)
            names |= dict(found.values_list("public_id", "name"))
    return [
        Giving(row.at, names.get(to, to), row.actor_name)
        for row, after in rows
        for to in [after.get("crew") or after.get("person") or ""]
    ]
