"""Proof at the place: what still has to be done, and what the tests alone say.

A suspect is proved when, the coil in, the current in the wire that feeds it falls to that of a
sound path with the suspect off, comes back with it on, and every rival would have made at least
one of the tests come out otherwise: a Bayes factor of 100 against each, from the tests alone.
A test counts for 99 to 1 at most, for a look may be misread; a bare cut instead of an isolation,
which would clear the current for everything beyond, is allowed for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faults.tracing.assumptions import Assumptions
from faults.tracing.expected import OnOff
from faults.tracing.hypotheses import Hypotheses
from faults.tracing.tree_view import TreeView
from faults.tracing.watch import LoggedReading, WatchWire
from sites.network.faults import Place

FloatArray = NDArray[np.float64]

ENOUGH = 100.0
CHANCE_NEEDED = 0.999
TEST_CAP = 99.0
BARE_CUT = 0.05
"""Chance that a place was cut out without rejoining the path past it."""


@dataclass(frozen=True, slots=True)
class Rivals:
    """Groups of hypotheses (H,) as the tests of one suspect see them.

    ``group`` of each place: 0 elsewhere, 1 fed by the watched wire and not named apart, then one
    for each wire in ``wires`` (what lies beyond it); -1 the suspect.
    """

    group: NDArray[np.int64]
    wires: tuple[str | None, ...]


def rivals_of(view: TreeView, hypotheses: Hypotheses, suspect: Place, home: str) -> Rivals:
    """Who else could have it, by the wire at the suspect's place that would show it."""
    size = len(hypotheses.places)
    group = np.zeros(size, dtype=np.int64)
    point = hypotheses.point
    wires: list[str | None] = []
    if suspect.kind == "segment":
        middle = view.point_of_segment[suspect.id]
        group[(point >= middle) & (point < view.last[middle])] = 1
        if view.far_node(suspect.id):
            far = middle + 1
            wires.append(suspect.id)
            group[(point >= far) & (point < view.last[middle])] = 2
    else:
        here = view.point_of_node[home]
        group[(point >= here) & (point < view.last[here])] = 1
        for segment in view.downstream_segments[home]:
            edge = view.edge_of_wire[(home, segment)]
            wires.append(segment)
            group[(point >= edge) & (point < view.last[edge])] = 1 + len(wires)
        for device in view.devices_at.get(home, ()):
            place = Place("device", device.id)
            wires.append(device.id)
            group[hypotheses.index[place]] = 1 + len(wires)
        stray = hypotheses.index.get(Place("unmapped", home))
        if stray is not None:
            wires.append(None)
            group[stray] = 1 + len(wires)
    group[hypotheses.index[suspect]] = -1
    return Rivals(group, tuple(wires))


@dataclass(frozen=True, slots=True)
class TestWeights:
    """log Bayes factor of the suspect against each group, and against *other*.

    ``before`` is the part of it from tests with nothing isolated.
    """

    against: FloatArray
    before: FloatArray
    against_other: float

    @property
    def least(self) -> float:
        """The smallest factor, as a ratio."""
        return math.exp(min(700.0, float(min(self.against.min(), self.against_other))))


