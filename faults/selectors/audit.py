"""The audit of repeat failures of the contractor in scope."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from core.clock import now
from core.models.accounts import Contractor, Crew
from core.problems import Defect, Invalid, NotFound
from core.tenancy.scope import current_contractor_id
from faults.audit.assemble import Audit, audit
from faults.audit.figure import Figure, Row
from faults.audit.records import Asked
from faults.audit_question import AuditQuestion
from faults.history_snapshot import day_of
from faults.selectors.audit_records import audit_records
from sites.models.property import Property


@dataclass(frozen=True)
class Audited:
    """An audit and what it was asked. ``until``: what came after was not looked at; ``zone``:
    whose days are meant."""

    question: AuditQuestion
    found: Audit
    until: dt.datetime
    zone: ZoneInfo
    property_name: str
    crew_name: str


def audit_of(question: AuditQuestion, *, as_of: dt.datetime | None = None) -> Audited:
    """Work out an audit: at most 23 queries, however many rows; the rest is reckoned here.

    ``as_of`` None: now. Raises Invalid where the property or crew is not there.
    """
    contractor = Contractor.objects.get(pk=current_contractor_id())
    zone = ZoneInfo(contractor.time_zone)
    place = _name_of(Property.objects.all(), question.property, "property")
    crew = _name_of(Crew.objects.all(), question.crew, "crew")
    start = None if question.from_day is None else _start_of(question.from_day, zone)
    until = now() if as_of is None else as_of
    if question.until_day is not None:
        until = min(until, _start_of(question.until_day + dt.timedelta(days=1), zone))
    asked = Asked(
        until=day_of(until),
        start=None if start is None else day_of(start),
        property=question.property,
        crew=crew,
        window=float(question.window_days),
        rule=question.rule(),
    )
    return Audited(question, audit(audit_records(), asked), until, zone, place, crew)


def audit_row(audited: Audited, figure: str, row: str) -> tuple[Figure, Row]:
    """A row of a figure by their keys. Raises NotFound."""
    one = audited.found.figure(figure)
    found = one.row(row) if one else None
    if one is None or found is None:
        raise NotFound(f"There is no row {row[:60]!r} in a figure {figure[:40]!r}.")
    return one, found


def _start_of(day: dt.date, zone: ZoneInfo) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(), zone).astimezone(dt.UTC)


def _name_of(rows: QuerySet[Property] | QuerySet[Crew], public_id: str, word: str) -> str:
    """What a property or crew that is asked for is called; empty where none is."""
    if not public_id:
        return ""
    found = rows.filter(public_id=public_id).first()
    if found is None:
        defect = Defect(f"/{word}", f"there is no {word} {public_id[:40]}")
        raise Invalid("The question does not fit.", defects=[defect])
    return found.name
