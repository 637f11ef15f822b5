"""The invented fleet: its truth has the spread the recipe asks for, its records have the flaws, and the same seed
writes the same bytes.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cmkit.errors import SettingsError
from cmkit.records.analytes import analyte_register, below
from cmkit.records.reading.load import load_fleet
from cmkit.simulate.parts import build_parts, draw_rates, stream
from cmkit.simulate.recipe import demo_recipe, parse_recipe, read_recipe
from cmkit.simulate.write import simulate_fleet, write_fleet
from cmkit.tables.records import TABLES

METALS = ["Fe_ppm", "Cu_ppm", "Pb_ppm", "Cr_ppm", "Al_ppm", "Si_ppm"]


@pytest.fixture(scope="module")
def recipe():
    return demo_recipe()


@pytest.fixture(scope="module")
def fleet(recipe):
    return simulate_fleet(recipe)


@pytest.fixture(scope="module")
def small(recipe):
    """Three machines, one a site, half a year."""
    machines = [m for m in recipe.machines if m.machine in ("RH-03", "WL-04", "EX-04")]
    return replace(recipe, machines=machines, months=6, planted=[], mistakes=[], text="")


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_sample_data_is_what_the_recipe_makes(root, recipe, tmp_path):
    write_fleet(recipe, tmp_path)
    made, kept = contents(tmp_path), contents(root / "sample_data")
    assert sorted(made) == sorted(kept)
    assert [name for name in made if made[name] != kept[name]] == []
    assert sum(map(len, kept.values())) < 3_000_000


def test_same_seed_same_bytes_other_seed_other_records(small, tmp_path):
    write_fleet(small, tmp_path / "a", seed=7)
    write_fleet(small, tmp_path / "b", seed=7)
    write_fleet(small, tmp_path / "c", seed=8)
    a, b, c = (contents(tmp_path / x) for x in "abc")
    assert a == b
    assert a["services.csv"] != c["services.csv"]


def test_another_machine_changes_nothing_elsewhere(small, recipe):
    more = replace(small, machines=[*small.machines, next(m for m in recipe.machines if m.machine == "BD-01")])
    before, after = simulate_fleet(small)[0], simulate_fleet(more)[0]
    for name in ("samples", "services", "meters"):
        column = "machine" if name == "meters" else "compartment"
        kept = after[name][~after[name][column].str.startswith("BD-01")].reset_index(drop=True)
        pd.testing.assert_frame_equal(before[name], kept)


def test_a_larger_fleet_is_the_same_list_again(small):
    tables, _ = simulate_fleet(replace(small, machines_times=3))
    assert sorted(tables["machines"]["machine"]) == sorted(
        m + x for m in ("RH-03", "WL-04", "EX-04") for x in ("", "-2", "-3")
    )
    assert tables["samples"]["sample"].is_unique or tables["samples"]["note"].eq("corrected result").any()


def test_true_rates_have_the_spread_of_the_recipe(recipe):
    """Lognormal with mean 1, cv .40 and correlation .5 of the logarithms: 4000 draws, bounds of
    four standard errors.
    """
    part = build_parts(recipe, recipe.machines[0])[0]
    rng = stream(5, "rates")
    draws = np.array([draw_rates(recipe, part, rng) for _ in range(4000)])
    factors = (draws / np.where(part.normal > 0, part.normal, np.nan))[
        :, [analyte_register().index.get_loc(m) for m in METALS]
    ]
    sd = np.sqrt(np.log(1 + 0.40**2))
    np.testing.assert_allclose(factors.mean(axis=0), 1.0, atol=4 * 0.40 / np.sqrt(4000))
    np.testing.assert_allclose(np.log(factors).std(axis=0), sd, rtol=4 / np.sqrt(2 * 4000))
    correlation = np.corrcoef(np.log(factors).T)[np.triu_indices(len(METALS), 1)]
    np.testing.assert_allclose(correlation, 0.5, atol=4 * 0.75 / np.sqrt(4000))


def test_drift_about_the_true_rate(recipe, fleet):
    """Rate at a bottle over the life's rate, no fault: mean 1, cv .15. Bounds are four standard errors for about 12
    independent spells of 1,000 h on each of some 100 compartments."""
    _, truth = fleet
    rows = truth["samples"].merge(truth["rates"], on=["compartment", "life"], suffixes=("", "_life"))
    factor = (rows["Fe_ppm_rate"] / rows["Fe_ppm"])[rows["cause"] == ""]
    n = 100 * 12
    assert factor.mean() == pytest.approx(1.0, abs=4 * 0.15 / np.sqrt(n))
    assert np.log(factor).std() == pytest.approx(np.sqrt(np.log(1 + 0.15**2)), rel=4 / np.sqrt(2 * n))


def test_results_scatter_about_the_truth_as_the_recipe_says(fleet, recipe):
    """Iron of well drawn bottles, well above the floor: log(result / content) has the sd of own and bottle noise
    together.
    """
    tables, truth = fleet
    both = (
        tables["samples"]
        .drop_duplicates("sample", keep="last")
        .merge(truth["samples"], on="sample", suffixes=("", "_true"))
    )
    good = both[
        (both["drawing"] == "good")
        & (both["Fe_ppm_level"] > 40)
        & (both["exchanged_with"] == "")
        & (both["sampler"] == "crew A")
    ]
    residual = np.log(good["Fe_ppm"] / good["Fe_ppm_level"])
    expected = np.hypot(recipe.noise.own, recipe.noise.bottle)
    assert len(good) > 200
    assert residual.std() == pytest.approx(expected, rel=4 / np.sqrt(2 * len(good)))
    own = residual - np.log(good["bottle_factor"])
    assert own.std() == pytest.approx(
        recipe.noise.own, rel=4 / np.sqrt(2 * len(good)) + 0.05
    )  # 0.05: floor and rounding


def test_results_below_the_limit_are_flagged_at_the_limit(fleet):
    samples, register = fleet[0]["samples"], analyte_register()
    for analyte in register.index:
        flagged, limit = samples[below(analyte)], register.loc[analyte, "reporting_limit"]
        assert (samples.loc[flagged, analyte] == limit).all()
        if not np.isnan(limit):
            assert not (samples.loc[~flagged, analyte] < limit).any()
    tin = samples["Sn_ppm_below"][samples["Sn_ppm"].notna()]
    assert 0.02 < tin.mean() < 0.6


def test_the_records_hold_the_planned_flaws(fleet, recipe):
    tables, truth = fleet
    samples, bottles = tables["samples"], truth["samples"]
    machines = tables["machines"].set_index("machine")
    assert (tables["meters"]["new_meter"] == True).sum() == 1  # noqa: E712
    assert machines["retired_on"].notna().sum() == 1
    assert samples["meter_h"].isna().mean() == pytest.approx(0.035, abs=0.02)
    assert (bottles["exchanged_with"] != "").sum() >= 4
    assert set(bottles["drawing"]) == {"good", "bottom", "drain stream", "dirty pump"}
    assert samples["sample"].duplicated().sum() >= 5
    recorded = truth["topups"].merge(
        tables["machines"].assign(key=1),
        how="left",
        left_on=truth["topups"]["compartment"].str.split("/").str[0],
        right_on="machine",
    )
    by_site = recorded.groupby("site")["recorded"].mean()
    assert by_site["quarry"] < 0.6 < by_site["ridge"]
    few = samples["compartment"].value_counts().reindex(tables["compartments"]["compartment"], fill_value=0)
    assert few["WL-06/differential/rear"] <= 3


def test_live_faults_at_the_end_and_a_record_of_past_ones(fleet, recipe):
    tables, truth = fleet
    faults = truth["faults"]
    live = faults[(faults["how"] == "open") & faults["planted"]]
    assert live["cause"].nunique() >= 6
    assert (faults["how"] == "failed").sum() >= 5
    assert (faults["how"] == "caught").sum() >= 5
    found = tables["findings"]
    assert set(found["outcome"]) == {"defect", "no defect", "failed"}
    prompted = found["prompted_by"].dropna()
    assert len(prompted) > 10
    assert prompted.isin(tables["samples"]["sample"]).all()
    assert (pd.to_datetime(faults["opened_on"]) <= pd.to_datetime(faults["ended_on"])).all()


def test_nothing_is_dated_after_the_end(fleet, recipe):
    for name, frame in fleet[0].items():
        for column in TABLES[name].known_on:
            assert not (frame[column] > pd.Timestamp(recipe.end)).any()


def test_the_files_say_what_the_tables_say(small, tmp_path):
    """Both laboratories' files, read by the loader, give the simulated tables back: values to the rounding of the other
    unit, flags, dates.
    """
    write_fleet(small, tmp_path)
    tables, _ = simulate_fleet(small)
    loaded = load_fleet(tmp_path)
    assert len(loaded.set_aside) == 0
    for name, frame in tables.items():
        assert len(getattr(loaded, name)) == len(frame), name
    key = ["sample", "reported_on"]
    ours = tables["samples"].sort_values(key).reset_index(drop=True)
    theirs = loaded.samples.sort_values(key).reset_index(drop=True)
    for column in TABLES["samples"].names:
        pd.testing.assert_series_equal(theirs[column], ours[column], check_dtype=False)
    for analyte in analyte_register().index:
        np.testing.assert_allclose(theirs[analyte], ours[analyte], rtol=1e-9, atol=0)
        assert (theirs[below(analyte)] == ours[below(analyte)]).all()


def test_a_recipe_with_an_unknown_key_is_refused(tmp_path, recipe):
    path = tmp_path / "recipe.toml"
    path.write_text(recipe.text.replace("drift_cv", "drift_cw"), encoding="utf-8")
    with pytest.raises(SettingsError, match=r"unknown key 'drift_cw'"):
        read_recipe(path)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            'site = "ridge"\nkind = "rigid hauler"',
            'site = "ridges"\nkind = "rigid hauler"',
            "site 'ridges' is not in the recipe",
        ),
        ("seed = 20240101", 'seed = "one"', "found 'one', wanted int"),
        ('machine = "RH-02"', 'machine = "RH-01"', "machine 'RH-01' is listed twice"),
        ("months = 30\n", "", "missing months"),
    ],
)
def test_a_recipe_that_cannot_be_is_refused(recipe, tmp_path, old, new, words):
    path = tmp_path / "recipe.toml"
    assert old in recipe.text
    path.write_text(recipe.text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SettingsError, match=words):
        read_recipe(path)


def test_a_missing_recipe_says_so(tmp_path):
    with pytest.raises(SettingsError, match="not found"):
        read_recipe(tmp_path / "none.toml")
    with pytest.raises(SettingsError, match="missing"):
        parse_recipe({}, "empty")
