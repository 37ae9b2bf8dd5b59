"""Lives of parts: a part that was put in new starts a clock of its own.

What was replaced takes its wear with it, so a trend, a power law and what to do next are those of
the part that is in place; parts of before count as units of their own where many are taken
together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faults.recurrence.checked import Floats, Wholes
from faults.recurrence.exposed import Exposed
from faults.recurrence.history import History
from faults.recurrence.trend import FailureTimes


@dataclass(frozen=True, slots=True)
class PartClocks:
    """``renewed``: of each unit when a sound part was put in, on its clock, in order.

    ``in_place``: by unit, the failures of the part that is in place, on its own clock. ``all``:
    one entry for each part there ever was, ``unit_of`` whose; a part that was replaced at a
    failure ends with it.
    """

    renewed: tuple[Floats, ...]
    in_place: FailureTimes
    all: FailureTimes
    unit_of: Wholes


def part_clocks(history: History, exposed: Exposed) -> PartClocks:
    """The clocks of all parts of a history's units. O(failures + renewals + units)."""
    renewed = _renewed(history, exposed)
    failures = exposed.failures
    starts = [np.append(0.0, times) for times in renewed]
    first = np.concatenate([[0], np.cumsum([len(times) for times in starts])])
    unit_of = np.repeat(np.arange(len(starts)), np.diff(first))
    start = np.concatenate([*starts, np.zeros(0)])
    last = first[1:] - 1
    end = np.append(start[1:], 0.0)[: len(start)]
    end[last] = failures.end
    # A failure at the very time of a renewal is the end of the part of before.
    part = np.array(
        [
            first[unit] + int(np.searchsorted(starts[unit], at, side="left")) - 1
            for unit, at in zip(failures.unit.tolist(), failures.at.tolist(), strict=True)
        ],
        dtype=np.int64,
    )
    at_end = np.zeros(len(start), dtype=np.bool_)
    at_end[part[failures.at == end[part]]] = True
    with_failure = at_end.copy()
    with_failure[last] = failures.ends_with_failure
    every = FailureTimes(part, failures.at - start[part], end - start, with_failure)
    now = np.isin(part, last)
    in_place = FailureTimes(
        failures.unit[now],
        every.at[now],
        every.end[last],
        failures.ends_with_failure,
    )
    return PartClocks(tuple(renewed), in_place, every, unit_of)


def _renewed(history: History, exposed: Exposed) -> list[Floats]:
    """Readings of each unit's clock, within its watch, at which a sound part was put in."""
    found = []
    for clock, readings in zip(exposed.clocks, fitted_readings(history, exposed), strict=True):
        found.append(np.unique(readings[(readings > 0.0) & (readings < clock.total)]))
    return found


def fitted_readings(history: History, exposed: Exposed) -> list[Floats]:
    """Of each unit the readings of its clock at which sound parts were put in, in any order."""
    fitted: list[list[float]] = [[] for _ in exposed.clocks]
    for place, parts in zip(history.places, exposed.descent.parts, strict=True):
        for unit, _ in parts:
            fitted[unit].extend(place.fitted)
    for failure, unit in zip(history.failures, exposed.descent.of_failure.tolist(), strict=True):
        if failure.renewed:
            fitted[unit].append(failure.at)
    return [clock.at(np.array(times)) for clock, times in zip(exposed.clocks, fitted, strict=True)]
