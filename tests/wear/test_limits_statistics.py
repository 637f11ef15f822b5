"""Percentile statistics against NIST reference data, lifelines, printed tolerance factors and the
design's worked sets.
"""

import importlib
import math
import warnings

import numpy as np
import pandas as pd
import pytest
from lifelines import LogNormalFitter
from scipy.optimize import minimize
from scipy.special import log_ndtr, ndtri
from scipy.stats import binom

from cmkit.wear.family import paule_mandel
from cmkit.wear.percentiles import (
    censored_normal,
    correlation,
    intraclass,
    order_index,
    samples_needed,
    shrink,
    spread_ties,
    tolerance_factor,
    trim_top,
)


def whole(n: int) -> np.ndarray:
    return np.zeros(n, int)


@pytest.mark.parametrize(
    ("name", "mean", "sd"),
    [("mavro", 2.00185600, 0.000429123454003053), ("lew", -177.435, 277.332168044316)],
)
def test_nist_univariate(design_data, name: str, mean: float, sd: float) -> None:
    """NIST StRD Mavro and Lew, certified mean and standard deviation; maximum likelihood has n where NIST has n - 1."""
    y = pd.read_csv(design_data / f"nist_strd_{name}.csv")["y"].to_numpy()
    fit = censored_normal(y, whole(len(y)))
    assert fit.mu[0] == pytest.approx(mean, rel=1e-10)
    assert fit.s[0] * math.sqrt(len(y) / (len(y) - 1)) == pytest.approx(sd, rel=1e-8)


def test_nist_numerically_nasty() -> None:
    """NIST StRD NumAcc4 (1001 values about 10 000 000.2, certified sd 0.1): a one-pass sum of squares loses it."""
    y = np.r_[10_000_000.2, np.tile([10_000_000.1, 10_000_000.3], 500)]
    fit = censored_normal(y, whole(1001))
    assert fit.mu[0] == pytest.approx(10_000_000.2, rel=1e-14)
    assert fit.s[0] * math.sqrt(1001 / 1000) == pytest.approx(0.1, rel=1e-7)
    one_pass = math.sqrt(max((np.sum(y * y) - 1001 * y.mean() ** 2) / 1000, 0.0))
    assert abs(one_pass - 0.1) > 1e-4


def test_left_censored_lognormal_equals_lifelines(design_data) -> None:
    """Zinc-copper data of Millard and Deverel 1988 in lifelines; mu 0.80942, sigma 0.63202, log likelihood -88.12281
    (also R survreg).
    """
    table = pd.read_csv(design_data / "lifelines_cuzn_left_censored.csv")
    for group, rows in table.groupby("group"):
        x, measured = rows["T"].to_numpy(float), rows["E"].to_numpy() == 1
        fit = censored_normal(np.log(x), np.where(measured, 0, -1))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # raised inside the peer
            peer = LogNormalFitter().fit_left_censoring(x, measured)
        np.testing.assert_allclose((fit.mu[0], fit.s[0]), (peer.mu_, peer.sigma_), rtol=2e-5)
        log_lik = fit.log_lik[0] - np.log(x[measured]).sum()
        assert log_lik == pytest.approx(peer.log_likelihood_, abs=1e-4)
        if group == "alluvial_fan":
            np.testing.assert_allclose((fit.mu[0], fit.s[0], log_lik), (0.80942, 0.63202, -88.12281), atol=1e-5)


def test_both_ends_censored_and_many_groups_equal_a_plain_optimiser() -> None:
    rng = np.random.default_rng(2)
    group = np.repeat(np.arange(6), 40)
    y = rng.normal(group * 0.5, 1.0 + 0.1 * group)
    status = np.where(y < group * 0.5 - 0.8, -1, np.where(y > group * 0.5 + 1.0, 1, 0))
    y = np.clip(y, group * 0.5 - 0.8, group * 0.5 + 1.0)
    fit = censored_normal(y, status, group)
    for g in range(6):
        own, st = y[group == g], status[group == g]

        def loss(p: np.ndarray, own: np.ndarray = own, st: np.ndarray = st) -> float:
            z = (own - p[0]) / math.exp(p[1])
            exact = -0.5 * z**2 - p[1] - 0.5 * math.log(2 * math.pi)
            return -np.where(st == 0, exact, log_ndtr(-st * z)).sum()

        found = minimize(
            loss, [own.mean(), 0.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000}
        )
        np.testing.assert_allclose(
            (fit.mu[g], fit.s[g], fit.log_lik[g]), (found.x[0], math.exp(found.x[1]), -found.fun), rtol=1e-6
        )


