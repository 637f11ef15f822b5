"""What must hold whatever the numbers: money, limits, monotone answers, and perfect detection."""

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from cmkit.intervals.cost import Case, interval_cost
from cmkit.intervals.tune import allocate_samples, best_interval

QUICK = settings(max_examples=25, deadline=None)
COST = ("sample_cost", "inspect_cost", "planned_cost", "failure_cost")


@st.composite
def cases(draw: st.DrawFn) -> Case:
    number = lambda low, high: draw(st.floats(low, high, allow_nan=False))  # noqa: E731
    planned = number(1e3, 3e4)
    return Case(
        1 / number(2e3, 4e4), number(200, 2500), draw(st.sampled_from([1.0, 1.5, 2.0, 3.0])), number(0.005, 0.2),
        number(1.5, 10),
        number(0.5, 2.0), number(0.2, 1.0), number(0.03, 0.15), number(0.05, 0.3), number(0.1, 0.3), number(5, 150),
        number(500, 4000),
        number(0.02, 0.4), number(2.5, 4), number(0.5, 1.0), 1.0, np.nan, number(20, 200), number(100, 1000), planned,
        planned * number(1.5, 8),
        number(0, 0.03), number(0, 200),
    )  # fmt: skip


@QUICK
@given(cases(), st.floats(1e-3, 1e4), st.floats(60, 3000))
def test_money_only_scales(case: Case, unit: float, every: float) -> None:
    """Another currency changes no interval and multiplies every cost."""
    other = replace(case, **{name: getattr(case, name) * unit for name in COST})
    a, b = interval_cost(case, every, fine=False), interval_cost(other, every, fine=False)
    assert_allclose(b.cost_per_h, unit * a.cost_per_h, rtol=1e-10)
    assert b.p_caught == a.p_caught
    grid = [125.0, 250.0, 500.0, 1000.0]
    assert_allclose(best_interval(other, grid).every_h, best_interval(case, grid).every_h)


@QUICK
@given(cases(), st.sampled_from(COST), st.floats(1.01, 5), st.floats(60, 3000))
def test_dearer_is_never_cheaper(case: Case, name: str, times: float, every: float) -> None:
    dearer = replace(case, **{name: getattr(case, name) * times})
    assert interval_cost(dearer, every, fine=False).cost_per_h >= interval_cost(case, every, fine=False).cost_per_h


@QUICK
@given(cases())
def test_dearer_samples_are_drawn_less_often(case: Case) -> None:
    grid = [125.0, 250.0, 500.0, 1000.0, 2000.0]
    often = best_interval(case, grid).every_h
    seldom = best_interval(replace(case, sample_cost=3 * case.sample_cost), grid).every_h
    assert np.isnan(seldom) or seldom >= often


@QUICK
@given(cases())
def test_far_apart_samples_are_no_samples(case: Case) -> None:
    """T to infinity: the cost of no sampling, nothing caught."""
    got = interval_cost(case, 1e9, fine=False)
    assert_allclose(got.cost_per_h, case.failure_cost / (1 / case.defect_rate_per_h + case.delay_mean_h), rtol=1e-4)
    assert_allclose(got.p_caught, 0, atol=1e-4)


@QUICK
@given(st.floats(200, 2500), st.sampled_from([1.0, 2.0, 3.0]), st.floats(0.3, 1.0))
def test_samples_without_end_catch_everything(mean: float, shape: float, chance: float) -> None:
    """T to 0 with a constant chance and no turnaround: every defect is caught at once, and sampling costs without
    bound.
    """
    case = Case(1e-4, mean, shape, chance=chance, sample_cost=1.0, planned_cost=10, failure_cost=100)
    near, nearer = interval_cost(case, [mean / 100, mean / 200], fine=False).p_fail
    assert nearer < near < 0.05
    assert interval_cost(case, mean / 200, fine=False).cost_per_h > 200 / mean


@QUICK
@given(cases(), st.floats(60, 2000))
def test_a_better_signal_catches_more(case: Case, every: float) -> None:
    """A larger rise, a lower alarm line and a faster laboratory each catch at least as much."""
    base = interval_cost(case, every, fine=False).p_caught
    for better in (
        {"rate_multiple": case.rate_multiple * 1.3},
        {"z_alarm": case.z_alarm - 0.5},
        {"turnaround_h": case.turnaround_h / 2},
        {"acted_share": min(1.0, case.acted_share * 1.2)},
        {"metals": 2.0},
    ):
        assert interval_cost(replace(case, **better), every, fine=False).p_caught >= base - 1e-3


@QUICK
@given(cases(), st.floats(60, 2000))
def test_shares_and_hours_stay_in_bounds(case: Case, every: float) -> None:
    got = interval_cost(case, every, fine=False)
    assert 0 <= got.p_caught <= 1
    assert_allclose(got.p_caught + got.p_fail, 1)
    assert 0 < got.defect_h <= case.delay_mean_h * (1 + 1e-9)
    assert_allclose(case.delay_mean_h - got.defect_h, got.p_caught * np.nan_to_num(got.warning_h), rtol=1e-6, atol=1e-6)


@QUICK
@given(st.integers(0, 2**32 - 1), st.floats(0.2, 1.0))
def test_an_allocation_fits_and_is_bounded(seed: int, share: float) -> None:
    rng = np.random.default_rng(seed)
    load = np.sort(rng.uniform(1, 40, (30, 5)), axis=1)[:, ::-1]
    cost = rng.uniform(10, 100, (30, 1)) * np.array([1.0, 1.1, 1.4, 2.0, 3.0]) * rng.uniform(0.8, 1.2, (30, 5))
    capacity = load.min(axis=1).sum() + share * (load.max(axis=1) - load.min(axis=1)).sum()
    got = allocate_samples(cost, load, capacity)
    assert got.load <= capacity * (1 + 1e-12)
    assert got.bound <= got.cost * (1 + 1e-12)
    assert_allclose(got.cost, cost[np.arange(30), got.choice].sum())
    assert got.cost <= allocate_samples(cost, load, load.min(axis=1).sum()).cost * (1 + 1e-12)
