"""The minutes still to expect: what is left to prepare, the search by the plan, the proof.

Each part is a small distribution, (chance, minutes) of every way it may go; what is said are the
minutes that half and nine tenths of the chance of their sum do not exceed. The spread that slips
of the field bring into search and proof was fitted to rehearsals (``make bench-rehearsals`` tells
how often the real minutes stay below what was said).
"""

from __future__ import annotations

import numpy as np

from faults.tracing.act import Act
from faults.tracing.case import PLACE_KINDS, Case
from faults.tracing.proof_course import ProofLeft, proof_left_at_start
from faults.tracing.proving import SUSPECTED
from faults.tracing.rollout import quantile
from faults.tracing.travel import arrival_minutes, isolate_minutes
from sites.network.faults import Place, PlaceKind

Endings = tuple[tuple[float, float], ...]
"""(chance, minutes) of each way that something may go on."""

SEARCH_STRETCHES: Endings = ((0.65, 1.0), (0.20, 1.3), (0.15, 2.5))
"""(chance, factor) on the minutes of a search: readings taken again, wires that slips hid."""

PROOF_READINGS: Endings = ((0.6, 0.0), (0.3, 1.0), (0.1, 4.0))
"""(chance, readings) that a proof takes beyond the least."""


def remaining_minutes(case: Case, act: Act, step_minutes: float) -> tuple[float, float]:
    """(P50, P90) minutes still to expect, this step included."""
    if act.stage == "proving" and case.state.proving is not None:
        endings = _proving(case, act, case.state.proving, step_minutes)
    else:
        endings = _searching(case, act, step_minutes)
    return quantile(endings, 0.5), quantile(endings, 0.9)


# -- the parts


def _proving(case: Case, act: Act, suspect: Place, step_minutes: float) -> Endings:
    """The rest of the proof of the suspect, and the way to it."""
    costs = case.problem.costs
    work = isolate_minutes(costs, suspect) if act.do in ("isolate", "restore") else 0.0
    way = step_minutes - (work or costs.same_place_min)
    least = max(0.0, way) + _proof_minutes(case, suspect, case.proof_left(suspect))
    least += _to_the_far_end(case, act, suspect)
    return tuple(
        (chance, max(step_minutes, least) + more * costs.same_place_min)
        for chance, more in PROOF_READINGS
    )


def _to_the_far_end(case: Case, act: Act, suspect: Place) -> float:
    """Minutes of going to a segment's far end, which is read once, and back, past this step."""
    examiner = case.examiner(suspect)
    if examiner.far is None:
        return 0.0
    near, far = examiner.watch.node, examiner.far.node
    here = act.node or case.state.position.node
    seen = far == here or any(r.proving and r.node == far for r in case.state.log)
    there = case.planner.minutes_from(near)[case.planner.at[far]]
    back = case.planner.minutes_from(far)[case.planner.at[near]]
    return float((0.0 if seen else there) + (back if far == here or not seen else 0.0))


def _searching(case: Case, act: Act, step_minutes: float) -> Endings:
    """What is left to prepare, then the search, then the proof of wherever it ends."""
    before = _preparing(case)
    if before == 0.0 and act.choice is None:
        before = step_minutes
    search = _search(case, act)
    proofs = _proofs(case)
    same_place = case.problem.costs.same_place_min
    return tuple(
        (
            chance * stretched * share * slipped,
            before + minutes * factor + proof + more * same_place,
        )
        for chance, minutes in search
        for stretched, factor in SEARCH_STRETCHES
        for share, proof in proofs
        for slipped, more in PROOF_READINGS
    )


def _search(case: Case, act: Act) -> Endings:
    if act.choice is not None and act.choice.remaining_min:
        return act.choice.remaining_min
    place, chance = case.ranked(1)[0]
    if place.kind in PLACE_KINDS and chance >= SUSPECTED:
        return ((1.0, 0.0),)
    return case.search_endings(stays=act.choice is not None) or ((1.0, 0.0),)


def _preparing(case: Case) -> float:
    """Minutes of what comes before the first wire is read: looks, joints, the coil, the
    reference; 0 once there is a reading."""
    state, costs = case.state, case.problem.costs
    if state.evidence.readings:
        return 0.0
    switched = at_work = 0
    power, coil = state.rig.power, state.rig.coil
    looks = _looks_wanted(case)
    if looks:
        at_work += looks + coil
        switched += (power and coil) + (coil or not power)
        power, coil = True, False
    joints = len(case.closed_loops)
    if joints or not coil:
        switched += power
        at_work += not coil
        power = False
    switched += not power
    # The reference, and a look with the loops open.
    at_work += 1 + bool(joints)
    usual_walk = float(np.median(case.planner.minutes_from(state.position.node)))
    opened = joints * (costs.isolate_device_min + usual_walk)
    return switched * costs.same_place_min + at_work * costs.controller_min + opened


def _looks_wanted(case: Case) -> int:
    """Looks for the message that a usual trace still takes: one with all legs, one with none."""
    whole = [look for look in case.state.evidence.looks if look.legs_on is None]
    alone = [look for look in case.state.evidence.looks if look.legs_on == frozenset()]
    if whole and not any(look.shown for look in whole):
        return 1 if len(whole) < 2 else 0
    return (not whole) + (not alone) + (case.state.looks_since_joints == ())


def _proofs(case: Case) -> Endings:
    """(chance, minutes) of the proofs that may come, by what is to be proved and how hard the
    ends of a segment are to get at."""
    costs, posterior = case.problem.costs, case.posterior
    own, view = posterior.hypotheses, posterior.view
    arrival = {node.id: arrival_minutes(costs, node) for node in case.problem.path.nodes}
    found: dict[tuple[PlaceKind, float], float] = {}
    likely = np.flatnonzero(posterior.chance > 0.0)
    shares = posterior.chance[likely].tolist()
    for index, share in zip(likely.tolist(), shares, strict=True):
        place = own.places[index]
        ends = 0.0
        if place.kind == "segment":
            # Its far end is read once, and what is read next at the other is reached anew.
            far = view.far_node(place.id)
            near = view.place_of_point[int(view.parent[view.point_of_segment[place.id]])].id
            ends = arrival[near] + arrival[far] if far else 0.0
        key = (place.kind, ends)
        found[key] = found.get(key, 0.0) + share
    nowhere = max(0.0, 1.0 - float(posterior.chance.sum()))
    proofs = [(nowhere, 4.0 * costs.controller_min)]
    for (kind, ends), share in found.items():
        left = proof_left_at_start(kind, comes_and_goes=case.comes_and_goes)
        proofs.append((share, ends + _proof_minutes(case, Place(kind, ""), left)))
    return tuple(pair for pair in proofs if pair[0] > 1e-4)


def _proof_minutes(case: Case, place: Place, left: ProofLeft) -> float:
    costs = case.problem.costs
    return left.acts * isolate_minutes(costs, place) + left.readings * costs.same_place_min
