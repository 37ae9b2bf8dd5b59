"""Chances of every hypothesis, and what the next steps need to know of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faults.tracing.draws import DrawScale
from faults.tracing.hypotheses import Hypotheses, Rows
from faults.tracing.prediction import SoundTree
from faults.tracing.tree_view import TreeView
from sites.network.faults import Place

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

NONE = Place("none")
OVERLOAD = Place("overload")
CONTROLLER = Place("controller")
OTHER = Place("other")


@dataclass(frozen=True, slots=True)
class Apart:
    """Chances of what is no place on the map.

    ``hidden``: a fault is there but draws nothing now, with the coil in. ``other``: none of all.
    """

    none: float
    controller: float
    overload: float
    hidden: float
    other: float

    @property
    def sound(self) -> float:
        """The chance that the path reads sound with the coil in."""
        return self.none + self.controller + self.overload + self.hidden


@dataclass(frozen=True, slots=True)
class BestCell:
    """For each row (K,) the likeliest R_f, draw scale column and reference current."""

    resistance_ohm: FloatArray
    column: IntArray
    scale_ma: FloatArray


@dataclass(frozen=True, slots=True)
class Posterior:
    """``chance`` (H,) of each place; ``row_chance`` (K + 1,), the last one the sound path's.

    ``best`` has K + 1 entries too. ``mean_square_draw`` (P,) is each point's own draw over the
    reference, squared, as the chances now have it.
    """

    hypotheses: Hypotheses
    sound: SoundTree
    rows: Rows
    chance: FloatArray
    row_chance: FloatArray
    apart: Apart
    best: BestCell
    draw: DrawScale
    mean_square_draw: FloatArray
    all_awake: bool

    @property
    def view(self) -> TreeView:
        """The tree all of it stands on."""
        return self.sound.view

    def ranked(self, count: int) -> list[tuple[Place, float]]:
        """The likeliest hypotheses, those that are no place among them."""
        top = np.argsort(-self.chance, kind="stable")[:count]
        ranked = [(self.hypotheses.places[i], float(self.chance[i])) for i in top]
        ranked += [(place, self.chance_of(place)) for place in (NONE, CONTROLLER, OVERLOAD, OTHER)]
        ranked.sort(key=lambda pair: -pair[1])
        return ranked[:count]

    def chance_of(self, place: Place) -> float:
        """The chance of one hypothesis; a hidden fault counts as ``other``."""
        index = self.hypotheses.index.get(place)
        if index is not None:
            return float(self.chance[index])
        if place.kind == "none":
            return self.apart.none
        if place.kind == "controller":
            return self.apart.controller
        if place.kind == "overload":
            return self.apart.overload
        return self.apart.other + self.apart.hidden if place.kind == "other" else 0.0

    def point_chance(self) -> FloatArray:
        """Chance by point (P,)."""
        by_point = np.bincount(self.hypotheses.point, self.chance, self.view.size)
        return np.asarray(by_point, dtype=np.float64)
