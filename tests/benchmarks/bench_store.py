"""Records against named peers on the same rows, the same machine, the same run.

    python tests/benchmarks/bench_store.py            1,000,000 samples over 200 sites   (minutes, about 4 GB of memory)
    python tests/benchmarks/bench_store.py 100000     fewer

One site's history: the store against a DuckDB file and an SQLite file (indexed by site), each opened and read into
pandas as a book does at its start; and against a DuckDB file that is kept open, whose pages are in memory. Spreadsheet:
the loader's reading against openpyxl through pandas. Checks: the loader's own rules on typed columns against pandera on
pandas (lazy), with the same rules on the same rows and the findings by row on both sides; see `checks`.
"""

import json
import sqlite3
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from multiprocessing import get_context
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pandera.pandas as pa
import xlsxwriter

from cmkit.records.analytes import analyte_register, below
from cmkit.records.reading.files import Grid, read_grid
from cmkit.records.reading.layouts import Cells, own_cells
from cmkit.records.reading.notes import Notes, finished, in_rows
from cmkit.records.reading.repeats import in_order, shared_keys, without_repeats
from cmkit.records.reading.rows import checked_columns, usable_rows
from cmkit.records.reading.values import Context
from cmkit.records.storing.query import fleet_query
from cmkit.records.storing.store import put_file, write_table
from cmkit.records.storing.versions import SCHEMA, read_table, store_place
from cmkit.tables.records import METHODS, TABLES

SITES = 200
TODAY = pd.Timestamp("2026-06-30")
GOALS = {"duckdb": 5.0, "sqlite": 10.0, "openpyxl": 5.0, "pandera": 2.0, "statistics": 2.0}


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


def line(what: str, ours: float, theirs: float, peer: str, goal: str = "") -> None:
    wanted = f"{GOALS[goal]:.0f}" if goal else "-"
    print(
        f"{what:<52}  {ours * 1e3:>10.1f}  {theirs * 1e3:>10.1f}  {theirs / ours:>7.1f}  {wanted:>5}  {peer}",
        flush=True,
    )


def written(frame: pd.DataFrame, store: Path, times: int = 1) -> Path:
    """A store of one version whose sites hold these rows so many times over."""
    place = store_place(store)
    files = {}
    for site, part in frame.groupby("_site"):
        rows = pd.concat([part.drop(columns="_site")] * times, ignore_index=True)
        files[f"samples/{site}"] = write_table(place, "samples", str(site), rows)
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
    put_file(place, "versions/1.json", json.dumps(manifest).encode())
    put_file(place, "CURRENT", b"1\n")
    return store


def one_site(frame: pd.DataFrame, folder: Path) -> None:
    """One site's whole history into pandas, from our store and from two database files."""
    written(frame, folder / "store")
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


RESULTS = list(analyte_register().index[:10])


def by_query(store: Path) -> pd.DataFrame:
    """Count, mean, sd and maximum of ten results by site and method, in SQL over the store's files."""
    asked = ", ".join(f'count("{a}"), avg("{a}"), stddev("{a}"), max("{a}")' for a in RESULTS)
    return fleet_query(store, f"SELECT left(compartment, 4) AS site, method, {asked} FROM samples GROUP BY ALL")  # noqa: S608


def by_pandas(store: Path) -> pd.DataFrame:
    """The same by reading those columns and grouping."""
    rows = read_table(store, "samples", columns=["compartment", "method", *RESULTS])
    return rows.groupby([rows["compartment"].str[:4], "method"])[RESULTS].agg(["count", "mean", "std", "max"])


def peak_mb(run: Callable[[Path], object], store: Path) -> float:
    """How far one call raises the memory of the process it is called in at its peak, MB (Linux)."""
    Path("/proc/self/clear_refs").write_text("5")  # the peak starts anew from what is held now
    before = held_mb("VmRSS")
    run(store)
    return held_mb("VmHWM") - before


