"""What an audit looks at: calls, proofs, repairs, removed parts, and the ground they lie in.

Moments are days (UTC) since any fixed day, with fractions. Ids are those by which each thing is
known outside; ``Records.names`` tells what to call properties and paths.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from faults.recurrence.same_place import SamePlace

SPLICE, SEGMENT, DEVICE = KINDS = ("splice", "segment", "device")
NOT_TOLD = "(not told)"

SoakEnd = Literal["", "open", "held", "failed", "dropped"]


@dataclass(frozen=True, slots=True)
class Facts:
    """What the map said of a place at a moment.

    ``kind``: splice, segment, device, or what else it is; ``sort``: the connector of a splice, the
    conductor of a segment, the kind of a device, empty where not told; ``made``: the first day of
    the year, month or day in which it was made or laid, None where not told; ``amount``: metres
    of a segment, else 1.
    """

    kind: str
    sort: str = ""
    made: float | None = None
    amount: float = 1.0


@dataclass(frozen=True, slots=True)
class At:
    """A place on a path; ``code`` as the map has it, ``facts`` as they were at the moment."""

    path: str
    code: str
    facts: Facts

    @property
    def key(self) -> tuple[str, str, str]:
        """The very place."""
        return self.path, self.facts.kind, self.code


@dataclass(frozen=True, slots=True)
class Case:
    """A fault call. ``paths``: the path it is about, or, where that is not known, all of its
    property; ``closed``: when it was first closed, None while it never was; ``reopened``: when it
    first went back to work after that; ``proof``: the finding that stands proved, or empty;
    ``stopped``: a trace was ended by hand before it was done; ``tested``: closed on a return
    test."""

    id: str
    property: str
    paths: tuple[str, ...]
    crew: str
    opened: float
    closed: float | None = None
    reopened: float | None = None
    outcome: str = ""
    proof: str = ""
    stopped: bool = False
    tested: bool = False
    cancelled: bool = False


@dataclass(frozen=True, slots=True)
class Failure:
    """A proved finding that stands, and where."""

    id: str
    case: str
    property: str
    crew: str
    at: float
    place: At


@dataclass(frozen=True, slots=True)
class Repair:
    """A repair. ``place`` None: not said, or not on the path. ``told_failed``: somebody said that
    it did not hold. ``soak``: what its look when wet came to, due by the end of ``soak_due``;
    ``wet_test``: a return test after it passed when wet."""

    id: str
    case: str
    property: str
    crew: str
    at: float
    kind: str
    splices: int
    place: At | None = None
    told_failed: bool = False
    soak: SoakEnd = ""
    soak_due: float | None = None
    wet_test: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """A part that was taken out; ``bench``: faulty, sound or not-tested."""

    id: str
    case: str
    property: str
    crew: str
    at: float
    what: str
    bench: str


@dataclass(frozen=True, slots=True)
class Flagged:
    """A trouble flag with the evidence of its latest run. ``places`` in words; ``failures``: the
    ids of the proved findings it rests on, as far as they were kept, of ``count`` failures;
    ``ratio_low``, ``ratio_high``: limits of their ratio to what peers let expect."""

    id: str
    property: str
    path: str
    state: str
    at: float
    cleared: float | None
    places: str
    failures: tuple[str, ...]
    count: int
    expected: float
    ratio_low: float
    ratio_high: float
    p: float
    q: float


@dataclass(frozen=True, slots=True)
class Ground:
    """So much of one sort lay in a path from ``start`` to ``stop`` (None: it still does)."""

    path: str
    property: str
    facts: Facts
    start: float
    stop: float | None = None


@dataclass(frozen=True, slots=True)
class MapNode:
    """A splice of a path's newest map, in metres from the path's anchor; ``facts`` None: no splice
    but the controller."""

    code: str
    x_m: float
    y_m: float
    facts: Facts | None


@dataclass(frozen=True, slots=True)
class MapCable:
    """A cable between two nodes of the newest map."""

    code: str
    ends: tuple[str, str]
    facts: Facts


@dataclass(frozen=True, slots=True)
class MapDevice:
    """A device at a node of the newest map."""

    code: str
    node: str
    facts: Facts


@dataclass(frozen=True, slots=True)
class PathMap:
    """The newest map of a path."""

    nodes: tuple[MapNode, ...] = ()
    cables: tuple[MapCable, ...] = ()
    devices: tuple[MapDevice, ...] = ()


@dataclass(frozen=True, slots=True)
class Records:
    """Everything of one contractor, in the order of time."""

    cases: tuple[Case, ...] = ()
    failures: tuple[Failure, ...] = ()
    repairs: tuple[Repair, ...] = ()
    parts: tuple[Part, ...] = ()
    flags: tuple[Flagged, ...] = ()
    ground: tuple[Ground, ...] = ()
    maps: Mapping[str, PathMap] = field(default_factory=dict)
    names: Mapping[str, str] = field(default_factory=dict)

    def name(self, thing: str) -> str:
        """What a property or path is called."""
        return self.names.get(thing, thing)


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked: events from ``start`` up to ``until``, of a property or a crew or all;
    ``window``: days after a repair or a closing within which another failure or call counts;
    ``rule``: what the same place is. What came after ``until`` is not looked at."""

    until: float
    start: float | None = None
    property: str = ""
    crew: str = ""
    window: float = 365.0
    rule: SamePlace = field(default_factory=SamePlace)

    def has(self, one: Case | Failure | Repair | Part, at: float) -> bool:
        """Whether something that happened then is asked about."""
        return (
            (self.start is None or at >= self.start)
            and at < self.until
            and self.property in ("", one.property)
            and self.crew in ("", one.crew)
        )
