"""How long suggestions take and how much memory a trace needs, each case in a fresh process."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from benchmarks.limits import exponent
from benchmarks.report import table
from benchmarks.runner import Row
from faults.rehearsal.cases import large_case
from faults.rehearsal.layouts import SHAPES, Shape
from faults.rehearsal.play import play

AT = 1000
TRACES_AT = 10
GROWTH = (100, 316, 1000, 3162, 10_000)
TRACES_OF_GROWTH = 2


def suggestion_keys() -> list[str]:
    """Traces at 1,000 devices of each shape, and a few at each size for the growth."""
    keys = [f"{shape}/{AT}/{i}" for shape in SHAPES for i in range(TRACES_AT)]
    keys += [
        f"{shape}/{size}/{i}"
        for size in GROWTH
        for shape in SHAPES
        for i in range(TRACES_OF_GROWTH)
        if size != AT
    ]
    return keys


def suggestion_row(key: str) -> Row:
    """One whole trace: milliseconds of every suggestion, and peak memory above the imports."""
    named, size, index = key.split("/")
    shape: Shape = next(shape for shape in SHAPES if shape == named)
    after_imports_mb = _status_mb("VmRSS")
    case = large_case(int(size), shape, int(index))
    played = play(case.rehearsal, clock_s=time.perf_counter)
    return {
        "shape": shape,
        "n": int(size),
        "located": played.located,
        "wrong": played.wrongly_proved,
        "ms": [round(ms, 2) for ms in played.suggestion_ms],
        # The simulated ground is in this figure too, so it is no less than the engine's own.
        "mb": round(_status_mb("VmHWM") - after_imports_mb, 1),
    }


def _status_mb(name: str) -> float:
    """A figure of this process's memory from the kernel's own account, in MB."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1]) / 1024.0
    raise RuntimeError(f"the kernel tells no {name}; this benchmark runs on Linux")


def suggestions_section(rows: list[Row]) -> str:
    """First and later suggestions at 1,000 devices, growth from 100 to 10,000, memory."""
    whole = [row for row in rows if "error" not in row]
    head = ("at 1,000", "traces", "first, worst ms", "later, median", "later, p95", "later, worst")
    body = []
    for shape in SHAPES:
        group = [row for row in whole if row["n"] == AT and row["shape"] == shape]
        if group:
            first = [row["ms"][0] for row in group]
            later = [ms for row in group for ms in row["ms"][1:]]
            body.append((shape, len(group), f"{max(first):.0f}", *_spread(later)))
    sizes = sorted({row["n"] for row in whole})
    growth = []
    points: dict[str, list[tuple[float, float]]] = {"first": [], "later": []}
    for size in sizes:
        group = [row for row in whole if row["n"] == size]
        first_ms = float(np.median([row["ms"][0] for row in group]))
        later_ms = float(np.median([ms for row in group for ms in row["ms"][1:]]))
        points["first"].append((size, first_ms))
        points["later"].append((size, later_ms))
        peak_mb = max(row["mb"] for row in group)
        growth.append((size, len(group), f"{first_ms:.1f}", f"{later_ms:.1f}", f"{peak_mb:.0f}"))
    slopes = ""
    if len(sizes) > 1:
        told = [f"{name} {exponent(*zip(*xy, strict=True)):.2f}" for name, xy in points.items()]
        slopes = f"\n\nGrowth exponents of the medians: {', '.join(told)}."
    columns = ("devices", "traces", "first, median ms", "later, median ms", "peak MB above imports")
    return f"{table(head, body)}\n\n{table(columns, growth)}{slopes}"


def _spread(values: list[float]) -> tuple[str, str, str]:
    p50, p95 = np.percentile(values, [50, 95])
    return f"{p50:.1f}", f"{p95:.1f}", f"{max(values):.1f}"
