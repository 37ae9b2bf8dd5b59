"""Repairs after which the same place failed again, and the chance of that by age and splices."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from faults.audit.ground import Rates
from faults.audit.records import DEVICE, SEGMENT, SPLICE, Asked, At, Facts, PathMap, Records, Repair
from faults.recurrence.same_place import CableMap, Neighbourhoods, SamePlace, Spot


@dataclass(frozen=True, slots=True)
class Again:
    """What came after a repair: ``failure`` is the next proved failure at the same place within
    the window, empty where none came; ``after_days`` from the repair to it; ``watched_days`` of
    the window that the audit has seen; ``chance`` of at least one by age and splices."""

    repair: Repair
    failure: str
    after_days: float | None
    watched_days: float
    chance: float


def what_came_again(records: Records, asked: Asked, rates: Rates) -> tuple[Again, ...]:
    """For each repair whose place is known, before the end of the audit.

    Whom and when the audit asks about is not looked at: a failure counts whoever mended it.
    O((repairs + failures)² + (repairs + failures) × places) on each path.
    """
    by_path: dict[str, list[Repair]] = defaultdict(list)
    for repair in records.repairs:
        if repair.place is not None and repair.at < asked.until:
            by_path[repair.place.path].append(repair)
    found = [
        one for path in by_path for one in _on_path(records, asked, rates, path, by_path[path])
    ]
    return tuple(sorted(found, key=lambda one: (one.repair.at, one.repair.id)))


def _on_path(
    records: Records, asked: Asked, rates: Rates, path: str, repairs: list[Repair]
) -> list[Again]:
    failures = [one for one in records.failures if one.place.path == path and one.at < asked.until]
    places = [repair.place for repair in repairs if repair.place is not None]
    spots = SpotsOnPath(
        records.maps.get(path, PathMap()), asked.rule, [*places, *(one.place for one in failures)]
    )
    found = []
    for number, repair in enumerate(repairs):
        watched = max(min(asked.window, asked.until - repair.at), 0.0)
        later = [
            one
            for place, one in enumerate(failures, start=len(repairs))
            if repair.at < one.at <= repair.at + asked.window and spots.same(number, place)
        ]
        first = min(later, key=lambda one: (one.at, one.id), default=None)
        expected = rates.expected_failures(spots.weighed(number), repair.at, watched)
        found.append(
            Again(
                repair=repair,
                failure="" if first is None else first.id,
                after_days=None if first is None else first.at - repair.at,
                watched_days=watched,
                chance=-math.expm1(-expected),
            )
        )
    return found


class SpotsOnPath:
    """Places of one path under one rule: which are the same, and what lies around each.

    A device lies where its splice does. A place that the newest map does not have any more is the
    same as itself alone.
    """

    def __init__(self, path_map: PathMap, rule: SamePlace, places: Sequence[At]) -> None:
        self._map, self._places, self._rule = path_map, places, rule
        self._row: dict[int, int] = {}
        if rule.kind == "very":
            return
        node = {one.code: number for number, one in enumerate(path_map.nodes)}
        segment = {one.code: number for number, one in enumerate(path_map.cables)}
        node_of = {one.code: one.node for one in path_map.devices}
        spots = []
        for number, place in enumerate(places):
            kind, code = place.facts.kind, place.code
            at_node = node_of.get(code, "") if kind == DEVICE else code
            if kind == SEGMENT and code in segment:
                spots.append(Spot(segment=segment[code]))
            elif kind in (SPLICE, DEVICE, "unmapped") and at_node in node:
                spots.append(Spot(node=node[at_node]))
            else:
                continue
            self._row[number] = len(spots) - 1
        cable = CableMap.of(
            len(node),
            [[node[end] for end in one.ends] for one in path_map.cables],
            [one.facts.amount for one in path_map.cables],
        )
        near = Neighbourhoods(cable, rule, spots)
        self._same = near.same()
        self._on_nodes, self._on_segments = near.weights()

    def same(self, one: int, other: int) -> bool:
        """Whether two of the places are the same."""
        if self._places[one].key == self._places[other].key:
            return True
        if one not in self._row or other not in self._row:
            return False
        return bool(self._same[self._row[one], self._row[other]])

    def weighed(self, one: int) -> list[tuple[Facts, float]]:
        """What lies at the same place as one of them, and how much of each counts."""
        if one not in self._row:
            return [(self._places[one].facts, 1.0)]
        row = self._row[one]
        share = dict(
            zip((node.code for node in self._map.nodes), self._on_nodes[row].tolist(), strict=True)
        )
        nodes = [(node.facts, share[node.code]) for node in self._map.nodes if node.facts]
        cables = zip(self._map.cables, self._on_segments[row].tolist(), strict=True)
        return [
            (facts, weight)
            for facts, weight in (
                *nodes,
                *((cable.facts, weight) for cable, weight in cables),
                *((device.facts, share.get(device.node, 0.0)) for device in self._map.devices),
            )
            if weight > 0.0
        ]
