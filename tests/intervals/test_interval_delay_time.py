"""Share caught and cost against closed forms: delay-time model, fixed delay, age replacement."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize_scalar
from scipy.special import gamma, gammainc

from cmkit.intervals.ageing import Ageing, age_bands, change_out_cost
from cmkit.intervals.cost import Case, interval_cost, several_modes

HOURS = np.array([50.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 5000.0])


def perfect(mean: float, shape: float = 1.0) -> Case:
    return Case(1 / 3000, mean, shape, chance=1.0)


def test_perfect_sampling_of_an_exponential_delay() -> None:
    """P_fail = 1 - (1 - e^-x)/x, x = T/mu: Christer and Waller 1984 (from memory, re-derived)."""
    x = HOURS / 800
    assert_allclose(interval_cost(perfect(800), HOURS).p_fail, 1 + np.expm1(-x) / x, atol=1e-7)
    assert_allclose(interval_cost(perfect(800), [250.0, 1000.0]).p_fail, [0.141170, 0.429204], atol=5e-7)


@pytest.mark.parametrize(
    ("every", "chance", "turnaround", "caught"),
    [(250, 0.6, 0, 1 - 0.271513), (250, 0.6, 100, 0.642887), (500, 0.9, 200, 0.550667)],
)
def test_imperfect_sampling_with_turnaround(every: float, chance: float, turnaround: float, caught: float) -> None:
    """P_c = r (1-x) e^{-L/mu}/((T/mu)(1-(1-r)x)), x = e^{-T/mu}: derived in the design (F4) and again here."""
    case = replace(perfect(800), chance=chance, turnaround_h=turnaround)
    x = np.exp(-every / 800)
    derived = chance * (1 - x) / (every / 800 * (1 - (1 - chance) * x)) * np.exp(-turnaround / 800)
    assert_allclose(interval_cost(case, every).p_caught, [derived, caught][0], atol=1e-6)
    assert_allclose(derived, caught, atol=1e-6)


@pytest.mark.parametrize(("every", "failed"), [(500, 0.061768), (1000, 0.210091)])
def test_perfect_sampling_of_a_weibull_delay(every: float, failed: float) -> None:
    """Q0 = (1/T) int_0^T [1 - exp(-(G (T-u))^k)] du, G = Gamma(1+1/k)/mean (university lecture page
    on P-F intervals).
    """
    g, k = gamma(1.5) / 1000, 2
    closed = 1 - gamma(1 + 1 / k) * gammainc(1 / k, (g * every) ** k) / (g * every)
    assert_allclose(interval_cost(perfect(1000, k), every).p_fail, closed, atol=1e-7)
    assert_allclose(closed, failed, atol=1e-6)


@pytest.mark.parametrize(("looks", "chance", "failed"), [(1, 0.8, 0.2), (2, 0.8, 0.04), (3, 0.6, 0.064)])
def test_fixed_delay_with_whole_looks(looks: int, chance: float, failed: float) -> None:
    """(1-S)^n with T = PF/n: NAVAIR 00-25-403 (read in a summary)."""
    case = Case(1e-4, 1000, 0, chance=chance)
    assert_allclose(interval_cost(case, 1000 / looks).p_fail, failed, atol=1e-12)


def test_fixed_delay_with_a_part_of_a_look() -> None:
    """PF/I = 2.4, theta .8: .6 x .2^2 + .4 x .2^3 = .0272, where the smooth formula gives .0210 (design check 3.1,
    exact).
    """
    case = Case(1e-4, 1000, 0, chance=0.8)
    assert_allclose(interval_cost(case, 1000 / 2.4).p_fail, 0.0272, atol=1e-12)
    assert_allclose(interval_cost(replace(case, chance=1.0), [900.0, 1000.0, 2000.0]).p_fail, [0, 0, 0.5], atol=1e-12)


def test_uniform_phase_of_a_fixed_delay_with_a_trend(worked: Case) -> None:
    """A fixed delay is the limit of a Weibull delay of high shape."""
    fixed = interval_cost(replace(worked, delay_shape=0), [250.0, 500.0])
    sharp = interval_cost(replace(worked, delay_shape=400.0), [250.0, 500.0])
    assert_allclose(fixed.p_caught, sharp.p_caught, atol=2e-3)
    assert_allclose(fixed.cost_per_h, sharp.cost_per_h, rtol=4e-3)


def test_age_replacement_is_the_limit_without_sampling_or_delay() -> None:
    """Weibull(2, 1000), cf/cp = 5: A* = 510.655 h, .00408524 per h (Barlow and Proschan 1965, from memory; design F4
    and check 3.3).
    """
    case = Case(1.0, 1e-3, 2, chance=0.0, planned_cost=1, failure_cost=5)
    ageing = Ageing(2, 1000)
    best = minimize_scalar(
        lambda age: change_out_cost(case, np.inf, age, ageing),
        bounds=(100, 2000),
        method="bounded",
        options={"xatol": 1e-4},
    )
    assert_allclose(best.x, 510.655, atol=0.01)
    assert_allclose(best.fun, 0.00408524, atol=1e-8)
    assert_allclose(best.fun, (5 - 1) * ageing.hazard(best.x), rtol=1e-4)


def test_a_long_change_out_age_is_the_renewal_formula_on_a_restarted_grid() -> None:
    """lam 1/3000, mu 600, p .7, T 250, L 80: 9.572176 against 9.572195 (design F4); sampling 60, repair 12000, failure
    60000.
    """
    case = Case(1 / 3000, 600, 1, chance=0.7, turnaround_h=80, sample_cost=60, planned_cost=12000, failure_cost=60000)
    renewal = interval_cost(case, 250, restarted=True).cost_per_h
    assert_allclose(renewal, 9.572176, atol=1e-6)
    assert_allclose(change_out_cost(case, 250, 90_000, Ageing(1, 3000)), 9.572195, rtol=3e-6)


def test_a_long_change_out_age_with_a_trend(worked: Case) -> None:
    """Two routes through the same chain of samples, one over ages and one over phases."""
    aged = change_out_cost(worked, 250, 300_000, Ageing(1, 8000))
    assert_allclose(aged, interval_cost(worked, 250, restarted=True).cost_per_h, rtol=1e-6)


def test_intervals_by_age_band(worked: Case) -> None:
    """Weibull 2.5, 12 000 h: 700/350/250/175/175/175/175 h over 2000-h bands; best constant 250 h at 1.9466 by
    simulation (design F1).
    """
    ageing = Ageing(2.5, 12_000)
    allowed = [125.0, 175.0, 250.0, 350.0, 500.0, 700.0, 1000.0]
    bands = age_bands(worked, ageing, np.arange(0, 14_001, 2000), allowed)
    assert bands["every_h"].tolist() == [700, 350, 250, 175, 175, 175, 175]
    constant = {t: change_out_cost(worked, t, 14_000, ageing) for t in allowed}
    assert min(constant, key=constant.__getitem__) == 250
    assert_allclose(constant[250.0], 1.9466, rtol=3e-3)


def test_several_modes_share_the_samples(worked: Case) -> None:
    """One mode split into two of half the rate costs what the whole does, up to the second order of rate x delay."""
    half = replace(worked, defect_rate_per_h=worked.defect_rate_per_h / 2)
    assert_allclose(several_modes([half, half], 250.0), interval_cost(worked, 250.0).cost_per_h, rtol=0.05)
    assert several_modes([worked], 250.0) == interval_cost(worked, 250.0).cost_per_h


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"delay_mean_h": 0.0}, "delay_mean_h: found 0"),
        ({"chance": 1.2}, "chance: found 1.2, wanted a value between 0 and 1"),
        ({"rate_multiple": 0.5}, "rate_multiple: found 0.5"),
        ({"base_rate": np.nan}, "a trend needs a slope"),
        ({"failure_cost": -1.0}, "failure_cost: found -1"),
    ],
)
def test_a_bad_parameter_is_named(worked: Case, changes: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        replace(worked, **changes)


def test_a_bad_interval_is_named(worked: Case) -> None:
    with pytest.raises(ValueError, match="every_h: found 0"):
        interval_cost(worked, [250.0, 0.0])
