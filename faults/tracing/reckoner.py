"""From evidence to chances: R_f, draws, coil, gain, drift and slips integrated out.

Rows (groups of hypotheses alike to all readings) x R_f cells x draw scales make a grid; each
reading adds one layer of predicted ratios, and the likelihood of all readings together is one
batched Gaussian with slips (``likelihood``). Draw scales are laid anew around what the readings
say of them; rows whose chance is past doubt keep it without being reckoned again.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from faults.tracing.assumptions import Assumptions
from faults.tracing.draws import DrawScale
from faults.tracing.evidence import MISCOUNT, Evidence, MessageLook
from faults.tracing.hypotheses import Rows, group_rows, list_hypotheses
from faults.tracing.likelihood import (
    ReadingNoise,
    ScalePrior,
    fixed_scale,
    log_likelihood,
    unknown_coil_scale,
)
from faults.tracing.observations import Joint
from faults.tracing.messages import (
    full_current_ma,
    looks_log_chance,
    overload_log_chance,
    report_log_chance,
)
from faults.tracing.noise import DrawShares, ratio_layer, reading_noise
from faults.tracing.posterior import Apart, BestCell, Posterior
from faults.tracing.prediction import (
    FaultSet,
    SolvedColumns,
    SoundTree,
    place_faults,
    solve_sound,
    voltage_profile,
)
from faults.tracing.problem import TraceProblem
from faults.tracing.soundness import SoundScales
from faults.tracing.tree_view import TreeView, build_tree_view
from sites.network.elements import WirePath
from sites.network.faults import Place

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

LOOK_TABLE = 600
"""Points of the table of chances by current, to three times the trip: a 200th of it apart."""

LOUD = 0.3
"""Wires that carry this share of the reference say what the reference is."""

WAKE = 0.05
"""When *other* is likelier than this, rows that were past doubt are reckoned again."""

REPORTED_SOUND = 0.3
"""Chance that a path that is sound now was reported for overcurrent."""


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
class _Part:
    """Some rows on one grid: ``layers`` (k, K, R, S), ``joint`` (K, R, S) the log of likelihood
    times prior mass of the cells."""

    rows: IntArray
    columns: IntArray
    resistances: FloatArray
    faults: FaultSet
    layers: FloatArray
    fit: FloatArray
    joint: FloatArray


@dataclass(frozen=True, slots=True)
class _Grid:
    """One evaluation of all rows that are alive; ``sound_fit`` is the log likelihood of the path
    without a fault over the grid of :class:`faults.tracing.soundness.SoundScales`."""

    draw: DrawScale
    sound: SoundTree
    rows: Rows
    noise: ReadingNoise
    fine: _Part
    coarse: _Part
    faint: _Part
    sound_fit: FloatArray
    asleep: BoolArray

    @property
    def parts(self) -> tuple[_Part, _Part, _Part]:
        """The parts that hold places."""
        return self.fine, self.coarse, self.faint


class Reckoner:
    """Computes posteriors over one tree; holds only what does not change during a trace."""

    def __init__(
        self,
        problem: TraceProblem,
        view: TreeView,
        beliefs: Assumptions | None = None,
        resolution: Resolution | None = None,
        joints_open: frozenset[Joint] = frozenset(),
    ) -> None:
        self.problem = problem
        self.joints_open = joints_open
        self.view = view
        self.beliefs = beliefs or Assumptions()
        self.resolution = resolution or Resolution()
        self.sound_scales = SoundScales(problem, view)
        self.solved = SolvedColumns(view, {})
        self._cables = _cables(problem.path)
        self.hypotheses = list_hypotheses(view, self.beliefs, problem.priors)

    def reckon(self, evidence: Evidence, before: Posterior | None = None) -> Posterior:
        """Chances given all evidence.

        ``before`` is the posterior one observation earlier: it says where to lay the draw scales
        and which rows are past doubt. None: everything from nothing.
        """
        evidence = replace(evidence, readings=evidence.settled)
        posterior = self._reckon(evidence, before)
        if before is not None and posterior.apart.other > WAKE and not posterior.all_awake:
            posterior = self._reckon(evidence, replace(before, row_chance=before.row_chance + WAKE))
        return posterior

    def _reckon(self, evidence: Evidence, before: Posterior | None) -> Posterior:
        draw = before.draw if before else DrawScale(0.0, self.beliefs.draw_log_spread)
        posterior = self._gather(evidence, self._evaluate(evidence, before, draw), before)
        if len(posterior.rows.point) <= self.resolution.lay_again_rows and (
            posterior.draw.far_from(draw)
        ):
            grid = self._evaluate(evidence, before, posterior.draw)
            posterior = self._gather(evidence, grid, before)
        return posterior

    # -- one evaluation of the grid

    def _evaluate(self, evidence: Evidence, before: Posterior | None, draw: DrawScale) -> _Grid:
        count = self.resolution.scales
        scales = draw.scales(count)
        if before is not None and np.array_equal(before.sound.scales, scales):
            sound = before.sound
        else:
            sound = self.solved.at(scales)
        rows = group_rows(self.hypotheses, evidence.clamped)
        fine, coarse, faint, asleep = self._split(rows, before)
        noise = reading_noise(
            evidence.readings,
            self.problem,
            self.beliefs,
            self.view,
            self._shares(evidence, before),
        )
        every = np.arange(count + 1)
        few = np.array([count // 2, count])
        one = np.array([count // 2])
        fine_cells = self.beliefs.resistance_grid(self.resolution.resistances)
        coarse_cells = self.beliefs.resistance_grid(self.resolution.coarse_resistances)
        faint_cells = self.beliefs.resistance_grid(self.resolution.faint_resistances)

        def part(which: IntArray, columns: IntArray, cells: tuple[FloatArray, FloatArray]) -> _Part:
            return self._part(evidence, noise, draw, sound, rows, which, columns, cells)

        return _Grid(
            draw=draw,
            sound=sound,
            rows=rows,
            noise=noise,
            fine=part(fine, every, fine_cells),
            coarse=part(coarse, few, coarse_cells),
            faint=part(faint, one, faint_cells),
            sound_fit=self._sound_fit(evidence, noise),
            asleep=asleep,
        )

    def _part(
        self,
        evidence: Evidence,
        noise: ReadingNoise,
        draw: DrawScale,
        sound: SoundTree,
        rows: Rows,
        which: IntArray,
        columns: IntArray,
        cells: tuple[FloatArray, FloatArray],
    ) -> _Part:
        tree = sound if len(columns) == len(sound.scales) else sound.columns(columns.tolist())
        faults = place_faults(tree, rows.point[which], cells[0])
        carriers = {
            place: int(found[0])
            for row, place in rows.carrier.items()
            if len(found := np.flatnonzero(which == row))
        }
        layers = np.empty((len(evidence.readings), *faults.magnitude.shape))
        for k, reading in enumerate(evidence.readings):
            layers[k] = ratio_layer(reading, faults, carriers, self.problem.path)
        fit = np.zeros(layers.shape[1:])
        if len(layers) and fit.size:
            fit = log_likelihood(layers, noise, self._scale_prior(faults.total))
        weights = np.ones(1)
        if len(columns) > 1:
            weights = draw.faulted_weights(len(columns) - 1, self.beliefs)
        joint = fit + np.log(cells[1])[None, :, None] + np.log(weights + 1e-300)
        joint = joint + self._looks_log(evidence, faults)
        return _Part(which, columns, cells[0], faults, layers, fit, joint)

    def _split(
        self, rows: Rows, before: Posterior | None
    ) -> tuple[IntArray, IntArray, IntArray, BoolArray]:
        """(fine rows, coarse rows, faint rows, which are asleep)."""
        count = len(rows.point)
        room = self.resolution.fine_rows
        if before is None:
            order = np.arange(count)
            asleep = np.zeros(count, dtype=np.bool_)
            likely = np.ones(count, dtype=np.bool_)
        else:
            by_point = np.bincount(before.rows.point, before.row_chance[:-1], self.view.size)
            chance = by_point[rows.point]
            asleep = chance < self.resolution.keep / count
            asleep[list(rows.carrier)] = False
            likely = chance > self.resolution.faint / count
            order = np.argsort(-chance, kind="stable")
            order = order[~asleep[order]]
        rest = np.sort(order[room:])
        return np.sort(order[:room]), rest[likely[rest]], rest[~likely[rest]], asleep

    def _shares(self, evidence: Evidence, before: Posterior | None) -> DrawShares | None:
        if before is None or not evidence.readings:
            return None
        sums = np.concatenate([[0.0], np.cumsum(before.mean_square_draw)])
        reference = max(reading.current_ma for reading in evidence.readings)
        return DrawShares(sums, reference)

    def _sound_fit(self, evidence: Evidence, noise: ReadingNoise) -> FloatArray:
        layers = self.sound_scales.layers(evidence.readings)
        if not len(layers):
            return np.zeros(layers.shape[-1])
        return log_likelihood(layers, noise, self._scale_prior(self.sound_scales.total))[0, 0, :]

    def _scale_prior(self, total: NDArray[np.complex128]) -> ScalePrior:
        path = self.problem.path
        input_ohm = 1.0 / np.where(np.abs(total) > 0.0, total, 1e-9)
        gain = self.problem.meter.percent / 100.0 / math.sqrt(3.0)
        if self.problem.coil_ohm is None:
            return unknown_coil_scale(path.source_v, path.source_ohm, input_ohm, self.beliefs)
        spread = math.hypot(gain, self.beliefs.scale_spread)
        series = path.source_ohm + self.problem.coil_ohm
        return fixed_scale(path.source_v, series, input_ohm, spread)

    # -- from the grid to chances

    def _gather(self, evidence: Evidence, grid: _Grid, before: Posterior | None) -> Posterior:
        weight = self.place_weights(evidence)
        row_weight = np.bincount(grid.rows.row_of, weight, len(grid.rows.point))
        log_row = np.full(len(row_weight), -np.inf)
        for part in grid.parts:
            if part.rows.size:
                log_row[part.rows] = _log_sum(part.joint.reshape(len(part.rows), -1))
        log_row += np.log(row_weight)
        apart_logs = self._apart_logs(evidence, grid)
        peak = max(float(log_row.max()), max(apart_logs.values()))
        row = np.exp(log_row - peak)
        apart = {name: math.exp(value - peak) for name, value in apart_logs.items()}
        total = row.sum() + sum(apart.values())
        row, apart = row / total, {name: value / total for name, value in apart.items()}
        if before is not None and grid.asleep.any():
            row = np.where(grid.asleep, self._kept(grid, before), row)
            total = row.sum() + sum(apart.values())
            row, apart = row / total, {name: value / total for name, value in apart.items()}
        apart_chance = Apart(**apart)
        row_chance = np.append(row, apart_chance.sound)
        best = self._best(evidence, grid)
        return Posterior(
            hypotheses=self.hypotheses,
            sound=grid.sound,
            rows=grid.rows,
            chance=row[grid.rows.row_of] * weight / row_weight[grid.rows.row_of],
            row_chance=row_chance,
            apart=apart_chance,
            best=best,
            draw=self._refit(grid, row, apart_chance),
            all_awake=not bool(grid.asleep.any()),
            mean_square_draw=self._mean_square_draw(grid.sound, grid.rows, row_chance, best),
        )

    def _kept(self, grid: _Grid, before: Posterior) -> FloatArray:
        """The chance each row had before."""
        members = np.bincount(grid.rows.point, minlength=self.view.size)
        by_point = np.bincount(before.rows.point, before.row_chance[:-1], self.view.size)
        return np.asarray(by_point[grid.rows.point] / members[grid.rows.point])

    def _refit(self, grid: _Grid, row: FloatArray, apart: Apart) -> DrawScale:
        """Draw scale as the fine rows and the sound path have it."""
        part = grid.fine
        held = np.zeros(len(grid.sound.scales))
        if part.rows.size:
            mass = np.exp(part.joint - part.joint.max(axis=(1, 2), keepdims=True))
            share = row[part.rows] / mass.sum(axis=(1, 2))
            held += np.einsum("krs,k->s", mass, share)
        draw = grid.draw.refit(grid.sound.scales, held)
        if apart.sound < 0.5:
            return draw
        mass = _normed(self._sound_log(grid))
        logs = self.sound_scales.logs
        centre = float(mass @ logs)
        spread = math.sqrt(float(mass @ (logs - centre) ** 2))
        return DrawScale.near(centre, spread)

    def place_weights(self, evidence: Evidence) -> FloatArray:
        """Prior weights of the places, cables counted in boxes reckoned in."""
        weight = self.hypotheses.weight.copy()
        for count in evidence.counts:
            stray = self.hypotheses.index.get(Place("unmapped", count.node))
            if stray is None or count.node in evidence.no_stray:
                continue
            more = count.seen - self.cables_on_map(count.node)
            if more >= 0:
                weight[stray] *= (MISCOUNT / (1.0 - MISCOUNT)) ** (1 if more == 0 else -1)
        for node in evidence.no_stray:
            stray = self.hypotheses.index.get(Place("unmapped", node))
            if stray is not None:
                weight[stray] *= MISCOUNT**2
        return weight

    def cables_on_map(self, node: str) -> int:
        """Cables and leads that the map has at a node."""
        return self._cables.get(node, 0)

    def _looks_log(self, evidence: Evidence, faults: FaultSet) -> FloatArray:
        """log chance of the report and of all looks for the message (K, R, S)."""
        current = full_current_ma(faults, self.problem)
        logs = self._of_current(
            current, lambda ma: report_log_chance(ma, self.problem, self.beliefs)
        )
        for legs_on, shown, not_shown in looks_tallied(evidence.looks):
            seen = self._current_on(legs_on, faults, current)
            logs = logs + self._of_current(
                seen,
                lambda ma, yes=shown, no=not_shown: looks_log_chance(  # type: ignore[misc]
                    yes, no, ma, self.problem, self.beliefs
                ),
            )
        return np.asarray(logs)

    def _of_current(
        self, current_ma: FloatArray, function: Callable[[FloatArray], FloatArray]
    ) -> FloatArray:
        """A smooth function of a current, from a table."""
        table = np.linspace(0.0, 3.0 * self.problem.path.trip_ma, LOOK_TABLE)
        return np.interp(current_ma, table, function(table))

    def _current_on(
        self, legs_on: frozenset[str] | None, faults: FaultSet, current: FloatArray
    ) -> FloatArray:
        """The current without the coil with some legs on."""
        if legs_on is None:
            return current
        if not legs_on:
            return np.zeros((1, 1, 1))
        legs = set(self.view.downstream_segments[self.problem.path.controller.id])
        part = build_tree_view(
            self.problem.path,
            joints_open=self.joints_open,
            legs_off=frozenset(legs - legs_on),
        )
        where = {place: i for i, place in enumerate(part.place_of_point)}
        points = [
            where.get(self.view.place_of_point[p], -1) if p >= 0 else -1 for p in faults.points
        ]
        kept = place_faults(
            solve_sound(part, faults.sound.scales),
            np.array(points, dtype=np.int64),
            faults.resistance_ohm,
        )
        return full_current_ma(kept, self.problem)

    def _sound_log(self, grid: _Grid) -> FloatArray:
        """log of likelihood x prior of a sound path, by draw scale."""
        return np.asarray(grid.sound_fit + self.sound_scales.sound_log_weights(self.beliefs))

    def _apart_logs(self, evidence: Evidence, grid: _Grid) -> dict[str, float]:
        """log chance (not normed) of each hypothesis that is no place on the map."""
        beliefs = self.beliefs
        sound = self._sound_log(grid)
        over = grid.sound_fit + self.sound_scales.overload_log_weights(beliefs)
        faults = self.sound_scales.faults()
        whole = full_current_ma(faults, self.problem)
        looks = np.zeros_like(sound)
        stays = fickle = 0.0
        for legs_on, shown, not_shown in looks_tallied(evidence.looks):
            seen = whole if legs_on is None or legs_on else np.zeros_like(whole)
            looks = looks + looks_log_chance(shown, not_shown, seen, self.problem, beliefs)[0, 0]
            misread = beliefs.misread_message
            stays += shown * math.log(1.0 - misread) + not_shown * math.log(misread)
            often = misread if legs_on is not None and not legs_on else 0.5
            fickle += shown * math.log(often) + not_shown * math.log(1.0 - often)
        trips = overload_log_chance(whole[0, 0, :], self.problem, beliefs)
        priors = beliefs.priors
        return {
            "none": math.log(priors.none * REPORTED_SOUND) + _log_sum((sound + looks)[None])[0],
            "controller": math.log(priors.controller) + _log_sum(sound[None])[0] + stays,
            "overload": math.log(priors.overload) + _log_sum((over + looks + trips)[None])[0],
            "hidden": math.log(priors.hidden) + _log_sum(sound[None])[0] + fickle,
            "other": math.log(priors.other) + _other_log(grid.noise) + fickle,
        }

    def _best(self, evidence: Evidence, grid: _Grid) -> BestCell:
        count = len(grid.rows.point) + 1
        resistance = np.full(count, self.beliefs.resistance_soft_ohm)
        column = np.full(count, self.resolution.scales // 2, dtype=np.int64)
        scale_ma = np.ones(count)
        for part in grid.parts:
            if not part.rows.size:
                continue
            cell = part.joint.reshape(len(part.rows), -1).argmax(axis=1)
            r, s = np.divmod(cell, part.joint.shape[2])
            at = np.arange(len(part.rows))
            resistance[part.rows] = part.resistances[r]
            column[part.rows] = part.columns[s]
            scale_ma[part.rows] = self._scale_of(
                grid.noise, part.layers[:, at, r, s], part.faults.total[at, r, s]
            )
        s = int(self._sound_log(grid).argmax())
        column[-1] = int(
            np.abs(np.log(grid.sound.scales[:-1]) - self.sound_scales.logs[s]).argmin()
        )
        layers = self.sound_scales.layers(evidence.readings)[:, :1, 0, s]
        scale_ma[-1] = self._scale_of(grid.noise, layers, self.sound_scales.total[s : s + 1])[0]
        return BestCell(resistance, column, scale_ma)

    def _scale_of(
        self, noise: ReadingNoise, ratios: FloatArray, total: NDArray[np.complex128]
    ) -> FloatArray:
        """The reference current of picked cells (n,), from prior and readings together."""
        path = self.problem.path
        coil = self.problem.coil_ohm
        series = path.source_ohm + (coil if coil is not None else self.beliefs.median_coil_ohm)
        nominal = 1000.0 * path.source_v * np.abs(total / (1.0 + series * total))
        spread = 0.02 if coil is not None else self.beliefs.coil_log_spread
        weight = 1.0 / (spread * np.maximum(nominal, 1.0)) ** 2
        if not len(ratios):
            return np.asarray(nominal)
        current = noise.current_ma[:, None]
        variance = np.diag(noise.covariance)[:, None]
        loud = ratios > LOUD
        each = np.where(loud, current / np.maximum(ratios, LOUD), np.nan)
        some = loud.any(axis=0)
        middle = nominal.copy()
        middle[some] = np.nanmedian(each[:, some], axis=0)
        # Readings that the middle one calls slips are left out.
        off = np.abs(current - middle * ratios)
        right = off < 6.0 * np.sqrt(variance) + 0.06 * middle * ratios
        a = (right * ratios**2 / variance).sum(axis=0)
        b = (right * ratios * current / variance).sum(axis=0)
        return np.asarray((b + weight * nominal) / (a + weight))

    def _mean_square_draw(
        self, sound: SoundTree, rows: Rows, row_chance: FloatArray, best: BestCell
    ) -> FloatArray:
        mean = np.zeros(self.view.size)
        for row, share in delegate_rows(row_chance, self.resolution.delegates):
            point = int(rows.point[row]) if row < len(rows.point) else -1
            column = int(best.column[row])
            volts = voltage_profile(sound, point, float(best.resistance_ohm[row]), column)
            load = self.view.load_s * sound.scales[column]
            total = _total_current(sound, point, float(best.resistance_ohm[row]), column)
            mean += share * np.abs(volts * load / total) ** 2 if abs(total) > 0 else 0.0
        return mean


def _cables(path: WirePath) -> dict[str, int]:
    """Cables and leads at every node that has any."""
    ends = [end for s in path.segments for end in (s.from_node, s.to_node)]
    return dict(Counter(ends + [device.node for device in path.devices]))


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


def _other_log(noise: ReadingNoise) -> float:
    """None of the hypotheses: every reading anywhere between nothing and what a fault draws."""
    return -len(noise.current_ma) * math.log(noise.top_ma)


def looks_tallied(
    looks: tuple[MessageLook, ...],
) -> list[tuple[frozenset[str] | None, int, int]]:
    """(legs on, looks that showed it, looks that did not) for each set of legs."""
    tally: dict[frozenset[str] | None, list[int]] = {}
    for look in looks:
        tally.setdefault(look.legs_on, [0, 0])[0 if look.shown else 1] += 1
    return [(legs_on, shown, not_shown) for legs_on, (shown, not_shown) in tally.items()]


def _normed(logs: FloatArray) -> FloatArray:
    mass = np.exp(logs - logs.max())
    return np.asarray(mass / mass.sum())


def _log_sum(logs: FloatArray) -> FloatArray:
    """log of the sum of exponentials over the last axis of (n, m)."""
    top = logs.max(axis=1)
    return np.asarray(top + np.log(np.exp(logs - top[:, None]).sum(axis=1)))
