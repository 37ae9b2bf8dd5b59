"""A group of peers: gamma–Poisson empirical Bayes, fitted by marginal likelihood.

Unit i of a group failed s_i times in exposure t_i. Its rate is drawn from a gamma distribution
with mean μ and variance φ μ²; the shape is α = 1/φ, the gamma's rate β = α/μ. Marginally s_i is
negative binomial; φ = 0 is one rate for all. References: Gaver and O'Muircheartaigh,
Technometrics 29 (1987); Robbins, Ann. Math. Stat. 35 (1964).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import gammaln

from faults.recurrence.checked import (
    Floats,
    RecurrenceError,
    Wholes,
    checked_amounts,
    checked_counts,
    floats,
    same_length,
)

# A shape past this is one rate for all to within a millionth of a standard deviation.
_LEAST_DISPERSION = 1e-9
_MOST_DISPERSION = 1e6
_STEPS_OF_MEAN = 60

USUAL_DISPERSION = 1.0
"""How far places of a kind are taken to differ before anything is known: as much as their mean
(common practice, no source)."""


@dataclass(frozen=True, slots=True)
class PeerRates:
    """The rates of a group: gamma with mean ``mean`` and variance ``dispersion`` × mean².

    ``mean``: failures per unit of exposure. ``dispersion`` 0: all peers have one rate.
    ``log_likelihood`` is the marginal one with all constants.
    """

    mean: float
    dispersion: float
    log_likelihood: float
    units: int

    @property
    def shape(self) -> float:
        """α; infinite where all peers have one rate."""
        return np.inf if self.dispersion == 0.0 else 1.0 / self.dispersion

    @property
    def rate(self) -> float:
        """β, a unit of exposure; infinite where all peers have one rate."""
        return np.inf if self.dispersion == 0.0 or self.mean == 0.0 else self.shape / self.mean


@dataclass(frozen=True, slots=True)
class DistinctPairs:
    """``counts`` and ``exposure`` once each, how many units have them, and each unit's place."""

    counts: Wholes
    exposure: Floats
    number: Floats
    place: Wholes


def distinct_pairs(counts: Wholes, exposure: Floats) -> DistinctPairs:
    """Units alike in count and exposure, taken together, in rising order. O(n log n)."""
    paired, place, number = np.unique(
        exposure + 1j * counts, return_inverse=True, return_counts=True
    )
    failed = np.rint(paired.imag).astype(np.int64)
    return DistinctPairs(failed, floats(paired.real), floats(number), place.astype(np.int64))


