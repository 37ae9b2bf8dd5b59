"""A history: places that were watched, what failed there, and what is known around it."""

from __future__ import annotations

from dataclasses import dataclass, field

from faults.recurrence.checked import RecurrenceError, checked_share
from faults.recurrence.exposure import Span, Spans
from faults.recurrence.lineage import Became
from faults.recurrence.renewal import Costs
from faults.recurrence.same_place import SamePlace

FEW_PATHS = 50
"""At most so many paths are all scanned: 999 draws can still tell one among them."""

SPLICE, SEGMENT, DEVICE, OTHER = KINDS = ("splice", "segment", "device", "other")


@dataclass(frozen=True, slots=True)
class Place:
    """One place of any revision of the map.

    ``amount``: how much of it there is, in metres for a segment, else mostly 1; ``watched``: the
    calendar span of its watch; ``off``: when it was not energised. ``peers``: whom it is compared
    with; ``levels``: its group at each level of the history, widest first. ``between``: of a
    segment the numbers of its two splices, of a device that of its splice. ``fitted``: calendar
    times when a sound part was put in; ``ends_with_failure``: failure truncation.
    """

    name: str
    kind: str
    amount: float
    watched: Span
    off: Spans
    peers: str
    levels: tuple[str, ...] = ()
    between: tuple[int, ...] = ()
    fitted: tuple[float, ...] = ()
    ends_with_failure: bool = False


@dataclass(frozen=True, slots=True)
class Failure:
    """A failure and its repair at a calendar time; ``fraction`` along a segment, where known.

    ``crew``: who mended it; ``renewed``: whether the part was replaced rather than mended.
    """

    place: int
    at: float
    fraction: float | None = None
    crew: str | None = None
    renewed: bool = False


@dataclass(frozen=True, slots=True)
class History:
    """``levels``: the names of the levels; ``path_level``: which of them is the wire path."""

    places: tuple[Place, ...]
    failures: tuple[Failure, ...]
    levels: tuple[str, ...] = ()
    path_level: int | None = None
    wet: Spans = field(default_factory=lambda: Spans.of([]))
    storm: Spans = field(default_factory=lambda: Spans.of([]))
    became: tuple[Became, ...] = ()
    time_unit: str = "days"


@dataclass(frozen=True, slots=True)
class Questions:
    """What to work out. ``q``: share of false flags; ``level``: of all limits; ``rule``: what the
    same place is; ``call_back_within``: calendar time after a repair; ``look_at_chance``: when an
    inspection is due; ``horizon``: how far ahead repair or renew looks, in calendar time;
    ``screen``: paths are scanned where their total has a p-value below it; None: all of them where
    there are at most 50, else below 0.05. ``seed``: of everything drawn, so that the same history
    gives the same answer."""

    q: float = 0.05
    level: float = 0.95
    rule: SamePlace = field(default_factory=SamePlace)
    call_back_within: float = 365.0
    look_at_chance: float = 0.2
    horizon: float = 3650.0
    costs: Costs | None = None
    screen: float | None = None
    draws: int = 999
    seed: int = 0

    def screen_of(self, paths: int) -> float:
        """The p-value below which a path's total calls for a scan; above 1: each is scanned."""
        if self.screen is not None:
            return self.screen
        return 2.0 if paths <= FEW_PATHS else 0.05

    def __post_init__(self) -> None:
        for name in ("q", "level", "look_at_chance"):
            checked_share(getattr(self, name), name)
        if self.screen is not None:
            checked_share(self.screen, "screen")
        if self.call_back_within <= 0.0 or self.horizon <= 0.0:
            raise RecurrenceError("call_back_within, horizon: expected times above 0")
