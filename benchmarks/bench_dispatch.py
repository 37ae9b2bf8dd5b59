"""The benchmarks of dispatch: published instances, large days and replans, months of calls."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from typing import Any

from benchmarks.dispatch_month import Outcome, Simple, invented_month, work_off
from benchmarks.dispatch_planned import OFF_PLAN_MIN, Planned
from benchmarks.limits import mean_of
from benchmarks.report import percent, table
from benchmarks.runner import Benchmark, Row
from faults.day_planning import make_plan
from faults.dispatch.plan import Plan
from faults.dispatch.problem import Minutes, Problem, Promise, Visit
from faults.dispatch.replan import anew, replan, told_share_moved
from faults.dispatch.solve import Effort, solve
from faults.forms.day_plan import plan_document, problem_document
from tests.dispatch.checker import defects
from tests.dispatch.invented import Size, invented_problem
from tests.dispatch.solomon import BEST_KNOWN, solomon_problem

SEEDS = (1, 2, 3)
DAYS = 8
MONTHS = 20
SECONDS_AN_INSTANCE = 10.0
DAY_SIZE = Size(300, 25)
DAY_EFFORT = Effort(iterations=1500, rounds=800)
REPLAN_EFFORT = Effort(rounds=100)
MONTH_EFFORT = Effort(iterations=200, rounds=40)
CALLS_A_DAY = 33.0
UNKNOWN = 10**9

_ENGINE = ("faults/dispatch", "tests/dispatch/checker.py", "benchmarks/bench_dispatch.py")
_MONTH = ("benchmarks/dispatch_month.py", "benchmarks/dispatch_planned.py")


def instance_keys() -> list[str]:
    """Every instance, size and seed."""
    return [f"{name}/{size:03d}/{seed}" for seed in SEEDS for name, size in BEST_KNOWN]


def instance_row(key: str) -> Row:
    """The length found in ten seconds of one core."""
    name, size, seed = key.split("/")
    began = time.process_time()

    def stop() -> bool:
        return time.process_time() - began > SECONDS_AN_INSTANCE - 0.2

    problem = solomon_problem(name, int(size))
    plan = solve(problem, Effort(iterations=UNKNOWN, rounds=0, seed=int(seed), stop=stop))
    used = time.process_time() - began
    best = BEST_KNOWN[name, int(size)]
    return {
        "instance": name,
        "customers": int(size),
        "length": plan.figures.drive_min / 10.0,
        "over": plan.figures.drive_min / 10.0 / best - 1.0,
        "left_out": plan.figures.visits_left_out,
        "defects": defects(problem, plan)[:3],
        "cpu_s": round(used, 2),
    }


def instance_section(rows: list[Row]) -> str:
    """Worst of three seeds by instance, against the limit."""
    body = []
    for name, size in BEST_KNOWN:
        group = [row for row in rows if (row.get("instance"), row.get("customers")) == (name, size)]
        if not group:
            continue
        limit = 0.02 if size == 100 else 0.0
        worst = max(row["over"] for row in group)
        sound = all(not row["defects"] and not row["left_out"] for row in group)
        body.append(
            (
                name,
                size,
                len(group),
                BEST_KNOWN[name, size],
                min(row["length"] for row in group),
                max(row["length"] for row in group),
                percent(worst),
                percent(limit),
                "kept" if worst <= limit + 1e-9 and sound else "NOT KEPT",
                f"{max(row['cpu_s'] for row in group):.1f}",
            )
        )
    columns = "instance|customers|seeds|best known|shortest|longest|worst over|limit||CPU s, most"
    return (
        "Solomon's instances (Operations Research 35, 1987) as planning problems: lengths cut to "
        "one decimal, least sum of lengths, ten seconds of one core, every plan checked.\n\n"
        + table(columns.split("|"), body)
    )


def day_keys() -> list[str]:
    """Seeds of invented days."""
    return [f"{seed:02d}" for seed in range(1, DAYS + 1)]


def _timed(make: Callable[[], Any]) -> tuple[Any, float]:
    began = time.process_time()
    made = make()
    return made, round(time.process_time() - began, 2)


def day_row(key: str) -> Row:
    """One day of 300 calls and 25 crews, and one call more."""
    problem = invented_problem(int(key), DAY_SIZE)
    greedy = solve(problem, Effort(iterations=0, rounds=0))
    told, plan_s = _timed(lambda: solve(problem, DAY_EFFORT))
    later = _one_call_more(problem, int(key))
    changed, replan_s = _timed(lambda: replan(later, told, REPLAN_EFFORT))
    asked = {"problem": problem_document(later), "told": plan_document(told)}
    _, answer_s = _timed(lambda: make_plan(asked))
    fresh = solve(later, DAY_EFFORT)
    with_moves = anew(later, told, fresh)
    found = defects(problem, told) + defects(later, changed.plan, told)
    found += defects(later, with_moves, told)
    return {
        "greedy": greedy.figures.cost,
        "cost": told.figures.cost,
        "planned": told.figures.visits_planned,
        "plan_cpu_s": plan_s,
        "replan_cpu_s": replan_s,
        "answer_cpu_s": answer_s,
        "moved": told_share_moved(changed, told),
        "urgent_in": "urgent" in changed.plan.places_of_visits(),
        "replan_cost": changed.plan.figures.cost,
        "replan_without_moves": _without_moves(later, changed.plan),
        "anew_cost": with_moves.figures.cost,
        "anew_without_moves": fresh.figures.cost,
        "anew_moved": with_moves.figures.visits_moved / told.figures.visits_planned,
        "defects": found[:3],
    }


def _one_call_more(problem: Problem, seed: int) -> Problem:
    urgent = Visit(
        "urgent",
        f"place {17 * seed % DAY_SIZE.visits}",
        Minutes(50, 90),
        stations_dry=60,
        promise=Promise(problem.now_min + 300),
    )
    return replace(problem, visits=(*problem.visits, urgent))


def _without_moves(problem: Problem, plan: Plan) -> float:
    return plan.figures.cost - problem.weights.moved_visit * plan.figures.visits_moved


def day_section(rows: list[Row]) -> str:
    """Times and costs day by day."""
    columns = (
        "day|visits planned|greedy|plan|plan, CPU s (20)|replan, CPU s (3)|with all reasons, "
        "CPU s|told visits moved (10 %)|cost of replan|of planning anew|moved by that|replan, "
        "moves not counted|anew, likewise|"
    )
    body = [
        (
            row["key"],
            row["planned"],
            f"{row['greedy']:.0f}",
            f"{row['cost']:.0f}",
            row["plan_cpu_s"],
            row["replan_cpu_s"],
            row.get("answer_cpu_s", ""),
            percent(row["moved"]),
            f"{row['replan_cost']:.0f}",
            f"{row['anew_cost']:.0f}",
            percent(row["anew_moved"]),
            f"{row['replan_without_moves']:.0f}",
            f"{row['anew_without_moves']:.0f}",
            "kept" if _day_kept(row) else "NOT KEPT",
        )
        for row in rows
        if "error" not in row
    ]
    return (
        "300 visits and 25 crews for one day, more work than fits; then one urgent call more. "
        "Costs in minutes of driving; limits in brackets; every plan checked.\n\n"
        + table(columns.split("|"), body)
    )


def _day_kept(row: Row) -> bool:
    fast = row["plan_cpu_s"] < 20.0 and row["replan_cpu_s"] < 3.0
    return fast and row["moved"] < 0.10 and row["urgent_in"] and not row["defects"]


def month_keys() -> list[str]:
    """Seeds of invented months."""
    return [f"{seed:02d}" for seed in range(1, MONTHS + 1)]


def month_row(key: str) -> Row:
    """One month worked off in three ways."""
    month = invented_month(int(key), calls_a_day=CALLS_A_DAY)
    planned = Planned(MONTH_EFFORT)
    outcomes: dict[str, Outcome] = {
        "plan": work_off(month, planned),
        "nearest": work_off(month, Simple(oldest_first=False)),
        "oldest": work_off(month, Simple(oldest_first=True)),
    }
    return {
        **{name: asdict(outcome) for name, outcome in outcomes.items()},
        "plans": planned.plans,
        "defects": planned.defects[:3],
    }


_FIGURES = (
    ("promises kept", "kept", 1.0),
    ("dry station hours", "dry_station_hours", -1.0),
    ("minutes driven", "drive_min", -1.0),
    ("minutes of overtime", "overtime_min", -1.0),
)
_WAYS = (("nearest", "nearest free crew"), ("oldest", "first come first served"))


def month_section(rows: list[Row]) -> str:
    """Paired differences of the plan against both ways, with limits."""
    sound = [row for row in rows if "error" not in row]
    body = []
    for way, told in _WAYS:
        for name, figure, better in _FIGURES:
            differences = [float(row["plan"][figure] - row[way][figure]) for row in sound]
            mean = mean_of(differences)
            before = sum(row[way][figure] for row in sound)
            after = sum(row["plan"][figure] for row in sound)
            body.append(
                (
                    told,
                    name,
                    f"{before / len(sound):.1f}",
                    f"{after / len(sound):.1f}",
                    percent(after / before - 1.0, 1) if before else "",
                    f"{mean.mean:.1f}",
                    f"{mean.low:.1f} to {mean.high:.1f}",
                    sum(better * one > 0 for one in differences),
                )
            )
    calls = sum(row["plan"]["promises"] for row in sound)
    plans = sum(row["plans"] for row in sound)
    wrong = sum(bool(row["defects"]) for row in sound)
    columns = "against|figure|theirs|by plan|change|mean difference|95 % limits|months better"
    return (
        f"{len(sound)} invented months of 20 days and 5 crews, {calls} calls, each promised; the "
        "same calls, crews and true minutes of work for every way. The plan is made anew with each "
        f"call and each job that ends {OFF_PLAN_MIN} minutes or more off its time: {plans} plans, "
        f"months with one that cannot be kept: {wrong}.\n\n" + table(columns.split("|"), body)
    )


def dispatch_benchmarks() -> Iterator[Benchmark]:
    """All three."""
    yield Benchmark(
        "dispatch-instances",
        "Published routing instances",
        instance_keys,
        instance_row,
        instance_section,
        measured=(*_ENGINE, "tests/dispatch/solomon.py"),
    )
    yield Benchmark(
        "dispatch-days",
        "Large days and replans",
        day_keys,
        day_row,
        day_section,
        measured=(*_ENGINE, "tests/dispatch/invented.py"),
    )
    yield Benchmark(
        "dispatch-months",
        "Months of calls",
        month_keys,
        month_row,
        month_section,
        measured=(*_ENGINE, *_MONTH),
    )
