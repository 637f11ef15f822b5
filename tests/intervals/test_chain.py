"""The fast inner loop of interval advice: the distribution function against SciPy, and the alarm chance in place
against the plain formula.
"""

import numpy as np
from numpy.testing import assert_allclose
from scipy.special import ndtr

from cmkit.intervals.detection import Signature, SteadyFilter, Watch, alarm_chance, not_called
from cmkit.intervals.normal import STEPS, normal_cdf


def test_distribution_function_against_scipy() -> None:
    x = np.concatenate([np.linspace(-12, 12, 200_001), [-1e9, 1e9, 0.0]])
    found = normal_cdf(x * STEPS, np.empty_like(x), np.empty((2, len(x))))
    assert_allclose(found, ndtr(x), atol=5.1e-10, rtol=0)


def test_distribution_function_in_single_precision() -> None:
    x = np.linspace(-12, 12, 200_001)
    steps = (x * STEPS).astype(np.float32)
    found = normal_cdf(steps, np.empty_like(steps), np.empty((2, len(x)), np.float32))
    assert found.dtype == np.float32
    assert_allclose(found, ndtr(x), atol=4e-7, rtol=0)


def test_alarm_chance_in_place_equals_the_formula() -> None:
    rng = np.random.default_rng(1)
    places, delays = 40, 25
    size = rng.uniform(1e-4, 1e-3, (delays, places))
    mark = Signature(rng.uniform(-1e3, 3e4, places), rng.uniform(0, 1e4, places))
    watch = Watch(*(rng.uniform(low, high, places) for low, high in ((1, 9), (0.02, 0.2), (5, 60), (2, 4), (0.5, 1))),
        np.full(places, 2.0))  # fmt: skip
    steady = SteadyFilter(watch.variance, np.zeros(places), np.zeros(places))
    for metals in (np.full(places, 2.0), rng.uniform(1, 3, places)):
        wanted = alarm_chance(
            mark.departure * size, mark.followed * size, steady, noise_share=watch.noise_share, level=watch.level,
            z_alarm=watch.z_alarm, acted=watch.acted, metals=metals,
        )  # fmt: skip
        now = Watch(watch.variance, watch.noise_share, watch.level, watch.z_alarm, watch.acted, metals)
        assert_allclose(1 - not_called(now, mark, size, np.empty((4, *size.shape))), wanted, atol=2e-9)
        single, room = size.astype(np.float32), np.empty((4, *size.shape), np.float32)
        found = not_called(now.precise(np.float32), mark.precise(np.float32), single, room)
        assert_allclose(1 - found, wanted, atol=1e-6)
