"""Flags: who failed more than its peers explain, with the share of false flags held.

The predictive p-value of a unit is P(X ≥ s) under the negative binomial that the *other* units of
its group give. In small groups the peers' mean and dispersion are not known well; there the tail
is averaged over what the others' counts leave open (log mean: flat; the mean's shrinkage
1/(1 + φ m̄): uniform; Daniels, Can. J. Stat. 27, 1999). Flags are Benjamini–Hochberg's
(J. R. Stat. Soc. B 57, 1995). Counts are whole numbers, so a true peer's p-value is at least
uniform, and the share of false flags stays below q.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.polynomial.legendre import leggauss
from numpy.typing import ArrayLike
from scipy.special import betainc, gammainc, gammaln

from faults.recurrence.checked import (
    Flags,
    Floats,
    RecurrenceError,
    Wholes,
    checked_amounts,
    checked_counts,
    checked_share,
    floats,
    same_length,
)
from faults.recurrence.peers import PeerData, PeerRates, distinct_pairs, fit_peer_data

LARGE_GROUP = 20_000
"""Units past which the fit is taken as known and the unit itself is left in it: its own weight,
and the fit's own error, then change no p-value by a hundredth of itself."""

# Nodes of (φ, log μ): up to so many units, so many. A unit far out among few peers pulls the
# posterior along, and leaving it out then needs nodes far from the middle, and a posterior that is
# not cut off too near its top. Against a grid of 1,500 by 161, among 8 to 2,000 units with one of
# 8 to 25 failures where peers have one, p-values were within 4 in 10,000 of themselves.
_NODES = ((100, 48, 21), (2000, 16, 7), (LARGE_GROUP, 12, 5))
_COARSE = 48
_DROP = 25.0
_MOST_ROUNDS = 8


@dataclass(frozen=True, slots=True)
class FlagParams:
    """``q``: the share of false flags to hold. ``refit``: fit the peers again without what was
    flagged, until no more is, so that bad units do not hide each other."""

    q: float = 0.05
    refit: bool = True

    def __post_init__(self) -> None:
        checked_share(self.q, "q")


@dataclass(frozen=True, slots=True)
class UnitFlags:
    """For each unit, shape (n,): ``p_value``, ``adjusted`` (Benjamini–Hochberg over all groups)
    and ``flagged``; ``peers``: the last fit of each group number, without what is flagged;
    ``everyone``: its first, of all units; ``rounds``: fits done."""

    p_value: Floats
    adjusted: Floats
    flagged: Flags
    peers: dict[int, PeerRates]
    everyone: dict[int, PeerRates]
    rounds: int


def flag_units(
    counts: ArrayLike,
    exposure: ArrayLike,
    group: ArrayLike,
    params: FlagParams | None = None,
) -> UnitFlags:
    """Flags over all units, each against its peers.

    counts, exposure, group: shape (n,); ``group`` says who are peers. A unit without exposure, or
    alone among its peers, has p-value 1. O(n log n); of the incomplete beta function 60 to 1008
    values a unit in small groups (units that are alike share theirs), one in large ones.

    Raises RecurrenceError for bad data.
    """
    params = params or FlagParams()
    whole, amounts = checked_counts(counts), checked_amounts(exposure, "exposure")
    numbers = np.asarray(group, dtype=np.int64)
    same_length(counts=whole, exposure=amounts, group=numbers)
    # A stable sort hands out each group's members without a search through all units for each.
    order = np.argsort(numbers, kind="stable")
    starts = np.flatnonzero(np.diff(numbers[order], prepend=-1))
    members = dict(
        zip(numbers[order][starts].tolist(), np.split(order, starts[1:]), strict=True)
        if len(order)
        else ()
    )
    flagged = np.zeros(len(whole), dtype=np.bool_)
    p_value = np.ones(len(whole))
    adjusted = p_value
    peers: dict[int, PeerRates] = {}
    everyone: dict[int, PeerRates] = {}
    stale = set(members)
    rounds = 0
    while rounds < _MOST_ROUNDS:
        rounds += 1
        for name in stale:
            at = members[name]
            p_value[at], peers[name] = peer_p_values(whole[at], amounts[at], ~flagged[at])
            everyone.setdefault(name, peers[name])
        adjusted = adjusted_p_values(p_value)
        found = flagged | (adjusted <= params.q)
        stale = {int(name) for name in np.unique(numbers[found & ~flagged])}
        flagged = found
        if not params.refit or not stale:
            break
    return UnitFlags(p_value, adjusted, flagged, peers, everyone, rounds)


def peer_p_values(
    counts: Wholes, exposure: Floats, trusted: Flags | None = None
) -> tuple[Floats, PeerRates]:
    """Predictive p-values of one group's units, and the fit of its trusted ones.

    ``trusted``: whose counts make up the peers, shape (n,); a unit never counts as its own peer.
    """
    kept = np.ones(len(counts), dtype=np.bool_) if trusted is None else trusted.copy()
    kept &= exposure > 0.0
    if int(kept.sum()) < 2:
        return np.ones(len(counts)), PeerRates(0.0, 0.0, 0.0, int(kept.sum()))
    data = PeerData(counts[kept], exposure[kept])
    fit = fit_peer_data(data)
    if data.total == 0 and not np.any(counts):
        return np.ones(len(counts)), fit
    if data.units > LARGE_GROUP:
        return upper_tail(counts, fit.mean * exposure, fit.dispersion), fit
    return _averaged(counts, exposure, kept, data), fit


