"""Published examples to their digits; each value's source stands in the file of values."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from faults.recurrence.cumulative import cumulative_mean, stacked
from faults.recurrence.flags import adjusted_p_values
from faults.recurrence.lifetimes import fit_weibull
from faults.recurrence.peers import PeerData, PeerRates, fit_peers
from faults.recurrence.poisson_limits import garwood_limits
from faults.recurrence.power_law import (
    cramer_von_mises,
    expected_failures,
    fit_power_laws,
    mean_time_at_end,
)
from faults.recurrence.rates import rates_by_level, shrunk_rates
from faults.recurrence.renewal import Costs, minimal_repair_age
from faults.recurrence.scan import log_likelihood_ratio
from faults.recurrence.trend import FailureTimes, pooled_trend, reverse_arrangements, trend_tests
from tests.recurrence.published import (
    CASE_STUDY,
    CASE_STUDY_END,
    CHECKS,
    PUMP_FAILURES,
    PUMP_HOURS,
)


def case_study(*, failure_truncated: bool = False) -> FailureTimes:
    end = CASE_STUDY[-1] if failure_truncated else CASE_STUDY_END
    return FailureTimes.of([0] * 10, CASE_STUDY, [end], [failure_truncated])


def test_trend_of_the_handbooks_case_study() -> None:
    """NIST/SEMATECH e-Handbook ch. 8, time truncation at 1500 h."""
    want = CHECKS["C1"]["expected"]
    tests = trend_tests(case_study())
    assert tests.laplace[0] == pytest.approx(want["laplace"], abs=1e-7)
    two_sided = 2.0 * min(tests.laplace_improving[0], tests.laplace_worsening[0])
    assert two_sided == pytest.approx(want["laplace_p2"], abs=1e-7)
    assert tests.chi_square[0] == pytest.approx(want["milhdbk"], abs=1e-7)
    assert 2 * tests.counted[0] == want["df"]
    assert tests.chi_square_improving[0] == pytest.approx(want["p_improving"], abs=1e-7)
    assert reverse_arrangements(CASE_STUDY) == want["reverse_arrangements"]
    pooled = pooled_trend(case_study())
    assert pooled.laplace[0] == pytest.approx(want["laplace"], abs=1e-12)
    assert pooled.chi_square[0] == pytest.approx(want["milhdbk"], abs=1e-12)


def test_trend_of_the_case_study_cut_at_its_last_failure() -> None:
    want = CHECKS["C1"]["expected"]["failure_truncated"]
    tests = trend_tests(case_study(failure_truncated=True))
    assert tests.laplace[0] == pytest.approx(want["laplace"], abs=1e-7)
    assert tests.chi_square[0] == pytest.approx(want["milhdbk"], abs=1e-7)
    assert 2 * tests.counted[0] == want["df"]
    law = fit_power_laws(case_study(failure_truncated=True))
    assert law.beta[0] == pytest.approx(want["beta"], abs=1e-7)


def test_power_law_of_the_case_study() -> None:
    """The handbook's b is the modified estimate; its upper limit of the mean time is held, and the
    lower one by the handbook's formula: its published script has z²/2 there where that has z²/4."""
    want, limits = CHECKS["C1"]["expected"], CHECKS["C1b"]["expected"]
    law = fit_power_laws(case_study())
    assert law.beta[0] == pytest.approx(want["beta_mle"], abs=1e-7)
    assert law.lam[0] == pytest.approx(want["lambda_mle"], abs=1e-7)
    b = float(law.beta_modified[0])
    assert b == pytest.approx(want["b_unbiased"], abs=1e-6)
    assert 1.0 - b == pytest.approx(limits["one_less_b"], abs=1e-6)
    # The handbook's a: with b in place of the likeliest β, so that ten failures are expected.
    assert expected_failures(limits["a"], b, 0.0, CASE_STUDY_END) == pytest.approx(10.0, rel=1e-5)
    made = mean_time_at_end(10, CASE_STUDY_END, float(law.beta_modified[0]), 0.80)
    assert made.value == pytest.approx(want["mtbf_end_unbiased"], abs=1e-3)
    assert made.high == pytest.approx(limits["mtbf_high"], abs=1e-3)
    assert made.low == pytest.approx(limits["mtbf_low_of_the_formula"], abs=1e-3)
    found = cramer_von_mises(CASE_STUDY, CASE_STUDY_END)
    assert found == pytest.approx(limits["cramer_von_mises"], abs=1e-7)


