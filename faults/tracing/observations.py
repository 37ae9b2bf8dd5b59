"""What the field sends back: one frozen dataclass for each kind of observation.

Currents are milliamperes RMS. ``at_min`` is the minute of the trace at which it was done;
None: the time that the costs give. ``legs_on`` None: all legs; ``()``: none of them, the
controller alone. What an observation means, and when it is legal, is told elsewhere
(``rig``); here is only what was said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal, TypeAlias

from sites.network.elements import End
from sites.network.faults import Place

Joint: TypeAlias = tuple[str, End]
"""A joint: (segment id, which of its ends)."""

ClampedConductor = Literal["a", "b", "both"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Power:
    """The controller was switched on, or off and proved dead."""

    do: ClassVar[str] = "power"
    on: bool
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenJoints:
    """Both conductors were taken apart at these segment ends."""

    do: ClassVar[str] = "open_joints"
    done: tuple[Joint, ...]
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseJoints:
    """Both conductors were joined again at these segment ends."""

    do: ClassVar[str] = "close_joints"
    done: tuple[Joint, ...]
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """Whether the controller showed its overcurrent message with these legs on, coil out."""

    do: ClassVar[str] = "message"
    shown: bool
    legs_on: tuple[str, ...] | None = None
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FitCoil:
    """The series coil was put in, or taken out."""

    do: ClassVar[str] = "fit_coil"
    fitted: bool
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """The current that leaves the controller, coil in."""

    do: ClassVar[str] = "reference"
    current_ma: float
    legs_on: tuple[str, ...] | None = None
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Clamp:
    """One wire clamped at a node.

    ``wire`` is a segment or device id, None for a wire that is not on the map (``seen_as`` says
    what it looked like). ``conductor`` None: not known which. ``both``: the two in one jaw, so
    only leakage is seen. ``cables_seen``: cables and leads counted there.
    """

    do: ClassVar[str] = "clamp"
    node: str
    wire: str | None
    current_ma: float
    conductor: ClampedConductor | None = None
    seen_as: str | None = None
    cables_seen: int | None = None
    legs_on: tuple[str, ...] | None = None
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TagReading:
    """The current in a wire that is known by the tag tied to it."""

    tag: str
    current_ma: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ClampSet:
    """All wires of a box that cannot be told apart, each by its tag."""

    do: ClassVar[str] = "clamp_set"
    node: str
    readings: tuple[TagReading, ...]
    cables_seen: int | None = None
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PathOff:
    """A wire clamped with this path switched off: another path's current, or pick-up."""

    do: ClassVar[str] = "path_off"
    node: str
    wire: str
    current_ma: float
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Isolate:
    """A device, splice, segment or unmapped thing was taken out, the path rejoined past it."""

    do: ClassVar[str] = "isolate"
    at: Place
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Restore:
    """What was isolated was put back."""

    do: ClassVar[str] = "restore"
    at: Place
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Alone:
    """One device alone on the controller, coil in, clamped."""

    do: ClassVar[str] = "alone"
    at: Place
    current_ma: float
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunStation:
    """Whether the message was shown while a station ran, coil out."""

    do: ClassVar[str] = "run_station"
    station: int
    shown: bool
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cannot:
    """The field cannot work at a node."""

    do: ClassVar[str] = "cannot"
    node: str
    why: str = ""
    at_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Strike:
    """The answer to an earlier step is withdrawn."""

    do: ClassVar[str] = "strike"
    step: int
    why: str = ""
    at_min: float | None = None


Observation: TypeAlias = (
    Power
    | OpenJoints
    | CloseJoints
    | Message
    | FitCoil
    | Reference
    | Clamp
    | ClampSet
    | PathOff
    | Isolate
    | Restore
    | Alone
    | RunStation
    | Cannot
    | Strike
)
