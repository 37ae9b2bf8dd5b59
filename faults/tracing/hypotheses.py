"""What can be wrong: every place on the map with its prior weight, and what is no place.

Hypotheses that no reading so far can part share a *row*: a splice, the devices that hang on it
and anything unmapped there carry the same trunk currents, and only a clamp on a lead parts them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faults.tracing.assumptions import Assumptions
from faults.tracing.problem import History, PlacePrior
from faults.tracing.tree_view import TreeView
from sites.network.faults import Place

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LEAST_WEIGHT = 1e-9
"""A prior weight between nothing and this counts as this: smaller ones vanish in sums of floats,
and with them the chances. Nothing takes a place out."""

SOUND_KINDS = ("none", "controller", "overload", "hidden")
"""Hypotheses under which the path reads sound with the coil in."""


@dataclass(frozen=True, slots=True)
class Hypotheses:
    """H places with their kind, point and prior weight; weights sum to the chance of any place.

    ``history``: the factor in each weight that the history of failures gave.
    """

    places: tuple[Place, ...]
    kind: NDArray[np.str_]
    point: IntArray
    weight: FloatArray
    history: FloatArray
    index: dict[Place, int]

    @property
    def history_tells(self) -> bool:
        """Whether the history of failures says anything of any place."""
        return bool(np.any(self.history != 1.0))

    def without_history(self, chance: FloatArray) -> FloatArray:
        """Chances of places as they would be had history said nothing, beside the same *apart*.

        Each is its weight times what the readings say of it, so the factor is divided out and
        the weights are brought to their sum again.
        """
        bare = self.weight / self.history
        scale = float(self.weight.sum() / bare.sum())
        found: FloatArray = chance / self.history * scale
        return found


def list_hypotheses(
    view: TreeView,
    beliefs: Assumptions,
    priors: tuple[PlacePrior, ...] = (),
    history: History | None = None,
) -> Hypotheses:
    """Every device, splice, segment and unmapped thing the tree has room for, in preorder."""
    told = {prior.at: prior.weight for prior in priors}
    places: list[Place] = []
    points: list[int] = []
    weights: list[float] = []

    def add(place: Place, point: int, weight: float) -> None:
        places.append(place)
        points.append(point)
        factor = told.get(place, 1.0)
        weights.append(weight * (max(LEAST_WEIGHT, factor) if factor > 0.0 else 0.0))

    node_at = {point: node for node, point in view.point_of_node.items()}
    for point, place in enumerate(view.place_of_point):
        node_id = node_at.get(point)
        if node_id is None:
            if place.kind == "segment" and view.point_of_segment[place.id] == point:
                add(place, point, 1.0)
            continue
        if point != 0:
            add(place, point, 1.0)
            add(Place("unmapped", node_id), point, beliefs.priors.unmapped_weight)
        for device in view.devices_at.get(node_id, ()):
            add(Place("device", device.id), point, 1.0)
    apart = beliefs.priors
    left = 1.0 - apart.controller - apart.none - apart.overload - apart.hidden - apart.other
    failed = {one.at: one.factor for one in history.places} if history else {}
    factors = np.array([failed.get(place, 1.0) for place in places])
    weight = np.array(weights) * factors
    return Hypotheses(
        places=tuple(places),
        kind=np.array([place.kind for place in places]),
        point=np.array(points, dtype=np.int64),
        # Joints may be open such that nothing hangs on the controller: then there is no place.
        weight=weight * (left / weight.sum()) if places else weight,
        history=factors,
        index={place: i for i, place in enumerate(places)},
    )


@dataclass(frozen=True, slots=True)
class Rows:
    """K groups of hypotheses alike to all readings: their ``point`` (K,), the row of each
    hypothesis (H,), and the rows of places whose own wire has been clamped (``carrier``)."""

    point: IntArray
    carrier: dict[int, Place]
    row_of: IntArray


def group_rows(hypotheses: Hypotheses, clamped: frozenset[Place]) -> Rows:
    """One row for each point, and one more for each device or unmapped thing whose own wire
    has been ``clamped``."""
    point, row_of = np.unique(hypotheses.point, return_inverse=True)
    row_of = row_of.reshape(-1).astype(np.int64)
    extra: list[int] = []
    carrier: dict[int, Place] = {}
    for place in sorted(clamped, key=str):
        index = hypotheses.index.get(place)
        if index is None:
            continue
        row = len(point) + len(extra)
        extra.append(int(hypotheses.point[index]))
        row_of[index] = row
        carrier[row] = place
    return Rows(np.append(point, np.array(extra, dtype=np.int64)), carrier, row_of)
