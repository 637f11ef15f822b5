"""Screens that read whole records: dirt, laboratory days, units, stale bottles, methods, and what the doubts come to.
Invented records with planted faults; what is dirt and what is not is common practice, no source."""

import numpy as np
import pandas as pd
import pytest
from made_learnt import screened

from cmkit.records.analytes import analyte_register
from cmkit.records.settings import default_trust
from cmkit.trust.bottle_arrays import DOUBTS, Panel, make_panel, usual_results
from cmkit.trust.contamination import method_doubts, silicon_doubts, stale_doubts
from cmkit.trust.hours import hours_doubts, screen_hours
from cmkit.trust.laboratory import family_usual, laboratory_doubts, laboratory_shifts, unit_doubts
from cmkit.trust.screen import TRUST

REGISTER = analyte_register()
RULE = default_trust()
METALS = ["Fe_ppm", "Cr_ppm", "Cu_ppm", "Pb_ppm", "Al_ppm", "Si_ppm"]
USUAL = {
    "Fe_ppm": 60.0, "Cr_ppm": 5.0, "Cu_ppm": 12.0, "Pb_ppm": 8.0, "Al_ppm": 6.0, "Si_ppm": 15.0, "Ca_ppm": 2500.0,
    "Zn_ppm": 1100.0,
    "P_ppm": 1000.0, "visc40_cSt": 100.0, "TAN_mgKOH_g": 1.5,
}  # fmt: skip


def records(make_fleet, n=8, machines=4, change=None, seed=0, **more):
    """Two compartments a machine, n bottles each, results steady within 6 %; change(row, machine, i) alters a bottle in
    place.
    """
    rng = np.random.default_rng(seed)
    places, samples, when = [], [], pd.date_range("2026-01-01", periods=n, freq="20D")
    for m in range(machines):
        for side in ("left", "right"):
            name = f"M{m}/drive/{side}"
            places.append(
                {
                    "compartment": name,
                    "machine": f"M{m}",
                    "kind": "final drive",
                    "family": "f",
                    "fluid": "drive oil",
                    "position": side,
                }
            )
            for i, day in enumerate(when):
                row = {"sample": f"{name}-{i}", "compartment": name, "drawn_on": day,
                    "received_on": day + pd.Timedelta(days=3), "method": "pump",
                       "reported_on": day + pd.Timedelta(days=5), "lab": "North",
                       "meter_h": 1000.0 + 200 * i}  # fmt: skip
                row |= {a: round(v * np.exp(0.06 * rng.standard_normal()), 1) for a, v in USUAL.items()}
                if change is not None:
                    change(row, m, i)
                samples.append(row)
    fleet = make_fleet(
        machines=[{"machine": f"M{m}", "site": "A", "kind": "k"} for m in range(machines)],
        compartments=places,
        samples=samples,
        **more,
    )
    return fleet.as_of("2026-12-31")


def filter_rows(known):
    """A stand-in for the wear filter's history: the usual result was expected, give or take a tenth."""
    rows = known.samples.melt(["sample", "compartment", "drawn_on"], METALS, "analyte", "value").dropna(subset="value")
    rows["expected"] = rows["analyte"].map(USUAL).astype(float)
    rows["expected_sd"] = np.sqrt(0.34 + (0.1 * rows["expected"]) ** 2)
    flags = known.samples.set_index("sample")
    rows["below"] = [bool(flags.loc[s, f"{a}_below"]) for s, a in zip(rows["sample"], rows["analyte"], strict=True)]
    rows["above"] = False
    rows["order"] = rows.groupby(["compartment", "analyte"])["drawn_on"].rank(method="first").astype(int) - 1
    return rows


def exposed(known, hours):
    """Usable bottles as the exposure table has them, all on one fluid."""
    usable = hours.loc[hours["usable"], ["sample", "compartment", "run_h"]].sort_values(["compartment", "run_h"])
    return usable.assign(order=usable.groupby("compartment").cumcount(), changed=False)


