"""Steps, answers and what stands open, in the words of pages; documents in, text out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sites.network.elements import WirePath
from sites.pages.words import PathWords

Document = dict[str, Any]

STAGES = (
    ("preparing", "Preparing"),
    ("ruling-out", "Ruling out"),
    ("following", "Following"),
    ("proving", "Proving"),
    ("done", "Done"),
)
OUTCOMES = {
    "proved": "Proved",
    "controller": "The controller itself",
    "not-present": "Not present now",
    "unproved": "Unproved",
}


def stations_words(numbers: Sequence[int], unnumbered: int) -> str:
    """Stations by their numbers, and how many have none on the map."""
    said = [", ".join(str(number) for number in numbers)] if numbers else []
    said += [f"{unnumbered} without a number"] if unnumbered else []
    return " and ".join(said) or "none"


@dataclass(frozen=True)
class TraceWords:
    """Words for the steps of traces on one path."""

    path: WirePath

    @property
    def on_path(self) -> PathWords:
        """Names of the path's things."""
        return PathWords(self.path)

    def task(self, step: Document) -> str:
        """What a step asks for; also what an answer was to."""
        do = step["do"]
        if do == "power":
            return "Switch the power on" if step["on"] else "Switch the power off, prove it dead"
        if do == "fit_coil":
            fitted = "Put the coil in series at the controller"
            return fitted if step["fitted"] else "Take the coil out"
        if do in ("open_joints", "close_joints"):
            verb = "Open" if do == "open_joints" else "Close"
            return f"{verb} {self.joints(step['joints'] if 'joints' in step else step['done'])}"
        if do == "message":
            return f"Look for the overcurrent message, {_legs(step)}"
        if do == "reference":
            return f"Read the current at the controller, {_legs(step)}"
        if do == "run_station":
            return f"Run station {step['station']} and look for the overcurrent message"
        return self._on_the_path(step)

    def _on_the_path(self, step: Document) -> str:
        do, words = step["do"], self.on_path
        node = step.get("node", "")
        if do == "clamp_set":
            return f"At {words.node(node)} tag every wire and clamp each"
        if do == "clamp":
            jaw = "both conductors" if step.get("conductor") == "both" else "one conductor"
            return f"At {words.node(node)} clamp {jaw} of {words.wire(step['wire'], node)}"
        if do == "path_off":
            wire = words.wire(step["wire"], node)
            return f"At {words.node(node)} clamp {wire} with this path switched off"
        if do == "cannot":
            return f"Work at {words.node(node)}"
        if do == "strike":
            return "Take an answer back"
        at = words.place(step["at"])
        if do == "alone":
            return f"Put {at} alone on the controller behind the coil and clamp it"
        if do == "isolate":
            return f"Take {at} out of the path, and join the path again past it"
        return f"Put {at} back into the path"

    def joints(self, joints: list[Document]) -> str:
        """Joints in words: the cable run, and at which splice point."""
        ends = {one.id: {"from": one.from_node, "to": one.to_node} for one in self.path.segments}
        named = []
        for one in joints:
            node = ends.get(one["segment"], {}).get(one["end"], "")
            at = f" at {self.on_path.node(node)}" if node else ""
            named.append(f"cable run {one['segment']}{at}")
        return f"the joint{'s' if len(named) != 1 else ''} of {', '.join(named)}"

    def answer(self, body: Document) -> str:
        """What came back, in a few words."""
        do = body["do"]
        if do in ("message", "run_station"):
            return "message shown" if body["shown"] else "no message"
        if do == "clamp_set":
            read = (f"{one['tag']}: {one['current_ma']:g} mA" for one in body["readings"])
            return ", ".join(read)
        if do == "cannot":
            return f"not possible: {body['why']}" if body.get("why") else "not possible"
        if "current_ma" not in body:
            return "done"
        seen = body.get("cables_seen")
        counted = "" if seen is None else f" ({seen} wires)"
        return f"{body['current_ma']:g} mA{counted}"

    def expected(self, step: Document) -> list[Document]:
        """The readings to expect, each with what it would speak for."""
        return [
            {
                "low": one["current_ma"][0] if "current_ma" in one else None,
                "high": one["current_ma"][1] if "current_ma" in one else None,
                "reading": _expectation(one),
                "place": self.on_path.place(one["if"]),
            }
            for one in step["expect"]
        ]

    def suspects(self, ranked: list[Document]) -> list[Document]:
        """Places with their chances in words and as shares."""
        return [
            {
                "place": self.on_path.place(one["at"]),
                "kind": one["kind"],
                "chance": chance_words(one["chance"]),
                "share": round(float(one["chance"]), 3),
                "proved": one.get("proved", False),
                "history": one.get("history", ""),
            }
            for one in ranked
        ]

    def as_left(self, left: Document) -> list[str]:
        """What is on, fitted, off, open, out of the path and uncovered right now."""
        return list(self._left(left))

    def _left(self, left: Document) -> Iterator[str]:
        yield "Power on" if left["power"] else "Power off"
        yield "Coil in" if left["coil"] else "Coil out"
        if left["legs_off"]:
            yield f"Legs off: {', '.join(left['legs_off'])}"
        if left["joints_open"]:
            yield f"Open: {self.joints(left['joints_open'])}"
        for place in left["isolated"]:
            yield f"Out of the path: {self.on_path.place(place)}"
        if left["lids_up"]:
            yield f"Lids up: {', '.join(self.on_path.node(one) for one in left['lids_up'])}"
        if left["tags"]:
            tied = (f"{one['node']} {one['tag']}" for one in left["tags"])
            yield f"Tags tied: {', '.join(tied)}"


def done_words(step: Document) -> str:
    """What the button of an act says."""
    words = {
        "power": ("Power is off and proved dead", "Power is on"),
        "fit_coil": ("The coil is out", "The coil is in"),
    }
    if step["do"] == "power":
        return words["power"][bool(step["on"])]
    if step["do"] == "fit_coil":
        return words["fit_coil"][bool(step["fitted"])]
    return {
        "open_joints": "Opened and capped",
        "close_joints": "Closed",
        "isolate": "Out, and the path joined past it",
        "restore": "Back in the path",
    }.get(step["do"], "Done")


def chance_words(chance: float) -> str:
    """A chance as a share of a hundred that never says certain of what is not."""
    percent = 100.0 * chance
    if percent < 0.95:
        return "below 1 %"
    if percent > 99.9:
        return "over 99.9 %"
    return f"{percent:.1f} %" if percent > 99.0 else f"{percent:.0f} %"


def _legs(step: Document) -> str:
    legs = step.get("legs_on")
    if legs is None:
        return "all legs on"
    return f"only {', '.join(legs)} on" if legs else "no leg on: the controller alone"


def _expectation(one: Document) -> str:
    if "current_ma" in one:
        low, high = one["current_ma"]
        return f"{low:.0f} to {high:.0f} mA"
    if "shown_chance" in one:
        return f"message: {chance_words(one['shown_chance'])}"
    return "no figure"