class PeerData:
    """Counts and exposures of a group, with what the likelihood needs worked out once.

    Units alike in both are kept once, with their number: splices of one path share an exposure.
    """

    def __init__(self, counts: ArrayLike, exposure: ArrayLike) -> None:
        """Raises RecurrenceError for bad counts or exposures, or a failure without exposure."""
        every: Wholes = checked_counts(counts)
        amounts: Floats = checked_amounts(exposure, "exposure")
        same_length(counts=every, exposure=amounts)
        if np.any(every[amounts == 0.0]):
            raise RecurrenceError("exposure: a unit that failed was exposed; expected above 0")
        self.units = len(every)
        self.total = int(every.sum())
        self.whole_exposure = float(amounts.sum())
        if self.whole_exposure <= 0.0:
            raise RecurrenceError("exposure: a group needs some")
        alike = distinct_pairs(every, amounts)
        self.counts, self.exposure, self.alike = alike.counts, alike.exposure, alike.number
        tally = np.bincount(every)
        # Units that failed more than j times, for j = 0, 1, ...: the product over each count.
        self._more_than = floats((tally.sum() - np.cumsum(tally))[:-1])
        self._below = np.arange(len(self._more_than), dtype=np.float64)
        exposed = self.exposure > 0.0
        self._constant = float(
            np.sum((self.alike * self.counts)[exposed] * np.log(self.exposure[exposed]))
            - np.sum(tally * gammaln(np.arange(len(tally)) + 1.0))
        )

    def log_likelihood(self, mean: float, dispersion: float) -> float:
        """Of the negative binomial, or of the Poisson where ``dispersion`` is 0."""
        if self.total == 0 and mean == 0.0:
            return self._constant
        start = self._constant + self.total * np.log(mean)
        expected = mean * self.exposure
        if dispersion == 0.0:
            return float(start - mean * self.whole_exposure)
        spread = np.log1p(dispersion * expected)
        rising = np.sum(self._more_than * np.log1p(dispersion * self._below))
        pulled = np.sum(self.alike * (self.counts + 1.0 / dispersion) * spread)
        return float(start + rising - pulled)

    def mean_given(self, dispersion: float) -> float:
        """The mean rate that is likeliest for a dispersion: Σ (s − μt)/(1 + φμt) = 0.

        The sum falls in μ, so Newton's steps, halved where they leave the bracket, find its zero.
        """
        pooled = self.total / self.whole_exposure
        if dispersion == 0.0 or self.total == 0:
            return pooled
        exposed = self.exposure > 0.0
        t, s, n = self.exposure[exposed], self.counts[exposed], self.alike[exposed]
        low, high = 0.0, float(np.max(s / t))
        mean = pooled
        for _ in range(_STEPS_OF_MEAN):
            below = 1.0 + dispersion * mean * t
            score = float(np.sum(n * (s - mean * t) / below))
            slope = -float(np.sum(n * t * (1.0 + dispersion * s) / below**2))
            low, high = (mean, high) if score > 0.0 else (low, mean)
            following = mean - score / slope
            if not low < following < high:
                following = 0.5 * (low + high)
            # Newton's error after a step is of the order of the step squared.
            if abs(following - mean) <= 1e-9 * mean:
                return following
            mean = following
        return mean

    def mean_information(self, mean: float, dispersion: float) -> float:
        """Observed information of log μ at its likeliest value."""
        expected = mean * self.exposure
        bent = (1.0 + dispersion * self.counts) / (1.0 + dispersion * expected) ** 2
        return float(np.sum(self.alike * expected * bent))

    def profile(self, dispersion: float) -> float:
        """Log likelihood with the mean at its likeliest."""
        return self.log_likelihood(self.mean_given(dispersion), dispersion)

    def dispersion_score(self, dispersion: float) -> float:
        """Slope of the profile in φ; at 0 it is ½ Σ((s − m)² − s)."""
        mean = self.mean_given(dispersion)
        m = mean * self.exposure
        if dispersion * float(m.max(initial=0.0)) < 1e-6 and dispersion < 1e-6:
            return float(0.5 * np.sum(self.alike * ((self.counts - m) ** 2 - self.counts)))
        x = dispersion * m
        rising = np.sum(self._more_than * self._below / (1.0 + dispersion * self._below))
        bent = np.sum(self.alike * np.log1p(x)) / dispersion**2
        pulled = np.sum(self.alike * (self.counts + 1.0 / dispersion) * m / (1.0 + x))
        return float(rising + bent - pulled)


def fit_peers(counts: ArrayLike, exposure: ArrayLike) -> PeerRates:
    """The gamma–Poisson fit of a group by marginal maximum likelihood.

    counts, exposure: shape (n,). A group whose counts vary no more than chance gets dispersion 0.
    O(n) for each of some 40 evaluations.

    Raises RecurrenceError for bad data or a group without exposure.
    """
    return fit_peer_data(PeerData(counts, exposure))


def fit_peer_data(data: PeerData) -> PeerRates:
    """The fit of a group's prepared data; see :func:`fit_peers`."""
    dispersion = _likeliest_dispersion(data)
    mean = data.mean_given(dispersion)
    likelihood = data.log_likelihood(mean, dispersion)
    return PeerRates(mean, dispersion, likelihood, data.units)


def cautious_dispersion(data: PeerData) -> float:
    """The likeliest dispersion with an exponential prior of mean ``USUAL_DISPERSION``.

    The likeliest one by itself runs off where few failed and two of them met by chance; this one
    is 0 until more did than chance makes, and never above the other. O(n) for each of some 20
    evaluations.
    """
    steep = 1.0 / USUAL_DISPERSION
    if data.total == 0 or data.dispersion_score(0.0) <= steep:
        return 0.0
    high = 0.25
    while data.dispersion_score(high) > steep:
        high *= 4.0
    return float(brentq(lambda at: data.dispersion_score(at) - steep, 0.0, high, xtol=1e-9))


def _likeliest_dispersion(data: PeerData) -> float:
    """The zero of the profile's slope, bracketed from the moments' estimate outwards."""
    if data.total == 0 or data.dispersion_score(0.0) <= 0.0:
        return 0.0
    m = data.mean_given(0.0) * data.exposure
    excess = np.sum(data.alike * ((data.counts - m) ** 2 - data.counts))
    moments = float(excess / np.sum(data.alike * m**2))
    low = high = min(max(moments, 1e-6), 1e3)
    while data.dispersion_score(high) > 0.0:
        low, high = high, 4.0 * high
        if high > _MOST_DISPERSION:
            return high
    while data.dispersion_score(low) <= 0.0:
        low, high = 0.25 * low, low
        if low < _LEAST_DISPERSION:
            return 0.0
    found = brentq(
        lambda at: data.dispersion_score(float(np.exp(at))),
        np.log(low),
        np.log(high),
        xtol=1e-12,
        rtol=1e-12,
    )
    return float(np.exp(found))
