"""The same tables in PostgreSQL or SQLite: a fleet read from a database, and results written back in one transaction.

Every value travels as a bound parameter, every name through the quoting of SQLAlchemy; rows and names may hold any
text.
"""

import hashlib
import json
import re
from collections.abc import Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa

from cmkit.errors import MissingTable, StoreError
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet
from cmkit.records.reading.files import Grid
from cmkit.records.reading.layouts import Cells, known_columns, own_cells
from cmkit.records.reading.load import Reading, fleet_from_cells
from cmkit.records.reading.notes import Notes
from cmkit.records.reading.setting_names import check_names
from cmkit.records.settings import Settings, read_settings
from cmkit.records.storing.connection import database, shown_url
from cmkit.tables.describe import comments
from cmkit.tables.dictionary import TABLES as ALL_TABLES
from cmkit.tables.records import TABLES

RESULT_PREFIX = "result_"  # results stand beside the records under names of their own
_NAME = re.compile(r"[a-z][a-z0-9_]{0,50}")


def read_database(
    url: str, fleet_toml: str | Path | Settings, schema: str | None = None, today: date | None = None
) -> Fleet:
    """The fleet in the tables of a database, checked like a folder's files.

    Tables have the names of `tables.records` (capitals do not matter in column names). Rows are counted in order of
    their key, the first one is row 2, as in a file. Raises MissingTable, UnknownColumn, StoreError. fleet_toml: the
    settings, or their file.
    """
    settings = fleet_toml if isinstance(fleet_toml, Settings) else read_settings(Path(fleet_toml))
    register = with_own(settings.analytes)
    given: dict[str, list[Cells]] = {}
    sources: dict[str, str] = {}
    # one transaction, so that all tables are of one moment
    with database(url) as engine, engine.connect() as connection, connection.begin():
        there = sa.inspect(connection).get_table_names(schema=schema)
        for name, table in TABLES.items():
            if name not in there and table.required:
                raise MissingTable(
                    f"{shown_url(engine.url)}: the table '{name}' is missing; found "
                    f"{', '.join(sorted(there)) or 'none'}."
                )
            if name in there:
                frame = _frame(connection, name, schema, list(known_columns(table, register)), list(table.key))
                sources[f"table {name}"] = hashlib.sha256(frame.to_csv(index=False).encode()).hexdigest()
                given[name] = [own_cells(_grid(frame, name), table, register)]
    fleet = fleet_from_cells(settings, given, Notes(), sources, Reading(today))[0]
    check_names(settings, fleet.compartments)
    return fleet


def _frame(connection: sa.Connection, name: str, schema: str | None, known: list[str], key: list[str]) -> pd.DataFrame:
    """A whole table in order of its key, under our spelling of the column names."""
    table = sa.Table(name, sa.MetaData(), schema=schema, autoload_with=connection)
    rows = connection.execute(sa.select(table)).all()
    spelling = {k.lower(): k for k in known}
    columns = [spelling.get(c.name.lower(), c.name) for c in table.columns]
    frame = pd.DataFrame([tuple(r) for r in rows], columns=columns, dtype=object)
    there = [k for k in key if k in frame]
    order = frame[there].map(str).sort_values(there, kind="stable").index if there else frame.index
    return frame.loc[order].reset_index(drop=True)


def _grid(frame: pd.DataFrame, name: str) -> Grid:
    none = pd.DataFrame(columns=["row", "value", "reason"])
    columns = {c: np.where(frame[c].isna(), "", frame[c]).astype(object) for c in frame.columns}
    return Grid(f"table {name}", list(columns), columns, np.arange(2, len(frame) + 2), none, none.assign(used=""))


def write_records(fleet: Fleet, url: str, schema: str | None = None) -> dict[str, int]:
    """A fleet's tables into a database that has none of them yet, in one transaction; rows written by table.

    Raises StoreError where one of the tables is there already: records are never written over.
    """
    written = {}
    with database(url, "the records were not written", new=True) as engine, engine.begin() as connection:
        there = set(sa.inspect(connection).get_table_names(schema=schema)) & set(TABLES)
        if there:
            raise StoreError(
                f"{shown_url(engine.url)}: holds {', '.join(sorted(there))} already, and records are never written "
                f"over."
            )
        if (
            connection.dialect.name == "sqlite"
        ):  # its driver begins a transaction only at the first row, after the tables
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        for name in TABLES:
            frame = getattr(fleet, name).drop(columns=["file", "row"], errors="ignore")
            table = _table(name, frame, sa.MetaData(), schema)
            table.create(connection)
            written[name] = _insert(connection, table, frame)
    return written


