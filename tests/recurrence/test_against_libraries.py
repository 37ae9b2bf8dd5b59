"""Independent libraries and plain sums give the same: they are oracles here and nowhere else."""

from __future__ import annotations

import warnings

import lifelines
import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm
import surpyval
from scipy.integrate import quad
from statsmodels.discrete.discrete_model import NegativeBinomial
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.rates import confint_poisson

from faults.recurrence.callbacks import call_backs
from faults.recurrence.cumulative import cumulative_mean, stacked
from faults.recurrence.flags import adjusted_p_values, peer_p_values, upper_tail
from faults.recurrence.lifetimes import fit_weibull
from faults.recurrence.peers import fit_peers
from faults.recurrence.poisson_limits import garwood_limits
from faults.recurrence.power_law import fit_power_laws
from faults.recurrence.rates import shrunk_rates
from faults.recurrence.renewal import Costs, age_replacement, age_replacement_rate
from faults.recurrence.trend import FailureTimes
from faults.recurrence.weather import equivalent_exposure, fit_state_factors
from tests.recurrence.published import CASE_STUDY, CASE_STUDY_END, PUMP_FAILURES, PUMP_HOURS


def test_garwood_is_statsmodels_exact_interval() -> None:
    limits = garwood_limits(range(60), 0.9)
    for count in range(60):
        low, high = confint_poisson(count, 1.0, method="exact-c", alpha=0.1)
        assert limits.low[count] == pytest.approx(float(np.nan_to_num(low)), abs=1e-9)
        assert limits.high[count] == pytest.approx(float(high), abs=1e-9)


def test_peers_are_statsmodels_negative_binomial() -> None:
    """NB2 with the log of exposure as offset: exp(intercept) is μ, alpha is φ."""
    rng = np.random.default_rng(5)
    exposure = rng.uniform(1.0, 9.0, 300)
    counts = rng.poisson(rng.gamma(1.5, 0.4, 300) * exposure)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = NegativeBinomial(counts, np.ones(300), offset=np.log(exposure))
        fit = model.fit(disp=False, gtol=1e-9)
    ours = fit_peers(counts, exposure)
    assert np.log(ours.mean) == pytest.approx(fit.params[0], abs=1e-5)
    assert ours.dispersion == pytest.approx(fit.params[1], rel=1e-4)
    assert ours.log_likelihood == pytest.approx(fit.llf, abs=1e-6)
    assert ours.log_likelihood >= fit.llf - 1e-9


def test_tails_are_scipys_negative_binomial() -> None:
    counts = np.arange(12)
    expected = np.full(12, 2.3)
    tail = scipy.stats.nbinom.sf(counts - 1, 1.0 / 0.7, 1.0 / (1.0 + 0.7 * 2.3))
    assert upper_tail(counts, expected, 0.7) == pytest.approx(tail, rel=1e-12)
    poisson = scipy.stats.poisson.sf(counts - 1, 2.3)
    assert upper_tail(counts, expected, 0.0) == pytest.approx(poisson, rel=1e-12)
    assert upper_tail(counts, expected, 1e-9) == pytest.approx(poisson, rel=1e-6)


@pytest.mark.slow
def test_predictive_p_values_are_a_plain_double_integral() -> None:
    """The pumps: log mean flat, 1/(1 + φ m̄) uniform, on a fine grid, the pump itself left out."""
    s, t = np.array(PUMP_FAILURES), np.array(PUMP_HOURS)
    scale = s.sum() / len(s)
    u = (np.arange(400) + 0.5) / 400
    phi = (1.0 - u) / (u * scale)
    log_mean = np.linspace(-4.0, 4.0, 401)
    shape, mean = 1.0 / phi[:, None, None], np.exp(log_mean)[None, :, None]
    chance = shape / (shape + mean * t)
    log_mass = scipy.stats.nbinom.logpmf(s, shape, chance)
    ours, _ = peer_p_values(s, t)
    for pump in range(len(s)):
        others = np.delete(log_mass, pump, axis=2).sum(axis=2)
        weight = np.exp(others - others.max())
        tail = scipy.stats.nbinom.sf(s[pump] - 1, shape[:, :, 0], chance[:, :, pump])
        assert ours[pump] == pytest.approx(np.sum(weight * tail) / weight.sum(), rel=2e-3)


@pytest.mark.parametrize("seed", range(3))
def test_adjusted_p_values_are_statsmodels_and_scipys(seed: int) -> None:
    p = np.random.default_rng(seed).random(200) ** 2
    ours = adjusted_p_values(p)
    assert ours == pytest.approx(multipletests(p, method="fdr_bh")[1], abs=1e-12)
    assert ours == pytest.approx(scipy.stats.false_discovery_control(p), abs=1e-12)


def test_state_factors_are_a_poisson_regression_with_a_constant_for_each_unit() -> None:
    rng = np.random.default_rng(6)
    exposure = rng.uniform(5.0, 10.0, (12, 3)) * [1.0, 0.4, 0.1]
    counts = rng.poisson(rng.gamma(1.0, 0.5, (12, 1)) * exposure * [1.0, 2.0, 6.0])
    told = counts.sum(axis=1) > 0
    rows = np.repeat(np.flatnonzero(told), 3)
    state = np.tile(np.arange(3), int(told.sum()))
    columns = [rows == unit for unit in np.flatnonzero(told)] + [state == 1, state == 2]
    model = sm.GLM(
        counts[told].ravel(),
        np.column_stack(columns).astype(float),
        family=sm.families.Poisson(),
        exposure=exposure[told].ravel(),
    )
    fit = model.fit(tol=1e-12, maxiter=200)
    ours = fit_state_factors(counts, exposure)
    assert np.log(ours.factor[1:]) == pytest.approx(fit.params[-2:], abs=1e-6)
    assert ours.deviation[1:] == pytest.approx(fit.bse[-2:], rel=1e-5)
    weighed = equivalent_exposure(exposure, ours)
    assert weighed == pytest.approx(exposure @ ours.factor)


