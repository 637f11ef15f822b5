"""The textbook rules against worked values; source beside each."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from cmkit.intervals import classics as c


@pytest.mark.parametrize(
    ("detection", "accepted", "looks"),
    [
        (0.9, 0.01, 2),
        (0.9, 0.001, 3),
        (0.8, 0.01, 2.86135),
        (0.7, 0.05, 2.48821),
        (0.95, 0.001, 2.30587),
        (0.5, 0.01, 6.64386),
    ],
)
def test_looks_in_the_pf_interval(detection: float, accepted: float, looks: float) -> None:
    """n = ln(Pacc)/ln(1 - theta): NAVAIR 00-25-403, formula read in a summary."""
    assert_allclose(c.tasks_for_risk(detection, accepted), looks, atol=5e-6)
    assert_allclose(c.interval_for_risk(1000, detection, accepted).every_h, 1000 / looks, rtol=5e-6)


@pytest.mark.parametrize(
    ("pf", "mtbf", "task", "failure", "planned", "looks", "every"),
    [(400, 4000, 120, 180_000, 60_000, 3.157037, 126.7011), (1000, 8000, 60, 60_000, 12_000, 3.1570, 316.8)],
)
def test_cost_form_of_the_pf_interval(
    pf: float, mtbf: float, task: float, failure: float, planned: float, looks: float, every: float
) -> None:
    """The manual's economic form (from memory, derived again; theta .8), and that it is where the cost is least."""
    got = c.interval_for_cost(pf, 0.8, mtbf, task_cost=task, planned_cost=planned, failure_cost=failure)
    assert_allclose(got.every_h, every, rtol=2e-4)
    assert_allclose(pf / got.every_h, looks, rtol=2e-5)
    least = minimize_scalar(
        lambda n: c.on_condition_cost(n, pf, 0.8, mtbf, task_cost=task, planned_cost=planned, failure_cost=failure),
        bounds=(0.1, 20),
        method="bounded",
        options={"xatol": 1e-9},
    )
    assert_allclose(pf / got.every_h, least.x, rtol=1e-5)
    assert_allclose(got.cost_per_h, least.fun, rtol=1e-10)


def test_the_cost_form_refuses() -> None:
    assert (
        "no more than a planned repair"
        in c.interval_for_cost(400, 0.8, 4000, task_cost=120, planned_cost=60_000, failure_cost=60_000).words
    )
    dear = c.interval_for_cost(400, 0.8, 4000, task_cost=50_000, planned_cost=60_000, failure_cost=61_000)
    assert np.isnan(dear.every_h)
    assert "costs more than it is expected to save" in dear.words


def test_phase_of_a_fixed_pf_interval() -> None:
    """PF/I = 2.4, theta .8: .0272 exactly, .0210 by the smooth form; theta 1 gives 0 for I <= PF and .5 at 2 PF
    (derived).
    """
    assert_allclose(c.missed_fixed_delay(240, 100, 0.8), 0.0272, atol=1e-12)
    assert_allclose(0.2**2.4, 0.0210, atol=5e-5)
    assert_allclose([c.missed_fixed_delay(100, t, 1.0) for t in (50, 100, 200)], [0, 0, 0.5], atol=1e-12)
    assert_allclose(c.missed_fixed_delay(300, 100, 0.6), 0.064, atol=1e-12)


@pytest.mark.parametrize(("accepted", "ratio"), [(0.01, 0.0201345), (0.05, 0.1034788), (0.10, 0.2145557)])
def test_failure_finding(accepted: float, ratio: float) -> None:
    """U = 1 - (M/T)(1 - e^-T/M) (derived)."""
    got = c.failure_finding(5000, accepted)
    assert_allclose(got.every_h / 5000, ratio, atol=5e-8)
    assert_allclose(c.unavailability(got.every_h, 5000), accepted, rtol=1e-9)


