"""Making a day's plan in a process of its own: JSON in, JSON out, no database."""

from __future__ import annotations

import time
from dataclasses import asdict
from typing import Any

from faults.dispatch.plan import Plan
from faults.dispatch.problem import Problem
from faults.dispatch.reasons import reasons_left_out, sequences_of
from faults.dispatch.replan import Replan, replan
from faults.dispatch.risk import risks_of
from faults.dispatch.solve import Effort, solve
from faults.dispatch.why import why_this_crew
from faults.forms.day_plan import plan_document, read_plan, read_problem

Document = dict[str, Any]

SEARCH_S = 12.0
"""After so long the search ends with what it has."""


def make_plan(asked: Document) -> Document:
    """The plan of ``asked["problem"]``; with ``asked["told"]``, the one nearest to that plan.

    ``asked["search"]`` false: the first plan alone, greedy, in a fraction of the time and memory.
    The answer holds the plan, why each crew has each visit, why the rest is left out, the chance
    of each promise, and what changed against the told plan.
    """
    problem = read_problem(asked["problem"])
    effort = Effort(stop=_until(time.monotonic() + float(asked.get("search_s", SEARCH_S))))
    told, searches = asked.get("told"), asked.get("search", True)
    if told is None:
        plan = solve(problem, effort if searches else Effort(iterations=0, rounds=0))
        return _answer(problem, plan)
    rounds = 150 if searches else 0
    change = replan(problem, read_plan(told), Effort(rounds=rounds, stop=effort.stop))
    return _answer(problem, change.plan) | _changes(change)


def _until(end_s: float) -> Any:
    return lambda: time.monotonic() >= end_s


def _answer(problem: Problem, plan: Plan) -> Document:
    named, sequences = plan.places_of_visits(), sequences_of(problem, plan)
    return {
        "plan": plan_document(plan),
        "why": {name: why_this_crew(problem, plan, name, sequences).text for name in named},
        "left_out": [asdict(one) for one in reasons_left_out(problem, plan, sequences)],
        "risks": [asdict(risk) for risk in risks_of(problem, plan)],
        "changes": [],
        "figures": [],
    }


def _changes(change: Replan) -> Document:
    return {
        "changes": [asdict(one) for one in change.changes],
        "figures": [asdict(one) for one in change.figures],
    }
