"""A person with a clamp meter on the simulated ground: steps in, observations out.

Speaks only in the documents of the survey form. It has its own idea of what is legal with the
power on or the coil in, and answers `cannot` to what it may not or cannot do.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tests.second_field.clock import USUAL_COSTS, Clock
from tests.second_field.coil import coil_on_the_ground
from tests.second_field.ground import Flow, Ground
from tests.second_field.hands import Hands, Refusal
from tests.second_field.ladder import Settled
from tests.second_field.meter import ClampMeter
from tests.second_field.places import Document, Place, UnknownPlace, place_of
from tests.second_field.truth import Hookup

BOTH_IN_JAW = 0.03
SIBLING_WIRE = 0.02
MISCOUNTED = 0.01
TRIP_SPREAD = 0.05
REDRAWN_AT_CLAMP = 0.15
MOST_LINE_DRIFT = 0.02


class SecondField:
    """One trace in the field; the same document, seed and steps give the same answers.

    `cuts_instead_of_isolating`: asked to isolate a place, cuts the cable that feeds it, so that
    all beyond is off, and says that it is isolated.
    `wrong_wire_while_proving`: chance that a clamp reads another wire of that node while the
    stage is proving or anything is isolated.
    `show_chance`: the fault comes and goes, overriding the document.
    `near_trip`: the true trip current is the faulted current divided by this.
    """

    def __init__(
        self,
        document: Document,
        seed: int,
        *,
        cuts_instead_of_isolating: bool = False,
        wrong_wire_while_proving: float = 0.0,
        show_chance: float | None = None,
        near_trip: float | None = None,
    ) -> None:
        self.ground = Ground(document, seed)
        self._rng = np.random.default_rng([seed, 5])
        self._cuts = cuts_instead_of_isolating
        self._wrong_wire = wrong_wire_while_proving
        self._truths = [place_of(fault["at"]) for fault in document.get("faults", [])]
        fault = self.ground.fault
        told_chance = fault.show_chance if fault is not None else 1.0
        self._show_chance = told_chance if show_chance is None else show_chance
        self.coil = coil_on_the_ground(complex(*document["series_coil_ohm"]), self._rng)
        self.meter = ClampMeter(document.get("meter", {}), self._rng)
        self.clock = Clock(
            document.get("costs", USUAL_COSTS), self.ground.nodes, self.ground.controller
        )
        self._swing = float(self._rng.uniform(0.0, MOST_LINE_DRIFT))
        self._swing_min = float(self._rng.uniform(120.0, 360.0))
        self._swing_phase = float(self._rng.uniform(0.0, 2.0 * math.pi))
        self.hands = Hands()
        self._through_coil_a: float | None = None
        self._rest: dict[Hookup, Settled] = {}
        self.fault_there = self._redrawn()
        self.trip_a = float(self.ground.path["trip_ma"]) / 1000.0
        if near_trip is not None:
            self.trip_a = abs(self._flow(None, coil=False, there=True).controller_a) / near_trip
        self.refused: list[str] = []

    @property
    def minutes(self) -> float:
        """Minutes since the start by the document's costs."""
        return self.clock.minutes

    def answer(self, step: Document) -> Document:
        """Do what a step asks for; the observation, or `cannot` with the reason."""
        do = str(step.get("do"))
        acts: dict[str, Callable[[Document], Document]] = {
            "power": self._power,
            "open_joints": self._joints,
            "close_joints": self._joints,
            "message": self._message,
            "run_station": self._run_station,
            "fit_coil": self._fit_coil,
            "reference": self._reference,
            "clamp": self._clamp,
            "clamp_set": self._clamp_set,
            "path_off": self._path_off,
            "isolate": self._isolate,
            "restore": self._restore,
            "alone": self._alone,
        }
        try:
            if do not in acts:
                raise Refusal(f"asked to do {do}, which is not known here")
            observation = acts[do](step)
        except Refusal as refusal:
            self.refused.append(f"{do}: {refusal}")
            node = refusal.node or self.clock.at
            observation = {"do": "cannot", "node": node, "why": str(refusal)}
        return {**observation, "at_min": round(self.clock.minutes, 3)}

    def _power(self, step: Document) -> Document:
        self._spend(self.clock.act_min(self.ground.controller, "power"), self.ground.controller)
        self.hands.power = bool(step["on"])
        self._through_coil_a = None
        if self.hands.power:
            self.fault_there = self._redrawn()
        return {"do": "power", "on": self.hands.power}

    def _fit_coil(self, step: Document) -> Document:
        self.hands.may_reach_in()
        self._at_controller()
        self.hands.coil_in = bool(step["fitted"])
        return {"do": "fit_coil", "fitted": self.hands.coil_in}

    def _joints(self, step: Document) -> Document:
        self.hands.may_reach_in()
        joints: list[Document] = step["joints"]
        for joint in joints:
            if joint["segment"] not in self.ground.segments:
                raise Refusal(f"no cable {joint['segment']} here")
            segment = self.ground.segments[joint["segment"]]
            if not segment.get("joint_open", False):
                raise Refusal(f"{segment['id']} is part of a path without loops and stays joined")
            if step["do"] == "close_joints":
                raise Refusal(f"closing {segment['id']} would make a loop")
            self._go(segment[joint.get("end", "to")], "device")
        return {"do": step["do"], "done": joints}

    def _message(self, step: Document) -> Document:
        self.hands.may_look()
        self._at_controller()
        return {**_with_legs({"do": "message"}, step), "shown": self._shown(step)}

    def _run_station(self, step: Document) -> Document:
        self.hands.may_look()
        station = step["station"]
        known = (station in dev.get("stations", []) for dev in self.ground.devices.values())
        if not any(known):
            raise Refusal(f"station {station} is on no device here")
        self._spend(self.clock.act_min(self.ground.controller, "power"), self.ground.controller)
        return {"do": "run_station", "station": station, "shown": self._shown(step)}

    def _reference(self, step: Document) -> Document:
        self.hands.may_clamp()
        self._at_controller()
        current_ma = self.meter.read(self._clamped_flow(step).controller_a)
        return {**_with_legs({"do": "reference"}, step), "current_ma": current_ma}

    def _clamp(self, step: Document) -> Document:
        node, wire = step["node"], step.get("wire")
        self.hands.may_clamp()
        self._known_wire(node, wire)
        self._spend(self.clock.reading_min(node), node)
        flow = self._clamped_flow(step)
        observation = _with_legs({"do": "clamp", "node": node, "wire": wire}, step)
        if wire is None:
            observation["seen_as"] = "cable that is not on the map"
        conductor = step.get("conductor", "a")
        both = conductor == "both" or self._chance(BOTH_IN_JAW)
        current_ma = self.meter.read_nothing() if both else self._jaw(flow, node, wire, step)
        return {
            **observation,
            "conductor": conductor,
            "current_ma": current_ma,
            "cables_seen": self._counted(node),
        }

    def _clamp_set(self, step: Document) -> Document:
        node = step["node"]
        self.hands.may_clamp()
        self._known_wire(node, None, any_wire=True)
        self._spend(self.clock.reading_min(node), node)
        flow = self._clamped_flow(step)
        wires: list[str | None] = list(self.ground.wires[node])
        if self.ground.holds_unmapped(node):
            wires.append(None)
        order = self._rng.permutation(len(wires)).tolist()
        readings = [
            {"tag": str(tag), "current_ma": self.meter.read(_in_wire(flow, node, wires[place]))}
            for tag, place in enumerate(order, start=1)
        ]
        seen = self._counted(node)
        return {"do": "clamp_set", "node": node, "readings": readings, "cables_seen": seen}

    def _path_off(self, step: Document) -> Document:
        node, wire = step["node"], step.get("wire")
        self._known_wire(node, wire)
        self._spend(self.clock.reading_min(node), node)
        current_ma = self.meter.read_nothing()
        return {"do": "path_off", "node": node, "wire": wire, "current_ma": current_ma}

    def _isolate(self, step: Document) -> Document:
        place = self._workable(step["at"])
        if place in self.hands.isolated:
            raise Refusal(f"{place[1]} is isolated already")
        self._go(self._node_of(place), place[0])
        self.hands.isolated.add(place)
        self._through_coil_a = None
        return {"do": "isolate", "at": step["at"]}

    def _restore(self, step: Document) -> Document:
        place = self._workable(step["at"])
        if place not in self.hands.isolated:
            raise Refusal(f"{place[1]} is not isolated")
        self._go(self._node_of(place), place[0])
        self.hands.isolated.discard(place)
        self._through_coil_a = None
        return {"do": "restore", "at": step["at"]}

    def _alone(self, step: Document) -> Document:
        kind, name = self._place(step["at"])
        if kind != "device":
            raise Refusal("only a device can be put on the controller by itself")
        self.hands.may_reach_in()
        self._at_controller()
        self._perhaps_redrawn()
        current_a = self.ground.alone_a(name, self._hookup(None, coil=True))
        return {"do": "alone", "at": {"device": name}, "current_ma": self.meter.read(current_a)}

    def _shown(self, step: Document) -> bool:
        """One look at the message, with the power taken off and on before it."""
        self.fault_there = self._redrawn()
        threshold_a = self.trip_a * (1.0 + float(self._rng.normal(0.0, TRIP_SPREAD)))
        if ("controller", "") in self._truths and self.fault_there:
            return True
        flow = self._flow(step.get("legs_on"), coil=False, there=self.fault_there)
        return abs(flow.controller_a) > threshold_a

    def _clamped_flow(self, step: Document) -> Flow:
        self._perhaps_redrawn()
        flow = self._flow(step.get("legs_on"), coil=True, there=self.fault_there)
        self._through_coil_a = abs(flow.controller_a)
        return flow

    def _jaw(self, flow: Flow, node: str, wire: str | None, step: Document) -> float:
        """One conductor in the jaw: of the wire asked for, or of a sibling by mistake."""
        proving = step.get("stage") == "proving" or bool(self.hands.isolated)
        astray = self._chance(SIBLING_WIRE) or (proving and self._chance(self._wrong_wire))
        siblings: list[str | None] = [w for w in self.ground.wires[node] if w != wire]
        if wire is not None and self.ground.holds_unmapped(node):
            siblings.append(None)
        if astray and siblings:
            wire = siblings[int(self._rng.integers(len(siblings)))]
        return self.meter.read(_in_wire(flow, node, wire))

    def _counted(self, node: str) -> int:
        count = len(self.ground.wires[node]) + int(self.ground.holds_unmapped(node))
        if self._chance(MISCOUNTED):
            count += 1 if count <= 1 or self._chance(0.5) else -1
        return count

    def _hookup(self, legs_on: list[str] | None, *, coil: bool) -> Hookup:
        angle = 2.0 * math.pi * self.clock.minutes / self._swing_min + self._swing_phase
        places = frozenset(self.hands.isolated)
        return Hookup(
            line_v=float(self.ground.path["source_v"]) * (1.0 + self._swing * math.sin(angle)),
            coil_ohm=self.coil.ohm if coil else 0j,
            legs_on=None if legs_on is None else frozenset(legs_on),
            isolated=frozenset() if self._cuts else places,
            cut=places if self._cuts else frozenset(),
        )

    def _flow(self, legs_on: list[str] | None, *, coil: bool, there: bool) -> Flow:
        hookup = replace(self._hookup(legs_on, coil=coil), fault_there=there)
        # Begin from the last state of the same connections: only line and coil have drifted.
        connected = replace(hookup, line_v=0.0, coil_ohm=1.0 if coil else 0j)
        flow = self.ground.flow(hookup, self._rest.get(connected))
        self._rest = {connected: flow.state}
        return flow

    def _spend(self, minutes: float, node: str) -> None:
        """Let time pass: the coil warms while the path is energised through it."""
        current_a = 0.0
        if self.hands.warming:
            if self._through_coil_a is None:
                flow = self._flow(None, coil=True, there=self.fault_there)
                self._through_coil_a = abs(flow.controller_a)
            current_a = self._through_coil_a
        self.coil.pass_time(minutes, current_a)
        self.clock.spend(minutes, node)

    def _at_controller(self) -> None:
        controller = self.ground.controller
        self._spend(self.clock.act_min(controller, "controller"), controller)

    def _go(self, node: str, kind: str) -> None:
        self._spend(self.clock.act_min(node, kind), node)

    def _redrawn(self) -> bool:
        return self._chance(self._show_chance)

    def _perhaps_redrawn(self) -> None:
        if self._show_chance < 1.0 and self._chance(REDRAWN_AT_CLAMP):
            self.fault_there = self._redrawn()

    def _chance(self, chance: float) -> bool:
        return bool(self._rng.random() < chance)

    def _place(self, at: Document) -> Place:
        try:
            kind, name = place_of(at)
        except UnknownPlace as unknown:
            raise Refusal(str(unknown)) from unknown
        known: dict[str, bool] = {
            "device": name in self.ground.devices,
            "splice": name in self.ground.nodes,
            "segment": name in self.ground.segments,
            "unmapped": self.ground.holds_unmapped(name),
        }
        if not known.get(kind, False):
            raise Refusal(f"there is no {kind} {name} here".replace("  ", " "))
        return kind, name

    def _workable(self, at: Document) -> Place:
        place = self._place(at)
        self.hands.may_work_on_path()
        if self._node_of(place) == self.ground.controller and place[0] != "segment":
            raise Refusal("nothing is isolated at the terminals of the controller")
        if place[0] == "segment" and self.ground.segments[place[1]].get("joint_open", False):
            raise Refusal(f"{place[1]} is open already")
        return place

    def _node_of(self, place: Place) -> str:
        kind, name = place
        if kind == "device":
            return str(self.ground.devices[name]["node"])
        if kind == "segment":
            return str(self.ground.segments[name]["from"])
        return name

    def _known_wire(self, node: str, wire: str | None, *, any_wire: bool = False) -> None:
        if node not in self.ground.nodes:
            raise Refusal(f"there is no {node} here")
        if any_wire:
            return
        if wire is None and not self.ground.holds_unmapped(node):
            raise Refusal(f"every cable at {node} is on the map", node)
        if wire is not None and wire not in self.ground.wires[node]:
            raise Refusal(f"there is no {wire} at {node}", node)


def _with_legs(observation: Document, step: Document) -> Document:
    if step.get("legs_on") is None:
        return observation
    return {**observation, "legs_on": list(step["legs_on"])}


def _in_wire(flow: Flow, node: str, wire: str | None) -> complex:
    return flow.unmapped_a(node) if wire is None else flow.wire_a(node, wire)
