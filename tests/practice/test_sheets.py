"""The field sheet: written, filled in the way people fill it, and read back with every slip in words. What counts as a
slip is common practice (no source): right side, hours never backwards, never the drain stream, a sealed compartment
found low has a leak."""

import time

import openpyxl
import pandas as pd
import pytest

from cmkit.errors import WrongFile
from cmkit.practice.rounds import bottle_number, plan_round
from cmkit.practice.sheet_saving import save_field_sheet
from cmkit.practice.sheets import (
    FILLED,
    GIVEN,
    FieldSheet,
    read_field_sheet,
    without_known,
    write_field_sheet,
)
from cmkit.records.reading.start import start_fleet

TODAY = pd.Timestamp("2026-06-30")
LEFT, RIGHT = "M1/final drive/left", "M1/final drive/right"


@pytest.fixture
def known(make_fleet):
    return make_fleet(
        sites=[{"site": "S"}],
        machines=[{"machine": "M1", "site": "S", "kind": "wheel loader"}],
        compartments=[
            {"compartment": f"M1/final drive/{s}", "machine": "M1", "kind": "final drive", "position": s,
            "pressurised": False, "depth_mm": 300, "fluid": "gear oil"}
            for s in ("left", "right")
        ] + [{"compartment": "=1+1", "machine": "M1", "kind": "hydraulic", "pressurised": True,
        "sampling_point": "low-pressure", "fluid": "hydraulic oil"}],
    ).as_of(TODAY)  # fmt: skip


USE = pd.DataFrame({"machine": ["M1"], "h_per_day": [5.0]})
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
            for c, k in ((LEFT, "final drive"), (RIGHT, "final drive"), ("=1+1", "hydraulic"))
        ]
    )
    path = tmp_path / "round.xlsx"
    write_field_sheet(plan_round(known, due, USE), path, TODAY)
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
    assert back.slips["words"].tolist() == ["left empty and taken as not drawn: rows 2"]


def test_the_day_planned_and_the_day_sent_come_with_the_bottle(sheet, known) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD | {"sent_on": "30.06.2026"}, RIGHT: GOOD | {"sent_on": "2026-06-28"}})
    rows = back.samples.set_index("compartment")
    plan = read_plan(sheet).set_index("compartment")["plan_on"]
    assert rows["planned_on"].to_dict() == {c: pd.Timestamp(plan[c]) for c in (LEFT, RIGHT)}
    assert rows.loc[LEFT, "sent_on"] == pd.Timestamp("2026-06-30")
    assert pd.isna(rows.loc[RIGHT, "sent_on"])
    assert "sent_on 2026-06-28 is before the drawing or still to come; left empty." in back.slips["words"].tolist()


def read_plan(path) -> pd.DataFrame:
    return pd.read_excel(path, sheet_name="round", engine="openpyxl")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"meter_h": 512}, "below the last known 550 h"),
        ({"meter_h": None}, "meter hours are missing"),
        ({"meter_h": "six hundred"}, "is not a usable number; left empty"),
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


def test_short_years_are_read_in_the_order_of_the_sheets_own_dates(sheet, known) -> None:
    """05/06/26 alone could be 5 June or 6 May; beside 23/06/26 it is 5 June, beside 06/23/26 it is 6 May."""
    for beside, day in (("23/06/26", "2026-06-05"), ("06/23/26", "2026-05-06")):
        back = slips_of(sheet, known, {LEFT: GOOD | {"drawn_on": "05/06/26"}, RIGHT: GOOD | {"drawn_on": beside}})
        drawn = back.samples.set_index("compartment")["drawn_on"]
        assert f"{drawn[LEFT]:%Y-%m-%d}" == day
        assert f"{drawn[RIGHT]:%Y-%m-%d}" == "2026-06-23"


def test_a_day_to_come_is_refused_and_a_short_year_read(sheet, known) -> None:
    """A row with a day to come is not used, so that it is not taken in again and again; 29.06.26 can only be June."""
    back = slips_of(sheet, known, {LEFT: GOOD | {"drawn_on": "2026-07-03"}, RIGHT: GOOD | {"drawn_on": "29.06.26"}})
    assert back.samples["compartment"].tolist() == [RIGHT]
    assert back.samples["drawn_on"].tolist() == [pd.Timestamp("2026-06-29")]
    assert any(
        "still to come; the row is not used" in w for w in back.slips[back.slips["compartment"] == LEFT]["words"]
    )