def test_first_failures_are_lifelines_nelson_aalen() -> None:
    """With one failure a unit, the unit gone after it, M is the cumulative hazard."""
    rng = np.random.default_rng(7)
    life, cut = rng.weibull(1.5, 60), rng.uniform(0.2, 1.5, 60)
    age = np.minimum(life, cut)
    ended = life <= cut
    failures = stacked([[a] if e else [] for a, e in zip(age, ended, strict=True)], age)
    made = cumulative_mean(failures)
    fitter = lifelines.NelsonAalenFitter(nelson_aalen_smoothing=False).fit(age, ended)
    table = fitter.cumulative_hazard_.iloc[:, 0]
    assert made.mean == pytest.approx(table.loc[made.age].to_numpy(), rel=1e-9)


def test_mean_cumulative_function_is_surpyvals() -> None:
    """surpyval's non-parametric counting process, with its units' ends as right censoring."""
    events = [[5, 10, 15], [6, 13, 17], [12, 20, 25], [13, 15], [16, 22, 25]]
    ends = [18, 19, 26, 24, 28]
    x = [time for own in events for time in own] + ends
    i = [unit for unit, own in enumerate(events) for _ in own] + list(range(5))
    c = [0] * sum(map(len, events)) + [1] * 5
    model = surpyval.NonParametricCounting.fit(x, i, c)
    ours = cumulative_mean(stacked(events, ends))
    for age, mean in zip(ours.age, ours.mean, strict=True):
        assert float(np.ravel(model.mcf(age))[0]) == pytest.approx(mean, abs=1e-9)


def test_power_law_is_surpyvals_crow_amsaa() -> None:
    x = [*CASE_STUDY, CASE_STUDY_END]
    model = surpyval.CrowAMSAA.fit(x, c=[0] * 10 + [1])
    alpha, beta = model.params
    law = fit_power_laws(FailureTimes.of([0] * 10, CASE_STUDY, [CASE_STUDY_END]))
    assert law.beta[0] == pytest.approx(beta, rel=1e-4)
    assert law.lam[0] ** (-1.0 / law.beta[0]) == pytest.approx(alpha, rel=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_weibull_is_scipys_and_lifelines(seed: int) -> None:
    rng = np.random.default_rng(seed)
    life = 700.0 * rng.weibull(1.3 + 0.3 * seed, 50)
    age, ended = np.minimum(life, 800.0), life <= 800.0
    ours = fit_weibull(age, ended)
    data = scipy.stats.CensoredData.right_censored(age, ~ended)
    shape, _, scale = scipy.stats.weibull_min.fit(data, floc=0)
    assert (ours.shape, ours.scale) == pytest.approx((shape, scale), rel=1e-3)
    theirs = lifelines.WeibullFitter().fit(age, ended)
    assert (ours.shape, ours.scale) == pytest.approx((theirs.rho_, theirs.lambda_), rel=1e-4)
    assert ours.log_likelihood == pytest.approx(theirs.log_likelihood_, abs=1e-5)
    errors = np.sqrt(np.diag(ours.covariance)) * [ours.scale, ours.shape]
    assert errors == pytest.approx(theirs.summary["se(coef)"].to_numpy(), rel=1e-3)


def test_posterior_limits_are_scipys_gamma() -> None:
    peers = fit_peers(PUMP_FAILURES, PUMP_HOURS)
    rates = shrunk_rates(PUMP_FAILURES, PUMP_HOURS, peers, 0.8)
    low = scipy.stats.gamma.ppf(0.1, rates.shape, scale=1.0 / rates.rate)
    assert rates.limits.low == pytest.approx(low, rel=1e-9)


def test_age_replacement_is_no_worse_than_any_age_of_a_grid() -> None:
    law = fit_weibull([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], [True] * 10)
    costs = Costs(renewal=1.0, failure=6.0)
    best = age_replacement(law, costs)
    grid = np.geomspace(20.0, 2000.0, 200)
    assert best.cost_rate <= min(age_replacement_rate(age, law, costs) for age in grid) + 1e-12
    lived, _ = quad(lambda t: np.exp(-((t / law.scale) ** law.shape)), 0.0, best.age)
    alive = np.exp(-((best.age / law.scale) ** law.shape))
    hazard = law.shape / law.scale * (best.age / law.scale) ** (law.shape - 1.0)
    # The first-order condition of Barlow and Proschan: h(T) ∫S − F(T) = c/(f − c).
    assert hazard * lived - (1.0 - alive) == pytest.approx(1.0 / 5.0, rel=1e-4)


def test_call_backs_are_the_binomial_where_chances_are_equal() -> None:
    made = call_backs([True] * 4 + [False] * 16, np.full(20, 0.1), np.zeros(20, dtype=int))
    assert made.p_value[0] == pytest.approx(scipy.stats.binom.sf(3, 20, 0.1), rel=1e-12)
    assert made.p_fewer[0] == pytest.approx(scipy.stats.binom.cdf(4, 20, 0.1), rel=1e-12)
