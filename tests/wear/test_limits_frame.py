"""Family limits on hand-made fleets: which source speaks, what is said of few, equal, censored, sick or mis-scaled
results.

The data are invented (shape only); what is checked is known from how they were made.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from cmkit.records.analytes import analyte_register
from cmkit.records.settings import FixedLimit, Settings, default_kinds
from cmkit.wear.fitted_limits import fit_families, shrunk_percentiles, two_groups
from cmkit.wear.limits import LIMITS, family_limits, practice_limits

REGISTER = analyte_register()
SETTINGS = Settings(name="invented", kinds=default_kinds())
DAY = pd.Timestamp("2026-01-01")


def fleet(
    families: dict[str, int],
    bottles: int = 6,
    kind: str = "final drive",
    seed: int = 1,
    level: float = 40.0,
    spread: float = 0.4,
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """exposure, samples and history of `families` (name -> compartments), iron lognormal about `level` ppm at 500 h of
    fluid age.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for family, count in families.items():
        for c in range(count):
            own = level * np.exp(0.25 * rng.normal())
            for i in range(bottles):
                rows.append((f"{family}-{c}-{i}", f"{family}-{c}", family, i, own * np.exp(spread * rng.normal())))
    e = pd.DataFrame(rows, columns=["sample", "compartment", "family", "order", "iron"])
    e["machine"], e["site"], e["kind"], e["life"] = e["compartment"], "north", kind, 1
    e["fluid_h"], e["run_h"], e["drawn_on"] = (
        500.0,
        500.0 * (e["order"] + 1),
        DAY + pd.to_timedelta(30 * e["order"], unit="D"),
    )
    samples = e[["sample", "compartment", "drawn_on"]].assign(Fe_ppm=e["iron"].round(), Fe_ppm_below=False)
    history = e[["sample", "compartment", "family", "life", "order", "drawn_on", "run_h"]].assign(
        analyte="Fe_ppm", value=samples["Fe_ppm"], below=False, above=False, rate=e["iron"] / 500, rate_sd=0.01
    )
    return e.drop(columns="iron"), samples, history


def limits(*frames: pd.DataFrame, settings: Settings = SETTINGS) -> pd.DataFrame:
    return family_limits(*frames, settings, register=REGISTER)


def iron(table: pd.DataFrame, measure: str = "level") -> pd.DataFrame:
    return table[(table["analyte"] == "Fe_ppm") & (table["measure"] == measure)].set_index("family")


def test_limits_follow_the_made_distribution_and_bounds_enclose_them() -> None:
    table = limits(*fleet({f"f{i}": 20 for i in range(4)}, bottles=8))
    true = 40 * np.exp(1.959964 * np.hypot(0.25, 0.4))
    row = iron(table)
    assert list(table.columns) == LIMITS
    np.testing.assert_allclose(row["alarm"], true, rtol=0.15)
    assert (
        (row["alarm_low"] < row["alarm"]) & (row["alarm"] < row["alarm_high"]) & (row["alert"] < row["alarm"])
    ).all()
    np.testing.assert_allclose(iron(table, "rate")["alarm"], true / 500, rtol=0.15)
    assert (row["n_eff"] < row["n"]).all()
    assert set(row["method"]) == {"trimmed and shrunk"}


def test_a_small_family_leans_on_its_kind_and_says_so() -> None:
    row = iron(limits(*fleet({"a": 20, "b": 20, "c": 20, "one": 1})))
    assert row.loc["one", "method"] == "parent"
    assert "number of its compartment kind" in row.loc["one", "words"]
    assert row.loc["one", "alarm"] == pytest.approx(row.loc[["a", "b", "c"], "alarm"].mean(), rel=0.25)


def test_one_compartment_alone_is_not_judged() -> None:
    row = iron(limits(*fleet({"one": 1}, bottles=40)))
    assert row.loc["one", "method"] == "not judged"
    assert np.isnan(row.loc["one", "alarm"])
    assert "independent results" in row.loc["one", "words"]


def test_families_of_one_compartment_each_get_the_kinds_number() -> None:
    row = iron(limits(*fleet({f"f{i}": 1 for i in range(10)})))
    assert set(row["method"]) == {"parent"}
    np.testing.assert_allclose(row["alarm"], row["alarm"].iloc[0])
    assert row["alarm"].iloc[0] > 40 * np.exp(1.96 * np.hypot(0.25, 0.4)) * 0.8


def test_a_family_whose_results_are_all_over_the_place_is_said_to_be() -> None:
    row = iron(limits(*fleet({"a": 12}, spread=1.4))).loc["a"]
    assert "unlike one another" in row["words"]
    assert "unlike one another" not in iron(limits(*fleet({"a": 12}))).loc["a", "words"]


