"""What the engine says: the next step of a trace, and the verdict at its end.

Currents are milliamperes RMS, times minutes, chances between 0 and 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from faults.tracing.observations import Joint
from sites.network.faults import Place

Stage = Literal["preparing", "ruling-out", "following", "proving"]
"""Where a trace is before it is done; a :class:`Verdict` is the stage ``done``."""

StepDo = Literal[
    "power",
    "open_joints",
    "close_joints",
    "message",
    "fit_coil",
    "reference",
    "clamp",
    "clamp_set",
    "path_off",
    "isolate",
    "restore",
    "alone",
    "run_station",
]
"""What a step may ask for; ``cannot`` and ``strike`` come from the field alone."""

Outcome = Literal["proved", "controller", "not-present", "unproved"]

STEP_NEEDS: dict[str, tuple[str, ...]] = {
    "power": ("on",),
    "open_joints": ("joints",),
    "close_joints": ("joints",),
    "message": (),
    "fit_coil": ("fitted",),
    "reference": (),
    "clamp": ("node",),
    "clamp_set": ("node",),
    "path_off": ("node", "wire"),
    "isolate": ("at",),
    "restore": ("at",),
    "alone": ("at",),
    "run_station": ("station",),
}
"""Which fields of a :class:`Step` each ``do`` must have."""

STEP_MAY: dict[str, tuple[str, ...]] = {
    "message": ("legs_on",),
    "reference": ("legs_on",),
    "clamp": ("wire", "conductor", "legs_on"),
}
"""Which fields a ``do`` may have besides; absent ``legs_on`` means all legs."""

LEAST_TOLD = 0.0005
"""Chance of all other suspects from which on it is told."""

_WHERE = ("on", "joints", "legs_on", "fitted", "node", "wire", "conductor", "at", "station")


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """What a reading would be if ``at`` were the place of the fault.

    A current gives its 95 % interval (``low_ma``, ``high_ma``); a message ``shown_chance``.
    """

    at: Place
    low_ma: float | None = None
    high_ma: float | None = None
    shown_chance: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A place and kind of fault with its chance.

    ``history`` says in a clause how its history of failures counted; empty where it did not.
    """

    at: Place
    kind: str
    chance: float
    history: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A finding of the verdict; ``proved`` only where a proof at the place was made."""

    at: Place
    kind: str
    chance: float
    proved: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AsLeft:
    """What is on, fitted, off, open, isolated, uncovered and tagged on the path right now.

    ``lids_up`` are node ids, ``legs_off`` segment ids, ``tags`` (node id, tag).
    """

    power: bool = True
    coil: bool = False
    legs_off: tuple[str, ...] = ()
    joints_open: tuple[Joint, ...] = ()
    isolated: tuple[Place, ...] = ()
    lids_up: tuple[str, ...] = ()
    tags: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The next thing to do, why, and what to expect.

    What ``do`` needs stands in the optional fields, by :data:`STEP_NEEDS` and
    :data:`STEP_MAY`; the others stay None. ``notes`` say what else the technician should know,
    such as that an observation was kept without being reckoned with.

    Raises ValueError on birth where a field is missing or does not belong to ``do``.
    """

    number: int
    stage: Stage
    do: StepDo
    on: bool | None = None
    joints: tuple[Joint, ...] | None = None
    legs_on: tuple[str, ...] | None = None
    fitted: bool | None = None
    node: str | None = None
    wire: str | None = None
    conductor: Literal["both"] | None = None
    at: Place | None = None
    station: int | None = None
    step_minutes: float
    remaining_p50_min: float
    remaining_p90_min: float
    expect: tuple[Expectation, ...] = ()
    why: str
    cautions: tuple[str, ...] = ()
    suspects: tuple[Suspect, ...] = ()
    as_left: AsLeft = field(default_factory=AsLeft)
    notes: tuple[str, ...] = ()

    @property
    def other_suspects_chance(self) -> float:
        """The chance of all that is not among ``suspects``, together."""
        return max(0.0, 1.0 - math.fsum(one.chance for one in self.suspects))

    def __post_init__(self) -> None:
        """Hold the fields to what ``do`` needs."""
        if self.do not in STEP_NEEDS:
            raise ValueError(f"a step cannot ask for {self.do!r}")
        needed = STEP_NEEDS[self.do]
        allowed = needed + STEP_MAY.get(self.do, ())
        for name in _WHERE:
            given = getattr(self, name) is not None
            if name in needed and not given:
                raise ValueError(f"a step {self.do} needs {name}")
            if given and name not in allowed:
                raise ValueError(f"a step {self.do} takes no {name}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """How a trace ended.

    ``search_minutes`` run from the reference until the first suspect reached a chance of 0.95,
    None where it never did; ``minutes`` are all of them. ``reason`` tells it in plain words.
    """

    outcome: Outcome
    found: tuple[Found, ...]
    observations: int
    search_minutes: float | None
    minutes: float
    as_left: AsLeft
    reason: str = ""


MOST_HEADLINE = 100
"""Characters of a reason that can stand in a headline."""


def headline(reason: str) -> tuple[str, str]:
    """(what a reason says up to its first colon or semicolon, the rest); a long one is all rest."""
    ends = [at for at in (reason.find(": "), reason.find("; ")) if at >= 0]
    at = min(ends, default=len(reason))
    if at > MOST_HEADLINE:
        return "", reason
    return reason[:at].rstrip("."), reason[at + 2 :]
