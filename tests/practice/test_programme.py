"""Measures of the programme against counts made by hand."""

import numpy as np
import pandas as pd

from cmkit.practice.programme import as_one, programme_measures
from cmkit.practice.replay import RECORD
from cmkit.tables.frames import check, empty, typed


def measured(make_fleet) -> pd.DataFrame:
    """Two compartments; four bottles in April and May, one alarm confirmed, one failure without warning, one look in
    vain.
    """
    days = ["2026-04-02", "2026-04-20", "2026-05-10", "2026-05-11"]
    samples = [{"sample": f"s{i}", "compartment": f"M/{'ab'[i % 2]}", "drawn_on": d,
        "reported_on": pd.Timestamp(d) + pd.Timedelta(days=4 + 2 * i), "Fe_ppm": 5.0} for i,
        d in enumerate(days)]  # fmt: skip
    fleet = make_fleet(
        settings={"kinds": {"engine": {"sample_cost": 40.0}}},
        sites=[{"site": "S"}], machines=[{"machine": "M", "site": "S"}],
        compartments=[{"compartment": c, "machine": "M", "kind": "engine", "sample_every_h": 250.0} for c in ("M/a",
        "M/b")],
        samples=samples,
    )  # fmt: skip
    exposure = pd.DataFrame({"sample": ["s0", "s1", "s2", "s3"], "hours": [np.nan, 250.0, 270.0, 280.0]})
    bottles = pd.DataFrame({"sample": ["s0", "s1", "s2", "s3"], "believed": [0.99, 0.9, 0.5, 0.49]})
    row = dict.fromkeys(RECORD, "") | {
        "run_h": 1.0,
        "bottles": 1,
        "lead_h": np.nan,
        "cost": 500.0,
        "alarm_on": pd.NaT,
        "known_on": pd.NaT,
        "found_on": pd.NaT,
    }
    april, may = pd.Timestamp("2026-04-24"), pd.Timestamp("2026-05-20")
    record = typed([
        row | {"compartment": "M/a", "alarm_on": april, "known_on": april, "found_on": may, "outcome": "defect",
        "lead_h": 120.0},
        row | {"compartment": "M/b", "alarm_on": april, "known_on": april, "found_on": april, "outcome": "no defect"},
        row | {"compartment": "M/b", "found_on": may, "outcome": "failed"},
    ], "record")  # fmt: skip
    out = programme_measures(fleet.as_of("2026-06-30"), exposure, bottles, record)
    check(out, "programme")
    return out


def test_counts_by_hand(make_fleet) -> None:
    april, may, june = (row for _, row in measured(make_fleet).iterrows())
    assert [r["month"] for r in (april, may, june)] == ["2026-04", "2026-05", "2026-06"]
    assert april[["bottles", "alarms", "looked", "confirmed", "failures"]].tolist() == [2, 2, 1, 0, 0]
    assert may[["bottles", "alarms", "looked", "confirmed", "failures", "warned"]].tolist() == [2, 0, 1, 1, 1, 0]
    assert april["kept"] == 1.0
    assert may["kept"] == 0.5  # 270 h is within a tenth of 250 h, 280 h is not
    assert (april["believed"], may["believed"]) == (1.0, 0.5)
    assert (april["turnaround_days"], may["turnaround_days"]) == (5.0, 9.0)
    assert april["alarms_per_100"] == 100.0
    assert april["cost"] == 2 * 40 + 500
    assert (may["cost"], may["cost_per_bottle"], may["lead_h"]) == (80.0, 40.0, 120.0)
    assert june["bottles"] == 0
    assert np.isnan(june["kept"])


def test_parts_of_a_site_become_the_site(make_fleet) -> None:
    one = measured(make_fleet)
    pd.testing.assert_frame_equal(as_one(one), one)
    both = as_one(pd.concat([one, one], ignore_index=True))
    check(both, "programme")
    pd.testing.assert_series_equal(both["bottles"], 2 * one["bottles"])
    for name in ("kept", "believed", "turnaround_days", "cost_per_bottle"):
        pd.testing.assert_series_equal(both[name], one[name])


def test_a_fleet_with_one_bottle_and_no_alarm_has_its_months(make_fleet) -> None:
    fleet = make_fleet(
        sites=[{"site": "S"}],
        machines=[{"machine": "M", "site": "S"}],
        compartments=[{"compartment": "M/a", "machine": "M", "kind": "engine"}],
        samples=[
            {"sample": "s", "compartment": "M/a", "drawn_on": "2026-05-02", "reported_on": "2026-05-09", "Fe_ppm": 5.0}
        ],
    )
    exposure, bottles = (
        pd.DataFrame({"sample": ["s"], "hours": [np.nan]}),
        pd.DataFrame({"sample": ["s"], "believed": [1.0]}),
    )
    out = programme_measures(fleet.as_of("2026-06-30"), exposure, bottles, empty("record"))
    check(out, "programme")
    assert out["bottles"].tolist() == [1, 0]
    assert out["alarms"].tolist() == [0, 0]
    nothing = programme_measures(make_fleet().as_of("2026-06-30"), exposure.iloc[:0], bottles.iloc[:0], empty("record"))
    check(nothing, "programme")