def upper_tail(counts: Wholes, expected: Floats, dispersion: float) -> Floats:
    """P(X ≥ s) of negative binomials with means ``expected``; Poisson where dispersion is 0.

    NB: the regularised incomplete beta function I(x; s, 1/φ) with x = φm/(1 + φm).
    """
    at_least = np.maximum(counts, 1).astype(np.float64)
    # Below this the two tails agree to more digits than the beta function has for huge shapes.
    if dispersion < 1e-10:
        tail = floats(gammainc(at_least, expected))
    else:
        x = dispersion * expected / (1.0 + dispersion * expected)
        tail = floats(betainc(at_least, 1.0 / dispersion, x))
    return np.where(counts == 0, 1.0, tail)


def adjusted_p_values(p_values: ArrayLike) -> Floats:
    """Benjamini and Hochberg's adjusted p-values: flag where they are at most q. O(n log n)."""
    p = np.asarray(p_values, dtype=np.float64)
    if np.any(~((p >= 0.0) & (p <= 1.0))):
        raise RecurrenceError("p_values: expected numbers from 0 to 1")
    order = np.argsort(p)
    scaled = p[order] * len(p) / np.arange(1, len(p) + 1)
    lowest = np.minimum.accumulate(scaled[::-1])[::-1]
    adjusted = np.empty(len(p))
    adjusted[order] = np.minimum(lowest, 1.0)
    return adjusted


def _averaged(counts: Wholes, exposure: Floats, kept: Flags, data: PeerData) -> Floats:
    """The tail over nodes of (φ, μ), each weighted by the likelihood of the unit's peers."""
    dispersions, means, log_weight = _nodes(data)
    units = distinct_pairs(counts, exposure)
    tails = np.empty((len(dispersions), len(units.counts)))
    log_own = np.zeros_like(tails)
    for k, (dispersion, mean) in enumerate(zip(dispersions, means, strict=True)):
        expected = mean * units.exposure
        tails[k] = upper_tail(units.counts, expected, float(dispersion))
        log_own[k] = _log_mass(units.counts, expected, float(dispersion))
    # Leaving the unit out of the likelihood is dividing by its own mass.
    with_itself_out = _weighted(tails, log_weight[:, None] - log_own)
    as_it_is = _weighted(tails, np.broadcast_to(log_weight[:, None], tails.shape))
    return floats(np.where(kept, with_itself_out[units.place], as_it_is[units.place]))


def _weighted(tails: Floats, log_weight: Floats) -> Floats:
    """Means of tails over nodes."""
    weight = np.exp(log_weight - log_weight.max(axis=0))
    return floats(np.minimum(np.sum(weight * tails, axis=0) / np.sum(weight, axis=0), 1.0))


def _nodes(data: PeerData) -> tuple[Floats, Floats, Floats]:
    """Dispersions, means and log weights of a grid over what the whole group leaves open."""
    # A failure-free group still leaves a rate open: half a failure, as Jeffreys has it.
    total = max(data.total, 0.5)
    scale = total / data.units

    def dispersion_of(u: Floats) -> Floats:
        return (1.0 - u) / (u * scale)

    coarse = (np.arange(_COARSE) + 0.5) / _COARSE
    heights = np.array([_height(data, float(phi)) for phi in dispersion_of(coarse)])
    near = np.flatnonzero(heights > heights.max() - _DROP)
    low = max(near[0] - 1.0, 0.0) / _COARSE
    high = min(near[-1] + 2.0, float(_COARSE)) / _COARSE
    across, along = next(nodes for most, *nodes in _NODES if data.units <= most)
    at, weight = leggauss(across)
    u = low + (high - low) * 0.5 * (at + 1.0)
    steps, step_weight = hermegauss(along)
    dispersions, means, logs = [], [], []
    for phi, share in zip(dispersion_of(u), weight, strict=True):
        mean, width = _mean_and_width(data, float(phi))
        for step, its in zip(steps, step_weight, strict=True):
            node = mean * np.exp(width * step)
            # Hermite's weights stand for a normal density; what differs from it is put back.
            own = data.log_likelihood(float(node), float(phi)) + 0.5 * step**2
            logs.append(own + np.log(width * its * share))
            dispersions.append(phi)
            means.append(node)
    return np.array(dispersions), np.array(means), np.array(logs)


def _mean_and_width(data: PeerData, dispersion: float) -> tuple[float, float]:
    """Centre and standard deviation of log μ given a dispersion."""
    if data.total == 0:
        return 0.5 / data.whole_exposure, 1.0
    mean = data.mean_given(dispersion)
    return mean, 1.0 / np.sqrt(data.mean_information(mean, dispersion))


def _height(data: PeerData, dispersion: float) -> float:
    """Log of the likelihood with the mean integrated out by Laplace's method."""
    mean, width = _mean_and_width(data, dispersion)
    return data.log_likelihood(mean, dispersion) + float(np.log(width))


def _log_mass(counts: Wholes, expected: Floats, dispersion: float) -> Floats:
    """Log of the negative binomial's mass."""
    shape = 1.0 / dispersion
    rising = gammaln(shape + counts) - gammaln(shape) - counts * np.log(shape)
    if dispersion < 1e-5:  # the difference of two huge numbers: its first terms instead
        rising = 0.5 * dispersion * counts * (counts - 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        powers = np.where(counts > 0, counts * np.log(expected), 0.0)
    mass: Floats = (
        rising - gammaln(counts + 1.0) + powers - (counts + shape) * np.log1p(dispersion * expected)
    )
    return mass
