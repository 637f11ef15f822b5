"""Rates that grow: against the filter of level, rate and growth in matrix form, an integral in small steps, and real
paths that speed up (fatigue cracks, Lu and Meeker 1993).
"""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import crossings

from cmkit.wear.filter import Numbers, wear_rates
from cmkit.wear.forecast import after_change, level_ahead, wear_state
from cmkit.wear.growth import PRIOR, Growth


def augmented(y: np.ndarray, psi: float, phi: float, noise: float, prior: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Level, rate and growth as one linear state, by the matrix form of the filter; mean and covariance after y."""
    mean, cov = np.array([0.0, 0.04, 0.0]), np.diag(prior)
    for k, result in enumerate(y):
        d = 500.0 if k else 0.0
        move = np.array([[phi, psi, psi * d / 2], [0, 1, d], [0, 0, 1]])
        mean, cov = move @ mean, move @ cov @ move.T
        gain = cov[:, 0] / (cov[0, 0] + noise)
        mean, cov = mean + gain * (result - mean[0]), cov - np.outer(gain, cov[0])
    return mean, cov


def test_growth_beside_the_filter_is_the_filter_of_level_rate_and_growth() -> None:
    """Twelve bottles 500 h apart of a rate that grows by .015 ppm/h per 10,000 h; no load, no drift, one noise. The
    two-stage form and the matrix form of all three agree in the level and rate of later hours.
    """
    n, phi, psi, noise = 12, 0.97, 492.0, 1.0 + 1 / 12
    level, growth = [0.04 * psi], 1.5e-6
    for k in range(n - 1):
        level.append(phi * level[-1] + psi * (0.04 + growth * 500 * (k + 0.5)))
    y = np.array(level) + np.random.default_rng(5).standard_normal(n)
    numbers = Numbers(0.04, 0.02, 0.0, 4.0, noise_floor=1.0, noise_share=0.0, load_share=0.0, drift_share=0.0)
    track = wear_rates(y, None, phi, psi, 0.0, sd_phi=0.0, hours=[np.nan, *[500.0] * (n - 1)], numbers=numbers,
                       accept=False, robust=False)  # fmt: skip
    rate = track.rate[:, -1]
    g, variance = track.growth.found(rate)
    mean, cov = augmented(y, psi, phi, noise, np.array([4.0, 0.02**2, (PRIOR * rate[0]) ** 2]))
    assert [g[0], variance[0]] == pytest.approx([mean[2], cov[2, 2]], rel=1e-6)
    state = wear_state(track.level[:, -1], rate, np.array([[track.level_sd[0, -1] ** 2, track.cov[0, -1]],
        [track.cov[0, -1], track.rate_sd[0, -1] ** 2]]), growth=g, var_growth=variance,
        off_level=track.growth.level, off_rate=track.growth.rate)  # fmt: skip
    for hours in (0.0, 300.0, 2000.0):
        ahead = np.array([1.0, hours, hours**2 / 2])
        assert [v[0] for v in level_ahead(state, hours)] == pytest.approx([ahead @ mean, ahead @ cov @ ahead], rel=1e-6)
    assert g[0] == pytest.approx(growth, rel=0.5)


def test_growth_is_carried_over_a_change_and_not_where_a_path_slows_down() -> None:
    """The rate goes on growing in fresh fluid: .04 + 4e-6 t ppm/h, a change after 300 h that leaves a tenth, 200 h on.
    Against an integral in small steps.
    """
    state = wear_state(20.0, 0.04, np.diag([1.0, 1e-8]), loss=1e-4, growth=4e-6, var_growth=1e-14)
    steps, level = np.arange(0, 500, 0.05), 20.0
    for t in steps:
        level = 0.1 * level if abs(t - 300) < 0.01 else level
        level += 0.05 * (0.04 + 4e-6 * (t + 0.025) - 1e-4 * level)
    assert level_ahead(after_change(state, 300.0, 0.1), 200.0)[0][0] == pytest.approx(level, rel=1e-3)
    slower = Growth(np.zeros(2), np.zeros(2), np.array([-1e8, 1e8]), np.full(2, 1e13))
    assert slower.found(np.full(2, 0.04))[0].tolist() == [0.0, pytest.approx(1e-5, rel=0.1)]


def test_cracks_that_speed_up_cross_no_earlier_than_the_early_end() -> None:
    """The size that the present rate reaches in 600 h is reached before the early end of the 90 % interval in at most
    .05 of the looks from four readings on, with room for two standard errors; .13 if the rate is not let grow.
    """
    ahead = crossings.measured_chances(crossings.CRACKS, (5, 6, 7, 8), (600.0,))
    early = ahead["reached"] & (ahead["chance"] <= 0.05)
    assert ahead["reached"].sum() >= 75
    assert early.mean() <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / len(early))


def test_lasers_cross_inside_the_interval() -> None:
    """Lasers (Meeker and Escobar 1998), not looked at while the growth's prior was chosen: the 90 % interval of the
    hours to the level 500 h of the present rate ahead holds .85 or more, after 5 to 11 readings.
    """
    ahead = crossings.measured_chances(crossings.LASERS, (5, 7, 9, 11), (500.0,))
    assert len(ahead) == 60
    assert ahead["chance"].between(0.05, 0.95).mean() >= 0.85
