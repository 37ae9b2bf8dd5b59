"""What the engine says as documents: the next step, and the last line of a trace.

Minutes and currents are rounded to hundredths, chances to millionths, away from neither 0 nor 1
unless they are there.
"""

from __future__ import annotations

import math
from typing import Any

from faults.forms.place import joint_document, place_document
from faults.tracing.step import (
    STEP_MAY,
    STEP_NEEDS,
    AsLeft,
    Expectation,
    Step,
    Suspect,
    Verdict,
)

Document = dict[str, Any]


def step_document(step: Step) -> Document:
    """The document of a step. Raises ValueError where a number is not finite."""
    document: Document = {"step": step.number, "stage": step.stage, "do": step.do}
    for name in (*STEP_NEEDS[step.do], *STEP_MAY.get(step.do, ())):
        value = getattr(step, name)
        if value is not None:
            document[name] = _where(name, value)
        elif step.do == "clamp" and name == "wire":
            document[name] = None  # a wire that is not on the map
    document |= {
        "step_minutes": _hundredths(step.step_minutes),
        "remaining_minutes": {
            "p50": _hundredths(step.remaining_p50_min),
            "p90": _hundredths(step.remaining_p90_min),
        },
        "expect": [_expectation(one) for one in step.expect],
        "why": step.why,
        "cautions": list(step.cautions),
        "suspects": [_suspect(one) for one in step.suspects],
        "as_left": as_left_document(step.as_left),
    }
    if step.notes:
        document["notes"] = list(step.notes)
    return document


def verdict_document(verdict: Verdict) -> Document:
    """The document of a verdict. Raises ValueError where a number is not finite."""
    search = verdict.search_minutes
    document: Document = {
        "stage": "done",
        "outcome": verdict.outcome,
        "found": [
            {
                "at": place_document(found.at),
                "kind": found.kind,
                "chance": _chance(found.chance),
                "proved": found.proved,
            }
            for found in verdict.found
        ],
        "observations": verdict.observations,
        "search_minutes": None if search is None else _hundredths(search),
        "minutes": _hundredths(verdict.minutes),
        "as_left": as_left_document(verdict.as_left),
    }
    if verdict.reason:
        document["reason"] = verdict.reason
    return document


def as_left_document(as_left: AsLeft) -> Document:
    """What is on, fitted, off, open, isolated, uncovered and tagged, as a document."""
    return {
        "power": as_left.power,
        "coil": as_left.coil,
        "legs_off": list(as_left.legs_off),
        "joints_open": [joint_document(joint) for joint in as_left.joints_open],
        "isolated": [place_document(place) for place in as_left.isolated],
        "lids_up": list(as_left.lids_up),
        "tags": [{"node": node, "tag": tag} for node, tag in as_left.tags],
    }


def _where(name: str, value: Any) -> Any:
    if name == "at":
        return place_document(value)
    if name == "joints":
        return [joint_document(joint) for joint in value]
    return list(value) if name == "legs_on" else value


def _expectation(one: Expectation) -> Document:
    document: Document = {"if": place_document(one.at)}
    if one.low_ma is not None and one.high_ma is not None:
        document["current_ma"] = [_hundredths(one.low_ma), _hundredths(one.high_ma)]
    if one.shown_chance is not None:
        document["shown_chance"] = _chance(one.shown_chance)
    return document


def _suspect(one: Suspect) -> Document:
    document = {"at": place_document(one.at), "kind": one.kind, "chance": _chance(one.chance)}
    return document | ({"history": one.history} if one.history else {})


def _hundredths(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"{value} has no place in a document")
    return round(float(value), 2)


def _chance(value: float) -> float:
    """A chance in six decimals that never says certain or impossible of what is neither."""
    if not 0.0 <= value <= 1.0:
        raise ValueError(f"{value} is not a chance")
    rounded = round(float(value), 6)
    return float(value) if rounded in (0.0, 1.0) else rounded
