"""Small invented paths by name, and ways to build more. Resistances are loop, out and back.

straight     N0 -S1- N1 -S2- N2 -S3- N3 -S4- N4          a device at each node but N0

branching    N0 -S1- N1 -S2- N2 -S3- N3
                      |       `-S4- N4
                      `-S5- N5 -S6- N6                   and a second leg N0 -S7- N7

ring         N0 -S1- N1 -S2- N2
                      |       |                           N5 hangs on N4
                     S5      S3
                      |       |
                     N4 -S4- N3

twins        N0 -S1- N1 =S2,S3= N2 -S4- N3                S2 and S3 are parallel
                      `------- S5 -------'
"""

from __future__ import annotations

from dataclasses import replace

from sites.network.conductors import loop_ohm_per_km
from sites.network.elements import Device, Node, Segment, WirePath

STRAIGHT = ((0, 1), (1, 2), (2, 3), (3, 4))
BRANCHING = ((0, 1), (1, 2), (2, 3), (2, 4), (1, 5), (5, 6), (0, 7))
RING = ((0, 1), (1, 2), (2, 3), (4, 3), (1, 4), (4, 5))
TWINS = ((0, 1), (1, 2), (1, 2), (2, 3), (1, 3))

AWG_14_LOOP_OHM_PER_M = loop_ohm_per_km("AWG 14") / 1000.0


def node(number: int) -> Node:
    kind = "controller" if number == 0 else "device-splice"
    return Node(f"N{number}", kind, 30.0 * number, 0.0, "box" if number else "cabinet")


def span(number: int, ends: tuple[int, int], loop_ohm: complex) -> Segment:
    """A segment of a given loop impedance: AWG 14 at 20 °C, as long as that takes."""
    length_m = loop_ohm.real / AWG_14_LOOP_OHM_PER_M
    per_km = loop_ohm.imag / 2.0 / (length_m / 1000.0) if loop_ohm.imag else 0.0
    one, other = ends
    return Segment(
        f"S{number}", f"N{one}", f"N{other}", length_m, "AWG 14", reactance_ohm_per_km=per_km
    )


def load(number: int, at: int, ohm: complex, source_v: float) -> Device:
    """A device that is this impedance."""
    return Device(
        f"D{number}",
        f"N{at}",
        "other",
        1000.0 * source_v / abs(ohm),
        power_factor=ohm.real / abs(ohm),
    )


def network(
    spans: list[tuple[tuple[int, int], complex]],
    loads: list[tuple[int, complex]],
    source_v: float = 1.0,
    source_ohm: complex = 0j,
) -> WirePath:
    """A path from loop impedances of spans and impedances of loads, ideal source by default."""
    numbers = range(1 + max([0, *(number for ends, _ in spans for number in ends)]))
    return WirePath(
        label="closed form",
        frequency_hz=60.0,
        source_v=source_v,
        source_ohm=source_ohm,
        trip_ma=1500.0,
        nodes=tuple(node(number) for number in numbers),
        segments=tuple(span(k, ends, ohm) for k, (ends, ohm) in enumerate(spans, 1)),
        devices=tuple(load(k, at, ohm, source_v) for k, (at, ohm) in enumerate(loads, 1)),
    )


def field_path(edges: tuple[tuple[int, int], ...]) -> WirePath:
    """A path of lengths and draws as on the ground, mixed conductors and power factors."""
    conductors = ("AWG 14", "AWG 12", "2.5 mm2", "AWG 16")
    numbers = range(1 + max(number for ends in edges for number in ends))
    return WirePath(
        label="field path",
        frequency_hz=60.0,
        source_v=28.0,
        source_ohm=0.4 + 0.1j,
        trip_ma=1500.0,
        conductor_temp_c=27.0,
        nodes=tuple(node(number) for number in numbers),
        segments=tuple(
            Segment(
                f"S{k}",
                f"N{one}",
                f"N{other}",
                40.0 + 35.0 * k,
                conductors[k % 4],
                reactance_ohm_per_km=0.35 * (k % 2),
            )
            for k, (one, other) in enumerate(edges, 1)
        ),
        devices=tuple(
            Device(
                f"D{number}",
                f"N{number}",
                "decoder",
                2.0 + 3.0 * number,
                power_factor=1.0 if number % 2 else 0.8,
            )
            for number in numbers
            if number
        ),
    )


def with_open_joint(path: WirePath, segment_id: str, end: str = "to") -> WirePath:
    """The path with one joint open at an end of a segment."""
    segments = tuple(
        replace(segment, joint_open=end) if segment.id == segment_id else segment  # type: ignore[arg-type]
        for segment in path.segments
    )
    return replace(path, segments=segments)
