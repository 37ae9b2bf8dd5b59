"""Small invented paths with loops, open joints and buried places, and what must be off on them."""

from __future__ import annotations

import numpy as np

from faults.restore.problem import RestoreProblem
from sites.network.elements import Access, Device, End, Node, PathLimits, Segment, WirePath
from sites.network.faults import Place


def small_problem(
    seed: int, *, most_nodes: int = 10, limits: bool = False, few: bool = False
) -> RestoreProblem:
    """A tree of 3 to ``most_nodes`` nodes with up to two cables more, some of them open."""
    rng = np.random.default_rng([53, seed])
    # The least of two draws: trying everything takes long on the largest.
    count = int(rng.integers(3, most_nodes + 1, 2).min())
    access: list[Access] = ["cabinet", *(rng.choice(["box", "box", "buried"], count - 1))]
    nodes = tuple(
        Node(
            f"N{k}",
            "controller" if k == 0 else "device-splice",
            float(rng.uniform(0, 300)),
            float(rng.uniform(0, 300)),
            access[k],
        )
        for k in range(count)
    )
    pairs = [(int(rng.integers(0, k)), k) for k in range(1, count)]
    for _ in range(int(rng.integers(0, 2 if few else 3))):
        one, other = rng.choice(count, 2, replace=False)
        pairs.append((int(one), int(other)))
    segments = []
    for number, (one, other) in enumerate(pairs, start=1):
        extra = number >= count
        joint: End | None = None
        if extra and rng.uniform() < 0.5:
            joint = "to" if rng.uniform() < 0.5 else "from"
        length_m = round(float(rng.uniform(20, 250)), 1)
        segments.append(Segment(f"S{number}", f"N{one}", f"N{other}", length_m, "AWG 14", joint))
    share = 0.5 if few else 0.6
    heavy = 250.0 if limits else 8.0
    devices = tuple(
        Device(
            f"D{k}",
            f"N{k}",
            "decoder",
            round(float(rng.uniform(0.3, 1.0)) * heavy, 1),
            outputs=int(rng.integers(1, 4)) if rng.uniform() < 0.4 else None,
            stations=(k, k + 20) if rng.uniform() < 0.3 else (),
        )
        for k in range(1, count)
        if rng.uniform() < share
    )
    allowed = PathLimits()
    if limits:
        least_v = float(rng.uniform(24.5, 27.5))
        allowed = PathLimits(min_device_v=least_v, max_current_ma=float(rng.uniform(200, 900)))
    path = WirePath(
        label=f"small {seed}",
        frequency_hz=60.0,
        source_v=28.0,
        source_ohm=0.4 + 0.1j,
        trip_ma=1500.0,
        nodes=nodes,
        segments=tuple(segments),
        devices=devices,
        limits=allowed,
    )
    places = [Place("segment", segment.id) for segment in segments]
    places += [Place("splice", node.id) for node in nodes[1:]]
    places += [Place("unmapped", node.id) for node in nodes[1:]]
    places += [Place("device", device.id) for device in devices]
    many = int(rng.integers(1, 3))
    picked = rng.choice(len(places), many, replace=False)
    reach: frozenset[Access] = frozenset({"cabinet", "box", "buried"})
    if rng.uniform() < 0.3:
        reach = frozenset({"cabinet", "box"})
    return RestoreProblem(path, tuple(places[int(k)] for k in picked), reach)
