"""The two-state filter: check cases of the guide how_it_is_computed (part B), a second implementation written apart, and exact
special cases.

Expected values are those of the guide how_it_is_computed, part B, "check cases" (derived there, each
confirmed a second way); the best linear unbiased predictor is recomputed here from the joint normal distribution, the
censored update by weighted draws with scipy.stats.norm.
"""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm

from cmkit.wear.filter import Numbers, wear_rates
from cmkit.wear.slopes import wear_rate

PHI, PSI, Y = (0.97, 0.95, 0.10, 0.96, 0.95), (245.0, 240, 250, 244, 238), (18.0, 31, 19, 33, 45)
PLAIN = Numbers(
    rate_mean=0.06, rate_sd=0.03, level_mean=4, level_var=4, noise_floor=1, noise_share=0, load_share=0, drift_share=0
)


def predictor(phi: tuple[float, ...], psi: tuple[float, ...], y: tuple[float, ...], n: Numbers) -> tuple[float, ...]:
    """Best linear unbiased predictor of the whole history at once: rate, its sd, level."""
    start, rate = np.cumprod(phi), np.zeros(len(y))
    for i in range(len(y)):
        rate[i] = psi[i] + (phi[i] * rate[i - 1] if i else 0)
    design, prior = np.column_stack([start, rate]), np.diag([n.level_var, n.rate_sd**2])
    mean = np.array([n.level_mean, n.rate_mean])
    joint = design @ prior @ design.T + (n.noise_floor**2 + n.unit**2 / 12) * np.eye(len(y))
    gain = prior @ design.T @ np.linalg.inv(joint)
    state, cov = mean + gain @ (np.array(y) - design @ mean), prior - gain @ design @ prior
    return state[1], math.sqrt(cov[1, 1]), design[-1] @ state


def test_equals_the_best_linear_predictor() -> None:
    """Case 1: rate .06084364, sd .00110472, level 45.333648 (1e-7), and the joint normal distribution to 1e-8."""
    t = wear_rates(Y, None, PHI, PSI, 0, sd_phi=0, hours=PSI, numbers=PLAIN, robust=False, accept=False)
    got = t.rate[0, -1], t.rate_sd[0, -1], t.level[0, -1]
    assert_allclose(got, (0.06084364, 0.00110472, 45.333648), rtol=1e-6, atol=5e-9)
    assert_allclose(got, predictor(PHI, PSI, Y, PLAIN), rtol=1e-8)


@pytest.mark.parametrize("seed", range(5))
def test_equals_the_best_linear_predictor_of_random_histories(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 12))
    phi, psi = tuple(rng.uniform(0.05, 1, n)), tuple(rng.uniform(20, 400, n))
    y = tuple(rng.uniform(0, 60, n))
    numbers = Numbers(
        rate_mean=0.05,
        rate_sd=0.02,
        level_mean=6,
        level_var=9,
        noise_floor=0.8,
        noise_share=0,
        load_share=0,
        drift_share=0,
        unit=0.1,
    )
    t = wear_rates(y, None, phi, psi, 0, sd_phi=0, hours=psi, numbers=numbers, robust=False, accept=False)
    assert_allclose((t.rate[0, -1], t.rate_sd[0, -1], t.level[0, -1]), predictor(phi, psi, y, numbers), rtol=1e-8)


def test_one_story_with_the_readable_regression() -> None:
    """Constant noise, no load, no drift: the filter's last rate is the weighted regression of part B1 with the family
    as prior.
    """
    t = wear_rates(Y, None, PHI, PSI, 0, sd_phi=0, hours=PSI, numbers=PLAIN, robust=False, accept=False)
    start = np.cumprod(PHI)
    grown = np.array([sum(PSI[j] * np.prod(PHI[j + 1 : i + 1]) for j in range(i + 1)) for i in range(len(PHI))])
    read = wear_rate(Y, start, grown, noise_floor=math.sqrt(1 + 1 / 12), noise_share=0, prior=(0.06, 0.03, 4, 2))
    assert_allclose((t.rate[0, -1], t.rate_sd[0, -1]), (read.rate, read.se), rtol=1e-8)


