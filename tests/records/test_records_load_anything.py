"""Files with anything in them: every row read is used or set aside, and what cannot be read is one clear error."""

import csv
import io
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xlsxwriter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from read_back import aside, balanced

from cmkit.errors import RecordsError, WrongFile
from cmkit.records.analytes import analyte_register
from cmkit.records.fleet import Fleet
from cmkit.records.reading.bounds import Bounds
from cmkit.records.reading.load import load_fleet
from cmkit.records.reading.repeats import shared_keys

TODAY = date(2026, 1, 31)


def test_a_hundred_thousand_rows_of_nonsense_are_all_accounted_for(load: Callable[..., Fleet]) -> None:
    rng = np.random.default_rng(3)
    words = np.array(["", "<", "=1+1", "nonsense", "<script>", "-1", "9e99", "2025-01-01", "ü", "WL-01"])
    columns = ["sample", "compartment", "drawn_on", "meter_h", *analyte_register().index[:20]]
    cells = words[rng.integers(0, len(words), (100_000, len(columns)))]
    text = ",".join(columns) + "\n" + "\n".join(map(",".join, cells.tolist())) + "\n"
    fleet = load({"samples.csv": text})
    assert fleet.samples.empty
    counts = fleet.counts.set_index("file").loc["samples.csv"]
    assert counts["read"] == counts["set_aside"] == len([c for c in cells if "".join(c)])
    assert balanced(fleet)


_CELL = st.one_of(
    st.sampled_from(["S1", "S2", "WL-01/engine", "wl-01/ENGINE", "2025-01-10", "10.01.2025", "2031-01-01", "<1", "ND",
    "12,5", "1,234", "-4", "", "low", "x"]),
    st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=6),
)  # fmt: skip


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.lists(_CELL, min_size=9, max_size=9), max_size=8))
def test_whatever_stands_in_the_rows_read_is_used_plus_set_aside(
    write: Callable[..., Path], rows: list[list[str]]
) -> None:
    heading = ["sample", "compartment", "drawn_on", "meter_h", "reported_on", "fluid_level", "Fe_ppm", "Cr_ppm", "note"]
    frame = pd.DataFrame(rows, columns=heading, dtype=object)
    folder = write()
    frame.to_csv(folder / "samples.csv", index=False, lineterminator="\n", quoting=csv.QUOTE_ALL)
    fleet = load_fleet(folder, TODAY)
    assert balanced(fleet)
    filled = sum(any(c.strip() for c in row) for row in rows)
    assert fleet.counts.set_index("file")["read"].get("samples.csv", 0) == filled
    usable = fleet.samples["compartment"].isin(fleet.compartments["compartment"])
    assert usable.all()


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 400), st.sampled_from(["cut", "drop", "double", "garble"]), st.binary(min_size=1, max_size=3))
def test_any_mutilation_is_an_error_or_loses_no_row_without_a_reason(
    write: Callable[..., Path], at: int, how: str, junk: bytes
) -> None:
    folder = write()
    raw = (folder / "samples.csv").read_bytes()
    at = at % len(raw)
    spoiled = {
        "cut": raw[:at],
        "drop": raw[:at] + raw[at + 1 :],
        "double": raw[:at] + raw[at:] * 2,
        "garble": raw[:at] + junk + raw[at:],
    }[how]
    (folder / "samples.csv").write_bytes(spoiled)
    try:
        fleet = load_fleet(folder, TODAY)
    except RecordsError as raised:
        error = str(raised)
        fleet = None
    assert balanced(fleet) if fleet else "samples" in error


def test_a_row_that_ends_early_is_said_and_a_cut_file_loses_its_last_row(load: Callable[..., Fleet]) -> None:
    fleet = load(
        {
            "samples.csv": "sample,compartment,drawn_on,Fe_ppm,Cr_ppm\nA,WL-01/engine,2025-01-10,5\nB,WL-01/engine,2025-01-10,1"
        }
    )
    assert fleet.samples["sample"].tolist() == ["A"]
    assert fleet.repairs[["row", "reason"]].values.tolist() == [
        [2, "the row ends early, what is missing is read as not recorded"]
    ]
    assert [(r, why) for _, r, _, _, why, _ in aside(fleet)] == [
        (3, "the file ends in the middle of this row; was it copied whole?")
    ]
    assert balanced(fleet)


_LONG = "a number far longer than the bytes that enter its code, and like its neighbours up to here: "


@given(
    st.lists(
        st.sampled_from(["", "A1", "A2", "B1", "12345678", "123456789", _LONG + "1", _LONG + "2", "ä"])
        | st.text(max_size=3)
        | st.none(),
        max_size=12,
    )
)
def test_keys_that_rows_share(keys: list[str | None]) -> None:
    """Against pandas, for keys in order and in none, whole, as a part of a longer column, and in pieces."""
    frame = pd.DataFrame({"sample": pd.array(keys, dtype="str")})
    ordered = frame.sort_values("sample", ignore_index=True)
    pieces = pd.concat([frame[:3], frame[3:]], ignore_index=True)
    for part in (frame, ordered, ordered[2:], pieces):
        assert shared_keys(part, ["sample"]).tolist() == part.duplicated("sample", keep=False).tolist()


