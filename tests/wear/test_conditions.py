"""Condition results against limits: which side, which state, against what fresh value; on hand-made bottles.

The limits of practice used here are common practice (no source); what is checked is that they are applied as written.
"""

import numpy as np
import pandas as pd
import pytest
from made_learnt import made_learnt

from cmkit.records.analytes import analyte_register, below, by_rule
from cmkit.records.fleet import Fleet
from cmkit.records.settings import Settings, default_kinds
from cmkit.tables.frames import names
from cmkit.wear.conditions import EVIDENCE, fresh_values, judge_conditions, relative_to_fresh
from cmkit.wear.limits import LIMITS, family_limits

REGISTER = analyte_register()
DAY = pd.Timestamp("2026-01-01")


def fleet(results: dict[str, list], kind: str = "engine", grade: str = "SAE 15W-40", fluid_h: list | float = 250.0,
    services: list[tuple] = ()) -> tuple[Fleet, pd.DataFrame]:  # fmt: skip
    """One compartment with a bottle a month; `results` by analyte, `None` for missing, `<` before a number for below
    the limit.
    """
    n = len(next(iter(results.values())))
    samples = pd.DataFrame(
        {
            "sample": [f"s{i}" for i in range(n)],
            "compartment": "c",
            "drawn_on": DAY + pd.to_timedelta(30 * np.arange(n), unit="D"),
        }
    )
    for name in ("reported_on", "received_on"):
        samples[name] = samples["drawn_on"] + pd.Timedelta(days=5)
    samples["fluid_h"], samples["meter_h"] = fluid_h, np.nan
    for name, values in results.items():
        samples[name] = [np.nan if v is None else float(str(v).lstrip("<")) for v in values]
        samples[below(name)] = [str(v).startswith("<") for v in values]
    compartments = pd.DataFrame(
        {"compartment": ["c"], "machine": ["m"], "kind": [kind], "family": ["f"], "fluid": ["oil"], "grade": [grade]}
    )
    work = pd.DataFrame([(*done, *[""] * (6 - len(done))) for done in services],
        columns=["compartment", "kind", "done_on", "fluid", "grade", "batch"]).astype({"done_on": "datetime64[us]",
        "fluid": "str", "grade": "str", "batch": "str", "compartment": "str"}).assign(meter_h=np.nan)  # fmt: skip
    empty = pd.DataFrame()
    known = Fleet(
        settings=Settings(name="invented", kinds=default_kinds()), sites=empty,
        machines=pd.DataFrame({"machine": ["m"], "site": ["north"]}),
        compartments=compartments, samples=samples, services=work, meters=empty, findings=empty, corrections=empty,
        set_aside=empty,
        repairs=empty, counts=empty, date=DAY,
    )  # fmt: skip
    exposure = samples[["sample", "compartment", "drawn_on", "fluid_h"]].assign(
        kind=kind, family="f", machine="m", site="north", life=1, order=range(n)
    )
    return known, exposure


def judged(known: Fleet, exposure: pd.DataFrame, limits: pd.DataFrame | None = None) -> pd.DataFrame:
    if limits is None:
        history = pd.DataFrame(
            columns=["analyte", "order", "rate", "rate_sd", "family", "below", "above", "compartment"]
        )
        limits = family_limits(exposure, known.samples, history, known.settings, register=REGISTER)
    fresh = fresh_values(known, exposure, relative_to_fresh(limits, REGISTER))
    return judge_conditions(known, exposure, made_learnt(limits=limits, fresh=fresh), REGISTER)


def limit(
    analyte: str, alert: float, alarm: float, direction: str = "up", method: str = "practice", measure: str = "level"
) -> pd.DataFrame:
    row = {
        "family": "f",
        "analyte": analyte,
        "measure": measure,
        "direction": direction,
        "alert": alert,
        "alarm": alarm,
        "method": method,
    }
    return pd.DataFrame([row], columns=LIMITS)


def test_level_alert_and_alarm_at_their_bounds() -> None:
    rows = judged(*fleet({"fuel_pct": [1.9, 2.0, 4.9, 5.0, "<6", None]}))
    assert list(rows.columns) == EVIDENCE
    assert rows[["sample", "state", "threshold", "operator"]].values.tolist() == [
        ["s1", "alert", 2.0, ">="], ["s2", "alert", 2.0, ">="], ["s3", "alarm", 5.0, ">="],
    ]  # fmt: skip
    assert set(rows["rule"]) == {"condition"}
    assert (rows["known_on"] - rows["drawn_on"]).dt.days.tolist() == [5, 5, 5]


