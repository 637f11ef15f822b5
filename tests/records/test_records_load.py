"""Loading a fleet folder: what is used, what is set aside and why, and the errors that stop the reading."""

import io
from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xlsxwriter
from read_back import aside, balanced

from cmkit.errors import MissingTable, SettingsError, UnknownColumn, WrongFile
from cmkit.records.analytes import analyte_register, below
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.tables.records import SET_ASIDE, TABLES

TODAY = date(2026, 1, 31)


def sheet(rows: list[list], name: str = "samples") -> bytes:
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True, "strings_to_formulas": False}) as book:
        page = book.add_worksheet(name)
        for i, row in enumerate(rows):
            page.write_row(i, 0, row)
    return buffer.getvalue()


def test_a_clean_fleet_is_read_whole(load: Callable[..., Fleet]) -> None:
    fleet = load()
    assert fleet.set_aside.empty
    assert fleet.repairs.empty
    assert fleet.counts[["file", "read", "used", "set_aside"]].values.tolist() == [
        ["compartments.csv", 3, 3, 0], ["machines.csv", 1, 1, 0], ["samples.csv", 3, 3, 0], ["sites.csv", 1, 1, 0],
    ]  # fmt: skip
    assert fleet.samples["Fe_ppm"].tolist() == [20, 24, 60]
    assert fleet.samples["Cr_ppm"].tolist() == [1, 1, 2]
    assert fleet.samples["Cr_ppm_below"].tolist() == [True, False, False]
    assert fleet.compartments["family"].tolist()[:2] == [
        "wheel loader large engine engine oil",
        "wheel loader large final drive gear oil",
    ]
    assert set(fleet.sources) == {"fleet.toml", "sites.csv", "machines.csv", "compartments.csv", "samples.csv"}
    assert all(len(h) == 64 for h in fleet.sources.values())


def test_every_table_has_every_column_in_its_dtype(load: Callable[..., Fleet]) -> None:
    fleet = load()
    kinds = {"text": "str", "number": "float64", "date": "datetime64[us]", "flag": "boolean"}
    for name, table in TABLES.items():
        frame = getattr(fleet, name)
        assert {c.name: str(frame[c.name].dtype) for c in table.columns} == {
            c.name: kinds[c.kind] for c in table.columns
        }
        assert isinstance(frame.index, pd.RangeIndex)
    for analyte in analyte_register().index:
        assert str(fleet.samples[analyte].dtype) == "float64"
        assert str(fleet.samples[below(analyte)].dtype) == "bool"
    assert list(fleet.set_aside.columns) == list(SET_ASIDE)
    assert list(fleet.repairs.columns) == [*SET_ASIDE, "used"]


@pytest.mark.parametrize(
    ("row", "column", "value", "reason"),
    [
        (
            "S9,WL-09/engine,2025-03-01,,,,,,",
            "compartment",
            "WL-09/engine",
            "not in compartments; the nearest name is 'WL-01/engine'",
        ),
        (
            "S9,WL-01/Final drive,2025-03-01,,,,,,",
            "compartment",
            "WL-01/Final drive",
            "not in compartments; it could be 'WL-01/final drive/left' or 'WL-01/final drive/right': which one is not "
            "said",
        ),
        ("S9,,2025-03-01,,,,,,", "compartment", "", "no compartment recorded"),
        (",WL-01/engine,2025-03-01,,,,,,", "sample", "", "no sample recorded"),
        ("S9,WL-01/engine,,,,,,,", "drawn_on", "", "no drawn_on recorded"),
        ("S9,WL-01/engine,soon,,,,,,", "drawn_on", "soon", "not a date; wanted a date such as 2026-06-30"),
        (
            "S9,WL-01/engine,03/04/2025,,,,,,",
            "drawn_on",
            "03/04/2025",
            "day and month could be exchanged; wanted a date such as 2026-06-30",
        ),
        ("S9,WL-01/engine,2026-02-01,,,,,,", "drawn_on", "2026-02-01", "a date in the future"),
        ("S9,WL-01/engine,2025-03-01,,2026-02-01,,,,", "reported_on", "2026-02-01", "a date in the future"),
        (
            'S9,"WL-01\nengine",2025-03-01,,,,,,',
            "compartment",
            "WL-01\nengine",
            "a line break inside the cell; is a quotation mark missing?",
        ),
    ],
)
def test_a_row_that_cannot_be_used_is_set_aside(
    samples: Callable[..., Fleet], row: str, column: str, value: str, reason: str
) -> None:
    fleet = samples("S1,WL-01/engine,2025-01-10,1000,2025-01-15,full,20,<1,", "", row)
    assert aside(fleet) == [("samples.csv", 4, column, value, reason, "row")]
    assert fleet.samples["sample"].tolist() == ["S1"]
    assert balanced(fleet)


