"""The dictionary for people and for files: words for a reader, pages of a guide, and what a file or database keeps
beside its columns.
"""

from pathlib import Path
from typing import BinaryIO

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from cmkit.tables.column import Column, Table
from cmkit.tables.dictionary import GROUPS, STEPS, TABLES, table


def describe(name: str) -> pd.DataFrame:
    """What a table's columns are, one a row: column, dtype, unit, meaning, one_of."""
    found = table(name)
    rows = [(c.name, c.dtype, c.unit, c.meaning, ", ".join(filter(None, c.one_of))) for c in _all(found)]
    return pd.DataFrame(rows, columns=["column", "dtype", "unit", "meaning", "one_of"], dtype="str")


def comment(column: Column) -> str:
    """A column in one line: its meaning, the allowed words, the unit."""
    words = [word or "empty" for word in column.one_of]
    allowed = (
        f": {', '.join(words)}" if words and ": " not in column.meaning else f" ({', '.join(words)})" if words else ""
    )
    unit = f" [{column.unit}]" if column.unit not in ("", "1") else ""
    return f"{column.meaning}{allowed}{unit}"


def comments(name: str) -> dict[str, str]:
    """Column name -> :func:`comment`, for the columns of a table that the dictionary holds; empty for a table it does
    not know.
    """
    return {c.name: comment(c) for c in _all(TABLES[name])} if name in TABLES else {}


def heading(name: str, column: str) -> str:
    """A column's heading for a spreadsheet, with its unit where it has one: `rate (of the analyte/h)`."""
    units = {c.name: c.unit for c in _all(TABLES[name])} if name in TABLES else {}
    unit = units.get(column, "")
    return f"{column} ({unit})" if unit not in ("", "1") else column


def arrow_table(frame: pd.DataFrame, name: str) -> pa.Table:
    """A frame as an Arrow table whose fields carry `unit` and `meaning`, and whose schema says what one row is."""
    plain = pa.Table.from_pandas(frame, preserve_index=False)
    known = {c.name: c for c in _all(table(name))}
    fields = [
        f.with_metadata({"unit": known[f.name].unit, "meaning": known[f.name].meaning}) if f.name in known else f
        for f in plain.schema
    ]
    said = {**(plain.schema.metadata or {}), b"one_row_is": table(name).one_row_is.encode()}
    return plain.cast(pa.schema(fields, metadata=said))


def write_parquet(frame: pd.DataFrame, name: str, where: Path | BinaryIO) -> None:
    """A frame of the table `name` as a Parquet file whose columns say what they are (:func:`arrow_table`)."""
    pq.write_table(arrow_table(frame, name), where)


START = "<!-- tables: written by `python -m cmkit.tables DEVELOPERS.md`; do not edit between the marks -->"
END = "<!-- end of tables -->"


def in_guide(text: str) -> str:
    """A Markdown text with :func:`pages` between its marks; ValueError where it does not have both."""
    if START not in text or END not in text:
        raise ValueError(f"found no place for the tables; wanted the lines {START} and {END}")
    before, rest = text.split(START, 1)
    return f"{before}{START}\n\n{pages()}\n{END}{rest.split(END, 1)[1]}"


def pages() -> str:
    """The dictionary as Markdown: a fold for each group, in it each table, one line a column."""
    parts = []
    for group, tables in {**GROUPS, "between the steps": STEPS}.items():
        parts += [
            f"<details><summary>{group}: {', '.join(tables)}</summary>",
            "",
            *map(_page, tables.values()),
            "</details>",
            "",
        ]
    return "\n".join(parts).rstrip() + "\n"


def _page(found: Table) -> str:
    key = f" Key: {', '.join(f'`{k}`' for k in found.key)}." if found.key else ""
    head = f"**`{found.name}`** - one row is {found.one_row_is}.{key}"
    lines = [f"| `{c.name}` | {c.dtype} | {c.unit} | {_allowed(c)} |" for c in _all(found)]
    if found.results:
        lines.append(
            "| each analyte, `<analyte>_below`, `<analyte>_above` | float64, bool, bool | | result, and whether it is "
            "a limit it lies below or above |"
        )
    return "\n".join([head, "", "| column | dtype | unit | meaning |", "|---|---|---|---|", *lines, ""])


def _allowed(column: Column) -> str:
    words = "; ".join(f"`{word}`" if word else "empty" for word in column.one_of)
    return f"{column.meaning} ({words})" if words else column.meaning


def _all(found: Table) -> tuple[Column, ...]:
    return (*found.columns, *found.added)
