"""Invented worlds of failures, of which the truth is known.

A world has 200 properties, each with one path, watched for 10 years. Paths differ in size, in how
much of the year they are energised and in how wet they lie; wet ground doubles the rate, storms
make it eightfold. Places differ by a gamma of which the statistics know nothing but what they see.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faults.recurrence.checked import Flags, Floats, Wholes
from faults.recurrence.weather import equivalent_exposure, fit_state_factors

PROPERTIES = 200
YEARS = 10.0
FAILURES_A_SPLICE_YEAR = 0.012
STATE_FACTORS = np.array([1.0, 2.0, 8.0])


@dataclass(frozen=True, slots=True)
class Kind:
    """``dispersion`` of the places' own rates; ``trouble``: the share of units whose rate is
    ``ratio`` times what it would be."""

    dispersion: float
    trouble: float = 0.0
    ratio: float = 1.0


@dataclass(frozen=True, slots=True)
class Units:
    """Units of one level: failures, exposure as the statistics see it, peers, and the truth."""

    counts: Wholes
    exposure: Floats
    group: Wholes
    is_trouble: Flags
    true_mean: Floats


def sizes(rng: np.random.Generator) -> Wholes:
    """Splices of each property's path: half have fewer than 30, a few over 150."""
    drawn = np.exp(rng.normal(np.log(30.0), 0.8, PROPERTIES))
    return np.clip(drawn, 4, 300).astype(np.int64)


def state_years(rng: np.random.Generator, count: int) -> Floats:
    """Energised years dry, wet and in storm of each property, shape (count, 3)."""
    energised = YEARS * rng.uniform(0.45, 1.0, count)
    wet = rng.uniform(0.05, 0.35, count)
    storm = np.full(count, 0.01)
    return energised[:, None] * np.column_stack([1.0 - wet - storm, wet, storm])


def property_units(rng: np.random.Generator, kind: Kind) -> Units:
    """Units are the properties; two kinds of conductor, one half as good, are the peers."""
    size = sizes(rng)
    return _units(rng, kind, state_years(rng, PROPERTIES) * size[:, None], size)


def splice_units(rng: np.random.Generator, kind: Kind) -> Units:
    """Units are the single splices of all properties."""
    size = sizes(rng)
    years = np.repeat(state_years(rng, PROPERTIES), size, axis=0)
    return _units(rng, kind, years, np.ones(len(years), dtype=np.int64))


def _units(rng: np.random.Generator, kind: Kind, years: Floats, size: Wholes) -> Units:
    count = len(size)
    group = rng.integers(0, 2, count)
    is_trouble = rng.random(count) < kind.trouble
    own = gamma_around_one(rng, kind.dispersion, count)
    rate = FAILURES_A_SPLICE_YEAR * np.where(group == 1, 2.0, 1.0)
    rate = rate * own * np.where(is_trouble, kind.ratio, 1.0)
    by_state = rng.poisson(rate[:, None] * years * STATE_FACTORS)
    exposure = equivalent_exposure(years, fit_state_factors(by_state, years))
    counts = by_state.sum(axis=1)
    return Units(counts, exposure, group, is_trouble, rate * (years @ STATE_FACTORS))


def gamma_around_one(rng: np.random.Generator, dispersion: float, count: int) -> Floats:
    """Factors with mean 1 and variance ``dispersion``."""
    if dispersion == 0.0:
        return np.ones(count)
    return rng.gamma(1.0 / dispersion, dispersion, count)
