"""What a drawing says in words: titles of its signs, and the description of the whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sites.network.drawing_palette import milliamperes
from sites.network.drawing_text import plain
from sites.network.elements import Device, Segment, WirePath


@dataclass(frozen=True, slots=True)
class StepMark:
    """A step that was taken at a node: its number, and in a few words what was done."""

    number: int
    node_id: str
    label: str


def segment_words(segment: Segment, current_ma: float | None) -> str:
    """A cable run: between what, how long, of what, and what it carries."""
    said = "current not given" if current_ma is None else f"{milliamperes(current_ma)} mA"
    joint = f", joint open at its {segment.joint_open} end" if segment.joint_open else ""
    return (
        f"{segment.id}, {segment.from_node} to {segment.to_node}, {segment.length_m:g} m "
        f"{segment.conductor}{joint}: {said}"
    )


def device_words(device: Device, current_ma: float | None) -> str:
    """A device, where it hangs, and what its lead carries where that is given."""
    said = "" if current_ma is None else f": {milliamperes(current_ma)} mA in its lead"
    return f"{device.id}, {device.kind} at {device.node}{said}"


def description(path: WirePath, currents_ma: Mapping[str, float], marks: Sequence[StepMark]) -> str:
    """The drawing for those who do not see it: what hangs there, the strongest wire, all steps."""
    counts = f"{len(path.devices)} devices, {len(path.segments)} cable runs"
    parts = [
        f"Two-wire path with {counts} and {len(path.nodes)} nodes, drawn to scale.",
        f"Controller: {path.controller.id}.",
    ]
    cables = {s.id: currents_ma[s.id] for s in path.segments if s.id in currents_ma}
    if cables:
        strongest = max(cables, key=lambda wire: cables[wire])
        parts.append(f"Strongest current: {milliamperes(cables[strongest])} mA in {strongest}.")
    if marks:
        said = "; ".join(f"{mark.number} at {mark.node_id}: {mark.label}" for mark in marks)
        parts.append(f"Steps taken: {said}.")
    return plain(" ".join(parts))
