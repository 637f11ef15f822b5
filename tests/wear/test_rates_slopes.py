"""Readable wear-rate estimators against certified values and general libraries.

Sources: NIST Statistical Reference Datasets, linear regression, Norris (certified values); statsmodels WLS and RLM;
scipy.stats.theilslopes; guide how_it_is_computed, part B, check case 6; Smyth 2004 for moderated variances
(formula), checked by simulation with known prior.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.stats import norm, theilslopes

from cmkit.wear.exposure import effective_hours
from cmkit.wear.slopes import (
    corrected_median_slope,
    huber_slopes,
    moderated_variances,
    theil_sen_slopes,
    wear_rate,
    weighted_slopes,
)


def test_norris_certified(design_data: Path) -> None:
    """NIST StRD Norris, 36 points, to 1e-10."""
    data = pd.read_csv(design_data / "nist_strd_norris.csv")
    line = weighted_slopes(data["x"], data["y"], np.zeros(len(data)))
    certified = {
        "intercept": -0.262323073774029, "se_intercept": 0.232818234301152, "slope": 1.00211681802045,
        "se_slope": 4.29796848199937e-04, "scale": 0.884796396144373, "sse": 26.6173985294224,
    }  # fmt: skip
    for name, value in certified.items():
        assert_allclose(getattr(line, name)[0, 0], value, rtol=1e-10, err_msg=name)
    assert line.n[0, 0] == 36


def test_batched_slopes_and_standard_errors_against_wls() -> None:
    """200 groups of 2 to 9 points, 5 columns, weights, hours in the tens of thousands, 15 % missing; statsmodels WLS
    one by one.
    """
    rng = np.random.default_rng(4)
    groups = np.repeat(np.arange(200), rng.integers(2, 10, 200))
    x = 20_000 + rng.uniform(0, 3000, len(groups))
    y = 5 + 0.02 * x[:, None] + rng.normal(0, 4, (len(groups), 5))
    y[rng.random(y.shape) < 0.15] = np.nan
    w = rng.uniform(0.2, 3, len(groups))
    line = weighted_slopes(x, y, groups, w, block=64)
    checked = 0
    for g in range(200):
        for a in range(5):
            use = (groups == g) & np.isfinite(y[:, a])
            assert line.n[g, a] == use.sum()
            if use.sum() < 3:
                assert np.isnan(line.se_slope[g, a])
                continue
            fit = sm.WLS(y[use, a], sm.add_constant(x[use] - 20_000), w[use]).fit()
            assert_allclose(line.slope[g, a], fit.params[1], rtol=1e-9)
            assert_allclose(line.se_slope[g, a], fit.bse[1], rtol=1e-8)
            assert_allclose(line.intercept[g, a] + 20_000 * line.slope[g, a], fit.params[0], rtol=1e-7, atol=1e-7)
            assert_allclose(line.scale[g, a], np.sqrt(fit.scale), rtol=1e-8)
            raw = sm.WLS(y[use, a], sm.add_constant(x[use]), w[use]).fit()
            assert_allclose(line.se_intercept[g, a], raw.bse[0], rtol=1e-5)
            checked += 1
    assert checked > 500


def test_a_high_level_and_a_missing_first_result_cost_no_digits() -> None:
    """The same whole numbers a billion higher (all exact in double precision): same slope, standard error and SSE."""
    x, y = np.array([0.0, 1, 2, 3, 4, 5]), np.array([np.nan, 1, 2, 2, 3, 5])
    low, high = weighted_slopes(x, y, np.zeros(6)), weighted_slopes(x, y + 1e9, np.zeros(6))
    fit = sm.OLS(y[1:], sm.add_constant(x[1:])).fit()
    assert_allclose(
        (low.slope[0, 0], low.se_slope[0, 0], low.sse[0, 0]), (fit.params[1], fit.bse[1], fit.ssr), rtol=1e-12
    )
    for name in ("slope", "se_slope", "sse"):
        assert_allclose(getattr(high, name), getattr(low, name), rtol=1e-12, err_msg=name)


def test_no_slope_where_nothing_varies() -> None:
    line = weighted_slopes([3, 3, 3, 5], [1.0, 2, 3, 4], [0, 0, 0, 1])
    assert np.isnan(line.slope).all()
    assert line.n[:, 0].tolist() == [3, 1]
    with pytest.raises(ValueError, match="3, 2 and 3 rows"):
        weighted_slopes([1, 2, 3], [1.0, 2, 3], [0, 0])


@pytest.mark.parametrize("n", [2, 5, 6, 30])
def test_theil_sen_equals_scipy(n: int) -> None:
    rng = np.random.default_rng(n)
    x, y = rng.integers(0, 40, (60, n)).astype(float), rng.normal(0, 5, (60, n))
    x[:, 0], x[:, -1] = -1, 50
    slope, intercept = theil_sen_slopes(x, y, block=7)
    other = np.array([theilslopes(b, a)[:2] for a, b in zip(x, y, strict=True)])
    assert (slope == other[:, 0]).all()
    assert (intercept == other[:, 1]).all()


@pytest.mark.parametrize("n", [6, 30])
def test_huber_equals_statsmodels(n: int) -> None:
    """statsmodels RLM (HuberT 1.345, MAD scale), both run until they stand still: coefficients to 1e-6, standard errors
    (its H1 form) to 1e-5.
    """
    rng = np.random.default_rng(n)
    x = np.sort(rng.uniform(0, 20, (60, n)), axis=1)
    y = 3 + 0.5 * x + rng.standard_t(2, (60, n))
    line = huber_slopes(x, y, steps=1000, block=17)
    for k in range(60):
        fit = sm.RLM(y[k], sm.add_constant(x[k]), sm.robust.norms.HuberT()).fit(maxiter=1000, tol=1e-12, conv="coefs")
        assert_allclose((line.slope[k], line.intercept[k]), fit.params[::-1], atol=1e-6)
        assert_allclose((line.se_slope[k], line.se_intercept[k]), fit.bse[::-1], rtol=1e-5)


def test_weighted_wear_rate_and_corrected_median() -> None:
    """Case 6: q/V = 3e-4 per hour; c0 1.65936, rate .0630274, standard error .0070405; corrected median .0635918."""
    t, y = np.array([120.0, 250, 370, 500]), np.array([9.0, 17, 23, 31])
    phi, psi = np.exp(-3e-4 * t), effective_hours(3e-4, t)
    assert_allclose(psi, (117.8657, 240.855, 350.2042, 464.3067), rtol=1e-6)
    found = wear_rate(y, phi, psi, noise_floor=0.5, noise_share=0.10)
    assert_allclose((found.level, found.rate, found.se), (1.65936, 0.0630274, 0.0070405), rtol=4e-6)
    assert_allclose((found.low, found.high), (found.rate - 1.6448536 * found.se, found.rate + 1.6448536 * found.se))
    assert_allclose(corrected_median_slope(y, phi, psi), 0.0635918, rtol=1e-6)


def test_corrected_median_without_loss_is_theil_sen() -> None:
    rng = np.random.default_rng(8)
    hours, y = np.cumsum(rng.uniform(50, 300, 9)), rng.normal(20, 5, 9)
    assert corrected_median_slope(y, np.ones(9), hours) == theilslopes(y, hours)[0]


def test_robust_wear_rate_gives_an_outlier_less_say() -> None:
    psi = np.arange(1, 9) * 250.0
    y = 4 + 0.06 * psi
    y[3] += 60
    plain, robust = (wear_rate(y, np.ones(8), psi, robust=r, rounds=10) for r in (False, True))
    assert abs(robust.rate - 0.06) < 0.5 * abs(plain.rate - 0.06)
    with pytest.raises(ValueError, match="1 result"):
        wear_rate([5.0], [1.0], [250.0])


def test_results_below_a_limit_enter_by_their_likelihood() -> None:
    """Four "<2" and four results: rate and level as the maximum of the censored normal likelihood found by
    scipy.optimize.minimize.
    """
    psi = np.arange(1, 9) * 250.0
    y, below = np.array([2, 2, 2, 2, 3.1, 2.4, 3.9, 4.2]), np.arange(8) < 4

    def cost(p: np.ndarray) -> float:
        mean = p[0] + p[1] * psi / 1000
        return -norm.logcdf(y[below], mean[below], 0.6).sum() - norm.logpdf(y[~below], mean[~below], 0.6).sum()

    best = minimize(cost, [0.0, 2.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12}).x
    found = wear_rate(y, np.ones(8), psi, censored=below, noise_floor=0.6, noise_share=0.0, rounds=100)
    assert_allclose((found.level, 1000 * found.rate), best, rtol=1e-5)
    assert np.isfinite(found.residuals).all()
    with pytest.raises(ValueError, match="0 result"):
        wear_rate([1.0, 1.0], [1.0, 1.0], [200.0, 400.0], censored=[True, True])


def test_moderated_variances_find_a_known_prior() -> None:
    """Variances drawn as s0^2 d0/chi2(d0) times chi2(df)/df with d0 = 8, s0^2 = 2: both found within 10 %, and
    shrinking lowers the error.
    """
    rng = np.random.default_rng(3)
    truth = 2 * 8 / rng.chisquare(8, 20_000)
    seen = truth * rng.chisquare(4, 20_000) / 4
    shrunk, d0, usual = moderated_variances(seen, 4)
    assert_allclose((d0, usual), (8, 2), rtol=0.10)
    assert_allclose(shrunk, (d0 * usual + 4 * seen) / (d0 + 4), rtol=1e-12)
    assert np.mean((np.log(shrunk) - np.log(truth)) ** 2) < 0.5 * np.mean((np.log(seen) - np.log(truth)) ** 2)


def test_moderated_variances_of_equal_truth_are_all_the_same() -> None:
    rng = np.random.default_rng(6)
    _, d0, usual = moderated_variances(3 * rng.chisquare(10, 20_000) / 10, 10)
    assert d0 > 200
    assert_allclose(usual, 3, rtol=0.02)
    with pytest.raises(ValueError, match="positive"):
        moderated_variances([1.0, 0.0], 3)


def test_results_above_a_limit_are_fitted_by_their_likelihood() -> None:
    """Maximum likelihood of level and rate by scipy's general optimiser, two results `>40` of a series that goes on
    rising.
    """
    psi = np.arange(8) * 250.0
    y, side = np.array([5, 12, 21, 26, 36, 40, 40, 64.0]), np.array([0, 0, 0, 0, 0, 1, 1, 0])

    def minus(p: np.ndarray) -> float:
        z = (y - p[0] - p[1] * psi) / 2.0
        return -float(np.where(side == 1, norm.logsf(z), norm.logpdf(z)).sum())

    best = minimize(minus, [5.0, 0.03], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12}).x
    found = wear_rate(y, np.ones(8), psi, censored=side, noise_floor=2.0, noise_share=0.0, rounds=100)
    assert_allclose((found.level, found.rate), best, rtol=1e-4)
