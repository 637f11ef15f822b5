"""Append-only tables beside a fleet's records: one CSV file each, lines are added and never changed, nothing in it is a
formula.
"""

import csv
import os
from pathlib import Path

import pandas as pd

from cmkit.errors import RecordsError
from cmkit.tables.dictionary import table
from cmkit.tables.frames import names, typed

_MARKS = ("=", "+", "-", "@", "\t", "\r")  # a cell that begins so is a formula to a spreadsheet


def read_ledger(path: Path, name: str) -> pd.DataFrame:
    """The rows of the dictionary's table `name` kept at `path`, in the order they were added; empty where there is no
    file.

    Raises RecordsError when the file is not as cmkit wrote it, naming the file, the line and what to do.
    """
    columns = names(name)
    if not path.exists():
        return from_text(pd.DataFrame(columns=columns), name)
    try:
        with path.open(encoding="utf-8", newline="") as handle:
            rows = list(csv.reader(handle, strict=True))
    except (UnicodeDecodeError, csv.Error) as error:
        raise RecordsError(
            f"{path}: not readable as CSV: {error}. Put the file back from a copy; it is the record of what was said."
        ) from error
    if not rows or rows[0] != columns:
        found = ", ".join(rows[0]) if rows else "nothing"
        raise RecordsError(f"{path}: line 1 holds {found}; wanted {', '.join(columns)}. Put the file back from a copy.")
    for line, row in enumerate(rows[1:], start=2):
        _check(path, line, row, name)
    return from_text(pd.DataFrame([[_plain(cell) for cell in row] for row in rows[1:]], columns=columns), name)


def write_ledger(path: Path, frame: pd.DataFrame, name: str) -> None:
    """Replace the file whole, so that a reader never sees half of it. frame: all rows, the older ones first."""
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    with beside.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, lineterminator="\n", quoting=csv.QUOTE_ALL)
        writer.writerow(names(name))
        writer.writerows(as_text(frame, name).itertuples(index=False, name=None))
        handle.flush()
        os.fsync(handle.fileno())
    beside.replace(path)


def as_text(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Every cell as the text that is written: dates as ISO days, numbers in their shortest form, empty for what is
    missing.
    """
    out = {}
    for column in table(name).columns:
        values = frame[column.name]
        if column.kind == "date":
            out[column.name] = values.dt.strftime("%Y-%m-%d").fillna("")
        elif column.kind == "number":
            cells = ["" if pd.isna(x) else f"{x:.10g}" for x in values]
            out[column.name] = pd.Series(cells, index=frame.index, dtype="str")
        else:
            cells = [f"'{x}" if x.lstrip("'").startswith(_MARKS) else x for x in values.astype("str")]
            out[column.name] = pd.Series(cells, index=frame.index, dtype="str")
    return pd.DataFrame(out, index=frame.index)


def from_text(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Cells, as text or already of their type, as the dictionary's table `name`; empty text is missing in dates and
    numbers.
    """
    out = frame[names(name)].copy()
    for column in table(name).columns:
        if column.kind == "date":
            out[column.name] = pd.to_datetime(out[column.name].replace("", None))
        elif column.kind == "number":
            out[column.name] = pd.to_numeric(out[column.name].replace("", None))
    return typed(out, name)


def _check(path: Path, line: int, row: list[str], name: str) -> None:
    """RecordsError for a line that cmkit cannot have written."""
    columns = table(name).columns
    wrong = f"{len(row)} cells, wanted {len(columns)}" if len(row) != len(columns) else ""
    for column, cell in () if wrong else zip(columns, row, strict=True):
        if column.kind not in ("number", "date") or not cell:
            continue
        convert = pd.to_numeric if column.kind == "number" else pd.to_datetime
        if pd.isna(convert(cell, errors="coerce")):
            wanted = "number" if column.kind == "number" else "date such as 2026-06-30"
            wrong = f"{column.name} {cell!r}, wanted a {wanted}"
    if wrong:
        raise RecordsError(
            f"{path}: line {line}: found {wrong}. Put the line or the file back from a copy; lines are added, never "
            f"changed."
        )


def _plain(cell: str) -> str:
    """A cell without the mark that keeps a spreadsheet from reading it as a formula."""
    return cell[1:] if cell.startswith("'") and cell.lstrip("'").startswith(_MARKS) else cell
