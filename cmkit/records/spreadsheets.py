"""Tables as CSV and XLSX, safe to open in a spreadsheet: text stays text, whatever a laboratory or a field sheet wrote
into it.
"""

import math
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path

import pandas as pd
import xlsxwriter

from cmkit.records.reading.files import spreadsheet_text
from cmkit.tables.describe import heading

SHEET_ROWS = 1_048_576  # what one sheet can hold, heading included
SHEET_NAME = 31


def safe_csv(frame: pd.DataFrame) -> bytes:
    """A table as CSV (UTF-8 with the mark that spreadsheets look for, days as YYYY-MM-DD, missing as empty)."""
    out = _days_as_text(frame)
    for column in out.columns[[pd.api.types.is_string_dtype(t) or pd.api.types.is_object_dtype(t) for t in out.dtypes]]:
        out[column] = out[column].map(spreadsheet_text, na_action="ignore")
    out.columns = [spreadsheet_text(str(c)) for c in out.columns]
    text: str = out.to_csv(index=False, lineterminator="\r\n")
    return text.encode("utf-8-sig")


def _days_as_text(frame: pd.DataFrame) -> pd.DataFrame:
    out = frame.copy()
    for column in out.columns[[pd.api.types.is_datetime64_any_dtype(t) for t in out.dtypes]]:
        whole = out[column].dropna().dt.normalize().eq(out[column].dropna()).all()
        out[column] = out[column].dt.strftime("%Y-%m-%d" if whole else "%Y-%m-%d %H:%M")
    return out


def workbook(tables: Mapping[str, pd.DataFrame], made: pd.Timestamp) -> bytes:
    """Tables as one workbook, a sheet each, headings with their units; no cell is a formula or a link. `made` stands as
    its date, so that bytes repeat.

    Raises ValueError for a table of more rows than a sheet holds.
    """
    store = BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(store, options) as book:
        book.set_properties({"created": made.to_pydatetime()})
        bold = book.add_format({"bold": True})
        for name, frame in tables.items():
            _fill_sheet(book.add_worksheet(name[:SHEET_NAME]), name, frame, bold)
    return store.getvalue()


def _fill_sheet(sheet: xlsxwriter.worksheet.Worksheet, name: str, frame: pd.DataFrame, bold: object) -> None:
    if len(frame) >= SHEET_ROWS:
        raise ValueError(f"{name}: {len(frame)} rows, and a sheet holds {SHEET_ROWS - 1}; take the CSV")
    sheet.freeze_panes(1, 0)
    sheet.write_row(0, 0, [heading(name, str(c)) for c in frame.columns], bold)
    plain = _days_as_text(frame)
    for number, column in enumerate(plain.columns):
        values = plain[column].astype(object)
        for row, value in enumerate(values.where(values.notna(), None).tolist(), start=1):
            if isinstance(value, (bool, int, float)) and math.isfinite(value):
                sheet.write(row, number, value)
            elif value is not None:
                sheet.write_string(row, number, str(value))


def write_tables(tables: Mapping[str, pd.DataFrame], folder: Path, made: pd.Timestamp) -> list[Path]:
    """Each table as NAME.csv and all of them as tables.xlsx, in `folder`; the paths written."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        (folder / f"{name}.csv").write_bytes(safe_csv(frame))
    small = {name: frame for name, frame in tables.items() if len(frame) < SHEET_ROWS}
    (folder / "tables.xlsx").write_bytes(workbook(small, made))
    return [*(folder / f"{name}.csv" for name in tables), folder / "tables.xlsx"]
