"""How long the smallest part to leave off takes, by shape, size, loops and limits."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np

from benchmarks.limits import mean_of
from benchmarks.report import table
from benchmarks.runner import Row
from faults.rehearsal.cases import large_case
from faults.rehearsal.layouts import SHAPES
from faults.restore.problem import RestoreProblem
from faults.restore.restore import smallest_part_off
from sites.network.design_check import design_figures
from sites.network.elements import PathLimits, Segment, WirePath
from sites.network.faults import Place

SIZES = (100, 300, 1000)
MADE_OF = ("tree", "ten loops", "ten loops, a limit broken")
PROBLEMS = 12
MEASURED = ("sites/network", "faults/restore")


def restore_keys() -> list[str]:
    """One key for each shape, size and make."""
    return [f"{shape}/{size}/{made}" for shape in SHAPES for size in SIZES for made in MADE_OF]


def restore_row(key: str) -> Row:
    """Times of several problems on one path, one or two places off."""
    shape, size, made = key.split("/")
    path = _path(shape, int(size), made)
    rng = np.random.default_rng([59, int(size)])
    times, exact = [], 0
    for number in range(PROBLEMS):
        off = _places(path, rng, 1 + number % 2)
        started = time.perf_counter()
        found = smallest_part_off(RestoreProblem(path, off))
        times.append(round(1000.0 * (time.perf_counter() - started), 1))
        exact += found.exact
    return {"shape": shape, "n": int(size), "made": made, "ms": times, "exact": exact}


def restore_section(rows: list[Row]) -> str:
    """Mean and slowest by size and make."""
    body = []
    for made in MADE_OF:
        for size in SIZES:
            group = [r for r in rows if "error" not in r and (r["made"], r["n"]) == (made, size)]
            ms = [value for row in group for value in row["ms"]]
            if ms:
                exact = sum(row["exact"] for row in group)
                line = (made, size, len(ms), f"{mean_of(ms).mean:.0f}", f"{max(ms):.0f}", exact)
                body.append(line)
    head = ("path", "devices", "problems", "ms mean", "ms most", "exact")
    return (
        f"{table(head, body)}\n\nOne or two places off, drawn from cables, splices and devices. A "
        "limit broken: the least voltage allowed lies 0.5 V above that of the whole path, so that "
        "devices must be left off besides; on large paths they are taken off by their voltage, "
        "which is not told as exact."
    )


def _path(shape: str, size: int, made: str) -> WirePath:
    path = large_case(size, shape, 0).rehearsal.survey  # type: ignore[arg-type]
    if made == "tree":
        return path
    rng = np.random.default_rng([61, size])
    ids = [node.id for node in path.nodes]
    conductor = path.segments[0].conductor
    ties = tuple(
        Segment(f"X{k}", ids[int(a)], ids[int(b)], 120.0, conductor, "to" if k % 2 else None)
        for k, (a, b) in enumerate(rng.integers(1, len(ids), (20, 2)))
        if a != b
    )[:10]
    looped = replace(path, segments=path.segments + ties, topology=None)
    lowest = design_figures(looped).lowest
    if made == "ten loops" or lowest is None:
        return looped
    return replace(looped, limits=PathLimits(min_device_v=lowest.voltage_v + 0.5))


def _places(path: WirePath, rng: np.random.Generator, count: int) -> tuple[Place, ...]:
    every = [Place("segment", segment.id) for segment in path.segments]
    every += [Place("splice", node.id) for node in path.nodes if node.kind != "controller"]
    every += [Place("device", device.id) for device in path.devices]
    return tuple(every[int(at)] for at in rng.choice(len(every), count, replace=False))
