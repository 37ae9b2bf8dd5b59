"""How much likelier than its peers each place of one path is to have failed, by its history.

A place failed s times where peers would have e; its rate is drawn from its kind's gamma with mean 1
(as a ratio to the peers') and variance φ. The posterior's mean is (1 + φ s)/(1 + φ e), and that of
a place that was as long in the ground and never failed is 1/(1 + φ e): a place weighs the ratio of
the two, 1 + φ s. In a trouble stretch that fails m times as often as peers do, all places start
from m: m (1 + φ s)(1 + φ e)/(1 + φ m e). Stretches are taken as known, as the levels of
:func:`faults.recurrence.rates.rates_by_level` are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faults.recurrence.checked import Floats, RecurrenceError, Wholes, same_length


@dataclass(frozen=True, slots=True)
class PathPlaces:
    """Arrays by place of one path: ``counts`` of failures; ``expected``, what peers would have had;
    ``dispersion`` of its kind's rates, all failures counted; ``stretch``: how many times as often
    as peers its trouble stretch fails, 1 outside of any."""

    counts: Wholes
    expected: Floats
    dispersion: Floats
    stretch: Floats


def place_weights(places: PathPlaces, least: float, most: float) -> Floats:
    """The weight of each place, within ``least`` and ``most``.

    Exactly 1 for a place that never failed and lies in no stretch, and for all of a kind whose
    peers are alike. O(n). Raises RecurrenceError for bad data.
    """
    same_length(
        counts=places.counts,
        expected=places.expected,
        dispersion=places.dispersion,
        stretch=places.stretch,
    )
    if not 0.0 < least <= 1.0 <= most:
        raise RecurrenceError("bounds: expected 0 < least <= 1 <= most")
    if np.any(places.stretch <= 0.0) or np.any(places.dispersion < 0.0):
        raise RecurrenceError("stretch, dispersion: expected ratios above 0, variances from 0")
    awaited = places.dispersion * places.expected
    settled = places.stretch * (1.0 + awaited) / (1.0 + awaited * places.stretch)
    # A sum of floats may miss 1 by its last digit where it should be 1.
    settled = np.where(places.stretch == 1.0, 1.0, settled)
    weight: Floats = settled * (1.0 + places.dispersion * places.counts)
    return np.clip(weight, least, most)
