"""A history of failures that misleads: it doubts the true place and accuses a splice beside it."""

from __future__ import annotations

from faults.rehearsal.rehearsal import Rehearsal
from faults.rehearsal.unmapped import true_places
from faults.tracing.problem import LEAST_FACTOR, MOST_FACTOR, History, PlaceHistory
from faults.tracing.rig_places import nodes_of_place
from sites.network.elements import WirePath
from sites.network.faults import Place


def accusing(rehearsal: Rehearsal, turn: int = 0) -> History:
    """As wrong as the bounds allow: the truth weighs least, a splice near it most.

    Splices at the fault's own node or one cable away are the last that readings tell from it;
    ``turn`` picks among them.
    """
    truth = true_places(rehearsal)
    on_map = [one for one in truth if one.kind in ("device", "splice", "segment")]
    accused = [one for one in _splices_near(rehearsal.survey, on_map) if one not in truth]
    rows = [PlaceHistory(place, LEAST_FACTOR, 0, 10.0) for place in on_map]
    if accused:
        rows.append(PlaceHistory(accused[turn % len(accused)], MOST_FACTOR, 7, 10.0))
    return History("wrong", "2026-01-01", tuple(rows))


def _splices_near(survey: WirePath, places: list[Place]) -> list[Place]:
    own = {node for place in places for node in nodes_of_place(survey, place)}
    near = set(own)
    for one in survey.segments:
        if own & {one.from_node, one.to_node}:
            near |= {one.from_node, one.to_node}
    return [Place("splice", node) for node in sorted(near - {survey.controller.id})]