@pytest.mark.parametrize(
    ("rate", "test", "dead", "every", "cost"),
    [
        (0.001, 10, 1, 138.165122, 148.165122),
        (0.0005, 50, 5, 196.721486, 1033.607431),
        (1, 1, 10, 0.41622116, 1 + 10 * 0.41622116),
    ],
)
def test_hidden_failure_by_cost(rate: float, test: float, dead: float, every: float, cost: float) -> None:
    """e^(Lx) - Lx = 1 + L c1/c2 (Barlow and Proschan 1965; values derived)."""
    got = c.failure_finding_cost(rate, test, dead)
    assert_allclose(got.every_h, every, rtol=1e-8)
    assert_allclose(got.cost_per_h, cost, rtol=1e-8)


def test_inspections_of_a_uniform_life() -> None:
    """Life uniform on (0, 100), c1 10, c2 1: at 40, 70, 90, 100 (textbook example, from memory, reproduced)."""
    assert_allclose(c.inspections_uniform_life(100, 10, 1), [40, 70, 90, 100], rtol=1e-12)


DELAY = {"defect_rate": 1 / 4000, "task_cost": 120.0, "planned_cost": 60_000.0, "failure_cost": 180_000.0}


@pytest.mark.parametrize(
    ("detection", "best", "least", "costs", "failed"),
    [
        (1.0, 59.4219, 19.141415, [19.199257, 19.656094, 23.172549, 28.116115, 34.105020], [0.256418, 0.429204]),
        (0.8, 49.8817, 20.004022, [20.004034, 21.047047, 25.494551, 30.708206, 36.160935], [0.333818, 0.515607]),
    ],
)
def test_delay_time_model(detection: float, best: float, least: float, costs: list[float], failed: list[float]) -> None:
    """Christer and Waller 1984 form, mean delay 400 h (derived; shares confirmed by Monte Carlo .2568 and .3349)."""
    hours = np.array([50.0, 100, 250, 500, 1000])
    share = c.share_failed(hours, 400, detection)
    assert_allclose(share[2:4], failed, atol=1e-6)
    assert_allclose(c.delay_time_cost(hours, failed=share, **DELAY), costs, rtol=1e-7)
    got = c.delay_time_interval(delay_mean_h=400, detection=detection, **DELAY)
    assert_allclose(got.every_h, best, rtol=1e-5)
    assert_allclose(got.cost_per_h, least, rtol=1e-7)


def test_detection_of_one_is_the_perfect_formula() -> None:
    x = np.array([0.01, 0.5, 3.0])
    assert_allclose(c.share_failed(400 * x, 400), 1 - (1 - np.exp(-x)) / x, rtol=1e-9)
    assert_allclose(c.share_failed_weibull(400 * x, 400, 1.0), 1 - (1 - np.exp(-x)) / x, rtol=1e-9)
    assert_allclose(c.share_failed_weibull([500, 1000], 1000, 2.0), [0.061768, 0.210091], atol=1e-6)
    assert_allclose([c.share_failed(1e-3, 400), c.share_failed(1e9, 400)], [0, 1], atol=1e-5)


def test_equal_costs_never_inspect() -> None:
    """cf = ci: the best interval is unbounded, which must be said and not returned as the end of the search."""
    got = c.delay_time_interval(1 / 4000, 400, 1.0, task_cost=120, planned_cost=60_000, failure_cost=60_000)
    assert np.isnan(got.every_h)
    assert "never inspect" in got.words
    dear = c.delay_time_interval(1 / 4000, 400, 1.0, task_cost=1e9, planned_cost=60_000, failure_cost=180_000)
    assert np.isnan(dear.every_h)
    assert_allclose(dear.cost_per_h, 180_000 / 4000)


