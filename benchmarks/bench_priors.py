"""What the history of failures is worth in a trace: each traced with and without it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from benchmarks.limits import at_most, mean_of
from benchmarks.prior_years import PATHS, YEARS, Watched, histories, make_world
from benchmarks.report import percent, table
from benchmarks.runner import Benchmark, Row
from faults.forms.step import step_document
from faults.rehearsal.cases import make_case, rehearsal_at
from faults.rehearsal.field import Field
from faults.rehearsal.play import blind_problem, judged
from faults.rehearsal.rehearsal import Rehearsal
from faults.rehearsal.wrong_history import accusing
from faults.tracing.problem import History
from faults.tracing.session import begin

MEASURED = (
    "sites/network",
    "faults/tracing",
    "faults/rehearsal",
    "faults/recurrence",
    "benchmarks/prior_years.py",
)
WORLDS = {"trouble": 24, "equal": 12}
WRONG_CASES = 400
MOST_TRACES = 4
"""Of one world and year; the failures beyond them enter the history untraced."""

Pair = dict[str, Any]


def priors_keys() -> list[str]:
    """Worlds year by year, and wrong histories between, so that all kinds come alike."""
    years = [
        f"{kind}-{index:03d}-{year}"
        for index in range(max(WORLDS.values()))
        for kind in WORLDS
        if index < WORLDS[kind]
        for year in range(2, YEARS + 1)
    ]
    wrong = [f"wrong-{index:05d}" for index in range(WRONG_CASES)]
    # One wrong history for each world and year, so that neither is left to the end.
    return [key for pair in zip(years, wrong, strict=False) for key in pair] + (
        years[len(wrong) :] + wrong[len(years) :]
    )


def priors_row(key: str) -> Row:
    """A world's year, or one case with a history as wrong as can be."""
    kind, index, *year = key.split("-")
    if kind == "wrong":
        case = make_case("rehearsals", int(index))
        history = accusing(case.rehearsal, int(index))
        return {"n": case.devices, "traces": [_pair(case.rehearsal, history)]}
    return _year(kind, int(index), int(year[0]))


def _year(kind: str, index: int, year: int) -> Row:
    world, told = make_world(kind, index), histories(kind, index, year)
    failures = world.failures[year - 1]
    before = {hit for earlier in world.failures[: year - 1] for hit in earlier}
    rng = np.random.default_rng([403, index, year])
    pairs: list[Pair] = []
    untraced = 0
    for path, place in failures:
        if len(pairs) == MOST_TRACES:
            break
        one = world.paths[path]
        rehearsal = rehearsal_at(rng, one.path, one.places[place])
        if rehearsal is None:
            untraced += 1
            continue
        about = _about(one, place, told[path]) | {"failed_before": (path, place) in before}
        pairs.append(about | _pair(rehearsal, told[path]))
    return {"failures": len(failures), "too_weak": untraced, "traces": pairs}


def _about(one: Watched, place: int, history: History | None) -> Pair:
    rows = history.places if history else ()
    factor = next((row.factor for row in rows if row.at == one.places[place]), 1.0)
    return {
        "kind": one.places[place].kind,
        "in_trouble": bool(one.in_trouble[place]),
        "tells": history is not None,
        "factor": round(factor, 3),
    }


def _pair(rehearsal: Rehearsal, history: History | None) -> Pair:
    """The same case without and with a history."""
    plain, plain_steps = _traced(rehearsal, None)
    # An empty history goes the way of a history, so that it is the engine that ignores it.
    weighed, steps = _traced(rehearsal, history or History("years", "none"))
    return {"plain": plain, "with": weighed, "same": plain_steps == steps}


def _traced(rehearsal: Rehearsal, history: History | None) -> tuple[Pair, list[Any]]:
    field = Field(rehearsal)
    session = begin(replace(blind_problem(rehearsal), history=history))
    steps: list[Any] = []
    while session.done is None:
        steps.append(step_document(session.step))
        session = session.observe(field.answer(session.step))
    verdict = session.done
    told = judged(rehearsal, (), verdict, (0.0,))
    ended = {
        "minutes": round(verdict.minutes, 2),
        "search": None if verdict.search_minutes is None else round(verdict.search_minutes, 2),
        "outcome": verdict.outcome,
        "proved": told.proved,
        "wrong": told.wrongly_proved,
    }
    return ended, [*steps, repr(verdict)]


# -- the section -----------------------------------------------------------------------------


