"""The order of a proof's tests: on, off, on again, and off again for what can be lifted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from faults.tracing.evidence import MISCOUNT
from faults.tracing.expected import OnOff
from faults.tracing.proof import CHANCE_NEEDED, ENOUGH, Examiner, TestWeights
from faults.tracing.watch import LoggedReading
from sites.network.faults import Place, PlaceKind

Act = Literal["clamp", "isolate", "restore", "proved", "stuck"]

FRESH_ON = 2
"""Readings of the watched wire with the suspect on before it is taken off."""

BEFORE_ENOUGH = math.log(12.0)
"""What readings must say against each wire that goes on before anything is taken off."""

MOST_REPEATS = 5
MOST_UNCOUNTED = 8
"""Readings without a count, or counts that do not agree, after which it is asked no more."""
UNCOUNTED = (
    "the cables at {node} were not counted twice alike as on the map: one that is not on the map "
    "may hang there and come off with the splice; count them, and trace what is not on the map"
)
NO_STRAY = (
    "no cable beyond the map was found at {node}: yet the readings point to one, or more were "
    "counted than the map has; survey the box"
)

CUT_OFF = (
    "with it off less came in than the sound devices beyond must draw: it was cut off instead of "
    "taken out with the path rejoined past it, and a cut proves nothing"
)
MOST_CUTS = 2
"""Sittings in which it was cut off before the proof is given up."""

MARGIN = 2
"""By how many the readings that show the current must outnumber those that do not."""

MOST_SITTINGS = 8
MOST_READINGS = 40
SPARE_READINGS = 16
"""What a place with many wires takes besides two readings of each that goes on from it."""


@dataclass(frozen=True, slots=True)
class NextTest:
    """What a proof needs next, or how it ended."""

    act: Act
    node: str = ""
    wire: str | None = None
    why: str = ""
    both: bool = False


@dataclass(frozen=True, slots=True)
class ProofLeft:
    """What a proof still takes at the least: acts that isolate or restore, and readings."""

    acts: int
    readings: int


def sittings_wanted(kind: PlaceKind, *, comes_and_goes: bool) -> int:
    """How often a suspect is taken off: what can be lifted twice, what comes and goes thrice."""
    if comes_and_goes:
        return 3
    return 2 if kind in ("device", "unmapped") else 1


def proof_left_at_start(kind: PlaceKind, *, comes_and_goes: bool) -> ProofLeft:
    """What the proof of a place of this kind takes, where one wire goes on from it."""
    wanted = sittings_wanted(kind, comes_and_goes=comes_and_goes)
    return ProofLeft(2 * wanted, FRESH_ON + 1 + _readings_of_sittings(wanted, first=True))


def _readings_of_sittings(count: int, *, first: bool) -> int:
    """Readings of so many times off and on again: the first time off is read twice."""
    return 2 * count + (first and count > 0)


@dataclass(frozen=True, slots=True)
class CablesCounted:
    """How often the cables at the place agreed with the map, and how often not."""

    agreed: int
    differed: int
    stray_absent: bool

    @property
    def log_factor(self) -> float:
        """log Bayes factor of *no cable beyond the map* against *one more*."""
        each = math.log((1.0 - MISCOUNT) / MISCOUNT)
        absent = math.log(1.0 / MISCOUNT) if self.stray_absent else 0.0
        return each * (self.agreed - self.differed) + absent


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofCourse:
    """The proof of the examiner's suspect as it stands: ``next`` is the next test.

    ``log`` are all readings so far, ``off_now`` whether the suspect is off, ``sitting`` the
    number of acts that isolated or restored, ``chance`` the suspect's.
    """

    examiner: Examiner
    log: tuple[LoggedReading, ...]
    off_now: bool
    sitting: int
    counted: CablesCounted
    comes_and_goes: bool
    weights: TestWeights
    chance: float
    leakage_wanted: bool = False

    @property
    def suspect(self) -> Place:
        """The place being proved."""
        return self.examiner.suspect

    @property
    def expected(self) -> OnOff:
        """What its wires should read."""
        return self.examiner.expected

    @property
    def cuts(self) -> int:
        """Sittings in which what lies beyond the suspect was off with it."""
        return sum(self._cut_off(self._watched(s)) for s in self._off_sittings())

    def next(self) -> NextTest:
        """What the proof needs next, or how it ended."""
        proving = [r for r in self.log if r.proving]
        most = max(MOST_READINGS, SPARE_READINGS + 2 * len(self.examiner.rivals.wires))
        if len(proving) > most or len({r.sitting for r in proving}) > MOST_SITTINGS:
            return NextTest("stuck", why="the tests at the place do not agree with one another")
        if not self.expected.tells:
            return NextTest(
                "stuck",
                why="with and without the suspect the wire would read nearly the same, so that "
                "no test at the place can tell",
            )
        return self._off() if self.off_now else self._on()

    def left(self) -> ProofLeft:
        """What is left of it at the least, if every reading is as expected."""
        here = self._watched(self.sitting)
        now_fallen = self.off_now and 2 * self._readings_fit_off(here) > len(here)
        fallen = self._fallen_sittings() - now_fallen
        if self.off_now:
            wanted_here = 2 if fallen == 0 else 1
            more = max(0, self._sittings_wanted() - fallen - 1)
            readings = max(0, wanted_here - len(here)) + 1
            return ProofLeft(1 + 2 * more, readings + _readings_of_sittings(more, first=False))
        more = max(0, self._sittings_wanted() - fallen)
        if fallen == 0:
            readings = self._left_before(here)
        else:
            readings = 0 if any(self._fits_on(r) for r in here) else 1
        return ProofLeft(2 * more, readings + _readings_of_sittings(more, first=fallen == 0))

    def _left_before(self, here: list[LoggedReading]) -> int:
        """Readings of both sides still missing before anything is taken off."""
        node = (self.examiner.far or self.examiner.watch).node
        onward = [wire for wire in self.examiner.rivals.wires if wire is not None]
        unread = sum(not any(r.proving for r in self._at(node, wire)) for wire in onward)
        count = self.suspect.kind == "splice" and self.counted.agreed < 2
        return max(0, FRESH_ON - len(here), int(not here)) + unread + count

    def _off(self) -> NextTest:
        here = self._watched(self.sitting)
        if len(here) > 1 and self._cut_off(here):
            return NextTest("restore", why="put back: " + CUT_OFF)
        wanted = 2 if self._fallen_sittings() <= 1 else 1
        if len(here) < wanted or (self._readings_fit_off(here) < wanted and len(here) < 4):
            return self._clamp("the current should fall to that of a sound path with it off")
        return NextTest("restore", why="on again the current must return")

    def _on(self) -> NextTest:
        fallen = self._fallen_sittings()
        here = self._watched(self.sitting)
        if fallen == 0:
            return self._before(here)
        if not any(self._fits_on(r) for r in here):
            if len(here) < 3:
                return self._clamp("with the suspect on again the current must return")
            return NextTest("stuck", why="the current did not return with the suspect on again")
        if self._shows_on() < MARGIN:
            if len(here) < MOST_REPEATS:
                return self._clamp("what comes in did not read alike before: read it once more")
            return NextTest("stuck", why="what comes in does not read alike twice")
        enough = self.weights.least >= ENOUGH and self.chance >= CHANCE_NEEDED
        if fallen >= self._sittings_wanted() and enough:
            return NextTest("proved")
        return NextTest("isolate", why="off once more, so that chance is ruled out")

    def _before(self, here: list[LoggedReading]) -> NextTest:
        """Both sides of the suspect, afresh, before anything is touched."""
        proving = [r for r in here if r.proving]
        if len(here) < FRESH_ON or not proving:
            return self._clamp("what comes in, read afresh before anything is taken off")
        if self.leakage_wanted:
            watch = self.examiner.watch
            return NextTest(
                "clamp",
                watch.node,
                watch.wire,
                "both conductors in the jaw: on an earthed path "
                "this tells a fault to earth from a short",
                both=True,
            )
        stray = self._stray()
        if stray is not None:
            return stray
        if self.cuts >= MOST_CUTS:
            return NextTest("stuck", why=CUT_OFF)
        far = self.examiner.far or self.examiner.watch
        for group, wire in enumerate(self.examiner.rivals.wires, start=2):
            if wire is None:
                continue
            fresh = [r for r in self._at(far.node, wire) if r.proving]
            weak = self.weights.before[group] < BEFORE_ENOUGH
            if not fresh or (weak and len(fresh) < MOST_REPEATS):
                return NextTest("clamp", far.node, wire, "what goes on from here, read afresh")
        if self.cuts:
            return NextTest("isolate", why="off again, and the path rejoined past it this time")
        return NextTest("isolate", why="off, the current that feeds it must fall")

    def _stray(self) -> NextTest | None:
        """Cables that are not on the map are followed before a splice is blamed."""
        counted = self.counted
        if self.suspect.kind == "unmapped":
            node = self.examiner.watch.node
            if counted.stray_absent:
                return NextTest("stuck", why=NO_STRAY.format(node=node))
            if not [r for r in self._at(node, None) if r.proving]:
                return NextTest("clamp", node, None, "the cable that is not on the map")
            return None
        if self.suspect.kind != "splice":
            return None
        if counted.differed and not counted.stray_absent and not self._at(self.suspect.id, None):
            return NextTest("clamp", self.suspect.id, None, "a cable too many was counted here")
        if counted.agreed >= 2 and counted.agreed > counted.differed:
            return None
        if counted.stray_absent and counted.differed:
            return NextTest("stuck", why=NO_STRAY.format(node=self.suspect.id))
        asked = sum(r.proving and r.node == self.suspect.id and not r.counted for r in self.log)
        counts = counted.agreed + counted.differed
        if max(asked, counts) >= MOST_UNCOUNTED:
            return NextTest("stuck", why=UNCOUNTED.format(node=self.suspect.id))
        return self._clamp("count the cables and leads in the box and tell how many")

    def _sittings_wanted(self) -> int:
        return sittings_wanted(self.suspect.kind, comes_and_goes=self.comes_and_goes)

    def _clamp(self, why: str) -> NextTest:
        watch = self.examiner.watch
        return NextTest("clamp", watch.node, watch.wire, why)

    def _at(self, node: str, wire: str | None) -> list[LoggedReading]:
        return [r for r in self.log if (r.node, r.wire) == (node, wire) and not r.isolated]

    def _watched(self, sitting: int) -> list[LoggedReading]:
        watch = self.examiner.watch
        return [
            r
            for r in self.log
            if r.sitting == sitting and (r.node, r.wire) == (watch.node, watch.wire)
        ]

    def _off_sittings(self) -> list[int]:
        return sorted({r.sitting for r in self.log if r.isolated == frozenset({self.suspect})})

    def _fallen_sittings(self) -> int:
        """Sittings with the suspect off in which the current fell."""
        return sum(
            self._readings_fit_off(self._watched(s)) * 2 > len(self._watched(s))
            for s in self._off_sittings()
        )

    def _cut_off(self, readings: list[LoggedReading]) -> bool:
        """Whether most of these, taken with the suspect off, are of a path that ends there."""
        low = sum(r.current_ma < self.expected.off_least_ma for r in readings)
        return low * 2 > len(readings)

    def _shows_on(self) -> int:
        """By how many the watched wire's readings with nothing off show the current."""
        watch = self.examiner.watch
        shown = [self._fits_on(r) for r in self._at(watch.node, watch.wire)]
        return 2 * sum(shown) - len(shown)

    def _readings_fit_off(self, readings: list[LoggedReading]) -> int:
        return sum(self._fits_off(r) for r in readings)

    def _fits_off(self, reading: LoggedReading) -> bool:
        e = self.expected
        if reading.isolated and reading.current_ma < e.off_least_ma:
            return False
        near = abs(reading.current_ma - e.off_ma) <= 3.0 * e.off_spread_ma
        return near and reading.current_ma < 0.5 * (e.on_ma + max(e.off_ma, 0.0)) + e.meter_ma

    def _fits_on(self, reading: LoggedReading) -> bool:
        e = self.expected
        return not self._fits_off(reading) and reading.current_ma > 0.6 * e.on_ma