def write_results(
    tables: Mapping[str, pd.DataFrame],
    run: str,
    url: str,
    about: Mapping[str, Any] | None = None,
    schema: str | None = None,
) -> dict[str, int]:
    """Tables of an assessment into `result_<name>`, each row with the run's id, and a line in `result_runs`; all or
    nothing.

    Writing a run again replaces its rows. A table of an earlier version gets the columns it lacks. Raises StoreError on
    names that are no plain words and where the database refuses; nothing of the run is in it then.
    """
    strange = [n for n in tables if not _NAME.fullmatch(n)]
    if strange or not run:
        raise StoreError(
            f"result tables and runs need plain names; found {strange[0]!r}."
            if strange
            else "a run needs an id; found none."
        )
    runs = pd.DataFrame(
        {
            "run": [run],
            "written_on": [datetime.now(UTC).replace(tzinfo=None)],
            "about": [json.dumps(dict(about or {}), sort_keys=True)],
        }
    )
    frames = {n: f.assign(run=run)[["run", *f.columns]] for n, f in tables.items()} | {"runs": runs}
    with database(url, f"run {run!r} was not written", new=True) as engine:
        with engine.begin() as connection:
            ready = {n: _ready(connection, RESULT_PREFIX + n, f, schema) for n, f in frames.items()}
        with engine.begin() as connection:
            for name, table in ready.items():
                connection.execute(table.delete().where(table.c.run == run))
                _insert(connection, table, frames[name])
    return {n: len(f) for n, f in frames.items()}


def read_results(url: str, name: str, run: str | None = None, schema: str | None = None) -> pd.DataFrame:
    """One result table, of one run or (with the column `run`) of all. StoreError where there is none."""
    with database(url) as engine, engine.connect() as connection:
        if not sa.inspect(connection).has_table(RESULT_PREFIX + name, schema=schema):
            raise StoreError(f"{shown_url(engine.url)}: no table {RESULT_PREFIX}{name}; no run was written here yet.")
        table = sa.Table(RESULT_PREFIX + name, sa.MetaData(), schema=schema, autoload_with=connection)
        query = sa.select(table) if run is None else sa.select(table).where(table.c.run == run)
        return pd.DataFrame(connection.execute(query).mappings().all(), columns=[c.name for c in table.columns])


def _kind(values: pd.Series) -> sa.types.TypeEngine[Any]:
    if pd.api.types.is_bool_dtype(values.dtype):
        return sa.Boolean()
    if pd.api.types.is_integer_dtype(values.dtype):
        return sa.BigInteger()
    if pd.api.types.is_float_dtype(values.dtype):
        return sa.Double()
    return sa.DateTime() if pd.api.types.is_datetime64_any_dtype(values.dtype) else sa.Text()


def _table(name: str, frame: pd.DataFrame, metadata: sa.MetaData, schema: str | None) -> sa.Table:
    """A table of a database with the frame's columns; each carries the dictionary's words, where the database keeps
    comments.
    """
    known = name.removeprefix(RESULT_PREFIX)
    words = comments(known)
    columns = [sa.Column(str(c), _kind(frame[c]), comment=words.get(str(c))) for c in frame.columns]
    said = f"one row is {ALL_TABLES[known].one_row_is}" if known in ALL_TABLES else None
    return sa.Table(name, metadata, *columns, schema=schema, comment=said)


def _ready(connection: sa.Connection, name: str, frame: pd.DataFrame, schema: str | None) -> sa.Table:
    """The table to write into: made where it is not there, given the columns it lacks where it is."""
    wanted = _table(name, frame, sa.MetaData(), schema)
    if not sa.inspect(connection).has_table(name, schema=schema):
        wanted.create(connection)
        return wanted
    there = {c["name"] for c in sa.inspect(connection).get_columns(name, schema=schema)}
    for column in wanted.columns:
        if column.name not in there:
            place = connection.dialect.identifier_preparer.format_table(wanted)
            words = f"ALTER TABLE {place} ADD COLUMN {_quoted(column.name)} {column.type.compile(connection.dialect)}"
            # drivers with %s for parameters read a single % as one
            double = connection.dialect.paramstyle in ("format", "pyformat")
            connection.exec_driver_sql(words.replace("%", "%%") if double else words)
    return sa.Table(name, sa.MetaData(), schema=schema, autoload_with=connection)


def _quoted(name: str) -> str:
    """A column name in the quotes of standard SQL, which both databases read."""
    return '"' + name.replace('"', '""') + '"'


def _insert(connection: sa.Connection, table: sa.Table, frame: pd.DataFrame) -> int:
    if frame.empty:
        return 0
    plain = {str(c): _plain(frame[c]) for c in frame.columns}
    connection.execute(
        table.insert(), [dict(zip(plain, row, strict=True)) for row in zip(*plain.values(), strict=True)]
    )
    return len(frame)


def _plain(values: pd.Series) -> list[Any]:
    """Python values for the driver; None where nothing is recorded."""
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        cells: list[Any] = list(values.dt.to_pydatetime())
    else:
        cells = values.astype(object).tolist()
    text = isinstance(_kind(values), sa.Text)
    # no database takes a zero byte in a text
    return [
        None if m else (str(c).replace("\x00", "") if text else c) for c, m in zip(cells, values.isna(), strict=True)
    ]
