"""Numbers, truth values and results of a file's columns: converted to our units, checked, and what cannot be used
noted.
"""

from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.analytes import above, below
from cmkit.records.censoring import CODES, SIGNS
from cmkit.records.reading.clean import Parsed, parse_flags, parse_numbers, uncensored, worded
from cmkit.records.reading.iso_codes import filled_from_codes, no_code
from cmkit.records.reading.layouts import Cells, Source
from cmkit.records.reading.names import Names, Resolver
from cmkit.records.reading.notes import Notes
from cmkit.tables.column import Column, Table


@dataclass(frozen=True)
class Context:
    """What a file is read against: the register of analytes, the names that exist (by table), today, the notes taken,
    and what finds a name that a file writes in another way."""

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


@dataclass(frozen=True)
class Patched:
    """A column as the file has it, but for `values` at some `places`, which rise: a long column is not copied for the
    sake of a few cells.
    """

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

    def filled(self) -> np.ndarray:
        """The whole column, as a copy."""
        out = self.cells.copy()
        out[self.places] = self.values
        return np.asarray(out)

    def missing(self) -> np.ndarray:
        """True where a number is not recorded, or none that can be used."""
        out = np.isnan(self.cells)
        out[self.places] = np.isnan(self.values)
        return np.asarray(out)


def as_read(numbers: np.ndarray) -> Patched:
    """Numbers of which none needed a repair."""
    return Patched(numbers, np.zeros(0, dtype=np.intp), numbers[:0])


def raw_cells(cells: Cells, name: str) -> np.ndarray:
    """What the file holds in a column, one cell a row; '' where it has none."""
    sources = cells.columns.get(name, [])
    if len(sources) == 1 and sources[0][1] is None:
        return sources[0][0].cells
    out = np.full(len(cells.rows), "", dtype=object)
    for source, place in sources:
        out[slice(None) if place is None else place] = source.cells
    return out


def plain_numbers(c: Column, cells: Cells, table: Table, context: Context) -> Patched:
    """Numbers of a column that is no result: one given as above or below a limit is used at that limit, and noted."""
    value, side = _numbers(c.name, c.unit, cells, table, context)
    at = np.flatnonzero((side != 0) & ~value.missing())
    used = [f"{v:g}" for v in value[at]]
    why = "given as a limit; used at that limit"
    context.notes.repaired(
        cells.file, cells.rows[at], c.name, raw_cells(cells, c.name)[at], why, table=table.name, used=used
    )
    return value


def _numbers(name: str, unit: str, cells: Cells, table: Table, context: Context) -> tuple[Patched, np.ndarray]:
    """(values in our unit, side of each as in :class:`Parsed`) of one column; what cannot be used is NaN and noted."""
    parts = []
    bounds = _range(name, unit, context.register if table.results else None)
    for source, place in cells.columns.get(name, []):
        read = _typed_numbers if source.cells.dtype.kind in "fiu" else _read_numbers
        found = read(source, name, cells, bounds=bounds, unit=unit, table=table, notes=context.notes)
        if place is None:
            return found
        parts.append((place, *found))
    value, side = np.full(len(cells.rows), np.nan), uncensored(len(cells.rows))
    for place, numbers, part in parts:
        value[place], side[place] = numbers[np.arange(len(place))], part
    return as_read(value), side


def _typed_numbers(
    source: Source,
    name: str,
    cells: Cells,
    *,
    bounds: tuple[float, float, float],
    unit: str,
    table: Table,
    notes: Notes,
) -> tuple[Patched, np.ndarray]:
    """Numbers that are numbers already: nearly all are in range or missing, and only the others go the long way."""
    numbers = source.conversion.apply(source.cells.astype(float, copy=False))
    fine = (numbers >= bounds[0]) & (numbers <= bounds[1])
    if np.isinf(bounds[:2]).any():
        fine &= np.isfinite(numbers)
    odd = np.flatnonzero(~fine)
    odd = odd[~np.isnan(source.cells[odd])]
    side = uncensored(len(numbers))
    rest = Source(source.cells[odd], source.rows[odd], source.heading, source.conversion)
    repaired, side[odd] = _read_numbers(rest, name, cells, bounds=bounds, unit=unit, table=table, notes=notes)
    return Patched(numbers, odd, repaired.cells), side