def held_mb(name: str) -> float:
    status = Path("/proc/self/status").read_text().splitlines()
    return next(float(row.split()[1]) / 1024 for row in status if row.startswith(name))


def fleet_statistics(frame: pd.DataFrame, folder: Path) -> None:
    """Statistics of a fleet five times as large against pandas; peaks of memory in fresh processes."""
    store = written(frame, folder / "large", times=5)
    assert len(by_query(store)) == len(by_pandas(store)) > 100
    ours, theirs = (best(lambda r=run: r(store), 3) for run in (by_query, by_pandas))
    line(f"statistics of {5 * len(frame):,} rows", ours, theirs, "pandas, reading those columns", "statistics")
    mb = []
    for run in (by_query, by_pandas):
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as fresh:
            mb.append(fresh.submit(peak_mb, run, store).result())
    print(
        f"{'the same, peak of memory, MB':<52}  {mb[0]:>10.0f}  {mb[1]:>10.0f}  {mb[1] / mb[0]:>7.1f}  {'10':>5}  the "
        f"same"
    )


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


def spoiled(frame: pd.DataFrame, share: float) -> pd.DataFrame:
    """The rows with this share of bad cells in every checked column: results, hours, compartments, methods, days,
    numbers used twice.
    """
    rng = np.random.default_rng(2)
    out = frame.drop(columns="_site").copy()
    for column in ["meter_h", *analyte_register().index]:
        out[column] = out[column].mask(rng.random(len(out)) < share, 2e7)
    out.loc[rng.random(len(out)) < share, "compartment"] = "nowhere"
    out.loc[rng.random(len(out)) < share, "method"] = "bucket"
    out.loc[rng.random(len(out)) < share / 2, "drawn_on"] = pd.Timestamp("2031-05-01")
    out.loc[rng.random(len(out)) < share / 2, "drawn_on"] = pd.Timestamp("1931-05-01")
    out.loc[rng.random(len(out)) < share, "sample"] = out["sample"].iloc[7]
    return out


def our_findings(cells: Cells, names: pd.Index) -> pd.DataFrame:
    """The loader's rules on one file: a finding a cell or row that fails, with its row, column, value, and why in
    words.
    """
    notes = Notes()
    context = Context(analyte_register(), {"compartments": names}, TODAY, notes)
    checked = checked_columns(cells, TABLES["samples"], context)
    numbers = pd.DataFrame({"sample": checked.columns["sample"]}, copy=False)
    shared = np.flatnonzero(shared_keys(numbers, ["sample"]) & checked.alive)
    repeated = without_repeats(in_order(checked.rows(shared), TABLES["samples"]), TABLES["samples"])[1]
    again = repeated.assign(column="sample", value=repeated["sample"])[["file", "row", "column", "value", "reason"]]
    return pd.concat([in_rows(notes.aside), again], ignore_index=True)


def our_reading(cells: Cells, names: pd.Index) -> int:
    """The loader's whole way: typed usable rows with their place, without repeats, notes dated and in order. Number of
    notes.
    """
    notes = Notes()
    context = Context(analyte_register(), {"compartments": names}, TODAY, notes)
    usable = usable_rows(cells, TABLES["samples"], context)
    without_repeats(usable, TABLES["samples"])
    return len(finished(notes)[0])


def as_cells(frame: pd.DataFrame) -> Cells:
    """The frame under our names, as the reader of a Parquet file (typed) or a CSV (all text) hands it to the rules."""
    text = frame["drawn_on"].dtype.kind != "M"
    columns = {c: frame[c].to_numpy(dtype=object if text else None) for c in frame.columns}
    if not text:
        columns |= {c: frame[c].array for c in frame.columns if isinstance(frame[c].dtype, pd.StringDtype)}
    none = pd.DataFrame(columns=["row", "value", "reason"])
    grid = Grid("samples.parquet", list(columns), columns, np.arange(2, len(frame) + 2), none, none.assign(used=""))
    return own_cells(grid, TABLES["samples"], analyte_register())


