"""What a sound record says of the devices' common draw scale.

The record is a reading of the sound path, all legs on, with its own meter gain, source and
noise, and older than the trace. Its likelihood is reckoned on the grid of log draw scales, the
coil of the record integrated out, widened by its age, and summed up as a normal; beside it stays
the chance that it is not of this path as it is now. Only the scale is learnt from it: what single
devices draw, and the tests of a proof, know nothing of a record.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from faults.tracing.assumptions import Assumptions
from faults.tracing.draws import DrawPrior, DrawPriors
from faults.tracing.evidence import CurrentReading
from faults.tracing.likelihood import reading_variance
from faults.tracing.observations import Joint
from faults.tracing.problem import SoundRecord, TraceProblem
from faults.tracing.soundness import SoundScales
from sites.network.elements import WirePath

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

DAYS_OF_A_YEAR = 365.25
COIL_NODES = 61
COIL_REACH = 4.0
"""Even nodes over so many spreads of the coil's logarithm, either side."""

ANY_SCALE = 1.0 / 4.4
"""Density of the log draw scale that a record of something else seems to show."""

MISFIT = 30.0
"""Where the rows of a record fit no draw scale better than by this much (half a chi-square) they
contradict one another, and none is believed."""


def record_age_years(date: str | None, dated: str | None, unknown_years: float) -> float:
    """Years from ``date`` to ``dated``; ``unknown_years`` where either is None, 0 where later.

    Raises ValueError for what is no date.
    """
    if date is None or dated is None:
        return unknown_years
    days = np.datetime64(dated, "D") - np.datetime64(date, "D")
    return max(0.0, float(days.astype(np.int64)) / DAYS_OF_A_YEAR)


def priors_by_record(
    scales: SoundScales, beliefs: Assumptions, joints_open: frozenset[Joint] = frozenset()
) -> DrawPriors | None:
    """The draw scale's priors with the problem's sound record; None where it says nothing.

    ``joints_open`` are those of the tree beside the map's own. A record was taken with them
    closed, so it is believed as a whole or not at all: the sum of all legs.
    """
    told = told_by_record(scales, beliefs, joints_open)
    if told is None:
        return None
    keep = 1.0 - told.wrong
    plain = (told.wrong, 0.0, beliefs.draw_log_spread)
    low = math.hypot(told.spread, beliefs.record.low_voltage)
    return DrawPriors(
        faulted=DrawPrior(((keep, told.mean, low), plain)),
        sound=DrawPrior(((keep, told.mean, told.spread), plain)),
        narrow=True,
    )


@dataclass(frozen=True, slots=True)
class ToldScale:
    """Mean and spread of the log draw scale, and the chance ``wrong`` that a record is not of
    this path as it is now."""

    mean: float
    spread: float
    wrong: float


def told_by_record(
    scales: SoundScales, beliefs: Assumptions, joints_open: frozenset[Joint] = frozenset()
) -> ToldScale | None:
    """What the problem's sound record says of the draw scale; None where it says nothing."""
    visits = tuple(_visits(scales, beliefs, whole=bool(joints_open)))
    if not visits:
        return None
    logs = scales.logs
    told = np.zeros_like(logs)
    for visit in visits:
        told = told + _aged(visit.log_likelihood(scales, beliefs), visit.years, beliefs, logs)
    if told.max() < -MISFIT * len(visits):
        return None
    step = float(logs[1] - logs[0])
    density = np.exp(told - told.max())
    density /= density.sum() * step
    prior = np.exp(-0.5 * (logs / beliefs.draw_log_spread) ** 2)
    mass = density * prior
    total = float(mass.sum())
    if total <= 0.0:
        return None
    mean = float(mass @ logs) / total
    spread = math.sqrt(float(mass @ (logs - mean) ** 2) / total)
    evidence = total * step / (beliefs.draw_log_spread * math.sqrt(2.0 * math.pi))
    record = beliefs.record
    oldest = max(visit.years for visit in visits)
    wrong = min(record.most_wrong, record.wrong + record.wrong_per_year * oldest)
    unlikely = wrong * ANY_SCALE / (wrong * ANY_SCALE + (1.0 - wrong) * evidence)
    return ToldScale(mean, math.hypot(spread, record.least), max(wrong, unlikely))


