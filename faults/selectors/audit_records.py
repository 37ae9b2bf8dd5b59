"""Rows of a contractor as the audit takes them: calls, proofs, repairs, parts, ground."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from core.models.accounts import CrewMember
from faults.audit.records import (
    NOT_TOLD,
    Case,
    Failure,
    Flagged,
    Part,
    Records,
    Repair,
)
from faults.history_snapshot import day_of
from faults.left_words import place_words
from faults.models.call import CallMove, FaultCall
from faults.models.repair import RemovedPart, RepairFailure, SoakCheck
from faults.models.repair import Repair as RepairRow
from faults.models.return_test import ReturnTest
from faults.models.trace import Finding, Trace, TraceOutcome
from faults.models.trouble import TroubleFlag
from faults.selectors.audit_ground import (
    MapsOfPaths,
    PathFacts,
    ground_rows,
    path_facts,
)
from faults.transitions import CallState
from sites.models.property import Property


def audit_records() -> Records:
    """All that an audit looks at, of the contractor in scope: 21 queries, however many rows."""
    paths = path_facts()
    gathered = _Gathered(paths)
    looked_at = sorted({path for path in gathered.touched if path is not None})
    maps = MapsOfPaths(paths, looked_at)
    names = dict(Property.objects.values_list("public_id", "name"))
    for path in paths.values():
        names[path.public_id] = f"{names[path.property]}, {path.label}"
    return Records(
        cases=gathered.cases(),
        failures=gathered.failures(maps),
        repairs=gathered.repairs(maps),
        parts=gathered.parts(),
        flags=_flags(paths),
        ground=ground_rows(paths),
        maps=maps.newest,
        names=names,
    )


def _flags(paths: dict[int, PathFacts]) -> tuple[Flagged, ...]:
    """Flags with the evidence of their latest runs."""
    rows = TroubleFlag.objects.order_by("raised_at", "pk")
    return tuple(_flagged(row, paths[row.path_id]) for row in rows)


def _flagged(row: TroubleFlag, path: PathFacts) -> Flagged:
    evidence = row.evidence
    return Flagged(
        id=row.public_id,
        property=path.property,
        path=path.public_id,
        state=row.state,
        at=day_of(row.raised_at),
        cleared=None if row.cleared_at is None else day_of(row.cleared_at),
        places=", ".join(place_words(place) for place in row.places),
        failures=tuple(row.findings or ()),
        count=evidence["failures"],
        expected=evidence["expected"],
        ratio_low=evidence["ratio_low"],
        ratio_high=evidence["ratio_high"],
        p=evidence["p"],
        q=evidence["q"],
    )


@dataclass
class _CallFacts:
    """What is gathered of a call besides its own row."""

    closed: float | None = None
    reopened: float | None = None
    crew: str = NOT_TOLD
    proof: str = ""
    stopped: bool = False


@dataclass
class _Gathered:
    """Rows as they were read, and what of them belongs together."""

    paths: dict[int, PathFacts]
    by_call: dict[int, _CallFacts] = field(default_factory=lambda: defaultdict(_CallFacts))

    def __post_init__(self) -> None:
        self._of_property: dict[str, list[str]] = defaultdict(list)
        for path in self.paths.values():
            self._of_property[path.property].append(path.public_id)
        self._calls = list(
            FaultCall.objects.select_related("property", "crew").order_by("opened_at", "pk")
        )
        self._zones = {one.property_id: ZoneInfo(one.property.time_zone) for one in self._calls}
        self._place_of = {one.pk: one.property.public_id for one in self._calls}
        self._id_of = {one.pk: one.public_id for one in self._calls}
        self._findings = list(
            Finding.objects.filter(proved=True, superseded_at__isnull=True)
            .select_related("trace")
            .defer("basis", "trace__standing", "trace__known")
            .order_by("made_at", "pk")
        )
        self._repairs = list(
            RepairRow.objects.select_related("call", "finding").order_by("at", "pk")
        )
        self.touched = {
            *(one.trace.path_id for one in self._findings),
            *(one.call.path_id for one in self._repairs),
        }
        self._read_crews()
        self._read_moves()
        self._read_traces()

    def _read_crews(self) -> None:
        """A call's crew; where none has it, the only one of whoever worked on it."""
        self._crews: dict[str, set[str]] = defaultdict(set)
        memberships = CrewMember.objects.values_list("person__public_id", "person", "crew__name")
        for public_id, pk, crew in memberships:
            self._crews[public_id].add(crew)
            self._crews[str(pk)].add(crew)
        for repair in self._repairs:
            crew = self._crew_of(repair.by_id)
            if crew != NOT_TOLD:
                self.by_call[repair.call_id].crew = crew

    def _crew_of(self, person: str) -> str:
        crews = self._crews.get(person, set())
        return next(iter(crews)) if len(crews) == 1 else NOT_TOLD

    def _read_moves(self) -> None:
        moves = CallMove.objects.order_by("pk").values_list("call", "from_state", "to_state", "at")
        for call, before, after, at in moves:
            facts = self.by_call[call]
            if after == CallState.CLOSED and facts.closed is None:
                facts.closed = day_of(at)
            elif before == CallState.CLOSED and facts.reopened is None:
                facts.reopened = day_of(at)

    def _read_traces(self) -> None:
        traces = Trace.objects.order_by("pk").values_list(
            "call", "public_id", "outcome", "hand_reason", "started_by_person"
        )
        for call, public_id, outcome, hand_reason, person in traces:
            facts = self.by_call[call]
            facts.stopped = bool(hand_reason)
            facts.proof = public_id if outcome == TraceOutcome.CONTROLLER else ""
            if facts.crew == NOT_TOLD and person is not None:
                facts.crew = self._crew_of(str(person))
        for finding in self._findings:
            self.by_call[finding.trace.call_id].proof = finding.public_id
        for row in self._calls:
            if row.crew is not None:
                self.by_call[row.pk].crew = row.crew.name

    def cases(self) -> tuple[Case, ...]:
        """Calls, in the order in which they were opened."""
        found = []
        for call in self._calls:
            facts, place = self.by_call[call.pk], call.property.public_id
            known = self.paths.get(call.path_id or 0)
            found.append(
                Case(
                    id=call.public_id,
                    property=place,
                    paths=(known.public_id,) if known else tuple(self._of_property[place]),
                    crew=facts.crew,
                    opened=day_of(call.opened_at),
                    closed=facts.closed,
                    reopened=facts.reopened,
                    outcome=call.outcome,
                    proof=facts.proof,
                    stopped=facts.stopped,
                    tested=call.closing_test_id is not None,
                    cancelled=call.state == CallState.CANCELLED,
                )
            )
        return tuple(found)

    def failures(self, maps: MapsOfPaths) -> tuple[Failure, ...]:
        """Proved findings that stand and whose place is on a path."""
        found = []
        for row in self._findings:
            at, call = day_of(row.made_at), row.trace.call_id
            place = maps.at(row.trace.path_id, row.at, at)
            if place is not None:
                crew = self.by_call[call].crew
                found.append(
                    Failure(row.public_id, self._id_of[call], self._place_of[call], crew, at, place)
                )
        return tuple(found)

    def repairs(self, maps: MapsOfPaths) -> tuple[Repair, ...]:
        """Repairs, with what is known of whether they hold."""
        told = set(RepairFailure.objects.values_list("repair", flat=True))
        checks = {one.repair_id: one for one in SoakCheck.objects.all()}
        wet = set(
            ReturnTest.objects.filter(passed=True, wet=True, repair__isnull=False).values_list(
                "repair", flat=True
            )
        )
        found = []
        for row in self._repairs:
            at, check = day_of(row.at), checks.get(row.pk)
            # What lay there when it failed, not what was put in.
            as_found = at if row.finding is None else day_of(row.finding.made_at)
            by_person = self._crew_of(row.by_id)
            crew = self.by_call[row.call_id].crew if by_person == NOT_TOLD else by_person
            found.append(
                Repair(
                    id=row.public_id,
                    case=self._id_of[row.call_id],
                    property=self._place_of[row.call_id],
                    crew=crew,
                    at=at,
                    kind=row.kind,
                    splices=row.splices_made,
                    place=maps.at(row.call.path_id, row.at_place, as_found),
                    told_failed=row.pk in told,
                    soak=check.state if check else "",  # type: ignore[arg-type]
                    soak_due=self._end_of(check, row.call.property_id) if check else None,
                    wet_test=row.pk in wet,
                )
            )
        return tuple(found)

    def _end_of(self, check: SoakCheck, place: int) -> float:
        """When the last day of a check is over on its property."""
        day = check.due_by + dt.timedelta(days=1)
        return day_of(dt.datetime.combine(day, dt.time(), self._zones[place]))

    def parts(self) -> tuple[Part, ...]:
        """Removed parts."""
        rows = RemovedPart.objects.select_related("repair").order_by("removed_at", "pk")
        found = []
        for row in rows:
            crew = self.by_call[row.call_id].crew
            if row.repair is not None and self._crew_of(row.repair.by_id) != NOT_TOLD:
                crew = self._crew_of(row.repair.by_id)
            found.append(
                Part(
                    row.public_id,
                    self._id_of[row.call_id],
                    self._place_of[row.call_id],
                    crew,
                    day_of(row.removed_at),
                    row.what,
                    row.bench_result,
                )
            )
        return tuple(found)
