"""A file's cells into rows of one of our tables. A row or value that cannot be used goes to the notes, with its reason; so does a repair."""

import difflib
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.analytes import below
from cmkit.records.reading.clean import (
    Parsed,
    distinct,
    match_words,
    normal,
    not_among,
    odd_texts,
    parse_dates,
    parse_flags,
    parse_numbers,
    text_cells,
    told,
)
from cmkit.records.reading.layouts import Cells, Source
from cmkit.records.reading.names import Found, Names, Resolver
from cmkit.records.reading.notes import Notes
from cmkit.tables.column import Column, Table
from cmkit.tables.records import AHEAD, EVENTS

# marks rows as lost: (their places, column, what all cells say, why: for all or for each)
Lose = Callable[[np.ndarray, str, np.ndarray, np.ndarray | str], None]
_FUTURE = "a date in the future"
_LONGEST = 500  # characters of a text other than a note
_NEAR_HINTS = 100  # nearest names are looked up for this many unknown names a file: the search is slow


@dataclass(frozen=True)
class Context:
    """What a file is read against: the register of analytes, the names that exist (by table), today, the notes taken, and what finds a
    name that a file writes in another way."""

    register: pd.DataFrame
    names: dict[str, pd.Index]
    today: pd.Timestamp
    notes: Notes
    resolver: Resolver = field(default_factory=lambda: Resolver(Names()))


