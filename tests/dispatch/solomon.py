"""Solomon's routing instances as planning problems, and what is known of them.

Customers are visits that must be made, vehicles crews of one long shift, load is one kind of
part. Lengths are cut to one decimal and counted in tenths, a tenth being a minute: the convention
in which best known lengths are told for sums of distances.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

from faults.dispatch.problem import Crew, Interval, Minutes, Problem, Shift, Visit, Weights
from faults.dispatch.travel import Travel

FILE = Path(__file__).parents[1] / "data" / "vrptw.json"
MUST = 5_000.0

# Best known lengths by instance and number of customers; those of 25 and of 50 are optimal.
BEST_KNOWN = {
    ("C101", 25): 191.3,
    ("C101", 50): 362.4,
    ("C101", 100): 827.3,
    ("R101", 25): 617.1,
    ("R101", 50): 1044.0,
    ("R101", 100): 1637.7,
    ("C201", 25): 214.7,
    ("C201", 50): 360.2,
    ("C201", 100): 589.1,
    ("RC101", 25): 461.1,
    ("RC101", 50): 944.0,
    ("RC101", 100): 1619.8,
}
# Proved by enumeration of all routes, for the first customers alone.
PROVED_SMALL = {("R101", 10): 269.2, ("R101", 15): 383.1, ("C101", 10): 58.1, ("RC101", 10): 185.5}


@cache
def _instances() -> dict[str, Any]:
    instances: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))["instances"]
    return instances


def solomon_problem(name: str, customers: int) -> Problem:
    """The first customers of an instance."""
    instance = _instances()[name]
    rows = instance["rows"][: customers + 1]
    tenths = [
        [int(10.0 * ((a[1] - b[1]) ** 2 + (a[2] - b[2]) ** 2) ** 0.5 + 1e-9) for b in rows]
        for a in rows
    ]
    until = 10 * rows[0][5]
    visits = [
        Visit(
            name=f"customer {number}",
            place=str(number),
            minutes=Minutes(10 * service, 10 * service),
            access=(Interval(10 * ready, 10 * (due + service)),),
            value=MUST,
            parts={"load": demand},
        )
        for number, _, _, demand, ready, due, service in rows[1:]
    ]
    crews = [
        Crew(f"vehicle {number}", "0", (Shift(0, until),), parts={"load": instance["capacity"]})
        for number in range(1, instance["vehicles"] + 1)
    ]
    places = [str(row[0]) for row in rows]
    travel = Travel.given(places, tenths)
    driving_alone = Weights(crew_minute=0.0)
    return Problem(0, until, tuple(crews), tuple(visits), travel, weights=driving_alone)
