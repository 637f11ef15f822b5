"""Frames from the dictionary: empty ones, typed ones, and a check of what a step hands on."""

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from cmkit.errors import TableError
from cmkit.tables.column import Column, Table
from cmkit.tables.dictionary import table

FLAGS = ("_below", "_above")


def names(name: str) -> list[str]:
    """Names of a table's columns, in their order."""
    return table(name).names


def empty(name: str) -> pd.DataFrame:
    """A frame of no rows with the table's columns in their dtypes."""
    return pd.DataFrame({c.name: pd.Series(dtype=c.dtype) for c in table(name).columns})


def typed(rows: pd.DataFrame | Sequence[Mapping[str, Any]], name: str) -> pd.DataFrame:
    """A frame, or rows as mappings, with the table's columns in their order and dtypes; the index is kept.

    Raises TableError where a column is missing, unknown, or does not take its dtype. Without any row, columns may be
    missing.
    """
    wanted = table(name)
    frame = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows))
    if not len(frame) and not len(frame.columns):
        return empty(name)
    _refuse(wanted, _misnamed(frame, wanted))
    out = frame[wanted.names]
    other = {c.name: c.dtype for c, there in zip(wanted.columns, out.dtypes, strict=True) if str(there) != c.dtype}
    try:
        return out.astype(other) if other else out
    except (TypeError, ValueError) as error:
        raise TableError(f"the table '{name}': {error}; wanted {_dtypes(wanted)}.") from error


def check(frame: pd.DataFrame, name: str) -> None:
    """TableError with every way in which a frame departs from the dictionary: columns, dtypes, words that are not
    allowed, keys.
    """
    wanted = table(name)
    if not frame.columns.is_unique:
        _refuse(wanted, _misnamed(frame, wanted))
    faults = _misnamed(frame, wanted)
    there = [c for c in (*wanted.columns, *wanted.added) if c.name in frame]
    faults += [
        f"{c.name} is {frame[c.name].dtype}, wanted {c.dtype}" for c in there if str(frame[c.name].dtype) != c.dtype
    ]
    faults += [fault for c in there for fault in _other_words(frame[c.name], c)]
    if wanted.key and set(wanted.key) <= set(frame.columns):
        twice = frame[frame.duplicated(list(wanted.key))]
        if len(twice):
            faults.append(f"{', '.join(wanted.key)} stands twice for {tuple(twice.iloc[0][list(wanted.key)])}")
    _refuse(wanted, faults)


def _refuse(wanted: Table, faults: list[str]) -> None:
    if faults:
        raise TableError(f"the table '{wanted.name}' is not as the dictionary has it: {'; '.join(faults)}.")


def _misnamed(frame: pd.DataFrame, wanted: Table) -> list[str]:
    """Columns that are missing and columns that are unknown, in words."""
    known = {c.name for c in (*wanted.columns, *wanted.added)}
    there = [str(c) for c in frame.columns]
    missing = [n for n in wanted.names if n not in there]
    unknown = [n for n in there if n not in known and not (wanted.results and _is_result(n, there))]
    twice = sorted({n for n in there if there.count(n) > 1})
    found = (("no column", missing), ("unknown column", unknown), ("twice the column", twice))
    return [f"{words} {', '.join(those)}" for words, those in found if those]


def _is_result(name: str, there: list[str]) -> bool:
    """A column of results stands beside flags of the same name with `_below` and `_above`."""
    return f"{name}{FLAGS[0]}" in there or any(name.endswith(f) and name.removesuffix(f) in there for f in FLAGS)


def _other_words(values: pd.Series, column: Column) -> list[str]:
    if not column.one_of:
        return []
    other = sorted(set(values.dropna().astype(str)) - set(column.one_of))
    return [f"{column.name} holds {other[0]!r}, wanted one of {', '.join(map(repr, column.one_of))}"] if other else []


def _dtypes(wanted: Table) -> str:
    return ", ".join(f"{c.name} {c.dtype}" for c in wanted.columns)