def test_a_number_with_two_meanings_is_left_empty_and_said(sheet, known) -> None:
    """1,250 is one and a quarter in one country and a thousand in another (the decimal sign of ISO
    80000-1 is either).
    """
    for written, mark in (("1,250", "comma"), ("1.250", "point")):
        back = slips_of(sheet, known, {LEFT: GOOD | {"fluid_h": written}})
        said = f"fluid_h '{written}' has two meanings (1.250 or 1250); left empty. Write 1250 without the {mark}."
        assert back.samples["fluid_h"].isna().all()
        assert back.slips["words"].tolist()[0] == said


def test_litres_may_have_three_decimals(sheet, known) -> None:
    assert slips_of(sheet, known, {LEFT: GOOD | {"makeup_l": "1.250"}}).samples["makeup_l"].tolist() == [1.25]


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


@pytest.mark.parametrize(
    ("written", "day"),
    [("29.06.2026", "2026-06-29"), ("2026/6/29", "2026-06-29"), ("6/29/2026", "2026-06-29"), (46202, "2026-06-29"),
    ("03.06.2026", "2026-06-03")],
)  # fmt: skip
def test_a_day_as_text_is_read_as_it_can_only_be_meant(sheet, known, written, day) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD | {"drawn_on": written}})
    assert back.samples["drawn_on"].tolist() == [pd.Timestamp(day)]


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("03/06/2026", "day and month could be exchanged ('03/06/2026')"),
        ("31.06.2026", "no such day"),
        (None, "no date: the row is taken as not drawn"),
    ],
)
def test_a_day_with_two_meanings_is_not_guessed(sheet, known, written, words) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD | {"drawn_on": written}, RIGHT: GOOD})
    assert back.samples["compartment"].tolist() == [RIGHT]
    assert any(words in w for w in back.slips["words"])


def test_hours_are_compared_with_the_day_they_were_read(sheet, known) -> None:
    """A bottle older than the newest reading may have fewer hours; one that gained more hours than the days have was
    misread.
    """
    last = LAST.assign(last_on=pd.Timestamp("2026-06-28"))
    said = {}
    for day, hours in (("2026-06-20", 500), ("2026-06-20", 560), ("2026-06-29", 598), ("2026-06-29", 599)):
        fill(sheet, {LEFT: GOOD | {"drawn_on": day, "meter_h": hours}})
        found = read_field_sheet(sheet, known, last, TODAY).slips["words"]
        said[day, hours] = [w.partition(" h ")[2] for w in found if w.startswith("meter")]
    assert said == {
        ("2026-06-20", 500): [],
        ("2026-06-20", 560): ["is above the 550 h of 2026-06-28, a later day; read it again (or check the date)."],
        ("2026-06-29", 598): [],
        ("2026-06-29", 599): ["is 49 h above the 550 h of 2026-06-28: more than the days since have; read it again."],
    }


def edited(path, change) -> None:
    """The sheet after `change(book, page)`."""
    book = openpyxl.load_workbook(path)
    change(book, book["round"])
    book.save(path)


def column(page, name: str) -> int:
    return [c.value for c in page[1]].index(name) + 1


def test_a_renamed_sheet_with_a_title_and_added_columns_is_read(sheet, known) -> None:
    fill(sheet, {LEFT: GOOD, RIGHT: GOOD})

    def change(book, page) -> None:
        page.title = "June north"
        book.create_sheet("Notes", 0)["A1"] = "ask Ann"
        page.cell(1, page.max_column + 1).value = "Weather"
        page.cell(3, page.max_column).value = "rain"
        page.cell(1, column(page, "meter_h")).value = " Meter h"
        page.insert_rows(1, 2)

    edited(sheet, change)
    back = read_field_sheet(sheet, known, LAST, TODAY)
    assert back.samples[["row", "compartment", "meter_h"]].values.tolist() == [[5, LEFT, 612], [6, RIGHT, 612]]
    assert (
        "the column 'weather' is not of this sheet and is not read (it holds 'rain'); use the note."
        in back.slips["words"].tolist()
    )


def test_a_cell_merged_over_several_rows_counts_for_each(sheet, known) -> None:
    fill(sheet, {LEFT: GOOD, RIGHT: GOOD})

    def change(_, page) -> None:
        at = column(page, "drawn_on")
        page.merge_cells(start_row=3, end_row=4, start_column=at, end_column=at)

    edited(sheet, change)
    assert openpyxl.load_workbook(sheet)["round"].cell(4, GIVEN.index("due_meter_h") + 2).value is None
    assert read_field_sheet(sheet, known, LAST, TODAY).samples["drawn_on"].tolist() == [pd.Timestamp("2026-06-29")] * 2


