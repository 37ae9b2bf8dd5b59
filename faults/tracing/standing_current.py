"""Whether what a sound leg draws has risen since it was last written down.

A rise of the standing current without a fault that trips is how leaking splices and dying
devices begin: a reason to inspect. Only like is held against like: the same leg, with the coil in
for both or for neither.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from faults.tracing.assumptions import RecordBeliefs
from faults.tracing.likelihood import reading_variance
from faults.tracing.problem import Meter, SoundRecord
from faults.tracing.sound_record import record_age_years

SIGMAS_OF_A_RISE = 3.0
WET_LOG_SPREAD = 0.03
"""How far a wet path may draw from a dry one (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class StandingRise:
    """A leg's standing current now against the last one.

    ``share`` is the rise over the last one, ``spread`` the standard deviation of its logarithm
    by meters and drift, ``sigmas`` the rise over that spread. ``risen``: past what meter and
    drift explain.
    """

    leg: str
    before_ma: float
    now_ma: float
    share: float
    spread: float
    sigmas: float

    @property
    def risen(self) -> bool:
        """Whether the rise is significant (one-sided, 3 sigma)."""
        return self.sigmas >= SIGMAS_OF_A_RISE


def standing_rise(
    before: SoundRecord,
    now: SoundRecord,
    meter: Meter | None = None,
    beliefs: RecordBeliefs | None = None,
) -> StandingRise | None:
    """The rise from one record of a leg to a later one; None where they cannot be compared.

    They cannot where a current is missing or nothing, or the coil was in for one and not, or
    not known, for the other. The gain of one meter falls out; of two, or of meters without a
    name, it counts for both.

    Raises ValueError for records of two legs, or a date that is none.
    """
    if before.leg != now.leg:
        raise ValueError(
            f"records of two legs, {before.leg} and {now.leg}: compare each leg with itself"
        )
    if not before.current_ma or not now.current_ma:
        return None
    if before.coil is None or before.coil != now.coil:
        return None
    meter, beliefs = meter or Meter(), beliefs or RecordBeliefs()
    currents = np.array([before.current_ma, now.current_ma])
    variance = float((reading_variance(meter, currents) / currents**2).sum())
    if before.meter is None or before.meter != now.meter:
        variance += 2.0 * (meter.percent / 100.0) ** 2 / 3.0
    years = record_age_years(before.date, now.date, beliefs.unknown_age_years)
    variance += beliefs.wander**2 * years
    if before.wet is None or now.wet is None or before.wet != now.wet:
        variance += WET_LOG_SPREAD**2
    spread = math.sqrt(variance)
    log_rise = math.log(now.current_ma / before.current_ma)
    return StandingRise(
        leg=now.leg,
        before_ma=before.current_ma,
        now_ma=now.current_ma,
        share=math.expm1(log_rise),
        spread=spread,
        sigmas=log_rise / spread,
    )
