"""Readings that came after a proof, held against what the proof predicts.

A proof says what every wire reads with the suspect on, and with it off. A later reading more
than three sigma from that takes the verdict back: it is taken again at once, and where it is not
outvoted by readings of the same wire in the same state the trace ends unproved. What is predicted
comes from the moment of the proof, so that a late reading cannot bend it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from faults.tracing.expected import OnOff, OnOffPredictor
from faults.tracing.posterior import Posterior
from faults.tracing.watch import REFERENCE, LoggedReading, WatchWire
from sites.network.faults import Place

CONTRADICTS_SIGMAS = 3.0
REPEATED = 2
"""So many contradictions of one wire that are not outvoted end the trace unproved."""

SIDE_DRAW_SHARE = 0.3
"""Spread of what sound devices beyond a wire draw, as a share."""


@dataclass(frozen=True, slots=True)
class ProofHeld:
    """A proof at the moment it was made: its suspect, the chances, and how many readings and
    counts of cables there were."""

    suspect: Place
    posterior: Posterior
    readings: int
    counts: int


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A wire whose late readings contradict the proof, in one state of the rig.

    ``repeated``: more than one does. ``isolated``: the suspect was off. ``counted``: it is the
    number of cables in the box that differs.
    """

    node: str
    wire: str | None
    isolated: bool
    repeated: bool
    counted: bool = False

    @property
    def told(self) -> str:
        """What contradicts, in words."""
        if self.counted:
            return f"the cables counted at {self.node} after the proof are not those on the map"
        wire = "the reference" if self.wire == REFERENCE else f"{self.wire or 'a stray'} wire"
        where = "" if self.wire == REFERENCE else f" at {self.node}"
        state = "off" if self.isolated else "on"
        return f"{wire}{where}, read after the proof with the suspect {state}, contradicts it"


@dataclass(frozen=True, slots=True)
class LateReadings:
    """The readings since a proof and what it predicts of them.

    ``comes_and_goes``: a fault that may be away, so that a sound path's reading is no
    contradiction.
    """

    held: ProofHeld
    predictor: OnOffPredictor
    log: tuple[LoggedReading, ...]
    comes_and_goes: bool

    def contradiction(self) -> Contradiction | None:
        """The first wire whose late readings are against the proof and not outvoted."""
        votes: dict[tuple[str, str | None, bool], list[bool]] = {}
        for reading in self.log[self.held.readings :]:
            if reading.isolated - {self.held.suspect}:
                continue
            key = (reading.node, reading.wire, bool(reading.isolated))
            votes.setdefault(key, []).append(self._fits(reading))
        for (node, wire, isolated), fits in votes.items():
            against = fits.count(False)
            if outvoted(fits.count(True), against):
                continue
            return Contradiction(node, wire, isolated, against >= REPEATED)
        return None

    def _fits(self, reading: LoggedReading) -> bool:
        return any(
            abs(reading.current_ma - mean) <= CONTRADICTS_SIGMAS * spread
            for mean, spread in self._predictions(reading)
        )

    def _predictions(self, reading: LoggedReading) -> list[tuple[float, float]]:
        """(mean, spread) of what the reading may be, in mA."""
        segment = self._edge(reading)
        if segment is None and reading.wire != REFERENCE:
            return [self._lead(reading)]
        e = self._expected(reading, onward=())
        off = (e.off_ma, e.off_spread_ma)
        if reading.isolated:
            return [off]
        beyond = e.on_ma
        if self._carries(segment):
            # What leaves the controller has been read; along the path draws are reckoned.
            beyond = 0.0 if segment is None else max(0.0, e.on_ma - e.fault_ma)
        on = (e.on_ma, math.hypot(e.on_spread_ma, SIDE_DRAW_SHARE * beyond, e.meter_ma))
        return [on, off] if self.comes_and_goes else [on]

    def _lead(self, reading: LoggedReading) -> tuple[float, float]:
        """A device's lead, or a wire that is not on the map."""
        suspect = self.held.suspect
        e = self._expected(reading, onward=(reading.wire,))
        low = e.low_ma[reading.wire]
        own = suspect.kind == "device" and suspect.id == reading.wire
        stray = suspect.kind == "unmapped" and (suspect.id, None) == (reading.node, reading.wire)
        if (own or stray) and not reading.isolated:
            mean = low + e.fault_ma
            return mean, math.hypot(2.0 * e.on_spread_ma, 0.1 * mean)
        # With the fault off a device has its full voltage, and draws what the map says or so.
        full = self._full_draw_ma(reading.wire) if reading.isolated else low
        mean = 0.0 if own else max(low, full)
        return mean, SIDE_DRAW_SHARE * mean + 3.0 * e.meter_ma

    def _full_draw_ma(self, wire: str | None) -> float:
        devices = self.predictor.problem.path.devices
        return next((device.draw_ma for device in devices if device.id == wire), 0.0)

    def _expected(self, reading: LoggedReading, onward: tuple[str | None, ...]) -> OnOff:
        wire = REFERENCE if onward else (reading.wire or REFERENCE)
        return self.predictor.of(
            self.held.suspect,
            watched=WatchWire(reading.node, wire),
            onward_home=reading.node,
            onward=onward,
        )

    def _edge(self, reading: LoggedReading) -> int | None:
        edges = self.held.posterior.view.edge_of_wire
        return edges.get((reading.node, reading.wire or ""))

    def _carries(self, edge: int | None) -> bool:
        """Whether the fault's current flows through this edge; through the reference it does."""
        posterior = self.held.posterior
        point = int(posterior.hypotheses.point[posterior.hypotheses.index[self.held.suspect]])
        return edge is None or edge <= point < int(posterior.view.last[edge])


def outvoted(fitting: int, against: int) -> bool:
    """Whether readings against a proof are none, or fewer than those that fit."""
    return against == 0 or fitting > against


def miscounted(agreed: int, differed: int, node: str) -> Contradiction | None:
    """The cables at a proved splice, counted after the proof."""
    if outvoted(agreed, differed):
        return None
    return Contradiction(node, None, isolated=False, repeated=differed >= REPEATED, counted=True)
