"""Fleets unlike any reference one through the whole of `assess`: nothing crashes, warns, or is silently confident.

Small hand-made fleets of final drives (and a little else) whose truth is plain: metals rise at an invented steady rate, `RATES`, scattered by
8 %, and nothing is wrong unless the test makes it so. Warnings are errors in this suite. What is expected of a result follows from
how the records were made, not from an outside source.
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from cmkit.assess import assess_fleet
from cmkit.assessment import Assessment, load_assessment, table_names
from cmkit.errors import RecordsError
from cmkit.records.fleet import Fleet
from cmkit.tables.records import TABLES

RATES = {"Fe_ppm": 0.08, "Cu_ppm": 0.012, "Cr_ppm": 0.01, "Al_ppm": 0.012, "Si_ppm": 0.03, "Pb_ppm": 0.008}
ADDITIVES = {"P_ppm": 900.0, "Zn_ppm": 1000.0, "Ca_ppm": 2500.0}
FIRST = pd.Timestamp("2025-01-06")
TODAY = "2026-06-30"
RAISED = ("alert", "alarm")
Rows = dict[str, list[dict[str, Any]]]


def drives(
    machines: int = 6,
    bottles: int = 9,
    every: float = 250.0,
    change: float = 2000.0,
    sick: dict[str, float] | None = None,
    seed: int = 1,
) -> Rows:
    """Rows of a fleet of machines with one final drive each: a bottle every `every` hours and 50 days, a fluid change every `change` hours.

    sick: compartment -> factor on its wear rates.
    """  # fmt: skip
    rng = np.random.default_rng(seed)
    rows: Rows = {
        name: [] for name in ("sites", "machines", "compartments", "samples", "services", "meters", "findings")
    }
    rows["sites"] = [{"site": "North", "downtime_cost_per_h": 300.0}]
    for k in range(machines):
        machine, place = f"M{k + 1}", f"M{k + 1} drive"
        rows["machines"].append(
            {
                "machine": machine,
                "site": "North",
                "kind": "hauler",
                "size_class": "large",
                "in_service_on": FIRST,
                "meter_h_at_start": 1000.0,
            }
        )
        rows["compartments"].append({"compartment": place, "machine": machine, "kind": "final drive", "capacity_l": 60.0, "fluid": "gear oil",
                                     "grade": "SAE 50", "sample_every_h": every, "change_every_h": change, "family": "hauler final drive"})  # fmt: skip
        rows["samples"] += _bottles(
            place, bottles, every, change, (sick or {}).get(place, 1.0) * rng.lognormal(0, 0.2), rng
        )
        for n in range(1, int(bottles * every / change) + 1):
            rows["services"].append({"service": f"{place} {n}", "compartment": place, "done_on": FIRST + pd.Timedelta(days=n * change / 5),
                                     "meter_h": 1000.0 + n * change, "kind": "change", "volume_l": 60.0})  # fmt: skip
        rows["meters"].append(
            {
                "machine": machine,
                "read_on": FIRST + pd.Timedelta(days=bottles * every / 5 + 1),
                "meter_h": 1000.0 + bottles * every + 5,
            }
        )
    return rows


def _bottles(
    place: str, bottles: int, every: float, change: float, times: float, rng: np.random.Generator
) -> list[dict[str, Any]]:
    """Bottles at 5 h a day, each drawn on the fluid that has run since the last change (a bottle comes before the change of its day)."""
    out = []
    for n in range(1, bottles + 1):
        hours = n * every
        age = hours % change or change
        drawn = FIRST + pd.Timedelta(days=hours / 5)
        results = {a: float(np.round(times * r * age * rng.lognormal(0, 0.08) + 1)) for a, r in RATES.items()}
        results |= {a: float(np.round(v * rng.lognormal(0, 0.03))) for a, v in ADDITIVES.items()}
        out.append({"sample": f"{place}/{n}", "compartment": place, "drawn_on": drawn, "meter_h": 1000.0 + hours, "method": "pump", "sampler": "A",
                    "lab": "Laboratory A", "received_on": drawn + pd.Timedelta(days=3), "reported_on": drawn + pd.Timedelta(days=5), **results})  # fmt: skip
    return out


@pytest.fixture(scope="module")
def judged(make_fleet, tmp_path_factory):
    """`judged(rows)` or `judged(fleet)` -> its Assessment today, after the checks that hold of any fleet."""

    def run(records: Rows | Fleet, settings: dict | None = None, day: str = TODAY) -> Assessment:
        fleet = records if isinstance(records, Fleet) else make_fleet(settings=settings, **records)
        result = assess_fleet(fleet, day)
        _check_any(fleet, result)
        result.save(tmp_path_factory.mktemp("run"))
        return result

    return run


def _check_any(fleet: Fleet, result: Assessment) -> None:
    """What holds of any fleet: a verdict with a reason for every working compartment, chances within 0..1, no number gone astray in words."""
    machines = fleet.machines[fleet.machines["retired_on"].isna()]
    places = fleet.compartments[fleet.compartments["machine"].isin(machines["machine"])]
    assert sorted(result.verdicts["compartment"]) == sorted(places["compartment"])
    assert set(result.verdicts["state"]) <= {"clear", "alert", "alarm", "not known"}
    assert (result.verdicts["reason"].str.len() > 0).all()
    unknown = result.verdicts[result.verdicts["state"] == "not known"]
    assert (unknown["todo"].str.len() > 0).all()
    for chance in (
        result.trust["believed"],
        result.forecast["chance"],
        result.waiting["chance"],
        result.doubts["probability"],
    ):
        assert chance.dropna().between(0, 1).all()
    assert result.samples["sample"].is_unique
    assert sorted(result.trust["sample"]) == sorted(result.samples["sample"])
    for name in (
        "verdicts",
        "doubts",
        "evidence",
        "limits",
        "forecast",
        "orders",
        "reasons",
        "intervals",
        "waiting",
        "record",
        "cards",
    ):
        frame = getattr(result, name)
        for column in frame.columns.intersection(
            ["reason", "todo", "words", "how_sure", "evidence_for", "evidence_against", "changes", "tube_words"]
        ):
            astray = frame[column].fillna("").str.contains(r"\bnan\b|\bNaN\b|\bNaT\b|\binf\b|\bNone\b|<NA>", regex=True)
            assert not astray.any(), f"{name}.{column}: {frame.loc[astray, column].iloc[0]}"


def verdict(result: Assessment, place: str) -> pd.Series:
    return result.verdicts.set_index("compartment").loc[place]


@pytest.fixture(scope="module")
def plain(judged) -> Assessment:
    """The fleet as it is, with nothing wrong."""
    return judged(drives())


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
    """One of them thirty times the others, judged by its family alone: that one is raised, and a repeat bottle asked for."""
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
    """A tenth of a litre an hour into a charge of 60 l: ppm over hours shows a quarter of the wear, the corrected rate shows it."""
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


@pytest.mark.parametrize("capacity", [0.0, None, 0.001, 1e9])
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


# --- results that mislead


def test_all_results_below_the_limit_give_no_alarm(judged) -> None:
    rows = drives()
    for s in rows["samples"]:
        s |= dict.fromkeys(RATES, 5.0) | {f"{a}_below": True for a in RATES}
    result = judged(rows)
    assert not set(result.verdicts["state"]) & set(RAISED)
    own = result.limits[result.limits["analyte"].isin(RATES)]
    assert own["method"].eq("not judged").all()
    assert own.loc[own["measure"] == "level", "words"].str.contains("below the reporting limit").all()


@pytest.mark.parametrize("times", [1000.0, 0.001])
def test_one_laboratory_in_the_wrong_unit(judged, times) -> None:
    """A second laboratory reports mg as g, or the other way round: a `units` doubt on its bottles, no limit moves by a factor of 1.2."""
    rows, right = drives(), drives()
    for s in rows["samples"][4::5]:
        s |= {a: s[a] * times for a in [*RATES, *ADDITIVES]} | {"lab": "Laboratory B"}
    wrong = {s["sample"] for s in rows["samples"][4::5]}
    result, sound = judged(rows), judged(right)
    doubted = result.doubts[result.doubts["doubt"] == "units"]
    assert len(wrong - set(doubted["sample"])) <= 0.1 * len(wrong)
    assert set(doubted["sample"]) <= wrong
    believed = result.trust.set_index("sample")["believed"]
    assert believed.reindex(sorted(set(doubted["sample"]))).max() < 0.5
    key = ["family", "analyte", "measure", "direction"]
    both = result.limits.merge(sound.limits, on=key, suffixes=("", "_sound")).dropna(subset=["alarm", "alarm_sound"])
    assert len(both) > 5
    assert (both["alarm"] / both["alarm_sound"]).between(1 / 1.2, 1.2).all()
    newest = result.verdicts.set_index("compartment")
    newest = newest[
        newest["sample"].isin(doubted["sample"])
    ]  # a doubted result asks for another bottle, and is never called clear
    assert len(newest)
    assert (newest["state"] != "clear").all()
    assert (newest["asks"] == "repeat").all()
    iron = both[(both["analyte"] == "Fe_ppm") & (both["measure"] == "rate")]
    assert len(iron) == 1


def test_one_column_in_the_wrong_unit(judged) -> None:
    """Iron of every bottle from the middle on in per mille of its value: doubted, and no other limit moves."""
    rows = drives()
    late = [s for s in rows["samples"] if int(s["sample"].split("/")[1]) >= 6]
    for s in late:
        s["Fe_ppm"] *= 1000
    result = judged(rows)
    doubted = result.doubts[result.doubts["doubt"] == "units"]
    first = {s["sample"] for s in late if s["sample"].endswith("/6")}
    assert first <= set(doubted["sample"])
    assert doubted["reason"].str.contains("another unit").all()
    iron = result.limits[(result.limits["analyte"] == "Fe_ppm") & (result.limits["measure"] == "level")]
    assert (iron["alarm"].isna() | (iron["alarm"] < 2000)).all()


def test_a_family_that_is_half_sick_says_so(judged) -> None:
    rows = drives(machines=10, sick={f"M{k} drive": 8.0 for k in range(6, 11)})
    result = judged(rows)
    iron = result.limits[(result.limits["analyte"] == "Fe_ppm") & (result.limits["measure"] == "rate")]
    assert iron["words"].str.contains("two groups|not one family").all()
    assert len(iron) == 1
    said = iron["words"].iloc[0]
    ratio = float(said.split("upper about ")[1].split(" times")[0])
    assert 5 < ratio < 12


def test_two_issues_and_two_bottles_of_one_day(judged) -> None:
    rows = drives(machines=3)
    again = [
        {**s, "reported_on": s["reported_on"] + pd.Timedelta(days=9), "Fe_ppm": s["Fe_ppm"] + 1}
        for s in rows["samples"][::4]
    ]
    twins = [{**s, "sample": s["sample"] + " twin"} for s in rows["samples"][::5]]
    result = judged(rows | {"samples": rows["samples"] + again + twins})
    assert result.samples["sample"].is_unique
    assert len(result.set_aside) == len(again)
    assert result.set_aside["reason"].str.contains("earlier issue").all()
    assert (result.exposure["hours"].dropna() >= 0).all()
    assert (result.verdicts["state"] != "alarm").all()


def test_a_retired_machine_has_no_verdict_but_keeps_its_record(judged) -> None:
    rows = drives(machines=4)
    rows["machines"][1]["retired_on"] = "2026-03-01"
    result = judged(rows)
    assert "M2 drive" not in set(result.verdicts["compartment"]) | set(result.due["compartment"]) | set(
        result.cards["compartment"]
    )
    assert "M2 drive" in set(result.exposure["compartment"])
    assert "M2 drive" not in set(result.forecast["compartment"])


def test_kinds_nobody_has_heard_of(judged) -> None:
    rows = drives(machines=4)
    for k, c in enumerate(rows["compartments"]):
        c |= {"kind": f"thing {k}", "fluid": "unheard of", "family": f"family {k}"}
    for m in rows["machines"]:
        m["kind"] = "walking crane"
    result = judged(rows)
    assert set(result.verdicts["kind"]) == {f"thing {k}" for k in range(4)}
    assert (result.verdicts["state"] != "alarm").all()


def test_analytes_of_ones_own(judged, make_fleet) -> None:
    settings = {
        "analytes": {"Bi_ppm": {"name": "bismuth", "unit": "ppm", "group": "wear metal", "bad": "up", "rule": "rate"}}
    }
    rows = drives(machines=4)
    fleet = make_fleet(settings=settings, **rows)
    rng = np.random.default_rng(3)
    bismuth = np.round(fleet.samples["Fe_ppm"].to_numpy() / 4 * rng.lognormal(0, 0.05, len(fleet.samples)))
    samples = fleet.samples.assign(Bi_ppm=bismuth, Bi_ppm_below=False)
    result = judged(replace(fleet, samples=samples))
    assert "Bi_ppm" in set(result.wear["analyte"])
    assert "Bi_ppm" in set(result.limits["analyte"])


HOSTILE = ["<script>alert(1)</script>", "=1+1", "../../x", "a\nb\r\nc", "\"quotes\" and 'more'", "\N{PILE OF POO} \N{GREEK SMALL LETTER OMEGA}", "x" * 5000, "{{ 7*7 }} %s {0}"]  # fmt: skip


def test_hostile_text_in_every_text_column_changes_no_number(judged, plain, tmp_path) -> None:
    """Every name and note is text of the worst kind, one to one: the same numbers come out under the other names."""
    rows = drives()
    place = {f"M{k + 1}": HOSTILE[k % len(HOSTILE)] + f" {k}" for k in range(6)}
    rename = {f"{m} drive": f"{t} drive" for m, t in place.items()} | place | {"North": "<b>North</b>/../.."}
    for name in rows:
        for k, row in enumerate(rows[name]):
            for column in ("site", "machine", "compartment"):
                if column in row:
                    row[column] = rename[row[column]]
            row |= {
                "note": HOSTILE[k % len(HOSTILE)],
                "sampler": HOSTILE[(k + 1) % len(HOSTILE)],
                "lab": "=cmd|' /C calc'!A0",
                "position": "<i>left</i>",
            }
    for c in rows["compartments"]:
        c |= {"family": "<img src=x>", "fluid": "gear oil<", "grade": "=SAE 50"}
    result = judged(rows)
    by = ["compartment", "analyte"]
    renamed = plain.wear.assign(compartment=plain.wear["compartment"].map(rename)).sort_values(by)
    np.testing.assert_allclose(result.wear.sort_values(by)["rate"], renamed["rate"], rtol=1e-9)
    result.save(tmp_path / "run")
    back = load_assessment(tmp_path / "run")
    for name in table_names():
        pd.testing.assert_frame_equal(getattr(back, name), getattr(result, name))


@pytest.mark.parametrize("seed", range(4))
def test_cells_missing_and_wrong_at_random(judged, seed) -> None:
    """A third of all cells that need not be there are gone; results, hours, litres and dates of some rows are far off."""
    rng = np.random.default_rng(seed)
    rows = drives(machines=4)
    rows["findings"] = [{"finding": f"f{k}", "compartment": f"M{k + 1} drive", "found_on": FIRST + pd.Timedelta(days=int(rng.integers(1, 450))),
                         "outcome": ("defect", "no defect", "failed")[k % 3], "meter_h": 2000.0, "cost": 100.0} for k in range(4)]  # fmt: skip
    rows["services"] += [{"service": f"s{k}", "compartment": f"M{k % 4 + 1} drive", "done_on": FIRST + pd.Timedelta(days=int(rng.integers(1, 450))),
                          "kind": ("top-up", "change", "flush", "replace", "repair", "filter")[k % 6], "meter_h": 1500.0, "volume_l": 80.0} for k in range(12)]  # fmt: skip
    for name, table in rows.items():
        needed = {c.name for c in TABLES[name].columns if c.required} | {"family"}
        for row in table:
            for cell in [c for c in row if c not in needed and rng.random() < 1 / 3]:
                del row[cell]
            for cell in [c for c, v in row.items() if isinstance(v, float) and rng.random() < 0.1]:
                row[cell] *= float(rng.choice([0.0, 0.01, 30.0, 1000.0]))
            for cell in [c for c, v in row.items() if isinstance(v, pd.Timestamp) and rng.random() < 0.1]:
                row[cell] += pd.Timedelta(days=int(rng.integers(-300, 300)))
    result = judged(rows)
    assert (result.exposure[["phi", "psi", "chi"]] >= 0).all().all()
    assert np.isfinite(result.wear[["rate", "rate_sd", "level"]]).all().all()


# --- corrections


def correction(sample: str, field: str, value: str, number: int = 1) -> dict[str, Any]:
    return {
        "correction": f"c{number}",
        "sample": sample,
        "field": field,
        "value": value,
        "decided_on": "2026-01-10",
        "decided_by": "A",
    }


def test_a_correction_to_a_sample_that_does_not_exist_changes_nothing(judged, plain) -> None:
    result = judged(drives() | {"corrections": [correction("nobody's bottle", "meter_h", "1500")]})
    pd.testing.assert_frame_equal(result.wear, plain.wear)
    assert result.samples["corrected"].eq("").all()


def test_a_correction_to_a_place_that_does_not_exist_loses_no_bottle(judged) -> None:
    """The loader sets it aside; made in memory it is refused, since its bottle would belong nowhere."""
    with pytest.raises(RecordsError, match=r"'no such place'.*wanted the name of a compartment"):
        judged(drives(machines=2) | {"corrections": [correction("M1 drive/3", "compartment", "no such place")]})


@pytest.mark.parametrize(
    ("field", "value", "wanted"),
    [
        ("meter_h", "many", "a number of 0 or more"),
        ("drawn_on", "yesterday", "a date such as"),
        ("makeup_l", "", "a number"),
        ("makeup_l", "-5", "a number"),
        ("fluid_h", "inf", "a number"),
        ("sampler", "B", "one of the fields compartment"),
    ],
)
def test_a_correction_that_cannot_be_used_is_one_clear_error(make_fleet, field, value, wanted) -> None:
    """The loader sets such rows aside (tests/records); a fleet made in memory is refused, naming the correction."""
    fleet = make_fleet(**drives(machines=1), corrections=[correction("M1 drive/3", field, value)])
    with pytest.raises(RecordsError, match=f"'c1'.*{field}.*wanted {wanted}"):
        fleet.as_of(TODAY)
