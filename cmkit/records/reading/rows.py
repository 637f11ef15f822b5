"""A file's cells into rows of one of our tables. A row or value that cannot be used goes to the notes, with its reason;
so does a repair.
"""

import difflib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.censoring import CODES
from cmkit.records.reading.clean import (
    Parsed,
    distinct,
    match_words,
    normal,
    not_among,
    odd_texts,
    parse_dates,
    text_cells,
    uncensored,
    worded,
)
from cmkit.records.reading.layouts import Cells
from cmkit.records.reading.names import Found
from cmkit.records.reading.notes import Notes
from cmkit.records.reading.values import Context, Patched, flag_values, plain_numbers, raw_cells, results
from cmkit.tables.column import Column, Table
from cmkit.tables.records import AHEAD, EVENTS

# marks rows as lost: (their places, column, what all cells say, why: for all or for each)
Lose = Callable[[np.ndarray, str, np.ndarray, np.ndarray | str], None]
_FUTURE = "a date in the future"
_LONGEST = 500  # characters of a text other than a note
_NEAR_HINTS = 100  # nearest names are looked up for this many unknown names a file: the search is slow


# the table in which a name of this column must exist
_REFERS = {"site": "sites", "machine": "machines", "compartment": "compartments", "sample": "samples"}


@dataclass(frozen=True)
class Checked:
    """A file's columns in their dtypes (arrays, or arrays with a few cells repaired), and which of its rows are usable
    (`alive`).

    future: rows that are lost because one of their dates lies in the future. A column of text the file has not is None.
    """

    cells: Cells
    columns: dict[str, Any]
    alive: np.ndarray
    future: np.ndarray

    def rows(self, at: np.ndarray) -> pd.DataFrame:
        """These rows with every column, plus `file` and `row`, their place."""
        place = pd.DataFrame({"file": self.cells.file, "row": self.cells.rows[at]})
        none = pd.array([np.nan], dtype="str").take(np.zeros(len(at), dtype=np.intp))
        columns = {name: none if values is None else values[at] for name, values in self.columns.items()}
        return pd.concat([place.astype({"file": "str", "row": "int64"}), pd.DataFrame(columns)], axis=1)


def usable_rows(cells: Cells, table: Table, context: Context) -> pd.DataFrame:
    """The rows of one file that can be used, with every column of the table in its dtype, plus `file` and `row`."""
    _note_reading(cells, table, context.notes)
    checked = checked_columns(cells, table, context)
    _note_rows(checked, table, context.notes)
    _note_gone(checked, table, context.notes)
    return checked.rows(np.flatnonzero(checked.alive))


def checked_columns(cells: Cells, table: Table, context: Context) -> Checked:
    """All rules on one file, column by column; what they find goes to the notes.

    A column that is typed already (Parquet) is compared as a whole, and words are made for the cells that fail alone.
    """
    alive = np.ones(len(cells.rows), dtype=bool)
    future = np.zeros(len(cells.rows), dtype=bool)

    def lose(at: np.ndarray, name: str, raw: np.ndarray, why: np.ndarray | str) -> None:
        future[at] |= why is _FUTURE  # also of a row that is lost already: it came with the rows around it
        now = alive[at]
        at, why = at[now], why if isinstance(why, str) else why[now]
        if len(at):
            context.notes.set_aside(cells.file, cells.rows[at], name, raw[at], why, table=table.name, what="row")
            alive[at] = False

    columns: dict[str, Any] = dict.fromkeys(table.names)
    for c in table.columns:
        if c.kind == "date":
            columns[c.name] = _dates(c, cells, table, context, lose)
    for c in table.columns:
        if c.kind == "text":
            columns[c.name] = _texts(c, cells, table, context, alive=alive, lose=lose)
        elif c.kind == "number" and c.required:
            columns[c.name] = _needed_numbers(c, cells, table, context, lose)
    for c in table.columns:
        if c.kind == "number" and not c.required and c.name not in CODES:
            columns[c.name] = plain_numbers(c, cells, table, context)
        elif c.kind == "flag":
            columns[c.name] = pd.arrays.BooleanArray(*flag_values(c.name, cells, table, context))
    if table.results:
        columns |= results(cells, table, context)
        _check_order(columns, cells, table, context.notes)
    return Checked(cells, columns, alive, future)


def _needed_numbers(c: Column, cells: Cells, table: Table, context: Context, lose: Lose) -> Patched:
    """Numbers of a column without which a row is nothing."""
    value = plain_numbers(c, cells, table, context)
    raw = raw_cells(cells, c.name)
    at = np.flatnonzero(value.missing())
    said = text_cells(raw[at]) != ""
    lose(at[said], c.name, raw, "not a usable number, and the row is nothing without it")
    lose(at[~said], c.name, raw, f"no {c.name} recorded")
    return value


