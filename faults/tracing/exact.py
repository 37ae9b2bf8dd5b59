"""The exact posterior of a small case, by quadrature: what the fast one is held against.

The same model as :class:`faults.tracing.reckoner.Reckoner` without its short cuts: R_f by
Gauss-Legendre in its logarithm, the draw scale by even nodes over eight spreads (and the node of
devices that are off), an unknown coil by even nodes in log|Z| times its few X/R; each device's
own draw, the gain, the drift and the meter are Gaussian and integrated in closed form, with the
draws' share reckoned anew for every hypothesis, R_f and draw scale; every set of at most two
slips is summed. The equations are in docs/algorithms/posterior.md.
Cost O(rows x R x S x coils x k^2 x k^3).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from faults.tracing.apart import REPORTED_SOUND
from faults.tracing.draws import DrawPrior
from faults.tracing.evidence import Evidence, looks_tallied
from faults.tracing.hypotheses import group_rows
from faults.tracing.likelihood import reading_variance, slip_log_density
from faults.tracing.messages import (
    full_current_ma,
    looks_log_chance,
    overload_log_chance,
    report_log_chance,
)
from faults.tracing.noise import STRAY_DRAW_MA, ratio_layer, span_of, top_ma
from faults.tracing.posterior import Apart
from faults.tracing.prediction import FaultSet, place_faults, point_voltage, solve_sound
from faults.tracing.reckoner import Reckoner
from sites.network.faults import Place

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Quadrature:
    """Numbers of nodes: R_f, draw scale, a sound path's draw scale, log|Z| of an unknown coil."""

    resistances: int = 120
    scales: int = 40
    sound_scales: int = 120
    coils: int = 321


@dataclass(frozen=True, slots=True)
class ExactPosterior:
    """Chance of each place (H,), in the order of the reckoner's hypotheses, and of the rest."""

    chance: FloatArray
    apart: Apart


def exact_posterior(
    reckoner: Reckoner, evidence: Evidence, quadrature: Quadrature | None = None
) -> ExactPosterior:
    """The posterior of all hypotheses of a small path. Looks with only some legs on are not
    taken: raises ValueError."""
    return _Exact(reckoner, evidence, quadrature or Quadrature()).posterior()


