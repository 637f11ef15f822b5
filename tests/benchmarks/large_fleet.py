"""A large fleet from a store: simulated site by site, assessed by one and by two processes and by a dask cluster of two
workers, once more after one bottle changed at one site; beside what general libraries take for parts of it.

    python tests/benchmarks/large_fleet.py FOLDER make 4 2.5     the demo's fleet 4 times over, 2.5 years of records
    python tests/benchmarks/large_fleet.py FOLDER make 4 2.5 2   the same, two copies of a site joined into one
    python tests/benchmarks/large_fleet.py FOLDER local 1        assessed by so many processes
    python tests/benchmarks/large_fleet.py FOLDER learnt 10000   learnt from all bottles and from about so many
    python tests/benchmarks/large_fleet.py FOLDER changed        one bottle of one site changed, and all asked for again
    python tests/benchmarks/large_fleet.py FOLDER cluster        by two workers of a scheduler on this machine
    python tests/benchmarks/large_fleet.py FOLDER killed         the same, one worker killed on the way
    python tests/benchmarks/large_fleet.py FOLDER general        loops of pandas, statsmodels and scipy on a few series
    python tests/benchmarks/large_fleet.py FOLDER engines        only regressions, by Polars and DuckDB

Each piece prints one line and the load of the machine; `large_fleet.md` beside this file keeps those of one day. Wall seconds
depend on what else the machine does; CPU seconds less so.
"""

import json
import os
import resource
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
from scipy.integrate import quad
from statsmodels.tsa.statespace.structural import UnobservedComponents

from cmkit.by_site import SiteDone, assess_store
from cmkit.engine import Workers
from cmkit.learn import learn
from cmkit.learnt import load_learnt
from cmkit.records.storing.sites import chosen_records
from cmkit.records.storing.store import put_file, write_table
from cmkit.records.storing.versions import read_table, store_place, version_files
from cmkit.simulate.large import write_large
from cmkit.simulate.recipe import demo_recipe

METALS = ["Fe_ppm", "Cu_ppm", "Pb_ppm", "Al_ppm", "Cr_ppm", "Sn_ppm", "Ni_ppm", "Si_ppm"]


def cpu_seconds() -> float:
    """CPU seconds of this process and of those it started that have ended."""
    return sum(os.times()[:4])


def line(name: str, start: tuple[float, float], **more: object) -> None:
    """Print what a piece took: wall, CPU, the largest process, and the machine's load."""
    peak = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)) / 1024
    found = {"wall_s": time.perf_counter() - start[0], "cpu_s": cpu_seconds() - start[1], "peak_mb": peak} | more
    words = ", ".join(
        f"{key} {value:,.2f}" if isinstance(value, float) else f"{key} {value}" for key, value in found.items()
    )
    print(f"{time.strftime('%H:%M')} {name}: {words}, load {os.getloadavg()[0]:.1f}")


def now() -> tuple[float, float]:
    return time.perf_counter(), cpu_seconds()


def make(folder: Path, times: str, years: str, joined: str = "1") -> None:
    """Simulate and write the store."""
    start = now()
    each = Workers().each
    bottles = write_large(demo_recipe(), folder / "store", int(times), float(years), joined=int(joined), each=each)
    size = sum(p.stat().st_size for p in (folder / "store").rglob("*.parquet")) / 1e6
    places = len(read_table(folder / "store", "compartments"))
    line("make", start, compartments=places, bottles=bottles, store_mb=size)


def assessed(folder: Path, keep: str, workers: Workers, name: str, **how: object) -> dict[str, SiteDone]:
    """One assessment of the store, timed."""
    store, start, seen = folder / "store", now(), []
    end = f"{demo_recipe().end}"
    done = assess_store(store, end, folder / keep, workers=workers, progress=lambda d, n, of: seen.append(d), **how)  # type: ignore[arg-type]
    cpu = sum(d.cpu_s for d in done.values() if not d.kept)
    line(name, start, sites=len(done), assessed=sum(not d.kept for d in done.values()), tasks_cpu_s=cpu, told=len(seen))
    return done


def digest(folder: Path, keep: str) -> str:
    """One hash over every file of every site's part."""
    whole = sha256()
    for path in sorted((folder / keep / "sites").rglob("*")):
        if path.is_file():
            whole.update(str(path.relative_to(folder / keep)).encode() + path.read_bytes())
    return whole.hexdigest()[:12]


def local(folder: Path, processes: str) -> None:
    """By processes of this machine."""
    assessed(folder, f"local{processes}", Workers(processes=int(processes)), f"local, {processes} processes")
    print("files", digest(folder, f"local{processes}"))


def learnt(folder: Path, some: str) -> None:
    """What is learnt from some of the machines against what is learnt from all: how far rates move over their own
    standard error (spread between compartments over the root of their number), and what learning took."""
    found = []
    for most in (int(some), 10**9):
        start, fleet = now(), chosen_records(folder / "store", most)
        result = learn(fleet, f"{demo_recipe().end}")
        line("learnt", start, compartments=result.about["compartments"], bottles=result.about["bottles"])
        found.append(result.numbers[result.numbers["basis"] == "fitted"])
    both = found[0].merge(found[1], on=["family", "analyte"], suffixes=("", "_all"))
    error = both["rate_sd"] / np.sqrt(both["n_series"])
    moved = ((both["rate_mean"] - both["rate_mean_all"]) / error).abs()
    shares = moved.quantile([0.5, 0.9, 0.99]).round(2).tolist()
    ratio = (both["rate_mean"] / both["rate_mean_all"]).quantile([0.05, 0.5, 0.95]).round(3).tolist()
    print(
        f"{len(both)} rates; moved over their standard error, median, 90 %, 99 %: {shares}; ratio 5, 50, 95 %: {ratio}"
    )


