"""Call-backs of a history: every repair, what followed at the same place, and what chance gives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faults.recurrence.callbacks import CallBacks, call_backs, chance_of_failure
from faults.recurrence.checked import Flags, Floats, Wholes
from faults.recurrence.exposed import Exposed
from faults.recurrence.funnel import ALARM, WARNING, Funnel, ratio_funnel
from faults.recurrence.history import DEVICE, SEGMENT, SPLICE, History, Questions
from faults.recurrence.peers import PeerRates
from faults.recurrence.same_place import CableMap, Neighbourhoods, Spot

NO_CREW = "(not told)"


@dataclass(frozen=True, slots=True)
class CrewCallBacks:
    """Call-backs by crew; ``rule``: the same place in words; ``until_next``: of each failure the
    calendar time to the next at the same place, nan where none came."""

    rule: str
    crews: tuple[str, ...]
    counted: CallBacks
    warning: Funnel
    alarm: Funnel
    called_back: Flags
    chance: Floats
    until_next: Floats


def crew_call_backs(
    history: History, questions: Questions, exposed: Exposed, peers: list[PeerRates]
) -> CrewCallBacks | None:
    """Call-backs within the window of every repair; None without failures.

    ``peers``: of each unit. Repairs at the end of the watch, whose window holds no exposure, have
    chance 0 and no call-back. O(failures² + failures × units) on each path.
    """
    failures = history.failures
    if not failures:
        return None
    same, weights = _same_and_weights(history, questions, exposed)
    at = exposed.at
    later = at[None, :] > at[:, None]
    gap = np.where(same & later, at[None, :] - at[:, None], np.inf).min(axis=1)
    called_back = gap <= questions.call_back_within
    chance = _chances(questions, exposed, peers, weights)
    crews, group = np.unique([failure.crew or NO_CREW for failure in failures], return_inverse=True)
    counted = call_backs(called_back, chance, group)
    size = np.maximum(counted.expected, 1e-6)
    return CrewCallBacks(
        rule=questions.rule.words,
        crews=tuple(crews.tolist()),
        counted=counted,
        warning=ratio_funnel(size, WARNING),
        alarm=ratio_funnel(size, ALARM),
        called_back=called_back,
        chance=chance,
        until_next=np.where(np.isfinite(gap), gap, np.nan),
    )


def _chances(
    questions: Questions, exposed: Exposed, peers: list[PeerRates], weights: Floats
) -> Floats:
    """Chance of a failure in the neighbourhood of each, within the window, known what was then."""
    mean, variance = np.zeros(len(exposed.at)), np.zeros(len(exposed.at))
    for repair, unit in zip(*(part.tolist() for part in np.nonzero(weights)), strict=True):
        now = float(exposed.at[repair])
        before = exposed.exposure_at(unit, now)
        ahead = exposed.exposure_at(unit, now + questions.call_back_within) - before
        failed = int(np.sum((exposed.failures.unit == unit) & (exposed.at <= now)))
        fit, share = peers[unit], float(weights[repair, unit]) * ahead
        # 1/(β + t) and α + s, written so that one rate for all (φ = 0) needs no infinities.
        scale = fit.mean / (1.0 + fit.dispersion * fit.mean * before)
        rate = scale * (1.0 + fit.dispersion * failed)
        mean[repair] += share * rate
        variance[repair] += share**2 * rate * scale * fit.dispersion
    return chance_of_failure(mean, variance)


def _same_and_weights(
    history: History, questions: Questions, exposed: Exposed
) -> tuple[Flags, Floats]:
    """Which failures are at the same place, and how much of each unit is the same place."""
    units = exposed.descent.of_failure
    count = len(units)
    very = units[:, None] == units[None, :]
    weights = np.zeros((count, len(exposed.counts)))
    weights[np.arange(count), units] = 1.0
    if questions.rule.kind == "very":
        return very, weights
    cable, node_of, segment_of = _cable(history, exposed)
    spots, owners = [], []
    for number, unit in enumerate(units.tolist()):
        spot = _spot(history, exposed, number, unit, node_of, segment_of)
        if spot is not None:
            spots.append(spot)
            owners.append(number)
    near = Neighbourhoods(cable, questions.rule, spots)
    here = np.array(owners, dtype=np.int64)
    same = very.copy()
    same[np.ix_(here, here)] |= near.same()
    on_nodes, on_segments = near.weights()
    for table, numbers in ((on_nodes, node_of), (on_segments, segment_of)):
        for unit, column in numbers.items():
            weights[here, unit] = np.maximum(weights[here, unit], table[:, column])
    _devices_with_splices(history, exposed, here, on_nodes, node_of, weights)
    return same, weights


def _devices_with_splices(
    history: History,
    exposed: Exposed,
    here: Wholes,
    on_nodes: Floats,
    node_of: dict[int, int],
    weights: Floats,
) -> None:
    """A device lies where its splice does."""
    unit_of = {end: unit for unit, ends in enumerate(exposed.descent.ends) for end in ends}
    for number, place in enumerate(history.places):
        if place.kind == DEVICE and number in unit_of and place.between:
            splice = unit_of.get(place.between[0])
            if splice in node_of:
                unit = unit_of[number]
                near = on_nodes[:, node_of[splice]]
                weights[here, unit] = np.maximum(weights[here, unit], near)


def _cable(history: History, exposed: Exposed) -> tuple[CableMap, dict[int, int], dict[int, int]]:
    """The map as it is now: numbers of splices and segments by unit."""
    unit_of = {end: unit for unit, ends in enumerate(exposed.descent.ends) for end in ends}
    node_of: dict[int, int] = {}
    for number, place in enumerate(history.places):
        if place.kind == SPLICE and number in unit_of:
            node_of.setdefault(unit_of[number], len(node_of))
    segment_of: dict[int, int] = {}
    ends: list[list[int]] = []
    lengths: list[float] = []
    for number, place in enumerate(history.places):
        both = [node_of.get(unit_of.get(one, -1)) for one in place.between]
        known = [node for node in both if node is not None]
        if place.kind == SEGMENT and number in unit_of and len(known) == 2:
            segment_of.setdefault(unit_of[number], len(ends))
            ends.append(known)
            lengths.append(place.amount)
    pairs = np.array(ends, dtype=np.int64).reshape(-1, 2)
    return CableMap.of(len(node_of), pairs, lengths), node_of, segment_of


def _spot(
    history: History,
    exposed: Exposed,
    number: int,
    unit: int,
    node_of: dict[int, int],
    segment_of: dict[int, int],
) -> Spot | None:
    """Where a failure lies on the map as it is; in the middle of a segment that was cut since."""
    failure = history.failures[number]
    if unit in node_of:
        return Spot(node=node_of[unit])
    if unit in segment_of:
        whole = exposed.descent.ends[unit] == (failure.place,)
        along = failure.fraction if whole and failure.fraction is not None else 0.5
        return Spot(segment=segment_of[unit], fraction=along)
    place = history.places[int(exposed.head[unit])]
    if place.kind == DEVICE and place.between:
        unit_of = {end: one for one, ends in enumerate(exposed.descent.ends) for end in ends}
        splice = unit_of.get(place.between[0])
        if splice in node_of:
            return Spot(node=node_of[splice])
    return None
