"""The ground as it is rigged now: power, coil, joints, isolated places, and what shows.

It answers in true currents; the meter, the clock and the walking are the field's matter.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from faults.rehearsal.rehearsal import Rehearsal
from faults.rehearsal.unmapped import Wires, mapped_ids
from faults.tracing.observations import Joint
from sites.network.elements import WirePath
from sites.network.faults import Condition, Fault, Place
from sites.network.prepared import prepare
from sites.network.solution import Solution
from sites.network.solve import solve_prepared


class GroundRig:
    """The circuit of a rehearsal's ground in its present condition.

    Solutions are kept by condition, since a trace clamps many wires while nothing changes.
    Which faults show and where the trip current lies is drawn anew at every power-on and every
    look for the message, and holds until the next draw.
    """

    def __init__(self, rehearsal: Rehearsal) -> None:
        self._truth = rehearsal
        self._path = rehearsal.ground
        self._prepared = prepare(self._path)
        self.wires = Wires.of(self._path)
        self._mapped = mapped_ids(rehearsal.survey)
        self._ends = {s.id: (s.from_node, s.to_node) for s in self._path.segments}
        self._legs = frozenset(self.wires.segments.get(self._path.controller.id, ()))
        self._standing = frozenset(
            (s.id, s.joint_open) for s in self._path.segments if s.joint_open is not None
        )
        self._chance = np.random.default_rng([rehearsal.seed, 2])
        self._solved: dict[tuple[Condition, int | None], Solution] = {}
        self.power_on = True
        self.coil_in = False
        self.isolated: frozenset[Place] = frozenset()
        self.joints_open: frozenset[Joint] = frozenset()
        self.joints_closed: frozenset[Joint] = frozenset()
        self._trip_ma = self._path.trip_ma
        self._shown: tuple[Fault, ...] = ()
        self.legs_on: tuple[str, ...] | None = None
        self._draw_what_shows()

    # -- rigging -----------------------------------------------------------------------------

    def switch(self, *, on: bool) -> None:
        """Power on or off."""
        if on and not self.power_on:
            self._draw_what_shows()
        self.power_on = on

    def open_joints(self, joints: tuple[Joint, ...]) -> None:
        """Take both conductors apart at these segment ends."""
        self.joints_closed -= frozenset(joints)
        self.joints_open |= frozenset(joints) - self._standing

    def close_joints(self, joints: tuple[Joint, ...]) -> None:
        """Join both conductors at these segment ends."""
        self.joints_open -= frozenset(joints)
        self.joints_closed |= frozenset(joints) & self._standing

    # -- what is there -----------------------------------------------------------------------

    def unmapped_wires_at(self, node_id: str) -> tuple[str, ...]:
        """Segments and devices of the ground at a node that are not on the map."""
        return tuple(w for w in self.wires.at(node_id) if w not in self._mapped)

    def unmapped_faults_at(self, node_id: str) -> int:
        """Faults on something unmapped at a node: each hangs on a wire of its own."""
        here = Place("unmapped", node_id)
        return sum(fault.at == here for fault in self._truth.faults)

    def unmapped_at(self, node_id: str) -> int:
        """How many unmapped wires of either sort hang at a node."""
        return self.unmapped_faults_at(node_id) + len(self.unmapped_wires_at(node_id))

    def cables_at(self, node_id: str) -> int:
        """Cables and leads that can be counted in the box, mapped or not, joined or lifted."""
        return len(self.wires.at(node_id)) + self.unmapped_faults_at(node_id)

    # -- true currents -----------------------------------------------------------------------

    def look_for_message(
        self, legs_on: tuple[str, ...] | None, *, station: int | None = None
    ) -> bool:
        """Draw what shows, then the controller's word with these legs on, coil out."""
        self.legs_on = legs_on
        self._draw_what_shows()
        return self._message_shows(legs_on, station=station)

    def controller_ma(self, legs_on: tuple[str, ...] | None) -> float:
        """Current out of the controller, mA. Moving legs first holds a power-on."""
        if legs_on != self.legs_on:
            self.legs_on = legs_on
            self._draw_what_shows()
        if not self._energised(legs_on):
            return 0.0
        return abs(self._solution(self._condition(legs_on)).controller_current_a) * 1000.0

    def alone_ma(self, device_id: str) -> float:
        """Current of a device alone on the controller behind the coil, mA; power off after."""
        self._draw_what_shows()
        self.power_on, self.coil_in = False, True
        condition = Condition(coil_ohm=self._truth.coil_ohm, faults=self._shown, alone=device_id)
        return abs(self._solution(condition).controller_current_a) * 1000.0

    def wire_ma(self, node_id: str, wire: str | None, legs_on: tuple[str, ...] | None) -> float:
        """Current in a wire at a node, mA; ``wire`` None: the unmapped one that hangs there."""
        if not self._energised(legs_on):
            return 0.0
        condition = self._condition(legs_on)
        solution = self._solution(condition)
        if wire is None and self.unmapped_faults_at(node_id) == 0:
            wire = self.unmapped_wires_at(node_id)[0]
        if wire is not None:
            return abs(solution.wire_current_a(node_id, wire)) * 1000.0
        return _unmapped_fault_ma(solution, condition, node_id)

    def leakage_ma(self, node_id: str, wire: str, legs_on: tuple[str, ...] | None) -> float:
        """What both conductors of a wire carry together, mA: 0 unless something leaks to earth."""
        if not self._energised(legs_on):
            return 0.0
        return self._solution(self._condition(legs_on)).current_ma(node_id, wire, "both")

    # -- the circuit -------------------------------------------------------------------------

    def _draw_what_shows(self) -> None:
        """Draw anew which faults show and where the trip lies; it holds until the next draw."""
        faults = self._truth.faults
        draws = self._chance.uniform(size=len(faults))
        self._shown = tuple(f for f, u in zip(faults, draws, strict=True) if u < f.show_chance)
        spread = self._path.trip_spread
        self._trip_ma = self._path.trip_ma * (1.0 + spread * float(self._chance.normal()))

    def _energised(self, legs_on: tuple[str, ...] | None) -> bool:
        """Whether current flows: a controller without coil cuts off a path it objects to."""
        return self.power_on and (self.coil_in or not self._message_shows(legs_on))

    def _message_shows(
        self, legs_on: tuple[str, ...] | None, *, station: int | None = None
    ) -> bool:
        """The controller's word, coil out, with these legs on."""
        kinds = {fault.at.kind for fault in self._shown}
        if "controller" in kinds:
            return True
        condition = dataclasses.replace(self._condition(legs_on), coil_ohm=None)
        if self._legs <= condition.legs_off:
            return False
        if "other" in kinds:
            return True
        current_a = self._solution(condition, station=station).controller_current_a
        return abs(current_a) * 1000.0 > self._trip_ma

    def _condition(self, legs_on: tuple[str, ...] | None) -> Condition:
        """The path as rigged now, with some legs on."""
        isolated: set[Place] = set(self.isolated)
        joints: set[Joint] = set(self.joints_open)
        for at in self.isolated:
            if at.kind in ("splice", "unmapped"):
                # Whoever remakes a splice joins what the map shows: what hangs there besides
                # stays off, and the splice looks guilty of what the unmapped wire does.
                isolated.add(Place("unmapped", at.id))
                self._take_off_unmapped(at.id, isolated, joints)
        return Condition(
            coil_ohm=self._truth.coil_ohm if self.coil_in else None,
            faults=self._shown,
            isolated=frozenset(isolated),
            legs_off=frozenset() if legs_on is None else self._legs - frozenset(legs_on),
            joints_open=frozenset(joints),
            joints_closed=self.joints_closed,
        )

    def _take_off_unmapped(self, node_id: str, isolated: set[Place], joints: set[Joint]) -> None:
        for wire in self.unmapped_wires_at(node_id):
            if wire in self._ends:
                is_from = self._ends[wire][0] == node_id
                joints.add((wire, "from" if is_from else "to"))
            else:
                isolated.add(Place("device", wire))

    def _solution(self, condition: Condition, *, station: int | None = None) -> Solution:
        key = (condition, station)
        if key not in self._solved:
            prepared = self._prepared
            if station is not None:
                prepared = prepare(_while_running(self._path, station))
            self._solved[key] = solve_prepared(prepared, condition)
        return self._solved[key]


def _unmapped_fault_ma(solution: Solution, condition: Condition, node_id: str) -> float:
    """Current into unmapped shorts at a node: voltage over resistance."""
    here = Place("unmapped", node_id)
    if here in condition.isolated:
        return 0.0
    total_a = 0.0 + 0.0j
    for fault in condition.faults:
        if fault.at == here and fault.kind == "short" and fault.resistance_ohm:
            total_a += solution.voltage_v(node_id) / fault.resistance_ohm
    return abs(total_a) * 1000.0


def _while_running(path: WirePath, station: int) -> WirePath:
    """The path while a station runs: its devices draw their active current besides."""
    devices = tuple(
        dataclasses.replace(device, draw_ma=device.draw_ma + (device.active_ma or 0.0))
        if station in device.stations
        else device
        for device in path.devices
    )
    return dataclasses.replace(path, devices=devices)
