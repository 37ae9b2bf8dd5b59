"""What a wire path is made of, as built: nodes, segments, devices and the source.

Lengths are metres, currents milliamperes RMS, impedances ohms at ``frequency_hz``.
A *segment* is a cable of two like conductors, ``a`` and ``b``; its two ends are named
by the nodes they reach. Everything here is data: it is checked where it enters
(``sites.forms``), and the solvers take it as given.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

NodeKind = Literal["controller", "device-splice", "branch-splice", "inline-splice", "cable-end"]
Access = Literal["cabinet", "box", "buried"]
DeviceModel = Literal["resistor", "knee", "power"]
End = Literal["from", "to"]
Topology = Literal["tree", "meshed"]


@dataclass(frozen=True, slots=True)
class SpliceFacts:
    """What is known of how a splice was made; nothing in it changes a current."""

    connector: str | None = None
    made: str | None = None
    by_crew: str | None = None


@dataclass(frozen=True, slots=True)
class Node:
    """A place on the path where conductors can be reached."""

    id: str
    kind: NodeKind
    x_m: float
    y_m: float
    access: Access
    splice: SpliceFacts | None = None


@dataclass(frozen=True, slots=True)
class Segment:
    """A cable between two nodes. ``joint_open`` names the end whose two conductors are apart."""

    id: str
    from_node: str
    to_node: str
    length_m: float
    conductor: str
    joint_open: End | None = None
    reactance_ohm_per_km: float = 0.0
    length_known: str | None = None
    laid_year: int | None = None
    output: str | None = None


@dataclass(frozen=True, slots=True)
class Device:
    """What hangs across the two conductors at a node, through a lead of no length.

    ``resistor``: impedance ``source_v / draw``, turned by ``power_factor`` (lagging).
    ``knee``: constant current ``draw_ma`` at and above ``knee_v``, resistive below.
    ``power``: constant apparent power ``source_v * draw``. ``off_below_v``: draws nothing below.
    """

    id: str
    node: str
    kind: str
    draw_ma: float
    model: DeviceModel = "resistor"
    knee_v: float | None = None
    off_below_v: float | None = None
    power_factor: float = 1.0
    outputs: int | None = None
    active_ma: float | None = None
    model_name: str | None = None
    installed: str | None = None
    stations: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Anchor:
    """Where x = y = 0 lies (WGS 84 degrees) and where the y axis points."""

    lat: float
    lon: float
    bearing_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class PathLimits:
    """What the user allows: the least voltage at a device, the most current at the controller."""

    min_device_v: float | None = None
    max_current_ma: float | None = None


@dataclass(frozen=True, slots=True)
class WirePath:
    """The two-wire network that hangs on one controller."""

    label: str
    frequency_hz: float
    source_v: float
    source_ohm: complex
    trip_ma: float
    nodes: tuple[Node, ...]
    segments: tuple[Segment, ...]
    devices: tuple[Device, ...]
    topology: Topology | None = None
    conductor_temp_c: float = 20.0
    earth_reference_ohm: float | None = None
    anchor: Anchor | None = None
    limits: PathLimits = field(default_factory=PathLimits)
    capacitance_nf_per_km: float = 0.0
    trip_spread: float = 0.0

    @property
    def controller(self) -> Node:
        """The one node of kind ``controller``."""
        return next(node for node in self.nodes if node.kind == "controller")
