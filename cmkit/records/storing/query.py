"""Questions in SQL over a whole fleet's store, answered by DuckDB from the store's files: one site or two hundred, in
little memory.
"""

import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from cmkit.errors import StoreError
from cmkit.records.storing.versions import empty_table, version_files
from cmkit.tables.records import TABLES

# nothing is fetched from the network, and nothing outside the files of one version is read or written
_CONFIG: dict[str, Any] = {"autoinstall_known_extensions": False, "autoload_known_extensions": False}
_ANSWER = "answer of cmkit"
MOST_MB = 1024  # own choice: memory of one question, its answer included
MOST_S = 60.0  # own choice: seconds of one question


def fleet_query(
    store: str | Path,
    sql: str,
    parameters: Sequence[Any] = (),
    version: int | None = None,
    *,
    most_mb: int = MOST_MB,
    most_s: float = MOST_S,
) -> pd.DataFrame:
    """The answer to one SELECT over the tables of a store's version (the one in force, or another), as a frame.

    The tables are those of `tables.records`, under their names: samples, services, meters, findings, corrections,
    sites, machines, compartments; columns of names are text, dates are days. Values belong in `parameters`, a `?` each
    in the text. Raises StoreError where there is no such store or version, the SQL is wrong or more than one SELECT, it
    reaches for anything but these tables, or it needs more than `most_mb` MB of memory or `most_s` seconds.
    """
    paths, files_at = version_files(store, version)
    with duckdb.connect(config=_CONFIG) as con:
        if files_at is not None:
            con.register_filesystem(files_at)
        _lock(con, [path for table in paths.values() for path in table], most_mb)
        for name in TABLES:
            _view(con, name, paths.get(name, []))
        return _answer(con, sql, parameters, most_mb=most_mb, most_s=most_s)


def frames_query(
    frames: Mapping[str, pd.DataFrame],
    sql: str,
    parameters: Sequence[Any] = (),
    *,
    most_mb: int = MOST_MB,
    most_s: float = MOST_S,
) -> pd.DataFrame:
    """The answer to one SELECT over frames in memory, under their names; it reaches for nothing else. StoreError as
    :func:`fleet_query`.
    """
    with duckdb.connect(config=_CONFIG) as con:
        _lock(con, [], most_mb)
        for name, frame in frames.items():
            con.register(name, frame)
        return _answer(con, sql, parameters, most_mb=most_mb, most_s=most_s)


def _lock(con: duckdb.DuckDBPyConnection, paths: list[str], most_mb: int) -> None:
    """Nothing but these files can be read, nothing written, no setting changed."""
    con.execute("SET allowed_paths = ?", [paths])
    con.execute("SET memory_limit = ?", [f"{most_mb}MB"])
    con.execute("SET temp_directory = ''")  # nothing is written to the disk instead
    con.execute(
        "SET python_enable_replacements = false"
    )  # a name in the text is a table, never a variable of the caller's
    con.execute("SET enable_external_access = false")
    con.execute("SET lock_configuration = true")


def _answer(
    con: duckdb.DuckDBPyConnection, sql: str, parameters: Sequence[Any], *, most_mb: int, most_s: float
) -> pd.DataFrame:
    """One SELECT within its time and memory, or StoreError."""
    stop = threading.Timer(most_s, con.interrupt)
    stop.start()
    try:
        _refuse_all_but_select(con, sql)
        con.sql(sql, params=list(parameters)).create(
            _ANSWER
        )  # within the memory limit, which a frame of any size is not
        return con.table(f'"{_ANSWER}"').df()
    except duckdb.InterruptException:
        raise StoreError(f"the query took longer than {most_s:g} s and was stopped. Ask for less at once.") from None
    except duckdb.OutOfMemoryException:
        raise StoreError(f"the query needs more than {most_mb} MB of memory. Ask for less at once.") from None
    except duckdb.Error as error:
        raise StoreError(f"the query cannot be answered: {error}") from None
    finally:
        stop.cancel()


def _view(con: duckdb.DuckDBPyConnection, name: str, paths: list[str]) -> None:
    """One table as a view over its files; a column that some files lack (an analyte added later) is missing there."""
    if paths:
        con.read_parquet(paths, union_by_name=True).create_view(name)
    else:
        con.register(name, empty_table(name))


def _refuse_all_but_select(con: duckdb.DuckDBPyConnection, sql: str) -> None:
    kinds = [statement.type.name for statement in con.extract_statements(sql)]
    if kinds != ["SELECT"]:
        raise StoreError(f"found {', '.join(kinds) or 'no statement'}; wanted one SELECT.")