class _Exact:
    def __init__(self, reckoner: Reckoner, evidence: Evidence, nodes: Quadrature) -> None:
        if any(look.legs_on for look in evidence.looks):
            raise ValueError("the exact posterior takes looks with all legs on or none")
        self.reckoner = reckoner
        self.problem = reckoner.problem
        self.beliefs = reckoner.beliefs
        self.view = reckoner.view
        self.evidence = evidence
        self.nodes = nodes
        self.current = np.array([r.current_ma for r in evidence.readings])
        self.top = top_ma(self.problem, self.current)
        self.fixed = self._fixed_covariance()

    def posterior(self) -> ExactPosterior:
        """Rows one by one, then what is no place; normed together."""
        own = self.reckoner.hypotheses
        rows = group_rows(own, self.evidence.clamped)
        weight = self.reckoner.place_weights(self.evidence)
        row_weight = np.bincount(rows.row_of, weight, len(rows.point))
        logs = np.array(
            [self._place_log(int(point), rows.carrier.get(i)) for i, point in enumerate(rows.point)]
        ) + np.log(row_weight)
        apart = self._apart_logs()
        peak = max(float(logs.max()), *apart.values())
        mass = np.exp(logs - peak)
        rest = {name: math.exp(value - peak) for name, value in apart.items()}
        total = mass.sum() + sum(rest.values())
        chance = mass[rows.row_of] * weight / row_weight[rows.row_of] / total
        return ExactPosterior(chance, Apart(**{n: v / total for n, v in rest.items()}))

    # -- nodes

    def _resistances(self) -> tuple[FloatArray, FloatArray]:
        low = math.log(self.beliefs.resistance_low_ohm)
        high = math.log(self.beliefs.resistance_high_ohm)
        x, w = np.polynomial.legendre.leggauss(self.nodes.resistances)
        return np.exp((high + low + (high - low) * x) / 2.0), w / 2.0

    @staticmethod
    def _scales(count: int, prior: DrawPrior) -> tuple[FloatArray, FloatArray]:
        x, w = _normal_nodes(count)
        scales = [np.exp(mean + spread * x) for _, mean, spread in prior.parts]
        return np.concatenate(scales), np.concatenate([share * w for share, _, _ in prior.parts])

    def _series(self) -> tuple[ComplexArray, FloatArray]:
        """Impedances behind the terminals and their weights: one, or those of unknown coils."""
        source = self.problem.path.source_ohm
        if self.problem.coil_ohm is not None:
            return np.array([source + self.problem.coil_ohm]), np.ones(1)
        b = self.beliefs
        # Readings hold an unknown coil to a few percent: an even rule, fine enough for that.
        x, w = _normal_nodes(self.nodes.coils)
        size = b.coil_median_ohm * np.exp(b.coil_log_spread * x)
        turns = np.exp(1j * np.arctan(np.array(b.coil_x_over_r)))
        series = source + np.outer(size, turns).reshape(-1)
        weight = np.repeat(w, len(turns)) / len(turns)
        return series, weight

    # -- one hypothesis

    def _place_log(self, point: int, carrier: Place | None) -> float:
        resistances, mass = self._resistances()
        scales, weights = self._scales(self.nodes.scales, self.reckoner.draws.faulted)
        scales = np.append(scales, 0.0)
        weights = np.append(weights * (1.0 - self.beliefs.off_share), self.beliefs.off_share)
        faults = place_faults(solve_sound(self.view, scales), np.array([point]), resistances)
        carriers = {} if carrier is None else {carrier: 0}
        fit = self._fit(faults, carriers)
        current = full_current_ma(faults, self.problem)
        logs = fit + self._looks(current)[0]
        logs = logs + report_log_chance(current, self.problem, self.beliefs)[0]
        return _log_sum(logs + np.log(mass)[:, None] + np.log(weights))

    def _looks(self, current: FloatArray) -> FloatArray:
        logs = np.zeros_like(current)
        for legs_on, shown, not_shown in looks_tallied(self.evidence.looks):
            seen = current if legs_on is None else np.zeros_like(current)
            logs = logs + looks_log_chance(shown, not_shown, seen, self.problem, self.beliefs)
        return logs

    def _apart_logs(self) -> dict[str, float]:
        beliefs, priors = self.beliefs, self.beliefs.priors
        x, w = _normal_nodes(self.nodes.sound_scales)
        scales, weights = self._scales(self.nodes.sound_scales, self.reckoner.draws.sound)
        sound = self._sound(scales)
        over = self._sound(np.exp(beliefs.overload_log_mean + beliefs.overload_log_spread * x))
        stays = fickle = 0.0
        misread = beliefs.misread_message
        for legs_on, shown, not_shown in looks_tallied(self.evidence.looks):
            stays += shown * math.log(1.0 - misread) + not_shown * math.log(misread)
            often = 0.5 if legs_on is None else misread
            fickle += shown * math.log(often) + not_shown * math.log(1.0 - often)
        plain = _log_sum(sound.fit + np.log(weights))
        trips = overload_log_chance(over.current, self.problem, beliefs)
        return {
            "none": math.log(priors.none * REPORTED_SOUND)
            + _log_sum(sound.fit + self._looks(sound.current) + np.log(weights)),
            "controller": math.log(priors.controller) + plain + stays,
            "overload": math.log(priors.overload)
            + _log_sum(over.fit + self._looks(over.current) + trips + np.log(w)),
            "hidden": math.log(priors.hidden) + plain + fickle,
            "other": math.log(priors.other) - len(self.current) * math.log(self.top) + fickle,
        }

    def _sound(self, scales: FloatArray) -> _Sound:
        faults = place_faults(solve_sound(self.view, scales), np.array([-1]), np.ones(1))
        current = full_current_ma(faults, self.problem)[0, 0, :]
        return _Sound(self._fit(faults, {})[0, :], current)

    # -- likelihood

    def _fit(self, faults: FaultSet, carriers: dict[Place, int]) -> FloatArray:
        """log likelihood (R, S) of all readings for one hypothesis."""
        readings = self.evidence.readings
        shape = faults.magnitude.shape[1:]
        if not readings:
            return np.zeros(shape)
        ratios = np.stack(
            [ratio_layer(r, faults, carriers, self.problem.path)[0] for r in readings]
        ).reshape(len(readings), -1)
        covariance = self.fixed[None, :, :] + self._draw_covariance(faults, len(readings))
        total = faults.total[0].reshape(-1)
        series, weights = self._series()
        volts = 1000.0 * self.problem.path.source_v
        nominal = volts * np.abs(total[None, :] / (1.0 + series[:, None] * total[None, :]))
        slips = slip_log_density(self.current, self.beliefs.slips, self.top)
        good = math.log(1.0 - self.beliefs.slips.any)
        terms = []
        for wrong in _slip_sets(len(readings)):
            keep = [k for k in range(len(readings)) if k not in wrong]
            log = sum(slips[k] for k in wrong) + len(keep) * good
            terms.append(log + self._gaussian(ratios, covariance, nominal, keep, weights))
        return np.asarray(_log_sum_first(np.stack(terms))).reshape(shape)

    def _gaussian(
        self,
        ratios: FloatArray,
        covariance: FloatArray,
        nominal: FloatArray,
        keep: list[int],
        weights: FloatArray,
    ) -> FloatArray:
        """log density of the kept readings (cells,), the scale integrated out by a rank-one
        update of their covariance and the coils summed."""
        if not keep:
            return np.zeros(ratios.shape[1])
        t = ratios[keep]
        y = self.current[keep]
        inner = covariance[:, keep][:, :, keep]
        inverse = np.linalg.inv(inner)
        _, log_det = np.linalg.slogdet(2.0 * math.pi * inner)
        pt = np.einsum("mkl,lm->km", inverse, t)
        a = np.einsum("km,km->m", t, pt)
        b = y @ pt
        c = np.einsum("k,mkl,l->m", y, inverse, y)
        variance = (self._scale_spread * nominal) ** 2
        # y - A0 t ~ N(0, Sigma + variance t t'), by Sherman-Morrison.
        square = c - 2.0 * nominal * b + nominal**2 * a
        along = b - nominal * a
        grown = 1.0 + variance * a
        logs = -0.5 * (square - variance * along**2 / grown + log_det + np.log(grown))
        return _log_sum_first(logs + np.log(weights)[:, None])

    @property
    def _scale_spread(self) -> float:
        gain = self.problem.meter.percent / 100.0 / math.sqrt(3.0)
        return math.hypot(gain, self.beliefs.scale_spread)

    def _fixed_covariance(self) -> FloatArray:
        """The meter and the drift (k, k), the same for every hypothesis."""
        hours = np.array([r.at_min for r in self.evidence.readings]) / 60.0
        drift = self.beliefs.drift_per_hour**2 * np.minimum.outer(hours, hours)
        fixed = drift * np.outer(self.current, self.current)
        fixed += np.diag(reading_variance(self.problem.meter, self.current))
        return np.asarray(fixed)

    def _draw_covariance(self, faults: FaultSet, count: int) -> FloatArray:
        """What devices' own draws add (cells, k, k), for each cell of one hypothesis."""
        cells = faults.magnitude[0].size
        covariance = np.zeros((cells, count, count))
        scale_ma = float(self.current.max())
        spans = [span_of(r, self.view) for r in self.evidence.readings]
        share = {}
        for point in np.flatnonzero(np.abs(self.view.load_s) > 0.0):
            volts = point_voltage(faults, int(point))[0]
            draw = volts * self.view.load_s[point] * faults.sound.scales
            share[int(point)] = np.abs(draw / faults.total[0]).reshape(-1) ** 2
        factor = (self.beliefs.draw_spread * scale_ma) ** 2
        for i in range(count):
            for j in range(count):
                low = max(spans[i][0], spans[j][0])
                high = min(spans[i][1], spans[j][1])
                for at, square in share.items():
                    if low <= at < high:
                        covariance[:, i, j] += factor * square
        for i, reading in enumerate(self.evidence.readings):
            if reading.kind == "unmapped":
                covariance[:, i, i] += STRAY_DRAW_MA**2
        return covariance


@dataclass(frozen=True, slots=True)
class _Sound:
    fit: FloatArray
    current: FloatArray


def _normal_nodes(count: int) -> tuple[FloatArray, FloatArray]:
    """Even nodes over 8 spreads and their normal weights. Where readings are sharper than the
    prior this converges as fast as their spread asks for; Gauss-Hermite far slower."""
    x = np.linspace(-8.0, 8.0, count)
    w = np.exp(-0.5 * x**2)
    return x, w / w.sum()


def _slip_sets(count: int) -> list[tuple[int, ...]]:
    return [wrong for size in range(3) for wrong in combinations(range(count), size)]


def _log_sum(logs: FloatArray) -> float:
    top = float(logs.max())
    return top + math.log(float(np.exp(logs - top).sum()))


def _log_sum_first(logs: FloatArray) -> FloatArray:
    top = logs.max(axis=0)
    return np.asarray(top + np.log(np.exp(logs - top).sum(axis=0)))