def test_result_below_the_limit() -> None:
    """Case 2: "<1" with whole-ppm rounding: rate .001441, sd .002306, level .3314; weighted draws agree to 1 %.

    The draws had noise of .4 ppm and of 1/12 ppm^2 more; rounding itself is in the true limit and adds no noise.
    """
    t = wear_rates(
        [1.0],
        [True],
        1,
        200,
        0,
        sd_phi=0,
        hours=200,
        numbers=Numbers(
            rate_mean=0.004,
            rate_sd=0.003,
            level_mean=0.1,
            level_var=0.04,
            noise_floor=math.sqrt(0.16 + 1 / 12),
            noise_share=0,
            load_share=0,
            drift_share=0,
        ),
    )
    got = t.rate[0, 0], t.rate_sd[0, 0], t.level[0, 0]
    assert_allclose(got, (0.001441, 0.002306, 0.3314), rtol=5e-4)
    rng = np.random.default_rng(11)
    rate, start = rng.normal(0.004, 0.003, 1_000_000), rng.normal(0.1, 0.2, 1_000_000)
    level = start + 200 * rate
    weight = norm.cdf((0.5 - level) / math.sqrt(0.16 + 1 / 12))
    mean = np.average(rate, weights=weight)
    sd = math.sqrt(np.average((rate - mean) ** 2, weights=weight))
    assert_allclose(got, (mean, sd, np.average(level, weights=weight)), rtol=0.01)


def test_a_run_with_a_rise() -> None:
    """Case 3: T = 250, rate .06 then .18 from the tenth sample, acceptance off."""
    phi = [1, 1, 0.1, 1, 0.1, 1, 0.1, 1, 0.1, 1, 0.1, 1]
    y = [17, 32, 18.2, 33.2, 18.32, 33.32, 18.332, 33.332, 18.3332, 63.3332, 51.33332, 96.33332]
    numbers = Numbers(
        rate_mean=0.06,
        rate_sd=0.024,
        level_mean=2,
        level_var=1,
        noise_floor=0.5,
        noise_share=0.1,
        load_share=0.12,
        drift_share=0.15,
    )
    t = wear_rates(y, None, phi, 250, 0, sd_phi=0, hours=250, numbers=numbers, accept=False)
    assert_allclose(t.z[0, :9], 0, atol=1e-4)
    assert_allclose(t.z[0, 9:], (6.2243, 7.7886, 6.6198), atol=1e-3)
    assert_allclose(t.rise[0, 9:], (5.0, 7.0274, 8.6202), atol=1e-3)
    assert_allclose(t.expected[0, 9:], (33.3332, 21.5087, 48.7136), atol=1e-3)
    assert_allclose(t.expected_sd[0, 9:], (4.8198, 3.8293, 7.1935), atol=1e-3)
    assert_allclose(t.rate[0, 9:], (0.070256, 0.083479, 0.097643), atol=1e-6)
    assert t.change_k[0, 9:].tolist() == [0, 1, 2]


def test_acceptance_moves_the_rate_and_a_single_bad_bottle_does_not() -> None:
    """x3 from the ninth sample: by the third risen bottle the rate is within 15 % of three times; one bottle x2.5 alone
    leaves it near one.
    """
    numbers = Numbers(
        rate_mean=0.08, rate_sd=0.03, level_mean=5, level_var=4, noise_floor=0.5, noise_share=0.07, load_share=0.1
    )
    level = np.cumsum(np.r_[np.full(8, 20.0), np.full(4, 60.0)]) + 5
    t = wear_rates(level, None, 1, 250, 0, sd_phi=0, hours=250, numbers=numbers)
    assert_allclose(t.rate[0, 7], 0.08, rtol=0.02)
    assert_allclose(t.rate[0, 10:], 0.24, rtol=0.15)
    steady = np.cumsum(np.full(12, 20.0)) + 5
    steady[7] *= 2.5
    once = wear_rates(steady, None, 1, 250, 0, sd_phi=0, hours=250, numbers=numbers)
    assert once.z[0, 7] > 4
    assert_allclose(once.rate[0, 8:], 0.08, rtol=0.25)


