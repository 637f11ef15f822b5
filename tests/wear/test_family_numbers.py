"""Family numbers: between-series variance and shrinkage against worked values and statsmodels; the fit on invented
fleets with known truth.

Sources: guide how_it_is_computed, part B, check case 4 (Paule and Mandel's equation) and its comparison with
MixedLM.
"""

from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from numpy.testing import assert_allclose

from cmkit.records.analytes import analyte_register
from cmkit.wear.family import COLUMNS, drift, drift_report, family_numbers, paule_mandel
from cmkit.wear.slopes import weighted_slopes

REGISTER = analyte_register()


def test_paule_mandel_worked_values() -> None:
    """Case 4: tau2 16.941726, mu 12.977442, se 1.932559, shrunken 10.16595 12.05448 14.78644 18.65865 9.22169."""
    tau2, mu, se, shrunk = paule_mandel([10, 12, 15, 20, 9], [1, 1, 2, 4, 1])
    assert_allclose((tau2, mu, se), (16.941726, 12.977442, 1.932559), rtol=1e-6)
    assert_allclose(shrunk, (10.16595, 12.05448, 14.78644, 18.65865, 9.22169), rtol=1e-6)


def test_paule_mandel_without_difference_between_series() -> None:
    tau2, mu, _, shrunk = paule_mandel([10, 10.1, 9.9], [1, 1, 1])
    assert tau2 == 0
    assert_allclose(shrunk, mu)
    with pytest.raises(ValueError, match="positive variance"):
        paule_mandel([1, 2], [1, 0])


def test_shrunken_slopes_against_a_mixed_model() -> None:
    """40 units of 6 points, common noise: mean, spread and shrunken slopes as statsmodels MixedLM's random slopes, to
    1e-3.
    """
    rng = np.random.default_rng(1)
    grid = np.linspace(-1, 1, 6)
    units, x = np.repeat(np.arange(40), 6), np.tile(grid, 40)
    y = rng.normal(15, 6, 40)[units] * x + rng.normal(0, 3, 240)
    slope = weighted_slopes(x, y, units).slope[:, 0]
    noise2 = np.sum((y - slope[units] * x) ** 2) / (40 * 5)
    tau2, mu, _, shrunk = paule_mandel(slope, np.full(40, noise2 / np.sum(grid**2)))
    data = pd.DataFrame({"y": y, "x": x, "unit": units})
    model = smf.mixedlm("y ~ x - 1", data, groups="unit", re_formula="~ x - 1").fit(reml=True, gtol=1e-8)
    blup = model.fe_params["x"] + np.array([v["x"] for v in model.random_effects.values()])
    assert_allclose(mu, model.fe_params["x"], rtol=1e-6)
    assert_allclose(np.sqrt(tau2), np.sqrt(model.cov_re.iloc[0, 0]), rtol=1e-3)
    assert_allclose(shrunk, blup, atol=1e-3)


@pytest.fixture(scope="module")
def fleets(reference_fleets: ModuleType) -> dict[str, Any]:
    """Three invented kinds of compartment, 120 each, exchanges and missing records in."""
    return {
        kind: reference_fleets.simulate(kind, "cv10", 120, np.random.default_rng(7), bottles=12, exchanges=0.015)
        for kind in reference_fleets.KINDS
    }


