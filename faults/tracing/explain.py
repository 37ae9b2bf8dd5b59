"""Why this step, and what its reading should be, in plain words."""

from __future__ import annotations

import math

import numpy as np

from faults.tracing.act import Act
from faults.tracing.case import Case
from faults.tracing.likelihood import meter_spread_ma
from faults.tracing.messages import full_current_ma, shown_chance
from faults.tracing.planner import Wire
from faults.tracing.prediction import place_faults
from faults.tracing.problem import PlaceHistory
from faults.tracing.step import Expectation, Suspect
from sites.network.faults import Place

SHOWN_SUSPECTS = 6
CLASSES_HOLD = 0.99
STILL_SUSPECTED = 0.01
"""A place is cleared once its chance is below this part of an equal share."""


def why(case: Case, act: Act) -> str:
    """The reason for a step: what it splits, what each answer would mean, what it saves."""
    if act.choice is None:
        return act.why
    wire = act.choice.wire
    share = round(100.0 * wire.chance)
    if wire.id is None:
        return f"A cable that is not on the map may hang at {wire.node}: find it and clamp it."
    beyond = _suspected_within(case, wire)
    lead = wire.low == wire.high
    name = f"lead {wire.id}" if lead else f"segment {wire.id}"
    text = f"Splits the chance {share} : {100 - share}. "
    if lead:
        text += f"High on the {name}: it is the suspect; near nothing: it is cleared."
    else:
        text += (
            f"High on {name} at {wire.node}: the fault is beyond it ({beyond} still suspected); "
            "low: all of these are cleared."
        )
    if act.choice.instead_min is not None and act.choice.remaining_min:
        mean = _mean(act.choice.remaining_min)
        saved = act.choice.instead_min - mean
        if saved >= 1.0:
            text += f" Saves about {saved:.0f} min against the worst of the ten best places."
    return text


def _mean(endings: tuple[tuple[float, float], ...]) -> float:
    total = math.fsum(chance for chance, _ in endings)
    return math.fsum(chance * minutes for chance, minutes in endings) / total if total else 0.0


def _suspected_within(case: Case, wire: Wire) -> str:
    """How many places beyond a wire are not cleared yet."""
    own, chance = case.posterior.hypotheses, case.posterior.chance
    inside = (own.point >= wire.low) & (own.point < wire.high)
    count = int((inside & (chance * len(own.places) >= STILL_SUSPECTED)).sum())
    return "1 place" if count == 1 else f"{count} places"


def suspects(case: Case) -> tuple[Suspect, ...]:
    """The likeliest hypotheses that hold nearly all of the chance."""
    listed: list[Suspect] = []
    history = case.problem.history
    known = {one.at: history_clause(one) for one in history.places} if history else {}
    held = 0.0
    for place, chance in case.ranked(SHOWN_SUSPECTS):
        if listed and (held >= 0.999 or chance < 1e-4):
            break
        listed.append(
            Suspect(at=place, kind="short", chance=min(1.0, chance), history=known.get(place, ""))
        )
        held += chance
    return tuple(listed)


def history_clause(known: PlaceHistory) -> str:
    """How the history of failures counted for a place, in plain words."""
    months = max(1, round(12.0 * known.years))
    when = f"in {known.years:.1f} years" if months >= 12 else f"in {months} months"
    when = "in one month" if months == 1 else when
    if known.failures:
        told = f"failed {_times(known.failures)} {when} here"
        if known.stretch_failures > known.failures:
            told += f", {_times(known.stretch_failures)} in the stretch around it"
    else:
        told = f"lies in a stretch that failed {_times(known.stretch_failures)} {when}"
    return f"{told}; weighs {known.factor:.1f} times its peers"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def expectations(case: Case, act: Act) -> tuple[Expectation, ...]:
    """95 % intervals of the reading, or chances of the message, by class of hypothesis.

    A class is named by its likeliest member: the fault beyond the wire, elsewhere on the path,
    nowhere. None where nothing hangs on the controller, so that there is no place to name.
    """
    if not case.posterior.hypotheses.places:
        return ()
    if act.do == "clamp" and act.choice is not None and act.choice.wire.id is not None:
        return _of_wire(case, act.choice.wire)
    if act.stage == "proving" and act.do in ("clamp", "reference"):
        return _of_proof(case, act)
    if act.do == "reference":
        return _of_reference(case)
    if act.do == "message":
        return _of_message(case, act)
    return ()