@dataclass(frozen=True, slots=True)
class _Row:
    """One number of a record: its kind, what the sound path has there (GRID,), for 1 V at the
    terminals, and the variance of its logarithm but for what all numbers share."""

    value: float
    volts: bool
    transfer: FloatArray
    own_variance: float


@dataclass(frozen=True, slots=True)
class _Visit:
    """The numbers that were read on one day with the coil in, out, or nobody knows."""

    rows: tuple[_Row, ...]
    coil: bool | None
    years: float

    def log_likelihood(self, scales: SoundScales, beliefs: Assumptions) -> FloatArray:
        """log likelihood of the rows by draw scale (GRID,), at the day of the record."""
        problem = scales.problem
        without = self._behind(scales, beliefs, np.zeros(1, dtype=np.complex128), np.ones(1))
        if self.coil is False:
            return without
        coils, weights = _coils(problem, beliefs)
        within = self._behind(scales, beliefs, coils, weights)
        return within if self.coil else np.logaddexp(within, without) - math.log(2.0)

    def _behind(
        self, scales: SoundScales, beliefs: Assumptions, coils: ComplexArray, weights: FloatArray
    ) -> FloatArray:
        path = scales.problem.path
        series = path.source_ohm + coils
        terminals = path.source_v / np.abs(1.0 + series[:, None] * scales.total[None, :])
        off = np.stack(
            [
                np.log(row.value) - np.log(np.maximum(terminals * row.transfer, 1e-9))
                for row in self.rows
            ]
        )
        precision = np.linalg.inv(self._covariance(scales.problem, beliefs))
        square = np.einsum("kcs,kl,lcs->cs", off, precision, off)
        logs = -0.5 * square + np.log(weights)[:, None]
        top = logs.max(axis=0)
        return np.asarray(top + np.log(np.exp(logs - top).sum(axis=0)))

    def _covariance(self, problem: TraceProblem, beliefs: Assumptions) -> FloatArray:
        """Of the logarithms: the source is the same for all, the gain for all currents."""
        amps = np.array([0.0 if row.volts else 1.0 for row in self.rows])
        gain = problem.meter.percent / 100.0 / math.sqrt(3.0)
        covariance = gain**2 * np.outer(amps, amps) + beliefs.scale_spread**2
        covariance += np.diag([row.own_variance for row in self.rows])
        return np.asarray(covariance)


def _visits(scales: SoundScales, beliefs: Assumptions, *, whole: bool) -> Iterator[_Visit]:
    """The newest record of each leg, those of one day and coil together."""
    problem = scales.problem
    view = scales.view
    legs = view.downstream_segments[problem.path.controller.id]
    newest: dict[str, SoundRecord] = {}
    for record in problem.sound_record:
        held = newest.get(record.leg)
        if record.leg in legs and (held is None or (record.date or "") >= (held.date or "")):
            newest[record.leg] = record
    together: dict[tuple[str, bool | None], list[SoundRecord]] = {}
    for leg in legs:
        if leg in newest:
            record = newest[leg]
            together.setdefault((record.date or "", record.coil), []).append(record)
    for (date, coil), records in together.items():
        if whole:
            rows = _whole_row(scales, beliefs, records) if len(records) == len(legs) else ()
        else:
            rows = tuple(row for record in records for row in _rows(scales, beliefs, record))
        if rows:
            age = record_age_years(date or None, problem.dated, beliefs.record.unknown_age_years)
            yield _Visit(rows, coil, age)


def _rows(scales: SoundScales, beliefs: Assumptions, record: SoundRecord) -> Iterator[_Row]:
    view, problem = scales.view, scales.problem
    root = problem.path.controller.id
    edge = view.edge_of_wire[(root, record.leg)]
    span = slice(edge, int(view.last[edge]))
    if record.current_ma and view.load_s[span].any():
        yield _Row(
            value=record.current_ma,
            volts=False,
            transfer=_current_per_volt(scales, record.leg),
            own_variance=_own_variance(problem, beliefs, record.current_ma, view.load_s[span]),
        )
    far = _farthest_point(scales, record.leg)
    if record.far_v and far is not None:
        yield _Row(
            value=record.far_v,
            volts=True,
            transfer=np.abs(scales.voltage_v(far)),
            own_variance=beliefs.record.volts**2,
        )


