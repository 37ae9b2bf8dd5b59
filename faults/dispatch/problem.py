"""A planning problem: crews and their shifts, visits and what they need, what must stay.

Times are whole minutes on one absolute axis (minutes of UTC since an epoch of the caller's);
``faults.dispatch.shifts`` makes them of local clock times. Costs are told in minutes of driving.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise
from math import ceil, isfinite

from faults.dispatch.errors import DispatchError
from faults.dispatch.travel import Travel


class VisitKind(StrEnum):
    """What a visit is for. A call is promised work; the others are fitted in where they pay."""

    CALL = "call"
    SOAK_CHECK = "soak-check"
    INSPECTION = "inspection"


@dataclass(frozen=True, slots=True, order=True)
class Interval:
    """From a minute to a later one."""

    start_min: int
    stop_min: int

    def __post_init__(self) -> None:
        if self.stop_min <= self.start_min:
            raise DispatchError(
                f"interval {self.start_min}..{self.stop_min}: ends before it starts"
            )


@dataclass(frozen=True, slots=True, order=True)
class Break:
    """A rest that begins from ``earliest_min`` to ``latest_min``, wherever the crew then is.

    It is taken between visits, on the way if need be, never within one.
    """

    earliest_min: int
    latest_min: int
    minutes: int

    def __post_init__(self) -> None:
        if self.latest_min < self.earliest_min or self.minutes <= 0:
            raise DispatchError(
                f"break at {self.earliest_min}: expected earliest <= latest, > 0 min"
            )


@dataclass(frozen=True, slots=True)
class Shift:
    """One crew's working time, from the base (or where the crew is) back to the base."""

    start_min: int
    stop_min: int
    breaks: tuple[Break, ...] = ()

    def __post_init__(self) -> None:
        if self.stop_min <= self.start_min:
            raise DispatchError(f"shift {self.start_min}..{self.stop_min}: ends before it starts")
        if any(not self.start_min <= b.earliest_min < self.stop_min for b in self.breaks):
            raise DispatchError(f"shift at {self.start_min}: a break begins outside of it")
        if list(self.breaks) != sorted(self.breaks):
            raise DispatchError(f"shift at {self.start_min}: breaks are not in order of time")


@dataclass(frozen=True, slots=True)
class Crew:
    """People with a vehicle. ``parts``: how many of each part are aboard at a shift's start.

    ``position``: where the crew is now, if that is known; a shift that has begun starts there.
    """

    name: str
    base: str
    shifts: tuple[Shift, ...]
    people: int = 1
    skills: frozenset[str] = frozenset()
    tools: frozenset[str] = frozenset()
    parts: Mapping[str, int] = field(default_factory=dict)
    position: str | None = None

    def __post_init__(self) -> None:
        for one, other in pairwise(self.shifts):
            if other.start_min < one.stop_min:
                raise DispatchError(f"crew {self.name}: shifts overlap or are not in order")


@dataclass(frozen=True, slots=True)
class Minutes:
    """How long the work takes: half of such jobs take at most ``p50``, nine of ten ``p90``."""

    p50: float
    p90: float

    def __post_init__(self) -> None:
        if not (isfinite(self.p90) and 0.0 <= self.p50 <= self.p90):
            raise DispatchError(f"minutes: expected 0 <= P50 <= P90, not {self.p50} and {self.p90}")

    def planned(self, margin: float) -> int:
        """Whole minutes kept free: P50 and a share ``margin`` of the way to P90."""
        return ceil(self.p50 + margin * (self.p90 - self.p50) - 1e-9)


@dataclass(frozen=True, slots=True)
class Promise:
    """The crew was promised to come from ``from_min`` (none: at any time) until ``by_min``."""

    by_min: int
    from_min: int | None = None

    def __post_init__(self) -> None:
        if self.from_min is not None and self.from_min > self.by_min:
            raise DispatchError(f"promise by {self.by_min}: begins after it ends")


