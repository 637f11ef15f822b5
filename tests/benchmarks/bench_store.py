"""Records against named peers on the same rows, the same machine, the same run.

    python tests/benchmarks/bench_store.py            1,000,000 samples over 200 sites   (minutes, about 4 GB of memory)
    python tests/benchmarks/bench_store.py 100000     fewer

One site's history: the store against a DuckDB file and an SQLite file (indexed by site), each opened and read into pandas as a book does
at its start; and against a DuckDB file that is kept open, whose pages are in memory. Spreadsheet: the
loader's reading against openpyxl through pandas. Checks: the loader's own rules on typed columns against pandera on pandas (lazy), with
the same rules and the same bad values.
"""

import json
import sqlite3
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pandera.pandas as pa
import xlsxwriter

from cmkit.records.analytes import analyte_register, below
from cmkit.records.files import Grid, read_grid
from cmkit.records.layouts import own_cells
from cmkit.records.load import without_repeats
from cmkit.records.rows import Context, Notes, finished, usable_rows
from cmkit.records.store import SCHEMA, _put, _write, read_table, store_place
from cmkit.records.tables import METHODS, TABLES

SITES = 200
GOALS = {"duckdb": 5.0, "sqlite": 10.0, "openpyxl": 5.0, "pandera": 2.0}


def samples(n: int, seed: int = 1) -> pd.DataFrame:
    """`n` invented samples of 200 sites with every result, sorted by site."""
    rng = np.random.default_rng(seed)
    register = analyte_register()
    site = np.sort(rng.integers(0, SITES, n))
    frame = {
        "sample": [f"B{i:07d}" for i in range(n)],
        "compartment": [f"S{s:03d}/M{m:02d}/engine" for s, m in zip(site, rng.integers(0, 50, n), strict=True)],
        "drawn_on": np.datetime64("2016-01-01", "us") + rng.integers(0, 3600, n).astype("timedelta64[D]"),
        "meter_h": np.round(rng.uniform(0, 30000, n)),
        "method": rng.choice(METHODS[:2], n),
    }
    for analyte in register.index:
        low = float(register.loc[analyte, "plausible_low"])
        frame[analyte] = np.round(low + rng.gamma(2, 1.0, n), 1).clip(low, 13)
        frame[below(analyte)] = rng.random(n) < 0.05
    frame["_site"] = [f"S{s:03d}" for s in site]
    return pd.DataFrame(frame)


def best(run: Callable[[], object], times: int) -> float:
    """The shortest of several runs, in seconds."""
    out = []
    for _ in range(times):
        begin = time.perf_counter()
        run()
        out.append(time.perf_counter() - begin)
    return min(out)


def line(what: str, ours: float, theirs: float, peer: str, goal: str) -> None:
    ratio = theirs / ours
    print(
        f"{what:<44}  {ours * 1e3:>10.1f}  {theirs * 1e3:>10.1f}  {ratio:>7.1f}  {GOALS[goal]:>5.0f}  {peer}",
        flush=True,
    )


def one_site(frame: pd.DataFrame, folder: Path) -> None:
    """One site's whole history into pandas, from our store and from two database files."""
    place = store_place(folder / "store")
    files = {
        f"samples/{s}": _write(place, "samples", str(s), part.drop(columns="_site"))
        for s, part in frame.groupby("_site")
    }
    manifest = {
        "version": 1,
        "schema": SCHEMA,
        "cmkit": "bench",
        "made_on": "",
        "added": {},
        "sources": {},
        "settings": "",
        "files": files,
    }
    _put(place, "versions/1.json", json.dumps(manifest).encode())
    _put(place, "CURRENT", b"1\n")
    duck = duckdb.connect(str(folder / "fleet.duckdb"))
    duck.register("frame", frame)
    duck.execute("CREATE TABLE samples AS SELECT * FROM frame")
    lite = sqlite3.connect(folder / "fleet.sqlite")
    plain = frame.assign(drawn_on=frame["drawn_on"].dt.strftime("%Y-%m-%d"))
    plain.to_sql("samples", lite, index=False, chunksize=50_000)
    lite.execute("CREATE INDEX by_site ON samples (_site)")
    lite.commit()
    duck.close()
    lite.close()
    wanted = "S077"

    def from_duckdb(connection: duckdb.DuckDBPyConnection) -> pd.DataFrame:
        return connection.execute("SELECT * FROM samples WHERE _site = ?", [wanted]).df()

    def opened_duckdb() -> pd.DataFrame:
        with duckdb.connect(str(folder / "fleet.duckdb"), read_only=True) as connection:
            return from_duckdb(connection)

    def opened_sqlite() -> pd.DataFrame:
        with closing(sqlite3.connect(folder / "fleet.sqlite")) as connection:
            query = "SELECT * FROM samples WHERE _site = ?"
            return pd.read_sql(query, connection, params=[wanted], parse_dates=["drawn_on"])

    rows = len(read_table(folder / "store", "samples", wanted))
    assert rows == len(opened_duckdb()) == len(opened_sqlite()) > 0
    ours = best(lambda: read_table(folder / "store", "samples", wanted), 15)
    line(
        f"one site of {SITES}, {rows:,} of {len(frame):,} rows",
        ours,
        best(opened_duckdb, 15),
        "DuckDB file, opened to read",
        "duckdb",
    )
    line("", ours, best(opened_sqlite, 7), "SQLite file, opened to read, indexed", "sqlite")
    with duckdb.connect(str(folder / "fleet.duckdb"), read_only=True) as kept:
        line("", ours, best(lambda: from_duckdb(kept), 15), "DuckDB file, kept open and warm", "duckdb")


