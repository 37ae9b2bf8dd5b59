"""The same cases traced by each method, in one run: ratios of search minutes in pairs."""

from __future__ import annotations

import time
from collections.abc import Iterator

from benchmarks.bench_rehearsals import SIZES
from benchmarks.limits import mean_of
from benchmarks.report import table
from benchmarks.runner import Row
from faults.rehearsal.cases import make_case
from faults.rehearsal.play import EndlessTrace, play
from faults.rehearsal.rehearsal import Rehearsal

METHODS = ("planner", "outward", "halving", "per-minute")
CASES = 600
FAMILIES = ("rehearsals", "noise-free")


def method_keys() -> list[str]:
    """Case by case, with noise and without."""
    return [f"{family}-{index:05d}" for index in range(CASES) for family in FAMILIES]


def method_row(key: str) -> Row:
    """One case by all methods."""
    family, _, index = key.rpartition("-")
    case = make_case(family, int(index))  # type: ignore[arg-type]
    by_method = {method: _played(case.rehearsal, method) for method in METHODS}
    return {"family": family, "shape": case.shape, "n": case.devices, "by": by_method}


def _played(rehearsal: Rehearsal, method: str) -> Row:
    try:
        played = play(rehearsal, method, clock_s=time.perf_counter)
    except EndlessTrace as endless:
        return {"endless": str(endless)}
    verdict = played.verdict
    return {
        "search": verdict.search_minutes,
        "minutes": round(verdict.minutes, 2),
        "outcome": verdict.outcome,
        "located": played.located,
        "wrong": played.wrongly_proved,
    }


def methods_section(rows: list[Row]) -> str:
    """Mean of paired ratios of the planner against each method, by shape and size."""
    whole = [row for row in rows if "error" not in row]
    head = ("cases", "against", "pairs", "mean ratio of search minutes", "95 % limits", "of totals")
    body = []
    for family in FAMILIES:
        for name, group in _groups([row for row in whole if row["family"] == family]):
            lines = [_line(f"{family}, {name}", method, group) for method in METHODS[1:]]
            body += [line for line in lines if line is not None]
    endings = []
    for method in METHODS:
        played = [row["by"][method] for row in whole]
        endings.append(
            (
                method,
                len(played),
                sum(bool(p.get("located")) for p in played),
                sum(bool(p.get("wrong")) for p in played),
                sum(p.get("outcome") == "unproved" for p in played),
                sum("endless" in p for p in played),
                sum(p.get("search") is None for p in played),
            )
        )
    names = ("method", "traces", "located", "wrongly proved", "unproved", "endless", "never 0.95")
    return (
        "Ratios are planner over the other method on the same case; a pair counts where both "
        "have a first suspect of 0.95 and the other took some time; 'of totals' is the ratio of "
        f"the sums over the same pairs.\n\n{table(head, body)}\n\n{table(names, endings)}"
    )


def _groups(rows: list[Row]) -> Iterator[tuple[str, list[Row]]]:
    yield "all", rows
    for shape in sorted({row["shape"] for row in rows}):
        yield shape, [row for row in rows if row["shape"] == shape]
    for least, most in SIZES:
        yield f"{least} to {most}", [row for row in rows if least <= row["n"] <= most]


def search_pairs(method: str, rows: list[Row]) -> list[tuple[float, float]]:
    """Search minutes of the planner and of ``method`` on each case where both have them."""
    pairs = []
    for row in rows:
        ours, theirs = row["by"]["planner"].get("search"), row["by"][method].get("search")
        if ours is not None and theirs:
            pairs.append((ours, theirs))
    return pairs


def _line(name: str, method: str, rows: list[Row]) -> tuple[object, ...] | None:
    if not rows:
        return None
    pairs = search_pairs(method, rows)
    ratio = mean_of([ours / theirs for ours, theirs in pairs])
    total = sum(t for _, t in pairs)
    of_totals = f"{sum(o for o, _ in pairs) / total:.3f}" if total else "none"
    limits = f"{ratio.low:.3f} to {ratio.high:.3f}" if ratio.count > 1 else "too few"
    if ratio.count == 0:
        return name, method, 0, "none", limits, "none"
    return name, method, ratio.count, f"{ratio.mean:.3f}", limits, of_totals
