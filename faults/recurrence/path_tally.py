"""The places of one path, with what each was exposed to and how often it failed.

A tally does not hold the time it is looked at: a unit's exposure at a time T is ``fixed`` +
``live`` × the path's clock at T, so one that was made earlier serves as long as nothing new is
known of the path. Totals follow lineage: a cable cut in two hands over by length, places joined
hand over all, and failures stay whole numbers (``lineage``).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from faults.recurrence.checked import Floats, RecurrenceError, Wholes
from faults.recurrence.exposure import State
from faults.recurrence.lineage import Became, Descent, trace_descent
from faults.recurrence.state_clock import StateClock


@dataclass(frozen=True, slots=True)
class MapVersion:
    """One row of a map: valid from revision ``first`` up to ``last``, None while it is live.

    ``kind``: a number for the kind of place; ``amount``: metres of a cable, else 1."""

    kind: int
    code: str
    key: int
    amount: float
    first: int
    last: int | None


@dataclass(frozen=True, slots=True)
class CameFrom:
    """At a revision a place came from another of the same kind."""

    revision: int
    kind: int
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class PathTally:
    """Arrays by unit. ``kind``; ``key`` of the newest row; ``alive``: whether the map still has it;
    ``live``: amount exposed from now on; ``fixed``, ``counts``: by state, shape (units, 3);
    ``lost``: failures at places that the map never had."""

    kind: Wholes
    key: Wholes
    alive: Wholes
    live: Floats
    fixed: Floats
    counts: Wholes
    lost: int

    def exposure(self, reading: Floats) -> Floats:
        """By state, when the path's clock shows ``reading``, shape (3,)."""
        found: Floats = np.maximum(self.fixed + self.live[:, None] * reading, 0.0)
        return found


@dataclass(frozen=True, slots=True)
class Tallied:
    """A path's tally, and of each unit the codes that are left of it.

    ``of_failure``: the unit of each failure that was given, in their order; -1 where its place was
    not on the map then.
    """

    tally: PathTally
    codes: tuple[tuple[str, ...], ...]
    of_failure: tuple[int, ...]

    def unit_of(self) -> dict[tuple[int, str], int]:
        """The unit of each place that is left, by kind and code."""
        return {
            (int(self.tally.kind[unit]), code): unit
            for unit, codes in enumerate(self.codes)
            for code in codes
        }


@dataclass(frozen=True, slots=True)
class FailedAt:
    """A failure of a place, at a time and in a state of the ground."""

    kind: int
    code: str
    at: float
    state: int


def tally_path(
    versions: Sequence[MapVersion],
    came_from: Sequence[CameFrom],
    revisions: Floats,
    failures: Sequence[FailedAt],
    clock: StateClock,
) -> Tallied:
    """The tally of a path whose revision n began at ``revisions[n - 1]``.

    O(versions log versions + failures). Raises RecurrenceError for a revision that is not there.
    """
    places = _Places(versions, came_from)
    begun = np.searchsorted(revisions, [one.at for one in failures], side="right")
    at_place = [
        places.of(one.kind, one.code, max(int(number), 1))
        for one, number in zip(failures, begun, strict=True)
    ]
    told = [(one, place) for one, place in zip(failures, at_place, strict=True) if place >= 0]
    descent = trace_descent(
        places.count, places.became(versions), [place for _, place in told], [None] * len(told)
    )
    fixed, live = _exposed(versions, places, revisions, clock)
    counts = np.zeros((descent.units, len(State)), dtype=np.int64)
    np.add.at(counts, (descent.of_failure, np.array([f.state for f, _ in told], np.int64)), 1)
    head = [ends[0] for ends in descent.ends]
    given = iter(descent.of_failure.tolist())
    return Tallied(
        PathTally(
            kind=np.array([places.kind[one] for one in head], dtype=np.int64),
            key=np.array([places.key[one] for one in head], dtype=np.int64),
            alive=np.array(
                [any(places.alive[one] for one in ends) for ends in descent.ends], dtype=np.int64
            ),
            live=_handed_on(descent, live),
            fixed=_handed_on(descent, fixed),
            counts=counts,
            lost=len(failures) - len(told),
        ),
        tuple(tuple(places.code[one] for one in ends) for ends in descent.ends),
        tuple(next(given) if place >= 0 else -1 for place in at_place),
    )