def changed(folder: Path) -> None:
    """One result of one bottle put right at one site, which makes version 2; what was learnt stays the month's."""
    store, place = folder / "store", store_place(folder / "store")
    manifest = json.loads((store / "versions" / "1.json").read_text())
    site = read_table(store, "sites")["site"].iloc[0]
    rows = read_table(store, "samples", site)
    rows.loc[len(rows) // 2, "Fe_ppm"] += 1.0
    manifest["files"][f"samples/{site}"] = write_table(place, "samples", site, rows)
    put_file(place, "versions/2.json", json.dumps(manifest | {"version": 2}).encode())
    known = load_learnt(folder / "local2" / "learnt")
    assessed(folder, "local2", Workers(processes=2), "one changed site", learnt=known, version=2)


@contextmanager
def cluster(folder: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and two workers on this machine; their address, and the workers."""
    address, python = "tcp://127.0.0.1:18786", sys.executable
    base = [python, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "18786", "--no-dashboard"]
    worker = [python, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-dashboard"]
    worker += ["--local-directory", str(folder / "dask"), "--memory-limit", "0", "--preload", "cmkit.by_site"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    started = [subprocess.Popen(base, **quiet), *(subprocess.Popen(worker, **quiet) for _ in range(2))]  # type: ignore[call-overload]
    try:
        time.sleep(8)
        yield address, started[1:]
    finally:
        for process in started[::-1]:
            process.send_signal(signal.SIGTERM)
        for process in started:
            process.wait(20)


def by_cluster(folder: Path) -> None:
    """By two dask workers; the files are those of the local run."""
    with cluster(folder) as (address, _):
        assessed(folder, "cluster", Workers("cluster", scheduler=address), "dask, two workers")
    print("files", digest(folder, "cluster"))


def killed(folder: Path) -> None:
    """The same; one worker's own process is killed after a few seconds, and its nanny starts it again."""
    with cluster(folder) as (address, nannies):

        def kill() -> None:
            children = subprocess.run(
                ["ps", "-o", "pid=", "--ppid", str(nannies[0].pid)], check=True, capture_output=True, text=True
            )
            for pid in children.stdout.split():
                os.kill(int(pid), signal.SIGKILL)

        timer = threading.Timer(12, kill)
        timer.start()
        assessed(folder, "killed", Workers("cluster", scheduler=address), "dask, a worker killed")
        timer.cancel()
    print("files", digest(folder, "killed"))


def general(folder: Path, series: int = 8) -> None:
    """What an analyst writes with general libraries: a local linear trend by maximum likelihood for each compartment and
    metal, and an expected cost by quadrature for each compartment, interval and draw; a few done, scaled to the store.
    """
    samples = read_table(folder / "store", "samples", columns=["compartment", "drawn_on", *METALS])
    long = samples.melt(["compartment", "drawn_on"], var_name="analyte").dropna(subset="value")
    groups = [g for _, g in long.groupby(["compartment", "analyte"]) if len(g) >= 8]
    start = now()
    for own in groups[:: max(1, len(groups) // series)][:series]:
        UnobservedComponents(own.sort_values("drawn_on")["value"].to_numpy(), "local linear trend").fit(disp=False)
    rates = (cpu_seconds() - start[1]) / series * len(groups)
    places, grid, draws = samples["compartment"].nunique(), 9, 400
    begun = cpu_seconds()
    for every in np.geomspace(100, 2000, 20):
        quad(_density, 0, 20_000, args=(every, 1500.0), limit=200)
    costs = (cpu_seconds() - begun) / 20 * places * grid * draws
    line("general libraries", start, series=len(groups), rates_cpu_s=rates, intervals_cpu_s=costs)


def _density(h: float, every: float, mean: float) -> float:
    """Chance that a defect of age h is not caught by then, times how likely its delay is."""
    x = h / (mean / 0.8862)
    return float((1 - 0.6) ** np.floor(h / every) * 2 * x * np.exp(-x * x) / (mean / 0.8862))


def engines(folder: Path) -> None:
    """A regression line of every metal against time in every compartment, read from the same store."""
    paths = version_files(folder / "store", 1)[0]["samples"]
    begun = now()
    day = pl.col("drawn_on").dt.epoch("d").cast(pl.Float64)
    lines = [(pl.cov(day, pl.col(m)) / day.filter(pl.col(m).is_not_null()).var()).alias(m) for m in METALS]
    found = pl.scan_parquet(paths).group_by("compartment").agg(lines).collect()
    line("Polars, regression only", begun, groups=len(found))
    begun = now()
    slopes = ", ".join(f"regr_slope({m}, epoch(drawn_on)) AS {m}" for m in METALS)
    query = f"SELECT compartment, {slopes} FROM read_parquet(?) GROUP BY compartment"  # noqa: S608
    line("DuckDB, regression only", begun, groups=len(duckdb.execute(query, [paths]).fetchall()))


PIECES: dict[str, Callable[..., None]] = {
    "make": make, "local": local, "learnt": learnt, "changed": changed, "cluster": by_cluster, "killed": killed,
    "general": general, "engines": engines,
}  # fmt: skip


if __name__ == "__main__":
    place, piece, *more = sys.argv[1:]
    PIECES[piece](Path(place), *more)
