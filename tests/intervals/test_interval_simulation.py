"""The cost formulas against the independent event-by-event simulation (events.py) and against the real filter on
planted defects.
"""

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from numpy.testing import assert_allclose

from cmkit.intervals.cost import Case, interval_cost


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
    """With the grid restarted at each repair the phase is not uniform; the exact density is used (share caught within
    .004).
    """
    case = replace(events.CASES["constant chance"], defect_rate_per_h=1 / 600)
    seen = events.simulate(case, 500.0, machines=20_000, cycles=10, rng=np.random.default_rng(12), restarted=True)
    got, uniform = interval_cost(case, 500.0, restarted=True), interval_cost(case, 500.0)
    assert_allclose(seen.p_caught, got.p_caught, atol=0.004)
    assert_allclose(seen.cost_per_h, got.cost_per_h, rtol=0.01)
    assert abs(got.p_caught - uniform.p_caught) > 0.01  # so that the check above can tell the two apart


@pytest.mark.parametrize(("multiple", "every", "far"), [(8.0, 250.0, 0.08), (8.0, 500.0, 0.08), (4.0, 500.0, 0.12)])
def test_the_real_filter_catches_what_the_formula_says(
    events: ModuleType, multiple: float, every: float, far: float
) -> None:
    """Ramping defects in a drive-like fleet: within .08 for a strong rise, .12 for a weak one (design F4; all cells in
    the benchmarks).
    """
    case = Case(
        1 / 8000, 1200, 2, 0.08, multiple, 1, noise_floor=0.5, noise_share=0.099, load_share=0.10, drift_share=0.20,
        change_every_h=2000, residual=0.08, acted_share=1.0, turnaround_h=100,
    )  # fmt: skip
    found = events.planted(case, every, (0.07, 0.07), 3000, np.random.default_rng(8))
    assert_allclose(found, interval_cost(case, every).p_caught, atol=far)
