"""Results that mislead, and records with anything in them, through the whole of `assess`: nothing crashes, warns, or is
silently confident.

What is expected of a result follows from how the records were made (`made_drives.py`), not from an outside source.
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from made_drives import ADDITIVES, FIRST, RAISED, RATES, TODAY, drives

from cmkit.assessment import load_assessment, table_names
from cmkit.errors import RecordsError
from cmkit.tables.records import TABLES
from tests.lengths import some_or_all

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


@some_or_all("times", [1000.0, 0.001])
def test_one_laboratory_in_the_wrong_unit(judged, plain, times) -> None:
    """A second laboratory reports mg as g, or the other way round: a `units` doubt on its bottles, no limit moves by a
    factor of 1.2.
    """
    rows = drives()
    for s in rows["samples"][4::5]:
        s |= {a: s[a] * times for a in [*RATES, *ADDITIVES]} | {"lab": "Laboratory B"}
    wrong = {s["sample"] for s in rows["samples"][4::5]}
    result = judged(rows)
    doubted = result.doubts[result.doubts["doubt"] == "units"]
    assert len(wrong - set(doubted["sample"])) <= 0.1 * len(wrong)
    assert set(doubted["sample"]) <= wrong
    believed = result.trust.set_index("sample")["believed"]
    assert believed.reindex(sorted(set(doubted["sample"]))).max() < 0.5
    key = ["family", "analyte", "measure", "direction"]
    both = result.limits.merge(plain.limits, on=key, suffixes=("", "_sound")).dropna(subset=["alarm", "alarm_sound"])
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


HOSTILE = ["<script>alert(1)</script>", "=1+1", "../../x", "a\nb\r\nc", "\"quotes\" and 'more'", "\N{PILE OF POO} "
"\N{GREEK SMALL LETTER OMEGA}", "x" * 5000, "{{ 7*7 }} %s {0}"]  # fmt: skip


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


@some_or_all("seed", range(4), first=2)
def test_cells_missing_and_wrong_at_random(judged, seed) -> None:
    """A third of all cells that need not be there are gone; results, hours, litres and dates of
    some rows are far off.
    """
    rng = np.random.default_rng(seed)
    rows = drives(machines=4)
    rows["findings"] = [{"finding": f"f{k}", "compartment": f"M{k + 1} drive",
    "found_on": FIRST + pd.Timedelta(days=int(rng.integers(1, 450))),
                         "outcome": ("defect", "no defect", "failed")[k % 3], "meter_h": 2000.0,
                         "cost": 100.0} for k in range(4)]  # fmt: skip
    rows["services"] += [{"service": f"s{k}", "compartment": f"M{k % 4 + 1} drive",
    "done_on": FIRST + pd.Timedelta(days=int(rng.integers(1, 450))),
                          "kind": ("top-up", "change", "flush", "replace", "repair", "filter")[k % 6],
                          "meter_h": 1500.0, "volume_l": 80.0} for k in range(12)]  # fmt: skip
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
