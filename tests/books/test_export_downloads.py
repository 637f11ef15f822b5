"""Tables a reader takes away: text stays text in CSV and XLSX, numbers stay numbers, the same table gives the same
bytes.
"""

import io
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from cmkit.records.reading.files import spreadsheet_text
from cmkit.records.spreadsheets import safe_csv, workbook, write_tables
from cmkit.tables.dictionary import table
from cmkit.tables.frames import typed

FRAME = pd.DataFrame(
    {
        "=heading": ["=1+1", "+1", "-1", "@x", "\tx", "\rx", "plain", "a=b", ""],
        "number": [-1.5, 2.0, None, 4, 5, 6, 7, 8, 9],
        "day": pd.to_datetime(["2026-01-05"] * 8 + [None]),
        "yes": [True, False] * 4 + [True],
        "url": ["http://example.invalid/a"] * 9,
    }
)
MADE = pd.Timestamp("2026-06-30")


def test_text_that_looks_like_a_formula_is_marked_in_csv() -> None:
    """Apostrophe before = + - @ tab and CR in text: usual web-security advice for CSV (from memory)."""
    back = pd.read_csv(io.BytesIO(safe_csv(FRAME)), encoding="utf-8-sig", keep_default_na=False)
    assert back.columns.tolist()[0] == "'=heading"
    assert back["'=heading"].tolist() == ["'=1+1", "'+1", "'-1", "'@x", "'\tx", "'\rx", "plain", "a=b", ""]
    assert back["number"].tolist()[:3] == ["-1.5", "2.0", ""]
    assert back["day"].tolist() == ["2026-01-05"] * 8 + [""]


@pytest.mark.parametrize("value", [-1.0, 5, None, "plain"])
def test_what_is_no_formula_stays(value: object) -> None:
    assert spreadsheet_text(value) == value


def test_no_cell_of_the_workbook_is_a_formula_or_a_link() -> None:
    sheet = openpyxl.load_workbook(io.BytesIO(workbook({"made": FRAME}, MADE)))["made"]
    cells = [c for row in sheet.iter_rows() for c in row]
    assert {c.data_type for c in cells} <= {"s", "n", "b"}
    assert all(c.hyperlink is None for c in cells)
    assert [sheet.cell(r, 1).value for r in (1, 2, 3, 8)] == ["=heading", "=1+1", "+1", "plain"]
    assert [sheet.cell(2, c).value for c in (2, 3, 4)] == [-1.5, "2026-01-05", True]
    assert sheet.cell(4, 2).value is None


def test_headings_of_a_known_table_carry_their_units() -> None:
    due = typed(
        [
            {
                c.name: {"text": "routine", "number": 1, "date": pd.NaT, "flag": False}[c.kind]
                for c in table("due").columns
            }
        ],
        "due",
    )
    sheet = openpyxl.load_workbook(io.BytesIO(workbook({"due": due}, MADE)))["due"]
    named = dict(zip(due.columns, [c.value for c in sheet[1]], strict=True))
    assert [named[n] for n in ("compartment", "every_h", "overdue", "due_on")] == [
        "compartment",
        "every_h (h)",
        "overdue",
        "due_on",
    ]


def test_the_same_tables_give_the_same_bytes(tmp_path: Path) -> None:
    for folder in ("one", "two"):
        write_tables({"made": FRAME, "x" * 40: FRAME.head(0)}, tmp_path / folder, MADE)
    names = sorted(p.name for p in (tmp_path / "one").iterdir())
    assert names == sorted(["made.csv", f"{'x' * 40}.csv", "tables.xlsx"])
    assert all((tmp_path / "one" / n).read_bytes() == (tmp_path / "two" / n).read_bytes() for n in names)