def test_falling_base_number_by_level_and_by_share_of_fresh() -> None:
    """Fresh is learnt from five young bottles (10); half gone is an alert, 2 mg KOH/g an alarm; one row a bottle, the
    worst.
    """
    hours = [10.0] * 5 + [400.0] * 4
    rows = judged(*fleet({"TBN_mgKOH_g": [9.8, 10, 10.2, 10, 10, 6.0, 4.9, 1.9, "<2"]}, fluid_h=hours))
    assert rows[["sample", "state"]].values.tolist() == [["s6", "alert"], ["s7", "alarm"], ["s8", "alarm"]]
    assert "51% below fresh (10 mg KOH/g)" in rows["words"].iloc[0]
    assert "below 2" in rows["words"].iloc[2]


def test_viscosity_both_ways_against_the_grade_where_nothing_is_learnt() -> None:
    """SAE 15W-40: middle of grade 40 is 14.4 mm2/s (SAE J300, from memory); 10 % watch and 20 % act
    is common practice.
    """
    rows = judged(*fleet({"visc100_cSt": [14.0, 12.9, 11.5, 15.9, 17.3]}))
    assert rows[["sample", "state", "operator"]].values.tolist() == [
        ["s1", "alert", "<="], ["s2", "alarm", "<="], ["s3", "alert", ">="], ["s4", "alarm", ">="],
    ]  # fmt: skip
    np.testing.assert_allclose(rows["threshold"], 14.4 * np.array([0.9, 0.8, 1.1, 1.2]))


def test_own_young_bottles_come_before_the_grade() -> None:
    """An oil that is 15.9 when fresh is not thick for its grade: it is as it was."""
    known, exposure = fleet({"visc100_cSt": [15.9] * 6}, fluid_h=20.0)
    assert judged(known, exposure).empty
    fresh = fresh_values(known, exposure, ["visc100_cSt"]).iloc[0]
    assert (fresh["fresh"], fresh["basis"], fresh["n"]) == (15.9, "young bottles", 6)


def test_trend_is_carried_back_where_no_bottle_is_young() -> None:
    hours = np.array([250.0, 500] * 8) + np.arange(16)
    known, exposure = fleet({"TBN_mgKOH_g": (10 - 0.008 * hours).tolist()}, fluid_h=hours.tolist())
    fresh = fresh_values(known, exposure, ["TBN_mgKOH_g"]).iloc[0]
    assert fresh["basis"] == "trend"
    assert fresh["fresh"] == pytest.approx(10, rel=1e-6)


def test_without_any_fresh_value_a_relative_limit_is_not_judged() -> None:
    known, exposure = fleet({"visc40_cSt": [30.0, 300.0]})
    assert judged(known, exposure).empty
    fresh = fresh_values(known, exposure, ["visc40_cSt"]).iloc[0]
    assert np.isnan(fresh["fresh"])
    assert "its grade does not say" in fresh["words"]


def test_another_grade_put_in_is_held_against_its_own_grade_from_the_next_bottle_on() -> None:
    change = [("c", "change", DAY + pd.Timedelta(days=30), "", "SAE 10W-30")]
    rows = judged(*fleet({"visc100_cSt": [14.4, 14.4, 14.4]}, services=change))
    assert rows["sample"].tolist() == ["s2"]
    assert rows["state"].tolist() == ["alarm"]


def test_a_bottle_is_held_against_the_batch_in_its_compartment() -> None:
    """Delivered at 16.0 mm2/s, so that 14.0 is 12 % thinner (an alert from 10 %), which by the grade's middle of 14.4
    it is not; a later change whose batch nobody wrote down, or one nobody measured, is held against the grade again.
    """
    batch = pd.DataFrame([dict.fromkeys(names("batch_results")) | {
        "site": "north", "batch": "D-1", "analyte": "visc100_cSt", "value": 16.0}])  # fmt: skip
    for label, later, said in (
        ("d-1 ", [], ["s1", "s2", "s3"]),
        ("D-9", [], []),
        ("D-1", [("c", "change", DAY + pd.Timedelta(days=40), "", "", "")], ["s1"]),
    ):
        work = [("c", "change", DAY + pd.Timedelta(days=10), "oil", "SAE 15W-40", label), *later]
        known, exposure = fleet({"visc100_cSt": [14.0] * 4}, services=work)
        limits = limit("visc100_cSt", -0.1, -0.2, "down", measure="change")
        fresh = fresh_values(known, exposure, ["visc100_cSt"])
        learnt = made_learnt(limits=limits, fresh=fresh, batch_results=batch)
        rows = judge_conditions(known, exposure, learnt, REGISTER)
        assert rows["sample"].tolist() == said, label
    assert rows["state"].tolist() == ["alert"]