def joined(fleets: dict[str, Any]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The three fleets as one."""
    parts = []
    for kind, sim in fleets.items():
        name = {"sample": kind + sim.exposure["sample"], "compartment": kind + sim.exposure["compartment"]}
        parts.append((sim.exposure.assign(**name), sim.samples.assign(sample=name["sample"])))
    exposure, samples = zip(*parts, strict=True)
    return pd.concat(exposure, ignore_index=True), pd.concat(samples, ignore_index=True)


def test_numbers_of_known_fleets(fleets: dict[str, Any], reference_fleets: ModuleType) -> None:
    """Mean rate of the simulated machines within 15 %, machine spread and noise of iron near what was put in; no
    content of fresh fluid is made up.
    """
    exposure, samples = joined(fleets)
    table = family_numbers(exposure, samples, REGISTER)
    assert table.columns.tolist() == COLUMNS
    assert (table["basis"] == "fitted").all()
    assert (table["fresh_ppm"] == 0).mean() > 0.9
    for kind, sim in fleets.items():
        rows = table[table["family"] == kind].set_index("analyte")
        true = sim.rate.mean(axis=(1, 2))
        assert_allclose(rows["rate_mean"].reindex(reference_fleets.METALS), true, rtol=0.15)
        assert 0.25 < rows["rate_sd"]["Fe_ppm"] / rows["rate_mean"]["Fe_ppm"] < 0.6
        assert 0.08 < rows["noise_share"]["Fe_ppm"] < 0.14  # hypot(.07, .07) = .099


def test_a_small_family_leans_on_its_parent(fleets: dict[str, Any]) -> None:
    """Two compartments with two bottles each: their numbers stay near their kind's, and say so."""
    exposure, samples = joined(fleets)
    few = exposure["compartment"].isin(["enginec000000", "enginec000001"])
    exposure = exposure[~few | (exposure["order"] < 2)].assign(family=exposure["family"].mask(few, "small engine"))
    table = family_numbers(exposure, samples, REGISTER).set_index(["family", "analyte"])
    small, parent = table.loc["small engine"], table.loc["engine"]
    assert (small["basis"] == "parent").all()
    assert_allclose(small["rate_mean"], parent["rate_mean"].reindex(small.index), rtol=0.7)
    assert_allclose(small["noise_share"], parent["noise_share"].reindex(small.index), rtol=0.35)


def test_fresh_fluid_with_metal_in_it_is_found(reference_fleets: ModuleType) -> None:
    """Silicon of 6 ppm in every fresh charge of the invented engines: found within 1.5 ppm, and the rate is not blamed
    for it.
    """
    sim = reference_fleets.simulate("engine", "cv5", 60, np.random.default_rng(3), bottles=12, missing=0.0)
    fresh, level = np.zeros(len(sim.exposure)), 0.0
    for i, (phi, chi, order) in enumerate(zip(*(sim.exposure[c] for c in ("phi", "chi", "order")), strict=True)):
        level = phi * (6.0 if order == 0 else level) + 6 * chi
        fresh[i] = level
    value = np.where(sim.samples["Si_ppm_below"], 0.5, sim.samples["Si_ppm"])
    samples = sim.samples.assign(Si_ppm=np.round(value + fresh), Si_ppm_below=False)
    row = family_numbers(sim.exposure, samples, REGISTER).set_index("analyte").loc["Si_ppm"]
    assert abs(row["fresh_ppm"] - 6) < 1.5
    assert_allclose(row["rate_mean"], sim.rate[reference_fleets.METALS.index("Si_ppm")].mean(), rtol=0.2)


def test_frozen_numbers_are_used_as_they_stand_and_drift_is_reported(fleets: dict[str, Any]) -> None:
    exposure, samples = joined(fleets)
    engine = exposure["family"] == "engine"
    frozen = family_numbers(exposure[engine], samples, REGISTER).assign(frozen_on=pd.Timestamp("2025-06-30"))
    frozen.loc[frozen["analyte"] == "Fe_ppm", "rate_mean"] *= 0.5
    table = family_numbers(exposure, samples, REGISTER, frozen=frozen)
    kept = table[table["family"] == "engine"].reset_index(drop=True)
    pd.testing.assert_frame_equal(kept, frozen[COLUMNS].reset_index(drop=True), check_dtype=False)
    assert table[table["family"] != "engine"]["frozen_on"].isna().all()
    moved = drift(family_numbers(exposure, samples, REGISTER), frozen).set_index("analyte")
    assert moved["words"]["Fe_ppm"] == "wears faster than when frozen"
    assert_allclose(moved["ratio"]["Fe_ppm"], 2.0, rtol=0.1)
    assert (moved["words"].drop("Fe_ppm") == "as frozen").all()


def test_drift_in_words() -> None:
    def moved(ratios: list[float], words: list[str]) -> pd.DataFrame:
        return pd.DataFrame({"family": "engine", "analyte": "Fe_ppm", "rate_frozen": 0.02,
            "rate_now": 0.02 * np.array(ratios), "ratio": ratios, "words": words})  # fmt: skip

    still = drift_report(moved([1.2, 1.0], ["as frozen"] * 2), "2026-01-01")
    assert (
        still == "Family numbers frozen on 2026-01-01: no notable drift in 2 families and results (furthest: engine, "
        "Fe_ppm, 1.2 times)."
    )
    told = drift_report(
        moved([3.0, 0.5, 2.0, 1.0], ["wears faster", "wears slower", "wears faster", "as frozen"]), "2026-01-01", most=2
    )
    assert told.splitlines() == [
        "Family numbers frozen on 2026-01-01: 3 of 4 families and results drifted, furthest first.",
        "  engine, Fe_ppm: 20 then, 60 ppm per 1,000 h now, wears faster",
        "  engine, Fe_ppm: 20 then, 10 ppm per 1,000 h now, wears slower",
        "  and 1 more",
    ]


def test_the_same_records_give_the_same_numbers(fleets: dict[str, Any]) -> None:
    """Order of rows does not matter, to the last bit."""
    exposure, samples = joined(fleets)
    a = family_numbers(exposure, samples, REGISTER)
    b = family_numbers(exposure, samples.sample(frac=1, random_state=1), REGISTER)
    pd.testing.assert_frame_equal(a, b, check_exact=True)
