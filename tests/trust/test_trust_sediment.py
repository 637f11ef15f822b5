"""Bottles that do not represent the charge. Worked cases: guide how_it_is_computed, D3 (derived there)."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from cmkit.records.analytes import analyte_register
from cmkit.records.settings import default_trust
from cmkit.trust.sediment import all_metals_factor, bottle_factors

MEAN = np.array([60, 8, 3, 2.5, 6, 15, 1.2])
VAR = 0.25 + 1 / 12 + (0.1 * MEAN) ** 2
SOUND = np.zeros(7, bool)


@pytest.mark.parametrize(
    ("y", "factor", "z", "misfit"),
    [(np.round(2.5 * MEAN), 2.513, 11.26, 0.14), (np.array([180, 8, 3, 7, 6, 15, 1.0]), 1.508, 5.02, 156.9)],
)
def test_worked_cases(y, factor, z, misfit):
    g, _, got_z, q, df = all_metals_factor(y, MEAN, VAR, SOUND, 0.07, least_ppm=1)
    assert np.exp(g) == pytest.approx(factor, abs=5e-4)
    assert got_z == pytest.approx(z, abs=5e-3)
    assert q == pytest.approx(misfit, abs=0.05 if misfit > 10 else 5e-3)
    assert df == 6


def test_factor_is_the_weighted_least_squares_fit():
    """Against scipy.optimize on the stated misfit: the minimum lies at g and its value is Q."""
    y = np.array([100, 15, 5, 4, 9, 30, 2.0])
    g, _, _, q, _ = all_metals_factor(y, MEAN, VAR, SOUND, 0.07, least_ppm=1)
    own = np.maximum(VAR - (0.07 * MEAN) ** 2, VAR / 4)
    best = minimize_scalar(
        lambda t: np.sum(MEAN**2 / own * (np.log(y / MEAN) - t) ** 2),
        bounds=(-3, 3),
        method="bounded",
        options={"xatol": 1e-10},
    )
    assert g == pytest.approx(best.x, abs=1e-7)
    assert q == pytest.approx(best.fun, rel=1e-9)


def test_only_metals_that_can_speak_count():
    below = SOUND.copy()
    below[2] = True
    y = np.where(np.arange(7) == 1, np.nan, MEAN)
    mean = MEAN.copy()
    mean[6] = 0.8
    assert all_metals_factor(y, mean, VAR, below, 0.07, least_ppm=1)[4] == 3
    nothing = all_metals_factor(np.full(7, np.nan), MEAN, VAR, SOUND, 0.07, least_ppm=1)
    assert np.isnan(nothing[0])
    assert np.isnan(nothing[2])


@pytest.mark.parametrize(("name", "diluted"), [("engine", 0.65), ("drive", 0.9), ("hydraulic", 0.8)])
def test_rates_of_calls_on_the_reference_fleets(reference_fleet, name, diluted):
    """Known truth, cv10: bottom-drawn x2-4 called >= .90, real wear (Fe, Cr x5) <= .05, normal <= .01."""
    last = (np.arange(16) == 15)[:, None]

    def called(**how):
        panel = reference_fleet.simulate(name, "cv10", 100, 2, n=16, exchange=0.0, **how).panel
        return bottle_factors(panel, analyte_register(), default_trust())["call"].to_numpy().reshape(-1, 16)[:, -1]

    assert (
        np.mean(called(spoil=lambda y, rng: y * np.where(last, rng.uniform(2, 4, (100, 2, 1, 1)), 1.0)) == "all high")
        >= 0.90
    )
    assert (
        np.mean(
            called(spoil=lambda y, rng: y * np.where(last, rng.uniform(0.08, 0.45, (100, 2, 1, 1)), 1.0)) == "all low"
        )
        >= diluted
    )
    boost = np.ones((100, 2, 16, 7))
    boost[:, :, 15:, [0, 3]] = 5.0
    assert np.mean(called(boost=boost) != "") <= 0.05
    assert np.mean(called() != "") <= 0.01
