"""What happened to rows on the way in, gathered file by file and handed back with the fleet: set
aside, repaired, read.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.reading.bounds import SHOWN
from cmkit.records.reading.clean import text_cells
from cmkit.tables.records import EVENTS, SET_ASIDE

_IN_FILE = 2**24  # rows of a file; beyond it stands the column of a cell that became a row of its own
_FILE = 2**40


def cell_row(rows: np.ndarray, column: int) -> np.ndarray:
    """The place of rows that are made from the cells of one column (1, 2, ...), unlike that of any other row of the
    file.
    """
    return rows.astype(np.int64) + column * _IN_FILE


@dataclass(frozen=True)
class Note:
    """Places of one file of which the same thing is said. column, reason and used hold for all rows or are one a row.

    value: the cells as they stand; they become text when all notes are put together.
    """

    file: str
    row: Any
    column: Any
    value: Any
    reason: Any
    table: str
    what: str
    used: Any = ""


@dataclass(frozen=True)
class Notes:
    """Notes of all files. read: every row read (file, row, table, known_on). gone: names whose own row was set aside,
    with the place, by table. members: for files with one row a result, file -> first row -> all rows of that sample.
    """

    aside: list[Note] = field(default_factory=list)
    repairs: list[Note] = field(default_factory=list)
    read: list[pd.DataFrame] = field(default_factory=list)
    gone: dict[str, dict[str, str]] = field(default_factory=dict)
    members: dict[str, dict[int, list[int]]] = field(default_factory=dict)

    def set_aside(self, file: str, rows: Any, column: Any, values: Any, reasons: Any, *, table: str, what: str) -> None:
        """Rows or values that are not used."""
        if len(rows):
            self.aside.append(Note(file, rows, column, values, reasons, table, what))

    def repaired(self, file: str, rows: Any, column: Any, values: Any, reasons: Any, *, table: str, used: Any) -> None:
        """Values that are used after a repair; `used` is what they became."""
        if len(rows):
            self.repairs.append(Note(file, rows, column, values, reasons, table, "value", used))


def in_rows(notes: list[Note]) -> pd.DataFrame:
    """The notes as they were taken, one row a place: file, row, column, value, reason, table, what, used."""
    sizes = [len(n.row) for n in notes]

    def each(name: str) -> np.ndarray:
        parts = [np.asarray(getattr(n, name), dtype=object) for n in notes]
        return np.concatenate([np.broadcast_to(p, size) for p, size in zip(parts, sizes, strict=True)])

    if not notes:
        return pd.DataFrame(columns=[*SET_ASIDE, "used"]).drop(columns="known_on").astype({"row": "int64"})
    columns = {name: each(name) for name in ("file", "row", "column", "reason", "table", "what", "used")}
    return pd.DataFrame(columns | {"value": _texts([n.value for n in notes])}).astype({"row": "int64"})


def _texts(cells: list[Any]) -> np.ndarray:
    """All cells as text, one after the other; plain numbers in one go, since each step has a price of its own."""
    out = [
        c if isinstance(c, (np.ndarray, pd.api.extensions.ExtensionArray)) else np.array(list(c), dtype=object)
        for c in cells
    ]
    plain = [i for i, c in enumerate(out) if c.dtype == np.float64]
    if plain:
        ends = np.cumsum([len(out[i]) for i in plain])
        said = text_cells(np.concatenate([out[i] for i in plain]))
        for i, part in zip(plain, np.split(said, ends[:-1]), strict=True):
            out[i] = part
    done = set(plain)
    texts = np.concatenate([c if i in done else text_cells(c) for i, c in enumerate(out)])
    return np.array([t if len(t) <= SHOWN else f"{t[:SHOWN]}…" for t in texts], dtype=object)


def finished(notes: Notes) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """(set aside, repairs, arrivals): notes in order, dated by the row they belong to; arrivals counts rows by file and
    day.
    """
    read = _with_days(notes.read)
    files = pd.Index(read["file"].unique())
    at = pd.Index(_places(read, files))
    aside, repairs = _spread(in_rows(notes.aside), notes.members), in_rows(notes.repairs)
    lost = pd.Index(np.unique(_places(aside[aside["what"] == "row"], files)))
    days = pd.Series(read["known_on"].to_numpy(), index=at)
    counted = read[["file", "table", "known_on"]].assign(read=1, set_aside=at.isin(lost))
    arrivals = counted.groupby(["file", "table", "known_on"], dropna=False, sort=True)[["read", "set_aside"]].sum()
    arrivals = arrivals.reset_index().astype({"read": "int64", "set_aside": "int64"})
    return (
        _dated(aside, days, lost, files, [*SET_ASIDE]),
        _dated(repairs, days, lost, files, [*SET_ASIDE, "used"]),
        arrivals,
    )


def _places(notes: pd.DataFrame, files: pd.Index) -> np.ndarray:
    """One whole number for each (file, row)."""
    return np.asarray(files.get_indexer(notes["file"]).astype(np.int64) * _FILE + notes["row"].to_numpy(dtype=np.int64))


def _with_days(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Every row read with the day it became known. A row of an event that has no usable date came with the rows around
    it.
    """
    read = pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)
    read = read.sort_values(["file", "row"], kind="stable", ignore_index=True).astype({"known_on": "datetime64[us]"})
    days = read.groupby("file")["known_on"]
    around = days.ffill().fillna(days.bfill())
    return read.assign(known_on=read["known_on"].where(~read["table"].isin(EVENTS), around))


def _spread(aside: pd.DataFrame, members: dict[str, dict[int, list[int]]]) -> pd.DataFrame:
    """A lost sample of a file with one row a result loses each of its rows."""
    if not members:
        return aside
    places = zip(aside["file"], aside["row"], aside["what"], strict=True)
    rows = [members.get(file, {}).get(row, [row]) if what == "row" else [row] for file, row, what in places]
    return aside.assign(row=rows).explode("row", ignore_index=True).astype({"row": "int64"})


def _dated(notes: pd.DataFrame, days: pd.Series, lost: pd.Index, files: pd.Index, columns: list[str]) -> pd.DataFrame:
    """Notes in order of file, row and column, with the day their row became known.

    Notes on single values of a row that is lost as a whole are left out.
    """
    place = _places(notes, files)
    notes = notes.assign(known_on=days.reindex(place).to_numpy())
    column = pd.factorize(notes["column"], sort=True)[0]
    keep = ~((notes["what"] == "value").to_numpy() & np.isin(place, lost))
    order = np.lexsort(
        (column, notes["row"] // _IN_FILE, notes["row"] % _IN_FILE, pd.factorize(notes["file"], sort=True)[0])
    )
    ordered = notes.iloc[order[keep[order]]].reset_index(drop=True)[columns]
    ordered = ordered.assign(row=ordered["row"] % _IN_FILE)
    texts = [c for c in columns if c not in ("row", "known_on")]
    return ordered.astype({**dict.fromkeys(texts, "str"), "row": "Int64", "known_on": "datetime64[us]"})