def screen(known):
    found = screened(known, exposed(known, screen_hours(known)), filter_rows(known), REGISTER)
    return found.trust, found.doubts


def planted(make_fleet, **changes):
    """Records whose last bottle of M0's left drive has `changes`, screened."""

    def change(row, m, i):
        if row["sample"] == "M0/drive/left-7":
            row |= changes

    return screen(records(make_fleet, change=change))


def test_sound_bottles_raise_no_doubt(make_fleet):
    trust, doubts = screen(records(make_fleet))
    assert len(doubts) == 0
    assert list(doubts.columns) == DOUBTS
    assert list(trust.columns) == TRUST
    assert (trust["believed"] > 0.95).all()
    assert trust["words"].str.startswith("no doubt").all()
    assert (trust["words"].str.contains("cannot tell yet").groupby(trust["compartment"]).sum() == 4).all()


@pytest.mark.parametrize(
    ("changes", "doubt", "words"),
    [
        ({"Si_ppm": 60.0}, "dirt in the sample", "nor aluminium"),
        ({"Si_ppm": 60.0, "Al_ppm": 15.0}, "dirt in the sample", "5 parts silicon to one, as in dirt"),
        ({"method": "drain stream"}, "method", "drain stream"),
        ({"method": "other"}, "method", "some other way"),
        ({"drawn_on": pd.Timestamp("2026-03-30")}, "stale", "days after it was drawn"),
        ({"received_on": pd.Timestamp("2026-01-02")}, "stale", "dates cannot be"),
        ({a: 2.6 * USUAL[a] for a in METALS}, "not representative", "bottom or the drain stream"),
        ({a: round(0.3 * USUAL[a], 1) for a in METALS}, "not representative", "fluid change not recorded"),
        ({"Fe_ppm": 60_000.0}, "units", "1,000 times more than usual"),
        ({"TAN_mgKOH_g": 0.0015}, "units", "1,000 times less"),
        ({a: 10 * v for a, v in USUAL.items()}, "units", "10 times more"),
        ({"meter_h": np.nan}, "hours", "not recorded"),
    ],
)  # fmt: skip
def test_each_planted_fault_raises_its_doubt(make_fleet, changes, doubt, words):
    trust, doubts = planted(make_fleet, **changes)
    hit = doubts[doubts["doubt"] == doubt]
    assert list(hit["sample"].unique()) == ["M0/drive/left-7"]
    assert words in hit["reason"].iloc[0]
    assert (hit["todo"] != "").all()
    assert hit["probability"].between(0, 1).all()
    row = trust.set_index("sample").loc["M0/drive/left-7"]
    assert row["n_doubts"] >= 1
    assert row["believed"] <= 0.96
    assert words in row["words"]


def test_real_wear_is_not_a_doubt(make_fleet):
    """Iron and chromium five times up, with silicon and aluminium: the machine, not the bottle. Nor is a tenfold single
    metal a unit mistake.
    """
    for changes in (
        {"Fe_ppm": 300.0, "Cr_ppm": 25.0},
        {"Fe_ppm": 250.0, "Si_ppm": 80.0, "Al_ppm": 20.0, "Cr_ppm": 15.0},
        {"Cu_ppm": 120.0},
    ):
        trust, doubts = planted(make_fleet, **changes)
        assert len(doubts) == 0
        assert (trust["believed"] > 0.95).all()


def test_a_rich_bottle_with_moved_additives_is_not_put_down_to_the_bottom(make_fleet):
    _, doubts = planted(make_fleet, **{a: 2.6 * USUAL[a] for a in [*METALS, "Ca_ppm", "Zn_ppm", "P_ppm"]})
    assert "not representative" not in set(doubts["doubt"])


def test_silicon_that_stays_is_in_the_machine(make_fleet):
    def change(row, m, i):
        if m == 0 and i >= 6 and "left" in row["sample"]:
            row["Si_ppm"] = 60.0

    known = records(make_fleet, change=change)
    out = silicon_doubts(make_panel(known, filter_rows(known), REGISTER), RULE)
    assert list(out["sample"]) == ["M0/drive/left-6"]


