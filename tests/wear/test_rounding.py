"""The laboratory's rounding step, against steps that were put in."""

import numpy as np
import pandas as pd
import pytest

from cmkit.records.analytes import analyte_register
from cmkit.wear.rounding import bottle_steps, rounding_step

LEVELS = np.random.default_rng(3).gamma(2.0, 20.0, 200)


@pytest.mark.parametrize("step", [1.0, 2.0, 5.0, 10.0, 50.0])
def test_the_step_put_in_is_found(step: float) -> None:
    assert rounding_step(np.round(LEVELS / step) * step, 1.0) == step


def test_results_that_hardly_vary_say_nothing() -> None:
    assert np.isnan(rounding_step(np.full(100, 10.0), 1.0))
    assert np.isnan(rounding_step(LEVELS[:10].round(), 1.0))


def test_each_laboratory_has_its_own_step() -> None:
    """Tin hardly ever above the limit: it has the step of the laboratory's other metals."""
    five, one = np.round(LEVELS / 5) * 5, np.round(LEVELS)
    samples = pd.DataFrame({"lab": ["A"] * 200 + ["B"] * 200, "Fe_ppm": np.r_[five, one], "Sn_ppm": 5.0})
    samples = samples.assign(Fe_ppm_below=False, Sn_ppm_below=True)
    steps = bottle_steps(samples, ["Fe_ppm", "Sn_ppm"], analyte_register())
    assert (steps[:200] == 5.0).all(axis=None)
    assert (steps[200:] == 1.0).all(axis=None)
