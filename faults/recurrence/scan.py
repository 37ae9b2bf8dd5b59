"""A scan over the connected stretches of a path: failures spread over neighbours, seen as one.

Given that a path failed C times, chance shares them out by what its cells are expected to fail.
For each stretch with c failures where E are expected the log likelihood ratio is
c ln(c/E) + (C − c) ln((C − c)/(C − E)), 0 where c is at most E (Kulldorff, Commun. Stat. 26,
1997); the scan's statistic is the largest. Its p-value is by Monte Carlo with a sequential stop
(Besag and Clifford, Biometrika 78, 1991): draws end at the ``enough``-th that is as large.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import xlogy

from faults.recurrence.checked import (
    Floats,
    RecurrenceError,
    checked_amounts,
    checked_counts,
    floats,
    same_length,
)
from faults.recurrence.stretches import Stretches

_BATCH = 20
_TIE = 1e-9


@dataclass(frozen=True, slots=True)
class ScanParams:
    """``draws``: at most so many worlds of chance. ``enough``: stop at so many as extreme.

    ``dispersion``: of the cells' own rates, as their peers show it; 0 takes them as known. Cells
    whose rates differ by themselves make clusters that are no trouble stretch.
    """

    draws: int = 999
    enough: int = 10
    dispersion: float = 0.0

    def __post_init__(self) -> None:
        if self.draws < 1 or self.enough < 1:
            raise RecurrenceError("draws, enough: expected at least 1")
        if not self.dispersion >= 0.0:
            raise RecurrenceError("dispersion: expected at least 0")


def draws_among(draws: int, scanned: int, q: float) -> int:
    """Draws at most for each of so many paths: the smallest p-value is then at most half of what
    one alone needs to stand out at a share q of false flags."""
    return max(draws, math.ceil(2 * scanned / q))


@dataclass(frozen=True, slots=True)
class Scanned:
    """The stretch that stands out most: its cells, failures, expected failures (scaled to the
    path's total), log likelihood ratio, p-value, and the draws it took."""

    cells: tuple[int, ...]
    failures: int
    expected: float
    log_ratio: float
    p_value: float
    draws: int


def log_likelihood_ratio(inside: ArrayLike, expected: ArrayLike, total: float) -> Floats:
    """Kulldorff's Poisson ratio of stretches; ``expected`` is scaled to ``total`` over the path."""
    c, e = np.asarray(inside, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    some = c > e
    e_in, e_out = np.where(some, e, 1.0), np.where(some & (total > e), total - e, 1.0)
    with np.errstate(divide="ignore"):
        ratio = xlogy(c, c / e_in) + xlogy(total - c, np.maximum(total - c, 0.0) / e_out)
    return np.where(some, ratio, 0.0)


def scan_path(
    counts: ArrayLike,
    expected: ArrayLike,
    stretches: Stretches,
    params: ScanParams,
    rng: np.random.Generator,
) -> Scanned:
    """The strongest stretch of one path.

    counts, expected: of the cells, shape (cells,); only the shares of ``expected`` matter. The
    p-value is valid given the path's total, so it is independent of a test of that total. A path
    without failures has p-value 1. O(draws × entries of ``stretches``).

    Raises RecurrenceError for bad data, or failures where none are expected.
    """
    whole, awaited = checked_counts(counts), checked_amounts(expected, "expected")
    same_length(counts=whole, expected=awaited)
    if stretches.members.shape[1] != len(whole):
        raise RecurrenceError("stretches: made for another number of cells")
    if np.any(whole[awaited == 0.0]):
        raise RecurrenceError("expected: a cell that failed needs more than 0")
    total = int(whole.sum())
    if total == 0:
        return Scanned((), 0, 0.0, 0.0, 1.0, 0)
    scaled = awaited * (total / awaited.sum())
    members = stretches.members
    inside_expected = members @ scaled
    inside = members @ whole
    ratios = log_likelihood_ratio(inside, inside_expected, total)
    best = int(np.argmax(ratios))
    seen = float(ratios[best])
    p_value, draws = 1.0, 0
    if seen > 0.0:
        largest = _largest(stretches, inside_expected, total)
        p_value, draws = _chance_of(seen, largest, scaled, params, rng)
    return Scanned(
        stretches.cells(best),
        int(inside[best]),
        float(inside_expected[best]),
        seen,
        p_value,
        draws,
    )


def _largest(stretches: Stretches, expected: Floats, total: int) -> Callable[[Floats], Floats]:
    """The largest ratio of each of several worlds, logarithms of whole numbers looked up.

    c ln c + (C − c) ln(C − c) − c ln E − (C − c) ln(C − E), as in :func:`log_likelihood_ratio`.
    """
    numbers = np.arange(total + 1.0)
    of_count = xlogy(numbers, numbers) + xlogy(total - numbers, total - numbers)
    outside = np.maximum(total - expected, 0.0)
    log_in = np.log(np.where(expected > 0.0, expected, 1.0))[:, None]
    log_out = np.log(np.where(outside > 0.0, outside, 1.0))[:, None]

    def largest(draw: Floats) -> Floats:
        inside = stretches.members @ draw.T
        ratio = of_count[inside.astype(np.intp)] - inside * (log_in - log_out) - total * log_out
        return floats(np.where(inside > expected[:, None], ratio, 0.0).max(axis=0))

    return largest


def _chance_of(
    seen: float,
    largest: Callable[[Floats], Floats],
    scaled: Floats,
    params: ScanParams,
    rng: np.random.Generator,
) -> tuple[float, int]:
    """h/l where the h-th as large came at draw l, else (as large + 1)/(draws + 1)."""
    as_large = draws = 0
    total = round(float(scaled.sum()))
    while draws < params.draws:
        batch = min(_BATCH, params.draws - draws)
        tops = largest(_worlds(total, scaled, params.dispersion, batch, rng))
        hits = np.cumsum(tops >= seen * (1.0 - _TIE)) + as_large
        stop = np.flatnonzero(hits >= params.enough)
        if len(stop):
            draws += int(stop[0]) + 1
            return params.enough / draws, draws
        as_large, draws = int(hits[-1]), draws + batch
    return (as_large + 1) / (draws + 1), draws


def _worlds(
    total: int, scaled: Floats, dispersion: float, count: int, rng: np.random.Generator
) -> Floats:
    """Failures shared out by chance, shape (count, cells)."""
    if dispersion == 0.0:
        return rng.multinomial(total, scaled / scaled.sum(), size=count).astype(np.float64)
    shape = 1.0 / dispersion
    weight = scaled * rng.gamma(shape, dispersion, size=(count, len(scaled)))
    # A shape far below 1 can leave a world with nothing anywhere: then shares are as expected.
    weight = np.where(weight.sum(axis=1, keepdims=True) > 0.0, weight, scaled)
    shares = weight / weight.sum(axis=1, keepdims=True)
    return rng.multinomial(total, shares).astype(np.float64)
