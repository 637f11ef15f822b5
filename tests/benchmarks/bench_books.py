"""Books of a month against running the notebooks by hand: `papermill` and `jupyter nbconvert` by command line, book
after book.

Same notebook, same data, same run. The demo fleet's three sites are copied under other names until there are enough.
Two books are
measured: a small one of 21 cells, 7 charts, 4 tables and 200 regressions, fixed here, and the site book as it is now.

    python tests/benchmarks/bench_books.py             12 books by hand, ours for 3 to 60 sites, memory, parts
    (minutes) python tests/benchmarks/bench_books.py --by-hand 2 --sites 3 12 --books small       fewer
    python tests/benchmarks/bench_books.py --memory            does a kernel's memory grow from book 10 to book 100
"""

import argparse
import os
import resource
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import nbformat
import pandas as pd
import psutil
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from cmkit.assess import assess_fleet
from cmkit.assessment import Assessment, load_assessment, table_names
from cmkit.books.publishing.month import MonthResult, run_books
from cmkit.engine import Workers
from cmkit.learn import newest_record
from cmkit.records.reading.load import load_fleet

ROOT = Path(__file__).parents[2]
MONTH = "2026-06"
IDS = ("site", "name", "machine", "compartment", "sample", "service", "finding")


SMALL = [
    "import numpy as np\nimport pandas as pd\nimport plotly.graph_objects as go\nfrom IPython.display import HTML",
    "from statsmodels.regression.linear_model import OLS\nfrom cmkit.assessment import load_assessment",
    "a = load_assessment(assessment, site or None)\nhistory = a.history.dropna(subset=['value', 'run_h'])",
    "def fit(part):\n    x = np.column_stack([np.ones(len(part)), part['run_h'] - part['run_h'].mean()])\n"
    "    return OLS(part['value'].to_numpy(), x).fit().params[1]",
    "series = [p for _, p in history.groupby(['compartment', 'analyte']) if len(p) > 3][:200]\nslopes = "
    "pd.Series([fit(p) for p in series])",
    *(
        f"p = series[{n} * len(series) // 6]\ngo.Figure(go.Scatter(x=p['run_h'].to_numpy(), y=p['value'].to_numpy()), "
        f"layout={{'height': 300, "
        "'meta': {'caption': 'A result over running hours.', 'alt': 'A result over running hours.'}})"
        for n in range(6)
    ),
    "grid = a.verdicts.pivot_table(index='machine', columns='kind', aggfunc='size', fill_value=0)\n"
    "go.Figure(go.Heatmap(z=grid.to_numpy(), x=grid.columns.tolist(), y=grid.index.tolist()), "
    "layout={'meta': {'caption': 'Compartments.', 'alt': 'Compartments by machine and kind.'}})",
    *(f"HTML(a.{name}.head(25).to_html(index=False))" for name in ("verdicts", "due", "wear", "trust")),
]


def small_notebooks(folder: Path) -> Path:
    """A folder of notebooks with the small book as site book and as fleet book."""
    folder.mkdir()
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    for name, parameters in (
        ("site_book", "assessment = ''\nsite = ''\nmonth = ''"),
        ("fleet_book", "assessment = ''\nmonth = ''"),
    ):
        first = new_code_cell(parameters, metadata={"tags": ["parameters"]})
        cells = [
            first,
            *([new_code_cell("site = ''")] if name == "fleet_book" else []),
            new_markdown_cell("## Headline"),
        ]
        cells += [new_code_cell(source) for source in SMALL]
        nbformat.write(
            new_notebook(cells=cells, metadata={"kernelspec": kernel, "language_info": {"name": "python"}}),
            folder / f"{name}.ipynb",
        )
    return folder


def demo(folder: Path) -> Assessment:
    """The demo fleet assessed (kept in `folder`, so that a second look does not assess again)."""
    if not (folder / "about.json").exists():
        fleet = load_fleet(ROOT / "sample_data")
        assess_fleet(fleet, newest_record(fleet)).save(folder)
    return load_assessment(folder)


def copied(frame: pd.DataFrame, copies: int) -> pd.DataFrame:
    """A table with its rows under so many names; what has no names of a site (limits, counts) stays."""
    ids = [c for c in IDS if c in frame.columns]
    if not {"site", "machine", "compartment"} & set(ids):
        return frame
    parts = [frame.assign(**{c: frame[c].astype("str") + f" {n}" for c in ids}) for n in range(copies)]
    return pd.concat(parts, ignore_index=True)


def fleet_of(one: Assessment, sites: int) -> Assessment:
    """The demo fleet with that many sites (a multiple of its own number)."""
    copies = sites // len(one.sites)
    return replace(one, **{name: copied(getattr(one, name), copies) for name in table_names()})


