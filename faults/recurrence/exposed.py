"""From a history to the arrays that the statistics are made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faults.recurrence.checked import Floats, RecurrenceError, Wholes
from faults.recurrence.exposure import EnergisedClock, Spans, State, states_at
from faults.recurrence.history import History
from faults.recurrence.lineage import Descent, trace_descent
from faults.recurrence.trend import FailureTimes
from faults.recurrence.weather import StateFactors, equivalent_exposure, fit_state_factors


@dataclass(frozen=True, slots=True)
class Exposed:
    """Statistical units of a history: each a place that is left, with all it came from.

    ``counts``; ``energised``: by state, amount × time, shape (units, 3); ``exposure``: the same as
    dry time that would wear as much; ``failures``: on the units' clocks; ``at``: the failures'
    calendar times; ``head``: the place that stands for each unit.
    """

    descent: Descent
    names: tuple[str, ...]
    head: Wholes
    counts: Wholes
    energised: Floats
    exposure: Floats
    factors: StateFactors
    clocks: tuple[EnergisedClock, ...]
    failures: FailureTimes
    at: Floats

    def exposure_at(self, unit: int, time: float) -> float:
        """Exposure up to a calendar time, the weather of the whole watch spread evenly."""
        clock = self.clocks[unit]
        run = float(clock.at(np.array([time]))[0])
        return float(self.exposure[unit]) * run / clock.total if clock.total > 0.0 else 0.0


def exposed_units(history: History, level: float = 0.95) -> Exposed:
    """Exposure, failures and clocks of all units; ``level`` of the weather's limits.

    O(places × spans + failures).

    Raises RecurrenceError for a failure of a place that was not watched, or not energised before.
    """
    places = history.places
    clocks, dry_wet_storm = _clocks(history)
    descent = trace_descent(
        len(places),
        history.became,
        [failure.place for failure in history.failures],
        [failure.fraction for failure in history.failures],
    )
    energised = np.maximum(descent.exposure(dry_wet_storm), 0.0)
    at = np.array([failure.at for failure in history.failures], dtype=np.float64)
    unit_clocks = _clocks_of_units(descent, clocks)
    head = np.array([ends[0] for ends in descent.ends], dtype=np.int64)
    ends_with = np.array([places[one].ends_with_failure for one in head], dtype=np.bool_)
    reading = _readings(history, descent, unit_clocks, at)
    total = np.array([clock.total for clock in unit_clocks])
    failures = FailureTimes.of(descent.of_failure, reading, total, ends_with)
    factors = _factors(history, descent, energised, at, level)
    return Exposed(
        descent=descent,
        names=tuple(" + ".join(places[one].name for one in ends) for ends in descent.ends),
        head=head,
        counts=np.bincount(descent.of_failure, minlength=descent.units),
        energised=energised,
        exposure=equivalent_exposure(energised, factors),
        factors=factors,
        clocks=unit_clocks,
        failures=failures,
        at=at,
    )


def _clocks(history: History) -> tuple[list[EnergisedClock], Floats]:
    """Clock and exposure by state of each place; those with one calendar share the work."""
    known: dict[object, tuple[EnergisedClock, tuple[float, float, float]]] = {}
    clocks, exposure = [], []
    for place in history.places:
        key = (place.watched, place.off.start.tobytes(), place.off.stop.tobytes())
        if key not in known:
            clock = EnergisedClock.of(place.watched, place.off)
            known[key] = clock, clock.by_state(history.wet, history.storm)
        clock, by_state = known[key]
        clocks.append(clock)
        exposure.append([place.amount * part for part in by_state])
    return clocks, np.array(exposure).reshape(len(clocks), len(State))


def _clocks_of_units(descent: Descent, clocks: list[EnergisedClock]) -> tuple[EnergisedClock, ...]:
    """A unit's clock runs while any place that makes it up does."""
    nothing = Spans.of([])
    on = [nothing] * descent.units
    for clock, parts in zip(clocks, descent.parts, strict=True):
        for unit, _ in parts:
            on[unit] = on[unit].joined(clock.on) if len(on[unit].start) else clock.on
    return tuple(EnergisedClock(spans) for spans in on)


def _readings(
    history: History, descent: Descent, clocks: tuple[EnergisedClock, ...], at: Floats
) -> Floats:
    """Each failure on its unit's clock."""
    readings = np.zeros(len(at))
    for place, (failure, unit) in enumerate(
        zip(history.failures, descent.of_failure.tolist(), strict=True)
    ):
        own = history.places[failure.place]
        readings[place] = clocks[unit].at(at[place : place + 1])[0]
        if not own.watched[0] < failure.at <= own.watched[1] or readings[place] <= 0.0:
            raise RecurrenceError(
                f"failure {place}: {own.name} was not watched and energised before {failure.at:g}"
            )
    return readings


def _factors(
    history: History, descent: Descent, energised: Floats, at: Floats, level: float
) -> StateFactors:
    """What wet ground and storms do; a failure in a state its unit never was in counts as dry.

    That happens to a failure reported while its path was off: what the weather did then is not
    known to have made it.
    """
    state = states_at(at, history.wet, history.storm)
    never = energised[descent.of_failure, state] <= 0.0
    state = np.where(never, int(State.DRY), state)
    failed = np.zeros(energised.shape, dtype=np.int64)
    np.add.at(failed, (descent.of_failure, state), 1)
    # All wet, never dry: such a unit's failures say nothing about one state against another.
    told = ~np.any((failed > 0) & (energised <= 0.0), axis=1)
    return fit_state_factors(failed[told], energised[told], level)
