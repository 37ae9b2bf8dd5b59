"""From evidence to chances: R_f, draws, coil, gain, drift and slips integrated out.

Rows (groups of hypotheses alike to all readings) x R_f cells x draw scales make a grid; each
reading adds one layer of predicted ratios, and the likelihood of all readings together is one
batched Gaussian with slips (``likelihood``). Draw scales are laid anew around what the readings
say of them; rows whose chance is past doubt keep it without being reckoned again.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from faults.tracing.apart import apart_logs, sound_log
from faults.tracing.assumptions import Assumptions
from faults.tracing.best_cells import best_cells, mean_square_draw
from faults.tracing.draws import DrawScale, plain_priors
from faults.tracing.evidence import MISCOUNT, Evidence
from faults.tracing.grid import Grid, PartBuilder, Resolution, scale_prior, split_rows
from faults.tracing.hypotheses import group_rows, list_hypotheses
from faults.tracing.likelihood import ReadingNoise, log_likelihood
from faults.tracing.log_sums import log_sum_rows, shares_of
from faults.tracing.looks import LookReckoner
from faults.tracing.noise import DrawShares, is_fed, reading_noise
from faults.tracing.observations import Joint
from faults.tracing.posterior import Apart, Posterior
from faults.tracing.prediction import SolvedColumns
from faults.tracing.problem import TraceProblem
from faults.tracing.sound_record import priors_by_record
from faults.tracing.soundness import SoundScales
from faults.tracing.tree_view import TreeView
from sites.network.elements import WirePath
from sites.network.faults import Place

FloatArray = NDArray[np.float64]

LAY_AGAIN_BY_RECORD = 3

WAKE = 0.05
"""When *other* is likelier than this, rows that were past doubt are reckoned again."""


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
        self.view = view
        self.beliefs = beliefs or Assumptions()
        self.resolution = resolution or Resolution()
        self.looks = LookReckoner(problem, view, self.beliefs, joints_open)
        scales = SoundScales(problem, view)
        told = priors_by_record(scales, self.beliefs, joints_open)
        self.sound_scales = replace(scales, draws=told)
        self.draws = told or plain_priors(self.beliefs)
        self.solved = SolvedColumns(view, {})
        self._cables = _cables(problem.path)
        self.hypotheses = list_hypotheses(view, self.beliefs, problem.priors, problem.history)

    def reckon(self, evidence: Evidence, before: Posterior | None = None) -> Posterior:
        """Chances given all evidence.

        ``before`` is the posterior one observation earlier: it says where to lay the draw scales
        and which rows are past doubt. None: everything from nothing.
        """
        # What is cut off, such as the open end of a stub, can be clamped but tells of no place.
        told = tuple(r for r in evidence.settled if is_fed(r, self.view))
        evidence = replace(evidence, readings=told)
        posterior = self._reckon(evidence, before)
        if before is not None and posterior.apart.other > WAKE and not posterior.all_awake:
            posterior = self._reckon(evidence, replace(before, row_chance=before.row_chance + WAKE))
        return posterior

    def _reckon(self, evidence: Evidence, before: Posterior | None) -> Posterior:
        draw = before.draw if before else self._first_draw()
        posterior = self._gather(evidence, self._evaluate(evidence, before, draw), before)
        if len(posterior.rows.point) > self.resolution.lay_again_rows:
            return posterior
        # Nodes that a record laid may have far to go where the record is wrong.
        for _ in range(LAY_AGAIN_BY_RECORD if self.draws.narrow else 1):
            if not posterior.draw.far_from(draw):
                break
            draw = posterior.draw
            grid = self._evaluate(evidence, before, draw)
            posterior = self._gather(evidence, grid, before)
        return posterior

    def _first_draw(self) -> DrawScale:
        """Where the draw scales are laid before any reading."""
        _, mean, spread = self.draws.faulted.parts[0]
        return DrawScale.near(mean, spread) if self.draws.narrow else DrawScale(mean, spread)

    # -- one evaluation of the grid

    def _evaluate(self, evidence: Evidence, before: Posterior | None, draw: DrawScale) -> Grid:
        resolution, count = self.resolution, self.resolution.scales
        scales = draw.scales(count)
        if before is not None and np.array_equal(before.sound.scales, scales):
            sound = before.sound
        else:
            sound = self.solved.at(scales)
        rows = group_rows(self.hypotheses, evidence.clamped)
        split = split_rows(rows, before, resolution)
        shares = self._shares(evidence, before)
        noise = reading_noise(evidence.readings, self.problem, self.beliefs, self.view, shares)
        build = PartBuilder(self.looks, evidence, noise, draw, self.draws.faulted, sound, rows)
        middle = count // 2
        return Grid(
            draw=draw,
            sound=sound,
            rows=rows,
            noise=noise,
            fine=build.part(split.fine, slice(None), resolution.resistances),
            # The middle scale and that of devices off, which is the last.
            coarse=build.part(
                split.coarse, slice(middle, None, count - middle), resolution.coarse_resistances
            ),
            faint=build.part(split.faint, slice(middle, middle + 1), resolution.faint_resistances),
            sound_fit=self._sound_fit(evidence, noise),
            asleep=split.asleep,
        )

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
        prior = scale_prior(self.problem, self.beliefs, self.sound_scales.total)
        return np.asarray(log_likelihood(layers, noise, prior)[0, 0, :])

    # -- from the grid to chances

    def _gather(self, evidence: Evidence, grid: Grid, before: Posterior | None) -> Posterior:
        weight = self.place_weights(evidence)
        row_weight = np.bincount(grid.rows.row_of, weight, len(grid.rows.point))
        log_row = np.full(len(row_weight), -np.inf)
        for part in grid.parts:
            if part.rows.size:
                log_row[part.rows] = log_sum_rows(part.joint.reshape(len(part.rows), -1))
        # At the controller nothing may be left in a row once every lead there was clamped.
        with np.errstate(divide="ignore"):
            log_row += np.log(row_weight)
        rest = apart_logs(evidence, self.sound_scales, grid.sound_fit, grid.noise, self.beliefs)
        peak = max(float(log_row.max(initial=-np.inf)), *rest.values())
        row = np.exp(log_row - peak)
        apart = {name: math.exp(value - peak) for name, value in rest.items()}
        total = row.sum() + sum(apart.values())
        row, apart = row / total, {name: value / total for name, value in apart.items()}
        if before is not None and grid.asleep.any():
            row = np.where(grid.asleep, self._kept(grid, before), row)
            total = row.sum() + sum(apart.values())
            row, apart = row / total, {name: value / total for name, value in apart.items()}
        apart_chance = Apart(**apart)
        row_chance = np.append(row, apart_chance.sound)
        best = best_cells(evidence, grid, self.sound_scales, self.beliefs)
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
            mean_square_draw=mean_square_draw(
                grid.sound, grid.rows, row_chance, best, self.resolution.delegates
            ),
        )

    def _kept(self, grid: Grid, before: Posterior) -> FloatArray:
        """The chance each row had before."""
        members = np.bincount(grid.rows.point, minlength=self.view.size)
        by_point = np.bincount(before.rows.point, before.row_chance[:-1], self.view.size)
        return np.asarray(by_point[grid.rows.point] / members[grid.rows.point])

    def _refit(self, grid: Grid, row: FloatArray, apart: Apart) -> DrawScale:
        """Draw scale as the fine rows and the sound path have it."""
        part = grid.fine
        held = np.zeros(len(grid.sound.scales))
        if part.rows.size:
            mass = np.exp(part.joint - part.joint.max(axis=(1, 2), keepdims=True))
            share = row[part.rows] / mass.sum(axis=(1, 2))
            held += np.einsum("krs,k->s", mass, share)
        draw = grid.draw.refit(grid.sound.scales, held, narrow=self.draws.narrow)
        if apart.sound < 0.5:
            return draw
        mass = shares_of(sound_log(self.sound_scales, grid.sound_fit, self.beliefs))
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


def _cables(path: WirePath) -> dict[str, int]:
    """Cables and leads at every node that has any."""
    ends = [end for s in path.segments for end in (s.from_node, s.to_node)]
    return dict(Counter(ends + [device.node for device in path.devices]))
