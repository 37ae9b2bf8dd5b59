"""Readings that cannot be so: a form asks once more before it takes them, and keeps the entry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django import forms

from core.problems import Problem
from faults.models.trace import Trace
from faults.observation_body import body_read
from faults.trace_snapshot import snapshot_now
from faults.tracing.plausible import readings_doubted, standing_doubt
from sites.network.elements import WirePath

_CHECK = "Look at the meter, its range and the point; if it reads so, say so below"


@dataclass(frozen=True)
class Doubted:
    """What was typed into a field and is doubted, and why."""

    field: str
    value: float
    why: str


class AsksReally(forms.Form):
    """A form that takes what is doubted only with its box ticked for just these values.

    ``doubted`` names the values asked about; empty: nothing is asked.
    """

    doubted: str = ""

    def asks_really(self, doubts: Sequence[Doubted]) -> bool:
        """Whether the page has to be shown again with the question; each doubt is at its field."""
        named = " ".join(f"{one.field}={one.value:g}" for one in doubts)
        if self.data.get("really", "") == named:
            return False
        self.doubted = named
        for one in doubts:
            self.add_error(one.field, f"{one.why}. {_CHECK}")
        return True


def answer_doubts(trace: Trace, body: dict[str, Any]) -> list[Doubted]:
    """What of an answer to a step cannot be so; a body that does not fit is not doubted here."""
    try:
        document, observation = body_read(body)
    except Problem:
        return []
    problem = snapshot_now(trace).fold.session.problem
    found = []
    for one in readings_doubted(problem, observation):
        steps = one.pointer.strip("/").split("/")
        tagged = steps[0] == "readings"
        field = f"tag_{document['readings'][int(steps[1])]['tag']}" if tagged else "current_ma"
        found.append(Doubted(field, one.current_ma, one.words))
    return found


def leg_doubts(network: WirePath, said: dict[str, Any]) -> list[Doubted]:
    """What of the readings of legs cannot be so. ``said``: cleaned numbers by their fields, and
    whether the coil was in."""
    coil, found = bool(said.get("coil")), []
    for field, value in said.items():
        kind = field.rstrip("0123456789").rstrip("_")
        why = standing_doubt(network, kind, value, coil=coil) if isinstance(value, float) else None
        if why is not None:
            found.append(Doubted(field, value, why))
    return found