def test_results_wholly_beyond_belief_give_no_limit() -> None:
    exposure, samples, history = fleet({"a": 20})
    row = iron(limits(exposure, samples.assign(Fe_ppm=samples["Fe_ppm"] * 1000), history)).loc["a"]
    assert row["method"] == "not judged"
    assert np.isnan(row["alarm"])
    assert "another unit?" in row["words"]


def test_two_groups_are_hardly_ever_seen_where_there_are_none() -> None:
    """The thresholds are those that 1 of 100 normal families passes."""
    rng = np.random.default_rng(7)
    for n in (6, 11, 18, 50):
        family = np.repeat(np.arange(3000), n)
        called = np.isfinite(
            two_groups(rng.standard_normal(len(family)) * 3, family, np.arange(len(family)), 3000)
        ).mean()
        assert 0.003 < called < 0.02


def test_few_results_without_a_kind_get_the_tolerance_bound() -> None:
    row = iron(limits(*fleet({"few": 8}, bottles=1))).loc["few"]
    assert row["method"] == "tolerance"
    assert row["alarm"] == pytest.approx(row["alarm_high"])
    assert row["n_eff"] == 8


@pytest.mark.parametrize(("value", "flag", "why"), [(1.0, True, "below the reporting limit"), (7.0, False, None)])
def test_all_censored_and_all_equal(value: float, flag: bool, why: str | None) -> None:
    exposure, samples, history = fleet({"a": 10})
    samples = samples.assign(Fe_ppm=value, Fe_ppm_below=flag)
    row = iron(limits(exposure, samples, history.assign(below=flag, value=value))).loc["a"]
    if why:
        assert row["method"] == "not judged"
        assert why in row["words"]
    else:  # whole ppm: equal results still leave the width of a rounding cell
        assert 7.0 < row["alarm"] < 9.0


def test_equal_rates_are_not_judged() -> None:
    exposure, samples, history = fleet({"a": 10})
    assert iron(limits(exposure, samples, history.assign(rate=0.05)), "rate").loc["a", "method"] == "not judged"


def test_a_few_sick_machines_hardly_move_the_limit() -> None:
    exposure, samples, history = fleet({"a": 25}, bottles=8)
    sick = samples["compartment"].isin(["a-0"])
    ill = samples.assign(Fe_ppm=samples["Fe_ppm"].where(~sick, samples["Fe_ppm"] * 6))
    healthy, with_sick = (iron(limits(exposure, s, history)).loc["a", "alarm"] for s in (samples, ill))
    assert 0.95 < with_sick / healthy < 1.25


def test_a_half_sick_family_is_called_two_groups() -> None:
    exposure, samples, history = fleet({"a": 16}, spread=0.15)
    sick = samples["compartment"].str.split("-").str[1].astype(int) % 2 == 0
    row = iron(
        limits(exposure, samples.assign(Fe_ppm=samples["Fe_ppm"].where(~sick, samples["Fe_ppm"] * 8)), history)
    ).loc["a"]
    assert "two groups" in row["words"]
    assert "two groups" not in iron(limits(exposure, samples, history)).loc["a", "words"]


@pytest.mark.parametrize("factor", [1000.0, 0.001])
def test_a_few_results_in_another_unit_are_left_out_and_counted(factor: float) -> None:
    exposure, samples, history = fleet({"a": 20})
    wrong = samples.index % 12 == 0
    bad = samples.assign(Fe_ppm=samples["Fe_ppm"].where(~wrong, samples["Fe_ppm"] * factor))
    right, mixed = (iron(limits(exposure, s, history)).loc["a"] for s in (samples, bad))
    assert mixed["alarm"] == pytest.approx(right["alarm"], rel=0.15)
    assert f"{wrong.sum()} result(s) far off" in mixed["words"]


def test_a_family_wholly_in_another_unit_stands_alone_and_is_named() -> None:
    exposure, samples, history = fleet({"a": 20, "b": 20, "c": 20, "d": 20})
    bad = samples.assign(
        Fe_ppm=samples["Fe_ppm"].where(~samples["sample"].str.startswith("d-"), samples["Fe_ppm"] * 1000)
    )
    row = iron(limits(exposure, bad, history))
    assert "another unit?" in row.loc["d", "words"]
    np.testing.assert_allclose(
        row.loc[["a", "b", "c"], "alarm"],
        iron(limits(exposure, samples, history)).loc[["a", "b", "c"], "alarm"],
        rtol=0.1,
    )