@pytest.mark.parametrize(
    ("a", "failure_h", "best", "least"), [(0.05, 0.5, 24.021718, 0.0349566338), (0.03, 0.45, 29.962599, 0.0266838255)]
)
def test_least_downtime(a: float, failure_h: float, best: float, least: float) -> None:
    """k .1, d .35 (Christer and Waller 1984 form; derived)."""
    got = c.downtime_interval(0.1, 1 / a, failure_h, 0.35)
    assert_allclose(got.every_h, best, rtol=2e-6)
    assert_allclose(got.cost_per_h, least, rtol=1e-8)


def test_downtime_at_other_intervals() -> None:
    t = np.array([5.0, 10.0, 50.0])
    assert_allclose(
        c.downtime_share(t, 0.1, c.share_failed(t, 20), 0.5, 0.35), [0.07080388, 0.04410924, 0.03837309], atol=5e-9
    )


def test_uniform_delay() -> None:
    """T* = sqrt(2 h cI/(k (cf - ci))), h 800: 80 h exactly (derived)."""
    assert_allclose(c.uniform_delay_interval(800, **DELAY).every_h, 80.0, rtol=1e-12)
    assert np.isnan(c.uniform_delay_interval(800, 1 / 4000, 1e7, 60_000, 180_000).every_h)


@pytest.mark.parametrize(
    ("shape", "ratio", "age", "rate"),
    [
        (1.5, 2, 2.17464, 2.21200), (1.5, 5, 0.67549, 4.93130), (1.5, 10, 0.37814, 8.30162),
        (1.5, 20, 0.22612, 13.55234),
        (2, 2, 1.09080, 2.18159), (2, 5, 0.51066, 4.08524), (2, 10, 0.33645, 6.05612), (2, 20, 0.23043, 8.75622),
    ],
)  # fmt: skip
def test_age_replacement(shape: float, ratio: float, age: float, rate: float) -> None:
    """Weibull of scale 1, cp 1 (formulas Barlow and Proschan 1965; values derived); at the optimum cost = (cf - cp)
    h(t).
    """
    got = c.age_replacement(shape, 1.0, 1.0, ratio)
    assert_allclose([got.every_h, got.cost_per_h], [age, rate], atol=6e-6)
    assert_allclose(c.age_replacement_cost(got.every_h, lambda t: np.exp(-(t**shape)), 1.0, ratio), rate, atol=6e-6)


@pytest.mark.parametrize(("shape", "failure", "words"), [(1.0, 5.0, "hazard does not rise"), (0.7, 5.0, "hazard does "
"not rise"), (2.0, 1.0, "no more than a planned")])  # fmt: skip
def test_no_best_age_is_said(shape: float, failure: float, words: str) -> None:
    got = c.age_replacement(shape, 1000, 1.0, failure)
    assert np.isnan(got.every_h)
    assert words in got.words


def test_age_replacement_of_a_normal_life() -> None:
    """Normal(5, 1) weeks, cp 5, cf 10: 2.50385 1.70942 1.47913 1.63006 1.87255 at 2..6, best 4.02197 at 1.479031
    (textbook, from memory).
    """

    def survival(t: float) -> float:
        return float(norm.sf(t, 5, 1))

    found = [c.age_replacement_cost(t, survival, 5, 10) for t in (2, 3, 4, 5, 6)]
    assert_allclose(found, [2.50385, 1.70942, 1.47913, 1.63006, 1.87255], atol=6e-6)
    best = minimize_scalar(
        lambda t: c.age_replacement_cost(t, survival, 5, 10), bounds=(2, 7), method="bounded", options={"xatol": 1e-8}
    )
    assert_allclose([best.x, best.fun], [4.02197, 1.479031], atol=6e-6)


@pytest.mark.parametrize(("samples", "every"), [(1, 1500.0), (2, 1000.0), (4, 600.0)])
def test_most_reliable_spacing(samples: int, every: float) -> None:
    """m - 1 perfect samples before t* = 3000 h: T = t*/m (Cerone 1990, abstract read), exponential start and delay."""

    def lost(t: float) -> float:
        return -c.mission_reliability(t, samples, 3000, 2000, 700)

    best = minimize_scalar(lost, bounds=(100, 3000 / samples), method="bounded", options={"xatol": 1e-9})
    assert_allclose(best.x, every, rtol=1e-5)