def test_cleanliness_is_judged_by_code_and_not_by_count() -> None:
    """Code 20 is 5000 to 10 000 per ml (ISO 4406:2021), code 21 to 20 000."""
    known, exposure = fleet({"p4_per_ml": [5000, 5001, 10_000, 10_001]}, kind="hydraulic", grade="ISO VG 46")
    rows = judged(known, exposure)
    assert rows[["sample", "value", "state", "unit"]].values.tolist() == [
        ["s1", 20, "alert", "ISO 4406 code"], ["s2", 20, "alert", "ISO 4406 code"],
        ["s3", 21, "alarm", "ISO 4406 code"],
    ]  # fmt: skip


def test_coolant_turned_acid_and_thin() -> None:
    rows = judged(*fleet({"pH": [8.5, 7.4, 6.9], "glycol_vol_pct": [50, 39, 70]}, kind="coolant", grade="glycol 50 %"))
    assert rows[["sample", "analyte", "state"]].values.tolist() == [
        ["s1", "glycol_vol_pct", "alert"], ["s1", "pH", "alert"], ["s2", "glycol_vol_pct", "alarm"],
        ["s2", "pH", "alarm"],
    ]  # fmt: skip


def test_acid_caught_up_with_base() -> None:
    rows = judged(*fleet({"TBN_mgKOH_g": [6.0, 5.0], "TAN_mgKOH_g": [4.0, 5.0]}))
    assert rows["sample"].tolist() == ["s1"]
    assert "reserve is spent" in rows["words"].iloc[0]


def test_a_percentile_gives_an_alert_only_and_a_missing_limit_nothing() -> None:
    known, exposure = fleet({"Na_ppm": [10.0, 500.0]})
    rows = judged(known, exposure, limit("Na_ppm", 20, 40, method="trimmed and shrunk"))
    assert rows[["sample", "state", "rule", "threshold"]].values.tolist() == [["s1", "alert", "family limit", 40.0]]
    unsure = limit("Na_ppm", 20, 40, method="tolerance").assign(alarm_high=600.0)
    assert judged(known, exposure, unsure).empty
    assert judged(known, exposure, limit("Na_ppm", np.nan, np.nan, method="not judged")).empty


def test_a_makers_limit_downwards_takes_a_censored_result_too() -> None:
    known, exposure = fleet({"nitrite_ppm": [900, "<300"]}, kind="coolant")
    rows = judged(known, exposure, limit("nitrite_ppm", 600, 400, "down", "maker"))
    assert rows[["sample", "state", "rule", "operator"]].values.tolist() == [["s1", "alarm", "maker limit", "<="]]


def test_bottles_without_usable_hours_are_judged_too() -> None:
    known, exposure = fleet({"fuel_pct": [6.0, 6.0]})
    assert judged(known, exposure.iloc[:1], limit("fuel_pct", 2, 5))["sample"].tolist() == ["s0", "s1"]


def test_every_analyte_of_these_rules_passes_through_and_nothing_gives_nothing() -> None:
    names = by_rule(REGISTER, "level", "falling", "two-sided", "ordinal")
    known, exposure = fleet({a: [1.0, 2.0, None] for a in names})
    assert set(judged(known, exposure)["analyte"]) <= set(names)
    known, exposure = fleet({"fuel_pct": []}, fluid_h=[])
    assert list(judged(known, exposure, limit("fuel_pct", 2, 5)).columns) == EVIDENCE


def test_a_result_above_its_limit_passes_an_upper_limit_for_certain_and_no_lower_one() -> None:
    """Water `>5000 ppm` is over any usual limit; a base number `>2` may be 12 and says nothing of a low limit of 3."""
    known, exposure = fleet({"water_ppm": [5000, 5000], "TBN_mgKOH_g": [2, 2]})
    limits = pd.DataFrame(
        {"family": "f", "analyte": ["water_ppm", "TBN_mgKOH_g"], "measure": "level", "direction": ["up", "down"],
        "alert": [1000.0, 4.0], "alarm": [2000.0, 3.0],
         "alarm_low": np.nan, "alarm_high": np.nan, "n": 0, "n_eff": np.nan, "method": "maker", "words": ""}
    )  # fmt: skip
    known.samples["water_ppm_above"] = [True, False]
    known.samples["TBN_mgKOH_g_above"] = [True, False]
    rows = judged(known, exposure, limits)
    assert rows[["sample", "analyte", "state"]].values.tolist() == [
        ["s0", "water_ppm", "alarm"], ["s1", "TBN_mgKOH_g", "alarm"], ["s1", "water_ppm", "alarm"]
    ]  # fmt: skip
    assert rows["words"][0] == "water above 5,000 ppm, at or above the limit set for it of 2,000 ppm"
