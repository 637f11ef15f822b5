"""The fast inner loop of learning says what the filter itself says; its formula for results is the Student form stated
in its docstring.
"""

import numpy as np
import pandas as pd
import pytest
from scipy.special import log_ndtr

from cmkit.wear.filter import Numbers, noise, predict, start_state, true_limit, update
from cmkit.wear.likelihood import Series
from cmkit.wear.series_arrays import Panel

LIVES, BOTTLES = 12, 9


@pytest.fixture(scope="module", params=[0, 1])
def panel(request: pytest.FixtureRequest) -> Panel:
    """Lives of unlike length with gaps, doubtful exposure, fresh fluid, and results below and above a limit."""
    rng = np.random.default_rng(request.param)
    length = np.sort(rng.integers(1, BOTTLES + 1, LIVES))[::-1]
    there = np.arange(BOTTLES) < length[:, None]
    hours = np.where(np.arange(BOTTLES) == 0, np.nan, rng.uniform(100, 500, there.shape))
    values = {
        "phi": rng.uniform(0.2, 1, there.shape), "psi": np.nan_to_num(hours, nan=200.0),
        "chi": rng.choice([0, 0.4], there.shape),
        "sd_phi": rng.uniform(0, 0.05, there.shape), "sd_psi": rng.uniform(0, 20, there.shape), "hours": hours,
    }  # fmt: skip
    exposure = {name: np.where(there, v, np.nan) for name, v in values.items()}
    y = np.where(there & (rng.random(there.shape) < 0.8), rng.gamma(4, 5, there.shape).round(), np.nan)
    y[1] = np.nan
    lives = pd.DataFrame({"compartment": np.arange(LIVES)})
    return Panel(
        lives,
        exposure,
        pd.DataFrame(),
        y,
        rng.choice(np.array([-1, 0, 1], np.int8), y.shape, p=[0.2, 0.7, 0.1]),
        np.zeros(y.shape, np.int64),
        rng.uniform(0, 3, LIVES),
    )


def by_the_filter(data: Panel, theta: np.ndarray, constants: np.ndarray) -> np.ndarray:
    """Bottle by bottle with the functions of the filter, every series to the end."""
    m, ratio, share, load = np.exp(theta[:, :4]).T
    level, variance, floor, unit, usual, drift = constants.T
    numbers = Numbers(
        rate_mean=m, rate_sd=ratio * m, level_mean=level, level_var=variance, noise_floor=floor, noise_share=share,
        load_share=load, drift_share=drift, fresh=theta[:, 4] * usual + data.fresh, unit=unit,
    )  # fmt: skip
    total, state = np.zeros(len(data.y)), start_state(numbers, len(data.y))
    for i in range(BOTTLES):
        step = [data.exposure[name][:, i] for name in ("phi", "psi", "chi", "sd_phi", "sd_psi", "hours")]
        expected, moved = predict(state, step, numbers)
        s = moved[2] + noise(expected, numbers)
        y, side = data.y[:, i], data.censored[:, i]
        state, _ = update(moved, expected, s, y, side, numbers=numbers, robust=True)
        exact = -3.5 * np.log1p((y - expected) ** 2 / s / 4.2) - 0.5 * np.log(s)
        limit = (true_limit(y, unit, side) - expected) / np.sqrt(s - unit**2 / 12)
        beyond = np.where(side < 0, log_ndtr(limit), log_ndtr(-limit))
        total += np.where(np.isfinite(y), np.where(side != 0, beyond, exact), 0.0)
    return total


@pytest.mark.parametrize("order", [np.arange(LIVES), np.arange(LIVES)[::-1], np.array([3, 3, 0, 11])])
def test_equals_the_filter_bottle_by_bottle(panel: Panel, order: np.ndarray) -> None:
    rng = np.random.default_rng(5)
    theta = np.column_stack(
        [
            np.log(rng.uniform(0.01, 0.1, LIVES)),
            *np.log(rng.uniform(0.05, 0.6, (3, LIVES))),
            rng.choice([0, 0.2], LIVES),
        ]
    )
    constants = np.column_stack([rng.uniform(5, 40, LIVES), rng.uniform(9, 90, LIVES), rng.uniform(0.3, 2, LIVES),
        np.ones(LIVES), rng.uniform(5, 40, LIVES), rng.uniform(0.1, 0.5, LIVES)])  # fmt: skip
    found = Series.of(panel, order, order, constants[order]).log_likelihood(theta[order])
    np.testing.assert_allclose(found, by_the_filter(panel, theta, constants)[order], rtol=1e-11)
    assert found[order == 1].tolist() == [0.0] * (order == 1).sum()  # no result at all
