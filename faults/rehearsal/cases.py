"""Rehearsals by the thousand, each from its family and index alone.

A case is made from a seed of its own, so case 1,234 is the same whichever were made before it.
On the ground draws differ from the map: each device by exp(N(0, 0.3)), all of them together by
exp(N(0, 0.35)), drawn again where a device would fall below 20 V without the coil or the sound
path would draw more than :data:`MOST_GROUND_MA`. Lengths are as mapped.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from faults.rehearsal.layouts import (
    SHAPES,
    Settling,
    Shape,
    drawing,
    keeps,
    random_path,
    settled,
)
from faults.rehearsal.rehearsal import Rehearsal
from faults.tracing.problem import Costs, Meter
from sites.network.elements import WirePath
from sites.network.faults import Condition, Fault, Place, PlaceKind
from sites.network.solve import solve

Family = Literal["rehearsals", "noise-free", "sound", "overload", "controller", "heavy"]
FAMILIES: tuple[Family, ...] = (
    "rehearsals",
    "noise-free",
    "sound",
    "overload",
    "controller",
    "heavy",
)
FEWEST_DEVICES, MOST_DEVICES = 6, 400
LEAST_TRIP_MA, MOST_TRIP_MA = 800.0, 1500.0
MOST_GROUND_MA = 680.0
"""Sound paths stay below 0.85 of the least trip current."""
LEAST_OVER_TRIP = 1.05
NO_NOISE = Meter(percent=0.0, counts=0.0, resolution_ma=0.001)
GROUND_RULE = Settling(most_sound_ma=MOST_GROUND_MA)
MOST_REDRAWS = 5000
MOST_OVERLOAD_FACTOR = 5.0

# Families of one stream have the same paths, grounds and faults: noise-free differs by the
# meter alone.
_STREAM: dict[Family, int] = {
    "rehearsals": 101,
    "noise-free": 101,
    "sound": 102,
    "overload": 103,
    "controller": 104,
    "heavy": 105,
}


@dataclass(frozen=True, slots=True)
class Case:
    """A rehearsal and how it came about.

    ``redrawn``: how many faults (for overloads: paths) were drawn and put back before one
    passed 1.05 of the trip current. ``sound_share``: in families with a fault, the part of the
    reading at the controller, coil in, that the sound path would draw by itself.
    """

    name: str
    family: str
    shape: Shape
    devices: int
    redrawn: int
    sound_share: float | None
    rehearsal: Rehearsal


def make_case(family: Family, index: int) -> Case:
    """Case ``index`` of a family. Cost: some 10 to 200 solves of its path.

    Shapes take turns: straight, branching, bushy. Sizes are log-uniform over 6 to 400 devices,
    60 to 400 for overloads, 400 for heavy paths.
    """
    rng = np.random.default_rng([_STREAM[family], index])
    shape = SHAPES[index % len(SHAPES)]
    if family == "overload":
        return _overload_case(rng, shape, index)
    fewest = MOST_DEVICES if family == "heavy" else FEWEST_DEVICES
    devices = _log_uniform_count(rng, fewest, MOST_DEVICES)
    name = f"{family}-{index:05d}"
    meter = NO_NOISE if family == "noise-free" else Meter()
    redrawn = 0
    while True:
        survey, ground = _survey_and_ground(rng, shape, devices, family)
        coil_ohm = _coil(rng)
        drawn = _draw(rng, family, ground, coil_ohm)
        redrawn += drawn.redrawn
        if drawn.fault is not None:
            rehearsal = _rehearsal(rng, survey, ground, coil_ohm, drawn, meter)
            return Case(name, family, shape, devices, redrawn, drawn.share, rehearsal)
        if redrawn >= MOST_REDRAWS:
            raise ValueError(f"{name}: no draw of {redrawn} is a case")


def large_case(devices: int, shape: Shape, index: int) -> Case:
    """A case of any size, for timing: draws and spacing are as small as its size asks for."""
    rng = np.random.default_rng([106, devices, SHAPES.index(shape), index])
    rule = Settling(least_draw_ma=min(0.4, 120.0 / devices))
    survey = settled(random_path(rng, shape, devices), rule)
    ground = _ground(rng, survey)
    coil_ohm = _coil(rng)
    drawn = _draw_fault(rng, ground, coil_ohm, tries=MOST_REDRAWS)
    rehearsal = _rehearsal(rng, survey, ground, coil_ohm, drawn, Meter())
    name = f"large-{shape}-{devices}-{index:03d}"
    return Case(name, "large", shape, devices, drawn.redrawn, drawn.share, rehearsal)


def path_to_watch(
    rng: np.random.Generator, shape: Shape, devices: int
) -> tuple[WirePath, WirePath, complex]:
    """A survey, its ground and the coil used there, for faults that come over years."""
    survey, ground = _survey_and_ground(rng, shape, devices, "rehearsals")
    return survey, ground, _coil(rng)


def rehearsal_at(
    rng: np.random.Generator,
    path: tuple[WirePath, WirePath, complex],
    at: Place,
    tries: int = 200,
) -> Rehearsal | None:
    """A short at a place of a path, its resistance and the trip current drawn until the message
    shows for sure; None where none of the tries did."""
    survey, ground, coil_ohm = path
    for redrawn in range(tries):
        trip_ma = _trip_ma(rng)
        fault = _short_at(rng, at)
        if _controller_ma(ground, Condition(faults=(fault,))) >= LEAST_OVER_TRIP * trip_ma:
            drawn = _Drawn(trip_ma, fault, redrawn, None)
            return _rehearsal(rng, survey, ground, coil_ohm, drawn, Meter())
    return None


@dataclass(frozen=True, slots=True)
class _Drawn:
    """A trip current and a fault that passes it; None where none of the tries did."""

    trip_ma: float
    fault: Fault | None
    redrawn: int
    share: float | None


def _survey_and_ground(
    rng: np.random.Generator, shape: Shape, devices: int, family: Family
) -> tuple[WirePath, WirePath]:
    least_draw_ma = 1.0 if family == "heavy" else 0.4
    survey = settled(random_path(rng, shape, devices, least_draw_ma=least_draw_ma), Settling())
    return survey, _ground(rng, survey)


def _draw(rng: np.random.Generator, family: Family, ground: WirePath, coil_ohm: complex) -> _Drawn:
    """The fault of a family."""
    if family == "sound":
        return _Drawn(_trip_ma(rng), Fault("short", Place("none")), 0, None)
    if family == "controller":
        return _Drawn(_trip_ma(rng), Fault("short", Place("controller")), 0, None)
    if family == "heavy":
        return _draw_fault(rng, ground, coil_ohm, tries=20, least_share=0.5)
    return _draw_fault(rng, ground, coil_ohm, tries=MOST_REDRAWS)


def _draw_fault(
    rng: np.random.Generator,
    ground: WirePath,
    coil_ohm: complex,
    *,
    tries: int,
    least_share: float = 0.0,
) -> _Drawn:
    """Draw place, resistance and trip current until the message shows for sure."""
    sound_coil_ma = _controller_ma(ground, Condition(coil_ohm=coil_ohm))
    for redrawn in range(tries):
        trip_ma = _trip_ma(rng)
        fault = _any_short(rng, ground)
        if _controller_ma(ground, Condition(faults=(fault,))) < LEAST_OVER_TRIP * trip_ma:
            continue
        faulted_ma = _controller_ma(ground, Condition(coil_ohm=coil_ohm, faults=(fault,)))
        share = sound_coil_ma / faulted_ma
        if share >= least_share:
            return _Drawn(trip_ma, fault, redrawn, share)
    return _Drawn(LEAST_TRIP_MA, None, tries, None)


def _any_short(rng: np.random.Generator, ground: WirePath) -> Fault:
    """A short at any place."""
    return _short_at(rng, _any_place(rng, ground))


def _short_at(rng: np.random.Generator, at: Place) -> Fault:
    """A short, its resistance log-uniform over 0.5 to 20 ohms."""
    resistance_ohm = round(_log_uniform(rng, 0.5, 20.0), 3)
    fraction = round(float(rng.uniform(0.05, 0.95)), 3)
    # How far along matters for a segment only; elsewhere the form has no word for it.
    if at.kind != "segment":
        return Fault("short", at, resistance_ohm=resistance_ohm)
    return Fault("short", at, resistance_ohm=resistance_ohm, fraction=fraction)


def _any_place(rng: np.random.Generator, ground: WirePath) -> Place:
    """A place: device, splice or segment alike, then any of that kind alike."""
    kinds: tuple[PlaceKind, ...] = ("device", "splice", "segment")
    kind = kinds[int(rng.integers(0, 3))]
    ids = {
        "device": [d.id for d in ground.devices],
        "splice": [n.id for n in ground.nodes if n.kind != "controller"],
        "segment": [s.id for s in ground.segments],
    }[kind]
    return Place(kind, ids[int(rng.integers(0, len(ids)))])


def _ground(rng: np.random.Generator, survey: WirePath) -> WirePath:
    """The ground: the same path with draws of its own that still keep the rule."""
    mapped_ma = np.array([device.draw_ma for device in survey.devices])
    for attempt in range(40):
        together = math.exp(rng.normal(0.0, 0.35))
        each = np.exp(rng.normal(0.0, 0.3, size=mapped_ma.size))
        if attempt >= 20:
            # A path at the edge of the rule can only draw less than its map says.
            together = min(together, 1.0 / together)
        draws_ma = [round(float(ma), 4) for ma in mapped_ma * each * together]
        ground = drawing(survey, draws_ma)
        if keeps(ground, GROUND_RULE):
            return ground
    raise ValueError(f"{survey.label}: no ground keeps {GROUND_RULE}")


def _overload_case(rng: np.random.Generator, shape: Shape, index: int) -> Case:
    """A sound path whose devices draw more than the trip current, 1.05 to 1.5 of it."""
    for redrawn in range(MOST_REDRAWS):
        devices = _log_uniform_count(rng, 60, MOST_DEVICES)
        survey = settled(random_path(rng, shape, devices, least_draw_ma=2.0), Settling())
        each = np.exp(rng.normal(0.0, 0.3, size=devices))
        trip_ma = _trip_ma(rng)
        wanted_ma = trip_ma * float(rng.uniform(LEAST_OVER_TRIP, 1.5))
        ground = _overloaded(survey, each, wanted_ma)
        if ground is not None:
            drawn = _Drawn(trip_ma, Fault("short", Place("overload")), redrawn, None)
            rehearsal = _rehearsal(rng, survey, ground, _coil(rng), drawn, Meter())
            name = f"overload-{index:05d}"
            return Case(name, "overload", shape, devices, redrawn, None, rehearsal)
    raise ValueError(f"overload {index}: no path of {MOST_REDRAWS} can draw enough")


def _overloaded(
    survey: WirePath, each: np.ndarray[tuple[int], np.dtype[np.float64]], wanted_ma: float
) -> WirePath | None:
    """The path with draws raised together until it takes ``wanted_ma``; None where it cannot."""
    mapped_ma = np.array([device.draw_ma for device in survey.devices]) * each

    def with_factor(factor: float) -> WirePath:
        return drawing(survey, [round(float(ma), 4) for ma in mapped_ma * factor])

    low, high = 1.0, MOST_OVERLOAD_FACTOR
    if _controller_ma(with_factor(high), Condition()) < wanted_ma:
        return None
    for _ in range(20):
        middle = 0.5 * (low + high)
        if _controller_ma(with_factor(middle), Condition()) < wanted_ma:
            low = middle
        else:
            high = middle
    return with_factor(high)


def _rehearsal(
    rng: np.random.Generator,
    survey: WirePath,
    ground: WirePath,
    coil_ohm: complex,
    drawn: _Drawn,
    meter: Meter,
) -> Rehearsal:
    if drawn.fault is None:
        raise ValueError(f"{survey.label}: no fault of {drawn.redrawn} passes the trip current")
    return Rehearsal(
        survey=replace(survey, trip_ma=drawn.trip_ma),
        actual=replace(ground, trip_ma=drawn.trip_ma),
        coil_ohm=coil_ohm,
        coil_known=bool(rng.uniform() < 0.5),
        faults=(drawn.fault,),
        meter=meter,
        seed=int(rng.integers(0, 2**31)),
        costs=Costs(),
    )


def _controller_ma(path: WirePath, condition: Condition) -> float:
    return abs(solve(path, condition).controller_current_a) * 1000.0


def _coil(rng: np.random.Generator) -> complex:
    """A seated solenoid: magnitude log-uniform over 60 to 200 ohms, X/R uniform over 1.5 to 3."""
    magnitude_ohm = _log_uniform(rng, 60.0, 200.0)
    angle = math.atan(float(rng.uniform(1.5, 3.0)))
    real, imaginary = magnitude_ohm * math.cos(angle), magnitude_ohm * math.sin(angle)
    return complex(round(real, 3), round(imaginary, 3))


def _trip_ma(rng: np.random.Generator) -> float:
    return round(float(rng.uniform(LEAST_TRIP_MA, MOST_TRIP_MA)), 1)


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return math.exp(float(rng.uniform(math.log(low), math.log(high))))


def _log_uniform_count(rng: np.random.Generator, fewest: int, most: int) -> int:
    return min(most, int(_log_uniform(rng, fewest, most + 1)))
