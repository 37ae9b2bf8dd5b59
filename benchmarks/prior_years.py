"""Invented years of failures on a contractor's paths, and what the history of them says.

A world has ten paths, watched and energised for nine years. Places fail by rates of their own:
each kind's rate times a gamma around 1, and on four of the paths one stretch of neighbours fails
``RATIO`` times as often. In a world of equal rates all places of a kind are alike. Every failure
enters the history at its true place as its year ends; a year's traces know only the years before.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from benchmarks.recurrence_worlds import FAILURES_A_SPLICE_YEAR, gamma_around_one
from faults.recurrence.checked import Flags, Floats, Wholes
from faults.recurrence.place_weights import FoundStretch, KindRates, PathPlaces, place_weights
from faults.recurrence.trouble import (
    DEVICE,
    SCANNED_KINDS,
    SEGMENT,
    SPLICE,
    Judged,
    PathCells,
    Stretch,
    TroubleParams,
    Units,
    judge_units,
    kind_rates,
    path_totals,
    scan_paths,
)
from faults.rehearsal.cases import path_to_watch
from faults.rehearsal.layouts import SHAPES
from faults.tracing.problem import LEAST_FACTOR, MOST_FACTOR, History, PlaceHistory
from sites.network.elements import WirePath
from sites.network.faults import Place

PATHS, YEARS = 10, 9
FEWEST_DEVICES, MOST_DEVICES = 20, 160
TROUBLED_PATHS = 4
RATIO = 8.0
SPREAD = 0.5
STRETCH_NODES = (6, 14)
DAYS = 365.25
DRAWS = 399

KIND_RATE = {SPLICE: 1.0, SEGMENT: 0.5, DEVICE: 0.5}
"""Failures a year of a place against those of a splice; of a segment of usual length."""

USUAL_SEGMENT_M = 20.0


@dataclass(frozen=True, slots=True)
class Watched:
    """A path with its ground and coil, its places, their kinds, amounts and true yearly rates, and
    which of them lie in a trouble stretch."""

    path: tuple[WirePath, WirePath, complex]
    places: tuple[Place, ...]
    kind: Wholes
    amount: Floats
    rate: Floats
    in_trouble: Flags

    @property
    def survey(self) -> WirePath:
        """The map."""
        return self.path[0]


@dataclass(frozen=True, slots=True)
class World:
    """``failures``: for each year, (path, place) in no order of importance."""

    paths: tuple[Watched, ...]
    failures: tuple[tuple[tuple[int, int], ...], ...]


@lru_cache(maxsize=2)
def make_world(kind: str, index: int) -> World:
    """World ``index`` of a kind: ``trouble`` or ``equal``."""
    rng = np.random.default_rng([401 if kind == "trouble" else 402, index])
    paths = tuple(
        _watched(rng, number, is_equal=kind == "equal", is_troubled=number < TROUBLED_PATHS)
        for number in range(PATHS)
    )
    years = []
    for _ in range(YEARS):
        hits = [
            (number, int(place))
            for number, one in enumerate(paths)
            for place in np.repeat(np.arange(len(one.places)), rng.poisson(one.rate))
        ]
        years.append(tuple(hits[int(k)] for k in rng.permutation(len(hits))))
    return World(paths, tuple(years))


def _watched(
    rng: np.random.Generator, number: int, *, is_equal: bool, is_troubled: bool
) -> Watched:
    devices = int(np.exp(rng.uniform(np.log(FEWEST_DEVICES), np.log(MOST_DEVICES))))
    path = path_to_watch(rng, SHAPES[number % len(SHAPES)], devices)
    survey = path[0]
    nodes = [n.id for n in survey.nodes if n.kind != "controller"]
    places = (
        *(Place("splice", node) for node in nodes),
        *(Place("segment", one.id) for one in survey.segments),
        *(Place("device", one.id) for one in survey.devices),
    )
    counts = (len(nodes), len(survey.segments), len(survey.devices))
    kind = np.repeat([SPLICE, SEGMENT, DEVICE], counts).astype(np.int64)
    length = np.array([one.length_m for one in survey.segments])
    amount = np.concatenate([np.ones(len(nodes)), length, np.ones(len(survey.devices))])
    usual = np.where(kind == SEGMENT, amount / USUAL_SEGMENT_M, 1.0)
    rate = FAILURES_A_SPLICE_YEAR * np.array([KIND_RATE[int(k)] for k in kind]) * usual
    in_trouble = np.zeros(len(places), dtype=np.bool_)
    if not is_equal:
        rate = rate * gamma_around_one(rng, SPREAD, len(places))
        if is_troubled:
            in_trouble = _stretch(rng, survey, places)
            rate = np.where(in_trouble, RATIO * rate, rate)
    return Watched(path, places, kind, amount, rate, in_trouble)


def _stretch(rng: np.random.Generator, survey: WirePath, places: tuple[Place, ...]) -> Flags:
    """Neighbouring nodes with the cable between them; devices hang beside and are as others."""
    beside: dict[str, list[str]] = {}
    for one in survey.segments:
        beside.setdefault(one.from_node, []).append(one.to_node)
        beside.setdefault(one.to_node, []).append(one.from_node)
    wanted = int(rng.integers(*STRETCH_NODES, endpoint=True))
    nodes = [n.id for n in survey.nodes if n.kind != "controller"]
    start = nodes[int(rng.integers(0, len(nodes)))]
    inside, waiting = {start}, deque([start])
    while waiting and len(inside) < wanted:
        for node in beside[waiting.popleft()]:
            if node != survey.controller.id and node not in inside and len(inside) < wanted:
                inside.add(node)
                waiting.append(node)
    ends = {one.id: {one.from_node, one.to_node} for one in survey.segments}
    return np.array(
        [
            (one.kind == "splice" and one.id in inside)
            or (one.kind == "segment" and ends[one.id] <= inside)
            for one in places
        ]
    )


@lru_cache(maxsize=4)
def histories(kind: str, index: int, year: int) -> tuple[History | None, ...]:
    """What the history of the years before ``year`` (1, 2, ...) says of each path; None: nothing.

    The same statistics as a night's run (with fewer draws for a scan): each kind's rates, the
    strongest stretch of each path scanned, and weights by them.
    """
    world = make_world(kind, index)
    units, first = known_units(world, year)
    params = TroubleParams(draws=DRAWS, seed=index)
    judged = judge_units(units, params)
    totals = path_totals(units, judged, PATHS)
    cells = [_cells(world.paths[n], n, first[n]) for n in totals.to_scan.tolist()]
    found = {
        n: seen
        for n, seen in zip(
            totals.to_scan.tolist(), scan_paths(units, judged, cells, params), strict=True
        )
        if seen.scanned.failures > 1
    }
    rates = kind_rates(units, judged)
    return tuple(
        _history(one, start, found.get(n), judged, rates, year)
        for n, (one, start) in enumerate(zip(world.paths, first, strict=True))
    )


def known_units(world: World, year: int) -> tuple[Units, list[int]]:
    """All places after ``year`` − 1 years, and where each path's begin."""
    sizes = [len(one.places) for one in world.paths]
    first = np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(int).tolist()
    counts = np.zeros((sum(sizes), 3), dtype=np.int64)
    for told in world.failures[: year - 1]:
        for path, place in told:
            counts[first[path] + place, 0] += 1
    energised = np.zeros((sum(sizes), 3))
    energised[:, 0] = DAYS * (year - 1) * np.concatenate([one.amount for one in world.paths])
    kind = np.concatenate([one.kind for one in world.paths])
    return Units(kind, np.repeat(np.arange(PATHS), sizes), counts, energised), first


