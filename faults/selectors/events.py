"""Reading what was reported."""

from __future__ import annotations

from django.db.models import Prefetch, QuerySet

from core.problems import NotFound
from faults.models.call import CallEvent
from faults.models.event import FaultEvent
from sites.models.controller import Controller
from sites.models.property import Property


def event_list(
    *, place: Property | None = None, controller: Controller | None = None
) -> QuerySet[FaultEvent]:
    """Events of a property, a controller or all, newest first.

    Joined: property, controller, path; prefetched: the call each is on. Two queries, however
    many events.
    """
    links = CallEvent.objects.select_related("call")
    events = (
        FaultEvent.objects.select_related("property", "controller", "path")
        .prefetch_related(Prefetch("call_links", links))
        .order_by("-at", "-pk")
    )
    if place is not None:
        events = events.filter(property=place)
    if controller is not None:
        events = events.filter(controller=controller)
    return events


def event_get(public_id: str) -> FaultEvent:
    """An event, joined and prefetched as in ``event_list``: two queries. Raises NotFound."""
    found = event_list().filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no event {public_id}.")
    return found
