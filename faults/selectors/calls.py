"""Reading fault calls, their moves and the events on them."""

from __future__ import annotations

from django.db.models import QuerySet

from core.problems import NotFound
from faults.models.call import CallMove, FaultCall
from faults.models.event import FaultEvent
from sites.models.property import Property
from sites.models.wire_path import WirePath


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