def _text_array(unique: np.ndarray, codes: np.ndarray) -> pd.api.extensions.ExtensionArray:
    """Text of every row from the distinct texts, with missing values where nothing is recorded."""
    return pd.array(np.where(unique == "", np.nan, unique), dtype="str").take(codes)


def _note_reading(cells: Cells, table: Table, notes: Notes) -> None:
    """Notes of the reading itself: rows that fit no heading, an encoding that was guessed."""
    lost, repaired = cells.lost, cells.repairs
    notes.set_aside(
        cells.file, lost["row"], lost["column"], lost["value"], lost["reason"].to_numpy(), table=table.name, what="row"
    )
    notes.repaired(
        cells.file,
        repaired["row"],
        "",
        repaired["value"],
        repaired["reason"].to_numpy(),
        table=table.name,
        used=repaired["used"],
    )
    never = pd.DataFrame(
        {"file": cells.file, "row": lost["row"].astype(np.int64), "table": table.name, "known_on": pd.NaT}
    )
    notes.read.append(never.astype({"known_on": "datetime64[us]"}))
    if cells.members:
        notes.members[cells.file] = cells.members


def _dates(c: Column, cells: Cells, table: Table, context: Context, lose: Lose) -> np.ndarray:
    """Days of one column. Unreadable: the row is lost if it needs the date, else the value is; in the future: the row
    is lost.
    """
    if c.name not in cells.columns and not c.required:
        return np.full(len(cells.rows), np.datetime64("NaT", "us"), dtype="datetime64[us]")
    raw = raw_cells(cells, c.name)
    found = parse_dates(raw, cells.words)
    day = found.value
    bad, repaired = worded(found.problem), worded(found.repair)
    if c.required:
        lose(bad, c.name, raw, found.problem[bad])
        lose(np.flatnonzero(np.isnat(day)), c.name, raw, f"no {c.name} recorded")
    else:
        context.notes.set_aside(
            cells.file, cells.rows[bad], c.name, raw[bad], found.problem[bad], table=table.name, what="value"
        )
    used = np.datetime_as_string(day[repaired], unit="D")
    context.notes.repaired(
        cells.file, cells.rows[repaired], c.name, raw[repaired], found.repair[repaired], table=table.name, used=used
    )
    if table.name in EVENTS and c.name not in AHEAD:
        lose(np.flatnonzero(day > context.today.to_datetime64()), c.name, raw, _FUTURE)
    return day


def _texts(c: Column, cells: Cells, table: Table, context: Context, *, alive: np.ndarray, lose: Lose) -> Any:
    """Words of one column: taken as they are, from a list, or the name of something that must exist. None where the
    file has it not.
    """
    if c.name not in cells.columns:
        return None
    raw = raw_cells(cells, c.name)
    refers = _REFERS.get(c.name) if c.name not in table.key or table.name == "meters" else None
    if not refers and not c.one_of:
        return _free_texts(c, raw, lose)
    typed = isinstance(raw.dtype, pd.StringDtype)
    at = not_among(raw, context.names[refers] if refers else c.one_of) if typed else np.arange(len(raw))
    codes, unique = distinct(raw[at])
    _lose_unreadable(c, raw, at, codes, unique, lose=lose)
    if refers:
        asked = np.zeros(len(unique), dtype=bool)
        asked[codes[alive[at]]] = True
        found = _match_names(unique, asked, refers, context)
    else:
        found = match_words(unique, c.one_of, ", ".join(c.one_of))
    bad = (found.problem != "")[codes]
    if c.required:
        lose(at[bad], c.name, raw, found.problem[codes[bad]])
    else:
        said, why = unique[codes[bad]], found.problem[codes[bad]]
        context.notes.set_aside(cells.file, cells.rows[at[bad]], c.name, said, why, table=table.name, what="value")
    repaired = (found.repair != "")[codes] & alive[at]
    said, used, repair = (words[codes[repaired]] for words in (unique, found.value, found.repair))
    context.notes.repaired(cells.file, cells.rows[at[repaired]], c.name, said, repair, table=table.name, used=used)
    values = _text_array(found.value, codes)
    return Patched(raw, at, values) if typed else values


def _free_texts(c: Column, raw: np.ndarray, lose: Lose) -> pd.api.extensions.ExtensionArray:
    """Words taken as they are. Of a column that is text already only the odd ones are looked at one by one."""
    typed = isinstance(raw.dtype, pd.StringDtype)
    at = odd_texts(raw) if typed else np.arange(len(raw))
    if typed and not len(at):
        return raw
    codes, unique = distinct(raw[at])
    _lose_unreadable(c, raw, at, codes, unique, lose=lose)
    found = _text_array(unique, codes)
    if not typed:
        return found
    out = raw.copy()
    out[at] = found
    return out