def priors_section(rows: list[Row]) -> str:
    """Minutes saved by kind of world and where the fault lay; wrong histories; wrong proofs."""
    pairs = [
        pair | {"world": "-".join(row["key"].split("-")[:2]), "year": row["key"].split("-")[-1]}
        for row in rows
        for pair in row.get("traces", ())
    ]
    by_kind = {
        kind: [pair for pair in pairs if pair["world"].startswith(kind)]
        for kind in (*WORLDS, "wrong")
    }
    head = (
        "worlds and faults",
        "pairs",
        "worlds",
        "search min",
        "saved",
        "95 %",
        "all min",
        "saved",
        "95 %",
    )
    body = [
        _saved_line(name, [pair for pair in by_kind[kind] if picks(pair)])
        for kind, name, picks in _groups()
    ]
    weak = sum(row.get("too_weak", 0) for row in rows)
    quiet = [p for kind in WORLDS for p in by_kind[kind] if not p["tells"]]
    same = sum(pair["same"] for pair in quiet)
    years = [pair for kind in WORLDS for pair in by_kind[kind]]
    ends_head = ("traces", "n", "proved", "with history", "wrong proofs", "with history", "at most")
    ends = [
        _ends_line("simulated years", years),
        _ends_line("histories as wrong as can be", by_kind["wrong"]),
    ]
    return (
        f"{table(head, body)}\n\n"
        f"Each world has {PATHS} paths of 20 to 160 devices and {YEARS} years; traced are up to "
        f"{MOST_TRACES} failures of each year ({weak} more were too weak for the message) from the "
        "second on, each twice on the very same case, the history being that of the years before "
        "it. Places differ by a gamma (variance 0.5); on four paths one stretch of 6 to 14 splices "
        "and the cable between fails eight times as often. Saved: without less with, the mean of "
        "the worlds' means, which are independent, with limits; below 0 the history cost minutes. "
        "Groups are by the truth, which no trace knows. A wrong history's pairs are each a world "
        "of their own.\n\nWhere the history said nothing of the path "
        f"({len(quiet)} pairs) every step and the verdict were the same to the letter in "
        f"{same}.\n\n"
        f"{table(ends_head, ends)}\n\n"
        "A history as wrong as can be doubts the true place fourfold and accuses a splice at the "
        "fault's node or one cable away eightfold."
    )


def _groups() -> Iterator[tuple[str, str, Callable[[Pair], bool]]]:
    yield "trouble", "trouble stretches: all", lambda _pair: True
    yield "trouble", "… fault in a true stretch", lambda pair: pair["in_trouble"]
    yield "trouble", "… fault elsewhere", lambda pair: not pair["in_trouble"]
    yield "trouble", "… failed there before", lambda pair: pair["failed_before"]
    yield "trouble", "… never failed there before", lambda pair: not pair["failed_before"]
    yield "trouble", "… after 1 to 4 years", lambda pair: int(pair["year"]) <= 5
    yield "trouble", "… after 5 to 8 years", lambda pair: int(pair["year"]) > 5
    yield "equal", "equal rates: all", lambda _pair: True
    yield "equal", "… where the history told anything", lambda pair: pair["tells"]
    yield "wrong", "history as wrong as can be", lambda _pair: True


def _saved_line(name: str, pairs: list[Pair]) -> tuple[object, ...]:
    searched = [p for p in pairs if None not in (p["plain"]["search"], p["with"]["search"])]
    cells: list[object] = [name, len(pairs), len({pair["world"] for pair in pairs})]
    for what, group in (("search", searched), ("minutes", pairs)):
        saved = [pair["plain"][what] - pair["with"][what] for pair in group]
        limits = mean_of(_by_world(group, saved))
        plain = sum(pair["plain"][what] for pair in group) / max(1, len(group))
        cells += [f"{plain:.1f}", f"{limits.mean:.2f}", f"{limits.low:.2f} to {limits.high:.2f}"]
    return tuple(cells)


def _by_world(pairs: list[Pair], saved: list[float]) -> list[float]:
    worlds: dict[str, list[float]] = {}
    for pair, minutes in zip(pairs, saved, strict=True):
        worlds.setdefault(pair["world"], []).append(minutes)
    return [sum(group) / len(group) for group in worlds.values()]


def _ends_line(name: str, pairs: list[Pair]) -> tuple[object, ...]:
    n = max(1, len(pairs))
    proved = [sum(pair[which]["proved"] for pair in pairs) for which in ("plain", "with")]
    wrong = [sum(pair[which]["wrong"] for pair in pairs) for which in ("plain", "with")]
    shares = [percent(one / n) for one in proved]
    return (name, len(pairs), *shares, *wrong, percent(at_most(wrong[1], n)))


def priors_benchmark() -> Benchmark:
    """The part ``priors``."""
    return Benchmark(
        "priors",
        "What the history of failures is worth in a trace",
        priors_keys,
        priors_row,
        priors_section,
        measured=MEASURED,
    )