def test_the_maker_wins_and_family_beats_kind() -> None:
    own = (
        FixedLimit("final drive", "Fe_ppm", 300, 400),
        FixedLimit("a", "Fe_ppm", 100, 150),
        FixedLimit("final drive", "water_ppm", 400, 800),
    )
    table = limits(*fleet({"a": 20, "b": 20}), settings=replace(SETTINGS, limits=own))
    row = iron(table)
    assert row.loc["a", ["method", "alert", "alarm"]].tolist() == ["maker", 100, 150]
    assert row.loc["b", ["method", "alert", "alarm"]].tolist() == ["maker", 300, 400]
    assert table[table["analyte"] == "water_ppm"]["method"].unique().tolist() == ["maker"]


def test_each_key_is_said_once_and_practice_is_marked() -> None:
    table = limits(*fleet({"a": 20, "b": 3}, kind="engine"))
    assert not table.duplicated(["family", "analyte", "measure", "direction"]).any()
    practice = table[table["method"] == "practice"]
    assert {"soot_pct", "fuel_pct", "visc100_cSt", "TBN_mgKOH_g"} <= set(practice["analyte"])
    assert practice["words"].str.contains("common practice|own choice").all()


def test_inhibitor_chemistry_of_a_coolant_gets_no_contaminant_limit() -> None:
    exposure, samples, history = fleet({"a": 20}, kind="coolant")
    samples = samples.assign(Na_ppm=samples["Fe_ppm"] * 50, Na_ppm_below=False)
    table = limits(exposure, samples, history)
    assert "Na_ppm" not in set(table["analyte"])
    assert "Fe_ppm" in set(table["analyte"])


def test_practice_table_is_in_order() -> None:
    table = practice_limits()
    real = table[table["measure"] != "none"]
    sign = np.where(real["direction"] == "up", 1, -1)
    assert (sign * (real["alarm"] - real["alert"]) > 0).all()
    assert set(table["analyte"]) <= set(REGISTER.index)
    assert set(table["kind"]) <= {*default_kinds(), "*"}
    assert table["basis"].isin(["published", "common practice", "own choice"]).all()


def test_nothing_at_all_gives_an_empty_table() -> None:
    exposure, samples, history = fleet({"a": 1})
    assert limits(exposure.iloc[:0], samples.iloc[:0], history.iloc[:0]).empty


def test_reruns_and_row_order_do_not_matter() -> None:
    exposure, samples, history = fleet({"a": 9, "b": 12})
    again = limits(exposure, samples.sample(frac=1, random_state=2).reset_index(drop=True), history)
    pd.testing.assert_frame_equal(limits(exposure, samples, history), again)


def test_array_form_equals_one_family_at_a_time() -> None:
    rng = np.random.default_rng(5)
    family, unit = np.repeat([0, 1, 2], 60), np.arange(180) // 6
    x = np.exp(rng.normal(2 + 0.3 * family, 0.5))
    flag = x < 4
    x = np.maximum(x, 4)
    together = fit_families(x, flag, family, np.array([0, 1, 2]), unit)
    for f in range(3):
        at = family == f
        alone = fit_families(x[at], flag[at], np.zeros(60, int), np.array([0]), unit[at])
        np.testing.assert_allclose([together.mu[f], together.s[f], together.n_eff[f]],
        [alone.mu[0], alone.s[0], alone.n_eff[0]], rtol=1e-8)  # fmt: skip
    assert (shrunk_percentiles(together, np.array([0, 1, 2]), SETTINGS.alarm).method != "trimmed and shrunk").all()


@pytest.mark.parametrize("cap", [50, 80])
def test_results_above_a_limit_leave_the_limit_where_their_numbers_would_have_put_it(cap: float) -> None:
    """Iron given as `>50` or `>80`: the fit finds the limit of the whole numbers; with more above 50 than is trimmed
    the bare 50 would not; at 80 either does.
    """
    exposure, samples, history = fleet({"a": 120}, bottles=8)
    whole = iron(limits(exposure, samples, history)).loc["a", "alarm"]
    over = samples["Fe_ppm"] > cap
    cut = samples.assign(Fe_ppm=samples["Fe_ppm"].clip(upper=cap))
    said = iron(limits(exposure, cut.assign(Fe_ppm_above=over), history)).loc["a", "alarm"]
    taken = iron(limits(exposure, cut, history)).loc["a", "alarm"]
    assert said == pytest.approx(whole, rel=0.02)
    if cap == 50:
        assert taken <= 0.95 * whole
    else:
        assert taken == pytest.approx(whole, rel=0.02)