def test_exchanged_labels_are_reported_and_nothing_is_moved(make_fleet):
    def change(row, m, i):
        scale = 2.0 if "left" in row["sample"] else 0.5
        if m == 0 and i == 7:
            scale = 1 / scale
        row |= {a: round(row[a] * scale, 1) for a in METALS}

    known = records(make_fleet, change=change)
    history = filter_rows(known)
    history["expected"] *= np.where(history["compartment"].str.contains("left"), 2.0, 0.5)
    history["expected_sd"] = np.sqrt(0.34 + (0.1 * history["expected"]) ** 2)
    hours = screen_hours(known)
    before = known.samples.copy()
    found = screened(known, exposed(known, hours), history, REGISTER)
    trust, doubts = found.trust, found.doubts
    hit = doubts[doubts["doubt"] == "exchange"]
    assert sorted(hit["sample"]) == ["M0/drive/left-7", "M0/drive/right-7"]
    assert hit["reason"].str.contains("labels exchanged").all()
    assert (trust.set_index("sample").loc[hit["sample"], "believed"] < 0.1).all()
    pd.testing.assert_frame_equal(known.samples, before)


def test_a_shifted_laboratory_day_is_seen_and_a_sound_one_is_not(make_fleet):
    def change(row, m, i):
        if i == 6:
            row["Ca_ppm"] *= 1.35

    known = records(make_fleet, change=change)
    shifts = laboratory_shifts(known, REGISTER)
    assert list(shifts["analyte"]) == ["Ca_ppm"]
    assert shifts["log_shift"].iloc[0] == pytest.approx(np.log(1.35), abs=0.06)
    assert (shifts["n"].iloc[0], shifts["machines"].iloc[0]) == (8, 4)
    doubts = laboratory_doubts(known, REGISTER, shifts)
    assert len(doubts) == 8
    assert doubts["reason"].str.contains("calcium").all()
    assert len(laboratory_shifts(records(make_fleet, seed=3), REGISTER)) == 0
    assert len(laboratory_shifts(records(make_fleet, machines=2, change=change), REGISTER)) == 0


def test_results_given_twice(make_fleet):
    copied = {}

    def change(row, m, i):
        if row["sample"] == "M1/drive/left-5":
            copied.update({a: row[a] for a in USUAL})
        if row["sample"] == "M1/drive/right-5":
            row |= copied

    known = records(make_fleet, change=change)
    doubts = laboratory_doubts(known, REGISTER, laboratory_shifts(known, REGISTER))
    assert sorted(doubts["sample"]) == ["M1/drive/left-5", "M1/drive/right-5"]
    assert doubts["reason"].str.contains("same to the last figure").all()


def test_a_newest_reading_off_the_machines_pace_is_doubted(make_fleet):
    def change(row, m, i):
        if m == 0 and i == 7:
            row["meter_h"] = 1000.0 + 200 * 6 + 470

    known = records(make_fleet, change=change)
    doubts = hours_doubts(known, screen_hours(known))
    assert sorted(doubts["sample"]) == ["M0/drive/left-7", "M0/drive/right-7"]
    assert doubts["reason"].str.contains("not this machine's pace").all()


def test_usual_result_is_the_median_of_four_before_of_the_same_compartment():
    """Against pandas' own rolling median."""
    rng = np.random.default_rng(0)
    frame = pd.DataFrame({"sample": [f"S{i:03d}" for i in range(60)], "compartment": rng.choice(list("abc"), 60),
        "x": rng.random(60), "y": rng.random(60),
                          "drawn_on": pd.Timestamp("2026-01-01") + pd.to_timedelta(rng.permutation(60),
                          unit="D")})  # fmt: skip
    frame.loc[rng.choice(60, 9, replace=False), "x"] = np.nan
    usual, count = usual_results(frame, ["x", "y"])
    order = frame.sort_values(["compartment", "drawn_on"])
    for k, name in enumerate(["x", "y"]):
        shifted = order.groupby("compartment")[name].shift()
        rolled = shifted.groupby(order["compartment"]).rolling(4, min_periods=1)
        np.testing.assert_allclose(usual[:, k], rolled.median().droplevel(0).reindex(frame.index))
        np.testing.assert_allclose(count[:, k], rolled.count().droplevel(0).reindex(frame.index))


