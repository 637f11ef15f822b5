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
from cmkit.records.clean import (
    Parsed,
    distinct,
    match_words,
    normal,
    parse_dates,
    parse_flags,
    parse_numbers,
    text_cells,
)
from cmkit.records.layouts import Cells, Source
from cmkit.records.tables import SET_ASIDE, Column, Table

# marks rows as lost: (mask, column, what the cells say, why)
Lose = Callable[[np.ndarray, str, np.ndarray, np.ndarray | str], None]
_FUTURE = "a date in the future"
_NEAR_HINTS = 100  # nearest names are looked up for this many unknown names a file: the search is slow


@dataclass(frozen=True)
class Notes:
    """What happened on the way in, gathered file by file and handed back with the fleet.

    aside, repairs: frames of notes. read: every row read (file, row, table, known_on). gone: names whose own row was set aside, with
    the place, by table. members: for files with one row a result, file -> first row -> all rows of that sample.
    """

    aside: list[pd.DataFrame] = field(default_factory=list)
    repairs: list[pd.DataFrame] = field(default_factory=list)
    read: list[pd.DataFrame] = field(default_factory=list)
    gone: dict[str, dict[str, str]] = field(default_factory=dict)
    members: dict[str, dict[int, list[int]]] = field(default_factory=dict)

    def set_aside(self, file: str, rows: Any, column: Any, values: Any, reasons: Any, table: str, what: str) -> None:
        """Rows or values that are not used."""
        if len(rows):
            self.aside.append(_note(file, rows, column, values, reasons, table, what))

    def repaired(self, file: str, rows: Any, column: Any, values: Any, reasons: Any, table: str, used: Any) -> None:
        """Values that are used after a repair; `used` is what they became."""
        if len(rows):
            self.repairs.append(
                _note(file, rows, column, values, reasons, table, "value").assign(used=[str(u) for u in used])
            )


def _note(file: str, rows: Any, column: Any, values: Any, reasons: Any, table: str, what: str) -> pd.DataFrame:
    return pd.DataFrame(
        {"file": file, "row": np.asarray(rows, dtype=np.int64), "column": column, "value": [str(v) for v in values],
         "reason": reasons, "table": table, "what": what}
    )  # fmt: skip


@dataclass(frozen=True)
class Context:
    """What a file is read against: the register of analytes, the names that exist (by table), today, and the notes taken."""

    register: pd.DataFrame
    names: dict[str, pd.Index]
    today: pd.Timestamp
    notes: Notes