def _read_numbers(
    source: Source,
    name: str,
    cells: Cells,
    *,
    bounds: tuple[float, float, float],
    unit: str,
    table: Table,
    notes: Notes,
) -> tuple[Patched, np.ndarray]:
    low, high, limit = bounds
    convert = source.conversion
    found = parse_numbers(source.cells, cells.words, (limit - convert.offset) / convert.scale)
    numbers = convert.apply(found.value)
    fine = found.plain & ((found.value != found.value) | ((numbers >= low) & (numbers <= high)))
    if fine.all():
        return as_read(numbers), found.side
    at = np.flatnonzero(~fine)
    odd = Parsed(*(part[at] for part in (found.value, found.problem, found.repair, found.side)))
    problem = _beyond(numbers[at], low, high, unit, odd)
    bad, repaired = at[problem != ""], at[(odd.repair != "") & (problem == "")]
    why = problem[problem != ""]
    notes.set_aside(cells.file, source.rows[bad], name, source.cells[bad], why, table=table.name, what="value")
    if len(repaired):
        pairs = zip(numbers[repaired], found.side[repaired], strict=True)
        used = ["" if np.isnan(v) else f"{SIGNS[int(side)]}{v:g}" for v, side in pairs]
        why = found.repair[repaired]
        notes.repaired(
            cells.file, source.rows[repaired], name, source.cells[repaired], why, table=table.name, used=used
        )
    numbers, side = numbers.copy(), found.side.copy()
    numbers[bad], side[bad] = np.nan, 0
    return as_read(numbers), side


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
    problem[fine & (problem == "") & (found.side < 0) & (numbers <= 0) & (low >= 0)] = "'below zero' is no result"
    problem[fine & (problem == "") & np.isnan(numbers) & ~np.isnan(found.value)] = (
        "below the range of the unit it is written in"
    )
    return problem


def flag_values(name: str, cells: Cells, table: Table, context: Context) -> tuple[np.ndarray, np.ndarray]:
    """(true, not recorded) of one column of truth values."""
    n, sources = len(cells.rows), cells.columns.get(name, [])
    if len(sources) == 1 and sources[0][1] is None and sources[0][0].cells.dtype.kind == "b":
        return sources[0][0].cells, np.zeros(n, dtype=bool)
    out = np.full(n, np.nan)
    for source, place in sources:
        found = parse_flags(source.cells)
        bad = worded(found.problem)
        why = found.problem[bad]
        context.notes.set_aside(
            cells.file, source.rows[bad], name, source.cells[bad], why, table=table.name, what="value"
        )
        out[slice(None) if place is None else place] = found.value
    return out == 1.0, np.isnan(out)


def results(cells: Cells, table: Table, context: Context) -> dict[str, Any]:
    """Every analyte of the register with its flags, left- and right-censored, and the ISO 4406 codes with the counts
    they stand for.
    """
    results: dict[str, Any] = {code: np.full(len(cells.rows), np.nan) for code in CODES}
    units = context.register["unit"].to_dict()
    codes = {count: code for code, count in CODES.items() if code in cells.columns}
    for analyte in context.register.index:
        value, side = _numbers(analyte, units[analyte], cells, table, context)
        if code := codes.get(analyte):
            given = _codes(code, cells, table, context)
            count, side, results[code] = filled_from_codes(value.filled(), side, *given)
            value = as_read(count)
        results[analyte], there = value, ~value.missing()
        for flag, hit in ((below(analyte), side < 0), (above(analyte), side > 0)):
            said = flag_values(flag, cells, table, context)[0] if flag in cells.columns else False
            results[flag] = (hit | said) & there
    return results


def _codes(name: str, cells: Cells, table: Table, context: Context) -> tuple[np.ndarray, np.ndarray]:
    """ISO 4406 code numbers of one column and their sides; a number that is no code is set aside."""
    value, side = _numbers(name, "code", cells, table, context)
    code = value.filled()
    bad = no_code(code)
    said = [f"{v:g}" for v in code[bad]]
    why = "no code of ISO 4406; wanted a whole number of 0 to 28"
    context.notes.set_aside(cells.file, cells.rows[bad], name, said, why, table=table.name, what="value")
    code[bad] = np.nan
    return code, side
