"""Flags as the night's run makes them: all places judged, paths that stand out scanned.

The product's own chain, ``judge_units``, ``path_totals`` and ``scan_paths``, on invented worlds of
60 branching paths of splices, cable and devices in dry and wet ground. Held against the truth are
single places and stretches together, as a contractor sees them.
"""

from __future__ import annotations

import numpy as np

from benchmarks.bench_recurrence_flags import held_cells, mixed_keys
from benchmarks.recurrence_worlds import gamma_around_one
from benchmarks.report import percent, table
from benchmarks.runner import Row
from faults.recurrence.checked import Floats, Wholes
from faults.recurrence.trouble import (
    DEVICE,
    SEGMENT,
    SPLICE,
    PathCells,
    TroubleParams,
    Units,
    judge_units,
    path_totals,
    scan_paths,
)

Q = 0.05
PATHS = 60
DAYS = 3650.0
RATE_A_DAY = {SPLICE: 1.5e-5, SEGMENT: 1e-6, DEVICE: 2e-5}
"""Failures of a splice, a metre of cable and a device: some 900 a world."""

WET_RATIO = 3.0
BAD_PATHS = 4
BAD_CELLS = 7
WORLDS = {"equal": 70, "unequal": 70, "stretch-10": 30, "stretch-30": 30}
DISPERSION = {"equal": 0.0}
RATIO = {"stretch-10": 10.0, "stretch-30": 30.0}


def judged_keys() -> list[str]:
    """Worlds by kind, mixed."""
    return mixed_keys(WORLDS)


def judged_row(key: str) -> Row:
    """One world through the night's chain; a flag is true where half of it or of a bad stretch
    is in both."""
    kind, _, world = key.partition("/")
    rng = np.random.default_rng([31, list(WORLDS).index(kind), int(world)])
    units, links, bad = _world(rng, kind)
    params = TroubleParams(q=Q)
    judged = judge_units(units, params)
    totals = path_totals(units, judged, PATHS)
    order = [int(path) for path in totals.to_scan]
    cells = [
        PathCells(path, np.flatnonzero((units.path == path) & (units.kind != DEVICE)), links[path])
        for path in order
    ]
    found = [one for one in scan_paths(units, judged, cells, params) if one.adjusted <= Q]
    stretches = [set(one.units) for one in found if one.scanned.failures > 1]
    inside: set[int] = set().union(*stretches)
    single = [{int(unit)} for unit in np.flatnonzero(judged.flagged) if int(unit) not in inside]
    flags = [*stretches, *single]
    true = [flag for flag in flags if any(_is_of(flag, own) for own in bad)]
    return {
        "kind": kind,
        "failures": int(judged.counts.sum()),
        "scanned": len(order),
        "stretches": len(stretches),
        "places": len(single),
        "true": len(true),
        "planted": len(bad),
        "met": sum(any(_is_of(flag, own) for flag in flags) for own in bad),
    }


def _is_of(flag: set[int], own: set[int]) -> bool:
    return len(flag & own) * 2 >= min(len(flag), len(own))


def _world(
    rng: np.random.Generator, kind: str
) -> tuple[Units, list[tuple[tuple[int, int], ...]], list[set[int]]]:
    """Units path after path, the links of each path's cells, and the bad stretches."""
    kinds, paths, amounts, links = [], [], [], []
    bad: list[set[int]] = []
    first = 0
    for path in range(PATHS):
        own, amount, linked = _path(rng)
        if path < BAD_PATHS and kind in RATIO:
            start = int(rng.integers(0, int((own != DEVICE).sum()) - BAD_CELLS))
            bad.append({first + start + step for step in range(BAD_CELLS)})
        kinds.append(own)
        amounts.append(amount)
        paths.append(np.full(len(own), path))
        links.append(linked)
        first += len(own)
    of_kind, amount = np.concatenate(kinds), np.concatenate(amounts)
    wet = rng.uniform(0.1, 0.4, PATHS)[np.concatenate(paths)]
    states = np.column_stack([1.0 - wet, wet, np.zeros(len(wet))])
    energised = DAYS * amount[:, None] * states
    rate = np.array([RATE_A_DAY[one] for one in range(3)])[of_kind]
    rate = rate * gamma_around_one(rng, DISPERSION.get(kind, 0.5), len(rate))
    for stretch in bad:
        rate[sorted(stretch)] *= RATIO[kind]
    counts = rng.poisson(rate[:, None] * energised * [1.0, WET_RATIO, 1.0])
    return Units(of_kind, np.concatenate(paths), counts, energised), links, bad


def _path(rng: np.random.Generator) -> tuple[Wholes, Floats, tuple[tuple[int, int], ...]]:
    """Splices and the cable between in turn along a run, one branch from its middle, and a device
    at each splice: kinds, amounts, and links of the splices and cable, which come first."""
    run, branch = int(rng.integers(12, 50)), int(rng.integers(4, 15))
    splices = run + branch
    cells = 2 * splices
    of_cell = np.tile([SPLICE, SEGMENT], splices)
    amount = np.where(of_cell == SPLICE, 1.0, rng.uniform(5.0, 60.0, cells))
    straight = [(one, one + 1) for one in range(cells - 1) if one != 2 * run - 1]
    # The branch's first splice hangs on the splice in the middle of the run.
    links = (*straight, (2 * (run // 2), 2 * run))
    kinds = np.concatenate([of_cell, np.full(splices, DEVICE)])
    return kinds, np.concatenate([amount, np.ones(splices)]), links


def judged_section(rows: list[Row]) -> str:
    """One line for each kind of world."""
    good = [row for row in rows if "error" not in row]
    body = []
    for kind in WORLDS:
        own = [row for row in good if row["kind"] == kind]
        if own:
            body.append((kind, *_cells(own)))
    head = ["worlds", "n", "failures a world", "paths scanned", "stretches flagged"]
    head += ["places flagged", "false share", "2 s.e.", "q + 2 s.e.", "held", "stretches met"]
    told = (
        f"`judge_units`, `path_totals` and `scan_paths` as the night's run calls them, q = {Q} for "
        "places and again for stretches; both are counted here together, so their shares may add. "
        f"{PATHS} branching paths of splices, cable and devices, ten years, wet ground failing "
        f"{WET_RATIO:g} times as often. Rates of places spread by a gamma of variance 0.5 but in "
        f"*equal*. *Stretch-r*: on {BAD_PATHS} paths {BAD_CELLS} neighbouring cells at r times "
        "their rate. *False share*: of a world's flags those of nothing bad, 0 where there is no "
        "flag; *stretches met*: of those planted."
    )
    planned = sum(WORLDS.values())
    few = f"\n\nOf {planned} worlds {len(good)} were run." if len(good) < planned else ""
    return f"{told}\n\n{table(head, body)}{few}"


def _cells(own: list[Row]) -> tuple[str, ...]:
    flags = np.array([row["stretches"] + row["places"] for row in own])
    shares = (flags - np.array([row["true"] for row in own])) / np.maximum(flags, 1)
    planted = sum(row["planted"] for row in own)
    return (
        str(len(own)),
        f"{np.mean([row['failures'] for row in own]):.0f}",
        f"{np.mean([row['scanned'] for row in own]):.1f}",
        f"{np.mean([row['stretches'] for row in own]):.2f}",
        f"{np.mean([row['places'] for row in own]):.2f}",
        *held_cells(shares, Q),
        percent(sum(row["met"] for row in own) / planted, 1) if planted else "",
    )
