"""The lower tail of the normal distribution against SciPy's own functions and against the asymptotic series."""

import numpy as np
from numpy.testing import assert_allclose
from scipy.special import log_ndtr, ndtr

from cmkit.wear.normal_tail import lower_tail


def test_logarithm_of_the_chance_against_scipy() -> None:
    x = np.concatenate([np.linspace(-40, 60, 20_001), [-1e6, -300.0, 1e6]])
    assert_allclose(lower_tail(x)[0], log_ndtr(x), rtol=1e-13, atol=2e-13)


def test_mills_ratio_against_scipy_where_neither_part_underflows() -> None:
    x = np.linspace(-30, 30, 20_001)
    density = np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi)
    assert_allclose(lower_tail(x)[1], density / ndtr(x), rtol=1e-11)


def test_mills_ratio_far_below_follows_its_series() -> None:
    """-x + 1/(-x) - 2/(-x)^3 + ... (Abramowitz and Stegun 1964, 26.2.12 inverted)."""
    t = np.array([50.0, 200.0, 1e4])
    assert_allclose(lower_tail(-t)[1], t + 1 / t - 2 / t**3, rtol=1e-7)


def test_what_is_not_known_stays_not_known() -> None:
    assert all(np.isnan(found).all() for found in lower_tail(np.array([np.nan])))