def by_hand(assessment: Path, sites: list[str], out: Path, notebooks: Path) -> float:
    """Seconds to run and convert the site book of each site by the two commands, one after another."""
    started = time.monotonic()
    for n, site in enumerate(sites):
        target = out / f"{n}.ipynb"
        given = ["-p", "assessment", str(assessment), "-p", "site", site, "-p", "month", MONTH]
        notebook = str(notebooks / "site_book.ipynb")
        run = [sys.executable, "-m", "papermill", "--no-progress-bar", *given, notebook, str(target)]
        subprocess.run(run, check=True, capture_output=True)
        convert = [sys.executable, "-m", "jupyter", "nbconvert", "--to", "html", str(target)]
        subprocess.run(convert, check=True, capture_output=True)
    return time.monotonic() - started


def ours(assessment: Path, out: Path, notebooks: Path, **how: object) -> tuple[float, MonthResult]:
    """Seconds for the whole month (site books, fleet book, tables, publishing), in a process of its own as the command
    is.
    """
    started = time.monotonic()
    result = run_books(assessment, MONTH, out, notebooks=notebooks, workers=Workers(**how))  # type: ignore[arg-type]
    return time.monotonic() - started, result


@contextmanager
def watched_kernels() -> Iterator[dict[int, tuple[float, float]]]:
    """Greatest proportional and resident set size (MiB) of each kernel that ran meanwhile, by process id in order of
    their start.
    """
    most: dict[int, tuple[float, float]] = {}
    stop = threading.Event()

    def watch() -> None:
        while not stop.wait(0.3):
            for process in psutil.Process().children(recursive=True):
                try:
                    kernel = "forkserver" in " ".join(process.cmdline()) or "ipykernel" in " ".join(process.cmdline())
                    if kernel and not process.children():
                        found = process.memory_full_info()
                        pss, rss = most.get(process.pid, (0.0, 0.0))
                        most[process.pid] = max(pss, found.pss / 2**20), max(rss, found.rss / 2**20)
                except psutil.Error:
                    continue

    thread = threading.Thread(target=watch, daemon=True)
    thread.start()
    yield most
    stop.set()
    thread.join()


def cpu_seconds() -> float:
    """CPU time of this process and of all it started, ended or not (on a busy machine steadier than the clock)."""
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    total = time.process_time() + ended.ru_utime + ended.ru_stime
    for process in psutil.Process().children():
        with suppress(psutil.Error):
            total += sum(process.cpu_times()[:4])
    return total


def parts(result: MonthResult) -> dict[str, float]:
    """Median seconds of a site's book by part."""
    books = [b for k, b in result.record["books"].items() if k.endswith("/book")]
    middle = {p: statistics.median(b[p] for b in books) for p in ("seconds", "cells_s", "export_s")}
    return middle | {"kernel start, end, messages": middle["seconds"] - middle["cells_s"] - middle["export_s"]}


def line(*cells: object) -> None:
    """A row of the printed table."""
    print("| " + " | ".join(f"{c:.2f}" if isinstance(c, float) else str(c) for c in cells) + " |", flush=True)


def main() -> None:
    """Print the tables."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--by-hand", type=int, default=12, help="books made by the two commands")
    options.add_argument("--sites", type=int, nargs="+", default=[3, 12, 48, 60])
    options.add_argument("--books", nargs="+", choices=["small", "site"], default=["small", "site"])
    options.add_argument(
        "--cluster", action="store_true", help="only: 20 small books by two dask workers against two threads"
    )
    options.add_argument("--memory", action="store_true", help="only: memory over 100 small books in one pool")
    options.add_argument("--keep", type=Path, help="folder for the assessed demo fleet, to look again")
    given = options.parse_args()
    place = Path(tempfile.mkdtemp(prefix="bench-"))
    try:
        one = demo(given.keep or place / "demo")
        if given.memory:
            return memory_over_books(one, place)
        for n in {*given.sites, 12}:
            fleet_of(one, n).save(place / f"a{n}")
        if given.cluster:
            return cluster_against_threads(one, place)
        folders = {"small": small_notebooks(place / "small"), "site": site_notebooks(place / "site")}
        for book in given.books:
            print(f"\n### The {book} book\n")
            (place / f"made-{book}").mkdir()
            measure(folders[book], given.by_hand, given.sites, place, place / f"made-{book}")
    finally:
        shutil.rmtree(place, ignore_errors=True)


@contextmanager
def started_cluster(place: Path) -> Iterator[str]:
    """A dask scheduler and two workers on loopback that may fork warm kernels; its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = str(free.getsockname()[1])
    environment = {**os.environ, "DASK_DISTRIBUTED__WORKER__DAEMON": "false"}
    dask = [sys.executable, "-m", "dask"]
    head = [*dask, "scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard"]
    crew = [
        *dask,
        "worker",
        f"tcp://127.0.0.1:{port}",
        "--nthreads",
        "1",
        "--nworkers",
        "2",
        "--no-dashboard",
        "--local-directory",
        str(place),
    ]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": environment, "start_new_session": True}
    processes = [subprocess.Popen(command, **quiet) for command in (head, crew)]  # type: ignore[call-overload]
    try:
        yield f"tcp://127.0.0.1:{port}"
    finally:
        for process in processes:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def cluster_against_threads(one: Assessment, place: Path) -> None:
    """The same 21 small books by two workers of one thread each and by two threads here; both warmed up by 3 books
    before.
    """
    notebooks = small_notebooks(place / "small")
    for n in (3, 21):
        fleet_of(one, n).save(place / f"a{n}")
    with started_cluster(place) as address:
        ways = {"two threads": {"threads": 2}, "two workers": {"executor": "cluster", "scheduler": address}}
        seconds = {}
        for words, how in ways.items():
            ours(place / "a3", place / f"warm-up-{words}", notebooks, **how)
            seconds[words], _ = ours(place / "a21", place / words, notebooks, **how)
            line(22, words, seconds[words], seconds[words] / 22)
    line("ratio", "two workers to two threads", seconds["two workers"] / seconds["two threads"])