@pytest.mark.parametrize(
    ("row", "column", "value", "reason"),
    [
        ("S9,WL-01/engine,2025-03-01,-5,,,,,", "meter_h", "-5", "negative, which this cannot be"),
        ("S9,WL-01/engine,2025-03-01,,,,-3,,", "Fe_ppm", "-3", "negative, which this cannot be"),
        ("S9,WL-01/engine,2025-03-01,,,,<-3,,", "Fe_ppm", "<-3", "negative, which this cannot be"),
        ("S9,WL-01/engine,2025-03-01,,,,<0,,", "Fe_ppm", "<0", "'below zero' is no result"),
        (
            "S9,WL-01/engine,2025-03-01,,,,99999,,",
            "Fe_ppm",
            "99999",
            "beyond what this can be; wanted 0 to 20000 ppm: a wrong unit or a slip?",
        ),
        ("S9,WL-01/engine,2025-03-01,many,,,,,", "meter_h", "many", "not a number"),
        (
            "S9,WL-01/engine,2025-03-01,5e7,,,,,",
            "meter_h",
            "5e7",
            "beyond what this can be; wanted 0 to 1e+06 h: a wrong unit or a slip?",
        ),
        ("S9,WL-01/engine,2025-03-01,,,half,,,", "fluid_level", "half", "not one of full, low, over"),
        (
            "S9,WL-01/engine,2025-03-01,,2025-02-27,,,,",
            "reported_on",
            "2025-02-27",
            "before the day the bottle was drawn",
        ),
        (
            'S9,WL-01/engine,2025-03-01,"1,250",,,,,',
            "meter_h",
            "1,250",
            "a comma with two meanings; 1.250 or 1250? Write it without the comma",
        ),
    ],
)
def test_a_value_that_cannot_be_used_leaves_its_row(
    samples: Callable[..., Fleet], row: str, column: str, value: str, reason: str
) -> None:
    fleet = samples(row)
    assert aside(fleet) == [("samples.csv", 2, column, value, reason, "value")]
    assert fleet.samples["sample"].tolist() == ["S9"]
    assert pd.isna(fleet.samples.loc[0, column])
    assert balanced(fleet)


def test_repairs_are_recorded(samples: Callable[..., Fleet]) -> None:
    fleet = samples('S9,wl-01/Final Drive/Left,01.03.2025,"1250,5",,FULL,nd,"<0,5",')
    got = fleet.repairs[["row", "column", "value", "reason", "used"]].values.tolist()
    assert got == [
        [2, "Cr_ppm", "<0,5", "decimal comma", "<0.5"],
        [2, "Fe_ppm", "nd", "not detected; used as below the reporting limit", "<1"],
        [2, "compartment", "wl-01/Final Drive/Left", "spelling of the name in compartments", "WL-01/final drive/left"],
        [2, "drawn_on", "01.03.2025", "day.month.year", "2025-03-01"],
        [2, "fluid_level", "FULL", "spelling", "full"],
        [2, "meter_h", "1250,5", "decimal comma", "1250.5"],
    ]
    row = fleet.samples.iloc[0]
    assert (row["Fe_ppm"], row["Fe_ppm_below"], row["Cr_ppm"], row["Cr_ppm_below"], row["meter_h"]) == (
        1,
        True,
        0.5,
        True,
        1250.5,
    )
    assert fleet.set_aside.empty


