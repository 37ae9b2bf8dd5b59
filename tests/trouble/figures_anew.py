"""The statistics of a run worked out anew, other ways wherever there are two: for ``recompute``.

Fits by the digamma form of the likelihood's slope, chances by a plain fine grid over what the
peers leave open, limits by scipy's distributions, stretches by walks over a plain graph.
"""

from __future__ import annotations

import math
from collections import defaultdict, deque
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import optimize, special, stats

Array = np.ndarray[Any, Any]

ACROSS, ALONG, WIDE = 300, 61, 8.0


@dataclass
class Fit:
    """Peers' rates: gamma with this mean and variance ``spread`` × mean²."""

    mean: float
    spread: float
    units: int


def weather_factors(failed: Array, exposed: Array) -> Array:
    """How much faster places fail wet and in storm, by conditional maximum likelihood."""
    told = failed.sum(axis=1) > 0
    failed, exposed = failed[told].astype(float), exposed[told]
    free = [n for n in (1, 2) if failed[:, n].sum() > 0 and failed[:, 0].sum() > 0]

    def minus(logs: Array) -> float:
        factor = np.zeros(3)
        factor[0] = 1.0
        factor[free] = np.exp(logs)
        weight = exposed * factor
        share = weight / weight.sum(axis=1, keepdims=True)
        return -float(special.xlogy(failed, share).sum())

    found = np.ones(3)
    if free:
        best = optimize.minimize(minus, np.zeros(len(free)), method="Nelder-Mead", tol=1e-13)
        found[free] = np.exp(best.x)
    return found


def fit(counts: Array, exposed: Array) -> Fit:
    """The negative binomial's maximum likelihood."""
    counts, exposed = counts.astype(float), exposed.astype(float)
    pooled = counts.sum() / exposed.sum()
    m = pooled * exposed
    if counts.sum() == 0 or np.sum((counts - m) ** 2 - counts) <= 0:
        return Fit(float(pooled), 0.0, len(counts))

    def slope(log_shape: float) -> float:
        r = math.exp(log_shape)
        m = likeliest_mean(counts, exposed, 1 / r) * exposed
        parts = special.digamma(counts + r) - special.digamma(r) + np.log(r / (r + m))
        return float(np.sum(parts + 1 - (counts + r) / (r + m)))

    low, high = -8.0, 12.0
    shape = math.exp(optimize.brentq(slope, low, high, xtol=1e-13))
    return Fit(likeliest_mean(counts, exposed, 1 / shape), 1 / shape, len(counts))


def likeliest_mean(counts: Array, exposed: Array, spread: float) -> float:
    """The mean rate that is likeliest given the spread."""

    def slope(log_mean: float) -> float:
        m = math.exp(log_mean) * exposed
        return float(np.sum((counts - m) / (1 + spread * m)))

    top = math.log(np.max(counts / np.where(exposed > 0, exposed, np.inf)))
    return math.exp(optimize.brentq(slope, top - 40, top + 1e-9, xtol=1e-14))


def log_mass(count: Array, mean: Array, spread: Array) -> Array:
    """Log of the negative binomial's mass."""
    r = 1 / spread
    found: Array = (
        special.gammaln(count + r)
        - special.gammaln(r)
        - special.gammaln(count + 1.0)
        - r * np.log1p(spread * mean)
        + special.xlogy(count, mean / (r + mean))
    )
    return found


def chances(counts: Array, exposed: Array, trusted: Array) -> tuple[Array, Fit]:
    """Each unit's chance of as many failures, given the other trusted ones of its group."""
    kept = trusted & (exposed > 0)
    if kept.sum() < 2:
        return np.ones(len(counts)), Fit(0.0, 0.0, int(kept.sum()))
    own, much = counts[kept], exposed[kept]
    if counts.sum() == 0:
        return np.ones(len(counts)), fit(own, much)
    pairs, alike = np.unique(np.column_stack([own, much]), axis=0, return_counts=True)
    spread, mean, weight = _grid(own, much)
    likelihood = np.zeros(len(mean))
    for (count, size), number in zip(pairs, alike, strict=True):
        likelihood += number * log_mass(np.array(count), mean * size, spread)
    likelihood += weight
    found = np.ones(len(counts))
    known: dict[tuple[int, float, bool], float] = {}
    for n in np.flatnonzero(counts > 0):
        key = (int(counts[n]), float(exposed[n]), bool(kept[n]))
        if key not in known:
            count, size, is_peer = key
            m = mean * size
            tail = stats.nbinom.sf(count - 1, 1 / spread, 1 / (1 + spread * m))
            rest = likelihood - (log_mass(np.array(count), m, spread) if is_peer else 0.0)
            share = np.exp(rest - rest.max())
            known[key] = min(float(np.sum(share * tail) / np.sum(share)), 1.0)
        found[n] = known[key]
    return found, fit(own, much)


