"""Small random cases for the dense posterior: trees of all shapes, readings under a random truth.

Made with the dense network, so that nothing of the project decides what is compared.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.tracing.dense_network import DenseNetwork, Document, Response
from tests.tracing.dense_posterior import Known, Observed
from tests.tracing.dense_readings import Meter, Readings

CONDUCTORS = ("AWG 10", "AWG 12", "AWG 14", "AWG 16", "AWG 18", "1.5 mm2", "2.5 mm2", "4 mm2")


@dataclass(frozen=True)
class DenseCase:
    """A survey, what was seen on it and known before, and what it was made under."""

    survey: Document
    observed: Observed
    known: Known
    truth: tuple[str, str]


def dense_case(index: int, *, coil_known: bool | None = None) -> DenseCase:
    """Case ``index``; the coil is known in even ones unless said otherwise."""
    rng = np.random.default_rng([731, index])
    survey = _survey(rng)
    network = DenseNetwork(survey)
    meter = Meter(
        percent=float(rng.choice([0.5, 1.0, 2.0])),
        counts=float(rng.choice([1.0, 2.0, 5.0])),
        resolution_ma=float(rng.choice([0.1, 1.0])),
    )
    size = 110.0 * math.exp(rng.normal(0.0, 0.3))
    coil = size * complex(np.exp(1j * math.atan(rng.choice([1.5, 2.2, 3.0]))))
    truth, seen = _truth(rng, network)
    known_coil = coil if (index % 2 == 0 if coil_known is None else coil_known) else None
    readings = _readings(rng, network, (truth, seen, coil, meter))
    looks, counts = _looks(rng, survey, seen), _counts(rng, survey)
    in_vain = (str(rng.choice(network.node_ids[1:])),) if rng.random() < 0.2 else ()
    observed = Observed(readings, looks, counts, in_vain)
    priors = {truth: 3.0} if truth[0] == "splice" and rng.random() < 0.3 else {}
    return DenseCase(survey, observed, Known(known_coil, meter, priors), truth)


def _survey(rng: np.random.Generator) -> Document:
    """2 to 8 devices on a tree, some splices bare, perhaps a loop whose joint is open."""
    devices = int(rng.integers(2, 9))
    size = devices + int(rng.integers(0, 4))
    lean = rng.choice(["straight", "bushy", "any", "star"])
    nodes: list[Document] = [_node(0, "controller", "cabinet")]
    segments: list[Document] = []
    for i in range(1, size + 1):
        nodes.append(_node(i, "device-splice", "box"))
        up = {"straight": i - 1, "bushy": (i - 1) // 2, "star": 0}.get(str(lean))
        up = int(rng.integers(0, i)) if up is None else up
        ends = (up, i) if rng.random() < 0.8 else (i, up)
        segments.append(_segment(rng, len(segments) + 1, ends))
    if rng.random() < 0.25 and size > 2:
        ends = (int(rng.integers(1, size)), size)
        joint = {"joint_open": bool(rng.random() < 0.5) or "from"}
        segments.append(_segment(rng, len(segments) + 1, ends) | joint)
    at = (
        [*range(1, size + 1)][:devices]
        if lean == "straight"
        else rng.integers(1, size + 1, devices)
    )
    path = {
        "label": "Small path",
        "frequency_hz": float(rng.choice([50.0, 60.0])),
        "source_v": float(rng.uniform(24.0, 32.0)),
        "source_ohm": [float(rng.uniform(0.1, 1.0)), float(rng.uniform(0.0, 0.4))],
        "trip_ma": float(rng.uniform(600.0, 1500.0)),
        "trip_spread": float(rng.choice([0.0, 0.03, 0.1])),
        "conductor_temp_c": float(rng.uniform(5.0, 35.0)),
        "capacitance_nf_per_km": float(rng.choice([0.0, 60.0, 150.0])),
    }
    return {
        "format": "clampline-survey/1",
        "path": path,
        "nodes": nodes,
        "segments": segments,
        "devices": [_device(rng, i + 1, int(node)) for i, node in enumerate(at)],
    }


def _node(number: int, kind: str, access: str) -> Document:
    return {"id": f"N{number}", "kind": kind, "x_m": float(number), "y_m": 0.0, "access": access}


def _segment(rng: np.random.Generator, number: int, ends: tuple[int, int]) -> Document:
    made: Document = {
        "id": f"S{number}",
        "from": f"N{ends[0]}",
        "to": f"N{ends[1]}",
        "length_m": float(np.exp(rng.uniform(math.log(5.0), math.log(400.0)))),
        "conductor": str(rng.choice(CONDUCTORS)),
    }
    return made | ({"reactance_ohm_per_km": 0.12} if rng.random() < 0.3 else {})


def _device(rng: np.random.Generator, number: int, node: int) -> Document:
    made: Document = {
        "id": f"D{number}",
        "node": f"N{node}",
        "kind": "decoder",
        "draw_ma": float(np.exp(rng.uniform(math.log(0.4), math.log(20.0)))),
    }
    return made | ({"power_factor": 0.8} if rng.random() < 0.2 else {})


def _truth(rng: np.random.Generator, network: DenseNetwork) -> tuple[tuple[str, str], Response]:
    kind = str(rng.choice(["device", "splice", "segment", "unmapped", "none"], p=_OF_KIND))
    nodes = network.node_ids[1:]
    segments = [name for what, name in network.number if what == "middle"]
    choices = {"device": list(network.device), "segment": segments, "none": [""]}
    truth = (kind, str(rng.choice(choices.get(kind, nodes))))
    scale = np.array([math.exp(rng.normal(0.0, 0.35)) if rng.random() < 0.85 else 0.0])
    if kind == "none":
        return truth, network.sound(np.maximum(scale, 0.5))
    node = network.device[truth[1]][0] if kind == "device" else truth[1]
    at = network.number["middle" if kind == "segment" else "node", node]
    ohm = np.exp(rng.uniform(math.log(0.05), math.log(60.0), 1))
    return truth, network.shorted(at, ohm, scale, network.inverses(scale))


_OF_KIND = (0.35, 0.2, 0.25, 0.1, 0.1)


def _readings(
    rng: np.random.Generator,
    network: DenseNetwork,
    made: tuple[tuple[str, str], Response, complex, Meter],
) -> tuple[Document, ...]:
    """None to six readings, most of the time the reference first; one in twelve is a slip."""
    truth, seen, coil, meter = made
    wires = [("segment", node, wire) for node, wire in network.half_at]
    wires += [("lead", node, name) for name, (node, _) in network.device.items()]
    wires += [("unmapped", node, "") for node in network.node_ids[1:3]]
    if truth[0] == "unmapped":
        wires.append(("unmapped", truth[1], ""))
    count = int(rng.integers(0, 7))
    picked = [wires[int(rng.integers(0, len(wires)))] for _ in range(count)]
    if count and rng.random() < 0.8:
        picked[0] = ("reference", network.root, "")
    keys = ("kind", "node", "wire")
    rows = [dict(zip(keys, wire, strict=True)) | {"current_ma": 1.0} for wire in picked]
    rows = [row | {"at_min": 7.0 * i + float(rng.uniform(1, 6))} for i, row in enumerate(rows)]
    if not rows:
        return ()
    share = Readings(network, rows, meter, coil).shares(seen, truth).t[:, 0]
    z_source = complex(*network.path["source_ohm"])
    a0 = 1000.0 * network.path["source_v"] / abs(z_source + coil + 1.0 / seen.total[0])
    gain = 1.0 + 0.01 * meter.percent * rng.uniform(-1, 1) + rng.normal(0.0, 0.01)
    for row, t in zip(rows, share, strict=True):
        value = a0 * gain * t + meter.counts * meter.resolution_ma * rng.uniform(-1, 1)
        if rng.random() < 1 / 12:
            value = rng.choice([0.0, value / 10.0, rng.uniform(0.0, a0)])
        steps = round(max(0.0, value) / meter.resolution_ma)
        row["current_ma"] = float(round(steps * meter.resolution_ma, 6))
    return tuple(rows)


def _looks(rng: np.random.Generator, survey: Document, seen: Response) -> tuple[Any, ...]:
    path = survey["path"]
    loop = complex(*path["source_ohm"]) + 1.0 / seen.total[0]
    over = 1000.0 * path["source_v"] / abs(loop) / path["trip_ma"]
    looks = []
    for _ in range(int(rng.integers(0, 3))):
        none = bool(rng.random() < 0.3)
        shown = not none and over * (1.0 + 0.05 * rng.normal()) > 1.0
        looks.append({"shown": bool(shown), "legs_on": [] if none else None})
    return tuple(looks)


def _counts(rng: np.random.Generator, survey: Document) -> tuple[Any, ...]:
    if rng.random() < 0.6:
        return ()
    node = str(rng.choice([n["id"] for n in survey["nodes"][1:]]))
    ends = [s[e] for s in survey["segments"] for e in ("from", "to")]
    there = ends.count(node) + sum(d["node"] == node for d in survey["devices"])
    return ({"node": node, "seen": there + int(rng.choice([0, 0, 0, 1, 1, -1]))},)