def _interval(place: Place, mean: float, spread: float) -> Expectation:
    return Expectation(
        at=place,
        low_ma=round(max(0.0, mean - 1.96 * spread), 1),
        high_ma=round(mean + 1.96 * spread, 1),
    )


def _spread(case: Case, mean: float) -> float:
    return math.sqrt(meter_spread_ma(case.problem.meter) ** 2 + (0.03 * mean) ** 2)


def _of_wire(case: Case, wire: Wire) -> tuple[Expectation, ...]:
    sight, posterior = case.sight, case.posterior
    own = posterior.hypotheses
    if wire.low == wire.high:
        place = Place("device", str(wire.id))
        inside = np.arange(len(own.places)) == own.index[place]
        high, low = sight.reference_ma, 2.0
        edge = posterior.view.point_of_node[wire.node]
        high = float(sight.high_ma[edge]) if edge else high
    else:
        inside = (own.point >= wire.low) & (own.point < wire.high)
        high, low = float(sight.high_ma[wire.low]), float(sight.low_ma[wire.low])
    classes = []
    for mask, mean in ((inside, high), (~inside, low)):
        chance = np.where(mask, posterior.chance, 0.0)
        if chance.sum() > 1.0 - CLASSES_HOLD:
            place = own.places[int(chance.argmax())]
            classes.append(_interval(place, mean, _spread(case, mean)))
    return tuple(classes)


def _of_proof(case: Case, act: Act) -> tuple[Expectation, ...]:
    suspect = case.state.proving
    if suspect is None:
        return ()
    examiner = case.examiner(suspect)
    e = examiner.expected
    if act.node is not None and (act.node, act.wire) != (
        examiner.watch.node,
        examiner.watch.wire,
    ):
        if act.wire is not None and act.wire == examiner.carries:
            return (_interval(suspect, e.fault_ma, e.on_spread_ma),)
        low = e.low_ma.get(act.wire, 0.0)
        return (_interval(suspect, low, _spread(case, low)),)
    if case.state.rig.isolated:
        return (
            _interval(suspect, e.off_ma, e.off_spread_ma),
            _interval(Place("other"), e.on_ma, e.on_spread_ma),
        )
    return (_interval(suspect, e.on_ma, e.on_spread_ma),)


def _of_reference(case: Case) -> tuple[Expectation, ...]:
    posterior = case.posterior
    row = int(posterior.row_chance[:-1].argmax())
    place = posterior.hypotheses.places[int(posterior.chance.argmax())]
    mean = float(posterior.best.scale_ma[row])
    known = case.problem.coil_ohm is not None
    share = 0.1 if known else case.reckoner.beliefs.coil_log_spread
    classes = [_interval(place, mean, share * mean)]
    if posterior.apart.sound > 1.0 - CLASSES_HOLD:
        sound = float(posterior.best.scale_ma[-1])
        classes.append(_interval(Place("none"), sound, 0.35 * sound))
    return tuple(classes)


def _of_message(case: Case, act: Act) -> tuple[Expectation, ...]:
    """Chances of the message for the likeliest place, the controller and a sound path."""
    posterior, problem, beliefs = case.posterior, case.problem, case.reckoner.beliefs
    leader = int(posterior.chance.argmax())
    row = int(posterior.rows.row_of[leader])
    short = place_faults(
        posterior.sound,
        np.array([posterior.rows.point[row], -1]),
        posterior.best.resistance_ohm[row] * np.ones(1),
    )
    current = full_current_ma(short, problem)[:, 0, :]
    drawn = np.array(
        [current[0, posterior.best.column[row]], current[1, posterior.best.column[-1]]]
    )
    if act.legs_on is not None and not act.legs_on:
        drawn = np.zeros(2)
    faulted, sound = shown_chance(drawn, problem, beliefs)
    return (
        Expectation(at=posterior.hypotheses.places[leader], shown_chance=float(faulted)),
        Expectation(at=Place("controller"), shown_chance=1.0 - beliefs.misread_message),
        Expectation(at=Place("none"), shown_chance=float(sound)),
    )