def test_two_bottles_with_one_number_and_a_re_issue(samples: Callable[..., Fleet]) -> None:
    fleet = samples(
        "S1,WL-01/engine,2025-01-10,,2025-01-15,,20,,",
        "S1,WL-01/engine,2025-01-10,,2025-01-20,,22,,",
        "S1,WL-01/final drive/left,2025-01-10,,2025-01-25,,60,,",
        "S1,WL-01/engine,2025-01-10,,2025-01-20,,22,,",
        "S1,WL-01/engine,2025-01-10,,2025-01-20,,23,,",
    )
    assert fleet.samples[["Fe_ppm", "row"]].values.tolist() == [[20, 2], [22, 3]]
    assert [(r, why.split(";")[0]) for _, r, _, _, why, _ in aside(fleet)] == [
        (4, "two bottles with one number"),
        (5, "the same row once more"),
        (6, "another result of this bottle with the same reported_on"),
    ]
    assert "samples.csv row 2 has it for WL-01/engine on 2025-01-10" in aside(fleet)[0][4]
    assert balanced(fleet)


def test_two_bottles_are_told_by_what_was_known_first(samples: Callable[..., Fleet]) -> None:
    """Else an assessment of January would change when a bottle of March comes in."""
    fleet = samples(
        "S1,WL-01/final drive/left,2025-03-10,,2025-03-15,,60,,", "S1,WL-01/engine,2025-01-10,,2025-01-15,,20,,"
    )
    assert fleet.samples["compartment"].tolist() == ["WL-01/engine"]
    assert aside(fleet)[0][1] == 2


def test_a_cascade_says_where_it_began(load: Callable[..., Fleet]) -> None:
    fleet = load({"machines.csv": "machine,site,kind\nWL-01,Nowhere,wheel loader\n"})
    reasons = fleet.set_aside.set_index(["file", "row"])["reason"].to_dict()
    assert reasons[("machines.csv", 2)] == "not in sites"
    assert reasons[("compartments.csv", 2)] == "its row in machines was set aside; see machines.csv row 2"
    assert reasons[("samples.csv", 2)] == "its row in compartments was set aside; see compartments.csv row 2"
    assert fleet.samples.empty
    assert balanced(fleet)


@pytest.mark.parametrize("name", ["sites", "machines", "compartments", "samples"])
def test_a_missing_table_is_an_error(load: Callable[..., Fleet], name: str) -> None:
    with pytest.raises(
        MissingTable,
        match=rf"the table '{name}' is missing; wanted {name}.csv, {name}.xlsx, {name}.parquet or a folder {name}/",
    ):
        load({f"{name}.csv": None})


