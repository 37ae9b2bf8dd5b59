"""Reading runs, trouble flags with their lives, and follow-up looks."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from django.db.models import BooleanField, ExpressionWrapper, Q, QuerySet

from core.clock import now
from core.models.accounts import Contractor
from core.problems import NotFound
from core.tenancy.scope import current_contractor_id
from faults.models.trace import Finding
from faults.models.trouble import (
    FlagMove,
    FlagState,
    Inspection,
    InspectionState,
    RecurrenceRun,
    TroubleFlag,
)
from faults.recurrence.flag_renewal import FlagRenewal, flag_renewal

DAYS_A_YEAR = 365.25


def flag_list(*, with_cleared: bool = False) -> QuerySet[TroubleFlag]:
    """Flags with path and property, the newest first: one query."""
    rows = TroubleFlag.objects.select_related("path__controller__property", "run")
    return (rows if with_cleared else rows.exclude(state=FlagState.CLEARED)).order_by("-pk")


def flag_get(public_id: str) -> TroubleFlag:
    """A flag, a cleared one too: one query. Raises NotFound."""
    found = flag_list(with_cleared=True).filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no flag {public_id}.")
    return found


def flag_moves(flag: TroubleFlag) -> QuerySet[FlagMove]:
    """A flag's life, in its order: one query."""
    return FlagMove.objects.filter(flag=flag).order_by("pk")


def flag_renewal_of(flag: TroubleFlag) -> FlagRenewal | None:
    """Repair or renew, from a flag's evidence; None where it was never energised."""
    facts = flag.evidence
    if not facts["energised_days"] > 0.0:
        return None
    a_year = facts["expected"] * DAYS_A_YEAR / facts["energised_days"]
    return flag_renewal(facts["failures"], facts["expected"], facts["spread"], a_year)


def flag_failures(flag: TroubleFlag) -> QuerySet[Finding]:
    """The proved failures of a flag's evidence with their traces and calls, in the order of time:
    one query. Those set aside since are among them: they counted then."""
    rows = Finding.objects.filter(public_id__in=flag.findings or ())
    return rows.select_related("trace__call", "trace__path").order_by("made_at", "pk")


def inspection_list(*, only_open: bool = True) -> QuerySet[Inspection]:
    """Looks with flag, path and property, the soonest planned first, and whether each is
    ``overdue`` (open past its day): two queries."""
    is_late = Q(state=InspectionState.OPEN, due_on__lt=contractor_today())
    rows = Inspection.objects.select_related("property", "path", "flag", "call").annotate(
        overdue=ExpressionWrapper(is_late, output_field=BooleanField())
    )
    rows = rows.filter(state=InspectionState.OPEN) if only_open else rows
    return rows.order_by("planned_week", "property", "pk")


def inspection_get(public_id: str) -> Inspection:
    """A look: two queries. Raises NotFound."""
    found = inspection_list(only_open=False).filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no inspection {public_id}.")
    return found


def inspections_of(flag: TroubleFlag) -> QuerySet[Inspection]:
    """A flag's looks, the newest first: one query."""
    return Inspection.objects.filter(flag=flag).order_by("-number")


def inspections_of_week(day: dt.date) -> QuerySet[Inspection]:
    """Open looks planned for the week of a day or before it: what crews may fit in then."""
    return inspection_list().filter(planned_week__lte=day)


def contractor_today() -> dt.date:
    """The present day where the contractor is: one query."""
    zone = Contractor.objects.values_list("time_zone", flat=True).get(pk=current_contractor_id())
    return now().astimezone(ZoneInfo(zone)).date()


def run_list() -> QuerySet[RecurrenceRun]:
    """Runs, the newest first: one query."""
    return RecurrenceRun.objects.select_related("job").order_by("-pk")


def run_get(public_id: str) -> RecurrenceRun:
    """A run: one query. Raises NotFound."""
    found = run_list().filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no run {public_id}.")
    return found