def _handed_on(descent: Descent, of_places: Floats) -> Floats:
    # Where nothing was cut or joined each place is a unit of its own, in its order.
    return of_places if descent.units == len(of_places) else descent.exposure(of_places)


def _exposed(
    versions: Sequence[MapVersion], places: _Places, revisions: Floats, clock: StateClock
) -> tuple[Floats, Floats]:
    """What each place has of exposure apart from the clock's present reading."""
    if any(one.first > len(revisions) or (one.last or 1) > len(revisions) for one in versions):
        raise RecurrenceError("revisions: a row names one that is not there")
    readings = clock.at(revisions)
    amount = np.array([one.amount for one in versions])
    first = np.array([one.first for one in versions], dtype=np.int64) - 1
    last = np.array([one.last or 0 for one in versions], dtype=np.int64) - 1
    ended = last >= 0
    until = np.where(ended[:, None], readings[last], 0.0)
    at = np.array(places.of_version, dtype=np.int64)
    fixed, live = np.zeros((places.count, len(State))), np.zeros(places.count)
    np.add.at(fixed, at, amount[:, None] * (until - readings[first]))
    np.add.at(live, at, np.where(ended, 0.0, amount))
    return fixed, live


class _Places:
    """Places: the rows of one code, cut where something came from them."""

    def __init__(self, versions: Sequence[MapVersion], came_from: Sequence[CameFrom]) -> None:
        self.kind: list[int] = []
        self.code: list[str] = []
        self.key: list[int] = []
        self.alive: list[bool] = []
        self.of_version: list[int] = []
        self._since: dict[tuple[int, str], list[tuple[int, int]]] = defaultdict(list)
        self._news: dict[tuple[int, int, str], list[str]] = defaultdict(list)
        for step in sorted(came_from, key=lambda one: (one.revision, one.kind, one.old, one.new)):
            self._news[step.revision, step.kind, step.old].append(step.new)
        for one in sorted(versions, key=lambda row: row.first):
            self._place(one)
        number = {id(one): self.of(one.kind, one.code, one.first) for one in versions}
        self.of_version = [number[id(one)] for one in versions]

    @property
    def count(self) -> int:
        """How many places there are."""
        return len(self.kind)

    def _place(self, one: MapVersion) -> None:
        since = self._since[one.kind, one.code]
        if not since or (one.first, one.kind, one.code) in self._news:
            since.append((one.first, self.count))
            self.kind.append(one.kind)
            self.code.append(one.code)
            self.key.append(one.key)
            self.alive.append(one.last is None)
        else:
            place = since[-1][1]
            self.key[place], self.alive[place] = one.key, one.last is None

    def of(self, kind: int, code: str, revision: int) -> int:
        """The place that had a code in a revision, or the first or last that did; −1: none."""
        since = self._since.get((kind, code))
        if not since:
            return -1
        earlier = [place for first, place in since if first <= revision]
        return earlier[-1] if earlier else since[0][1]

    def became(self, versions: Sequence[MapVersion]) -> list[Became]:
        """What the places cut or joined became. One that lives on beside its parts is one of
        them; lineage that names what is not there is left out."""
        amount = {(one.kind, one.code, one.first): one.amount for one in versions}
        found: list[Became] = []
        cut: set[int] = set()
        for (revision, kind, old), news in self._news.items():
            before = self.of(kind, old, revision - 1)
            codes = [code for code in news if (kind, code, revision) in amount]
            if (kind, old, revision) in amount and old not in codes:
                codes.insert(0, old)
            after = [self.of(kind, code, revision) for code in codes]
            if before < 0 or before in after or not after or before in cut:
                continue
            sizes = [amount[kind, code, revision] for code in codes]
            shares = [size / sum(sizes) for size in sizes]
            cut.add(before)
            found.append(Became(before, tuple(after), tuple(shares)))
        return found
