"""Do limits cover what they say? Truth drawn, data drawn from it, limits counted that hold it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from benchmarks.limits import at_least, at_most
from benchmarks.report import percent, table
from benchmarks.runner import Row
from faults.recurrence.cumulative import cumulative_mean
from faults.recurrence.flags import upper_tail
from faults.recurrence.funnel import ratio_funnel
from faults.recurrence.inspections import exposure_to_chance
from faults.recurrence.lifetimes import fit_weibull
from faults.recurrence.peers import fit_peers
from faults.recurrence.poisson_limits import garwood_limits
from faults.recurrence.power_law import fit_power_laws, mean_time_at_end
from faults.recurrence.rates import shrunk_rates
from faults.recurrence.renewal import Costs, WornUnit, minimal_repair_age, repair_or_renew
from faults.recurrence.trend import FailureTimes, trend_tests
from faults.recurrence.weather import fit_state_factors

BATCHES = 100
Counted = Iterator[tuple[str, int, int]]


def limit_keys() -> list[str]:
    """Batches of worlds."""
    return [f"{batch:05d}" for batch in range(BATCHES)]


def limit_row(key: str) -> Row:
    """Covered and tried, by what is counted."""
    rng = np.random.default_rng([26, int(key)])
    row: Row = {}
    for made in (_rates, _trends, _cumulative, _weibull, _states, _renewal):
        for name, covered, tried in made(rng):
            row[name] = [covered, tried]
    return row


def _held(low: np.ndarray, truth: object, high: np.ndarray) -> tuple[int, int]:
    inside = (low <= truth) & (truth <= high)
    return int(inside.sum()), int(inside.size)


def _rates(rng: np.random.Generator) -> Counted:
    mean = rng.uniform(0.1, 12.0, 2000)
    limits = garwood_limits(rng.poisson(mean))
    yield ("Garwood 95 %", *_held(limits.low, mean, limits.high))
    funnel = ratio_funnel(mean)
    ratio = rng.poisson(mean) / mean
    yield ("funnel 95 %", *_held(funnel.low, ratio, funnel.high))
    exposure = rng.uniform(0.5, 8.0, 200)
    theta = rng.gamma(2.0, 0.4, 200)
    counts = rng.poisson(theta * exposure)
    fit = fit_peers(counts, exposure)
    shrunk = shrunk_rates(counts, exposure, fit)
    if fit.dispersion > 0.0:
        inside = _held(shrunk.limits.low, theta, shrunk.limits.high)
        yield ("empirical Bayes 95 %, 200 peers", *inside)
    ahead = exposure_to_chance(shrunk, 0.2)
    failed = rng.random(200) < -np.expm1(-theta * ahead)
    yield "chance of failure 20 % at the next look", int(failed.sum()), 200
    p = upper_tail(rng.poisson(theta * exposure), fit.mean * exposure, fit.dispersion)
    yield "peers with p at most 5 %", int((p <= 0.05).sum()), 200


def _trends(rng: np.random.Generator) -> Counted:
    for n in (3, 10):
        units = 400
        beta = rng.uniform(0.5, 2.5, units)
        unit = np.repeat(np.arange(units), n)
        at = rng.random(units * n) ** (1.0 / np.repeat(beta, n))
        failures = FailureTimes.of(unit, at, np.ones(units))
        laws = fit_power_laws(failures)
        yield (f"power law β 95 %, {n} failures", *_held(laws.beta_low, beta, laws.beta_high))
        steady = trend_tests(FailureTimes.of(unit, 1.0 - rng.random(units * n), np.ones(units)))
        small = (steady.chi_square_worsening <= 0.05).sum()
        yield f"MIL-HDBK-189 p at most 5 %, {n} failures", int(small), units
        small = (steady.laplace_worsening <= 0.05).sum()
        yield f"Laplace p at most 5 %, {n} failures", int(small), units
    yield _mean_times(rng)


def _mean_times(rng: np.random.Generator) -> tuple[str, int, int]:
    """The failures are Poisson with mean 10, so the true mean time at the end is 1/(10 β)."""
    covered = tried = 0
    for beta in rng.uniform(0.5, 2.5, 400).tolist():
        n = int(rng.poisson(10.0))
        if n < 3:
            continue
        logs = float(np.sum(-np.log(1.0 - rng.random(n)))) / beta
        limits = mean_time_at_end(n, 1.0, (n - 1) / logs)
        covered += limits.low <= 1.0 / (10.0 * beta) <= limits.high
        tried += 1
    return "mean time at the end, handbook 80 %, some 10 failures", covered, tried


def _cumulative(rng: np.random.Generator) -> Counted:
    for spread, label in ((0.0, "alike"), (1.0, "unlike")):
        for robust in (True, False):
            covered = tried = 0
            for _ in range(10):
                units = 40
                end = rng.uniform(0.5, 2.0, units)
                rate = rng.gamma(1.0, 1.0, units) if spread else np.ones(units)
                counts = rng.poisson(2.0 * rate * end)
                unit = np.repeat(np.arange(units), counts)
                at = end[unit] * (1.0 - rng.random(len(unit)))
                failures = FailureTimes.of(unit, at, end)
                mcf = cumulative_mean(failures, increments_independent=not robust)
                place = int(np.searchsorted(mcf.age, 1.0)) - 1
                covered += bool(mcf.low[place] <= 2.0 <= mcf.high[place])
                tried += 1
            how = "over units" if robust else "increments alone"
            yield f"mean cumulative 95 %, 40 units {label}, variance {how}", covered, tried


def _weibull(rng: np.random.Generator) -> Counted:
    covered = 0
    for _ in range(20):
        life = rng.weibull(1.8, 40)
        limits = fit_weibull(np.minimum(life, 1.2), life <= 1.2).limits()
        covered += limits[0][0] <= 1.8 <= limits[0][1]
    yield "Weibull shape 95 %, 40 lives, a quarter censored", covered, 20


def _states(rng: np.random.Generator) -> Counted:
    covered = 0
    for _ in range(10):
        time = rng.uniform(0.5, 1.5, (60, 3)) * [8.0, 2.0, 0.4]
        rate = rng.gamma(1.0, 0.3, (60, 1))
        made = fit_state_factors(rng.poisson(rate * time * [1.0, 2.0, 6.0]), time)
        covered += int(made.low[1] <= 2.0 <= made.high[1])
    yield "wet factor 95 %, 60 units", covered, 10


def _renewal(rng: np.random.Generator) -> Counted:
    costs = Costs(renewal=5.0, failure=1.0)
    best_held = cost_held = 0
    for _ in range(20):
        beta, so_far = rng.uniform(1.3, 2.5), 12.0
        n = max(int(rng.poisson(so_far)), 2)
        logs = float(np.sum(-np.log(1.0 - rng.random(n)))) / beta
        answer = repair_or_renew(WornUnit(n, 1.0, logs), 0.5, costs, rng, draws=1000)
        best = minimal_repair_age(so_far ** (-1.0 / beta), beta, costs).age
        best_held += answer.best_age[0] <= best <= answer.best_age[2]
        repairing = so_far * (1.5**beta - 1.0)
        cost_held += answer.repairing[0] <= repairing <= answer.repairing[2]
    yield "best age under minimal repair 95 %, some 12 failures", best_held, 20
    yield "cost of going on repairing 95 %, some 12 failures", cost_held, 20


def limit_section(rows: list[Row]) -> str:
    """Each limit's coverage with its own limits."""
    good = [row for row in rows if "error" not in row]
    # In the order of the first row, each once.
    names = dict.fromkeys(
        name for row in good for name, value in row.items() if isinstance(value, list)
    )
    body = []
    for name in names:
        pairs = [row[name] for row in good if name in row]
        covered, tried = (sum(pair[side] for pair in pairs) for side in (0, 1))
        low, high = at_least(covered, tried), at_most(covered, tried)
        body.append((name, tried, percent(covered / tried), percent(low), percent(high)))
    return (
        "What is named and its level, tried and held in (or below) it. Garwood's and the funnel's "
        "are of whole numbers: the first holds at least its level, the second about it. The share "
        "of sound peers with a small p-value, and of small p-values without a trend, is at most "
        "or about its level.\n\n" + table(("limit", "tried", "held", "at least", "at most"), body)
    )
