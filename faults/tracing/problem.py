"""What is known before a trace starts: the map, the meter, the coil, costs and priors."""

from __future__ import annotations

from dataclasses import dataclass, field

from sites.network.elements import WirePath
from sites.network.faults import Place


@dataclass(frozen=True, slots=True)
class Meter:
    """A milliamp clamp meter: one gain within ± percent, each reading within ± counts."""

    percent: float = 1.0
    counts: float = 2.0
    resolution_ma: float = 1.0


@dataclass(frozen=True, slots=True)
class Costs:
    """Minutes of each act; walking is in a straight line."""

    walk_m_per_s: float = 1.2
    box_min: float = 3.0
    buried_min: float = 45.0
    controller_min: float = 4.0
    same_place_min: float = 0.5
    isolate_device_min: float = 6.0
    isolate_splice_min: float = 25.0
    isolate_segment_min: float = 60.0


@dataclass(frozen=True, slots=True)
class PlacePrior:
    """How much likelier than the usual place a place is to fail (1: as likely)."""

    at: Place
    weight: float


LEAST_FACTOR, MOST_FACTOR = 0.25, 8.0
"""How far the history of failures may weigh. Eight is three halvings: what a reading or two tell
outweighs the worst of histories, and a place is doubted no more than fourfold for having held."""


@dataclass(frozen=True, slots=True)
class PlaceHistory:
    """How often a place failed in the ``years`` it was watched before the trace, and how much
    likelier than its peers that makes it to have failed now (``factor``, within the bounds).

    ``stretch_failures``: of the stretch around it where failures gather, 0 outside of any.
    Raises ValueError for a factor out of bounds.
    """

    at: Place
    factor: float
    failures: int
    years: float
    stretch_failures: int = 0

    def __post_init__(self) -> None:
        if not LEAST_FACTOR <= self.factor <= MOST_FACTOR:
            raise ValueError(f"factor: expected {LEAST_FACTOR} to {MOST_FACTOR}")


@dataclass(frozen=True, slots=True)
class History:
    """What the history of failures said as a trace began: of which run over it, as known when
    (an ISO time), and the places of which it says anything; all others weigh as their peers."""

    run: str
    as_of: str
    places: tuple[PlaceHistory, ...] = ()


@dataclass(frozen=True, slots=True)
class SoundRecord:
    """What a leg read when it was sound, all legs on.

    ``current_ma`` leaves the controller on that leg, ``far_v`` is the voltage at its device that
    is farthest along the cable; ``coil``: with the series coil in, None where nobody wrote it
    down. ``date`` is YYYY-MM-DD.
    """

    leg: str
    current_ma: float | None = None
    coil: bool | None = None
    far_v: float | None = None
    insulation_mohm: float | None = None
    wet: bool | None = None
    date: str | None = None
    meter: str | None = None


@dataclass(frozen=True, slots=True)
class TraceProblem:
    """All that a trace starts from. ``coil_ohm`` None: the series coil is unknown.

    ``dated`` is the day of the trace, YYYY-MM-DD, from which sound records count their age;
    None: their age is not known.
    """

    path: WirePath
    coil_ohm: complex | None = None
    meter: Meter = field(default_factory=Meter)
    costs: Costs = field(default_factory=Costs)
    priors: tuple[PlacePrior, ...] = ()
    history: History | None = None
    sound_record: tuple[SoundRecord, ...] = ()
    dated: str | None = None
