"""Random surveys with a known short, as rehearsal documents, for the second field.

The numbers that say whether a case may stand (voltage at the lowest device, current of the
faulted path) are taken on the ground itself, not on the map.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.second_field.ground import Ground
from tests.second_field.ladder import NotSettled
from tests.second_field.layout import SHAPES, Layout, Spot, lay_path
from tests.second_field.places import Document
from tests.second_field.truth import Hookup

FEWEST, MOST = 6, 400
LOWEST_V = 18.0
SOUND_SHARE_OF_TRIP = 0.7
LEAST_FAULTED = 1.05
DRAWS_OF_A_FAULT = 60
MINUTES = {"device": 6.0, "splice": 25.0, "segment": 60.0}


@dataclass(frozen=True, slots=True)
class Case:
    """A rehearsal document and what is true of it; the ground is `Ground(document, seed)`."""

    document: Document
    seed: int
    shape: str
    devices: int
    faulted_ma: float
    sound_ma: float
    lowest_v: float
    redrawn: int

    @property
    def truth(self) -> Document:
        """Where the short is, as the document writes it."""
        at: Document = self.document["faults"][0]["at"]
        return at


def case_of(
    seed: int, *, unmapped: bool = False, trip_ratio: tuple[float, float] | None = None
) -> Case:
    """The case of this seed. Cost: some 5 to 100 solves.

    `unmapped`: the short hangs at a splice on a cable that the map does not know.
    `trip_ratio`: the trip current is set so that the faulted current is within these multiples
    of it, instead of at least 1.05 of a given one.
    """
    rng = np.random.default_rng([seed, 10])
    redrawn = 0
    while True:
        survey, shape = _survey(rng)
        settled = _made_to_work(survey, seed)
        if settled is not None:
            sound_ma, lowest_v = settled
            document, faulted_ma, tries = _with_fault(survey, seed, rng, unmapped)
            redrawn += tries
            if trip_ratio is not None:
                trip_ma = round(faulted_ma / float(rng.uniform(*trip_ratio)))
                survey["path"]["trip_ma"] = float(trip_ma)
            else:
                trip_ma = survey["path"]["trip_ma"]
            far_enough = trip_ratio is not None or faulted_ma >= LEAST_FAULTED * trip_ma
            if far_enough and sound_ma <= SOUND_SHARE_OF_TRIP * trip_ma:
                decoders = sum(dev["kind"] != "arrester" for dev in survey["devices"])
                return Case(
                    document, seed, shape, decoders, faulted_ma, sound_ma, lowest_v, redrawn
                )
        redrawn += 1


def line_current_ma(ground: Ground, *, faulted: bool) -> float:
    """Current without coil at the nominal voltage, in mA."""
    hookup = Hookup(line_v=float(ground.path["source_v"]), fault_there=faulted)
    return 1000.0 * abs(ground.flow(hookup).controller_a)


def _survey(rng: np.random.Generator) -> tuple[Document, str]:
    shape = str(rng.choice(SHAPES))
    count = round(float(np.exp(rng.uniform(np.log(FEWEST), np.log(MOST + 0.49)))))
    # Many devices stand close together on a path that works: a straight 400 at 60 m would
    # be 24 km of cable.
    widest = min(60.0, max(6.0, 6000.0 / count))
    spacing_m = float(np.exp(rng.uniform(np.log(5.0), np.log(widest))))
    layout = lay_path(shape, count, spacing_m, rng)
    path = {
        "label": "Invented path",
        "topology": "tree",
        "frequency_hz": float(rng.choice([50.0, 60.0])),
        "source_v": round(float(rng.uniform(25.0, 32.0)), 1),
        "source_ohm": [
            round(float(rng.uniform(0.2, 0.8)), 2),
            round(float(rng.uniform(0, 0.3)), 2),
        ],
        "trip_ma": float(round(float(rng.uniform(800.0, 1500.0)))),
        "trip_spread": 0.05,
        "conductor_temp_c": 20.0,
        "earth_reference_ohm": None,
    }
    nodes, segments = _cables(layout, rng)
    survey = {"format": "clampline-survey/1", "path": path, "nodes": nodes, "segments": segments}
    survey["devices"] = _devices(layout, rng)
    return survey, shape


def _cables(layout: Layout, rng: np.random.Generator) -> tuple[list[Document], list[Document]]:
    spots = layout.spots
    degree = [0] * len(spots)
    segments: list[Document] = []
    for number, spot in enumerate(spots[1:], start=1):
        degree[number] += 1
        degree[spot.parent] += 1
        ends = [f"N{spot.parent}", f"N{number}"]
        if rng.random() < 0.1:
            ends.reverse()
        segments.append(
            {
                "id": f"S{number}",
                "from": ends[0],
                "to": ends[1],
                "length_m": spot.length_m,
                "conductor": spot.conductor,
            }
        )
    nodes = [_node(number, spot, degree[number], rng) for number, spot in enumerate(spots)]
    if len(spots) > 8 and rng.random() < 0.06:
        segments.append(_open_tie(spots, rng))
    return nodes, segments


def _node(number: int, spot: Spot, degree: int, rng: np.random.Generator) -> Document:
    if number == 0:
        kind, buried = "controller", 0.0
    elif spot.devices:
        kind, buried = "device-splice", 0.0
    else:
        kind = {1: "cable-end", 2: "inline-splice"}.get(degree, "branch-splice")
        buried = {"cable-end": 0.3, "inline-splice": 0.8, "branch-splice": 0.2}[kind]
    access = "cabinet" if number == 0 else "buried" if rng.random() < buried else "box"
    return {"id": f"N{number}", "kind": kind, "x_m": spot.x_m, "y_m": spot.y_m, "access": access}


def _open_tie(spots: list[Spot], rng: np.random.Generator) -> Document:
    """A cable that would close a loop, with its joint open, as it should be when tracing."""
    one, two = rng.choice(np.arange(1, len(spots)), 2, replace=False).tolist()
    apart = np.hypot(spots[one].x_m - spots[two].x_m, spots[one].y_m - spots[two].y_m)
    return {
        "id": "TIE1",
        "from": f"N{one}",
        "to": f"N{two}",
        "length_m": round(float(apart) * 1.05 + 1.0, 1),
        "conductor": "AWG 14",
        "joint_open": True,
    }


def _devices(layout: Layout, rng: np.random.Generator) -> list[Document]:
    models = np.exp(rng.uniform(np.log(0.4), np.log(6.0), int(rng.integers(1, 4))))
    with_sensors, with_arresters = rng.random() < 0.3, rng.random() < 0.4
    devices: list[Document] = []

    def add(node: int, kind: str, draw_ma: float) -> None:
        name = f"D{len(devices) + 1}"
        row: dict[str, Any] = {"id": name, "node": f"N{node}", "kind": kind}
        devices.append({**row, "draw_ma": round(draw_ma, 2)})

    for number, spot in enumerate(layout.spots):
        for _ in range(spot.devices):
            if with_sensors and rng.random() < 0.05:
                add(number, "sensor", float(rng.uniform(2.0, 6.0)))
            else:
                add(number, "decoder", float(rng.choice(models)))
        if with_arresters and spot.devices and rng.random() < 0.04:
            add(number, "arrester", 0.0)
    return devices


def _made_to_work(survey: Document, seed: int) -> tuple[float, float] | None:
    """Shrink draws until the sound path works; its current in mA and its lowest voltage."""
    for _ in range(14):
        ground = Ground({"survey": survey}, seed)
        hookup = Hookup(line_v=float(survey["path"]["source_v"]), fault_there=False)
        try:
            flow = ground.flow(hookup)
        except NotSettled:
            lowest_v, sound_ma = 0.0, float("inf")
        else:
            lowest_v = min(flow.device_voltages())
            sound_ma = 1000.0 * abs(flow.controller_a)
        if lowest_v >= LOWEST_V and sound_ma <= SOUND_SHARE_OF_TRIP * survey["path"]["trip_ma"]:
            return sound_ma, lowest_v
        for device in survey["devices"]:
            if device["draw_ma"]:
                device["draw_ma"] = max(0.4, round(0.8 * device["draw_ma"], 2))
    return None


def _with_fault(
    survey: Document, seed: int, rng: np.random.Generator, unmapped: bool
) -> tuple[Document, float, int]:
    """The document with a short that the controller shows, the current, and draws thrown away."""
    coil = float(rng.uniform(60.0, 200.0)), float(rng.uniform(1.5, 3.0))
    resistance = coil[0] / float(np.hypot(1.0, coil[1]))
    document: Document = {
        "format": "clampline-rehearsal/1",
        "survey": survey,
        "series_coil_ohm": [round(resistance, 2), round(resistance * coil[1], 2)],
        "coil_known": False,
        "meter": {"percent": 1.0, "counts": 2, "resolution_ma": 1.0, "seed": seed},
        "costs": {
            "walk_m_per_s": 1.2,
            "box_min": 3.0,
            "buried_min": 45.0,
            "controller_min": 4.0,
            "same_place_min": 0.5,
            "isolate_min": dict(MINUTES),
        },
    }
    faulted_ma = 0.0
    for tries in range(DRAWS_OF_A_FAULT):
        document["faults"] = [_fault(survey, rng, unmapped)]
        faulted_ma = line_current_ma(Ground(document, seed), faulted=True)
        if faulted_ma >= LEAST_FAULTED * survey["path"]["trip_ma"]:
            return document, faulted_ma, tries
    return document, faulted_ma, DRAWS_OF_A_FAULT


def _fault(survey: Document, rng: np.random.Generator, unmapped: bool) -> Document:
    splices = [node["id"] for node in survey["nodes"] if node["kind"].endswith("-splice")]
    kind = (
        "unmapped"
        if unmapped
        else str(rng.choice(["device", "splice", "segment"], p=[0.5, 0.3, 0.2]))
    )
    at: Document
    if kind == "device":
        at = {"device": survey["devices"][int(rng.integers(len(survey["devices"])))]["id"]}
    elif kind == "segment":
        joined = [seg["id"] for seg in survey["segments"] if not seg.get("joint_open", False)]
        fraction = round(float(rng.uniform(0.05, 0.95)), 3)
        at = {"segment": joined[int(rng.integers(len(joined)))], "fraction": fraction}
    else:
        at = {kind: splices[int(rng.integers(len(splices)))]}
    ohm = float(np.exp(rng.uniform(np.log(0.5), np.log(20.0))))
    return {"kind": "short", "at": at, "resistance_ohm": round(ohm, 2)}
