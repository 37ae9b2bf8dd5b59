"""Repair again, or renew? Cost rates, the best age to renew, and how sure that is.

*Minimal repair*: each failure is mended and the unit is as worn as before; a power law
(t/θ)^β of failures. Renewed at age T it costs (c + f (T/θ)^β)/T per unit of time, c the renewal
and f one failure, least at T* = θ (c/(f (β − 1)))^(1/β) where β > 1 (Barlow and Hunter, Oper.
Res. 8, 1960). *Age replacement*: a part is renewed when it fails, at cost f, or at age T, at cost
c; its life is a Weibull law (Barlow and Proschan, Mathematical Theory of Reliability, 1965).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.special import gamma

from faults.recurrence.checked import Floats, RecurrenceError, TooFewFailures, checked_share
from faults.recurrence.lifetimes import WeibullFit


@dataclass(frozen=True, slots=True)
class Costs:
    """``renewal``: of renewing as planned; ``failure``: of mending one failure (minimal repair)
    or of a part that failed and is renewed (age replacement). In one currency, both above 0."""

    renewal: float
    failure: float

    def __post_init__(self) -> None:
        if not (self.renewal > 0.0 and self.failure > 0.0):
            raise RecurrenceError("renewal, failure: expected costs above 0")


@dataclass(frozen=True, slots=True)
class BestAge:
    """When to renew, and what it costs per unit of time; ``age`` infinite where it never pays."""

    age: float
    cost_rate: float


def minimal_repair_age(scale: float, shape: float, costs: Costs) -> BestAge:
    """The best age under minimal repair, with expected failures (t/scale)^shape.

    NB: here ``costs.failure`` is one repair, ``costs.renewal`` the renewal; some packages name
    them the other way round. Where shape is at most 1 failures do not get more frequent and
    renewing never pays: the cost rate is the limit for a large age, 0 below 1.
    """
    if shape <= 1.0:
        return BestAge(np.inf, costs.failure / scale if shape == 1.0 else 0.0)
    age = scale * (costs.renewal / (costs.failure * (shape - 1.0))) ** (1.0 / shape)
    return BestAge(age, costs.renewal * shape / ((shape - 1.0) * age))


def age_replacement_rate(age: float, law: WeibullFit, costs: Costs) -> float:
    """(c S(T) + f (1 − S(T))) / ∫₀ᵀ S: cost per unit of time when renewing at age T."""
    survival = float(np.exp(-((age / law.scale) ** law.shape)))
    lived, _ = quad(lambda t: float(np.exp(-((t / law.scale) ** law.shape))), 0.0, age)
    return (costs.renewal * survival + costs.failure * (1.0 - survival)) / lived


def age_replacement(law: WeibullFit, costs: Costs) -> BestAge:
    """The best age to renew a part, infinite where waiting for the failure is as cheap.

    It pays only where parts wear (β > 1) and a failure costs more than a planned renewal. Looked
    for between a thousandth and some thirty times η, on a log scale.
    """
    mean_life = law.scale * float(gamma(1.0 + 1.0 / law.shape))
    never = BestAge(np.inf, costs.failure / mean_life)
    if law.shape <= 1.0 or costs.failure <= costs.renewal:
        return never
    found = minimize_scalar(
        lambda at: age_replacement_rate(law.scale * float(np.exp(at)), law, costs),
        bounds=(np.log(1e-3), np.log(30.0) / law.shape + 1.0),
        method="bounded",
        options={"xatol": 1e-9},
    )
    rate = float(found.fun)
    return BestAge(law.scale * float(np.exp(found.x)), rate) if rate < never.cost_rate else never


@dataclass(frozen=True, slots=True)
class RepairOrRenew:
    """What the next ``horizon`` costs either way, as expected and within limits.

    ``repairing``, ``renewing``: (low, median, high) of the costs' expectation over what the data
    leaves open; ``chance_renewing_is_cheaper``: the share of it in which renewing costs less.
    """

    horizon: float
    repairing: tuple[float, float, float]
    renewing: tuple[float, float, float]
    chance_renewing_is_cheaper: float
    best_age: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class WornUnit:
    """A unit with a trend: its ``failures`` counted up to ``end`` on its clock (time truncation),
    and ``logs`` = Σ ln(end/at)."""

    failures: int
    end: float
    logs: float


def repair_or_renew(
    unit: WornUnit,
    horizon: float,
    costs: Costs,
    rng: np.random.Generator,
    *,
    draws: int = 4000,
    level: float = 0.95,
) -> RepairOrRenew:
    """Going on with minimal repairs against renewing now, over the next ``horizon`` of the clock.

    β and the expected failures so far are drawn from their confidence distributions, both exact
    for a time-truncated power law: β ~ gamma(n)/S, and (T/θ)^β ~ gamma(n + ½) (Jeffreys). A renewed
    unit starts the same law from age 0; the renewal's own cost is in ``renewing``. The best age is
    infinite in draws where nothing wears.

    Raises TooFewFailures below 2 failures.
    """
    if unit.failures < 2 or not unit.logs > 0.0:
        raise TooFewFailures("failures: a trend needs at least 2, not all at the end")
    tail = 0.5 * (1.0 - checked_share(level, "level"))
    shares = (tail, 0.5, 1.0 - tail)
    beta = rng.gamma(unit.failures, 1.0 / unit.logs, draws)
    so_far = rng.gamma(unit.failures + 0.5, 1.0, draws)
    grown = horizon / unit.end
    repairing = costs.failure * so_far * ((1.0 + grown) ** beta - 1.0)
    renewing = costs.renewal + costs.failure * so_far * grown**beta
    theta = unit.end * so_far ** (-1.0 / beta)
    best = np.full(draws, np.inf)
    wears = beta > 1.0
    b = beta[wears]
    best[wears] = theta[wears] * (costs.renewal / (costs.failure * (b - 1.0))) ** (1.0 / b)
    return RepairOrRenew(
        horizon,
        _three(repairing, shares),
        _three(renewing, shares),
        float(np.mean(renewing < repairing)),
        _three(best, shares),
    )


def _three(values: Floats, shares: tuple[float, float, float]) -> tuple[float, float, float]:
    """Quantiles that are drawn values: an infinite one is not averaged with its neighbour."""
    low, middle, high = np.quantile(values, shares, method="inverted_cdf")
    return float(low), float(middle), float(high)


def age_replacement_limits(
    law: WeibullFit,
    costs: Costs,
    rng: np.random.Generator,
    *,
    draws: int = 400,
    level: float = 0.95,
) -> tuple[float, float, float]:
    """(low, median, high) of the best age over the fit's own error, normal in (ln η, ln β)."""
    tail = 0.5 * (1.0 - checked_share(level, "level"))
    centre = np.log([law.scale, law.shape])
    drawn = np.exp(rng.multivariate_normal(centre, law.covariance, draws))
    ages = [
        age_replacement(WeibullFit(shape, scale, law.log_likelihood, law.covariance), costs).age
        for scale, shape in drawn.tolist()
    ]
    return _three(np.array(ages), (tail, 0.5, 1.0 - tail))
