"""The cost formulas against the independent event-by-event simulation (events.py) and against the real filter on planted defects."""

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import gamma

from cmkit.intervals.cost import Case, interval_cost
from cmkit.wear.filter import Numbers, wear_rates


@pytest.mark.parametrize("name", ["worked", "fast growth", "long delay", "constant chance"])
@pytest.mark.parametrize("every", [125.0, 500.0])
def test_events_agree(events: ModuleType, name: str, every: float) -> None:
    """Cost within 1 %, share caught within .005, hours within 1.5 % (200 000 defects; full runs in the benchmarks)."""
    case = events.CASES[name]
    seen = events.simulate(case, every, machines=20_000, cycles=10, rng=np.random.default_rng(11))
    got = interval_cost(case, every)
    assert_allclose(seen.cost_per_h, got.cost_per_h, rtol=0.01)
    assert_allclose(seen.p_caught, got.p_caught, atol=0.005)
    assert_allclose(seen.defect_h, got.defect_h, rtol=0.015)
    assert_allclose(seen.warning_h, got.warning_h, rtol=0.015)


def test_events_agree_on_a_restarted_grid(events: ModuleType) -> None:
    """With the grid restarted at each repair the phase is not uniform; the exact density is used (share caught within .004)."""
    case = replace(events.CASES["constant chance"], defect_rate_per_h=1 / 600)
    seen = events.simulate(case, 500.0, machines=20_000, cycles=10, rng=np.random.default_rng(12), restarted=True)
    got, uniform = interval_cost(case, 500.0, restarted=True), interval_cost(case, 500.0)
    assert_allclose(seen.p_caught, got.p_caught, atol=0.004)
    assert_allclose(seen.cost_per_h, got.cost_per_h, rtol=0.01)
    assert abs(got.p_caught - uniform.p_caught) > 0.01  # so that the check above can tell the two apart


def planted(case: Case, every: float, noise: tuple[float, float], n: int, rng: np.random.Generator) -> float:
    """Share of n planted defects that the real filter calls (z >= 3) and repairs in time; healthy for 16 samples before.

    One metal, level by hand: rate with machine spread .4, drift and load noise, fluid changed every case.change_every_h, results rounded.
    """
    before, after = 16, int(np.ceil(3.4 * case.delay_mean_h / every)) + 2
    life = case.delay_mean_h / gamma(1 + 1 / case.delay_shape) * rng.weibull(case.delay_shape, n)
    begin = before * every - rng.uniform(0, every, n)
    rate = case.base_rate * rng.lognormal(-0.08, 0.4, n)
    drift, level = np.zeros(n), np.full(n, case.base_rate * case.change_every_h / 2)
    shift = rng.integers(0, max(1, round(case.change_every_h / every)), n)
    y, phi = np.empty((n, before + after)), np.ones((n, before + after))
    for k in range(before + after):
        changed = (k + shift) % max(1, round(case.change_every_h / every)) == 0
        phi[:, k] = np.where(changed, case.residual, 1.0)
        drift = np.exp(-every / 1000) * drift + 0.15 * np.sqrt(-np.expm1(-2 * every / 1000)) * rng.standard_normal(n)
        mid = rate * (1 + drift) * (1 + 0.1 * rng.standard_normal(n))
        a, b = (np.clip(k * every + step - begin, 0, life) for step in (0, every))
        grown = (
            mid
            * (case.rate_multiple - 1)
            / (case.growth + 1)
            * life
            * ((b / life) ** (case.growth + 1) - (a / life) ** (case.growth + 1))
        )
        level = phi[:, k] * level + mid * every + grown
        own, shared = (sd * rng.standard_normal(n) for sd in noise)
        y[:, k] = np.round(np.maximum(level * np.exp(own + shared) + 0.5 * rng.standard_normal(n), 0))
    numbers = Numbers(
        m=case.base_rate,
        tau=0.4 * case.base_rate,
        c0=case.base_rate * case.change_every_h / 2,
        p0=100.0,
        s0=0.5,
        b=case.b,
        eta_i=0.1,
        eta_w=case.eta_w,
    )
    z = wear_rates(y, None, phi, every, 0.0, 0.0, every, numbers, accept=False).z
    age = (np.arange(before + after) + 1) * every - begin[:, None]
    in_time = (age > 0) & (age + case.turnaround_h < life[:, None]) & (z >= case.z_alarm)
    return float(in_time.any(axis=1).mean())


@pytest.mark.parametrize(("multiple", "every", "far"), [(8.0, 250.0, 0.08), (8.0, 500.0, 0.08), (4.0, 500.0, 0.12)])
def test_the_real_filter_catches_what_the_formula_says(multiple: float, every: float, far: float) -> None:
    """Ramping defects in a drive-like fleet: within .08 for a strong rise, .12 for a weak one (design F4; all cells in the benchmarks)."""
    case = Case(
        1 / 8000, 1200, 2, 0.08, multiple, 1, s0=0.5, b=0.099, eta_i=0.10, eta_w=0.20, change_every_h=2000, residual=0.08, acted_share=1.0, turnaround_h=100,
    )  # fmt: skip
    found = planted(case, every, (0.07, 0.07), 3000, np.random.default_rng(8))
    assert_allclose(found, interval_cost(case, every).p_caught, atol=far)
