"""A played trace in words for a terminal: what was done, read and meant, step by step."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from faults.rehearsal.play import Played, PlayedStep
from faults.tracing.observations import (
    Alone,
    Cannot,
    Clamp,
    ClampSet,
    Message,
    Observation,
    PathOff,
    Reference,
    RunStation,
)
from faults.tracing.rig_places import nodes_of_place
from faults.tracing.step import LEAST_TOLD, AsLeft, Expectation, Step, Verdict, headline
from sites.network.elements import WirePath
from sites.network.faults import Place

_WIDTH = 96
_MOST_SUSPECTS = 3
_MOST_EXPECTED = 4

_OUTCOME = {
    "proved": "PROVED",
    "controller": "THE CONTROLLER ITSELF",
    "not-present": "NOT PRESENT NOW",
    "unproved": "UNPROVED",
}
_ENDLESS = {
    "none": "nothing wrong now",
    "controller": "the controller itself",
    "overload": "a sound path that draws too much",
    "other": "none of these",
}


class Walkthrough:
    """Words for the steps of traces on one path: boxes and wires are told with what they are."""

    def __init__(self, path: WirePath) -> None:
        self._path = path
        self._segments = {segment.id: segment for segment in path.segments}
        self._devices = {device.id: device for device in path.devices}

    def step_lines(self, taken: PlayedStep) -> Iterator[str]:
        """One step: what to do, cautions, why, what was to be expected, what came back."""
        step = taken.step
        yield f"{step.number:>3}. [{step.stage}] {self.task(step)}"
        for caution in step.cautions:
            yield from _block("CAUTION  ", caution)
        yield from _block("why      ", step.why)
        if step.expect:
            yield from _block("expect   ", self._expected(step))
        yield from _block("got      ", answer_words(taken.observation))
        for note in step.notes:
            yield from _block("note     ", note)
        if step.suspects:
            yield from _block("suspects ", self._suspected(step))
        yield from _block("minutes  ", _minutes(step, taken.observation))
        yield ""

    def task(self, step: Step) -> str:
        """What a step asks for, in the imperative."""
        if step.do == "power":
            return "Switch the power on." if step.on else "Switch the power off and prove it dead."
        if step.do == "fit_coil":
            return "Put the coil in series." if step.fitted else "Take the coil out."
        if step.do in ("open_joints", "close_joints"):
            joints = ", ".join(f"{segment} at its {end} end" for segment, end in step.joints or ())
            return f"{'Open' if step.do == 'open_joints' else 'Close'} the joints: {joints}."
        if step.do == "message":
            return f"Look for the overcurrent message with {_legs(step.legs_on)}."
        if step.do == "reference":
            return f"Read the reference at the controller with {_legs(step.legs_on)}."
        if step.do == "run_station":
            return f"Run station {step.station} and look for the overcurrent message."
        return self._task_on_the_path(step)

    def _task_on_the_path(self, step: Step) -> str:
        if step.do == "clamp_set":
            return f"At {self._node(step.node)} tag every wire and clamp each."
        if step.do in ("clamp", "path_off"):
            off = ", this path switched off" if step.do == "path_off" else ""
            jaw = "both conductors" if step.conductor == "both" else "one conductor"
            wire = self._wire(step.wire, step.node)
            return f"At {self._node(step.node)} clamp {jaw} of {wire}{off}."
        at = self.place(step.at or Place("other"))
        if step.do == "alone":
            return f"Put {at} alone on the controller behind the coil and clamp it."
        if step.do == "isolate":
            return f"Isolate {at}, the path rejoined past it."
        return f"Restore {at}."

    def place(self, at: Place) -> str:
        """A place in words, with where it is."""
        if at.kind in _ENDLESS:
            return _ENDLESS[at.kind]
        if at.kind == "unmapped":
            return f"something unmapped at {at.id}"
        nodes = nodes_of_place(self._path, at)
        if at.kind == "device" and nodes:
            return f"device {at.id} at {nodes[0]}"
        if at.kind == "segment" and nodes:
            return f"cable run {at.id} from {nodes[0]} to {nodes[1]}"
        return f"{at.kind} {at.id}"

    def verdict_lines(self, verdict: Verdict) -> Iterator[str]:
        """How it ended, what is found, and what stands open; the verdict is the last line."""
        why, head = verdict.reason, ""
        if verdict.outcome == "unproved":
            head, why = headline(verdict.reason)
        if why:
            yield from _block("because  ", why)
        yield from _block("as left  ", as_left_words(verdict.as_left))
        found = "; ".join(
            f"{self.place(f.at)} ({f.kind}, chance {f.chance:.4f}{', proved' if f.proved else ''})"
            for f in verdict.found[:_MOST_SUSPECTS]
        )
        search = verdict.search_minutes
        searched = "never suspected" if search is None else f"suspected after {search:.1f} min"
        yield (
            f"{_OUTCOME[verdict.outcome]}{f' ({head})' if head else ''}: {found or 'no place'}. "
            f"{verdict.observations} observations, {searched}, {verdict.minutes:.1f} min in all."
        )

    def _node(self, node_id: str | None) -> str:
        access = {node.id: node.access for node in self._path.nodes}.get(node_id or "")
        kind = {"cabinet": "the controller", "box": "box", "buried": "buried splice"}
        return f"{kind[access]} {node_id}" if access else f"{node_id}"

    def _wire(self, wire: str | None, node: str | None) -> str:
        if wire is None:
            return "the wire that is not on the map"
        if wire in self._devices:
            return f"the lead of device {wire}"
        segment = self._segments.get(wire)
        if segment is None:
            return wire
        other = segment.to_node if node == segment.from_node else segment.from_node
        return f"cable {wire} (to {other})"

    def _expected(self, step: Step) -> str:
        told = [f"{_expectation(one)} if {self.place(one.at)}" for one in step.expect]
        more = len(told) - _MOST_EXPECTED
        return "; ".join(told[:_MOST_EXPECTED]) + (f"; and {more} more" if more > 0 else "")

    def _suspected(self, step: Step) -> str:
        told = [f"{self.place(one.at)} {one.chance:.3f}" for one in step.suspects]
        rest = step.other_suspects_chance
        told += [f"all others together {rest:.3f}"] if rest >= LEAST_TOLD else []
        return "; ".join(told) + " (before this)"


def answer_words(observation: Observation) -> str:
    """What came back, in words."""
    match observation:
        case Message(shown=shown) | RunStation(shown=shown):
            return "message shown" if shown else "no message"
        case Clamp(current_ma=current_ma, cables_seen=cables_seen):
            counted = "" if cables_seen is None else f" ({cables_seen} cables and leads counted)"
            return f"{current_ma:g} mA{counted}"
        case Reference(current_ma=current_ma) | PathOff(current_ma=current_ma):
            return f"{current_ma:g} mA"
        case Alone(current_ma=current_ma):
            return f"{current_ma:g} mA"
        case ClampSet(readings=readings):
            return ", ".join(f"tag {r.tag}: {r.current_ma:g} mA" for r in readings)
        case Cannot(why=why):
            return f"cannot: {why}"
        case _:
            return "done"


def as_left_words(left: AsLeft) -> str:
    """What is on, fitted, off, open, isolated and uncovered, in words."""
    parts = [
        f"power {'on' if left.power else 'off'}",
        f"coil {'in' if left.coil else 'out'}",
        _listed("legs off", left.legs_off),
        _listed("joints open", [f"{segment} {end}" for segment, end in left.joints_open]),
        _listed("isolated", [str(place) for place in left.isolated]),
        _listed("lids up", left.lids_up),
        _listed("tags", [f"{node} {tag}" for node, tag in left.tags]),
    ]
    return ", ".join(part for part in parts if part)


def played_lines(path: WirePath, played: Played) -> Iterator[str]:
    """A whole trace."""
    words = Walkthrough(path)
    yield f"{path.label}: {len(path.devices)} devices, {len(path.segments)} cable runs."
    yield ""
    for taken in played.steps:
        yield from words.step_lines(taken)
    yield from words.verdict_lines(played.verdict)


def _listed(name: str, things: list[str] | tuple[str, ...]) -> str:
    return f"{name}: {' '.join(things)}" if things else ""


def _legs(legs_on: tuple[str, ...] | None) -> str:
    if legs_on is None:
        return "all legs on"
    return f"only {', '.join(legs_on)} on" if legs_on else "no leg on"


def _expectation(one: Expectation) -> str:
    if one.low_ma is not None and one.high_ma is not None:
        return f"{one.low_ma:.0f} to {one.high_ma:.0f} mA"
    if one.shown_chance is not None:
        return f"message with chance {one.shown_chance:.2f}"
    return "no figure"


def _minutes(step: Step, observation: Observation) -> str:
    at = "" if observation.at_min is None else f", {observation.at_min:.1f} since the start"
    return (
        f"{step.step_minutes:.1f} for this step{at}; still to expect "
        f"{step.remaining_p50_min:.0f} (nine in ten below {step.remaining_p90_min:.0f})"
    )


def _block(name: str, text: str) -> list[str]:
    """A named paragraph, indented below its step."""
    head = f"     {name} "
    return textwrap.wrap(text, _WIDTH, initial_indent=head, subsequent_indent=" " * len(head)) or [
        head.rstrip()
    ]
