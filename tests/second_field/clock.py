"""Minutes and whereabouts of the person in the field, by the costs of a document."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from tests.second_field.places import Document

USUAL_COSTS: Document = {
    "walk_m_per_s": 1.2,
    "box_min": 3.0,
    "buried_min": 45.0,
    "controller_min": 4.0,
    "same_place_min": 0.5,
    "isolate_min": {"device": 6.0, "splice": 25.0, "segment": 60.0},
}


@dataclass(slots=True)
class Clock:
    """Starts at the controller at 0 minutes; `nodes` are those of the survey, by id."""

    costs: Document
    nodes: dict[str, Document]
    at: str
    minutes: float = 0.0

    def arrive_min(self, node: str) -> float:
        """Minutes to walk to a node and get at its wires; 0 for where the person stands."""
        if node == self.at:
            return 0.0
        here, there = self.nodes[self.at], self.nodes[node]
        apart_m = math.hypot(here["x_m"] - there["x_m"], here["y_m"] - there["y_m"])
        opening = {"box": self._cost("box_min"), "buried": self._cost("buried_min")}
        return apart_m / self._cost("walk_m_per_s") / 60.0 + opening.get(there["access"], 0.0)

    def reading_min(self, node: str) -> float:
        """Minutes for a reading at a node: the arrival, or a further reading there."""
        return self.arrive_min(node) if node != self.at else self._cost("same_place_min")

    def act_min(self, node: str, kind: str) -> float:
        """Minutes to go there and act: `kind` is `controller`, `power` or a kind of place."""
        arrival = self.arrive_min(node)
        if kind == "controller":
            return arrival + self._cost("controller_min")
        if kind == "power":
            return arrival + self._cost("same_place_min")
        isolate: Any = self.costs.get("isolate_min", USUAL_COSTS["isolate_min"])
        if not isinstance(isolate, dict):
            return arrival + float(isolate)
        kind = "splice" if kind == "unmapped" else kind
        return arrival + float(isolate.get(kind, USUAL_COSTS["isolate_min"][kind]))

    def spend(self, minutes: float, node: str) -> None:
        """Let time pass and stand at `node` afterwards."""
        self.minutes += minutes
        self.at = node

    def _cost(self, name: str) -> float:
        return float(self.costs[name] if name in self.costs else USUAL_COSTS[name])
