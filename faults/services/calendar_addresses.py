"""Secret addresses of crews' calendars: given once, revocable, and what they answer with."""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets

from django.db import transaction
from django.db.models import Q

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.models.accounts import Crew
from core.problems import NotFound
from core.tenancy.scope import contractor_scope, everywhere
from faults.calendar_text import CalendarVisit, calendar_text
from faults.models.dispatch import CalendarAddress, PlannedVisit, PlanState, VisitState
from faults.selectors.day_plans import visit_call, visit_place

SECRET_BYTES = 32
KEPT_DAYS = 30
"""Visits that began longer ago are not told any more."""

_WHAT = {
    "call": "Fault",
    "soak": "Look at a repair when wet",
    "look": "Look at a trouble stretch",
}
SAFETY = (
    "Power off and proved dead before hands go to a conductor; the mains side is for licensed"
    " people. Local codes go first."
)


@transaction.atomic
def calendar_address_issue(*, crew: Crew, by: Actor) -> tuple[CalendarAddress, str]:
    """A new address of a crew's calendar and its secret, which is not kept."""
    secret = secrets.token_urlsafe(SECRET_BYTES)
    address = CalendarAddress.objects.create(
        crew=crew, secret_digest=_digest(secret), created_at=now(), by_name=by.name
    )
    change_record(
        by=by,
        action="calendar.issued",
        thing=("calendar", address.public_id),
        after={"crew": crew.public_id},
    )
    return address, secret


@transaction.atomic
def calendar_address_revoke(*, address: CalendarAddress, by: Actor) -> None:
    """End an address at once; ending it again changes nothing."""
    live = CalendarAddress.objects.filter(pk=address.pk, revoked_at=None)
    if live.update(revoked_at=now()):
        change_record(by=by, action="calendar.revoked", thing=("calendar", address.public_id))


def calendar_of(secret: str) -> bytes:
    """The calendar behind a secret: visits of plans that hold or held. Raises NotFound, the same
    for one that was revoked and one that never was."""
    with everywhere(reason="an address says no contractor"):
        address = CalendarAddress.objects.filter(
            secret_digest=_digest(secret), revoked_at=None
        ).first()
    if address is None:
        raise NotFound("There is no such calendar.")
    with contractor_scope(address.contractor_id):
        crew = Crew.objects.get(pk=address.crew_id)
        return calendar_text(crew.name, _visits(crew), now())


def _visits(crew: Crew) -> list[CalendarVisit]:
    since = now() - dt.timedelta(days=KEPT_DAYS)
    holds = Q(plan__state=PlanState.PUBLISHED)
    done = Q(plan__state=PlanState.SUPERSEDED) & ~Q(state=VisitState.PLANNED)
    rows = PlannedVisit.objects.filter(holds | done, crew=crew, starts_at__gte=since)
    joined = rows.select_related(
        "plan", "call__property", "soak_check__repair__call__property", "inspection__property"
    )
    # A visit of several plans is told as the newest has it.
    newest = {one.name: one for one in joined.order_by("plan_id", "pk")}
    return sorted(map(_told, newest.values()), key=lambda one: (one.starts_at, one.uid))


def _told(visit: PlannedVisit) -> CalendarVisit:
    call, place = visit_call(visit), visit_place(visit)
    what = _WHAT.get(visit.kind, "Visit")
    lines = [visit.why]
    if call is not None:
        lines += [call.note, call.contact, call.access_hours, call.property.access_note]
    lines.append(SAFETY)
    return CalendarVisit(
        uid=f"{visit.name}@clampline",
        sequence=1000 * visit.plan_id + visit.version % 1000,
        starts_at=visit.starts_at,
        ends_at=visit.ends_at,
        title=f"{what}: {place.name}",
        where=place.address,
        words="\n".join(filter(None, lines)),
        is_missed=visit.state == VisitState.MISSED,
    )


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
