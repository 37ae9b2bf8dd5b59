"""The simulated ground: answers the steps of a trace from the exact circuit and the truth.

A :class:`Field` is an actor: it has a clock, a place where the technician stands, a rig and a
meter, and every answer moves them. What it answers with is all that a trace may see of it.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

import numpy as np

from faults.rehearsal.ground_rig import GroundRig
from faults.rehearsal.meter import SeededMeter
from faults.rehearsal.rehearsal import Rehearsal
from faults.rehearsal.unmapped import walkable
from faults.tracing.observations import (
    Alone,
    Cannot,
    Clamp,
    ClampSet,
    CloseJoints,
    FitCoil,
    Isolate,
    Joint,
    Message,
    Observation,
    OpenJoints,
    PathOff,
    Power,
    Reference,
    Restore,
    RunStation,
    TagReading,
)
from faults.tracing.problem import TraceProblem
from faults.tracing.rig_places import node_of_joint, nodes_of_place
from faults.tracing.step import Step
from faults.tracing.travel import Doing, start_position, step_minutes
from sites.network.faults import Place

UNMAPPED_LOOK = "a cable that is not on the map"
NOT_THERE = "it is not there on the ground"

_Given = TypeVar("_Given")


class Field:
    """The ground of a rehearsal with a technician on it.

    ``answer`` does what a step asks and gives the observation, with its minute by the costs;
    what cannot be done on this ground (the map is wrong there) gives *cannot*. ``minutes``,
    ``position`` and ``rig`` are the state after the last answer.
    """

    def __init__(self, rehearsal: Rehearsal) -> None:
        self._seed = rehearsal.seed
        self._ground = rehearsal.ground
        self._walks = TraceProblem(path=walkable(rehearsal), costs=rehearsal.costs)
        self._nodes = frozenset(node.id for node in self._ground.nodes)
        self._segments = frozenset(segment.id for segment in self._ground.segments)
        self._devices = frozenset(device.id for device in self._ground.devices)
        self._meter = SeededMeter(rehearsal.meter, rehearsal.seed)
        self.rig = GroundRig(rehearsal)
        self.minutes = 0.0
        self.position = start_position(self._walks.path)

    def answer(self, step: Step) -> Observation:
        """Do what the step asks and tell what came of it.

        Raises :class:`sites.network.errors.NetworkError` where the ground cannot be solved.
        """
        acts: dict[str, Callable[[Step], Observation]] = {
            "power": self._power,
            "open_joints": self._open_joints,
            "close_joints": self._close_joints,
            "message": self._message,
            "fit_coil": self._fit_coil,
            "reference": self._reference,
            "clamp": self._clamp,
            "clamp_set": self._clamp_set,
            "path_off": self._path_off,
            "isolate": self._isolate,
            "restore": self._restore,
            "alone": self._alone,
            "run_station": self._run_station,
        }
        return acts[step.do](step)

    # -- acts at the controller --------------------------------------------------------------

    def _power(self, step: Step) -> Observation:
        self.rig.switch(on=bool(step.on))
        return Power(on=bool(step.on), at_min=self._spend(step))

    def _fit_coil(self, step: Step) -> Observation:
        self.rig.coil_in = bool(step.fitted)
        return FitCoil(fitted=bool(step.fitted), at_min=self._spend(step))

    def _message(self, step: Step) -> Observation:
        shown = self.rig.look_for_message(step.legs_on)
        return Message(shown=shown, legs_on=step.legs_on, at_min=self._spend(step))

    def _run_station(self, step: Step) -> Observation:
        station = _given(step.station)
        shown = self.rig.look_for_message(None, station=station)
        return RunStation(station=station, shown=shown, at_min=self._spend(step))

    def _reference(self, step: Step) -> Observation:
        read_ma = self._meter.read(self.rig.controller_ma(step.legs_on))
        return Reference(current_ma=read_ma, legs_on=step.legs_on, at_min=self._spend(step))

    def _alone(self, step: Step) -> Observation:
        at = _given(step.at)
        if not self._is_there(at):
            return self._cannot_at(at)
        read_ma = self._meter.read(self.rig.alone_ma(at.id))
        return Alone(at=at, current_ma=read_ma, at_min=self._spend(step))

    # -- acts along the path -----------------------------------------------------------------

    def _clamp(self, step: Step) -> Observation:
        node = _given(step.node)
        unmapped = step.wire is None and self.rig.unmapped_at(node) > 0
        if not unmapped and step.wire not in self.rig.wires.at(node):
            return self._cannot(node)
        if step.conductor == "both" and step.wire is not None:
            true_ma = self.rig.leakage_ma(node, step.wire, step.legs_on)
        else:
            true_ma = self.rig.wire_ma(node, step.wire, step.legs_on)
        return Clamp(
            node=node,
            wire=step.wire,
            conductor=step.conductor or "a",
            current_ma=self._meter.read(true_ma),
            seen_as=UNMAPPED_LOOK if unmapped else None,
            cables_seen=self.rig.cables_at(node),
            legs_on=step.legs_on,
            at_min=self._spend(step),
        )

    def _clamp_set(self, step: Step) -> Observation:
        node = _given(step.node)
        if node not in self._nodes:
            return self._cannot(node)
        wires: list[str | None] = list(self.rig.wires.at(node))
        wires += [None] * self.rig.unmapped_faults_at(node)
        # Tags must not tell the order of the file; the same box keeps its tags.
        shuffle = np.random.default_rng([self._seed, 3, zlib.crc32(node.encode())])
        readings = []
        for tag, index in enumerate(shuffle.permutation(len(wires)), start=1):
            true_ma = self.rig.wire_ma(node, wires[int(index)], self.rig.legs_on)
            readings.append(TagReading(tag=str(tag), current_ma=self._meter.read(true_ma)))
        return ClampSet(
            node=node,
            readings=tuple(readings),
            cables_seen=self.rig.cables_at(node),
            at_min=self._spend(step),
        )

    def _path_off(self, step: Step) -> Observation:
        node, wire = _given(step.node), _given(step.wire)
        if wire not in self.rig.wires.at(node):
            return self._cannot(node)
        read_ma = self._meter.read(0.0)
        return PathOff(node=node, wire=wire, current_ma=read_ma, at_min=self._spend(step))

    def _isolate(self, step: Step) -> Observation:
        at = _given(step.at)
        if not self._is_there(at):
            return self._cannot_at(at)
        self.rig.isolated |= {at}
        return Isolate(at=at, at_min=self._spend(step))

    def _restore(self, step: Step) -> Observation:
        at = _given(step.at)
        if not self._is_there(at):
            return self._cannot_at(at)
        self.rig.isolated -= {at}
        return Restore(at=at, at_min=self._spend(step))

    def _open_joints(self, step: Step) -> Observation:
        there = self._joints_there(step)
        if not there:
            return self._cannot(node_of_joint(self._walks.path, _given(step.joints)[0]))
        self.rig.open_joints(there)
        return OpenJoints(done=there, at_min=self._spend(replace(step, joints=there)))

    def _close_joints(self, step: Step) -> Observation:
        there = self._joints_there(step)
        if not there:
            return self._cannot(node_of_joint(self._walks.path, _given(step.joints)[0]))
        self.rig.close_joints(there)
        return CloseJoints(done=there, at_min=self._spend(replace(step, joints=there)))

    # -- the clock, and what is there --------------------------------------------------------

    def _spend(self, doing: Doing) -> float:
        """Let the minutes of this pass; the minute it is then, with digits a text carries."""
        minutes, self.position = step_minutes(self._walks, self.position, doing)
        self.minutes = round(self.minutes + minutes, 6)
        return self.minutes

    def _cannot(self, node_id: str) -> Cannot:
        """Nothing done: that it is not there is found out on the spot, after the way to it."""
        at_min = self._spend(Cannot(node=node_id))
        return Cannot(node=node_id, why=NOT_THERE, at_min=at_min)

    def _cannot_at(self, at: Place) -> Cannot:
        return self._cannot(nodes_of_place(self._walks.path, at)[0])

    def _joints_there(self, step: Step) -> tuple[Joint, ...]:
        return tuple(joint for joint in _given(step.joints) if joint[0] in self._segments)

    def _is_there(self, at: Place) -> bool:
        if at.kind == "device":
            return at.id in self._devices
        if at.kind == "segment":
            return at.id in self._segments
        if at.kind == "unmapped":
            return self.rig.unmapped_at(at.id) > 0
        return at.kind == "splice" and at.id in self._nodes


def _given(value: _Given | None) -> _Given:
    """What a step must have for what it asks. Raises ValueError where it is absent."""
    if value is None:
        raise ValueError("the step lacks a field that what it asks for needs")
    return value
