"""Reading repairs, what came of them, and what is still to be looked at."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from django.db.models import Prefetch, Q, QuerySet

from core.clock import now
from core.problems import NotFound
from faults.models.call import FaultCall
from faults.models.event import EventKind, FaultEvent
from faults.models.repair import (
    Photo,
    RemovedPart,
    Repair,
    RepairFailure,
    SoakCheck,
    SoakState,
)
from faults.models.return_test import ReturnTest, SoundRecord
from sites.models.wire_path import WirePath


@dataclass(frozen=True)
class RepairHold:
    """How a repair has held: days on which rain or watering wet it, days on which the path was on
    (None where no event says), messages on the path since, and whether it failed."""

    wet_days: int
    energised_days: int | None
    messages: int
    failed: bool


def repair_list(call: FaultCall | None = None) -> QuerySet[Repair]:
    """Repairs of a call or all, newest first; the call with its property and path joined, photos,
    parts, checks with what they read, and failures prefetched: six queries, however many
    repairs."""
    repairs = (
        Repair.objects.select_related("call__property", "call__path", "finding")
        .prefetch_related(
            "photos",
            "removed_parts",
            "soak_checks__legs",
            Prefetch("failures", RepairFailure.objects.select_related("call")),
        )
        .order_by("-pk")
    )
    return repairs if call is None else repairs.filter(call=call)


def repair_get(public_id: str) -> Repair:
    """A repair, as in ``repair_list``. Raises NotFound."""
    found = repair_list().filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no repair {public_id}.")
    return found


def removed_part_list(call: FaultCall | None = None) -> QuerySet[RemovedPart]:
    """Parts taken out, newest first; call and repair joined, photos prefetched: two queries."""
    parts = RemovedPart.objects.select_related("call", "repair").prefetch_related("photos")
    parts = parts.order_by("-pk")
    return parts if call is None else parts.filter(call=call)


def photo_get(public_id: str) -> Photo:
    """A photo; call joined: one query. Raises NotFound."""
    found = Photo.objects.select_related("call").filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no photo {public_id}.")
    return found


def return_test_list(call: FaultCall) -> QuerySet[ReturnTest]:
    """Return tests of a call with their legs, newest first: two queries."""
    return ReturnTest.objects.filter(call=call).prefetch_related("legs").order_by("-pk")


def sound_record_list(path: WirePath) -> QuerySet[SoundRecord]:
    """All sound records of a path, newest first: one query."""
    return SoundRecord.objects.filter(path=path).order_by("-pk")


def soak_check_list(*, only_open: bool = True) -> QuerySet[SoakCheck]:
    """Soak checks, the soonest first; repair, call, property and path joined: one query."""
    checks = SoakCheck.objects.select_related("repair__call__property", "repair__call__path")
    checks = checks.order_by("due_from", "pk")
    return checks.filter(state=SoakState.OPEN) if only_open else checks


def soak_checks_due() -> list[SoakCheck]:
    """Open checks to be done now: past their last day, or wet since their first, by rain or by
    watering. Two queries."""
    at = now()
    checks = [
        check
        for check in soak_check_list().filter(due_from__lte=(at + dt.timedelta(days=1)).date())
        if _day(at, check) >= check.due_from
    ]
    wet = _wet_since([check for check in checks if _day(at, check) < check.due_by])
    return [check for check in checks if _day(at, check) >= check.due_by or check.pk in wet]


def repair_hold(repair: Repair) -> RepairHold:
    """How a repair has held so far, or until it was known to have failed. Two queries."""
    failure = repair.failures.order_by("pk").first()
    until = failure.at if failure is not None else now()
    call = repair.call
    events = FaultEvent.objects.filter(property_id=call.property_id, at__gt=repair.at)
    there = Q(path_id=call.path_id) | Q(path__isnull=True, controller_id=call.controller_id)
    there |= Q(path__isnull=True, controller__isnull=True) | Q(kind=EventKind.RAIN)
    rows = list(
        events.filter(there, at__lte=until, kind__in=_TELLING)
        .order_by("at", "pk")
        .values_list("kind", "at")
    )
    zone = ZoneInfo(call.property.time_zone)
    return RepairHold(
        wet_days=len({at.astimezone(zone).date() for kind, at in rows if kind in _WETTING}),
        energised_days=_energised_days(rows, until, zone),
        messages=sum(kind == EventKind.OVERCURRENT for kind, _ in rows),
        failed=failure is not None,
    )


_WETTING = (EventKind.RAIN, EventKind.ENERGISED)
"""What wets the ground along a path: rain on the property, and watering as the path comes on."""

_TELLING = (EventKind.RAIN, EventKind.ENERGISED, EventKind.OFF, EventKind.OVERCURRENT)


def _energised_days(
    rows: Sequence[tuple[str, dt.datetime]], until: dt.datetime, zone: ZoneInfo
) -> int | None:
    """Local days on some of which the path was on; None where nothing tells."""
    if not any(kind == EventKind.ENERGISED for kind, _ in rows):
        return None
    days: set[dt.date] = set()
    on_since: dt.datetime | None = None
    for kind, at in [*rows, (EventKind.OFF, until)]:
        if kind == EventKind.ENERGISED and on_since is None:
            on_since = at
        elif kind == EventKind.OFF and on_since is not None:
            first, last = on_since.astimezone(zone).date(), at.astimezone(zone).date()
            days |= {first + dt.timedelta(days=n) for n in range((last - first).days + 1)}
            on_since = None
    return len(days)


def _day(at: dt.datetime, check: SoakCheck) -> dt.date:
    return at.astimezone(ZoneInfo(check.repair.call.property.time_zone)).date()


def _wet_since(checks: Sequence[SoakCheck]) -> set[int]:
    """Those of these checks on whose property it rained or watered on or after their first day."""
    if not checks:
        return set()
    places = {check.repair.call.property_id for check in checks}
    first = min(check.due_from for check in checks) - dt.timedelta(days=1)
    told = FaultEvent.objects.filter(
        property__in=places,
        kind__in=_WETTING,
        at__gte=dt.datetime.combine(first, dt.time(), dt.UTC),
    ).values_list("kind", "property_id", "controller_id", "path_id", "at")
    # Each check looks at its own property alone, however many there are of others.
    by_place: dict[int, list[tuple[str, int | None, int | None, dt.datetime]]] = defaultdict(list)
    for kind, place, controller, path, at in told:
        by_place[place].append((kind, controller, path, at))
    return {
        check.pk
        for check in checks
        if any(
            _wets(check.repair.call, kind, *where) and _day(at, check) >= check.due_from
            for kind, *where, at in by_place[check.repair.call.property_id]
        )
    }


def _wets(call: FaultCall, kind: str, controller: int | None, path: int | None) -> bool:
    """Whether an event on its property wets the ground of a call's path: rain anywhere there,
    watering where it was told of the path or of what is above it."""
    if kind == EventKind.RAIN or (path is None and controller is None):
        return True
    return path == call.path_id if path is not None else controller == call.controller_id