@pytest.mark.parametrize("separator", [",", ";"])
def test_a_sheet_saved_as_csv_is_read(sheet, known, tmp_path, separator) -> None:
    fill(sheet, {LEFT: GOOD | {"meter_h": 612.5}, RIGHT: GOOD | {"note": "wet, cold"}})
    table = pd.read_excel(sheet, dtype=object, engine="calamine").replace({"2026-06-29": "29.06.2026"})
    table.to_csv(tmp_path / "round.csv", sep=separator, decimal="," if separator == ";" else ".", index=False)
    back = read_field_sheet(tmp_path / "round.csv", known, LAST, TODAY)
    assert back.samples["meter_h"].tolist() == [612.5, 612]
    assert back.samples["note"].tolist() == ["", "wet, cold"]


def test_bottles_that_are_written_wrong_are_said(sheet, known) -> None:
    fill(sheet, {LEFT: GOOD, RIGHT: GOOD, "=1+1": GOOD | {"method": "probe"}})
    numbers = {}

    def change(_, page) -> None:
        for row in range(2, 5):
            numbers[page.cell(row, column(page, "compartment")).value] = page.cell(row, 1).value
        page.cell(2, 1).value = numbers[RIGHT]  # the number of another row
        page.cell(3, 1).value = ("B" if numbers[LEFT][0] == "A" else "A") + numbers[LEFT][1:]
        page.cell(5, column(page, "compartment")).value = "M1/winch"
        page.cell(5, 1).value = numbers[LEFT]
        page.cell(5, column(page, "drawn_on")).value = "2026-06-29"
        page.cell(6, column(page, "compartment")).value = LEFT
        page.cell(6, column(page, "drawn_on")).value = "2026-06-29"

    edited(sheet, change)
    back = read_field_sheet(sheet, known, LAST, TODAY)
    said = dict(back.slips.groupby("row")["words"].apply(" ".join))
    assert "its check letter does not fit, so one letter is wrong" in said[3]
    assert f"bottle {numbers[RIGHT]} stands in row 2 too; this row is not used" in said[4]
    assert (
        f"'M1/winch' is no compartment of this fleet; the row is not used. Which one was it? Bottle {numbers[LEFT]} "
        f"was given out for {LEFT}." in said[5]
    )
    assert "no bottle number ('')" in said[6]
    assert back.samples["row"].tolist() == [2, 3]


def test_seal_and_plug_are_kept_in_the_note(sheet, known) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD | {"seal_inspected": "yes", "plug_torqued": "no", "note": "slow"}})
    assert back.samples["note"].tolist() == ["slow; seal inspected: yes; plug torqued: no"]
    assert "the plug was not torqued: have it done before the machine works." in back.slips["words"].tolist()


def test_words_of_the_lists_in_any_case_and_long_text_in_one_line(sheet, known) -> None:
    change = {"method": " PUMP ", "fluid_level": "Low", "note": "a\nb" + "x" * 10_000, "sampler": "\u202eAnn"}
    back = slips_of(sheet, known, {LEFT: GOOD | change})
    assert back.samples[["method", "fluid_level"]].values.tolist() == [["pump", "low"]]
    assert back.samples["note"].tolist() == ["a b" + "x" * 10_000]
    assert back.samples["sampler"].tolist() == ["Ann"], "marks that turn a line's direction are taken out"
    assert any("Leak suspected" in w for w in back.slips["words"])


def test_the_same_sheet_returned_again_changes_nothing_and_a_mended_one_is_told(sheet, known, make_fleet) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD, RIGHT: GOOD})
    rows = back.samples.drop(columns="row").to_dict("records")
    stored = make_fleet(samples=rows).samples.assign(file="samples/field-1.csv")
    again = without_known(back, stored)
    assert again.samples.empty
    assert again.slips["words"].tolist() == [
        "left empty and taken as not drawn: rows 2",
        "taken in before, unchanged: rows 3 to 4",
    ]
    mended = slips_of(sheet, known, {LEFT: GOOD | {"meter_h": 621}})
    said = without_known(mended, stored)
    assert said.samples["compartment"].tolist() == []
    assert (
        "returned before with meter_h 612 (now 621); the first one stands. To use this one, remove samples/field-1.csv"
        in said.slips["words"].tolist()[-2]
    )
    later = without_known(mended, stored.assign(reported_on=TODAY - pd.Timedelta(days=1)))
    assert later.samples["meter_h"].tolist() == [621]
    assert later.slips["words"].tolist()[-2].endswith("returned before with meter_h 612 (now 621); this one counts.")


def test_another_file_is_refused(tmp_path, known) -> None:
    path = tmp_path / "round.xlsx"
    path.write_text("not a spreadsheet")
    with pytest.raises(WrongFile, match="not a spreadsheet"):
        read_field_sheet(path, known, LAST, TODAY)