def _whole_row(
    scales: SoundScales, beliefs: Assumptions, records: list[SoundRecord]
) -> tuple[_Row, ...]:
    """The sum of all legs, where each has a current."""
    currents = [record.current_ma for record in records if record.current_ma]
    if len(currents) < len(records) or not scales.view.load_s.any():
        return ()
    total = float(sum(currents))
    transfer = 1000.0 * np.abs(scales.total)
    own = _own_variance(scales.problem, beliefs, total, scales.view.load_s)
    return (_Row(total, volts=False, transfer=transfer, own_variance=own),)


def _current_per_volt(scales: SoundScales, leg: str) -> FloatArray:
    """mA into a leg for 1 V at the terminals (GRID,)."""
    reading = CurrentReading("segment", scales.problem.path.controller.id, leg, 0.0, 0.0)
    share = scales.layers([reading])[0, 0, 0, :]
    return np.asarray(1000.0 * np.abs(scales.total) * share)


def _own_variance(
    problem: TraceProblem, beliefs: Assumptions, current_ma: float, load_s: ComplexArray
) -> float:
    """Variance of a current's logarithm: the meter and lengths, and its devices' own draws."""
    meter = float(reading_variance(problem.meter, np.array([current_ma]))[0]) / current_ma**2
    draws = np.abs(load_s)
    return meter + beliefs.draw_spread**2 * float((draws**2).sum() / draws.sum() ** 2)


def _farthest_point(scales: SoundScales, leg: str) -> int | None:
    """The point of the leg's device that is farthest from the controller along the cable."""
    path, view = scales.problem.path, scales.view
    edge = view.edge_of_wire[(path.controller.id, leg)]
    lengths = _cable_m(path, frozenset(view.point_of_segment))
    points = [
        (lengths.get(device.node, -1.0), view.point_of_node[device.node])
        for device in path.devices
        if edge <= view.point_of_node.get(device.node, -1) < view.last[edge]
    ]
    return max(points)[1] if points else None


def _cable_m(path: WirePath, live: frozenset[str]) -> dict[str, float]:
    """Metres of cable from the controller to each node, by segments of the tree."""
    graph: nx.Graph[str] = nx.Graph()
    graph.add_node(path.controller.id)
    for segment in path.segments:
        if segment.id in live and segment.joint_open is None:
            graph.add_edge(segment.from_node, segment.to_node, metres=segment.length_m)
    found: dict[str, float] = nx.single_source_dijkstra_path_length(
        graph, path.controller.id, weight="metres"
    )
    return found


def _coils(problem: TraceProblem, beliefs: Assumptions) -> tuple[ComplexArray, FloatArray]:
    """The coil of the record and its weights: near the trace's where that is known."""
    x = np.linspace(-COIL_REACH, COIL_REACH, COIL_NODES)
    weight = np.exp(-0.5 * x**2)
    weight /= weight.sum()
    if problem.coil_ohm is not None:
        return problem.coil_ohm * np.exp(beliefs.record.coil * x), weight
    size = beliefs.coil_median_ohm * np.exp(beliefs.coil_log_spread * x)
    turns = np.exp(1j * np.arctan(np.array(beliefs.coil_x_over_r)))
    weights = np.repeat(weight, len(turns)) / len(turns)
    return np.outer(size, turns).reshape(-1), weights


def _aged(told: FloatArray, years: float, beliefs: Assumptions, logs: FloatArray) -> FloatArray:
    """The log likelihood by today's draw scale: it has wandered since."""
    spread = beliefs.record.wander * math.sqrt(years)
    if spread < 0.5 * (logs[1] - logs[0]):
        return told
    kernel = np.exp(-0.5 * ((logs[:, None] - logs[None, :]) / spread) ** 2)
    kernel /= kernel.sum(axis=1, keepdims=True)
    top = float(told.max())
    return np.asarray(top + np.log(kernel @ np.exp(told - top) + 1e-300))
