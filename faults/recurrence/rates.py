"""Rates of units: raw with Garwood limits, and drawn towards their peers by empirical Bayes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincinv

from faults.recurrence.checked import (
    Floats,
    RecurrenceError,
    checked_amounts,
    checked_counts,
    checked_share,
    floats,
    same_length,
    sum_by,
)
from faults.recurrence.peers import PeerRates, fit_peers
from faults.recurrence.poisson_limits import Limits


@dataclass(frozen=True, slots=True)
class ShrunkRates:
    """Posterior rates of units, each shape (n,): gamma with ``shape`` and ``rate``.

    ``mean`` is ``shrinkage`` × the peers' mean + (1 − ``shrinkage``) × the unit's raw rate;
    ``shrinkage`` is β/(β + t), 1 where nothing but the peers is known.
    """

    mean: Floats
    deviation: Floats
    limits: Limits
    shrinkage: Floats
    shape: Floats
    rate: Floats


def shrunk_rates(
    counts: ArrayLike, exposure: ArrayLike, peers: PeerRates, level: float = 0.95
) -> ShrunkRates:
    """Posterior rates given the peers' gamma: shape α + s, rate β + t; equal-tailed limits.

    Where all peers have one rate (dispersion 0) that rate is the answer, without width.
    The limits take the peers' gamma as known. O(n + distinct counts).
    """
    expected = peers.mean * checked_amounts(exposure, "exposure")
    return _posterior(checked_counts(counts), expected, peers.mean, peers.dispersion, level)


def _posterior(
    counts: NDArray[np.int64],
    expected: Floats,
    mean: float | Floats,
    dispersion: float,
    level: float,
) -> ShrunkRates:
    """The posterior where unit i is expected to fail ``expected`` times at rate ``mean``."""
    same_length(counts=counts, expected=expected)
    tail = 0.5 * (1.0 - checked_share(level, "level"))
    centre = np.broadcast_to(np.asarray(mean, dtype=np.float64), expected.shape)
    if dispersion == 0.0:
        flat, infinite = np.zeros(len(counts)), np.full(len(counts), np.inf)
        still = Limits(centre.copy(), centre.copy())
        return ShrunkRates(centre.copy(), flat, still, flat + 1.0, infinite, infinite.copy())
    shrinkage = 1.0 / (1.0 + dispersion * expected)
    shape = floats(1.0 / dispersion + counts)
    # 1/rate = φ μ · shrinkage: no division by the mean, which is 0 where nothing ever failed.
    scale = dispersion * centre * shrinkage
    distinct, where = np.unique(counts, return_inverse=True)
    low, high = (
        floats(gammaincinv(1.0 / dispersion + distinct, share))[where] * scale
        for share in (tail, 1.0 - tail)
    )
    with np.errstate(divide="ignore"):
        rate = 1.0 / scale
    return ShrunkRates(
        shape * scale, np.sqrt(shape) * scale, Limits(low, high), shrinkage, shape, rate
    )


@dataclass(frozen=True, slots=True)
class Level:
    """One level of a hierarchy after its fit.

    ``group``: of each unit, shape (n,). ``ratio``: of each group to what the levels above expect,
    shrunk, shape (groups,); ``shrinkage`` and ``raw_ratio`` alike. ``dispersion``: of the ratios.
    """

    group: NDArray[np.int64]
    ratio: Floats
    raw_ratio: Floats
    shrinkage: Floats
    dispersion: float
    units: ShrunkRates


def rates_by_level(
    counts: ArrayLike,
    exposure: ArrayLike,
    groups: Sequence[ArrayLike],
    level: float = 0.95,
) -> tuple[Level, ...]:
    """Empirical Bayes at several levels, from the widest to the unit itself.

    ``groups``: for each level, widest first, the group number (0, 1, ...) of each unit. Level 0
    expects the pooled rate everywhere. At each level the groups' totals are drawn towards what the
    levels above expect of them: ratio ~ gamma, s | ratio ~ Poisson(ratio × expected); what a group
    then expects is handed down. With one level of single units it is :func:`fit_peers` and
    :func:`shrunk_rates`. The levels may nest (property, path, place) or cross (property, connector
    kind). Each level's fit takes those above as known. The last entry's ``units`` holds the unit's
    posterior rates where each unit is a group of its own there. O(n) a level.

    Raises RecurrenceError for bad data or no level.
    """
    whole, amounts = checked_counts(counts), checked_amounts(exposure, "exposure")
    same_length(counts=whole, exposure=amounts)
    if not groups:
        raise RecurrenceError("groups: expected at least one level")
    rate = np.full(len(whole), whole.sum() / amounts.sum())
    levels = []
    for numbers in groups:
        group = np.asarray(numbers, dtype=np.int64)
        same_length(counts=whole, group=group)
        expected = rate * amounts
        failed = np.bincount(group, weights=floats(whole)).astype(np.int64)
        awaited = sum_by(group, expected, len(failed))
        peers = _ratios(failed, awaited)
        prior = peers.mean * awaited
        shrinkage = 1.0 / (1.0 + peers.dispersion * prior)
        with np.errstate(invalid="ignore", divide="ignore"):
            raw = floats(np.where(awaited > 0.0, failed / awaited, np.nan))
        seen = np.where(np.isnan(raw), peers.mean, raw)
        ratio = shrinkage * peers.mean + (1.0 - shrinkage) * seen
        units = _posterior(failed[group], prior[group], peers.mean * rate, peers.dispersion, level)
        levels.append(Level(group, ratio, raw, shrinkage, peers.dispersion, units))
        rate = rate * ratio[group]
    return tuple(levels)


def _ratios(failed: NDArray[np.int64], awaited: Floats) -> PeerRates:
    """The spread of the groups' ratios to what is awaited of them."""
    if awaited.sum() <= 0.0:
        return PeerRates(1.0, 0.0, 0.0, len(failed))
    return fit_peers(failed, awaited)
