"""The grid that a posterior is reckoned on: rows x R_f cells x draw scales."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from faults.tracing.assumptions import Assumptions
from faults.tracing.draws import DrawPrior, DrawScale
from faults.tracing.evidence import Evidence
from faults.tracing.hypotheses import Rows
from faults.tracing.likelihood import (
    ReadingNoise,
    ScalePrior,
    fixed_scale,
    log_likelihood,
    unknown_coil_scale,
)
from faults.tracing.looks import LookReckoner
from faults.tracing.noise import ratio_layer
from faults.tracing.posterior import Posterior
from faults.tracing.prediction import FaultSet, SoundTree, place_faults
from faults.tracing.problem import TraceProblem

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


MANY_CELLS = 6000
"""With more cells than this an unknown coil is taken to have the middle X/R: the others move
all places' chances alike."""

WORTH_FINE = 0.5
"""On a long path no row is reckoned finely until the likeliest hold this much of the chance."""


@dataclass(frozen=True, slots=True)
class Resolution:
    """How fine the grids are.

    The ``fine_rows`` likeliest rows are reckoned on ``resistances`` R_f cells x ``scales`` draw
    scales, the others on ``coarse_resistances`` cells at the middle scale, and those below
    ``faint`` of an even chance on ``faint_resistances`` cells. ``keep``: a row below
    this share of an even chance is not reckoned again. On paths of more than ``lay_again_rows``
    the draw scales are laid anew at the next reading, not at once. ``scales`` is odd.
    """

    resistances: int = 20
    scales: int = 3
    fine_rows: int = 180
    lay_again_rows: int = 500
    coarse_resistances: int = 6
    faint_resistances: int = 3
    faint: float = 1e-2
    keep: float = 1e-6
    delegates: int = 12


@dataclass(frozen=True, slots=True)
class Part:
    """Some rows on one grid: ``layers`` (k, K, R, S), ``joint`` (K, R, S) the log of likelihood
    times prior mass of the cells."""

    rows: IntArray
    columns: IntArray
    resistances: FloatArray
    faults: FaultSet
    layers: FloatArray
    joint: FloatArray


@dataclass(frozen=True, slots=True)
class Grid:
    """One evaluation of all rows that are alive; ``sound_fit`` is the log likelihood of the path
    without a fault over the grid of :class:`faults.tracing.soundness.SoundScales`."""

    draw: DrawScale
    sound: SoundTree
    rows: Rows
    noise: ReadingNoise
    fine: Part
    coarse: Part
    faint: Part
    sound_fit: FloatArray
    asleep: BoolArray

    @property
    def parts(self) -> tuple[Part, Part, Part]:
        """The parts that hold places."""
        return self.fine, self.coarse, self.faint


@dataclass(frozen=True, slots=True)
class Split:
    """Row numbers by how finely they are reckoned, and which are not reckoned again."""

    fine: IntArray
    coarse: IntArray
    faint: IntArray
    asleep: BoolArray


def split_rows(rows: Rows, before: Posterior | None, resolution: Resolution) -> Split:
    """Share the rows out by the chance that their points had before."""
    count = len(rows.point)
    room = resolution.fine_rows
    held = 0.0
    if before is None or not count:
        order = np.arange(count)
        asleep = np.zeros(count, dtype=np.bool_)
        likely = np.ones(count, dtype=np.bool_)
    else:
        by_point = np.bincount(before.rows.point, before.row_chance[:-1], before.view.size)
        chance = by_point[rows.point]
        asleep = chance < resolution.keep / count
        asleep[list(rows.carrier)] = False
        likely = chance > resolution.faint / count
        order = np.argsort(-chance, kind="stable")
        order = order[~asleep[order]]
        held = float(chance[order[:room]].sum()) / max(float(chance[order].sum()), 1e-300)
    if held < WORTH_FINE and len(order) > 2 * room:
        room = 0
    rest = np.sort(order[room:])
    return Split(np.sort(order[:room]), rest[likely[rest]], rest[~likely[rest]], asleep)


def scale_prior(
    problem: TraceProblem, beliefs: Assumptions, total: NDArray[np.complex128]
) -> ScalePrior:
    """The prior of what the reference reads, for each cell of ``total``: current into the
    terminals for 1 V there."""
    path = problem.path
    input_ohm = np.asarray(1.0, dtype=np.complex128) / np.where(
        np.abs(total) > 0.0, total, np.complex128(1e-9)
    )
    gain = problem.meter.percent / 100.0 / math.sqrt(3.0)
    if problem.coil_ohm is None:
        if total.size > MANY_CELLS:
            middle = beliefs.coil_x_over_r[len(beliefs.coil_x_over_r) // 2]
            beliefs = replace(beliefs, coil_x_over_r=(middle,))
        return unknown_coil_scale(path.source_v, path.source_ohm, input_ohm, beliefs)
    spread = math.hypot(gain, beliefs.scale_spread)
    return fixed_scale(path.source_v, path.source_ohm + problem.coil_ohm, input_ohm, spread)


@dataclass(frozen=True, slots=True)
class PartBuilder:
    """What the parts of one grid share."""

    looks: LookReckoner
    evidence: Evidence
    noise: ReadingNoise
    draw: DrawScale
    draw_prior: DrawPrior
    sound: SoundTree
    rows: Rows

    def part(self, which: IntArray, some: slice, cells: int) -> Part:
        """Some rows on ``cells`` R_f cells and some columns of the draw scales."""
        problem, beliefs = self.looks.problem, self.looks.beliefs
        resistances, mass = beliefs.resistance_grid(cells)
        columns = np.arange(len(self.sound.scales))[some]
        tree = self.sound.columns(some)
        faults = place_faults(tree, self.rows.point[which], resistances)
        carriers = {
            place: int(found[0])
            for row, place in self.rows.carrier.items()
            if len(found := np.flatnonzero(which == row))
        }
        layers = np.empty((len(self.evidence.readings), *faults.magnitude.shape))
        for k, reading in enumerate(self.evidence.readings):
            layers[k] = ratio_layer(reading, faults, carriers, problem.path)
        fit = np.zeros(layers.shape[1:])
        if len(layers) and fit.size:
            fit = log_likelihood(layers, self.noise, scale_prior(problem, beliefs, faults.total))
        weights = np.ones(1)
        if len(columns) > 1:
            weights = self.draw.faulted_weights(
                len(columns) - 1, self.draw_prior, beliefs.off_share
            )
        joint = fit + np.log(mass)[None, :, None] + np.log(weights + 1e-300)
        joint = joint + self.looks.log_chance(self.evidence, faults)
        return Part(which, columns, resistances, faults, layers, joint)
