"""Fleets with few records or odd lives through the whole of `assess`: nothing crashes, warns, or is silently confident.

Warnings are errors in this suite. What is expected of a result follows from how the records were made
(`made_drives.py`), not from an outside source.
"""

import numpy as np
from made_drives import FIRST, RATES, drives, verdict

from tests.lengths import some_or_all


def test_nothing_wrong_is_said_to_be_nothing_wrong(plain) -> None:
    """One bottle in a thousand looks like no fluid known, by the threshold's own meaning: of 54 it may be one."""
    assert (plain.verdicts["state"] == "clear").all()
    assert set(plain.doubts["doubt"]) <= {"fluid"}
    assert len(plain.doubts) <= 1


# --- few records, or none


def test_no_services_meters_or_findings(judged) -> None:
    result = judged({k: v for k, v in drives().items() if k not in ("services", "meters", "findings")})
    assert (result.verdicts["state"] != "alarm").all()
    assert result.exposure["hours"].dropna().eq(250).all()


def test_machines_without_a_bottle(judged) -> None:
    rows = drives(machines=2)
    result = judged(rows | {"samples": [], "services": [], "meters": []})
    assert (result.verdicts["state"] == "not known").all()
    assert result.due["overdue"].all()
    assert result.intervals["advised_h"].isna().all()


def test_a_site_without_machines_and_a_machine_without_compartments(judged) -> None:
    rows = drives(machines=2)
    rows["sites"].append({"site": "South"})
    rows["machines"].append({"machine": "lone", "site": "South", "kind": "grader"})
    result = judged(rows)
    assert result.for_site("South").verdicts.empty
    assert set(result.for_site("North").verdicts["compartment"]) == {"M1 drive", "M2 drive"}


def test_one_machine_of_one_kind_has_no_family_to_be_held_against(judged) -> None:
    result = judged(drives(machines=1))
    assert verdict(result, "M1 drive")["state"] in ("clear", "alert")
    own = result.limits[~result.limits["method"].isin(["maker", "practice"])]
    assert own["n_eff"].lt(30).all()
    assert own["method"].isin(["not judged", "tolerance"]).all()
    assert set(result.numbers["basis"]) <= {"register", "parent"}


def test_one_bottle_a_compartment_is_judged_by_its_family(judged) -> None:
    """One of them thirty times the others, judged by its family alone: that one is raised, and a repeat bottle asked
    for.
    """
    result = judged(drives(bottles=1, machines=8, sick={"M3 drive": 30.0}), day="2025-06-30")
    high = verdict(result, "M3 drive")
    assert (high["state"], high["asks"]) == ("alarm", "repeat")
    others = result.verdicts[result.verdicts["compartment"] != "M3 drive"]
    assert set(others["state"]) <= {"clear", "not known"}
    assert result.doubts.loc[result.doubts["doubt"] == "exchange"].empty


def test_bottles_without_hours_are_not_known(judged) -> None:
    rows = drives(machines=3)
    for s in rows["samples"]:
        del s["meter_h"]
    for m in rows["machines"]:
        del m["meter_h_at_start"]
    result = judged(rows | {"services": [], "meters": []})
    assert not result.hours["usable"].any()
    assert (result.verdicts["state"] == "not known").all()
    assert set(result.doubts["doubt"]) >= {"hours"}
    assert result.wear.empty


def test_everything_on_one_day(judged) -> None:
    rows = drives(machines=3, bottles=4)
    for s in rows["samples"]:
        s |= {"drawn_on": FIRST, "received_on": FIRST, "reported_on": FIRST, "meter_h": 1250.0}
    result = judged(rows | {"services": [], "meters": []}, day="2025-01-06")
    assert "alarm" not in set(result.verdicts["state"])


def test_only_coolant(judged) -> None:
    rows = drives(machines=3, change=4000)
    for c in rows["compartments"]:
        c |= {"kind": "coolant", "fluid": "coolant", "grade": "", "family": "hauler coolant"}
    for n, s in enumerate(rows["samples"]):
        s |= {"pH": 8.0 - 0.02 * (n % 9), "nitrite_ppm": 1200.0, "glycol_vol_pct": 50.0}
        s |= dict.fromkeys(RATES, 1.0)
    result = judged(rows)
    assert "alarm" not in set(result.verdicts["state"])
    assert set(result.verdicts["kind"]) == {"coolant"}


# --- lives and fluids unlike the usual


def test_heavy_top_up_is_allowed_for(judged) -> None:
    """A tenth of a litre an hour into a charge of 60 l: ppm over hours shows a quarter of the wear, the corrected rate
    shows it.
    """
    rows, loss = drives(change=100_000), 0.1 / 60.0
    for s in rows["samples"]:
        hours = s["meter_h"] - 1000.0
        s |= {a: round(r * (1 - np.exp(-loss * hours)) / loss) for a, r in RATES.items()} | {"makeup_l": 25.0}
    result = judged(rows)
    iron = result.wear[result.wear["analyte"] == "Fe_ppm"]
    assert (iron["value"] / 2250 < 0.3 * RATES["Fe_ppm"]).all()
    assert iron["rate"].between(0.8 * RATES["Fe_ppm"], 1.2 * RATES["Fe_ppm"]).all()
    assert "alarm" not in set(result.verdicts["state"])


def test_a_fluid_changed_before_every_bottle(judged) -> None:
    result = judged(drives(change=250.0))
    later = result.exposure[result.exposure["order"] > 0]
    assert later["changed"].all()
    assert "alarm" not in set(result.verdicts["state"])
    iron = result.wear[result.wear["analyte"] == "Fe_ppm"].set_index("compartment")
    assert (iron["rate"].between(0.04, 0.16)).all()


def test_components_replaced_before_every_bottle(judged) -> None:
    """Every life has one bottle: nothing to trend."""
    rows = drives(change=250.0)
    for s in rows["services"]:
        s["kind"] = "replace"
    result = judged(rows)
    assert set(result.exposure["order"]) == {0}
    trend = result.evidence[result.evidence["rule"].isin(["one-step departure", "sustained rise"])]
    assert "alarm" not in set(trend["state"])


@some_or_all("capacity", [0.0, None, 0.001, 1e9])
def test_a_capacity_that_cannot_be(judged, capacity) -> None:
    rows = drives(machines=3)
    for c in rows["compartments"]:
        c["capacity_l"] = capacity
    for s in rows["samples"][::3]:
        s["makeup_l"] = 3.0
    rows["services"].append(
        {
            "service": "t",
            "compartment": "M1 drive",
            "done_on": "2025-06-01",
            "meter_h": 1730.0,
            "kind": "top-up",
            "volume_l": 5.0,
        }
    )
    result = judged(rows)
    assert np.isfinite(result.exposure[["phi", "psi", "chi"]]).all().all()
    assert "alarm" not in set(result.verdicts["state"])