def scalar_filter(y, censored, phi, psi, chi, sd_phi, hours, p, accept):
    """Second implementation, one series, plain floats, written from the equations of the guide how_it_is_computed."""
    m, tau, c, p11, s0, b, eta_i, eta_w = p
    beta, p12, p22 = m, 0.0, tau * tau
    hyp, zs, out = [], [], []
    for i in range(len(y)):
        cm = phi[i] * c + psi[i] * beta + chi[i] * 0.7
        bq = max(beta, 0.2 * m)
        q2 = (eta_w * bq) ** 2 * (hours[i] if not math.isnan(hours[i]) else psi[i]) / 1000
        a12 = phi[i] * p12 + psi[i] * p22
        a11 = (
            phi[i] ** 2 * p11
            + 2 * phi[i] * psi[i] * p12
            + psi[i] ** 2 * p22
            + (eta_i * bq * psi[i]) ** 2
            + q2 * psi[i] ** 2 / 3
        )
        a11 += sd_phi[i] ** 2 * (c * c + p11)
        a12, a22 = a12 + q2 * psi[i] / 2, p22 + q2
        s = a11 + s0**2 + (b * max(cm, 0)) ** 2 + 1 / 12
        hyp = [(0.0, 1.0, 0.0, 0.0, 0.0), *hyp[:3]]
        if math.isnan(y[i]):
            z, nu, k1, k2, w = math.nan, 0.0, 0.0, 0.0, 0.0
        elif censored[i]:
            own = s - 1 / 12  # the limit stands for the rounding
            al = (max(y[i] - 0.5, y[i] / 2) - cm) / math.sqrt(own)
            lam = norm.pdf(al) / norm.cdf(al)
            z, nu, w, k1, k2 = -lam, -lam * math.sqrt(own), al * lam + lam * lam, a11 / own, a12 / own
        else:
            nu, w = y[i] - cm, 1.0
            z = nu / math.sqrt(s)
            wide = s * max(1, abs(z) / 2.5)
            k1, k2 = a11 / wide, a12 / wide
        moved = []
        for e1, e2, num, raw, den in hyp:
            u = phi[i] * e1 + psi[i] * e2
            if w > 0:
                num += u * min(max(nu, -5 * math.sqrt(s)), 5 * math.sqrt(s)) / s
                raw += u * nu / s
            den += u * u / s * w
            moved.append((u - k1 * w * u, e2 - k2 * w * u, num, raw, den))
        hyp = moved
        glr = [h[2] / math.sqrt(h[4]) if h[4] > 0 else 0.0 for h in hyp]
        c, beta = cm + k1 * nu, beta + k2 * nu
        p11, p12, p22 = a11 - k1 * w * a11, a12 - k1 * w * a12, a22 - k2 * w * a12
        zs.append(0.0 if math.isnan(z) else z)
        if accept:
            k = max(range(len(hyp)), key=lambda j: abs(glr[j]) - 1e-9 * j)
            sign = math.copysign(1, glr[k])
            earlier = zs[-k - 2] if len(zs) >= k + 2 else 0.0
            if k >= 1 and abs(glr[k]) > 3.5 and zs[-1] * sign > 1.5 and earlier * sign >= -2:
                e1, e2, _, raw, den = hyp[k]
                v = 1 / (den + 1 / (2 * max(beta, m) ** 2))
                c, beta = c + e1 * raw * v, beta + e2 * raw * v
                p11, p12, p22 = p11 + e1 * e1 * v, p12 + e1 * e2 * v, p22 + e2 * e2 * v
                hyp = [(0.0, 0.0, 0.0, 0.0, 0.0)] * len(hyp)
                zs = [0.0] * len(zs)
        out.append(
            (
                cm,
                math.sqrt(s),
                z,
                beta,
                math.sqrt(p22),
                c,
                math.sqrt(p11),
                p12,
                max(*glr, 0.0) if not math.isnan(z) else math.nan,
            )
        )
    return np.array(out).T


@pytest.mark.parametrize("accept", [False, True])
def test_second_implementation(accept: bool) -> None:
    """300 random series with changes, missing and censored results and steps: equal to 1e-6 of each quantity."""
    rng = np.random.default_rng(5)
    size, n = 300, 15
    phi = np.where(rng.random((size, n)) < 0.3, rng.uniform(0.05, 0.4, (size, n)), rng.uniform(0.9, 1, (size, n)))
    psi, chi = rng.uniform(20, 300, (size, n)), rng.uniform(0, 1, (size, n))
    sd_phi, hours = rng.uniform(0, 0.05, (size, n)), rng.uniform(20, 300, (size, n))
    hours[:, 0] = np.nan
    rate = rng.lognormal(-3, 0.6, (size, 1)) * np.where(np.arange(n) >= rng.integers(3, n + 6, (size, 1)), 4, 1)
    level = np.zeros(size)
    y = np.empty((size, n))
    for i in range(n):
        level = phi[:, i] * level + psi[:, i] * rate[:, i]
        y[:, i] = np.round(level * rng.lognormal(0, 0.1, size) + rng.normal(0, 0.5, size))
    censored = y < 1
    y = np.where(censored, 1.0, y)
    y[rng.random(y.shape) < 0.08] = np.nan
    p = (0.05, 0.03, 3.0, 4.0, 0.5, 0.1, 0.12, 0.2)
    t = wear_rates(
        y,
        censored,
        phi,
        psi,
        chi,
        sd_phi=sd_phi,
        hours=hours,
        numbers=Numbers(*p[:2], *p[2:], fresh=0.7),
        accept=accept,
        block=64,
    )
    names = ("expected", "expected_sd", "z", "rate", "rate_sd", "level", "level_sd", "cov")
    jumps = 0
    for k in range(size):
        other = scalar_filter(y[k], censored[k], phi[k], psi[k], chi[k], sd_phi[k], hours[k], p, accept)
        for name, row in zip(names, other, strict=False):
            assert_allclose(getattr(t, name)[k], row, rtol=1e-6, atol=1e-9, err_msg=f"{name} of series {k}")
        assert_allclose(np.maximum(t.rise[k], 0), other[8], rtol=1e-6, atol=1e-9)
        jumps += int((other[8] > 3.5).sum())
    assert jumps > 100


