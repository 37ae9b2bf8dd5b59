"""When paths without a flag are due for a look: when the predicted chance of a failure since the
last one, or since anybody last looked, reaches a target."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from faults.history_snapshot import day_of, moment_of
from faults.models.trouble import PathTallyRow
from faults.recurrence.inspections import exposure_to_chance
from faults.recurrence.peers import PeerRates
from faults.recurrence.rates import shrunk_rates
from faults.recurrence.state_clock import StateClock
from faults.tally_store import unpacked
from faults.trouble_search import PathFigures

AHEAD_DAYS = 28
"""A look is asked for so many days before its chance is reached, so that weeks can be levelled."""

LEAST_NOTICE_DAYS = 7
"""What has passed its chance already is due in so many days."""

_READ_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class LastSeen:
    """The day since when a path is watched for its next look, and whether it looked worn then."""

    since: float
    looked_worn: bool = False


def energised_days_to(target: float, by_path: PathFigures) -> dict[int, float]:
    """By path, the energised days in which the chance of a failure comes to ``target``; paths that
    cannot fail are left out. Posterior rates are drawn towards the other paths. O(paths)."""
    expected, days = np.array(by_path.expected), np.array(by_path.energised_days)
    posterior = shrunk_rates(
        np.array(by_path.failures, dtype=np.int64),
        expected,
        PeerRates(1.0, by_path.spread, 0.0, len(by_path.paths)),
    )
    told = (expected > 0.0) & (days > 0.0)
    a_day = np.where(told, expected, 1.0) / np.where(told, days, 1.0)
    need = exposure_to_chance(posterior, target) / a_day
    return {
        path: float(need[n]) for n, path in enumerate(by_path.paths) if told[n] and need[n] < np.inf
    }


def path_due_days(
    need_days: Mapping[int, float], seen: Mapping[int, LastSeen], as_of: dt.datetime
) -> dict[int, dt.datetime]:
    """The moments at which paths are due, of those due within ``AHEAD_DAYS``.

    need_days: energised days from a path's ``seen`` day on, half of them where it looked worn.
    Clocks are read only of paths whose calendar days would do.
    """
    now = day_of(as_of)
    need = {
        path: days / 2.0 if seen[path].looked_worn else days
        for path, days in need_days.items()
        if path in seen
    }
    near = [path for path, days in need.items() if seen[path].since + days <= now + AHEAD_DAYS]
    found: dict[int, dt.datetime] = {}
    steps = now + np.arange(AHEAD_DAYS + 1.0)
    for path, clock in _clocks(near):
        run = clock.at(steps).sum(axis=1) - clock.at([seen[path].since]).sum()
        reached = np.flatnonzero(run >= need[path])
        if len(reached):
            ahead = max(float(reached[0]), LEAST_NOTICE_DAYS)
            found[path] = moment_of(now + ahead)
    return found


def _clocks(paths: list[int]) -> Iterator[tuple[int, StateClock]]:
    for start in range(0, len(paths), _READ_AT_ONCE):
        some = paths[start : start + _READ_AT_ONCE]
        rows = PathTallyRow.objects.filter(path__in=some).order_by("path")
        for path, bits in rows.values_list("path", "packed"):
            yield path, unpacked(bytes(bits))[1]
