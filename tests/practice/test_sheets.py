"""The field sheet: written, filled in the way people fill it, and read back with every slip in words. What counts as a slip is common
practice (no source): right side, hours never backwards, never the drain stream, a sealed compartment found low has a leak."""

import time

import openpyxl
import pandas as pd
import pytest

from cmkit.errors import WrongFile
from cmkit.practice.rounds import plan_round
from cmkit.practice.sheets import FILLED, GIVEN, read_field_sheet, save_field_sheet, write_field_sheet

TODAY = pd.Timestamp("2026-06-30")
LEFT, RIGHT = "M1/final drive/left", "M1/final drive/right"


@pytest.fixture
def known(make_fleet):
    return make_fleet(
        sites=[{"site": "S"}],
        machines=[{"machine": "M1", "site": "S", "kind": "wheel loader"}],
        compartments=[
            {"compartment": f"M1/final drive/{s}", "machine": "M1", "kind": "final drive", "position": s, "pressurised": False, "depth_mm": 300, "fluid": "gear oil"}
            for s in ("left", "right")
        ] + [{"compartment": "=1+1", "machine": "M1", "kind": "engine", "pressurised": True, "fluid": "engine oil"}],
    ).as_of(TODAY)  # fmt: skip


DUE_ROW = {
    "machine": "M1",
    "site": "S",
    "every_h": 500.0,
    "last_run_h": 100.0,
    "due_meter_h": 600.0,
    "due_on": TODAY,
    "overdue_h": 0.0,
    "overdue": False,
    "why": "routine",
}


@pytest.fixture
def sheet(known, tmp_path):
    due = pd.DataFrame(
        [
            DUE_ROW | {"compartment": c, "kind": k}
            for c, k in ((LEFT, "final drive"), (RIGHT, "final drive"), ("=1+1", "engine"))
        ]
    )
    path = tmp_path / "round.xlsx"
    write_field_sheet(plan_round(known, due), path, TODAY)
    return path


LAST = pd.DataFrame({"compartment": [LEFT, RIGHT], "last_meter_h": [550.0, 550.0]})
GOOD = {"drawn_on": "2026-06-29", "meter_h": 612, "method": "pump", "fluid_level": "full", "sampler": "crew A"}


def fill(path, rows: dict[str, dict], rename: dict[str, str] | None = None) -> None:
    """Fills the row of each compartment, as a person would in a spreadsheet."""
    book = openpyxl.load_workbook(path)
    sheet = book["round"]
    names = [c.value for c in sheet[1]]
    at = names.index("compartment") + 1
    for row in range(2, sheet.max_row + 1):
        compartment = sheet.cell(row, at).value
        for name, value in rows.get(compartment, {}).items():
            sheet.cell(row, names.index(name) + 1).value = value
        if rename and compartment in rename:
            sheet.cell(row, at).value = rename[compartment]
    book.save(path)


def slips_of(path, known, rows, rename=None):
    fill(path, rows, rename)
    return read_field_sheet(path, known, LAST, TODAY)


def test_the_empty_sheet_has_lists_and_holds_no_formula(sheet) -> None:
    page = openpyxl.load_workbook(sheet)["round"]
    assert [c.value for c in page[1]] == GIVEN + FILLED
    lists = [v.formula1 for v in page.data_validations.dataValidation]
    assert '"pump,probe,drain stream,other"' in lists
    assert {c.data_type for row in page.iter_rows() for c in row} <= {"s", "n"}
    assert "=1+1" in {row[GIVEN.index("compartment")].value for row in page.iter_rows(min_row=2)}


def test_a_well_filled_sheet_loads_without_a_slip(sheet, known) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD, RIGHT: GOOD | {"fluid_h": "1 012".replace(" ", ""), "makeup_l": "0,5"}})
    assert back.samples["compartment"].tolist() == [LEFT, RIGHT]
    assert back.samples["drawn_on"].tolist() == [pd.Timestamp("2026-06-29")] * 2
    assert back.samples["makeup_l"].tolist()[1] == 0.5
    assert back.slips["words"].tolist() == ["left empty and taken as not drawn: 2"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"meter_h": 512}, "below the last known 550 h"),
        ({"meter_h": None}, "meter hours are missing"),
        ({"meter_h": "six hundred"}, "is not a number; left empty"),
        ({"drawn_on": "2026-07-03"}, "still to come"),
        ({"fluid_level": "low"}, "Leak suspected"),
        ({"fluid_level": None}, "level was not noted"),
        ({"fluid_level": "half"}, "not in the list (full, low, over)"),
        ({"method": "drain stream"}, "Draw a repeat bottle"),
    ],
)
def test_every_slip_is_said(sheet, known, change, words) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD | change, RIGHT: GOOD})
    assert len(back.samples) == 2
    assert any(words in w for w in back.slips[back.slips["compartment"] == LEFT]["words"])


@pytest.mark.parametrize(
    ("written", "hours"), [("20.990,5", 20990.5), ("20,990.5", 20990.5), ("990,5", 990.5), (990.5, 990.5)]
)
def test_hours_as_people_write_them(sheet, known, written, hours) -> None:
    assert slips_of(sheet, known, {LEFT: GOOD | {"meter_h": written}}).samples["meter_h"].tolist() == [hours]


def test_the_other_sides_bottle_is_noticed(sheet, known) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD, RIGHT: GOOD}, rename={LEFT: RIGHT, RIGHT: LEFT})
    assert back.slips["words"].str.contains("Right machine and right side").sum() == 2
    assert len(back.samples) == 2


def test_unknown_compartment_and_unreadable_day_lose_the_row_with_a_slip(sheet, known) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD, RIGHT: GOOD | {"drawn_on": "next week"}}, rename={LEFT: "M9/winch"})
    assert len(back.samples) == 0
    assert "'M9/winch' is no compartment" in " ".join(back.slips["words"])


def test_another_file_is_refused(tmp_path, known) -> None:
    path = tmp_path / "round.xlsx"
    path.write_text("not a spreadsheet")
    with pytest.raises(WrongFile, match="not a field sheet"):
        read_field_sheet(path, known, LAST, TODAY)


def test_the_same_sheet_twice_is_one_file(sheet, known, tmp_path) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD, RIGHT: GOOD})
    first, second = (save_field_sheet(back, tmp_path / "fleet") for _ in range(2))
    assert first == second
    assert len(list((tmp_path / "fleet" / "samples").iterdir())) == 1
    assert pd.read_csv(first)["compartment"].tolist() == [LEFT, RIGHT]


def test_a_fleet_with_one_samples_file_is_left_alone(sheet, known, tmp_path) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD})
    (tmp_path / "samples.csv").write_text("sample\n")
    with pytest.raises(WrongFile, match="keeps its samples in one file"):
        save_field_sheet(back, tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["round.xlsx", "samples.csv"]


def test_the_same_cards_give_the_same_bytes(known, tmp_path) -> None:
    cards = plan_round(known, pd.DataFrame([DUE_ROW | {"compartment": LEFT, "kind": "final drive"}]))
    for name in ("one.xlsx", "two.xlsx"):
        write_field_sheet(cards, tmp_path / name, TODAY)
        time.sleep(2.1 if name == "one.xlsx" else 0)  # a ZIP's times are kept to two seconds
    assert (tmp_path / "one.xlsx").read_bytes() == (tmp_path / "two.xlsx").read_bytes()