def test_variances_are_those_seen_over_many_samples() -> None:
    """Trimmed at the 90th percentile: var(log s) is about 1.2/(2n) (guide how_it_is_computed, C)."""
    rng = np.random.default_rng(3)
    group = np.repeat(np.arange(4000), 50)
    y, status = trim_top(rng.standard_normal(len(group)), whole(len(group)), group)
    fit = censored_normal(y, status, group)
    assert fit.var_mu.mean() == pytest.approx(fit.mu.var(), rel=0.06)
    assert fit.var_log_s.mean() == pytest.approx(np.log(fit.s).var(), rel=0.08)
    assert fit.var_log_s.mean() * 2 * 50 == pytest.approx(1.2, rel=0.06)


def worked_set() -> np.ndarray:
    return np.r_[np.exp(2.5 + 0.45 * ndtri((np.arange(1, 97) - 0.5) / 96)), 60, 75, 90, 120]


def test_worked_set_of_the_design() -> None:
    """96 lognormal quantiles and four sick results; trimmed 2.5403, .4825, limit 32.66; censored at 5: 2.5401, .4838;
    untrimmed 41.26.
    """
    y = np.log(worked_set())
    fit = censored_normal(*trim_top(y, whole(100), whole(100)))
    np.testing.assert_allclose((fit.mu[0], fit.s[0]), (2.5403, 0.4825), atol=6e-5)
    assert math.exp(fit.mu[0] + 1.959964 * fit.s[0]) == pytest.approx(32.66, abs=0.005)
    low = y < math.log(5)
    assert low.sum() == 2
    censored = censored_normal(*trim_top(np.where(low, math.log(5), y), np.where(low, -1, 0), whole(100)))
    np.testing.assert_allclose((censored.mu[0], censored.s[0]), (2.5401, 0.4838), atol=6e-5)
    plain = censored_normal(y, whole(100))
    sd = plain.s[0] * math.sqrt(100 / 99)
    assert math.exp(plain.mu[0] + 1.959964 * sd) == pytest.approx(41.26, abs=0.01)


def test_percentile_rule_of_trimming_is_as_stated() -> None:
    """The threshold is numpy's "higher" order statistic; NIST's (n + 1) p rule would give 95.1981 for these (e-Handbook
    7.2.6.2).
    """
    y = np.array(
        [95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610, 95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682]
    )
    trimmed, status = trim_top(y, whole(12), whole(12))
    assert trimmed[status == 1].tolist() == [np.quantile(y, 0.9, method="higher")] * 2 == [95.1959] * 2
    place = 13 * 0.9
    ordered = np.sort(y)
    assert ordered[10] + (place - 11) * (ordered[11] - ordered[10]) == pytest.approx(95.1981, abs=5e-5)


@pytest.mark.parametrize(
    ("p", "row"),
    [  # one-sided factors, confidence .95, n = 5, 10, 20, 30, 50, 100: R package cmstatr 0.9.1, and printed tables
        (0.90, [3.4066, 2.3546, 1.9260, 1.7773, 1.6456, 1.5267]),
        (0.95, [4.2027, 2.9110, 2.3960, 2.2198, 2.0650, 1.9265]),
    ],
)
def test_tolerance_factors(p: float, row: list[float]) -> None:
    np.testing.assert_allclose(tolerance_factor([5, 10, 20, 30, 50, 100], p, 0.95), row, atol=1e-3)


def test_tolerance_factor_examples() -> None:
    """NIST e-Handbook 7.2.6.3: n 43, p .90, confidence .99, exact 1.8740. NIST VANGEL31 strength data, n 38: lower
    90/95 bound 153.98656.
    """
    assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(1.87395, abs=1e-4)
    assert 185.789474 - tolerance_factor(38, 0.90, 0.95) * 18.595492 == pytest.approx(153.98656, abs=2e-4)
    assert np.isnan(tolerance_factor([1.0, 0.5], 0.9, 0.95)).all()


@pytest.mark.parametrize(
    ("n", "p", "conf", "rank"),
    [(100, 0.95, 0.90, 99), (200, 0.95, 0.95, 196), (58, 0.95, 0.95, None), (59, 0.95, 0.95, 59), (29, 0.90, 0.95, 29),
    (46, 0.90, 0.95, 45), (100, 0.90, 0.95, 96)],
)  # fmt: skip
def test_order_statistics(n: int, p: float, conf: float, rank: int | None) -> None:
    """The last three mirror cmstatr's lower ranks 1, 2, 5 for a 90/95 bound; the property is the binomial's."""
    assert order_index(n, p, conf) == rank
    if rank is not None:
        assert binom.cdf(rank - 1, n, p) >= conf > binom.cdf(rank - 2, n, p)


