"""Fluid condition: crossings and remaining life of straight made trends, unit identities, ratios."""

import numpy as np
import pytest

from cmkit.fluids.condition import (
    acid_base_crossing,
    litres_of_water,
    ratio,
    remaining_life,
    water_percent_from_ppm,
    water_ppm_from_percent,
)

HOURS = np.array([0.0, 125, 250, 375])


def test_remaining_life_of_a_straight_trend() -> None:
    """10 falling 0.016 per hour: 2 is met at 500 h, 125 h after the newest bottle."""
    assert remaining_life(HOURS, 10 - 0.016 * HOURS, 2.0).value == pytest.approx(125)
    assert remaining_life(HOURS, 1 + 0.004 * HOURS, 3.0, "up").value == pytest.approx(125)


def test_one_wild_result_does_not_turn_the_trend() -> None:
    hours = np.arange(0, 500, 50.0)
    value = 10 - 0.016 * hours
    value[4] = 25
    assert remaining_life(hours, value, 2.0).value == pytest.approx(50)


@pytest.mark.parametrize(
    ("hours", "value", "why"),
    [([0, 100], [10, 9], "wants three"), ([0, 0, 0], [10, 9, 8], "wants three"),
    ([0, 1, 2], [8, 9, 10], "does not lead"), ([0, 1, 2], [np.nan] * 3, "wants three")],
)  # fmt: skip
def test_remaining_life_undefined(hours: list, value: list, why: str) -> None:
    answer = remaining_life(hours, value, 2.0)
    assert not answer.known
    assert why in answer.reason


def test_past_the_limit_nothing_remains() -> None:
    assert remaining_life(HOURS, 5 - 0.016 * HOURS, 2.0).value == 0


def test_crossing_ahead_and_crossing_seen() -> None:
    """Base 10 - .016 h, acid 1 + .002 h: they meet at 500 h."""
    base, acid = 10 - 0.016 * HOURS, 1 + 0.002 * HOURS
    assert acid_base_crossing(HOURS, base, acid).value == pytest.approx(500)
    later = np.r_[HOURS, 600.0]
    assert acid_base_crossing(later, 10 - 0.016 * later, 1 + 0.002 * later).value == pytest.approx(500)
    shuffled = np.array([3, 0, 4, 1, 2])
    got = acid_base_crossing(later[shuffled], (10 - 0.016 * later)[shuffled], (1 + 0.002 * later)[shuffled])
    assert got.value == pytest.approx(500)


@pytest.mark.parametrize(
    ("base", "acid", "why"),
    [([10, 11], [1, 1], "do not approach"), ([1, 1], [2, 2], "from the first"), ([10, np.nan], [1, 1], "two bottles")],
)
def test_crossing_undefined(base: list, acid: list, why: str) -> None:
    answer = acid_base_crossing([0, 100], base, acid)
    assert not answer.known
    assert why in answer.reason


def test_water_units() -> None:
    """0.1 % = 1000 ppm (unit identity)."""
    assert water_ppm_from_percent(0.1) == pytest.approx(1000)
    np.testing.assert_allclose(water_percent_from_ppm(water_ppm_from_percent([0.05, 2])), [0.05, 2])
    assert litres_of_water(1000, 200, 0.9).value == pytest.approx(0.18)
    assert not litres_of_water(np.nan, 200).known


def test_ratio_of_traces_says_nothing() -> None:
    assert ratio(30, 6).value == 5
    assert "traces" in ratio(3, 0.5).reason
    assert not ratio(np.nan, 5).known