@dataclass(frozen=True, slots=True, kw_only=True)
class Examiner:
    """Weighs the tests of one suspect.

    ``watch`` is the wire that feeds it, ``far`` a segment's other end. ``counted_log`` is the
    log Bayes factor that counting the cables gives against one more than the map has.
    """

    suspect: Place
    watch: WatchWire
    far: WatchWire | None
    rivals: Rivals
    expected: OnOff
    beliefs: Assumptions
    counted_log: float = 0.0

    @property
    def carries(self) -> str | None:
        """The wire that all of the fault's current flows through: a device's own lead."""
        return self.suspect.id if self.suspect.kind == "device" else None

    def weigh(
        self, log: tuple[LoggedReading, ...], members: FloatArray, *, isolated_only: bool
    ) -> TestWeights:
        """Bayes factors from the tests in the log. ``members`` (groups,) is 1 where a group has
        anyone in it; empty groups are no rivals."""
        count = len(self.rivals.wires) + 2
        before = np.zeros(count)
        off = np.zeros(count)
        for group in range(count):
            if not isolated_only:
                before[group] = self._from_on(log, group)
            off[group] = self._from_off(log, group)
        if self.suspect.kind == "splice" and None in self.rivals.wires:
            # A cable that is not on the map may have come off with the splice: only counting
            # the cables speaks against it.
            stray = 2 + self.rivals.wires.index(None)
            off[stray] = 0.0
            before[stray] += 0.0 if isolated_only else self.counted_log
        tests = [r for r in log if self._is_test(r, isolated_only=isolated_only)]
        top = 1.2 * max([r.current_ma for r in tests], default=1.0) + 10.0
        other = sum(_capped(self._density(r, group=-1) + math.log(top)) for r in tests)
        return TestWeights(np.where(members > 0, before + off, np.inf), before, other)

    def _is_test(self, reading: LoggedReading, *, isolated_only: bool) -> bool:
        if reading.isolated:
            return reading.isolated == frozenset({self.suspect}) and self._watched(reading)
        return not isolated_only and (self._watched(reading) or self._branch(reading) is not None)

    def _watched(self, reading: LoggedReading) -> bool:
        return (reading.node, reading.wire) == (self.watch.node, self.watch.wire)

    def _branch(self, reading: LoggedReading) -> int | None:
        """Which group's wire a reading is on, if any."""
        node = self.far.node if self.far else self.watch.node
        if reading.node != node or self._watched(reading):
            return None
        if reading.wire not in self.rivals.wires:
            return None
        return 2 + self.rivals.wires.index(reading.wire)

    def _from_on(self, log: tuple[LoggedReading, ...], group: int) -> float:
        """Tests with nothing isolated."""
        total = 0.0
        for reading in log:
            if not reading.isolated and (
                self._watched(reading) or self._branch(reading) is not None
            ):
                total += _capped(
                    self._density(reading, group=-1) - self._density(reading, group=group)
                )
        return total

    def _from_off(self, log: tuple[LoggedReading, ...], group: int) -> float:
        """Tests with the suspect off; those of one sitting share the chance of a bare cut."""
        total = 0.0
        sittings = {r.sitting for r in log if r.isolated == frozenset({self.suspect})}
        for sitting in sorted(sittings):
            own = rival = 0.0
            for reading in log:
                if reading.sitting == sitting and reading.isolated and self._watched(reading):
                    mine = self._density(reading, group=-1)
                    own += mine
                    rival += mine - _capped(mine - self._density(reading, group=group))
            if self.suspect.kind in ("splice", "segment", "unmapped") and group >= 2:
                rival = _mixed(rival, own, BARE_CUT)
            total += own - rival
        return total

    def _density(self, reading: LoggedReading, *, group: int) -> float:
        """log density of a reading if the fault is in ``group`` (-1: the suspect)."""
        mean, spread = self._prediction(reading, group)
        slips = self.beliefs.slips
        good = (1.0 - slips.any) * _normal(reading.current_ma, mean, spread)
        near = slips.both_conductors * 2.0 * _normal(reading.current_ma, 0.0, slips.near_zero_ma)
        anything = slips.anything / (1.2 * max(self.expected.on_ma, reading.current_ma) + 10.0)
        return math.log(good + near + anything)

    def _prediction(self, reading: LoggedReading, group: int) -> tuple[float, float]:
        """(mean, spread) of a reading if the fault is in ``group``."""
        e = self.expected
        on = (e.on_ma, e.on_spread_ma)
        off = (e.off_ma, e.off_spread_ma)
        if self._watched(reading):
            if group == 0:
                return off if reading.isolated else (0.5 * e.off_ma, 0.3 * e.off_ma + e.meter_ma)
            return off if group == -1 and reading.isolated else on
        low = e.low_ma.get(reading.wire, 0.0)
        if reading.wire is not None and reading.wire == self.carries:
            # The suspect's own lead: all of the fault if it is the suspect, its draw if not.
            if group == -1:
                return e.fault_ma, math.hypot(e.on_spread_ma, 0.05 * e.fault_ma)
            return low, 0.3 * low + 2.0 * e.meter_ma
        if group == self._branch(reading):
            return e.fault_ma, math.hypot(2.0 * e.on_spread_ma, 0.1 * e.on_ma)
        return low, 0.3 * low + 2.0 * e.meter_ma


def _normal(x: float, mean: float, spread: float) -> float:
    return math.exp(-0.5 * ((x - mean) / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi))


def _capped(log_ratio: float) -> float:
    cap = math.log(TEST_CAP)
    return max(-cap, min(cap, log_ratio))


def _mixed(log_a: float, log_b: float, share_b: float) -> float:
    """log((1 - share) e^a + share e^b)."""
    a, b = math.log(1.0 - share_b) + log_a, math.log(share_b) + log_b
    top = max(a, b)
    return top + math.log(math.exp(a - top) + math.exp(b - top))
