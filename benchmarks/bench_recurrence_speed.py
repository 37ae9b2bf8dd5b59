"""How long the statistics of a million units take, and how that grows; the scan apart.

Units of five kinds with all different exposures (nothing is saved by units that are alike), five
failures each on the mean. Each size in a process of its own, on one core; *memory* is the most the
process held, imports and the made-up data among it.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable

import numpy as np

from benchmarks.limits import exponent
from benchmarks.report import table
from benchmarks.runner import Row
from faults.recurrence.flags import LARGE_GROUP, FlagParams, flag_units, peer_p_values
from faults.recurrence.poisson_limits import rate_limits
from faults.recurrence.power_law import fit_power_laws
from faults.recurrence.rates import rates_by_level, shrunk_rates
from faults.recurrence.scan import ScanParams, scan_path
from faults.recurrence.stretches import connected_stretches
from faults.recurrence.trend import FailureTimes, trend_tests

SIZES = (10_000, 31_623, 100_000, 316_228, 1_000_000)
KINDS = 5
A_PATH = 100
STAGES = ("rates", "limits", "flags", "trend")
SCAN_PATHS = (30, 100, 300, 1000)
DRAWS = 199


def speed_keys() -> list[str]:
    """Sizes, then the scan's."""
    return [f"units/{size:07d}" for size in SIZES] + [f"scan/{size:07d}" for size in SCAN_PATHS]


def speed_row(key: str) -> Row:
    """One size, timed."""
    kind, _, size = key.partition("/")
    return _units(int(size)) if kind == "units" else _scan(int(size))


def _units(size: int) -> Row:
    rng = np.random.default_rng([24, size])
    kind = rng.integers(0, KINDS, size)
    path = np.arange(size) // A_PATH
    end = rng.uniform(2.0, 10.0, size)
    rate = rng.gamma(2.0, 0.5, size) * (0.5 + 0.2 * kind)
    rate *= np.where(rng.random(size) < 0.001, 10.0, 1.0)  # some to flag, so that fits are redone
    counts = rng.poisson(rate * end * (5.0 / 5.4))
    unit = np.repeat(np.arange(size), counts)
    at = end[unit] * (1.0 - rng.random(len(unit)))
    order = rng.permutation(len(unit))
    unit, at = unit[order], at[order]
    row: Row = {"units": size, "events": len(unit), "before_mb": _memory_mb()}
    taken: dict[str, float] = {}

    def timed(name: str, call: Callable[[], object]) -> object:
        started = time.process_time()
        made = call()
        taken[name] = taken.get(name, 0.0) + time.process_time() - started
        return made

    flags = timed("flags", lambda: flag_units(counts, end, kind, FlagParams()))
    fits = flags.peers  # type: ignore[attr-defined]
    for number in range(KINDS):
        own = kind == number
        timed(
            "rates",
            lambda own=own, number=number: shrunk_rates(counts[own], end[own], fits[number]),
        )
    timed("rates", lambda: rates_by_level(counts, end, [path, np.arange(size)]))
    timed("limits", lambda: rate_limits(counts, end))
    failures = timed("trend", lambda: FailureTimes.of(unit, at, end))
    timed("trend", lambda: trend_tests(failures))  # type: ignore[arg-type]
    timed("trend", lambda: fit_power_laws(failures))  # type: ignore[arg-type]
    row |= {f"{name}_s": round(taken[name], 3) for name in STAGES}
    row["whole_s"] = round(sum(taken.values()), 3)
    row["rounds"], row["flagged"] = flags.rounds, int(flags.flagged.sum())  # type: ignore[attr-defined]
    row["memory_mb"] = _memory_mb()
    if size == SIZES[-1]:
        row |= _screened(rng, counts, end, path)
    return row


def _screened(
    rng: np.random.Generator, counts: np.ndarray, end: np.ndarray, path: np.ndarray
) -> Row:
    """Scans of the paths of the largest size whose total has p < 0.05; all have one map."""
    totals = np.bincount(path, weights=counts).astype(np.int64)
    exposure = np.bincount(path, weights=end)
    started = time.process_time()
    p_value, _ = peer_p_values(totals, exposure)
    above = [int(rng.integers(max(0, cell - 4), cell)) for cell in range(1, A_PATH)]
    links = np.column_stack([above, np.arange(1, A_PATH)])
    chosen = np.flatnonzero(p_value < 0.05)
    for one in chosen.tolist():
        own = path == one
        stretches = connected_stretches(A_PATH, links)
        scan_path(counts[own], end[own], stretches, ScanParams(DRAWS), rng)
    return {"scan_paths": len(chosen), "scan_s": round(time.process_time() - started, 3)}


def _scan(cells: int) -> Row:
    """One path under chance with all its draws, so that nothing is saved by stopping."""
    rng = np.random.default_rng([25, cells])
    above = [int(rng.integers(max(0, cell - 4), cell)) for cell in range(1, cells)]
    links = np.column_stack([above, np.arange(1, cells)])
    started = time.process_time()
    stretches = connected_stretches(cells, links)
    made = time.process_time() - started
    counts = rng.poisson(0.5, cells)
    started = time.process_time()
    scan_path(counts, np.ones(cells), stretches, ScanParams(DRAWS, enough=DRAWS), rng)
    return {
        "cells": cells,
        "stretches": int(stretches.members.shape[0]),
        "make_s": round(made, 4),
        "draws_s": round(time.process_time() - started, 4),
        "memory_mb": _memory_mb(),
    }


def _memory_mb() -> float:
    kilobytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return round(kilobytes / (1e6 if sys.platform == "darwin" else 1e3), 1)


def speed_section(rows: list[Row]) -> str:
    """Times by size with their exponents, then the scan's."""
    good = [row for row in rows if "error" not in row]
    units = [row for row in good if "units" in row]
    columns = ["units", "events", *(f"{name}_s" for name in STAGES), "whole_s", "memory_mb"]
    body = [[row[name] for name in columns] for row in units]
    large = [row for row in units if row["units"] > KINDS * LARGE_GROUP]
    for name, own in (("exponent, all sizes", units), ("exponent, large groups", large)):
        if len(own) > 1:
            sizes = [float(row["units"]) for row in own]
            powers = [
                exponent(sizes, [max(row[column], 1e-3) for row in own]) for column in columns[2:-1]
            ]
            body.append([name, "", *(f"{power:.2f}" for power in powers), ""])
    scans = [row for row in good if "cells" in row]
    scan_columns = ["cells", "stretches", "make_s", "draws_s", "memory_mb"]
    told = (
        f"Seconds of processor time on one core. {KINDS} peer groups; rates: empirical Bayes by "
        "kind and by path and unit; limits: Garwood; flags with their rounds of fits; trend: both "
        "tests and power laws with limits. Memory: the most held, made-up data and imports too. "
        f"Groups of up to {LARGE_GROUP:,} units average their tails over many fits, larger ones "
        "take one, so times of flags do not follow one power."
    )
    parts = [
        told,
        table(columns, body),
        f"The scan of one branching path, {DRAWS} draws without a stop:",
        table(scan_columns, [[row[name] for name in scan_columns] for row in scans]),
    ]
    parts += [
        f"Of the {-(-row['units'] // A_PATH)} paths of {A_PATH} units of the largest size "
        f"{row['scan_paths']} have a total with p < 0.05; scanning these, maps made anew, took "
        f"{row['scan_s']} s."
        for row in units
        if "scan_s" in row
    ]
    return "\n\n".join(parts)