def _cells(one: Watched, number: int, first: int) -> PathCells:
    """The splices and cable of a path, linked as they touch."""
    own = np.flatnonzero(np.isin(one.kind, SCANNED_KINDS))
    cell = {one.places[int(unit)]: n for n, unit in enumerate(own)}
    links = [
        (cell[Place("segment", segment.id)], cell[Place("splice", end)])
        for segment in one.survey.segments
        for end in (segment.from_node, segment.to_node)
        if Place("splice", end) in cell
    ]
    return PathCells(number, own + first, tuple(sorted(links)))


def _history(
    one: Watched,
    start: int,
    found: Stretch | None,
    judged: Judged,
    rates: KindRates,
    year: int,
) -> History | None:
    own = slice(start, start + len(one.places))
    counts = judged.counts[own]
    if not counts.any():
        return None
    around = np.zeros(len(counts), dtype=np.int64)
    stretches = []
    if found is not None:
        inside = np.array(found.units, dtype=np.int64) - start
        stretches = [FoundStretch(inside, found.adjusted)]
        around[inside] = counts[inside].sum()
    places = PathPlaces(one.kind, counts, judged.exposure[own])
    weight = place_weights(places, rates, stretches, (LEAST_FACTOR, MOST_FACTOR))
    rows = tuple(
        PlaceHistory(place, float(factor), int(failures), float(year - 1), int(near))
        for place, factor, failures, near in zip(one.places, weight, counts, around, strict=True)
        if factor != 1.0
    )
    return History("years", str(year - 1), rows) if rows else None
