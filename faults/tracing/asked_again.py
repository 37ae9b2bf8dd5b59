"""What is asked for beside the search: the reference anew, and a zero that may be a slip.

A jaw around both conductors reads about zero whatever flows, and so clears a guilty branch: a
zero that clears much is told, and before the place is left what comes in there is read, if that
cannot be zero.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from faults.tracing.act import Act
from faults.tracing.case import Case
from faults.tracing.planner import Choice
from faults.tracing.posterior import Posterior
from faults.tracing.state import TraceState
from faults.tracing.watch import REFERENCE, LoggedReading
from sites.network.faults import Place

REFERENCE_AGE_MIN = 30.0
"""A younger reference is not read again (common practice, no source)."""
DRIFT_SIGMAS = 3.0

ZERO_MA = 3.0
"""Below this a reading looks like one with both conductors in the jaw."""
CLEARS_MUCH = 0.2
"""A zero that clears more of the chance than this is held against a slip."""
CANNOT_BE_ZERO_MA = 10.0


def reference_anew(case: Case, choice: Choice) -> Act | None:
    """The reference again, where it is so old that its drift may hide what the next reading has
    to tell: three spreads of the drift since are more than high and low lie apart."""
    references = [r for r in case.state.evidence.readings if r.kind == "reference"]
    wire = choice.wire
    if not references or wire.id is None or wire.low == wire.high:
        return None
    age_min = case.state.minutes - references[-1].at_min
    if age_min < REFERENCE_AGE_MIN:
        return None
    high, low = float(case.sight.high_ma[wire.low]), float(case.sight.low_ma[wire.low])
    drift = case.reckoner.beliefs.drift_per_hour * math.sqrt(age_min / 60.0)
    if DRIFT_SIGMAS * drift * high <= high - low:
        return None
    return Act(
        stage="following",
        do="reference",
        why=f"the reference is {age_min:.0f} min old: what it may have drifted since is as much "
        f"as {wire.id} at {wire.node} has to tell",
    )


def zero_told(state: TraceState, before: Posterior) -> TraceState:
    """The state after its latest reading, with the zero that cleared much there, if any.

    ``before``: the chances before that reading.
    """
    reading = state.log[-1]
    share = _cleared(reading, before)
    if share > CLEARS_MUCH:
        note = (
            f"{reading.wire} at {reading.node} reads near nothing and clears "
            f"{round(100.0 * share)} % of the chance: was one conductor alone in the jaw, and "
            "is it in mA, not A? With both it always reads so. If not, take the answer back and "
            "clamp one."
        )
        return replace(state, zero=reading, notes=(*state.notes, note))
    # A reading that is no zero shows that the jaw is used as it should be.
    stays = state.zero is not None and state.zero.node == reading.node
    return state if stays and reading.current_ma < ZERO_MA else replace(state, zero=None)


def _cleared(reading: LoggedReading, before: Posterior) -> float:
    """The chance that a zero clears; 0 for any other reading."""
    if reading.current_ma >= ZERO_MA or reading.isolated or not reading.wire:
        return 0.0
    edge = before.view.edge_of_wire.get((reading.node, reading.wire))
    if edge is None:
        return before.chance_of(Place("device", reading.wire))
    point = before.hypotheses.point
    within = (point >= edge) & (point < before.view.last[edge])
    return float(np.where(within, before.chance, 0.0).sum())


def incoming_checked(case: Case, choice: Choice) -> Act | None:
    """Before a place with such a zero is left: what comes in, where it cannot be zero."""
    zero, view = case.state.zero, case.posterior.view
    if zero is None or zero.node in (choice.wire.node, *case.state.closed):
        return None
    incoming = view.upstream_segment.get(zero.node, REFERENCE)
    edge = view.edge_of_wire.get((zero.node, incoming))
    if edge is None or any((r.node, r.wire) == (zero.node, incoming) for r in case.state.log):
        return None
    sight = case.sight
    if sight.beyond[edge] < 0.5 and sight.low_ma[edge] < CANNOT_BE_ZERO_MA:
        return None
    return Act(
        stage="following",
        do="clamp",
        node=zero.node,
        wire=incoming,
        why=f"near nothing on {zero.wire} cleared much: what comes in here cannot be zero, so it "
        "shows whether one conductor alone was in the jaw",
    )