def memory_over_books(one: Assessment, place: Path, books: int = 100) -> None:
    """Memory of kernels, of this process and of the server kernels are forked from, about book 10 and about the last of
    `books`.

    A kernel lives for one book, so it cannot grow by itself: what would make the hundredth larger than the tenth is the
    server's heap.
    """
    notebooks = small_notebooks(place / "small")
    fleet_of(one, 3 * (books // 3)).save(place / "many")
    seen: list[tuple[float, float]] = []

    def note(*_: object) -> None:
        own = psutil.Process()
        servers = [c for c in own.children() if c.children() or "forkserver" in " ".join(c.cmdline())]
        seen.append((own.memory_info().rss / 2**20, max((c.memory_info().rss for c in servers), default=0) / 2**20))

    with watched_kernels() as memory:
        result = run_books(place / "many", MONTH, place / "made", notebooks=notebooks, workers=Workers(), progress=note)
    assert not result.failed, result.failed
    kernels = list(memory.values())
    line("what, MiB", "about book 10", f"about book {len(seen)}", "growth")
    line(*["---"] * 4)
    for words, values in (
        ("a kernel, PSS", [pss for pss, _ in kernels]),
        ("a kernel, RSS", [rss for _, rss in kernels]),
        ("this process, RSS", [own for own, _ in seen]),
        ("the server kernels are forked from, RSS", [server for _, server in seen]),
    ):
        early, late = statistics.median(values[5:15]), statistics.median(values[-10:])
        line(words, early, late, late - early)


def site_notebooks(folder: Path) -> Path:
    """The site's and the fleet's book as they are now, without the other notebooks."""
    folder.mkdir()
    for name in ("site_book.ipynb", "fleet_book.ipynb"):
        shutil.copy(ROOT / "notebooks" / name, folder / name)
    return folder


def measure(notebooks: Path, hand_books: int, sizes: list[int], place: Path, out: Path) -> None:
    """All figures of one book, in one run."""
    line("books", "way", "wall s", "s a book", "ratio to by hand", "CPU s a book", "ratio")
    line(*["---"] * 7)
    sites = load_assessment(place / "a12").sites["site"].tolist()[:hand_books]
    before = cpu_seconds()
    per_book = by_hand(place / "a12", sites, out, notebooks) / len(sites)
    line(
        len(sites),
        "papermill + nbconvert by command line",
        per_book * len(sites),
        per_book,
        1.0,
        cpu := (cpu_seconds() - before) / len(sites),
        1.0,
    )
    ways: list[tuple[int, str, dict]] = [(n, "ours, 3 threads over warm kernels", {}) for n in sizes]
    ways += [
        (12, "ours, warm, one by one", {"executor": "serial"}),
        (12, "ours, plain kernels, 2 threads", {"warm": False, "threads": 2}),
    ]
    for n, words, how in ways:
        before = cpu_seconds()
        with watched_kernels() as memory:
            seconds, result = ours(place / f"a{n}", out / f"{n}-{len(words)}", notebooks, **how)
        own = (cpu_seconds() - before) / (n + 1)
        assert not result.failed, result.failed
        line(n + 1, words, seconds, seconds / (n + 1), per_book / (seconds / (n + 1)), own, cpu / own)
        of_part = ", ".join(f"{k} {v:.2f}" for k, v in parts(result).items())
        pss = f"{statistics.median(pss for pss, _ in memory.values()):.0f} MiB" if memory else "not seen"
        print(f"  median site book, s: {of_part}; memory a kernel (PSS): {pss}", flush=True)
    again, result = ours(place / f"a{sizes[0]}", out / f"{sizes[0]}-{len(ways[0][1])}", notebooks)
    line(
        sizes[0] + 1,
        "ours, again, nothing changed" if not result.made else "ours, again, book code was changed meanwhile",
        again,
        "",
        "",
    )


if __name__ == "__main__":
    main()
