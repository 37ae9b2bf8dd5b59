"""What a trace's *as left* says is not as built, each thing under a key of its own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from faults.models.as_left import LeftKind
from faults.tracing.observations import Joint

Document = dict[str, Any]

SPOILS_A_TEST = frozenset(
    {
        LeftKind.POWER_OFF,
        LeftKind.COIL_IN,
        LeftKind.LEG_OFF,
        LeftKind.JOINT_OPEN,
        LeftKind.JOINT_CLOSED,
        LeftKind.ISOLATED,
    }
)
"""With one of these on it a path is not the one on the map, so its readings show nothing."""


_OPEN = SPOILS_A_TEST - {LeftKind.POWER_OFF} | {LeftKind.LID_UP}
"""With one of these, power that is on is asked about too: bare ends may be within reach."""


@dataclass(frozen=True)
class LeftThing:
    """One thing left: ``name`` says which of its kind, ``where`` is its place in the words of the
    forms."""

    kind: LeftKind
    name: str = ""

    @property
    def key(self) -> str:
        """Names the thing on its path."""
        return f"{self.kind}:{self.name}" if self.name else str(self.kind)

    @property
    def where(self) -> Document:
        """The members of the forms that say where it is; empty at the controller."""
        first, _, rest = self.name.partition(":")
        match self.kind:
            case LeftKind.LEG_OFF:
                return {"segment": self.name}
            case LeftKind.JOINT_OPEN | LeftKind.JOINT_CLOSED:
                segment, _, end = self.name.rpartition("/")
                return {"segment": segment, "end": end}
            case LeftKind.ISOLATED:
                return {first: rest}
            case LeftKind.LID_UP:
                return {"node": self.name}
            case LeftKind.TAG:
                return {"node": first, "tag": rest} if rest else {"tag": first}
        return {}


def left_things(as_left: Document, built_open: frozenset[Joint]) -> dict[str, LeftThing]:
    """The things of an *as left* document by key; joints that the map has open are as built."""
    return {thing.key: thing for thing in _things(as_left, built_open)} if as_left else {}


def _things(as_left: Document, built_open: frozenset[Joint]) -> Iterator[LeftThing]:
    changed = list(_changed(as_left, built_open))
    if not as_left["power"]:
        yield LeftThing(LeftKind.POWER_OFF)
    elif any(thing.kind in _OPEN for thing in changed):
        yield LeftThing(LeftKind.POWER_ON)
    yield from changed


def _changed(as_left: Document, built_open: frozenset[Joint]) -> Iterator[LeftThing]:
    if as_left["coil"]:
        yield LeftThing(LeftKind.COIL_IN)
    for leg in as_left["legs_off"]:
        yield LeftThing(LeftKind.LEG_OFF, leg)
    open_now = {(joint["segment"], joint["end"]) for joint in as_left["joints_open"]}
    for segment, end in sorted(open_now - built_open):
        yield LeftThing(LeftKind.JOINT_OPEN, f"{segment}/{end}")
    for segment, end in sorted(built_open - open_now):
        yield LeftThing(LeftKind.JOINT_CLOSED, f"{segment}/{end}")
    for place in as_left["isolated"]:
        (kind, name) = next((k, v) for k, v in place.items() if k != "fraction")
        yield LeftThing(LeftKind.ISOLATED, f"{kind}:{name}")
    for node in as_left["lids_up"]:
        yield LeftThing(LeftKind.LID_UP, node)
    for tag in as_left["tags"]:
        yield LeftThing(LeftKind.TAG, f"{tag['node']}:{tag['tag']}")
