"""Invented wire paths of three shapes, for rehearsals by the thousand.

Figures are trade judgement ("common practice, no source") unless the text says otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from sites.network.elements import Access, Device, Node, NodeKind, Segment, WirePath
from sites.network.solve import solve

Shape = Literal["straight", "branching", "bushy"]
SHAPES: tuple[Shape, ...] = ("straight", "branching", "bushy")
CONDUCTORS = ("AWG 12", "AWG 14", "AWG 16", "2.5 mm2")
LEAST_DRAW_MA, MOST_DRAW_MA = 0.4, 6.0
LEAST_DEVICE_V = 20.0
MOST_SOUND_MA = 600.0
"""A sound path stays well below the least trip current that cases have (800 mA)."""

_MOST_WIRES = 4
_MOST_LEGS = 4


@dataclass(frozen=True, slots=True)
class Settling:
    """The rule a sound path keeps: lowest voltage at a device, most current, least draw."""

    least_device_v: float = LEAST_DEVICE_V
    most_sound_ma: float = MOST_SOUND_MA
    least_draw_ma: float = LEAST_DRAW_MA


@dataclass(frozen=True, slots=True)
class _Tree:
    """Parents (-1: the controller) and headings of nodes in the order they were laid."""

    parents: tuple[int, ...]
    children: tuple[int, ...]


def random_path(
    rng: np.random.Generator, shape: Shape, devices: int, *, least_draw_ma: float = LEAST_DRAW_MA
) -> WirePath:
    """A path of a shape with so many devices; it need not keep any rule yet."""
    doubled = round(0.05 * devices)
    bare = round(0.06 * devices)
    tree = _tree(rng, shape, devices - doubled + bare)
    holders, bare_nodes = _who_holds_devices(rng, tree, devices, bare)
    conductors = _conductors(rng, tree)
    nodes = [Node("N0", "controller", 0.0, 0.0, "cabinet")]
    spots = _spots(rng, tree)
    for index, (x_m, y_m) in enumerate(spots):
        kind = _kind(tree.children[index], bare=index in bare_nodes)
        nodes.append(Node(f"N{index + 1}", kind, x_m, y_m, _access(rng, kind)))
    segments = tuple(
        Segment(
            id=f"S{index + 1}",
            from_node=f"N{parent + 1}",
            to_node=f"N{index + 1}",
            length_m=_cable_m(rng, nodes[parent + 1], nodes[index + 1]),
            conductor=conductors[index],
        )
        for index, parent in enumerate(tree.parents)
    )
    return WirePath(
        label=f"{shape} path, {devices} devices",
        frequency_hz=60.0,
        source_v=28.0,
        source_ohm=0.4 + 0.1j,
        trip_ma=1000.0,
        nodes=tuple(nodes),
        segments=segments,
        devices=_devices(rng, holders, least_draw_ma),
        topology="tree",
    )


def settled(path: WirePath, rule: Settling) -> WirePath:
    """The path made to keep a rule: draws lowered to the least, then everything laid closer.

    Raises ValueError where it does not come to keep it.
    """
    for _ in range(120):
        if keeps(path, rule):
            return path
        lowest = all(d.draw_ma in (0.0, rule.least_draw_ma) for d in path.devices)
        path = closer(path, 0.85) if lowest else _drawing_less(path, rule.least_draw_ma)
    raise ValueError(f"{path.label} cannot be made to keep {rule}")


def keeps(path: WirePath, rule: Settling) -> bool:
    """Whether a sound path keeps a rule, by one solve of it without coil."""
    solution = solve(path)
    if abs(solution.controller_current_a) * 1000.0 > rule.most_sound_ma:
        return False
    nodes = {device.node for device in path.devices}
    return min(abs(solution.voltage_v(node)) for node in nodes) >= rule.least_device_v


def closer(path: WirePath, factor: float) -> WirePath:
    """The path with all distances and lengths times a factor."""
    return replace(
        path,
        nodes=tuple(
            replace(n, x_m=round(n.x_m * factor, 3), y_m=round(n.y_m * factor, 3))
            for n in path.nodes
        ),
        segments=tuple(
            # One centimetre: no shorter than the straight line after all roundings.
            replace(s, length_m=max(0.05, round(s.length_m * factor, 3) + 0.01))
            for s in path.segments
        ),
    )


def drawing(path: WirePath, draws_ma: list[float]) -> WirePath:
    """The path with other draws, in the order of its devices."""
    devices = zip(path.devices, draws_ma, strict=True)
    return replace(path, devices=tuple(replace(d, draw_ma=ma) for d, ma in devices))


def _drawing_less(path: WirePath, least_ma: float) -> WirePath:
    return drawing(
        path,
        [max(least_ma, round(d.draw_ma * 0.8, 4)) if d.draw_ma else 0.0 for d in path.devices],
    )


def _tree(rng: np.random.Generator, shape: Shape, count: int) -> _Tree:
    """Who hangs on whom: one after the other, with side branches, or anywhere."""
    astray = {"straight": 0.0, "branching": 0.12, "bushy": 1.0}[shape]
    parents: list[int] = []
    children = [0] * count
    legs = 0
    for index in range(count):
        parent = index - 1
        if index and rng.uniform() < astray:
            parent = int(rng.integers(-1, index))
            full = parent == -1 and legs >= _MOST_LEGS
            while full or (parent >= 0 and children[parent] + 1 >= _MOST_WIRES):
                parent = int(rng.integers(0, index))
                full = False
        if parent == -1:
            legs += 1
        else:
            children[parent] += 1
        parents.append(parent)
    return _Tree(tuple(parents), tuple(children))


def _who_holds_devices(
    rng: np.random.Generator, tree: _Tree, devices: int, bare: int
) -> tuple[list[int], frozenset[int]]:
    """The node of each device in order, and the nodes without any: most of them not ends."""
    count = len(tree.parents)
    weight = np.array([1.0 if c else 0.15 for c in tree.children])
    chosen = rng.choice(count, size=bare, replace=False, p=weight / weight.sum())
    bare_nodes = frozenset(int(i) for i in chosen)
    holders = [i for i in range(count) if i not in bare_nodes]
    second = rng.choice(holders, size=devices - len(holders), replace=False)
    return sorted(holders + [int(i) for i in second]), bare_nodes


def _conductors(rng: np.random.Generator, tree: _Tree) -> list[str]:
    """One conductor for the path; in three of ten a thinner one on the side branches."""
    main = str(rng.choice(CONDUCTORS))
    thin = "AWG 16" if rng.uniform() < 0.3 else main
    return [main if parent in (-1, i - 1) else thin for i, parent in enumerate(tree.parents)]


def _spots(rng: np.random.Generator, tree: _Tree) -> list[tuple[float, float]]:
    """Coordinates in metres: ways that wander on, and branches that turn off."""
    typical_m = math.exp(rng.uniform(math.log(8.0), math.log(35.0)))
    spots: list[tuple[float, float]] = []
    headings: list[float] = []
    for index, parent in enumerate(tree.parents):
        x_m, y_m = spots[parent] if parent >= 0 else (0.0, 0.0)
        heading = headings[parent] if parent >= 0 else float(rng.uniform(0.0, 2.0 * math.pi))
        heading += float(rng.normal(0.0, 0.25))
        if parent >= 0 and parent != index - 1:
            heading += math.copysign(math.pi / 2.0, float(rng.uniform(-1.0, 1.0)))
        stride_m = typical_m * math.exp(float(rng.normal(0.0, 0.3)))
        x_m += stride_m * math.cos(heading)
        y_m += stride_m * math.sin(heading)
        spots.append((round(x_m, 2), round(y_m, 2)))
        headings.append(heading)
    return spots


def _cable_m(rng: np.random.Generator, one: Node, other: Node) -> float:
    """A little more cable than the straight line, and some slack for the splices."""
    straight_m = math.hypot(one.x_m - other.x_m, one.y_m - other.y_m)
    return round(straight_m * float(rng.uniform(1.02, 1.12)) + 0.8, 2)


def _kind(children: int, *, bare: bool) -> NodeKind:
    if children > 1:
        return "branch-splice"
    if bare:
        return "inline-splice" if children else "cable-end"
    return "device-splice"


def _access(rng: np.random.Generator, kind: NodeKind) -> Access:
    """Mostly boxes; splices without a device are buried more often."""
    buried_share = 0.4 if kind in ("inline-splice", "cable-end") else 0.04
    return "buried" if rng.uniform() < buried_share else "box"


def _devices(
    rng: np.random.Generator, holders: list[int], least_draw_ma: float
) -> tuple[Device, ...]:
    """Decoders of one to three sorts, a few sensors, and an arrester now and then."""
    low, high = math.log(least_draw_ma), math.log(MOST_DRAW_MA)
    sorts = [round(math.exp(rng.uniform(low, high)), 2) for _ in range(rng.integers(1, 4))]
    sensor_ma = round(math.exp(rng.uniform(low, high)), 2)
    devices = []
    for number, holder in enumerate(holders, start=1):
        kind, draw_ma = "decoder", float(rng.choice(sorts))
        chance = rng.uniform()
        if chance < 0.02:
            kind, draw_ma = "arrester", 0.0
        elif chance < 0.08:
            kind, draw_ma = "sensor", sensor_ma
        devices.append(Device(f"D{number}", f"N{holder + 1}", kind, draw_ma))
    return tuple(devices)