def _lose_unreadable(
    c: Column, raw: np.ndarray, at: np.ndarray, codes: np.ndarray, unique: np.ndarray, *, lose: Lose
) -> None:
    """Rows without a text they need, and rows in which a quotation mark that is missing has swallowed a line."""
    if c.required:
        lose(at[(unique == "")[codes]], c.name, raw, f"no {c.name} recorded")
    broken = np.array(["\n" in t or "\r" in t for t in unique], dtype=bool)
    if c.name != "note" and broken.any():
        lose(at[broken[codes]], c.name, raw, "a line break inside the cell; is a quotation mark missing?")
    endless = np.array([len(t) > _LONGEST for t in unique], dtype=bool)
    if c.name != "note" and endless.any():
        lose(at[endless[codes]], c.name, raw, f"more than {_LONGEST} characters; is a quotation mark missing?")


def _match_names(said: np.ndarray, asked: np.ndarray, refers: str, context: Context) -> Parsed:
    """Names that must exist: exact, the only one that differs in case and spacing alone, or what the resolver finds.
    `asked`: which need a reason."""
    names, gone = context.names[refers], context.notes.gone.get(refers, {})
    exact = set(names)
    by_normal: dict[str, list[str]] = {}
    if not exact.issuperset(t for t in said if t):
        for name in names:
            by_normal.setdefault(normal(name), []).append(name)
    value, problem, repair = (np.full(len(said), "", dtype=object) for _ in range(3))
    hints = 0
    for i, text in enumerate(said):
        if text in exact:
            value[i] = text
            continue
        same = by_normal.get(normal(text), [])
        found = context.resolver.find(refers, text) if text and len(same) != 1 else Found()
        if found.name in exact:
            value[i], repair[i] = found.name, found.why
        elif len(same) == 1:
            value[i], repair[i] = same[0], f"spelling of the name in {refers}"
        elif text and asked[i]:
            hints += 1
            problem[i] = _unknown_name(text, refers, by_normal if hints <= _NEAR_HINTS else {}, gone)
            if found.name:
                problem[i] = f"names.csv says '{found.name}', which is not in {refers}"
    return Parsed(value, problem, repair, uncensored(len(said)))


def _unknown_name(text: str, refers: str, by_normal: dict[str, list[str]], gone: dict[str, str]) -> str:
    if text in gone:
        return f"its row in {refers} was set aside; see {gone[text]}"
    start = normal(text) + "/"
    longer = [names[0] for key, names in by_normal.items() if text and key.startswith(start)]
    if len(longer) > 1:
        return f"not in {refers}; it could be {' or '.join(repr(n) for n in longer[:4])}: which one is not said"
    near = difflib.get_close_matches(normal(text), by_normal, n=1, cutoff=0.7) if len(text) < 200 else []
    return f"not in {refers}" + (f"; the nearest name is '{by_normal[near[0]][0]}'" if near else "")


def _note_rows(checked: Checked, table: Table, notes: Notes) -> None:
    """Every row read, with the day it reached the office (none where one of its dates lies in the future)."""
    cells = checked.cells
    known = np.full(len(cells.rows), np.datetime64("NaT", "us"), dtype="datetime64[us]")
    for name in table.known_on:
        known = np.where(np.isnat(known), checked.columns[name], known)
    known[checked.future] = np.datetime64("NaT", "us")
    frame = pd.DataFrame({"file": cells.file, "row": cells.rows, "table": table.name, "known_on": known})
    if cells.members:
        frame["row"] = [cells.members[int(r)] for r in frame["row"]]
        frame = frame.explode("row").astype({"row": np.int64})
    notes.read.append(frame)


def _note_gone(checked: Checked, table: Table, notes: Notes) -> None:
    """Names whose row is lost, so that what refers to them can say why it is lost too."""
    if len(table.key) == 1 and not checked.alive.all():
        gone = notes.gone.setdefault(table.name, {})
        lost = np.flatnonzero(~checked.alive)
        names, rows = checked.columns[table.key[0]][lost], checked.cells.rows[lost]
        for name, row in zip(names, rows, strict=True):
            gone.setdefault(name, f"{checked.cells.file} row {row}")


def _check_order(columns: dict[str, Any], cells: Cells, table: Table, notes: Notes) -> None:
    """Takes out dates of a sample that run backwards."""
    for name in (n for n in ("sent_on", "received_on", "reported_on") if n in columns):
        bad = np.flatnonzero(columns[name] < columns["drawn_on"])
        days = np.datetime_as_string(columns[name][bad], unit="D")
        why = "before the day the bottle was drawn"
        notes.set_aside(cells.file, cells.rows[bad], name, days, why, table=table.name, what="value")
        columns[name][bad] = np.datetime64("NaT", "us")