def test_samples_needed() -> None:
    """ln(1 - conf)/ln p, rounded up (guide how_it_is_computed, C; 90/95 29, 95/95 59, 99/95 299 are the classical ones)."""
    table = {0.90: (16, 22, 29), 0.95: (32, 45, 59), 0.975: (64, 91, 119), 0.98: (80, 114, 149), 0.99: (161, 230, 299)}
    for p, row in table.items():
        assert tuple(samples_needed(p, c) for c in (0.8, 0.9, 0.95)) == row
        for n, c in zip(row, (0.8, 0.9, 0.95), strict=True):
            assert order_index(n, p, c) == n
            assert order_index(n - 1, p, c) is None


def test_shrinkage_check_case() -> None:
    """Guide how_it_is_computed, check case B4: tau2 16.941726, mean 12.977442, se 1.932559."""
    b, v = [10, 12, 15, 20, 9], [1, 1, 2, 4, 1]
    tau2, mean, se, _ = paule_mandel(b, v)
    drawn, var = shrink(b, v, tau2, mean, se**2)
    np.testing.assert_allclose(drawn, [10.16595, 12.05448, 14.78644, 18.65865, 9.22169], atol=1e-5)
    own = tau2 / (tau2 + np.array(v))
    np.testing.assert_allclose(var, own * v + (1 - own) ** 2 * se**2)
    missing, spread = shrink([np.nan], [np.nan], tau2, mean, se**2)
    np.testing.assert_allclose((missing[0], spread[0]), (mean, tau2 + se**2))


def test_intraclass_correlation_is_found_again_and_pools() -> None:
    rng = np.random.default_rng(8)
    compartment = np.repeat(np.arange(600), 4)
    family = compartment // 60
    y = np.sqrt(0.35) * rng.standard_normal(600)[compartment] + np.sqrt(0.65) * rng.standard_normal(2400) + 3 * family
    sums = intraclass(y, family, compartment)
    assert correlation(*(s.sum() for s in sums)) == pytest.approx(0.35, abs=0.05)
    assert len(sums[0]) == 10
    alone = intraclass(y[:4], whole(4), whole(4))
    assert correlation(*alone) == 1


def test_ties_are_spread_within_their_cell_and_keep_their_order() -> None:
    x = np.array([1.0, 1, 1, 1, 2, 7, 0.0])
    out = spread_ties(x, whole(7), 1.0)
    assert (np.abs(out - x) <= 0.5).all()
    np.testing.assert_allclose(np.sort(out[:4]), [0.625, 0.875, 1.125, 1.375])
    assert out[-1] == 0
    np.testing.assert_array_equal(spread_ties(x, whole(7), 0.0), x)


@pytest.mark.parametrize("y", [[1.0, 1, 1, 1], [1.0, 2.0], []])
def test_what_has_no_spread_is_not_fitted(y: list[float]) -> None:
    fit = censored_normal(y, whole(len(y)))
    assert np.isnan(fit.mu).all()


def test_a_value_that_is_not_finite_is_refused() -> None:
    with pytest.raises(ValueError, match="not finite"):
        censored_normal([1.0, np.inf, 2.0], [0, 0, 0])
    with pytest.raises(ValueError, match="as many of each"):
        censored_normal([1.0, 2.0], [0])


@pytest.fixture
def calibration(root, monkeypatch):
    """The full calibration's own functions, run small."""
    monkeypatch.syspath_prepend(str(root / "tests" / "benchmarks"))
    return importlib.import_module("calibrate_limits")


def test_limits_keep_their_word_with_sick_machines(calibration) -> None:
    """Acceptance 5 of the design: 4 % sick, n = 64: bias of the log limit within .15, rmse at most .22; the bounds hold
    about 90 %.
    """
    told = calibration.summary(calibration.limit_errors(64, 8, 0.04, np.random.default_rng(11)))
    rmse, bias = told["trimmed and shrunk"]
    assert abs(bias) <= 0.15
    assert rmse <= 0.22
    assert told["untrimmed"][0] > rmse
    clean = calibration.summary(calibration.limit_errors(16, 12, 0.0, np.random.default_rng(12)))
    assert clean["trimmed and shrunk"][0] < clean["trimmed"][0] < clean["order statistic"][0]
    assert 0.86 <= clean["tolerance bound holds"][0] <= 1.0


def test_next_result_falls_inside_its_interval(calibration) -> None:
    """Acceptance 7 of the design: the 90 % interval of the next result holds .88 to .95."""
    share = calibration.next_result_coverage("engine", "cv10", 60, np.random.default_rng(5), bottles=8)
    assert 0.88 <= share[0.9] <= 0.95
    assert 0.47 <= share[0.5] <= 0.58