def test_a_unit_whose_watch_ended_with_its_last_failure() -> None:
    """Failure truncation as two worked examples of a package have it: every digit of the trend;
    the mean time at the end is T/(n β)."""
    check = CHECKS["C12"]
    want, times = check["expected"], np.cumsum(check["inputs"]["gaps"])
    thirty = FailureTimes.of([0] * len(times), times, [times[-1]], [True])
    assert trend_tests(thirty).laplace[0] == pytest.approx(want["laplace"], abs=1e-8)
    law = fit_power_laws(thirty)
    assert law.beta[0] == pytest.approx(want["beta"], abs=1e-8)
    assert law.lam[0] == pytest.approx(want["lambda"], rel=1e-8)
    at = check["inputs"]["growth_times"]
    growth = fit_power_laws(FailureTimes.of([0] * len(at), at, [at[-1]], [True]))
    beta, lam = float(growth.beta[0]), float(growth.lam[0])
    assert beta == pytest.approx(want["growth_beta"], abs=1e-8)
    assert lam == pytest.approx(want["growth_lambda"], rel=1e-8)
    assert expected_failures(lam, beta, 0.0, at[-1]) == pytest.approx(len(at))
    assert at[-1] / len(at) == want["mtbf_cumulative"]
    assert at[-1] / (len(at) * beta) == pytest.approx(want["mtbf_instant"], abs=1e-4)


def test_mean_cumulative_function_of_five_machines() -> None:
    """At risk up to and at the own end; increments one by one; 95 % one-sided, so 90 % here."""
    check = CHECKS["C2a"]
    failures = stacked(check["inputs"]["events"], check["inputs"]["ends"])
    made = cumulative_mean(failures, 0.90, increments_independent=True)
    want = check["expected"]
    # The published table has a line for each failure, ours one for each age: the last of them.
    last = {time: place for place, time in enumerate(want["time"])}
    places = list(last.values())
    assert made.age.tolist() == list(last)
    for name, values in (
        ("MCF", made.mean),
        ("variance", made.variance),
        ("lower", made.low),
        ("upper", made.high),
    ):
        assert values == pytest.approx(np.array(want[name])[places], abs=1e-6), name


def test_pumps_by_empirical_bayes() -> None:
    want = CHECKS["C3"]["expected"]
    peers = fit_peers(PUMP_FAILURES, PUMP_HOURS)
    assert peers.shape == pytest.approx(want["alpha"], rel=1e-6)
    assert peers.rate == pytest.approx(want["beta"], rel=1e-6)
    assert peers.log_likelihood == pytest.approx(want["loglik"], abs=1e-9)
    rates = shrunk_rates(PUMP_FAILURES, PUMP_HOURS, peers)
    assert rates.mean == pytest.approx(want["post_mean"], abs=1e-6)
    assert rates.deviation == pytest.approx(want["post_sd"], abs=1e-6)
    assert rates.limits.low == pytest.approx(want["post_q025"], abs=1e-6)
    assert rates.limits.high == pytest.approx(want["post_q975"], abs=1e-6)
    raw = np.array(PUMP_FAILURES) / PUMP_HOURS
    drawn = rates.shrinkage * peers.mean + (1.0 - rates.shrinkage) * raw
    assert rates.mean == pytest.approx(drawn, rel=1e-12)
    (level,) = rates_by_level(PUMP_FAILURES, PUMP_HOURS, [np.arange(10)])
    assert level.units.mean == pytest.approx(rates.mean, rel=1e-9)


def test_pumps_as_printed_in_a_manual() -> None:
    """NIMBLE user manual, by Monte Carlo EM with rounded times: (0.8221657, 1.2589865), read.

    Its β is 0.21 % off the likeliest for those times, and within 0.02 % of it for the exact ones.
    """
    printed = (0.8221657, 1.2589865)
    rounded = [94.3, 15.7, 62.9, 126.0, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5]
    peers = fit_peers(PUMP_FAILURES, rounded)
    assert (peers.shape, peers.rate) == pytest.approx(printed, rel=2.5e-3)
    exact = fit_peers(PUMP_FAILURES, PUMP_HOURS)
    assert (exact.shape, exact.rate) == pytest.approx(printed, rel=2e-4)
    for nearby in (0.99, 1.01):
        data = PeerData(PUMP_FAILURES, rounded)
        assert data.log_likelihood(peers.mean * nearby, peers.dispersion) < peers.log_likelihood
        assert data.log_likelihood(peers.mean, peers.dispersion * nearby) < peers.log_likelihood


