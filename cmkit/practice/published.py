"""What each month's books said, kept as it was said: an append-only table beside the published months (`published.csv`).

A month is never written over. When a month is published again and says something else, both are kept, each with the day it was
published; the record of what was said counts the first.
"""

import csv
import os
from pathlib import Path

import pandas as pd

from cmkit.errors import RecordsError
from cmkit.tables.frames import empty, names, typed

PUBLISHED = names("published")
CHANGES = names("published_changes")
FILE = "published.csv"
_NUMBERS, _DATES = ("chance", "cost_of_waiting"), ("published_on", "as_of", "due_on")
_SAID = ["compartment", "state", "chance", "cause", "severity", "work", "group", "due_on", "sample", "cost_of_waiting"]
_COMPARED = ("state", "cause", "severity", "work", "sample")
_MARKS = ("=", "+", "-", "@", "\t", "\r")  # a cell that begins so is a formula to a spreadsheet


def said_in(
    month: str, as_of: pd.Timestamp, verdicts: pd.DataFrame, orders: pd.DataFrame, waiting: pd.DataFrame
) -> pd.DataFrame:
    """What a month's books say of every compartment (columns PUBLISHED without published_on). month: `2026-06`.

    verdicts: compartment, state, chance, cause, severity, sample; orders: compartment, work, group, due_on; waiting: compartment,
    cost_of_waiting. A cause is kept where something is raised. Chances are rounded to 4 decimals and money to whole units, as they are kept.
    """
    out = verdicts[["compartment", "state", "chance", "cause", "severity", "sample"]]
    out = out.merge(orders[["compartment", "work", "group", "due_on"]], on="compartment", how="left")
    out = out.merge(waiting[["compartment", "cost_of_waiting"]], on="compartment", how="left")
    out = out.assign(
        month=month, as_of=as_of, chance=out["chance"].round(4), cost_of_waiting=out["cost_of_waiting"].round(0)
    )
    text = [c for c in PUBLISHED if c not in (*_NUMBERS, *_DATES)]
    out = out.assign(published_on=pd.NaT, **{c: out[c].fillna("") for c in text})
    return _typed(out).drop(columns="published_on").sort_values("compartment", ignore_index=True)


def read_published(folder: Path) -> pd.DataFrame:
    """What was published so far (columns PUBLISHED), in the order it was; empty where nothing was.

    Raises RecordsError when the file is not as cmkit wrote it, naming the file, the line and what to do.
    """
    path = folder / FILE
    if not path.exists():
        return _typed(pd.DataFrame(columns=PUBLISHED))
    try:
        with path.open(encoding="utf-8", newline="") as handle:
            rows = list(csv.reader(handle, strict=True))
    except (UnicodeDecodeError, csv.Error) as error:
        raise RecordsError(
            f"{path}: not readable as CSV: {error}. Put the file back from a copy; it is the record of what was said."
        ) from error
    if not rows or rows[0] != PUBLISHED:
        found = ", ".join(rows[0]) if rows else "nothing"
        raise RecordsError(
            f"{path}: line 1 holds {found}; wanted {', '.join(PUBLISHED)}. Put the file back from a copy."
        )
    for line, row in enumerate(rows[1:], start=2):
        _check(path, line, row)
    return _typed(pd.DataFrame([[_plain(cell) for cell in row] for row in rows[1:]], columns=PUBLISHED))


def _check(path: Path, line: int, row: list[str]) -> None:
    """RecordsError for a line that cmkit cannot have written."""
    wrong = f"{len(row)} cells, wanted {len(PUBLISHED)}" if len(row) != len(PUBLISHED) else ""
    cells = dict(zip(PUBLISHED, row, strict=False))
    for name in () if wrong else (*_NUMBERS, *_DATES):
        convert = pd.to_numeric if name in _NUMBERS else pd.to_datetime
        if cells[name] and pd.isna(convert(cells[name], errors="coerce")):
            wrong = f"{name} {cells[name]!r}, wanted a {'number' if name in _NUMBERS else 'date such as 2026-06-30'}"
    if wrong:
        raise RecordsError(
            f"{path}: line {line}: found {wrong}. Put the line or the file back from a copy; lines are added, never changed."
        )


def append_published(folder: Path, said: pd.DataFrame, published_on: pd.Timestamp) -> int:
    """Add what a month's books say to the record in `folder`; returns how many rows were added.

    said: frame of `said_in`. A row that says what the newest row of its month and compartment says is not added again; one that says
    something else is added with its own day, and the older one stays. The file is replaced whole, so a reader never sees half of it.
    """
    before = read_published(folder)
    rows = _typed(said.assign(published_on=pd.Timestamp(published_on).normalize()))
    newest = before.drop_duplicates(["month", "compartment"], keep="last")
    kept = _lines(newest, _SAID_KEY).to_numpy() if len(newest) else []
    new = rows[~_lines(rows, _SAID_KEY).isin(list(kept))]
    if len(new):
        whole = pd.concat([before, new], ignore_index=True) if len(before) else new
        write_published(folder, whole)
    return len(new)