def spreadsheet(frame: pd.DataFrame, folder: Path) -> None:
    """A laboratory's month of 10,000 rows as .xlsx."""
    part = frame.head(10_000)[["sample", "compartment", "meter_h", *analyte_register().index]]
    path = folder / "samples.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("samples")
        for i, row in enumerate([list(part.columns), *part.astype(object).values.tolist()]):
            sheet.write_row(i, 0, row)
    ours = best(lambda: read_grid(path, "samples.xlsx", sheet_wanted="samples"), 3)
    theirs = best(lambda: pd.read_excel(path, engine="openpyxl", dtype=object), 1)
    line(
        f"spreadsheet of {len(part):,} rows, {part.shape[1]} columns",
        ours,
        theirs,
        "openpyxl through pandas",
        "openpyxl",
    )


def spoiled(frame: pd.DataFrame, share: float = 0.0005) -> pd.DataFrame:
    """The rows with this share of values out of range, and a few unknown compartments and repeated numbers."""
    rng = np.random.default_rng(2)
    out = frame.drop(columns="_site").copy()
    for analyte in analyte_register().index:
        at = rng.random(len(out)) < share
        out[analyte] = out[analyte].mask(at, 2e7)
    out.loc[rng.random(len(out)) < share, "compartment"] = "nowhere"
    out.loc[rng.random(len(out)) < share, "method"] = "bucket"
    return out


def our_checks(columns: dict[str, np.ndarray], names: pd.Index) -> int:
    """The loader's way: cells under our names -> typed rows with their place, repeats, notes. Number of notes."""
    none = pd.DataFrame(columns=["row", "value", "reason"])
    rows = np.arange(2, len(columns["sample"]) + 2)
    grid = Grid("samples.parquet", list(columns), columns, rows, none, none.assign(used=""))
    notes = Notes()
    context = Context(analyte_register(), {"compartments": names}, pd.Timestamp("2026-06-30"), notes)
    usable = usable_rows(own_cells(grid, TABLES["samples"], context.register), TABLES["samples"], context)
    without_repeats(usable, TABLES["samples"])
    return len(finished(notes)[0])


def their_checks(frame: pd.DataFrame, names: pd.Index, coerce: bool = False) -> int:
    """The same rules as a pandera schema, lazily; with `coerce` from text. Number of failure cases."""
    register = analyte_register()
    ranges = {
        a: pa.Column(float, pa.Check.in_range(float(r["plausible_low"]), float(r["plausible_high"])), nullable=True)
        for a, r in register.iterrows()
    }
    days = pa.Check.in_range(pd.Timestamp("1950-01-01"), pd.Timestamp("2026-06-30"))
    schema = pa.DataFrameSchema(
        {
            "sample": pa.Column(str, unique=True),
            "compartment": pa.Column(str, pa.Check.isin(list(names))),
            "drawn_on": pa.Column("datetime64[us]", days),
            "meter_h": pa.Column(float, pa.Check.in_range(0, 1e6), nullable=True),
            "method": pa.Column(str, pa.Check.isin(list(METHODS)), nullable=True),
            **ranges,
        },
        coerce=coerce,
    )
    try:
        schema.validate(frame, lazy=True)
    except pa.errors.SchemaErrors as error:
        return len(error.failure_cases)
    return 0


def checks(frame: pd.DataFrame) -> None:
    """Typed columns (ours gives typed rows with their place and a note each, pandera only says what fails), then text as a CSV has it."""
    names = pd.Index(frame["compartment"].unique())
    bad = spoiled(frame)
    typed = {c: bad[c].to_numpy() if bad[c].dtype.kind in "fMb" else bad[c].to_numpy(dtype=object) for c in bad.columns}
    found = our_checks(typed, names), their_checks(bad, names)
    ours, theirs = best(lambda: our_checks(typed, names), 3), best(lambda: their_checks(bad, names), 3)
    line(
        f"typed, {len(bad):,} rows, {found[0]:,} / {found[1]:,} findings",
        ours,
        theirs,
        "pandera on pandas, lazy",
        "pandera",
    )
    part = bad.head(len(bad) // 5)[
        ["sample", "compartment", "drawn_on", "meter_h", "method", *analyte_register().index]
    ]
    text = part.assign(drawn_on=part["drawn_on"].dt.strftime("%Y-%m-%d")).astype(str)
    cells = {c: text[c].to_numpy(dtype=object) for c in text.columns}
    found = our_checks(cells, names), their_checks(text, names, coerce=True)
    ours, theirs = best(lambda: our_checks(cells, names), 3), best(lambda: their_checks(text, names, coerce=True), 3)
    line(
        f"text, {len(text):,} rows, {found[0]:,} / {found[1]:,} findings",
        ours,
        theirs,
        "the same, with coerce",
        "pandera",
    )


def main() -> None:
    """Prints milliseconds of ours and of the peer, the ratio, and the goal."""
    warnings.simplefilter("ignore")
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    frame = samples(n)
    print(f"{'':<44}  {'ours ms':>10}  {'peer ms':>10}  {'ratio':>7}  {'goal':>5}  peer")
    with tempfile.TemporaryDirectory() as name:
        spreadsheet(frame, Path(name))
        checks(frame)
        one_site(frame, Path(name))


if __name__ == "__main__":
    main()
