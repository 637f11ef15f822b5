"""The whole story on the demo fleet: time enters only through as_of, and the tables say what the truth of the fleet
allows.

The demo fleet is invented; its truth is known because `simulate` made it, by another route than the estimators use.
"""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from cmkit.assess import assess_fleet
from cmkit.assessment import load_assessment, table_names
from cmkit.errors import MissingTable
from cmkit.records.fleet import Fleet
from cmkit.tables.records import TABLES
from tests.conftest import only_places
from tests.lengths import some_or_all


def tables_of(fleet: Fleet) -> dict[str, pd.DataFrame]:
    return {name: getattr(fleet, name) for name in TABLES}


def without_later(fleet: Fleet, day: str) -> Fleet:
    """The fleet as if nothing that became known after `day` had ever been written."""
    kept = {}
    for name, frame in tables_of(fleet).items():
        when = pd.Series(pd.NaT, index=frame.index, dtype="datetime64[us]")
        for column in TABLES[name].known_on:
            when = when.fillna(frame[column])
        kept[name] = frame[~(when > pd.Timestamp(day))].reset_index(drop=True)
    later = {n: getattr(fleet, n) for n in ("set_aside", "repairs")}
    kept |= {n: f[~(f["known_on"] > pd.Timestamp(day))].reset_index(drop=True) for n, f in later.items()}
    return replace(fleet, **kept)


@pytest.fixture(scope="module")
def loader(small: Fleet) -> Fleet:
    """One machine, with all kinds of compartments a wheel loader has."""
    return only_places(small, small.compartments["machine"] == "WL-04")


@some_or_all("of", ["loader 2025-06-17", "small 2025-06-17", "small 2024-09-30", "small 2025-12-31"])
def test_later_records_change_not_one_byte(request, tmp_path, of) -> None:
    which, day = of.split()
    fleet = request.getfixturevalue(which)
    cut = without_later(fleet, day)
    assert len(cut.samples) < len(fleet.samples)
    assess_fleet(fleet, day).save(tmp_path / "all")
    assess_fleet(cut, day).save(tmp_path / "cut")
    names = sorted(p.name for p in (tmp_path / "all").iterdir())
    assert names == sorted([*(f"{n}.parquet" for n in table_names()), "about.json", "manifest.json"])
    differing = [n for n in names if (tmp_path / "all" / n).read_bytes() != (tmp_path / "cut" / n).read_bytes()]
    assert differing == []


def test_a_day_in_between_knows_what_came_in_by_then(small) -> None:
    early, late = small.as_of("2025-06-17"), small.as_of("2026-02-28")
    assert early.samples["reported_on"].max() <= pd.Timestamp("2025-06-17") < late.samples["reported_on"].max()
    assert len(early.samples) < len(late.samples)


@pytest.fixture(scope="module")
def today(small_assessed):
    return small_assessed("2026-06-30")


def test_every_working_compartment_has_a_verdict_with_a_reason(small, today) -> None:
    working = small.machines.loc[small.machines["retired_on"].isna(), "machine"]
    places = small.compartments[small.compartments["machine"].isin(working)]
    assert sorted(today.verdicts["compartment"]) == sorted(places["compartment"])
    assert set(today.verdicts["state"]) <= {"clear", "alert", "alarm", "not known"}
    assert (today.verdicts["reason"].str.len() > 0).all()
    raised = today.verdicts[today.verdicts["state"].isin(["alert", "alarm"])]
    assert (raised["todo"].str.len() > 0).all()
    assert set(today.waiting["compartment"]) == set(raised["compartment"])


def test_the_rates_cover_the_truth(root, today) -> None:
    """90 % intervals of the wear rate cover the true rate in .85-.98 of sound bottles (the design's figure for the demo
    fleet).
    """
    truth = pd.read_csv(root / "sample_data" / "truth" / "samples.csv").drop_duplicates("sample")
    rates = truth[["sample", *(c for c in truth if c.endswith("_rate"))]].melt(
        "sample", var_name="analyte", value_name="true"
    )
    rates["analyte"] = rates["analyte"].str.removesuffix("_rate")
    sound = truth[(truth["share_of_way"] == 0) & truth["exchanged_with"].isna() & (truth["drawing"] == "good")]
    seen = today.history[(today.history["order"] >= 1) & today.history["sample"].isin(sound["sample"])].merge(rates)
    inside = ((seen["true"] - seen["rate"]).abs() <= 1.645 * seen["rate_sd"]).mean()
    assert len(seen) > 2000
    assert 0.85 <= inside <= 0.98


def test_saved_and_loaded_it_is_the_same_and_a_site_is_a_part(today, tmp_path) -> None:
    today.save(tmp_path / "run")
    back = load_assessment(tmp_path / "run")
    for name in table_names():
        pd.testing.assert_frame_equal(getattr(back, name), getattr(today, name))
    site = today.sites["site"].iloc[0]
    part = load_assessment(tmp_path / "run", site)
    assert set(part.verdicts["site"]) == {site}
    assert 0 < len(part.samples) < len(today.samples)
    assert json.loads((tmp_path / "run" / "about.json").read_text())["as_of"] == f"{today.as_of:%Y-%m-%d}"


def test_a_folder_without_an_assessment_is_refused(tmp_path) -> None:
    with pytest.raises(MissingTable, match=r"no about\.json"):
        load_assessment(tmp_path)


def test_a_fleet_without_samples_is_assessed_and_nothing_is_called_clear(small) -> None:
    empty = replace(small, samples=small.samples.iloc[:0], corrections=small.corrections.iloc[:0])
    result = assess_fleet(empty, "2026-06-30")
    assert set(result.verdicts["state"]) == {"not known"}
    assert np.isnan(result.verdicts["run_h"]).all()
    assert result.due["why"].eq("never sampled").all()
