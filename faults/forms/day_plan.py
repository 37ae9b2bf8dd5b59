"""Planning problems and plans as JSON: what a child process is given and gives, and what is kept.

Written and read by this program alone, so that a document of another shape is a defect of ours.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from faults.dispatch.plan import Figures, Plan, Rest, Route, Stop
from faults.dispatch.problem import (
    Break,
    Crew,
    Interval,
    Locked,
    Minutes,
    Problem,
    Promise,
    Shift,
    Started,
    Visit,
    VisitKind,
    Weights,
)
from faults.dispatch.travel import Travel

Document = dict[str, Any]


def problem_document(problem: Problem) -> Document:
    """A problem as JSON can carry it."""
    return {
        "now_min": problem.now_min,
        "until_min": problem.until_min,
        "margin": problem.margin,
        "told_tolerance_min": problem.told_tolerance_min,
        "weights": asdict(problem.weights),
        "crews": [_crew_document(crew) for crew in problem.crews],
        "visits": [_visit_document(visit) for visit in problem.visits],
        "places": list(problem.travel.names),
        "travel_min": problem.travel.minutes.tolist(),
        "started": [asdict(one) for one in problem.started],
        "locked": [asdict(one) for one in problem.locked],
    }


def read_problem(document: Document) -> Problem:
    """The problem of a document. Raises DispatchError where it does not hang together."""
    return Problem(
        now_min=document["now_min"],
        until_min=document["until_min"],
        crews=tuple(map(_read_crew, document["crews"])),
        visits=tuple(map(_read_visit, document["visits"])),
        travel=Travel.given(document["places"], _square(document["travel_min"])),
        started=tuple(Started(**one) for one in document["started"]),
        locked=tuple(Locked(**one) for one in document["locked"]),
        weights=Weights(**document["weights"]),
        margin=document["margin"],
        told_tolerance_min=document["told_tolerance_min"],
    )


def _square(rows: list[list[int]]) -> NDArray[np.int64]:
    """The matrix; JSON cannot tell one of no places from a row of none."""
    return np.array(rows, dtype=np.int64).reshape(len(rows), len(rows))


def plan_document(plan: Plan) -> Document:
    """A plan as JSON can carry it."""
    return asdict(plan)


def read_plan(document: Document) -> Plan:
    """The plan of a document."""
    routes = tuple(
        Route(
            **row
            | {
                "stops": tuple(Stop(**stop) for stop in row["stops"]),
                "rests": tuple(Rest(**rest) for rest in row["rests"]),
            }
        )
        for row in document["routes"]
    )
    return Plan(
        routes, tuple(document["left_out"]), Figures(**document["figures"]), document["method"]
    )


def _crew_document(crew: Crew) -> Document:
    return {
        "name": crew.name,
        "base": crew.base,
        "position": crew.position,
        "people": crew.people,
        "skills": sorted(crew.skills),
        "tools": sorted(crew.tools),
        "parts": dict(crew.parts),
        "shifts": [asdict(shift) for shift in crew.shifts],
    }


def _read_crew(row: Document) -> Crew:
    shifts = tuple(
        Shift(one["start_min"], one["stop_min"], tuple(Break(**rest) for rest in one["breaks"]))
        for one in row["shifts"]
    )
    words = {name: frozenset(row[name]) for name in ("skills", "tools")}
    return Crew(**row | words | {"shifts": shifts})


def _visit_document(visit: Visit) -> Document:
    document = {
        name: getattr(visit, name)
        for name in ("name", "place", "earliest_min", "stations_dry", "value", "people")
    }
    return document | {
        "kind": str(visit.kind),
        "minutes": asdict(visit.minutes),
        "access": [asdict(one) for one in visit.access],
        "promise": None if visit.promise is None else asdict(visit.promise),
        "skills": sorted(visit.skills),
        "tools": sorted(visit.tools),
        "parts": dict(visit.parts),
    }


def _read_visit(row: Document) -> Visit:
    words = {name: frozenset(row[name]) for name in ("skills", "tools")}
    return Visit(
        **row
        | words
        | {
            "kind": VisitKind(row["kind"]),
            "minutes": Minutes(**row["minutes"]),
            "access": tuple(Interval(**one) for one in row["access"]),
            "promise": None if row["promise"] is None else Promise(**row["promise"]),
        }
    )