def their_schema(names: pd.Index, coerce: bool = False) -> pa.DataFrameSchema:
    """The same rules as a pandera schema; with `coerce` from text."""
    ranges = {
        a: pa.Column(float, pa.Check.in_range(float(r["plausible_low"]), float(r["plausible_high"])), nullable=True)
        for a, r in analyte_register().iterrows()
    }
    return pa.DataFrameSchema(
        {
            "sample": pa.Column(str, unique=True),
            "compartment": pa.Column(str, pa.Check.isin(list(names))),
            "drawn_on": pa.Column("datetime64[us]", pa.Check.in_range(pd.Timestamp("1950-01-01"), TODAY)),
            "meter_h": pa.Column(float, pa.Check.in_range(0, 1e6), nullable=True),
            "method": pa.Column(str, pa.Check.isin(list(METHODS)), nullable=True),
            **ranges,
        },
        coerce=coerce,
    )


def their_findings(schema: pa.DataFrameSchema, frame: pd.DataFrame) -> pd.DataFrame:
    """pandera's failure cases of all rules (lazy): index, column, check, value."""
    try:
        schema.validate(frame, lazy=True)
    except pa.errors.SchemaErrors as error:
        return error.failure_cases
    return pd.DataFrame()


def checks(frame: pd.DataFrame) -> None:
    """The rules alone on typed columns, then the loader's whole reading, then text as a CSV has it.

    Both sides check the range of every result and of the hours, known compartments, known methods, days from 1950 to
    today, and bottle numbers used once; both give each failing cell with its row, column and value. Ours adds why in
    words and leaves out single values of rows that are lost, so it has somewhat fewer findings. The lines called
    `rules` are the goal's comparison. Bottle numbers rise from row to row but for the repeated ones, which ours makes
    use of; in the last line of them they are in no order. In the other lines ours does
    more than its peer: it builds the usable rows with their places, and dates and orders every note.
    """
    names = pd.Index(frame["compartment"].unique())
    schema = their_schema(names)
    peer = "pandera on pandas, lazy"
    for share, words in ((0.0, "clean"), (0.0005, "0.05 % bad"), (0.01, "1 % bad"), (0.0, "clean, in no order")):
        bad = spoiled(frame, share)
        if words.endswith("order"):
            bad = bad.sample(frac=1.0, random_state=3, ignore_index=True)
        cells = as_cells(bad)
        found = len(our_findings(cells, names)), len(their_findings(schema, bad))
        ours = best(lambda c=cells: our_findings(c, names), 3)
        theirs = best(lambda f=bad: their_findings(schema, f), 3)
        line(f"rules, {len(bad):,} rows {words}: {found[0]:,} / {found[1]:,}", ours, theirs, peer, "pandera")
        if words == "0.05 % bad":
            line(
                "the same, and rows, places, dated notes", best(lambda c=cells: our_reading(c, names), 3), theirs, peer
            )
    wanted = ["sample", "compartment", "drawn_on", "meter_h", "method", *analyte_register().index]
    part = spoiled(frame.head(len(frame) // 5), 0.0005)[wanted]
    text = part.assign(drawn_on=part["drawn_on"].dt.strftime("%Y-%m-%d")).astype(str)
    cells, schema = as_cells(text), their_schema(names, coerce=True)
    ours, theirs = best(lambda: our_reading(cells, names), 3), best(lambda: their_findings(schema, text), 3)
    line(f"text, {len(text):,} rows 0.05 % bad", ours, theirs, "the same, with coerce")


def main() -> None:
    """Prints milliseconds of ours and of the peer, the ratio, and the goal."""
    warnings.simplefilter("ignore")
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    frame = samples(n)
    print(f"{'':<52}  {'ours ms':>10}  {'peer ms':>10}  {'ratio':>7}  {'goal':>5}  peer")
    with tempfile.TemporaryDirectory() as name:
        one_site(frame, Path(name))
        fleet_statistics(frame, Path(name))
        spreadsheet(frame, Path(name))
        checks(frame)


if __name__ == "__main__":
    main()