_SAID_KEY = ["month", *_SAID]


def _lines(frame: pd.DataFrame, names: list[str]) -> pd.Series:
    """Each row as one text, to compare rows as they are written."""
    cells = _cells(frame)
    return pd.Series(
        ["\x1f".join(row) for row in cells[names].itertuples(index=False, name=None)], index=frame.index, dtype="str"
    )


def _cells(frame: pd.DataFrame) -> pd.DataFrame:
    """Every cell as the text that is written: dates as ISO days, numbers in their shortest form, empty for what is missing."""
    out = {}
    for name in PUBLISHED:
        values = frame[name]
        if name in _DATES:
            out[name] = values.dt.strftime("%Y-%m-%d").fillna("")
        elif name in _NUMBERS:
            out[name] = pd.Series(["" if pd.isna(x) else f"{x:.10g}" for x in values], index=frame.index, dtype="str")
        else:
            out[name] = pd.Series(
                [f"'{x}" if x.lstrip("'").startswith(_MARKS) else x for x in values.astype("str")],
                index=frame.index,
                dtype="str",
            )
    return pd.DataFrame(out, index=frame.index)


def _plain(cell: str) -> str:
    """A cell without the mark that keeps a spreadsheet from reading it as a formula."""
    return cell[1:] if cell.startswith("'") and cell.lstrip("'").startswith(_MARKS) else cell


def write_published(folder: Path, frame: pd.DataFrame) -> None:
    """The whole record as a file of `folder`, replaced in one step. frame: columns PUBLISHED."""
    path = folder / FILE
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    with beside.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, lineterminator="\n", quoting=csv.QUOTE_ALL)
        writer.writerow(PUBLISHED)
        writer.writerows(_cells(frame).itertuples(index=False, name=None))
        handle.flush()
        os.fsync(handle.fileno())
    beside.replace(path)


def _typed(frame: pd.DataFrame) -> pd.DataFrame:
    out = frame[PUBLISHED].copy()
    for name in _DATES:
        out[name] = pd.to_datetime(out[name].replace("", None))
    for name in _NUMBERS:
        out[name] = pd.to_numeric(out[name].replace("", None))
    return typed(out, "published")


def first_said(published: pd.DataFrame) -> pd.DataFrame:
    """What each month's first books said: one row per month and compartment, later issues of a month left out."""
    return published.drop_duplicates(["month", "compartment"], keep="first").reset_index(drop=True)


def said_otherwise(published: pd.DataFrame, said: pd.DataFrame) -> pd.DataFrame:
    """Where the same month reckoned anew says something else than was published (columns CHANGES), by compartment.

    published: `read_published`; said: frame of `said_in` of that month by today's numbers. Compared: state, cause, severity, work, sample.
    """
    old = first_said(published)
    both = old[old["month"].isin(said["month"])].merge(said, on=["month", "compartment"], suffixes=("", "_now"))
    rows = [
        (r["compartment"], r["month"], r["published_on"], name, r[name], r[f"{name}_now"])
        for r in both.to_dict("records")
        for name in _COMPARED
        if r[name] != r[f"{name}_now"]
    ]
    out = typed([dict(zip(CHANGES, row, strict=True)) for row in rows], "published_changes")
    return out.sort_values(["compartment", "month", "field"], kind="stable", ignore_index=True)


def published_alarms(published: pd.DataFrame) -> pd.DataFrame:
    """Alarms as they were published, one row each: compartment, alarm_on (day of the first book that showed it), as_of (day of the records
    it was made from), until (month of the last book in a row), months, chance and cause (as first said).
    """
    rows = first_said(published).sort_values(["compartment", "month"], kind="stable")
    order = {month: place for place, month in enumerate(sorted(set(rows["month"])))}
    raised = rows[rows["state"] == "alarm"]
    if not len(raised):
        return empty("published_alarms")
    place = raised["month"].map(order)
    starts = (place.groupby(raised["compartment"]).diff() != 1).groupby(raised["compartment"]).cumsum()
    out = raised.assign(spell=starts).groupby(["compartment", "spell"], sort=True).agg(
        alarm_on=("published_on", "first"), as_of=("as_of", "first"), until=("month", "last"), months=("month", "size"), chance=("chance", "first"), cause=("cause", "first")
    )  # fmt: skip
    out = out.reset_index().drop(columns="spell")
    return typed(out, "published_alarms")
