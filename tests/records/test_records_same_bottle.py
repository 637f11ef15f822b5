"""One bottle under two numbers: a field sheet's and a laboratory's. Proposed, joined by a correction, never merged in
silence.
"""

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from cmkit.cli import main
from cmkit.records.fleet import Fleet
from cmkit.records.reading.advice import advice
from cmkit.records.reading.same_bottle import same_bottles

ENGINE, LEFT = "WL-01/engine", "WL-01/final drive/left"
HEAD = "sample,compartment,drawn_on,meter_h,reported_on,makeup_l,sampler,Fe_ppm\n"
SHEETS = (
    f"B-1,{ENGINE},2025-03-01,1500,2025-03-01,4,AB,\n"
    f"B-2,{LEFT},2025-03-01,1500,2025-03-01,,AB,\n"
    f"B-3,{ENGINE},2025-04-01,1750,2025-04-01,,AB,\n"
)
LABORATORY = (
    f"L77,{ENGINE},2025-03-01,1500.4,2025-03-08,,,31\n"
    f"L78,{LEFT},2025-03-01,,2025-03-08,,,80\n"
    f"L79,{ENGINE},2025-04-01,1900,2025-04-08,,,40\n"  # other hours: another bottle
    f"L80,{ENGINE},2025-05-01,2000,2025-05-08,,,41\n"
)
JOIN = "correction,sample,field,value,decided_on,decided_by\n"


@pytest.fixture
def folder(write: Callable[..., Path]) -> Path:
    return write({"samples.csv": HEAD + SHEETS + LABORATORY})


def test_pairs_of_the_same_place_day_and_hours_are_proposed(load: Callable[..., Fleet]) -> None:
    fleet = load({"samples.csv": HEAD + SHEETS + LABORATORY})
    pairs = same_bottles(fleet)
    assert pairs[["sample", "bottle"]].values.tolist() == [["L77", "B-1"], ["L78", "B-2"]]
    assert pairs["meter_h"].tolist() == [1500.4, 1500.0]
    said = "\n".join(advice(fleet, "my-fleet"))
    assert "2 field-sheet bottle(s) without a result have a laboratory's row of the same compartment, day and hours" in said  # fmt: skip
    assert "cmkit join-bottles my-fleet" in said
    assert len(fleet.as_of("2025-06-01").unreported) == 3, "nothing is joined by itself"


def test_two_bottles_of_one_day_are_not_told_apart(load: Callable[..., Fleet]) -> None:
    again = f"L81,{ENGINE},2025-03-01,1500,2025-03-08,,,33\n"
    pairs = same_bottles(load({"samples.csv": HEAD + SHEETS + LABORATORY + again}))
    assert pairs["bottle"].tolist() == ["B-2"]


def test_a_joined_bottle_is_one(load: Callable[..., Fleet]) -> None:
    """From the day of the decision on: results of the report, top-up and hours as the sheet has them where the report
    is silent.
    """
    fix = "K1,L77,sample,B-1,2025-05-20,AB\nK2,L78,sample,B-2,2025-05-20,AB\nK3,L77,fluid_h,250,2025-05-21,AB\n"
    find = (
        f"finding,compartment,found_on,outcome,prompted_by,recorded_on\nF1,{ENGINE},2025-05-02,defect,L77,2025-05-02\n"
    )
    fleet = load({"samples.csv": HEAD + SHEETS + LABORATORY, "corrections.csv": JOIN + fix, "findings.csv": find})
    before, after = fleet.as_of("2025-05-19"), fleet.as_of("2025-06-01")
    assert before.samples["sample"].tolist() == ["L77", "L78", "L79", "L80"]
    assert before.unreported["sample"].tolist() == ["B-1", "B-2", "B-3"]
    rows = after.samples.set_index("sample")
    assert sorted(rows.index) == ["B-1", "B-2", "L79", "L80"]
    assert rows.loc["B-1", ["Fe_ppm", "meter_h", "makeup_l", "sampler", "fluid_h"]].tolist() == [31, 1500.4, 4, "AB",
    250]  # fmt: skip
    assert rows.loc["B-2", "meter_h"] == 1500
    assert rows["corrected"].to_dict() == {"B-1": "sample fluid_h", "B-2": "sample", "L79": "", "L80": ""}
    assert after.unreported["sample"].tolist() == ["B-3"]
    assert after.findings["prompted_by"].tolist() == ["B-1"]
    assert same_bottles(fleet).empty


@pytest.mark.parametrize("value", ["L77", "B-2", "B-9", "L80"])
def test_a_join_that_cannot_be_is_set_aside(load: Callable[..., Fleet], value: str) -> None:
    """Itself, a bottle of another compartment, one not on record, one of another day."""
    fleet = load({"samples.csv": HEAD + SHEETS + LABORATORY,
        "corrections.csv": f"{JOIN}K1,L77,sample,{value},2025-05-20,AB\n"})  # fmt: skip
    assert fleet.corrections.empty
    assert fleet.set_aside["reason"].tolist() == ["wanted the number of another bottle of this compartment and day "
    "for sample"]  # fmt: skip


def test_the_command_lists_then_records_then_has_nothing_left(folder: Path) -> None:
    run = lambda *words: CliRunner().invoke(main, ["join-bottles", str(folder), *words])  # noqa: E731
    listed = run()
    assert listed.exit_code == 0
    assert "  L77 is B-1: WL-01/engine, 2025-03-01, 1,500 h\n" in listed.output
    assert "Nothing was written." in listed.output
    assert not (folder / "corrections.csv").exists()
    refused = run("--accept")
    assert refused.exit_code == 2
    assert "decided_by: found nothing; wanted who decided" in refused.output
    done = run("--accept", "--by", "A. Brown")
    assert done.exit_code == 0, done.output
    rows = pd.read_csv(folder / "corrections.csv")
    assert rows[["sample", "field", "value", "decided_by"]].values.tolist() == [["L77", "sample", "B-1", "A. Brown"],
    ["L78", "sample", "B-2", "A. Brown"]]  # fmt: skip
    assert run().output == "No bottle stands under two numbers.\n"