HOSTILE = "<script>alert(1)</script>"


@pytest.mark.parametrize(
    "rows",
    [
        [],
        [{"sample": "S", "compartment": "c", "drawn_on": "2026-01-01"}],
        [{"sample": "S", "compartment": "c", "drawn_on": "2026-01-01", "Fe_ppm": 10.0, "meter_h": 100.0}],
        [{"sample": f"S{i}", "compartment": c, "drawn_on": "2026-01-01", "Fe_ppm": 10.0, "meter_h": 100.0} for i,
        c in enumerate("cd")],
        [{"sample": f"S{i}", "compartment": "c", "drawn_on": f"2026-0{i + 1}-01", "meter_h": 100.0 + 200 * i,
        **dict.fromkeys(METALS, 1.0),
          **{f"{a}_below": True for a in METALS}} for i in range(7)],
        [{"sample": HOSTILE, "Fe_ppm": 9.0, "compartment": "c", "drawn_on": "2026-01-01", "note": "=HYPERLINK(1)",
        "sampler": HOSTILE, "lab": HOSTILE, "method": "drain stream"}],
        [{"sample": f"S{i}", "compartment": "c", "drawn_on": "2026-01-01", "meter_h": 5.0, "Fe_ppm": 0.0,
        "visc40_cSt": 0.0, "Ca_ppm": 1e300} for i in range(30)],
        [{"sample": f"S{i}", "compartment": "c", "drawn_on": f"2026-01-{i + 1:02d}", "meter_h": 100.0 + i, "pH": 8.0,
        "nitrite_ppm": 900.0} for i in range(9)],
    ],
)  # fmt: skip
def test_poor_and_hostile_records_neither_crash_nor_convince(make_fleet, rows):
    places = [{"compartment": c, "machine": "M", "kind": "final drive", "family": "f", "fluid": HOSTILE} for c in "cd"]
    known = make_fleet(machines=[{"machine": "M", "site": "A", "kind": "k"}], compartments=places, samples=rows).as_of(
        "2026-12-31"
    )
    trust, doubts = screen(known)
    assert len(trust) == len(known.samples)
    assert trust["believed"].between(0, 1).all()
    assert (trust["words"] != "").all()
    assert not (doubts["doubt"] == "exchange").any()
    assert doubts["value"].notna().all()
    assert (doubts["reason"] != "").all()


def test_a_family_wrong_by_a_thousand_from_its_first_bottle(make_fleet):
    """The compartment has no other history to go by: its family has."""

    def change(row, m, i):
        if m == 0 and "left" in row["sample"]:
            row |= {a: row[a] * 1000 for a in METALS}

    known = records(make_fleet, change=change)
    doubts = unit_doubts(known, REGISTER, family_usual(known, REGISTER))
    assert "M0/drive/left-0" in set(doubts["sample"])
    assert not doubts["sample"].str.contains("M[123]").any()


def test_no_register_analyte_at_all(make_fleet):
    known = records(make_fleet)
    hours = screen_hours(known)
    nothing = filter_rows(known).iloc[:0]
    trust = screened(known, exposed(known, hours), nothing, REGISTER).trust
    assert len(trust) == len(known.samples)
    panel = make_panel(known, nothing, REGISTER)
    assert isinstance(panel, Panel)
    assert len(silicon_doubts(panel, RULE)) == 0


def test_method_and_stale_take_missing_words(make_fleet):
    known = make_fleet(samples=[{"sample": "S", "compartment": "c", "drawn_on": "2026-01-01", "Fe_ppm": 9.0}]).as_of(
        "2026-12-31"
    )
    assert len(method_doubts(known.samples, RULE)) == len(stale_doubts(known.samples, RULE)) == 0
