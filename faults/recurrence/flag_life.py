"""The life of a flag from night to night: raised, watched, cleared, and not to and fro.

It is raised at the level that holds the share of false flags, and stays while it is within a wider
one; it clears by itself only after some quiet days. What was cleared, by itself or by a person,
comes back only with a failure that nobody had seen when it was cleared.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from faults.recurrence.checked import RecurrenceError

LifeState = Literal["raised", "watched", "cleared"]


@dataclass(frozen=True, slots=True)
class LifeRules:
    """``raise_at``, ``keep_at``: adjusted p-values; ``quiet_days`` beyond the second clear it."""

    raise_at: float = 0.05
    keep_at: float = 0.2
    quiet_days: float = 14.0

    def __post_init__(self) -> None:
        if not 0.0 < self.raise_at <= self.keep_at < 1.0 or self.quiet_days < 0.0:
            raise RecurrenceError("expected 0 < raise_at <= keep_at < 1 and quiet_days >= 0")


@dataclass(frozen=True, slots=True)
class Life:
    """``quiet_since``: the day from which on it no longer stood out; ``cleared_on``: the day when
    it was cleared last."""

    state: LifeState
    quiet_since: float | None = None
    cleared_on: float | None = None


def next_life(
    life: Life | None, adjusted: float | None, newest: float, day: float, rules: LifeRules
) -> Life | None:
    """A flag's life after a look at ``day``; None: there is none and none is raised.

    ``adjusted``: its p-value then, None where it does not stand out at all; ``newest``: the day of
    its newest failure. Done twice for one day
    it changes nothing the second time.
    """
    stands_out = adjusted is not None and adjusted <= rules.raise_at
    if life is None:
        return Life("raised") if stands_out else None
    if life.state == "cleared":
        is_new = life.cleared_on is None or newest > life.cleared_on
        return Life("raised") if stands_out and is_new else life
    if adjusted is not None and adjusted <= rules.keep_at:
        return Life(life.state)
    since = day if life.quiet_since is None else min(life.quiet_since, day)
    if day - since >= rules.quiet_days:
        return Life("cleared", cleared_on=day)
    return Life(life.state, quiet_since=since)