@dataclass(frozen=True, slots=True)
class Visit:
    """Work at a place.

    ``access``: when people may be there; the work starts and ends within one of the intervals;
    none: at any time. ``stations_dry``: stations without water until the work is done.
    ``value``: minutes of driving it is worth to do it in this plan at all, beside what dry
    stations and promises add.
    """

    name: str
    place: str
    minutes: Minutes
    access: tuple[Interval, ...] = ()
    earliest_min: int | None = None
    promise: Promise | None = None
    stations_dry: int = 0
    value: float = 480.0
    kind: VisitKind = VisitKind.CALL
    people: int = 1
    skills: frozenset[str] = frozenset()
    tools: frozenset[str] = frozenset()
    parts: Mapping[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.stations_dry < 0 or not (isfinite(self.value) and self.value >= 0.0):
            raise DispatchError(f"visit {self.name}: expected stations_dry and value of at least 0")
        if any(number < 0 for number in self.parts.values()):
            raise DispatchError(f"visit {self.name}: a number of parts is below 0")


@dataclass(frozen=True, slots=True)
class Started:
    """A visit at which the crew has been since ``start_min``; ``minutes`` count from then."""

    visit: str
    crew: str
    start_min: int


@dataclass(frozen=True, slots=True)
class Locked:
    """A visit that stays with its crew, and where a start is given, at that very minute."""

    visit: str
    crew: str
    start_min: int | None = None


@dataclass(frozen=True, slots=True)
class Weights:
    """What is worth how many minutes of driving.

    ``crew_minute``: each minute until a crew is home, so that of plans alike else the one without
    idle waits is taken.
    """

    drive_minute: float = 1.0
    crew_minute: float = 0.02
    dry_station_hour: float = 1.0
    broken_promise: float = 240.0
    hour_late: float = 30.0
    broken_lock: float = 5000.0
    moved_visit: float = 45.0

    def __post_init__(self) -> None:
        for name in self.__slots__:
            weight = getattr(self, name)
            if not (isfinite(weight) and weight >= 0.0):
                raise DispatchError(f"weights: {name} is {weight}, expected at least 0")


@dataclass(frozen=True, slots=True)
class Problem:
    """All that a plan is made of. Nothing not yet started may start before ``now_min``.

    ``until_min``: end of the plan; what is left out counts as dry until then. ``margin``: see
    :meth:`Minutes.planned`. ``told_tolerance_min``: a replan that comes so much earlier or later
    than was told has not moved the visit.

    Raises DispatchError for names that are doubled or unknown and for times in no order.
    """

    now_min: int
    until_min: int
    crews: tuple[Crew, ...]
    visits: tuple[Visit, ...]
    travel: Travel
    started: tuple[Started, ...] = ()
    locked: tuple[Locked, ...] = ()
    weights: Weights = Weights()
    margin: float = 0.3
    told_tolerance_min: int = 30

    def __post_init__(self) -> None:
        if self.until_min <= self.now_min:
            raise DispatchError("until_min: expected a minute after now_min")
        if not 0.0 <= self.margin <= 1.0:
            raise DispatchError(f"margin: expected 0 <= x <= 1, not {self.margin}")
        crews = _names((crew.name for crew in self.crews), "crew")
        visits = _names((visit.name for visit in self.visits), "visit")
        held_visits: tuple[Started | Locked, ...] = (*self.started, *self.locked)
        _names((held.visit for held in held_visits), "started or locked visit")
        _names((one.crew for one in self.started), "crew with a started visit")
        for held in held_visits:
            if held.visit not in visits or held.crew not in crews:
                raise DispatchError(f"started or locked {held.visit}: no such visit or crew")
        self._check_started()
        places = [visit.place for visit in self.visits]
        for crew in self.crews:
            places += [crew.base, *([crew.position] if crew.position is not None else [])]
        unknown = sorted(set(places) - set(self.travel.index))
        if unknown:
            raise DispatchError(f"places without travel times: {', '.join(unknown)}")

    def _check_started(self) -> None:
        shifts = {crew.name: crew.shifts for crew in self.crews}
        for one in self.started:
            if one.start_min > self.now_min:
                raise DispatchError(f"started {one.visit}: starts after now")
            if not any(s.start_min <= one.start_min < s.stop_min for s in shifts[one.crew]):
                raise DispatchError(f"started {one.visit}: outside the shifts of {one.crew}")


def _names(names: Iterable[str], what: str) -> frozenset[str]:
    """The names as a set. Raises DispatchError where one is doubled."""
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise DispatchError(f"{what} {name} is given twice")
        seen.add(name)
    return frozenset(seen)
