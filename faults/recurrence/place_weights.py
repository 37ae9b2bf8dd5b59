"""How much likelier than its peers each place of one path is to have failed, by its history.

A place failed s times where peers would have e; its rate is drawn from its kind's gamma with mean 1
(as a ratio to the peers') and variance φ. The posterior's mean is (1 + φ s)/(1 + φ e), and that of
a place that was as long in the ground and never failed is 1/(1 + φ e): a place weighs the ratio of
the two, 1 + φ s.

Neighbours fail together. The strongest stretch that a scan found on the path failed c times where
peers would have E. True ones fail by a gamma around 1 with variance ψ (``STRETCH_SPREAD``), so were
it one, all its places would start from m = (1 + ψ c)/(1 + ψ E) and weigh
m (1 + φ' e)/(1 + φ' m e) × (1 + φ' s), φ' the spread that is left among single places. The chance
that it is none is taken to be −e q ln q, q the scan's adjusted p-value: the least Bayes factor for
chance that q leaves (Sellke, Bayarri, Berger, Am. Stat. 55, 2001), 1 from q = 1/e on. The weight is
the mean of both. Each level takes those above it as known, as
:func:`faults.recurrence.rates.rates_by_level` does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from faults.recurrence.checked import Floats, RecurrenceError, Wholes, same_length

STRETCH_SPREAD = 1.0
"""How far the ratios of true trouble stretches lie apart (common practice, no source); with 1 a
stretch that failed four times where peers would have one weighs 2.5."""


@dataclass(frozen=True, slots=True)
class KindRates:
    """Arrays by kind of place: failures per unit of exposure, the cautious spread of single
    places' rates with all failures counted, and without what is flagged."""

    rate: Floats
    spread: Floats
    unflagged: Floats


@dataclass(frozen=True, slots=True)
class PathPlaces:
    """Arrays by place of one path: ``kind`` (0, 1, ...), ``counts`` of failures, ``exposure``."""

    kind: Wholes
    counts: Wholes
    exposure: Floats


@dataclass(frozen=True, slots=True)
class FoundStretch:
    """Places (as numbers) of a stretch that a scan found, and its adjusted p-value."""

    places: Wholes
    adjusted: float

    @property
    def doubt(self) -> float:
        """The chance that it is none."""
        q = self.adjusted
        if not 0.0 <= q <= 1.0:
            raise RecurrenceError("adjusted: expected a p-value")
        if q >= math.exp(-1.0):
            return 1.0
        return -math.e * q * math.log(q) if q > 0.0 else 0.0


def place_weights(
    places: PathPlaces, rates: KindRates, stretches: list[FoundStretch], bounds: tuple[float, float]
) -> Floats:
    """The weight of each place, within ``bounds``.

    Exactly 1 for a place that never failed and lies in no stretch, and for all of a kind whose
    peers are alike. Of stretches that overlap the later one counts. O(places).
    Raises RecurrenceError for bad data.
    """
    same_length(kind=places.kind, counts=places.counts, exposure=places.exposure)
    least, most = bounds
    if not 0.0 < least <= 1.0 <= most:
        raise RecurrenceError("bounds: expected 0 < least <= 1 <= most")
    expected = places.exposure * rates.rate[places.kind]
    spread, unflagged = rates.spread[places.kind], rates.unflagged[places.kind]
    alone = 1.0 + spread * places.counts
    weight = alone.copy()
    for one in stretches:
        own = one.places
        failed, awaited = int(places.counts[own].sum()), float(expected[own].sum())
        ratio = max(1.0, (1.0 + STRETCH_SPREAD * failed) / (1.0 + STRETCH_SPREAD * awaited))
        left = unflagged[own]
        settled = ratio * (1.0 + left * expected[own]) / (1.0 + left * ratio * expected[own])
        inside = settled * (1.0 + left * places.counts[own])
        weight[own] = one.doubt * alone[own] + (1.0 - one.doubt) * inside
    return np.clip(weight, least, most)
