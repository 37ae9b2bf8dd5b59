"""What the observations said, in the form the reckoning takes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from sites.network.faults import Place

MISCOUNT = 0.02
"""Chance that cables in a box are miscounted, or that one too many is of no matter."""

APART_MA = 8.0
APART_SHARE = 0.2
"""Two readings of one wire further apart than both are not of the same thing."""

WireKind = Literal["reference", "segment", "lead", "unmapped"]


@dataclass(frozen=True, slots=True)
class CurrentReading:
    """A clamp reading with the coil in, all legs on and nothing isolated.

    ``node`` is where it was taken; ``wire`` the segment or device id, empty for the reference
    and for a wire that is not on the map.
    """

    kind: WireKind
    node: str
    wire: str
    current_ma: float
    at_min: float


@dataclass(frozen=True, slots=True)
class MessageLook:
    """A look for the overcurrent message, coil out, nothing isolated. ``legs_on`` None: all."""

    shown: bool
    legs_on: frozenset[str] | None


@dataclass(frozen=True, slots=True)
class CableCount:
    """How many cables and leads were counted at a node."""

    node: str
    seen: int


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that has been observed so far, struck answers left out.

    ``no_stray``: nodes where a cable beyond the map was looked for and not found.
    """

    readings: tuple[CurrentReading, ...] = ()
    looks: tuple[MessageLook, ...] = ()
    counts: tuple[CableCount, ...] = ()
    no_stray: frozenset[str] = frozenset()

    def with_reading(self, reading: CurrentReading) -> Evidence:
        """One reading more."""
        return replace(self, readings=(*self.readings, reading))

    def with_look(self, look: MessageLook) -> Evidence:
        """One look for the message more."""
        return replace(self, looks=(*self.looks, look))

    def with_count(self, count: CableCount) -> Evidence:
        """One count of cables more."""
        return replace(self, counts=(*self.counts, count))

    @property
    def settled(self) -> tuple[CurrentReading, ...]:
        """The readings without those that others of the same wire outvote: whatever the fault,
        two readings far apart on one wire are not both right."""
        outvoted = {id(r) for group in self._by_wire() for r in _outvoted(group)}
        return tuple(r for r in self.readings if id(r) not in outvoted)

    def doubtful(self, most: int) -> CurrentReading | None:
        """A reading to take again where nothing fits: of a wire whose readings disagree without
        a majority, else the latest that was taken once; none after ``most`` readings of a wire."""
        groups = [group for group in self._by_wire() if len(group) < most]
        split = [
            group
            for group in groups
            if any(not _alike(group[0], other) for other in group) and len(_outvoted(group)) == 0
        ]
        if split:
            return split[-1][-1]
        once = [group[0] for group in groups if len(group) == 1]
        return once[-1] if once else None

    def _by_wire(self) -> list[list[CurrentReading]]:
        by_wire: dict[tuple[str, str, str], list[CurrentReading]] = {}
        for reading in self.readings:
            by_wire.setdefault((reading.kind, reading.node, reading.wire), []).append(reading)
        return list(by_wire.values())

    @property
    def clamped(self) -> frozenset[Place]:
        """Devices and unmapped things whose own wire has been clamped."""
        leads = {Place("device", r.wire) for r in self.readings if r.kind == "lead"}
        strays = {Place("unmapped", r.node) for r in self.readings if r.kind == "unmapped"}
        return frozenset(leads | strays)


def _outvoted(group: list[CurrentReading]) -> list[CurrentReading]:
    """Readings of one wire that disagree with more than half of the others."""
    if len(group) < 3:
        return []
    agreeing = [sum(_alike(one, other) for other in group) for one in group]
    most = max(agreeing)
    if most * 2 <= len(group):
        return []
    leader = group[agreeing.index(most)]
    return [one for one in group if not _alike(one, leader)]


def _alike(one: CurrentReading, other: CurrentReading) -> bool:
    apart = abs(one.current_ma - other.current_ma)
    return apart <= max(APART_MA, APART_SHARE * max(one.current_ma, other.current_ma))


def looks_tallied(
    looks: tuple[MessageLook, ...],
) -> list[tuple[frozenset[str] | None, int, int]]:
    """(legs on, looks that showed it, looks that did not) for each set of legs."""
    tally: dict[frozenset[str] | None, list[int]] = {}
    for look in looks:
        tally.setdefault(look.legs_on, [0, 0])[0 if look.shown else 1] += 1
    return [(legs_on, shown, not_shown) for legs_on, (shown, not_shown) in tally.items()]