def test_mission_reliability_is_the_sum_of_two_waits() -> None:
    direct, _ = quad(lambda x: np.exp(-x / 2000) / 2000 * np.exp(-(800 - x) / 700), 0, 800)
    assert_allclose(c.mission_reliability(400, 0, 800, 2000, 700), direct + np.exp(-800 / 2000), rtol=1e-10)
    assert_allclose(
        c.mission_reliability(400, 0, 800, 700, 700), c.mission_reliability(400, 0, 800, 700.001, 700), rtol=1e-5
    )


def test_drain_interval_by_cost_is_age_replacement_of_the_fluid() -> None:
    got, part = c.drain_interval_by_cost(3, 900, 400, 9000), c.age_replacement(3, 900, 400, 9000)
    assert got.every_h == part.every_h
    assert "change at" in got.words
    assert "an old fluid" in c.drain_interval_by_cost(1, 900, 400, 9000).words


def test_base_number_reaches_half_its_fresh_value() -> None:
    """A line without noise: 10 - .01 t meets 5 at 500 h; 95 % t interval of the line against 40 000 draws."""
    t = np.array([0.0, 100, 200, 300, 400])
    got = c.hours_to_limit(t, 10 - 0.01 * t, 5.0, 2000, np.random.default_rng(1))
    assert_allclose([got.hours, got.low_h, got.high_h], 500, rtol=1e-9)
    assert "beyond the data" in got.words
    noisy = 10 - 0.01 * t + np.array([0.1, -0.1, 0.05, 0.1, -0.15])
    got = c.hours_to_limit(t, noisy, 6.5, 4000, np.random.default_rng(1))
    assert got.low_h < got.hours < got.high_h


def test_intervals_of_the_crossing_cover() -> None:
    """Known truth: 90 % intervals of the hours to the limit hold it in 84 to 96 of a hundred."""
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 500, 60)
    hits = 0
    for _ in range(300):
        y = 2 + 0.04 * t + rng.normal(0, 1, t.size)
        got = c.hours_to_limit(t, y, 25.0, 400, rng)
        hits += got.low_h <= 575 <= (got.high_h if np.isfinite(got.high_h) else np.inf)
    assert 252 <= hits <= 288


def test_a_property_that_runs_away_from_its_limit() -> None:
    t = np.array([0.0, 100, 200])
    got = c.hours_to_limit(t, np.array([5.0, 6, 7]), 2.0, 200, np.random.default_rng(1))
    assert np.isnan(got.hours)
    assert "not on this trend" in got.words
    with pytest.raises(ValueError, match="three or more"):
        c.hours_to_limit(t[:2], np.array([1.0, 2]), 5, 10, np.random.default_rng(1))


def test_drain_interval_by_condition() -> None:
    soon, late = c.Reach(600, 540, 700, ""), c.Reach(900, 610, 1500, "")
    got = c.drain_interval_by_condition({"base number": late, "oxidation": soon}, (125, 250, 500, 1000))
    assert got.every_h == 500
    assert "oxidation" in got.words
    assert np.isnan(c.drain_interval_by_condition({"base number": c.Reach(100, 90, 120, "")}, (125, 250)).every_h)
    assert (
        "no reason to change" in c.drain_interval_by_condition({"x": c.Reach(np.nan, np.nan, np.nan, "")}, (125,)).words
    )


def test_bad_numbers_are_named() -> None:
    with pytest.raises(ValueError, match="pf_h: found 0"):
        c.interval_for_risk(0, 0.8, 0.01)
    with pytest.raises(ValueError, match=r"detection: found 1\.2"):
        c.interval_for_risk(100, 1.2, 0.01)
    with pytest.raises(ValueError, match="do not fit"):
        c.mission_reliability(1000, 4, 3000, 1, 2)