def test_what_lies_in_inbox_and_is_no_file_of_its_own_is_said(write: Callable[..., Path], tmp_path: Path) -> None:
    """A link may lead to any file of the machine, and files in folders would be missed in silence."""
    row = "sample,compartment,drawn_on\nS9,WL-01/engine,2025-03-01\n"
    folder = write({"inbox/here.csv": row, "inbox/..dots.csv": "never read", "inbox/2026/deep.csv": row})
    (tmp_path / "secret.csv").write_text(row.replace("S9", "SECRET"))
    (folder / "inbox" / "link.csv").symlink_to(tmp_path / "secret.csv")
    (folder / "inbox" / "gone.csv").symlink_to(folder / "inbox" / "nothing.csv")
    (folder / "inbox" / "same.csv").symlink_to("here.csv")
    fleet = load_fleet(folder, TODAY)
    files = fleet.set_aside[fleet.set_aside["what"] == "file"]
    assert dict(zip(files["file"], files["reason"], strict=True)) == {
        "inbox/2026": "a folder; put its files here",
        "inbox/gone.csv": "not a file",
        "inbox/link.csv": "a link to somewhere else; put the file itself here",
    }
    assert "SECRET" not in set(fleet.samples["sample"])
    assert "S9" in set(fleet.samples["sample"])


def test_folders_inside_a_table_are_said(write: Callable[..., Path]) -> None:
    text = "sample,compartment,drawn_on\nS1,WL-01/engine,2025-01-10\n"
    folder = write({"samples.csv": None, "samples/a.csv": text, "samples/2026/b.csv": text})
    fleet = load_fleet(folder, TODAY)
    assert fleet.set_aside[["file", "table", "reason"]].values.tolist() == [
        ["samples/2026", "samples", "a folder; put its files here"]
    ]


def test_marks_that_cannot_be_seen_do_not_make_another_name(load: Callable[..., Fleet]) -> None:
    """Mail and spreadsheets leave direction marks, soft hyphens and no-break spaces in what is copied from them."""
    text = "sample,\u200ecompartment,drawn_on,Fe_ppm\nS\u00ad1,\u202aWL-01\u200b/engine\u202c,\u200e2025-01-10,\u206612\u2069\n"
    fleet = load({"samples.csv": text})
    row = fleet.samples.iloc[0]
    assert (row["sample"], row["compartment"], row["Fe_ppm"]) == ("S1", "WL-01/engine", 12)
    assert fleet.set_aside.empty


def test_an_endless_name_loses_its_row_and_an_endless_note_does_not(samples: Callable[..., Fleet]) -> None:
    fleet = samples(f"{'x' * 501},WL-01/engine,2025-01-10,,,,,,", f"S2,WL-01/engine,2025-01-10,,,,,,{'y' * 10_000}")
    assert fleet.samples["note"].str.len().tolist() == [10_000]
    assert fleet.set_aside["reason"].tolist() == ["more than 500 characters; is a quotation mark missing?"]


def far_sheet(cells: dict[tuple[int, int], str]) -> bytes:
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True}) as book:
        page = book.add_worksheet("samples")
        for (row, column), text in {
            **dict(zip([(0, 0), (0, 1), (0, 2)], ["sample", "compartment", "drawn_on"], strict=True)),
            **cells,
        }.items():
            page.write(row, column, text)
    return buffer.getvalue()


def test_a_cell_far_out_is_refused_before_the_sheet_is_spread_out(load: Callable[..., Fleet]) -> None:
    """17 thousand million cells from a file of 5 kB; a sheet as long as sheets can be is read as
    long as it is narrow.
    """
    with pytest.raises(WrongFile, match=r"1,048,576 rows by 16,384 columns; at most 1,000 MB, .* 30,000,000 cells"):
        load({"samples.csv": None, "samples.xlsx": far_sheet({(1_048_575, 16_383): "x"})})
    with pytest.raises(WrongFile, match="1,048,576 rows by 702 columns"):
        load({"samples.csv": None, "samples.xlsx": far_sheet({(1, 701): "x", (1_048_575, 1): "x"})})


@pytest.mark.parametrize("name", ["samples.xlsx", "samples.csv"])
def test_a_file_that_would_fill_the_memory_is_refused(load: Callable[..., Fleet], monkeypatch, name: str) -> None:
    monkeypatch.setattr("cmkit.records.reading.load.OWN", Bounds(20_000, 20_000, 1_000))
    large = io.BytesIO()
    with zipfile.ZipFile(large, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet1.xml", b" " * 30_000)
    content = large.getvalue() if name.endswith("xlsx") else b"sample\n" * 5000
    assert len(content) < 20_000 or name.endswith("csv")
    with pytest.raises(WrongFile, match=f"{name}: .* MB.*; at most 0 MB,"):
        load({"samples.csv": None, name: content})


def test_a_damaged_package_is_said(load: Callable[..., Fleet]) -> None:
    whole = bytearray(far_sheet({(1, 0): "S1"}))
    at = whole.index(b"xl/worksheets/sheet1.xml") + 60
    whole[at : at + 20] = b"x" * 20
    with pytest.raises(WrongFile, match=r"samples\.xlsx: a damaged spreadsheet"):
        load({"samples.csv": None, "samples.xlsx": bytes(whole)})
