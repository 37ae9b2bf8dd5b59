"""Follow-up looks: what is asked for after a run over the history, and planned with the rest."""

from __future__ import annotations

import datetime as dt

from django.db.models import Max

from core.accounts.actor import Actor
from faults.inspection_due import DueFacts, due_day, rested, zone_of
from faults.models.trouble import (
    FlagState,
    Inspection,
    InspectionRules,
    InspectionState,
    TroubleFlag,
)
from faults.services.inspection_ends import inspection_asked
from faults.services.inspection_rules import inspection_rules
from faults.services.inspection_weeks import inspections_level
from faults.services.path_looks import path_looks_ask
from faults.trouble_search import PathFigures


def inspections_plan(*, as_of: dt.datetime, by_path: PathFigures, by: Actor) -> None:
    """Ask for a look at each live flag that has none, then at paths without a flag whose chance
    of a failure asks for it, and plan all open ones, within the caller's transaction; none at a
    path that has ended. Done again for the same moment it changes nothing."""
    rules = inspection_rules()
    _flag_looks(as_of, rules, by)
    path_looks_ask(as_of=as_of, by_path=by_path, target=rules.path_look_at_chance, by=by)
    inspections_level(as_of=as_of, rules=rules)


def _flag_looks(as_of: dt.datetime, rules: InspectionRules, by: Actor) -> None:
    live = TroubleFlag.objects.exclude(state=FlagState.CLEARED).exclude(path__ended_at__lte=as_of)
    flags = live.select_related("path__controller__property")
    of_flags = Inspection.objects.filter(flag__isnull=False)
    open_looks = {one.flag_id: one for one in of_flags.filter(state=InspectionState.OPEN)}
    latest = _latest_by_flag()
    facts = DueFacts(as_of, rules.look_at_chance)
    for flag in flags.order_by("pk"):
        before = latest.get(flag.pk)
        zone = zone_of(flag.path.controller.property)
        due = rested(due_day(flag, before, facts), before, zone)
        look = open_looks.get(flag.pk)
        if look is None:
            new = Inspection(
                property=flag.path.controller.property,
                path=flag.path,
                flag=flag,
                number=1 if before is None else before.number + 1,
                due_on=due,
                chance=rules.look_at_chance,
            )
            inspection_asked(look=new, by=by)
        elif due < look.due_on:
            look.due_on = due
            look.save(update_fields=["due_on"])


def _latest_by_flag() -> dict[int, Inspection]:
    of_flags = Inspection.objects.filter(flag__isnull=False)
    newest = of_flags.values("flag").annotate(pk_=Max("pk")).values_list("pk_", flat=True)
    rows = Inspection.objects.filter(pk__in=list(newest))
    return {one.flag_id: one for one in rows if one.flag_id is not None}
