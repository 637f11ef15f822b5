"""The worked case of the design (F4), its best interval, what moves it, and the filter behind it."""

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize_scalar

from cmkit.intervals.cost import Case, equivalent_chance, interval_cost
from cmkit.intervals.detection import steady_filter, typical_levels
from cmkit.intervals.tune import best_interval, interval_sensitivity

GRID = [125.0, 250.0, 500.0, 1000.0]


def test_costs_of_the_worked_case(worked: Case) -> None:
    """Design F4, worked case, tolerance .3 %; printed digits of an independent prototype."""
    got = interval_cost(worked, [*GRID, np.inf])
    assert_allclose(got.cost_per_h, [2.5728, 2.5342, 3.0703, 4.3736, 6.5217], rtol=3e-4)
    assert_allclose(got.p_caught[:4], [0.8730, 0.8342, 0.7092, 0.4426], atol=6e-5)
    assert_allclose(got.warning_h[:4], [576.8, 572.5, 553.5, 479.2], atol=0.06)
    assert_allclose(got.defect_h[:4], [696.5, 722.4, 807.5, 987.9], atol=0.06)
    assert np.isnan(got.warning_h[4])


def test_no_sampling_is_failure_cost_over_the_cycle(worked: Case) -> None:
    assert_allclose(interval_cost(worked, np.inf).cost_per_h, 60000 / (8000 + 1200), rtol=1e-12)


def test_best_interval_of_the_worked_case(worked: Case) -> None:
    """T* = 190 h at 2.4967 (design F4)."""
    best = best_interval(worked)
    assert_allclose(best.every_h, 190, rtol=0.01)
    assert_allclose(best.cost_per_h, 2.4967, rtol=3e-4)
    fine = minimize_scalar(
        lambda x: float(interval_cost(worked, np.exp(x)).cost_per_h), bounds=(4, 7), method="bounded"
    )
    assert_allclose(best.cost_per_h, fine.fun, rtol=2e-4)
    assert best.flat_low_h < 190 < best.flat_high_h
    ends = interval_cost(worked, [best.flat_low_h, best.flat_high_h]).cost_per_h
    assert_allclose(ends / best.cost_per_h, 1.05, atol=0.004)


def test_settled_filter_at_250_h(events: ModuleType, worked: Case) -> None:
    """S 126.943481, K1 .493003, K2 .000533 (design F4), and scipy's Riccati solver."""
    settled = steady_filter(
        250.0, 0.08, noise_floor=0.6, noise_share=0.10, load_share=0.12, drift_share=0.15, level=80.0
    )
    found = [settled.variance, settled.gain_level, settled.gain_rate]
    assert_allclose(found, [126.943481, 0.493003, 0.000533], atol=6e-7)
    assert_allclose(found[0], 126.943481, atol=1e-6)
    assert_allclose(found, events.gains(worked, 250.0), rtol=1e-7)


@pytest.mark.parametrize("every", [25.0, 100.0, 1000.0, 4000.0])
def test_settled_filter_elsewhere(events: ModuleType, worked: Case, every: float) -> None:
    """Against scipy.linalg.solve_discrete_are; short intervals settle slowly."""
    settled = steady_filter(
        every, 0.08, noise_floor=0.6, noise_share=0.10, load_share=0.12, drift_share=0.15, level=80.0
    )
    assert_allclose([settled.variance, settled.gain_level, settled.gain_rate], events.gains(worked, every), rtol=1e-7)


def test_typical_levels_by_running_a_fluid_through_its_lives() -> None:
    """Steady saw-tooth of w = .08 ppm/h, 2000 h lives and 8 % left, at the two Gauss points of a life."""
    level = 0.0
    for _ in range(40):
        level = 0.08 * (level + 0.08 * 2000)
    ages = np.array([0.5 - 0.5 / np.sqrt(3), 0.5 + 0.5 / np.sqrt(3)]) * 2000
    assert_allclose(typical_levels(0.08, 2000.0, 0.08), level + 0.08 * ages, rtol=1e-12)


def test_two_levels_lie_between_their_own_answers(worked: Case) -> None:
    free = replace(worked, level=np.nan)
    both = interval_cost(free, GRID).p_caught
    low, high = typical_levels(0.08, 2000.0, 0.08)
    each = np.array([interval_cost(replace(worked, level=lv), GRID).p_caught for lv in (low, high)])
    assert_allclose(both, each.mean(axis=0), rtol=1e-12)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("delay_mean_h", 108, 435), ("rate_multiple", 393, 190), ("noise_share", 178, 312), ("failure_cost", 273, 146),
    ("sample_cost", 151, 239), ("defect_rate_per_h", 239, 156)],
)  # fmt: skip
def test_what_moves_the_best_interval(worked: Case, name: str, low: float, high: float) -> None:
    """Best interval with half and double of each (design F3, tornado); the valley is flat, so 4 % of the interval is
    the tolerance.
    """
    table = interval_sensitivity(worked, [name]).set_index("factor")
    assert_allclose(table["every_h"], [low, high], rtol=0.04)


def test_what_does_not_move_it(worked: Case) -> None:
    """Turnaround, share and cost of false alarms leave the best interval where it is (design F3)."""
    table = interval_sensitivity(worked, ["turnaround_h", "false_alarm", "inspect_cost"])
    assert_allclose(table["every_h"], 190, rtol=0.02)
    assert table["regret"].max() < 1e-3


def test_regret_of_keeping_the_base_interval(worked: Case) -> None:
    """Delay halved 4 %, doubled 16 % (design F3)."""
    table = interval_sensitivity(worked, ["delay_mean_h"]).set_index("factor")
    assert_allclose(table["regret"], [0.04, 0.16], atol=0.005)


def test_equivalent_chance_catches_the_same_share(worked: Case) -> None:
    chance = equivalent_chance(worked, 250.0)
    assert_allclose(interval_cost(replace(worked, chance=chance), 250.0).p_caught, 0.8342, atol=2e-4)


def test_fast_rules_agree_with_fine_ones() -> None:
    """Cost of the fast rules within .3 % of the fine ones at worst and .02 % in the middle (design F4: 99th percentile
    .2 to .5 %).
    """
    rng = np.random.default_rng(5)
    n = 30
    many = Case(
        1 / 8000, np.exp(rng.uniform(np.log(300), np.log(3000), n)), rng.choice([1.0, 1.5, 2.0, 3.0], n), 0.08,
        rng.uniform(3, 9, n),
        level=80.0, change_every_h=2000.0, sample_cost=60, planned_cost=12000, failure_cost=60000,
        turnaround_h=rng.uniform(20, 150, n),
    )  # fmt: skip
    grid = np.array([125.0, 500.0, 2000.0])
    fast, fine = interval_cost(many, grid, fine=False).cost_per_h, interval_cost(many, grid, fine=True).cost_per_h
    assert_allclose(fast, fine, rtol=3e-3)
    assert np.median(np.abs(fast / fine - 1)) < 2e-4


def test_equal_compartments_share_the_work_and_the_answer(worked: Case) -> None:
    many = worked.take(np.zeros(5, int))
    assert many.shape == (5,)
    got = interval_cost(many, GRID, fine=True)
    assert got.cost_per_h.shape == (5, 4)
    assert_allclose(got.cost_per_h, np.tile(interval_cost(worked, GRID).cost_per_h, (5, 1)), rtol=1e-14)
    order = replace(worked, delay_mean_h=np.array([1200.0, 600.0, 1200.0]))
    swapped = interval_cost(order, 250.0).p_caught
    assert swapped[0] == swapped[2] != swapped[1]
