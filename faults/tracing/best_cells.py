"""For each row its likeliest cell, and the few rows that stand for all of the chance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from faults.tracing.apart import sound_log
from faults.tracing.assumptions import Assumptions
from faults.tracing.evidence import Evidence
from faults.tracing.grid import Grid
from faults.tracing.hypotheses import Rows
from faults.tracing.likelihood import ReadingNoise
from faults.tracing.posterior import BestCell
from faults.tracing.prediction import SoundTree, voltage_profile
from faults.tracing.problem import TraceProblem
from faults.tracing.soundness import SoundScales

FloatArray = NDArray[np.float64]

LOUD = 0.3
"""Wires that carry this share of the reference say what the reference is."""


def best_cells(
    evidence: Evidence, grid: Grid, scales: SoundScales, beliefs: Assumptions
) -> BestCell:
    """The likeliest R_f, draw scale and reference of each row; the sound path's come last."""
    count = len(grid.rows.point) + 1
    resistance = np.full(count, beliefs.resistance_soft_ohm)
    column = np.full(count, (len(grid.sound.scales) - 1) // 2, dtype=np.int64)
    scale_ma = np.ones(count)
    for part in grid.parts:
        if not part.rows.size:
            continue
        cell = part.joint.reshape(len(part.rows), -1).argmax(axis=1)
        r, s = np.divmod(cell, part.joint.shape[2])
        at = np.arange(len(part.rows))
        resistance[part.rows] = part.resistances[r]
        column[part.rows] = part.columns[s]
        scale_ma[part.rows] = reference_of(
            scales.problem,
            beliefs,
            grid.noise,
            part.layers[:, at, r, s],
            part.faults.total[at, r, s],
        )
    s = int(sound_log(scales, grid.sound_fit, beliefs).argmax())
    column[-1] = int(np.abs(np.log(grid.sound.scales[:-1]) - scales.logs[s]).argmin())
    layers = scales.layers(evidence.readings)[:, :1, 0, s]
    scale_ma[-1] = reference_of(
        scales.problem, beliefs, grid.noise, layers, scales.total[s : s + 1]
    )[0]
    return BestCell(resistance, column, scale_ma)


def reference_of(
    problem: TraceProblem,
    beliefs: Assumptions,
    noise: ReadingNoise,
    ratios: FloatArray,
    total: NDArray[np.complex128],
) -> FloatArray:
    """The reference current (n,) of picked cells, from prior and readings together.

    ``ratios`` (k, n) are the readings' wires over the reference, ``total`` (n,) the current into
    the terminals for 1 V there.
    """
    path = problem.path
    coil = problem.coil_ohm
    series = path.source_ohm + (coil if coil is not None else beliefs.median_coil_ohm)
    nominal = 1000.0 * path.source_v * np.abs(total / (1.0 + series * total))
    spread = 0.02 if coil is not None else beliefs.coil_log_spread
    weight = 1.0 / (spread * np.maximum(nominal, 1.0)) ** 2
    if not len(ratios):
        return np.asarray(nominal)
    current = noise.current_ma[:, None]
    variance = np.diag(noise.covariance)[:, None]
    loud = ratios > LOUD
    each = np.where(loud, current / np.maximum(ratios, LOUD), np.inf)
    middle = np.where(loud.any(axis=0), _median_of_first(each, loud.sum(axis=0)), nominal)
    # Readings that the middle one calls slips are left out.
    off = np.abs(current - middle * ratios)
    right = off < 6.0 * np.sqrt(variance) + 0.06 * middle * ratios
    a = (right * ratios**2 / variance).sum(axis=0)
    b = (right * ratios * current / variance).sum(axis=0)
    return np.asarray((b + weight * nominal) / (a + weight))


def _median_of_first(values: FloatArray, counts: NDArray[np.intp]) -> FloatArray:
    """The median of the ``counts`` (n,) least of each column of (k, n); any value for none."""
    ordered = np.sort(values, axis=0)
    each = np.arange(values.shape[1])
    return np.asarray(
        0.5 * (ordered[(counts - 1) // 2, each] + ordered[counts // 2 % len(values), each])
    )


def mean_square_draw(
    sound: SoundTree, rows: Rows, row_chance: FloatArray, best: BestCell, delegates: int
) -> FloatArray:
    """Each point's own draw over the reference, squared (P,), over the likeliest rows."""
    view = sound.view
    mean = np.zeros(view.size)
    for row, share in delegate_rows(row_chance, delegates):
        point = int(rows.point[row]) if row < len(rows.point) else -1
        column = int(best.column[row])
        volts = voltage_profile(sound, point, float(best.resistance_ohm[row]), column)
        load = view.load_s * sound.scales[column]
        total = _total_current(sound, point, float(best.resistance_ohm[row]), column)
        mean += share * np.abs(volts * load / total) ** 2 if abs(total) > 0 else 0.0
    return mean


def _total_current(sound: SoundTree, point: int, resistance_ohm: float, column: int) -> complex:
    if point < 0:
        return complex(sound.total[column])
    d = sound.voltage[point, column]
    return complex(
        sound.total[column] + d * d / (sound.driving_ohm[point, column] + resistance_ohm)
    )


def delegate_rows(row_chance: FloatArray, count: int) -> list[tuple[int, float]]:
    """Up to ``count`` rows that stand for equal shares of the chance, in the rows' own order."""
    total = float(row_chance.sum())
    if total <= 0.0:
        return []
    marks = (np.arange(count) + 0.5) / count * total
    picked = np.searchsorted(np.cumsum(row_chance), marks)
    rows, times = np.unique(np.minimum(picked, len(row_chance) - 1), return_counts=True)
    return [(int(row), float(n) / count) for row, n in zip(rows, times, strict=True)]
