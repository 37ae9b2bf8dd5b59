"""What can be left off so that the rest of a path waters today, and what each way costs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from faults.forms.place import place_document
from faults.tracing.cautions import (
    CODES_FIRST,
    DIG,
    FAR_SIDE,
    HANDS_OUT,
    HOLE,
    LOOK_IN,
    LOOK_SHORT,
    MAINS,
    PROVE_DEAD,
    STATION_WATER,
    TEST_PAIR,
    TRAFFIC,
    WATER,
)
from faults.tracing.rig_places import legs_of
from sites.network.elements import WirePath
from sites.network.errors import NetworkError
from sites.network.faults import Condition, Place
from sites.network.solution import Solution
from sites.network.solve import solve
from sites.pages.words import PathWords

DEAD_V = 0.001
"""Below this a device is cut off: nothing feeds it."""


@dataclass(frozen=True)
class RestoreStep:
    """One thing to do, with its cautions."""

    what: str
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class RestoreWay:
    """One way: ``left_off`` is its place for the service, ``choice`` its name in the form.

    ``stations_lost`` are numbers; ``unnumbered`` counts devices off that the map gives none.
    ``least_device_v``: predicted, at the weakest device that stays on; ``is_low``: below what
    the path wants. ``sound_v``: the same of the whole path when sound.
    """

    choice: str
    words: str
    left_off: dict[str, Any]
    stations_lost: tuple[int, ...]
    unnumbered: int
    splices: int
    least_device_v: float | None
    is_low: bool
    steps: tuple[RestoreStep, ...]


def restore_ways(path: WirePath, places: Sequence[Place]) -> list[RestoreWay]:
    """Ways to leave one of these places off, or the leg it lies on; fewest stations lost first,
    then fewest splices. Without places: each leg. Ways that cannot be solved are left out."""
    found: dict[str, RestoreWay] = {}
    for place in places:
        for way in (_place_way(path, place), _leg_way(path, _leg_of(path, place))):
            if way is not None:
                found.setdefault(way.choice, way)
    if not places:
        found = {way.choice: way for leg in legs_of(path) if (way := _leg_way(path, leg))}
    return sorted(found.values(), key=lambda one: (_lost(one), one.splices))


def _lost(way: RestoreWay) -> int:
    return len(way.stations_lost) + way.unnumbered


def _place_way(path: WirePath, place: Place) -> RestoreWay | None:
    off, splices = _taken_out(path, place)
    if off is None:
        return None
    words = PathWords(path).place(place_document(place))
    steps = tuple(_steps_at(words, place, is_buried=_is_buried(path, place)))
    return _way(
        path, off, (f"{place.kind}:{place.id}", words, place_document(place)), splices, steps
    )


def _leg_way(path: WirePath, leg: str | None) -> RestoreWay | None:
    if leg is None:
        return None
    words = f"the whole leg that begins with cable run {leg}"
    steps = (
        RestoreStep("Switch the power off and prove it dead.", (PROVE_DEAD, MAINS, CODES_FIRST)),
        RestoreStep(f"Lift leg {leg} off the controller and cap it.", (FAR_SIDE,)),
        *_power_on(),
    )
    return _way(
        path, Condition(legs_off=frozenset({leg})), (f"leg:{leg}", words, {"leg": leg}), 0, steps
    )


def _taken_out(path: WirePath, place: Place) -> tuple[Condition | None, int]:
    """The path without a place, and the splices that this makes; None: there is no such way."""
    if place.kind == "device":
        return Condition(isolated=frozenset({place})), 1
    if place.kind == "splice" and place.id != path.controller.id:
        there = {Place("device", one.id) for one in path.devices if one.node == place.id}
        runs = sum(place.id in (one.from_node, one.to_node) for one in path.segments)
        return Condition(isolated=frozenset({place, *there})), max(runs - 1, 0)
    if place.kind == "segment":
        # Both ends come apart, so that the run is dead and the rest stays as it is.
        return Condition(joints_open=frozenset({(place.id, "from"), (place.id, "to")})), 2
    return None, 0


def _way(
    path: WirePath,
    off: Condition,
    named: tuple[str, str, dict[str, Any]],
    splices: int,
    steps: tuple[RestoreStep, ...],
) -> RestoreWay | None:
    try:
        solution = solve(path, off)
    except NetworkError:
        return None
    isolated = {place.id for place in off.isolated if place.kind == "device"}
    volts = {one.id: _volts(solution, one.node) for one in path.devices if one.id not in isolated}
    dead = isolated | {name for name, volt in volts.items() if volt < DEAD_V}
    stations = [one for one in path.devices if one.id in dead and one.kind == "decoder"]
    fed = [volt for volt in volts.values() if volt >= DEAD_V]
    least, wanted = min(fed, default=None), path.limits.min_device_v
    return RestoreWay(
        *named,
        stations_lost=tuple(sorted({n for one in stations for n in one.stations or ()})),
        unnumbered=sum(one.outputs or 1 for one in stations if not one.stations),
        splices=splices,
        least_device_v=least,
        is_low=least is not None and wanted is not None and least < wanted,
        steps=steps,
    )


def _volts(solution: Solution, node: str) -> float:
    return abs(solution.voltage_v(node))


def _leg_of(path: WirePath, place: Place) -> str | None:
    """The leg that feeds a place: without it the place is dead."""
    node = _node_of(path, place)
    if node is None or node == path.controller.id:
        return place.id if place.kind == "segment" and place.id in legs_of(path) else None
    for leg in legs_of(path):
        try:
            if _volts(solve(path, Condition(legs_off=frozenset({leg}))), node) < DEAD_V:
                return leg
        except NetworkError:
            continue
    return None


def _node_of(path: WirePath, place: Place) -> str | None:
    if place.kind == "device":
        return next((one.node for one in path.devices if one.id == place.id), None)
    if place.kind == "segment":
        return next((one.to_node for one in path.segments if one.id == place.id), None)
    return place.id if place.kind in ("splice", "unmapped") else None


def _is_buried(path: WirePath, place: Place) -> bool:
    node = _node_of(path, place)
    return any(one.id == node and one.access == "buried" for one in path.nodes)


def _steps_at(words: str, place: Place, *, is_buried: bool) -> Iterator[RestoreStep]:
    yield RestoreStep("Switch the power off and prove it dead.", (PROVE_DEAD, MAINS, CODES_FIRST))
    reach = (DIG, HOLE) if is_buried else (LOOK_IN, WATER)
    yield RestoreStep(f"Open the ground or the box at {words}.", (*reach, TRAFFIC))
    yield RestoreStep(f"Take {words} out and cap each conductor by itself.", (FAR_SIDE,))
    if place.kind == "splice":
        yield RestoreStep("Join the cable runs again past it.", (TEST_PAIR,))
    yield RestoreStep("Close the box, or fence the hole.", (HOLE,))
    yield from _power_on()


def _power_on() -> Iterator[RestoreStep]:
    yield RestoreStep("Switch the power on and look for the message.", (HANDS_OUT, LOOK_SHORT))
    yield RestoreStep(
        "Run the stations that are on, one by one, and read the voltage at the weakest device.",
        (STATION_WATER,),
    )