@pytest.mark.slow
def test_pumps_by_full_bayes() -> None:
    """The likelihood away from its top, and posteriors for any peers: both under the hyperpriors
    of the manual, integrated over a grid of (ln α, ln β)."""
    want = CHECKS["C3b"]["expected"]
    data = PeerData(PUMP_FAILURES, PUMP_HOURS)
    logs = np.linspace(-4.5, 2.5, 141)
    log_weight = np.array(
        [
            [
                data.log_likelihood(np.exp(a - b), np.exp(-a))
                + (a - np.exp(a))  # Exp(1) of α, and dα = α d ln α
                + (0.1 * b - np.exp(b))  # Gamma(0.1, 1) of β alike
                for b in logs
            ]
            for a in logs
        ]
    )
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    alpha, beta = np.exp(logs), np.exp(logs)
    of_alpha, of_beta = weight.sum(axis=1), weight.sum(axis=0)
    assert of_alpha @ alpha == pytest.approx(want["alpha"], rel=5e-3)
    assert of_beta @ beta == pytest.approx(want["beta"], rel=5e-3)
    spread = np.sqrt(of_alpha @ alpha**2 - (of_alpha @ alpha) ** 2)
    assert spread == pytest.approx(want["alpha_sd"], rel=5e-3)
    spread = np.sqrt(of_beta @ beta**2 - (of_beta @ beta) ** 2)
    assert spread == pytest.approx(want["beta_sd"], rel=5e-3)
    theta = np.zeros(len(PUMP_FAILURES))
    some = np.argwhere(weight > 1e-7)
    for a, b in some.tolist():
        peers = PeerRates(alpha[a] / beta[b], 1.0 / alpha[a], 0.0, len(theta))
        theta += weight[a, b] * shrunk_rates(PUMP_FAILURES, PUMP_HOURS, peers).mean
    assert theta / weight[weight > 1e-7].sum() == pytest.approx(want["theta"], rel=5e-3)


def test_minimal_repair() -> None:
    """Barlow and Hunter: cm is one repair, cr the renewal."""
    check = CHECKS["C5"]
    for (theta, beta, cm, cr), want in zip(
        check["inputs"]["cases"], check["expected"], strict=True
    ):
        best = minimal_repair_age(theta, beta, Costs(renewal=cr, failure=cm))
        assert best.age == pytest.approx(want["T"], rel=1e-8)
        assert best.cost_rate == pytest.approx(want["C"], rel=1e-8)


def test_benjamini_and_hochbergs_own_example() -> None:
    check = CHECKS["C6"]
    adjusted = adjusted_p_values(check["inputs"]["p"])
    assert adjusted == pytest.approx(check["expected"]["adjusted"], abs=1e-9)
    assert int(np.sum(adjusted <= check["inputs"]["q"])) == check["expected"]["rejected"]
    # The paper's point: what holds the chance of any false one rejects fewer.
    for stricter in ("bonferroni", "simes-hochberg"):
        found = multipletests(check["inputs"]["p"], check["inputs"]["q"], stricter)[0]
        assert int(found.sum()) == check["expected"]["bonferroni"] == 3


@pytest.mark.parametrize("level", ["0.9", "0.95", "0.99"])
def test_garwoods_limits(level: str) -> None:
    want = CHECKS["C7"]["expected"]
    limits = garwood_limits([int(count) for count in want], float(level))
    pairs = np.array([by_level[level] for by_level in want.values()])
    assert limits.low == pytest.approx(pairs[:, 0], abs=1e-8)
    assert limits.high == pytest.approx(pairs[:, 1], abs=1e-8)


def test_kulldorffs_ratio() -> None:
    check = CHECKS["C8"]
    for (inside, expected, total), want in zip(
        check["inputs"]["cases"], check["expected"], strict=True
    ):
        assert log_likelihood_ratio(inside, expected, total) == pytest.approx(want, abs=1e-8)


def test_the_top_zone_of_the_new_york_data() -> None:
    """Published output of the program of the method's author: 11.577255."""
    data, want = CHECKS["C9"]["inputs"], CHECKS["C9"]["expected"]
    expected = data["C"] * data["pop"] / data["P"]
    assert expected == pytest.approx(want["E"], abs=1e-6)
    ratio = log_likelihood_ratio(data["cases"], expected, data["C"])
    assert ratio == pytest.approx(want["LLR"], abs=1e-6)


def test_weibull_with_censored_lives() -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3."""
    check = CHECKS["C11"]
    age = check["inputs"]["fail"] + [check["inputs"]["cens"]] * check["inputs"]["ncens"]
    fit = fit_weibull(age, [True] * 10 + [False] * 10)
    assert fit.scale == pytest.approx(check["expected"]["eta"], abs=1e-4)
    assert fit.shape == pytest.approx(check["expected"]["beta"], abs=1e-4)
    assert fit.log_likelihood == pytest.approx(check["expected"]["ll"], abs=1e-4)