def test_rows_that_were_not_drawn_come_back_by_name_with_the_reason(sheet, known) -> None:
    """A row left empty and one with a note but no day; a drawn one and one of no compartment are not among them."""
    back = slips_of(sheet, known, {LEFT: GOOD, RIGHT: {"note": "machine was away"}})
    undrawn = back.undrawn.set_index("compartment")
    assert LEFT not in undrawn.index
    assert undrawn.loc[RIGHT, "note"] == "machine was away"
    assert undrawn["returned_on"].eq(TODAY).all()
    assert undrawn["planned_on"].notna().all()
    assert f"{len(undrawn)} bottle(s) not drawn" in back.said(sheet)


def test_the_same_sheet_twice_is_one_file(sheet, known, tmp_path) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD, RIGHT: GOOD})
    (first, empty), second = (save_field_sheet(back, tmp_path / "fleet") for _ in range(2))
    assert [first, empty] == second
    assert len(list((tmp_path / "fleet" / "samples").iterdir())) == 1
    assert pd.read_csv(first)["compartment"].tolist() == [LEFT, RIGHT]
    assert pd.read_csv(empty)["compartment"].tolist() == back.undrawn["compartment"].tolist() != []


def test_a_fleet_with_one_samples_file_gets_the_rows_in_its_inbox(sheet, known, tmp_path) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD})
    (tmp_path / "samples.csv").write_text("sample\n")
    (tmp_path / "not_drawn.csv").write_text("sample\n")
    paths = save_field_sheet(back, tmp_path)
    assert {path.parent for path in paths} == {tmp_path / "inbox"}
    assert (tmp_path / "samples.csv").read_text() == "sample\n"
    assert {p.name for p in (tmp_path / "inbox").iterdir()} == {p.name for p in paths}, "no part of a file is left"


def test_a_layout_that_would_take_the_sheet_for_its_own_is_named(sheet, known, tmp_path) -> None:
    back = slips_of(sheet, known, {LEFT: GOOD})
    start_fleet(tmp_path / "fleet")
    (tmp_path / "fleet" / "layouts" / "all.toml").write_text(
        'files = "*.csv"\n[columns]\nA = "sample"\nB = "compartment"\nC = "drawn_on"\n'
    )
    with pytest.raises(WrongFile, match=r"layouts/all\.toml would read this file of inbox/ as a laboratory's"):
        save_field_sheet(back, tmp_path / "fleet")
    assert list((tmp_path / "fleet" / "inbox").iterdir()) == []


def test_a_round_made_when_the_newest_result_came_in_is_known(make_fleet, tmp_path) -> None:
    """A fleet without results for a year: its round is dated by the newest one."""
    place = {"compartment": "M1/engine", "machine": "M1", "kind": "engine"}
    row = {
        "sample": "A",
        "compartment": "M1/engine",
        "drawn_on": "2025-05-20",
        "reported_on": "2025-05-30",
        "Fe_ppm": 5,
    }
    fleet = make_fleet(machines=[{"machine": "M1", "site": "S"}], compartments=[place], samples=[row]).as_of(TODAY)
    number = bottle_number("M1/engine", pd.Timestamp("2025-05-30"))
    (tmp_path / "r.csv").write_text(f"bottle,compartment,drawn_on,meter_h\n{number},M1/engine,2026-06-29,612\n")
    slips = read_field_sheet(tmp_path / "r.csv", fleet, LAST, TODAY).slips["words"].tolist()
    assert not any("bottle" in w for w in slips)
    assert slips[0].startswith("the columns plan_on, site, machine, ")


def test_what_a_spreadsheet_would_take_for_a_formula_is_written_as_text(sheet, known, tmp_path) -> None:
    note = '=HYPERLINK("x")'
    back = slips_of(sheet, known, {LEFT: GOOD | {"note": f"'{note}", "sampler": "@crew"}})
    (path,) = save_field_sheet(FieldSheet(back.samples.assign(note=note), back.slips), tmp_path)
    saved = pd.read_csv(path)
    assert saved[["sampler", "note"]].values.tolist() == [["'@crew", f"'{note}"]]


def test_the_same_cards_give_the_same_bytes(known, tmp_path) -> None:
    cards = plan_round(known, pd.DataFrame([DUE_ROW | {"compartment": LEFT, "kind": "final drive"}]), USE)
    for name in ("one.xlsx", "two.xlsx"):
        write_field_sheet(cards, tmp_path / name, TODAY)
        time.sleep(2.1 if name == "one.xlsx" else 0)  # a ZIP's times are kept to two seconds
    assert (tmp_path / "one.xlsx").read_bytes() == (tmp_path / "two.xlsx").read_bytes()