def test_shared_exposure_blocks_and_single_precision_change_nothing() -> None:
    rng = np.random.default_rng(2)
    phi, psi = rng.uniform(0.1, 1, (7, 9)), rng.uniform(100, 300, (7, 9))
    phi[3, 6:] = np.nan
    of = rng.integers(0, 7, 50)
    y = rng.gamma(4, 5, (50, 9))
    numbers = Numbers(rate_mean=rng.uniform(0.02, 0.1, 50), rate_sd=0.02, level_mean=4, level_var=4)
    whole = wear_rates(y, None, phi[of], psi[of], 0, sd_phi=0.01, hours=250, numbers=numbers)
    blocks = wear_rates(y, None, phi, psi, 0, sd_phi=0.01, hours=250, numbers=numbers, exposure_of=of, block=7)
    single = wear_rates(y, None, phi, psi, 0, sd_phi=0.01, hours=250, numbers=numbers, exposure_of=of, dtype=np.float32)
    for name in ("expected", "rate", "level", "z", "rise", "cov"):
        assert_allclose(getattr(blocks, name), getattr(whole, name), rtol=1e-12)
        assert_allclose(getattr(single, name), getattr(whole, name), rtol=2e-6, atol=1e-6)
    assert np.isnan(whole.rate[of == 3, 6:]).all()
    assert np.isfinite(whole.rate[of == 3, :6]).all()


def test_a_missing_result_only_widens() -> None:
    seen = wear_rates([10, 20, 30.0], None, 1, 250, 0, sd_phi=0, hours=250, numbers=PLAIN)
    gap = wear_rates([10, np.nan, 30.0], None, 1, 250, 0, sd_phi=0, hours=250, numbers=PLAIN)
    assert np.isnan(gap.z[0, 1])
    assert np.isnan(gap.rise[0, 1])
    assert gap.rate[0, 1] == gap.rate[0, 0]
    assert gap.level_sd[0, 1] > seen.level_sd[0, 1]


def test_shapes_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="censored has shape"):
        wear_rates([1, 2, 3], [True, False], 1, 250, 0, sd_phi=0, hours=250, numbers=PLAIN)


def test_a_result_above_its_limit_is_the_mirror_of_one_below() -> None:
    """`>60`: posterior mean and sd of the rate against a brute-force average over a million draws weighted by the
    chance of lying above.
    """
    numbers = Numbers(0.1, 0.04, 10.0, 4.0, 1.0, 0, 0, 0, 0.0, 1.0)
    t = wear_rates([[60.0]], [[1]], 1, 300, 0, sd_phi=0, hours=300, numbers=numbers, accept=False, robust=False)
    rng = np.random.default_rng(12)
    rate, start = rng.normal(0.1, 0.04, 1_000_000), rng.normal(10.0, 2.0, 1_000_000)
    weight = norm.sf((60.5 - start - 300 * rate) / 1.0)  # rounding to whole ppm: reported so from 60.5 on
    mean = np.average(rate, weights=weight)
    sd = math.sqrt(np.average((rate - mean) ** 2, weights=weight))
    assert_allclose((t.rate[0, 0], t.rate_sd[0, 0]), (mean, sd), rtol=0.01)
    plain = wear_rates([[60.0]], None, 1, 300, 0, sd_phi=0, hours=300, numbers=numbers, accept=False, robust=False)
    assert t.rate[0, 0] > plain.rate[0, 0] > 0.1
    assert t.z[0, 0] > plain.z[0, 0]
