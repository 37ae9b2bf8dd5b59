"""Visits of the demo that proved nothing: stopped early, or the message did not come again."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from demo.places import PROPERTIES
from sites.network.faults import Fault

STOPPED, BEFORE_A_FAULT, FOR_NOTHING = 4, 2, 3
"""Traces stopped early; calls closed as not present that a fault came after; and those that
nothing came after."""

VISITS = STOPPED + BEFORE_A_FAULT + FOR_NOTHING
_DAYS_BEFORE = 3


@dataclass(frozen=True)
class LostVisit:
    """A call that ended without a proof; ``fault``: what was there, if anything was."""

    label: str
    at: dt.datetime
    end: Literal["stopped", "not-present"]
    fault: Fault | None = None


def visits_before(
    rng: np.random.Generator, faults: Sequence[tuple[str, Fault, dt.datetime]]
) -> list[LostVisit]:
    """Visits some days before faults that come again for good; three of four stops are by the
    crew of every other property."""
    by_other = {one.path.label for plan in PROPERTIES[1::2] for one in plan.controllers}
    order = [faults[int(place)] for place in rng.permutation(len(faults))]
    mostly = [one for one in order if one[0] in by_other]
    rest = [one for one in order if one[0] not in by_other]
    stopped = [*mostly[: STOPPED - 1], rest[0]]
    quiet = [mostly[STOPPED - 1], rest[1]]
    before = dt.timedelta(days=_DAYS_BEFORE)
    return [
        *(LostVisit(label, at - before, "stopped", fault) for label, fault, at in stopped),
        *(LostVisit(label, at - before, "not-present", fault) for label, fault, at in quiet),
    ]
