"""The engine against the circuit simulator ngspice, wire by wire, both conductors.

Tolerance: 0.1 % or 0.05 mA. Trees and loops, every kind of fault at every kind of place.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from sites.network.elements import Device, WirePath
from sites.network.faults import Condition, Fault, Place
from sites.network.solve import solve
from tests.network.named_networks import (
    BRANCHING,
    RING,
    STRAIGHT,
    TWINS,
    field_path,
    with_open_joint,
)
from tests.network.spice_netlist import run_ngspice, write_netlist

pytestmark = pytest.mark.ngspice

COIL = 40.0 + 100.0j


def at(kind: str, element_id: str) -> Place:
    return Place(kind, element_id)  # type: ignore[arg-type]


def short(kind: str, element_id: str, ohm: float = 3.0, fraction: float = 0.5) -> Fault:
    return Fault("short", at(kind, element_id), ohm, fraction=fraction)


def opened(kind: str, element_id: str, conductor: str, fraction: float = 0.5) -> Fault:
    return Fault("open", at(kind, element_id), None, conductor, fraction)  # type: ignore[arg-type]


def earth(
    kind: str, element_id: str, conductor: str, ohm: float = 60.0, fraction: float = 0.5
) -> Fault:
    return Fault("earth", at(kind, element_id), ohm, conductor, fraction)  # type: ignore[arg-type]


def earthed(path: WirePath, ohm: float = 10.0) -> WirePath:
    return replace(path, earth_reference_ohm=ohm)


def charged(path: WirePath) -> WirePath:
    """With as much capacitance as makes it show: 2 µF a kilometre."""
    return replace(path, capacitance_nf_per_km=2000.0)


def rigged(*faults: Fault, coil: complex | None = COIL, **more: object) -> Condition:
    return Condition(coil_ohm=coil, faults=faults, **more)  # type: ignore[arg-type]


straight, branching = field_path(STRAIGHT), field_path(BRANCHING)
ring, twins = field_path(RING), field_path(TWINS)
opened_ring = with_open_joint(ring, "S3")

CASES: dict[str, tuple[WirePath, Condition]] = {
    "sound straight": (straight, rigged(coil=None)),
    "sound branching, coil": (branching, rigged()),
    "sound ring": (ring, rigged(coil=None)),
    "sound ring, charged, coil": (charged(ring), rigged()),
    "twins, charged": (charged(twins), rigged()),
    "open joint leaves a charged stub": (charged(opened_ring), rigged(coil=None)),
    "joint closed again": (opened_ring, rigged(joints_closed=frozenset({("S3", "to")}))),
    "joint opened, from end": (charged(ring), rigged(joints_open=frozenset({("S5", "from")}))),
    "leg off": (charged(branching), rigged(legs_off=frozenset({"S7"}))),
    "short device, tree, no coil": (branching, rigged(short("device", "D4"), coil=None)),
    "short device, ring": (ring, rigged(short("device", "D3", 0.5))),
    "short splice, tree": (branching, rigged(short("splice", "N2", 12.0))),
    "short splice, twins": (twins, rigged(short("splice", "N2", 0.05))),
    "short unmapped, tree": (branching, rigged(short("unmapped", "N5"))),
    "short unmapped, ring": (ring, rigged(short("unmapped", "N2"))),
    "short segment, tree": (charged(branching), rigged(short("segment", "S3", 2.0, 0.3))),
    "short segment, ring against direction": (ring, rigged(short("segment", "S4", 2.0, 0.2))),
    "short segment, one of twins": (twins, rigged(short("segment", "S3", 2.0, 0.8))),
    "short on the controller's splice": (straight, rigged(short("splice", "N0", 8.0))),
    "open device a, tree": (branching, rigged(opened("device", "D2", "a"))),
    "open device b, ring": (ring, rigged(opened("device", "D2", "b"))),
    "open splice a, tree": (charged(branching), rigged(opened("splice", "N2", "a"))),
    "open splice b, tree": (branching, rigged(opened("splice", "N1", "b"), coil=None)),
    "open splice a, on a ring": (charged(ring), rigged(opened("splice", "N3", "a"))),
    "open splice b, root of a ring": (ring, rigged(opened("splice", "N1", "b"))),
    "open splice a, behind a ring": (ring, rigged(opened("splice", "N5", "a"))),
    "open splice a, on a ring, its spur leaking": (
        earthed(ring),
        rigged(
            opened("splice", "N4", "a"),
            earth("device", "D5", "a", 2.0),
            short("splice", "N2", 0.5),
            coil=None,
        ),
    ),
    "open splice a, on twins": (twins, rigged(opened("splice", "N2", "a"))),
    "open splice a, at the controller": (straight, rigged(opened("splice", "N0", "a"))),
    "open segment a, tree": (charged(branching), rigged(opened("segment", "S2", "a", 0.4))),
    "open segment b, ring": (charged(ring), rigged(opened("segment", "S3", "b", 0.7))),
    "open segment a and short beyond, ring": (
        ring,
        rigged(opened("segment", "S2", "a", 0.4), short("device", "D3")),
    ),
    "open a and open b at two places of a ring": (
        ring,
        rigged(opened("segment", "S2", "a"), opened("segment", "S5", "b"), short("splice", "N3")),
    ),
    "a cut on both sides of ring nodes": (
        ring,
        rigged(opened("segment", "S2", "a"), opened("segment", "S4", "a"), coil=None),
    ),
    "earth device a, tree": (earthed(branching), rigged(earth("device", "D6", "a"))),
    "earth device b, ring": (earthed(ring), rigged(earth("device", "D4", "b"))),
    "earth splice a, ring": (earthed(charged(ring)), rigged(earth("splice", "N3", "a"))),
    "earth splice b, tree": (earthed(straight), rigged(earth("splice", "N4", "b"))),
    "earth unmapped a, tree": (earthed(straight), rigged(earth("unmapped", "N2", "a"), coil=None)),
    "earth segment a, tree": (
        earthed(branching),
        rigged(earth("segment", "S5", "a", 5.0, 0.25), coil=None),
    ),
    "earth segment b, twins": (earthed(twins), rigged(earth("segment", "S2", "b", 5.0, 0.6))),
    "earth and open in one lead": (
        earthed(straight),
        rigged(opened("device", "D3", "a"), earth("device", "D3", "b"), earth("device", "D3", "a")),
    ),
    "three faults in one segment": (
        earthed(ring),
        rigged(
            short("segment", "S3", 4.0, 0.2),
            opened("segment", "S3", "a", 0.5),
            earth("segment", "S3", "a", 9.0, 0.8),
        ),
    ),
    "earth faults on both conductors": (
        earthed(branching, 1000.0),
        rigged(earth("splice", "N3", "a", 4.0), earth("device", "D6", "b", 7.0)),
    ),
    "isolated device, its short gone": (
        branching,
        rigged(short("device", "D4"), isolated=frozenset({at("device", "D4")})),
    ),
    "isolated splice, its faults gone": (
        earthed(ring),
        rigged(
            short("splice", "N3"),
            opened("splice", "N3", "a"),
            earth("splice", "N3", "b"),
            isolated=frozenset({at("splice", "N3")}),
        ),
    ),
    "isolated segment, its faults gone": (
        straight,
        rigged(
            short("segment", "S2"),
            opened("segment", "S2", "a"),
            isolated=frozenset({at("segment", "S2")}),
        ),
    ),
    "isolated unmapped, another short stays": (
        branching,
        rigged(
            short("unmapped", "N2"),
            short("splice", "N2", 20.0),
            isolated=frozenset({at("unmapped", "N2")}),
        ),
    ),
    "isolated splice leaves the unmapped short": (
        branching,
        rigged(
            short("unmapped", "N2"),
            short("splice", "N2", 20.0),
            isolated=frozenset({at("splice", "N2")}),
        ),
    ),
}


def worst(path: WirePath, condition: Condition, folder: Path) -> tuple[float, int]:
    """Largest error as a share of what is allowed, and how many wires were compared."""
    simulated = run_ngspice(write_netlist(path, condition), folder)
    solution = solve(path, condition)
    measured: dict[tuple[str, str, str], complex] = {}
    for node_id, wire_id in solution.wires():
        outwards = _outwards(path, node_id, wire_id)
        measured[node_id, wire_id, "a"] = outwards * solution.wire_current_a(node_id, wire_id)
        measured[node_id, wire_id, "b"] = -outwards * solution.wire_current_b_a(node_id, wire_id)
    errors = [
        abs(current - simulated.get(place, 0j)) / max(1e-3 * abs(current), 0.05e-3)
        for place, current in measured.items()
    ]
    assert set(simulated) <= set(measured)
    return max(errors), len(errors)


def _outwards(path: WirePath, node_id: str, wire_id: str) -> float:
    to_here = any(s.id == wire_id and s.to_node == node_id for s in path.segments)
    return -1.0 if to_here else 1.0


@pytest.mark.parametrize("name", CASES)
def test_every_wire_agrees(name: str, tmp_path: Path) -> None:
    path, condition = CASES[name]
    error, count = worst(path, condition, tmp_path)
    assert count == 2 * (2 * len(path.segments) + len(path.devices))
    assert error < 1.0, f"{error:.2f} of what is allowed"


def test_the_cases_cover_every_fault_at_every_place_on_trees_and_loops() -> None:
    seen = {
        (fault.kind, fault.at.kind, path in (ring, twins) or len(path.segments) >= len(path.nodes))
        for path, condition in CASES.values()
        for fault in condition.faults
    }
    kinds = [
        *(("short", place) for place in ("device", "splice", "segment", "unmapped")),
        *(("open", place) for place in ("device", "splice", "segment")),
        *(("earth", place) for place in ("device", "splice", "segment")),
    ]
    for kind, place in kinds:
        for looped in (False, True):
            assert (kind, place, looped) in seen, (kind, place, looped)
    assert len(CASES) >= 24


def test_the_comparison_can_fail(tmp_path: Path) -> None:
    """A path whose AWG 12 segment is longer by 2 % is told from the one simulated."""
    condition = rigged(short("device", "D4"), coil=None)
    other = replace(
        branching,
        segments=tuple(
            replace(s, length_m=s.length_m * 1.02) if s.id == "S1" else s
            for s in branching.segments
        ),
    )
    simulated = run_ngspice(write_netlist(other, condition), tmp_path)
    current = solve(branching, condition).wire_current_a("N0", "S1")
    assert abs(current - simulated["N0", "S1", "a"]) > max(1e-3 * abs(current), 0.05e-3)


def random_case(seed: int) -> tuple[WirePath, Condition]:
    """A random path of 4 to 25 nodes, loops in half of them, with up to three faults."""
    rng = random.Random(seed)
    count = rng.randint(4, 25)
    edges = [(rng.randrange(max(0, k - rng.randint(1, 6)), k), k) for k in range(1, count)]
    for _ in range(rng.choice((0, 0, 1, 3))):
        one, other = rng.sample(range(count), 2)
        edges.append((one, other))
    edges = [pair if rng.random() < 0.7 else pair[::-1] for pair in edges]
    path = field_path(tuple(edges))
    path = replace(path, devices=tuple(_any_device(rng, device) for device in path.devices))
    path = replace(path, capacitance_nf_per_km=rng.choice((0.0, 120.0, 900.0)))
    path = earthed(path, rng.choice((0.0, 4.0, 50.0)))
    if rng.random() < 0.4:
        path = with_open_joint(path, rng.choice(path.segments).id, rng.choice(("from", "to")))
    faults = tuple(_any_fault(rng, path) for _ in range(rng.randint(1, 3)))
    isolated = frozenset({faults[0].at}) if len(faults) > 1 and rng.random() < 0.3 else frozenset()
    return path, Condition(rng.choice((None, COIL)), faults, isolated)


def _any_device(rng: random.Random, device: Device) -> Device:
    return replace(
        device,
        draw_ma=rng.choice((0.0, rng.uniform(0.4, 60.0))),
        power_factor=rng.choice((1.0, 0.85, 0.5)),
    )


def _any_fault(rng: random.Random, path: WirePath) -> Fault:
    choose: dict[str, Callable[[], str]] = {
        "device": lambda: rng.choice(path.devices).id,
        "splice": lambda: rng.choice(path.nodes).id,
        "segment": lambda: rng.choice(path.segments).id,
    }
    kind = rng.choice(("device", "splice", "segment"))
    place, fraction = choose[kind](), rng.uniform(0.05, 0.95)
    conductor = rng.choice("ab")
    ohm = 10.0 ** rng.uniform(-1.0, 2.0)
    return rng.choice(
        (
            short(kind, place, ohm, fraction),
            opened(kind, place, conductor, fraction),
            earth(kind, place, conductor, ohm, fraction),
        )
    )


@pytest.mark.parametrize("seed", range(24))
def test_random_paths_agree(seed: int, tmp_path: Path) -> None:
    error, _ = worst(*random_case(seed), tmp_path)
    assert error < 1.0, f"{error:.2f} of what is allowed"
