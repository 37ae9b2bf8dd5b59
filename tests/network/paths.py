"""Hypothesis strategies for paths and conditions, small and of every shape."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from hypothesis import strategies as st

from sites.network.elements import Device, Segment, WirePath
from sites.network.faults import Condition, Fault, Place
from tests.network.named_networks import node

CONDUCTORS = ("AWG 10", "AWG 12", "AWG 14", "AWG 16", "AWG 18", "1.5 mm2", "2.5 mm2", "6 mm2")
Shape = Literal["tree", "any"]


@st.composite
def wire_paths(draw: st.DrawFn, shape: Shape = "any", *, linear: bool = True) -> WirePath:
    """A path of 1 to 12 nodes: a tree, or with up to three more segments and an open joint."""
    count = draw(st.integers(1, 12))
    ends = [(draw(st.integers(0, k - 1)), k) for k in range(1, count)]
    if shape == "any" and count > 1:
        for _ in range(draw(st.integers(0, 3))):
            one = draw(st.integers(0, count - 2))
            ends.append((one, draw(st.integers(one + 1, count - 1))))
    segments = tuple(draw(_segments(k, pair)) for k, pair in enumerate(ends, 1))
    devices = tuple(
        draw(_devices(k, linear=linear)) for k in range(count) if draw(st.integers(0, 3))
    )
    return WirePath(
        label="drawn",
        frequency_hz=draw(st.sampled_from((50.0, 60.0))),
        source_v=draw(st.sampled_from((24.0, 28.0, 33.0))),
        source_ohm=complex(draw(st.floats(0.0, 2.0)), draw(st.floats(0.0, 1.0))),
        trip_ma=1500.0,
        nodes=tuple(node(k) for k in range(count)),
        segments=segments,
        devices=devices,
        conductor_temp_c=draw(st.floats(-10.0, 45.0)),
        capacitance_nf_per_km=draw(st.sampled_from((0.0, 0.0, 100.0, 2000.0))),
    )


@st.composite
def _segments(draw: st.DrawFn, number: int, ends: tuple[int, int]) -> Segment:
    one, other = ends if draw(st.booleans()) else ends[::-1]
    return Segment(
        f"S{number}",
        f"N{one}",
        f"N{other}",
        draw(st.floats(0.5, 900.0)),
        draw(st.sampled_from(CONDUCTORS)),
        joint_open=draw(st.sampled_from((None,) * 8 + ("from", "to"))),
        reactance_ohm_per_km=draw(st.sampled_from((0.0, 0.3))),
    )


@st.composite
def _devices(draw: st.DrawFn, number: int, *, linear: bool) -> Device:
    device = Device(
        f"D{number}",
        f"N{number}",
        "decoder",
        draw(st.floats(0.0, 40.0)),
        power_factor=draw(st.sampled_from((1.0, 0.9, 0.6))),
    )
    if not linear and draw(st.booleans()):
        return replace(device, model="knee", knee_v=draw(st.floats(5.0, 26.0)))
    return device


@st.composite
def conditions(
    draw: st.DrawFn, path: WirePath, kinds: tuple[str, ...] = ("short",), most: int = 3
) -> Condition:
    """Coil in or out, up to ``most`` faults of these kinds anywhere, legs off, joints apart."""
    faults = tuple(draw(_faults(path, kinds)) for _ in range(draw(st.integers(0, most))))
    legs = [s.id for s in path.segments if path.controller.id in (s.from_node, s.to_node)]
    off = frozenset(leg for leg in legs if draw(st.integers(0, 7)) == 0)
    apart = frozenset(
        (segment.id, draw(st.sampled_from(("from", "to"))))
        for segment in path.segments
        if draw(st.integers(0, 11)) == 0
    )
    coil = draw(st.sampled_from((None, 40.0 + 100.0j, 60.0 + 110.0j)))
    return Condition(coil_ohm=coil, faults=faults, legs_off=off, joints_open=apart)


@st.composite
def _faults(draw: st.DrawFn, path: WirePath, kinds: tuple[str, ...]) -> Fault:
    places = [Place("splice", n.id) for n in path.nodes]
    places += [Place("device", d.id) for d in path.devices]
    places += [Place("segment", s.id) for s in path.segments]
    return Fault(
        draw(st.sampled_from(kinds)),  # type: ignore[arg-type]
        draw(st.sampled_from(places)),
        10.0 ** draw(st.floats(-1.5, 2.5)),
        draw(st.sampled_from(("a", "b"))),
        draw(st.floats(0.02, 0.98)),
    )
