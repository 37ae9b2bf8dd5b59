"""Crews and visits of plans in words: the planner knows them by their ids."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from core.models.accounts import Crew
from faults.models.call import FaultCall
from faults.models.dispatch import DayPlan
from faults.models.repair import SoakCheck
from faults.models.trouble import Inspection

KINDS = {"call": "Fault", "soak": "Look when wet", "look": "Look at a trouble stretch"}
_NAMED = re.compile(r"crew_[0-9a-z]+|(?:call|soak|look):[a-z]+_[0-9a-z]+")


@dataclass(frozen=True)
class DayNames:
    """Names by public id of crews, and by name of visits."""

    crews: dict[str, str]
    visits: dict[str, str] = field(default_factory=dict)

    def visit(self, name: str) -> str:
        """A visit by its property, or that it is over."""
        return self.visits.get(name, "a visit that is no longer known")

    def crew(self, public_id: str | None) -> str:
        """A crew's name."""
        return self.crews.get(public_id or "", "a crew that is no longer there")

    def in_words(self, text: str) -> str:
        """A sentence of the planner with names for ids."""
        return _NAMED.sub(self._word, text)

    def _word(self, found: re.Match[str]) -> str:
        name = found.group()
        return self.visit(name) if ":" in name else self.crew(name)


def day_names(plans: Iterable[DayPlan]) -> DayNames:
    """All that these plans name: four queries."""
    names: set[str] = set()
    for plan in plans:
        names |= _named(plan)
    ids: dict[str, list[str]] = {kind: [] for kind in KINDS}
    for name in names:
        kind, _, public_id = name.partition(":")
        ids[kind].append(public_id)
    visits = {}
    calls = FaultCall.objects.filter(public_id__in=ids["call"]).select_related("property", "path")
    for call in calls:
        visits[f"call:{call.public_id}"] = _at(call)
    checks = SoakCheck.objects.filter(public_id__in=ids["soak"])
    for check in checks.select_related("repair__call__property", "repair__call__path"):
        visits[f"soak:{check.public_id}"] = f"{_at(check.repair.call)}, when wet"
    looks = Inspection.objects.filter(public_id__in=ids["look"]).select_related("property")
    for look in looks:
        visits[f"look:{look.public_id}"] = f"{look.property.name}, a trouble stretch"
    crews = dict(Crew.objects.values_list("public_id", "name"))
    return DayNames(crews, visits)


def _at(call: FaultCall) -> str:
    return f"{call.property.name}, {call.path.label}" if call.path else call.property.name


def _named(plan: DayPlan) -> set[str]:
    answer = plan.answer
    if not answer:
        return set()
    routes = answer["plan"]["routes"]
    names = {stop["visit"] for route in routes for stop in route["stops"]}
    names |= set(answer["plan"]["left_out"])
    names |= {one["visit"] for one in answer["changes"]}
    return names | {one["visit"] for one in plan.saw.get("unasked", [])}