@pytest.mark.parametrize(
    ("changes", "error", "words"),
    [
        ({"samples.csv": ""}, WrongFile, r"samples.csv: the file is empty"),
        ({"samples.csv": "\n\n"}, WrongFile, r"samples.csv: the file is empty"),
        ({"samples.csv": "sample,compartment,drawn_on,Fe_pm\n"}, UnknownColumn, r"samples.csv: row 1: unknown column "
        r"'Fe_pm'. Did you mean 'Fe_ppm'\?"),
        ({"samples.csv": "sample,drawn_on\n"}, WrongFile, r"the column compartment must be there; found sample, "
        r"drawn_on"),
        ({"samples.csv": "sample,compartment,drawn_on,\nS,WL-01/engine,2025-01-01,5\n"}, UnknownColumn, r"column 4 "
        r"has no heading but holds values \(such as '5'\)"),
        ({"samples.csv": "sample,compartment,drawn_on,drawn_on\n"}, UnknownColumn, r"unknown column 'drawn_on#2'"),
        ({"samples.csv": b"PK\x03\x04rest"}, WrongFile,
        r"the content is a spreadsheet or zip file, its name says text"),
        ({"samples.csv": 'sample,compartment,drawn_on\nS1,"WL-01/engine,2025-01-01\n'}, WrongFile, r"samples.csv: row "
        r"2 cannot be split into cells"),
        ({"samples.csv": b"sample,compartment,drawn_on\nS1,\x00\x00,x\n"}, WrongFile, r"holds bytes that are no text"),
        ({"samples.csv": None, "samples.xlsx": b"hello"}, WrongFile, r"samples.xlsx: not a spreadsheet .* Open it and "
        r"save it as .xlsx"),
        ({"samples.csv": None, "samples.xlsx": b""}, WrongFile, r"samples.xlsx: not a spreadsheet"),
        ({"samples.csv": None, "samples.parquet": b"hello"}, WrongFile, r"samples.parquet: not a Parquet file"),
        ({"samples.xlsx": b"hello"}, WrongFile, r"the table 'samples' is there more than once \(samples.csv, "
        r"samples.xlsx\)"),
        ({"samples/a.csv": "x"}, WrongFile, r"more than once \(samples.csv and the folder samples/\)"),
        ({"fleet.toml": None}, SettingsError, r"fleet.toml: not found"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_read_is_one_clear_error(
    load: Callable[..., Fleet], changes: dict, error: type, words: str
) -> None:
    with pytest.raises(error, match=words):
        load(changes)


def test_a_file_of_the_inbox_that_cannot_be_read_stops_no_other(load: Callable[..., Fleet]) -> None:
    fleet = load(
        {"inbox/new.csv": "No;Fe\n1;2\n", "inbox/own.csv": "sample,compartment,drawn_on\nN1,WL-01/engine,2025-01-01\n"}
    )
    assert "N1" in set(fleet.samples["sample"])
    note = fleet.set_aside.iloc[0]
    assert (note["file"], note["what"]) == ("inbox/new.csv", "file")
    assert note["reason"].startswith(
        "no layout in layouts/ fits this name, and the headings are not ours (No, Fe). Make one with"
    )


def test_no_such_folder(tmp_path: Path) -> None:
    with pytest.raises(MissingTable, match="no such folder"):
        load_fleet(tmp_path / "nothing")


def test_the_wrong_sheet_is_named(write: Callable[..., Path]) -> None:
    folder = write({"samples.csv": None})
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True}) as book:
        book.add_worksheet("Notes").write(0, 0, "hello")
        book.add_worksheet("Data").write(0, 0, "sample")
    (folder / "samples.xlsx").write_bytes(buffer.getvalue())
    with pytest.raises(WrongFile, match=r"several sheets and none called 'samples'; found 'Notes', 'Data'"):
        load_fleet(folder, TODAY)


def test_the_same_records_in_every_kind_of_file_are_the_same(write: Callable[..., Path]) -> None:
    plain = load_fleet(write(), TODAY).samples.drop(columns=["file", "row"])
    folder = write()
    rows = [line.split(",") for line in (folder / "samples.csv").read_text().splitlines()]
    (folder / "samples.csv").unlink()
    (folder / "samples.xlsx").write_bytes(sheet([[float(c) if c.isdigit() else c for c in row] for row in rows]))
    from_sheet = load_fleet(folder, TODAY).samples.drop(columns=["file", "row"])
    (folder / "samples.xlsx").unlink()
    plain.to_parquet(folder / "samples.parquet")
    from_parquet = load_fleet(folder, TODAY).samples.drop(columns=["file", "row"])
    (folder / "samples.parquet").unlink()
    (folder / "samples").mkdir()
    for i, row in enumerate(rows[1:]):
        (folder / "samples" / f"{i}.csv").write_text(
            ";".join(rows[0]) + "\r\n" + ";".join(row) + "\r\n", encoding="utf-16"
        )
    from_parts = load_fleet(folder, TODAY).samples.drop(columns=["file", "row"])
    for other in (from_sheet, from_parquet, from_parts):
        pd.testing.assert_frame_equal(other, plain)


def test_hostile_names_are_only_text(load: Callable[..., Fleet]) -> None:
    names = ["<script>alert(1)</script>", "../../x", "=1+1", "'; DROP TABLE samples; --"]
    fleet = load(
        {
            "machines.csv": "machine,site,kind\n" + "".join(f'"{n}",North,wheel loader\n' for n in names),
            "compartments.csv": "compartment,machine,kind\n" + "".join(f'"{n}/engine","{n}",engine\n' for n in names),
            "samples.csv": "sample,compartment,drawn_on,note\n"
            + "".join(f'S{i},"{n}/engine",2025-01-10,"{n}"\n' for i, n in enumerate(names)),
        }
    )
    assert fleet.samples["note"].tolist() == names
    assert sorted(fleet.machines["machine"]) == sorted(names)
    assert fleet.set_aside.empty


def test_services_meters_findings_and_corrections(load: Callable[..., Fleet]) -> None:
    fleet = load(
        {
            "services.csv": "service,compartment,done_on,kind,volume_l\nW1,WL-01/engine,2025-01-11,Change,30\nW2,WL-01/engine,2025-01-11,polish,\nW1,WL-01/engine,2025-01-12,change,\n",
            "meters.csv": "machine,read_on,meter_h,new_meter\nWL-01,2025-01-01,900,\nWL-01,2025-01-02,x,\nWL-01,2025-01-03,9000,\nWL-01,2025-01-03,2,true\n",
            "findings.csv": "finding,compartment,found_on,outcome\nF1,WL-01/engine,2025-03-01,no "
            "defect\nF2,WL-01/engine,2025-03-01,\n",
            "corrections.csv": "correction,sample,field,value,decided_on\nC1,S3,compartment,WL-01/final "
            "drive/right,2025-04-01\nC2,S3,meter_h,lots,2025-04-01\nC3,S9,meter_h,5,2025-04-01\nC4,S2,meter_h,\"1251,5\",2025-04-02\nC5,S2,colour,1,2025-04-02\n",
        }
    )  # fmt: skip
    assert [(f, r, why.split(";")[0]) for f, r, _, _, why, _ in aside(fleet)] == [
        ("corrections.csv", 3, "wanted a number of 0 or more for meter_h"),
        ("corrections.csv", 4, "not in samples"),
        ("corrections.csv", 6, "not one of compartment, meter_h, fluid_h, makeup_l, drawn_on, sample"),
        ("findings.csv", 3, "no outcome recorded"),
        ("meters.csv", 3, "not a usable number, and the row is nothing without it"),
        ("services.csv", 3, "not one of change, top-up, filter, flush, repair, replace"),
        ("services.csv", 4, "another row has the same service"),
    ]
    assert fleet.meters["meter_h"].tolist() == [900, 9000, 2]
    assert fleet.corrections["value"].tolist() == ["WL-01/final drive/right", "1251.5"]
    assert balanced(fleet)
    known = fleet.as_of("2025-12-31").samples.set_index("sample")
    assert known.loc["S3", "compartment"] == "WL-01/final drive/right"
    assert known.loc["S2", "meter_h"] == 1251.5


def test_a_first_day_after_the_first_bottle_is_not_believed(load: Callable[..., Fleet]) -> None:
    fleet = load({"machines.csv": "machine,site,kind,in_service_on\nWL-01,North,wheel loader,2025-06-01\n"})
    assert fleet.machines["in_service_on"].isna().all()
    assert aside(fleet) == [
        ("machines.csv", 2, "in_service_on", "2025-06-01", "a record of this machine is older", "value")
    ]


def test_own_analytes_are_columns(load: Callable[..., Fleet]) -> None:
    fleet = load(
        {
            "fleet.toml": 'name = "F"\n[analytes.W_ppm]\nunit = "ppm"\nreporting_limit = 2\n',
            "samples.csv": "sample,compartment,drawn_on,W_ppm\nS1,WL-01/engine,2025-01-10,ND\n",
        }
    )
    assert fleet.samples.loc[0, ["W_ppm", "W_ppm_below"]].tolist() == [2, True]


def test_windows_text_is_read_and_the_guess_recorded(load: Callable[..., Fleet]) -> None:
    fleet = load({"sites.csv": "site,name\nNorth,Grube Süd\n".encode("cp1252")})
    assert fleet.sites["name"].tolist() == ["Grube Süd"]
    assert fleet.repairs[["file", "row", "reason"]].values.tolist() == [
        ["sites.csv", 2, "not UTF-8: the file was read as Windows-1252"]
    ]


def test_the_order_of_rows_and_files_does_not_matter(load: Callable[..., Fleet], write: Callable[..., Path]) -> None:
    plain = load()
    folder = write()
    for name in ("compartments.csv", "samples.csv"):
        heading, *rows = (folder / name).read_text().splitlines()
        (folder / name).write_text("\n".join([heading, *reversed(rows)]) + "\n")
    turned = load_fleet(folder, TODAY)
    for name in TABLES:
        columns = TABLES[name].names
        pd.testing.assert_frame_equal(getattr(turned, name)[columns], getattr(plain, name)[columns])


def test_bottles_of_fresh_fluid_are_read_with_their_results_and_clear_reasons(load: Callable[..., Fleet]) -> None:
    """A row of an unknown site or without its batch is lost; a result that is none, or a report before the drawing, is
    taken out; one below its limit is kept as such.
    """
    head = "baseline,batch,site,fluid,grade,drawn_on,reported_on,Si_ppm,visc100_cSt"
    rows = [
        "N1,D-1,North,engine oil,SAE 15W-40,2025-02-01,2025-02-08,<1,14.2",
        "N2,D-2,North,engine oil,SAE 15W-40,2025-02-01,2025-01-08,four,14.2",
        "N3,D-3,nowhere,engine oil,SAE 15W-40,2025-02-01,2025-02-08,4,14.2",
        "N4,,North,engine oil,SAE 15W-40,2025-02-01,2025-02-08,4,14.2",
        "N1,D-9,North,engine oil,SAE 15W-40,2025-03-01,2025-03-08,4,14.2",
    ]
    fleet = load({"baselines.csv": "\n".join([head, *rows])})
    assert fleet.baselines["baseline"].tolist() == ["N1", "N2"]
    assert fleet.baselines[["Si_ppm", "Si_ppm_below"]].iloc[0].tolist() == [1.0, True]
    assert np.isnan(fleet.baselines["Si_ppm"].iloc[1])
    assert pd.isna(fleet.baselines["reported_on"].iloc[1])
    said = fleet.set_aside[fleet.set_aside["table"] == "baselines"]
    assert sorted(zip(said["row"], said["column"], said["what"], strict=True)) == [
        (3, "Si_ppm", "value"), (3, "reported_on", "value"), (4, "site", "row"), (5, "batch", "row"),
        (6, "baseline", "row")]  # fmt: skip


def test_decisions_that_cannot_be_right_are_set_aside_with_the_reason(load: Callable[..., Fleet]) -> None:
    """A day of work may lie ahead; one before the decision is taken out, and an alarm younger than its decision loses
    the row.
    """
    head = "decision,compartment,alarm_on,owner,decided_on,decided,why,due_on"
    place = "WL-01/final drive/right"
    rows = [
        f"D1,{place},2025-02-01,A. Smith,2025-03-01,accepted,look,2040-01-01",
        f"D2,{place},,A. Smith,2025-03-01,overruled,clean filter,2025-02-01",
        f"D3,{place},2025-03-02,A. Smith,2025-03-01,done,look,",
        f"D4,{place},,,2025-03-01,done,look,",
        f"D5,{place},,A. Smith,2025-03-01,ignored,look,",
        "D6,nowhere,,A. Smith,2025-03-01,done,look,",
        f"D7,{place},,A. Smith,2999-01-01,done,look,",
    ]
    fleet = load({"decisions.csv": "\n".join([head, *rows])})
    assert fleet.decisions["decision"].tolist() == ["D1", "D2"]
    assert fleet.decisions["due_on"].isna().tolist() == [False, True]
    said = fleet.set_aside[fleet.set_aside["table"] == "decisions"].set_index("row")["reason"]
    assert sorted(said.index) == [3, 4, 5, 6, 7, 8]
    assert said[3] == "to be done before it was decided"
    assert said[4] == "the alarm is younger than the decision"
    assert "accepted, deferred, done, overruled" in said[6]