def _grid(counts: Array, exposed: Array) -> tuple[Array, Array, Array]:
    """Spreads and means of a grid, with the log of what each node stands for: the shrinkage
    1/(1 + spread × mean count) is uniform and the mean's logarithm flat beforehand."""
    scale = max(counts.sum(), 0.5) / len(counts)
    spreads, means, weights = [], [], []
    steps = np.linspace(-WIDE, WIDE, ALONG)
    for u in (np.arange(ACROSS) + 0.5) / ACROSS:
        spread = (1 - u) / (u * scale)
        middle = likeliest_mean(counts, exposed, spread)
        m = middle * exposed
        width = 1 / math.sqrt(np.sum(m * (1 + spread * counts) / (1 + spread * m) ** 2))
        means.append(middle * np.exp(width * steps))
        spreads.append(np.full(ALONG, spread))
        weights.append(np.full(ALONG, math.log(width)))
    return np.concatenate(spreads), np.concatenate(means), np.concatenate(weights)


def adjusted(chance: Array) -> Array:
    """Benjamini and Hochberg's, by their definition: the least p·n/rank from there on up."""
    chance = np.asarray(chance, dtype=float)
    n = len(chance)
    rank = np.array([np.sum(chance <= one) for one in chance])
    scaled = chance * n / rank
    return np.array([min(1.0, scaled[chance >= one].min()) for one in chance])


def flagged(
    counts: Array, exposed: Array, kind: Array, q: float
) -> tuple[Array, Array, Array, dict[str, Fit]]:
    """p, q, which stand out, and the peers left of each kind: fitted anew without what stands
    out until no more does."""
    out = np.zeros(len(counts), dtype=bool)
    while True:
        p, peers = np.ones(len(counts)), {}
        for word in np.unique(kind):
            own = kind == word
            p[own], peers[str(word)] = chances(counts[own], exposed[own], ~out[own])
        level = adjusted(p)
        more = out | (level <= q)
        if (more == out).all():
            return p, level, out, peers
        out = more


# ---------------------------------------------------------------- stretches


def stretches(cells: int, links: set[tuple[int, int]]) -> list[frozenset[int]]:
    """Runs and surroundings of at most half the cells and 60, by walks from each cell."""
    most = min(max(1, cells // 2), 60)
    near: dict[int, set[int]] = defaultdict(set)
    for one, other in links:
        near[one].add(other)
        near[other].add(one)
    found: set[frozenset[int]] = set()
    for source in range(cells):
        way: dict[int, list[int]] = {source: [source]}
        ahead = deque([source])
        while ahead:
            here = ahead.popleft()
            for following in sorted(near[here] - way.keys()):
                way[following] = [*way[here], following]
                ahead.append(following)
        for links_away in range(most):
            ring = frozenset(cell for cell, run in way.items() if len(run) <= links_away + 1)
            if len(ring) <= most:
                found.add(ring)
        found |= {frozenset(run) for run in way.values() if len(run) <= most}
    return sorted(found, key=sorted)


def log_ratio(inside: Array, expected: Array, total: float) -> Array:
    """Kulldorff's, 0 where there are no more than expected."""
    over = inside > expected
    with np.errstate(divide="ignore", invalid="ignore"):
        own = special.xlogy(inside, inside / expected)
        rest = special.xlogy(total - inside, (total - inside) / (total - expected))
    return np.where(over, own + rest, 0.0)


@dataclass
class Scan:
    """The strongest stretches of a path (ties all), their ratio, and by own draws how often chance
    does as much."""

    best: list[frozenset[int]]
    ratio: float
    as_much: int
    worlds: int

    @property
    def chance(self) -> float:
        """An estimate that is never 0."""
        return (self.as_much + 1) / (self.worlds + 1)

    def limits(self) -> tuple[float, float]:
        """Within which the true chance lies but for one time in 10⁷."""
        low = stats.beta.ppf(5e-8, self.as_much, self.worlds - self.as_much + 1)
        high = stats.beta.ppf(1 - 5e-8, self.as_much + 1, self.worlds - self.as_much)
        return float(np.nan_to_num(low)), float(high)


def scan(
    counts: Array, expected: Array, links: set[tuple[int, int]], spread: float, worlds: int
) -> Scan:
    """A path's scan with draws of its own."""
    rng = np.random.default_rng(20_260_329)
    sets = stretches(len(counts), links)
    member = np.array([[cell in one for cell in range(len(counts))] for one in sets], dtype=float)
    counts = np.where(expected > 0, counts, 0)
    total = int(counts.sum())
    if total == 0:
        return Scan([], 0.0, worlds, worlds)
    scaled = expected * total / expected.sum()
    awaited = (member @ scaled)[:, None]
    seen = log_ratio(member @ counts[:, None], awaited, total)[:, 0]
    top = float(seen.max())
    shares = np.tile(scaled / total, (worlds, 1))
    if spread > 0:
        shares = shares * rng.gamma(1 / spread, spread, size=shares.shape)
        shares /= shares.sum(axis=1, keepdims=True)
    drawn = rng.multinomial(total, shares)
    highest = log_ratio(member @ drawn.T, awaited, total).max(axis=0)
    best = [sets[n] for n in np.flatnonzero(seen >= top - 1e-9)]
    return Scan(best, top, int(np.sum(highest >= top - 1e-9)), worlds)