@cache
def plausible_ranges() -> pd.DataFrame:
    """reference/plausible.csv: what a plain number of a table can be, by its unit."""
    with files("cmkit.reference").joinpath("plausible.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle).set_index("unit")


# the table in which a name of this column must exist
_REFERS = {"site": "sites", "machine": "machines", "compartment": "compartments", "sample": "samples"}
# tables of events: a date in them cannot lie ahead
_EVENTS = ("samples", "services", "meters", "findings", "corrections")


def usable_rows(cells: Cells, table: Table, context: Context) -> pd.DataFrame:
    """The rows of one file that can be used, with every column of the table in its dtype, plus `file` and `row`."""
    notes = context.notes
    _note_reading(cells, table, notes)
    n = len(cells.rows)
    alive = np.ones(n, dtype=bool)
    column, value, reason = (np.full(n, "", dtype=object) for _ in range(3))
    done: dict[str, Any] = {}

    def lose(mask: np.ndarray, name: str, raw: np.ndarray, why: np.ndarray | str) -> None:
        now = np.flatnonzero(mask & alive)
        column[now], value[now] = name, text_cells(raw[now])
        reason[now] = why if isinstance(why, str) else why[now]
        alive[now] = False

    dates = {c.name: _dates(c, cells, table, context, lose) for c in table.columns if c.kind == "date"}
    for c in table.columns:
        if c.kind == "text":
            done[c.name] = _texts(c, cells, table, context, alive, lose)
        elif c.kind == "number" and c.required:
            done[c.name] = _needed_numbers(c, cells, table, context, lose)
    _note_rows(cells, table, dates, reason, notes)
    notes.set_aside(cells.file, cells.rows[~alive], column[~alive], value[~alive], reason[~alive], table.name, "row")
    _note_gone(table, done, cells, alive, notes)
    columns: dict[str, Any] = {}
    for c in table.columns:
        if c.kind == "date":
            columns[c.name] = dates[c.name][alive]
        elif c.name in done:
            columns[c.name] = done[c.name][alive]
        elif c.kind == "number":
            columns[c.name] = _numbers(c.name, c.unit, cells, alive, table, context)[0]
        else:
            columns[c.name] = _flags(c.name, cells, alive, table, context)
    place = pd.DataFrame({"file": cells.file, "row": cells.rows[alive]}).astype({"file": "str", "row": "int64"})
    frame = pd.concat([place, pd.DataFrame(columns)], axis=1)
    return _with_results(frame, cells, alive, table, context) if table.name == "samples" else frame


def _needed_numbers(c: Column, cells: Cells, table: Table, context: Context, lose: Lose) -> np.ndarray:
    """Numbers of a column without which a row is nothing."""
    value = _numbers(c.name, c.unit, cells, np.ones(len(cells.rows), dtype=bool), table, context)[0]
    raw = _raw(cells, c.name)
    said = text_cells(raw) != ""
    lose(np.isnan(value) & said, c.name, raw, "not a usable number, and the row is nothing without it")
    lose(np.isnan(value), c.name, raw, f"no {c.name} recorded")
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
    raw = _raw(cells, c.name)
    found = parse_dates(raw, cells.words)
    day = found.value
    bad, mended = np.flatnonzero(found.problem != ""), np.flatnonzero(found.repair != "")
    if c.required:
        lose(found.problem != "", c.name, raw, found.problem)
        lose(np.isnat(day), c.name, raw, f"no {c.name} recorded")
    else:
        said = text_cells(raw[bad])
        context.notes.set_aside(cells.file, cells.rows[bad], c.name, said, found.problem[bad], table.name, "value")
    used = np.datetime_as_string(day[mended], unit="D")
    said = text_cells(raw[mended])
    context.notes.repaired(cells.file, cells.rows[mended], c.name, said, found.repair[mended], table.name, used)
    if table.name in _EVENTS:
        lose(day > context.today.to_datetime64(), c.name, raw, _FUTURE)
    return day


def _texts(
    c: Column, cells: Cells, table: Table, context: Context, alive: np.ndarray, lose: Lose
) -> pd.api.extensions.ExtensionArray:
    """Words of one column: taken as they are, from a list, or the name of something that must exist."""
    if c.name not in cells.columns:
        return _text_array(np.array([""], dtype=object), np.zeros(len(cells.rows), dtype=np.int64))
    codes, unique = distinct(_raw(cells, c.name))
    said = unique[codes]
    if c.required:
        lose((unique == "")[codes], c.name, said, f"no {c.name} recorded")
    if c.name != "note":
        broken = np.array(["\n" in t or "\r" in t for t in unique], dtype=bool)
        lose(broken[codes], c.name, said, "a line break inside the cell; is a quotation mark missing?")
    refers = _REFERS.get(c.name) if c.name not in table.key or table.name == "meters" else None
    if refers:
        asked = np.isin(np.arange(len(unique)), codes[alive])
        found = _match_names(unique, asked, context.names[refers], refers, context.notes.gone.get(refers, {}))
    elif c.one_of:
        found = match_words(unique, c.one_of, ", ".join(c.one_of))
    else:
        return _text_array(unique, codes)
    bad = (found.problem != "")[codes]
    problem = found.problem[codes]
    if c.required:
        lose(bad, c.name, said, problem)
    else:
        context.notes.set_aside(cells.file, cells.rows[bad], c.name, said[bad], problem[bad], table.name, "value")
    mended = (found.repair != "")[codes] & alive
    used, repair = found.value[codes][mended], found.repair[codes][mended]
    context.notes.repaired(cells.file, cells.rows[mended], c.name, said[mended], repair, table.name, used)
    return _text_array(found.value, codes)


def _match_names(said: np.ndarray, asked: np.ndarray, names: pd.Index, refers: str, gone: dict[str, str]) -> Parsed:
    """Names that must exist: exact, or the only one that differs in case and spacing alone. `asked`: which need a reason."""
    exact = set(names)
    by_normal: dict[str, list[str]] = {}
    for name in names:
        by_normal.setdefault(normal(name), []).append(name)
    value, problem = np.full(len(said), "", dtype=object), np.full(len(said), "", dtype=object)
    hints = 0
    for i, text in enumerate(said):
        if text in exact:
            value[i] = text
            continue
        same = by_normal.get(normal(text), [])
        value[i] = same[0] if len(same) == 1 else ""
        if text and not value[i] and asked[i]:
            hints += 1
            problem[i] = _unknown_name(text, refers, by_normal if hints <= _NEAR_HINTS else {}, gone)
    repair = np.where((value != "") & (value != said), f"spelling of the name in {refers}", "").astype(object)
    return Parsed(value, problem, repair, np.zeros(len(said), dtype=bool))


def _unknown_name(text: str, refers: str, by_normal: dict[str, list[str]], gone: dict[str, str]) -> str:
    if text in gone:
        return f"its row in {refers} was set aside; see {gone[text]}"
    longer = [names[0] for key, names in by_normal.items() if text and key.startswith(normal(text) + "/")]
    if len(longer) > 1:
        return f"not in {refers}; it could be {' or '.join(repr(n) for n in longer[:4])}: which one is not said"
    near = difflib.get_close_matches(normal(text), by_normal, n=1, cutoff=0.7) if len(text) < 200 else []
    return f"not in {refers}" + (f"; the nearest name is '{by_normal[near[0]][0]}'" if near else "")


def _note_rows(cells: Cells, table: Table, dates: dict[str, np.ndarray], reason: np.ndarray, notes: Notes) -> None:
    """Every row read, with the day it reached the office (none where one of its dates lies in the future)."""
    known = pd.Series(np.full(len(cells.rows), np.datetime64("NaT"), dtype="datetime64[us]"))
    for name in table.known_on:
        known = known.fillna(pd.Series(dates[name]))
    known = known.mask(reason == _FUTURE)
    frame = pd.DataFrame({"file": cells.file, "row": cells.rows, "table": table.name, "known_on": known})
    if cells.members:
        frame["row"] = [cells.members[int(r)] for r in frame["row"]]
        frame = frame.explode("row").astype({"row": np.int64})
    notes.read.append(frame)


def _note_gone(table: Table, done: dict, cells: Cells, alive: np.ndarray, notes: Notes) -> None:
    """Names whose row is lost, so that what refers to them can say why it is lost too."""
    if len(table.key) == 1 and not alive.all():
        gone = notes.gone.setdefault(table.name, {})
        for name, row in zip(done[table.key[0]][~alive], cells.rows[~alive], strict=True):
            gone.setdefault(name, f"{cells.file} row {row}")


def _part(cells: Cells, name: str, alive: np.ndarray) -> list[tuple[Source, np.ndarray | slice]]:
    """Sources of a column with the place of each cell among the rows that are alive."""
    whole = bool(alive.all())
    out: list[tuple[Source, np.ndarray | slice]] = []
    for source, place in cells.columns.get(name, []):
        if whole:
            out.append((source, slice(None) if place is None else place))
            continue
        at = np.arange(len(cells.rows)) if place is None else place
        keep = alive[at]
        part = Source(source.cells[keep], source.rows[keep], source.heading, source.conversion)
        out.append((part, slice(None) if place is None else (np.cumsum(alive) - 1)[at[keep]]))
    return out


def _numbers(
    name: str, unit: str, cells: Cells, alive: np.ndarray, table: Table, context: Context
) -> tuple[np.ndarray, np.ndarray]:
    """(values in our unit, left-censored flags) of one column; what cannot be used is NaN and noted."""
    n = int(alive.sum())
    value, flag = np.full(n, np.nan), np.zeros(n, dtype=bool)
    low, high, limit = _range(name, unit, context.register if table.name == "samples" else None)
    for source, place in _part(cells, name, alive):
        if source.cells.dtype.kind in "fiu":
            # most cells of a typed file are plain numbers in range: only the others go the long way
            numbers = source.conversion.apply(source.cells.astype(float))
            plain = np.isnan(source.cells) | ((numbers >= low) & (numbers <= high) & np.isfinite(numbers))
            value[place] = np.where(plain, numbers, np.nan)
            source = Source(source.cells[~plain], source.rows[~plain], source.heading, source.conversion)
            place = np.flatnonzero(~plain) if isinstance(place, slice) else place[~plain]
        if len(source.cells):
            value[place], flag[place] = _read_numbers(
                source, name, cells, (low, high, limit), unit, table, context.notes
            )
    return value, flag


def _read_numbers(
    source: Source, name: str, cells: Cells, bounds: tuple[float, float, float], unit: str, table: Table, notes: Notes
) -> tuple[np.ndarray, np.ndarray]:
    low, high, limit = bounds
    convert = source.conversion
    found = parse_numbers(source.cells, cells.words, (limit - convert.offset) / convert.scale)
    numbers = convert.apply(found.value)
    fine = found.plain & ((found.value != found.value) | ((numbers >= low) & (numbers <= high)))
    if fine.all():
        return numbers, found.below
    at = np.flatnonzero(~fine)
    odd = Parsed(*(part[at] for part in (found.value, found.problem, found.repair, found.below)))
    problem = _beyond(numbers[at], low, high, unit, odd)
    bad, mended = at[problem != ""], at[(odd.repair != "") & (problem == "")]
    said, why = text_cells(source.cells[bad]), problem[problem != ""]
    notes.set_aside(cells.file, source.rows[bad], name, said, why, table.name, "value")
    if len(mended):
        pairs = zip(numbers[mended], found.below[mended], strict=True)
        used = ["" if np.isnan(v) else f"{'<' if below_it else ''}{v:g}" for v, below_it in pairs]
        said = text_cells(source.cells[mended])
        notes.repaired(cells.file, source.rows[mended], name, said, found.repair[mended], table.name, used)
    numbers, flag = numbers.copy(), found.below.copy()
    numbers[bad], flag[bad] = np.nan, False
    return numbers, flag


def _range(name: str, unit: str, register: pd.DataFrame | None) -> tuple[float, float, float]:
    """(lowest, highest, reporting limit) a number of this column can have."""
    if register is not None and name in register.index:
        row = register.loc[name]
        return float(row["plausible_low"]), float(row["plausible_high"]), float(row["reporting_limit"])
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


def _flags(name: str, cells: Cells, alive: np.ndarray, table: Table, context: Context) -> pd.Series:
    out = np.full(int(alive.sum()), np.nan)
    for source, place in _part(cells, name, alive):
        if source.cells.dtype.kind == "b":
            out[place] = source.cells
            continue
        found = parse_flags(source.cells)
        bad = found.problem != ""
        context.notes.set_aside(
            cells.file, source.rows[bad], name, text_cells(source.cells[bad]), found.problem[bad], table.name, "value"
        )
        out[place] = found.value
    return pd.Series(pd.arrays.BooleanArray(out == 1.0, np.isnan(out)))


def _with_results(frame: pd.DataFrame, cells: Cells, alive: np.ndarray, table: Table, context: Context) -> pd.DataFrame:
    """Samples with every analyte of the register and its left-censored flag; dates that run backwards are taken out."""
    results: dict[str, np.ndarray] = {}
    units = context.register["unit"].to_dict()
    for analyte in context.register.index:
        value, flag = _numbers(analyte, units[analyte], cells, alive, table, context)
        if below(analyte) in cells.columns:
            flag |= _flags(below(analyte), cells, alive, table, context).fillna(False).to_numpy(dtype=bool)
        results[analyte], results[below(analyte)] = value, flag & ~np.isnan(value)
    for name in ("received_on", "reported_on"):
        bad = (frame[name] < frame["drawn_on"]).to_numpy()
        days = frame.loc[bad, name].dt.strftime("%Y-%m-%d")
        context.notes.set_aside(
            cells.file, frame.loc[bad, "row"], name, days, "before the day the bottle was drawn", table.name, "value"
        )
        frame[name] = frame[name].mask(bad)
    return pd.concat([frame, pd.DataFrame(results)], axis=1)


def finished(notes: Notes) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """(set aside, repairs, arrivals): notes in order, dated by the row they belong to; arrivals counts rows by file and day."""
    read = _with_days(notes.read)
    files = pd.Index(read["file"].unique())
    at = pd.Index(_places(read, files))
    aside = pd.concat(_spread(notes.aside, notes.members), ignore_index=True) if notes.aside else _no_notes()
    repairs = pd.concat(notes.repairs, ignore_index=True) if notes.repairs else _no_notes().assign(used="")
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
    return files.get_indexer(notes["file"]).astype(np.int64) * 2**32 + notes["row"].to_numpy(dtype=np.int64)


def _no_notes() -> pd.DataFrame:
    return pd.DataFrame({c: pd.Series(dtype="int64" if c == "row" else "str") for c in SET_ASIDE if c != "known_on"})


def _with_days(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Every row read with the day it became known. A row of an event that has no usable date came with the rows around it."""
    read = pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)
    read = read.sort_values(["file", "row"], kind="stable", ignore_index=True).astype({"known_on": "datetime64[us]"})
    days = read.groupby("file")["known_on"]
    around = days.ffill().fillna(days.bfill())
    return read.assign(known_on=read["known_on"].where(~read["table"].isin(_EVENTS), around))


def _spread(aside: list[pd.DataFrame], members: dict[str, dict[int, list[int]]]) -> list[pd.DataFrame]:
    """A lost sample of a file with one row a result loses each of its rows."""
    out = []
    for frame in aside:
        of_file = members.get(frame["file"].iloc[0])
        if of_file and frame["what"].iloc[0] == "row":
            spread = frame.assign(row=[of_file.get(r, [r]) for r in frame["row"]])
            frame = spread.explode("row").astype({"row": "int64"})
        out.append(frame)
    return out


def _dated(notes: pd.DataFrame, days: pd.Series, lost: pd.Index, files: pd.Index, columns: list[str]) -> pd.DataFrame:
    """Notes in order of file, row and column, with the day their row became known.

    Notes on single values of a row that is lost as a whole are left out.
    """
    place = _places(notes, files)
    notes = notes.assign(known_on=days.reindex(place).to_numpy())
    column = pd.factorize(notes["column"], sort=True)[0]
    keep = ~((notes["what"] == "value").to_numpy() & np.isin(place, lost))
    order = np.lexsort((column, notes["row"], pd.factorize(notes["file"], sort=True)[0]))
    ordered = notes.iloc[order[keep[order]]].reset_index(drop=True)[columns]
    texts = [c for c in columns if c not in ("row", "known_on")]
    return ordered.astype({**dict.fromkeys(texts, "str"), "row": "Int64", "known_on": "datetime64[us]"})