@cache
def plausible_ranges() -> pd.DataFrame:
    """reference/plausible.csv: what a plain number of a table can be, by its unit."""
    with files("cmkit.reference").joinpath("plausible.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle).set_index("unit")


# the table in which a name of this column must exist
_REFERS = {"site": "sites", "machine": "machines", "compartment": "compartments", "sample": "samples"}


@dataclass(frozen=True)
class Mended:
    """A column as the file has it, but for `values` at some `places`, which rise: a long column is not copied for the sake of a few cells."""

    cells: Any
    places: np.ndarray
    values: Any

    def __getitem__(self, at: np.ndarray) -> Any:
        """Values at these places, which rise."""
        out = self.cells[at]
        found = np.searchsorted(at, self.places)
        here = np.flatnonzero(found < len(at))
        here = here[at[found[here]] == self.places[here]]
        if len(here):
            out[found[here]] = self.values[here]
        return out

    def missing(self) -> np.ndarray:
        """True where a number is not recorded, or none that can be used."""
        out = np.isnan(self.cells)
        out[self.places] = np.isnan(self.values)
        return out


def _as_read(numbers: np.ndarray) -> Mended:
    return Mended(numbers, np.zeros(0, dtype=np.intp), numbers[:0])


@dataclass(frozen=True)
class Checked:
    """A file's columns in their dtypes (arrays, or arrays with a few cells mended), and which of its rows are usable (`alive`).

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
            context.notes.set_aside(cells.file, cells.rows[at], name, raw[at], why, table.name, "row")
            alive[at] = False

    columns: dict[str, Any] = dict.fromkeys(table.names)
    for c in table.columns:
        if c.kind == "date":
            columns[c.name] = _dates(c, cells, table, context, lose)
    for c in table.columns:
        if c.kind == "text":
            columns[c.name] = _texts(c, cells, table, context, alive, lose)
        elif c.kind == "number" and c.required:
            columns[c.name] = _needed_numbers(c, cells, table, context, lose)
    for c in table.columns:
        if c.kind == "number" and not c.required:
            columns[c.name] = _numbers(c.name, c.unit, cells, table, context)[0]
        elif c.kind == "flag":
            columns[c.name] = pd.arrays.BooleanArray(*_flags(c.name, cells, table, context))
    if table.name == "samples":
        columns |= _results(cells, table, context)
        _check_order(columns, cells, table, context.notes)
    return Checked(cells, columns, alive, future)


def _needed_numbers(c: Column, cells: Cells, table: Table, context: Context, lose: Lose) -> Mended:
    """Numbers of a column without which a row is nothing."""
    value = _numbers(c.name, c.unit, cells, table, context)[0]
    raw = _raw(cells, c.name)
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
    lost, mended = cells.lost, cells.repairs
    notes.set_aside(
        cells.file, lost["row"], lost["column"], lost["value"], lost["reason"].to_numpy(), table.name, "row"
    )
    notes.repaired(
        cells.file, mended["row"], "", mended["value"], mended["reason"].to_numpy(), table.name, mended["used"]
    )
    never = pd.DataFrame(
        {"file": cells.file, "row": lost["row"].astype(np.int64), "table": table.name, "known_on": pd.NaT}
    )
    notes.read.append(never.astype({"known_on": "datetime64[us]"}))
    if cells.members:
        notes.members[cells.file] = cells.members


def _raw(cells: Cells, name: str) -> np.ndarray:
    """What the file holds in a column, one cell a row; '' where it has none."""
    sources = cells.columns.get(name, [])
    if len(sources) == 1 and sources[0][1] is None:
        return sources[0][0].cells
    out = np.full(len(cells.rows), "", dtype=object)
    for source, place in sources:
        out[slice(None) if place is None else place] = source.cells
    return out


def _dates(c: Column, cells: Cells, table: Table, context: Context, lose: Lose) -> np.ndarray:
    """Days of one column. Unreadable: the row is lost if it needs the date, else the value is; in the future: the row is lost."""
    if c.name not in cells.columns and not c.required:
        return np.full(len(cells.rows), np.datetime64("NaT"), dtype="datetime64[us]")
    raw = _raw(cells, c.name)
    found = parse_dates(raw, cells.words)
    day = found.value
    bad, mended = told(found.problem), told(found.repair)
    if c.required:
        lose(bad, c.name, raw, found.problem[bad])
        lose(np.flatnonzero(np.isnat(day)), c.name, raw, f"no {c.name} recorded")
    else:
        context.notes.set_aside(cells.file, cells.rows[bad], c.name, raw[bad], found.problem[bad], table.name, "value")
    used = np.datetime_as_string(day[mended], unit="D")
    context.notes.repaired(cells.file, cells.rows[mended], c.name, raw[mended], found.repair[mended], table.name, used)
    if table.name in EVENTS and c.name not in AHEAD:
        lose(np.flatnonzero(day > context.today.to_datetime64()), c.name, raw, _FUTURE)
    return day


def _texts(c: Column, cells: Cells, table: Table, context: Context, alive: np.ndarray, lose: Lose) -> Any:
    """Words of one column: taken as they are, from a list, or the name of something that must exist. None where the file has it not."""
    if c.name not in cells.columns:
        return None
    raw = _raw(cells, c.name)
    refers = _REFERS.get(c.name) if c.name not in table.key or table.name == "meters" else None
    if not refers and not c.one_of:
        return _free_texts(c, raw, lose)
    typed = isinstance(raw.dtype, pd.StringDtype)
    at = not_among(raw, context.names[refers] if refers else c.one_of) if typed else np.arange(len(raw))
    codes, unique = distinct(raw[at])
    _lose_unreadable(c, raw, at, codes, unique, lose)
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
        context.notes.set_aside(cells.file, cells.rows[at[bad]], c.name, said, why, table.name, "value")
    mended = (found.repair != "")[codes] & alive[at]
    said, used, repair = (words[codes[mended]] for words in (unique, found.value, found.repair))
    context.notes.repaired(cells.file, cells.rows[at[mended]], c.name, said, repair, table.name, used)
    values = _text_array(found.value, codes)
    return Mended(raw, at, values) if typed else values


def _free_texts(c: Column, raw: np.ndarray, lose: Lose) -> pd.api.extensions.ExtensionArray:
    """Words taken as they are. Of a column that is text already only the odd ones are looked at one by one."""
    typed = isinstance(raw.dtype, pd.StringDtype)
    at = odd_texts(raw) if typed else np.arange(len(raw))
    if typed and not len(at):
        return raw
    codes, unique = distinct(raw[at])
    _lose_unreadable(c, raw, at, codes, unique, lose)
    found = _text_array(unique, codes)
    if not typed:
        return found
    out = raw.copy()
    out[at] = found
    return out


def _lose_unreadable(
    c: Column, raw: np.ndarray, at: np.ndarray, codes: np.ndarray, unique: np.ndarray, lose: Lose
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
    """Names that must exist: exact, the only one that differs in case and spacing alone, or what the resolver finds. `asked`: which need
    a reason."""
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
    return Parsed(value, problem, repair, np.zeros(len(said), dtype=bool))


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
    known = np.full(len(cells.rows), np.datetime64("NaT"), dtype="datetime64[us]")
    for name in table.known_on:
        known = np.where(np.isnat(known), checked.columns[name], known)
    known[checked.future] = np.datetime64("NaT")
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


def _numbers(name: str, unit: str, cells: Cells, table: Table, context: Context) -> tuple[Mended, np.ndarray]:
    """(values in our unit, left-censored flags) of one column; what cannot be used is NaN and noted."""
    parts = []
    bounds = _range(name, unit, context.register if table.name == "samples" else None)
    for source, place in cells.columns.get(name, []):
        read = _typed_numbers if source.cells.dtype.kind in "fiu" else _read_numbers
        found = read(source, name, cells, bounds=bounds, unit=unit, table=table, notes=context.notes)
        if place is None:
            return found
        parts.append((place, *found))
    value, flag = np.full(len(cells.rows), np.nan), np.zeros(len(cells.rows), dtype=bool)
    for place, numbers, censored in parts:
        value[place], flag[place] = numbers[np.arange(len(place))], censored
    return _as_read(value), flag


def _typed_numbers(
    source: Source,
    name: str,
    cells: Cells,
    *,
    bounds: tuple[float, float, float],
    unit: str,
    table: Table,
    notes: Notes,
) -> tuple[Mended, np.ndarray]:
    """Numbers that are numbers already: nearly all are in range or missing, and only the others go the long way."""
    numbers = source.conversion.apply(source.cells.astype(float, copy=False))
    fine = (numbers >= bounds[0]) & (numbers <= bounds[1])
    if np.isinf(bounds[:2]).any():
        fine &= np.isfinite(numbers)
    odd = np.flatnonzero(~fine)
    odd = odd[~np.isnan(source.cells[odd])]
    flag = np.zeros(len(numbers), dtype=bool)
    rest = Source(source.cells[odd], source.rows[odd], source.heading, source.conversion)
    mended, flag[odd] = _read_numbers(rest, name, cells, bounds=bounds, unit=unit, table=table, notes=notes)
    return Mended(numbers, odd, mended.cells), flag


def _read_numbers(
    source: Source,
    name: str,
    cells: Cells,
    *,
    bounds: tuple[float, float, float],
    unit: str,
    table: Table,
    notes: Notes,
) -> tuple[Mended, np.ndarray]:
    low, high, limit = bounds
    convert = source.conversion
    found = parse_numbers(source.cells, cells.words, (limit - convert.offset) / convert.scale)
    numbers = convert.apply(found.value)
    fine = found.plain & ((found.value != found.value) | ((numbers >= low) & (numbers <= high)))
    if fine.all():
        return _as_read(numbers), found.below
    at = np.flatnonzero(~fine)
    odd = Parsed(*(part[at] for part in (found.value, found.problem, found.repair, found.below)))
    problem = _beyond(numbers[at], low, high, unit, odd)
    bad, mended = at[problem != ""], at[(odd.repair != "") & (problem == "")]
    why = problem[problem != ""]
    notes.set_aside(cells.file, source.rows[bad], name, source.cells[bad], why, table.name, "value")
    if len(mended):
        pairs = zip(numbers[mended], found.below[mended], strict=True)
        used = ["" if np.isnan(v) else f"{'<' if below_it else ''}{v:g}" for v, below_it in pairs]
        why = found.repair[mended]
        notes.repaired(cells.file, source.rows[mended], name, source.cells[mended], why, table.name, used)
    numbers, flag = numbers.copy(), found.below.copy()
    numbers[bad], flag[bad] = np.nan, False
    return _as_read(numbers), flag


def _range(name: str, unit: str, register: pd.DataFrame | None) -> tuple[float, float, float]:
    """(lowest, highest, reporting limit) a number of this column can have."""
    if register is not None and name in register.index:
        low, high, limit = (
            float(register[c].loc[name]) for c in ("plausible_low", "plausible_high", "reporting_limit")
        )
        return low, high, limit
    ranges = plausible_ranges()
    return (
        (float(ranges.loc[unit, "low"]), float(ranges.loc[unit, "high"]), np.nan)
        if unit in ranges.index
        else (-np.inf, np.inf, np.nan)
    )


def _beyond(numbers: np.ndarray, low: float, high: float, unit: str, found: Parsed) -> np.ndarray:
    problem = found.problem.copy()
    fine = problem == ""
    problem[fine & (numbers < low) & (low >= 0) & (numbers < 0)] = "negative, which this cannot be"
    outside = fine & (problem == "") & ((numbers < low) | (numbers > high))
    problem[outside] = f"beyond what this can be; wanted {low:g} to {high:g} {unit}: a wrong unit or a slip?"
    problem[fine & (problem == "") & found.below & (numbers <= 0) & (low >= 0)] = "'below zero' is no result"
    problem[fine & (problem == "") & np.isnan(numbers) & ~np.isnan(found.value)] = (
        "below the range of the unit it is written in"
    )
    return problem


def _flags(name: str, cells: Cells, table: Table, context: Context) -> tuple[np.ndarray, np.ndarray]:
    """(true, not recorded) of one column of truth values."""
    n, sources = len(cells.rows), cells.columns.get(name, [])
    if len(sources) == 1 and sources[0][1] is None and sources[0][0].cells.dtype.kind == "b":
        return sources[0][0].cells, np.zeros(n, dtype=bool)
    out = np.full(n, np.nan)
    for source, place in sources:
        found = parse_flags(source.cells)
        bad = told(found.problem)
        why = found.problem[bad]
        context.notes.set_aside(cells.file, source.rows[bad], name, source.cells[bad], why, table.name, "value")
        out[slice(None) if place is None else place] = found.value
    return out == 1.0, np.isnan(out)


def _results(cells: Cells, table: Table, context: Context) -> dict[str, Any]:
    """Every analyte of the register and its left-censored flag."""
    results: dict[str, Any] = {}
    units = context.register["unit"].to_dict()
    for analyte in context.register.index:
        value, flag = _numbers(analyte, units[analyte], cells, table, context)
        if below(analyte) in cells.columns:
            flag = flag | _flags(below(analyte), cells, table, context)[0]
        results[analyte], results[below(analyte)] = value, flag & ~value.missing()
    return results


def _check_order(columns: dict[str, Any], cells: Cells, table: Table, notes: Notes) -> None:
    """Takes out dates of a sample that run backwards."""
    for name in ("received_on", "reported_on"):
        bad = np.flatnonzero(columns[name] < columns["drawn_on"])
        days = np.datetime_as_string(columns[name][bad], unit="D")
        why = "before the day the bottle was drawn"
        notes.set_aside(cells.file, cells.rows[bad], name, days, why, table.name, "value")
        columns[name][bad] = np.datetime64("NaT")
