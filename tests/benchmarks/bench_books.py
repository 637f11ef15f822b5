"""Books of a month against running the notebooks by hand: `papermill` and `jupyter nbconvert` by command line, book after book.

Same notebook, same data, same run. The demo fleet's three sites are copied under other names until there are enough.

    python tests/benchmarks/bench_books.py             12 books by hand, 12 and 60 ours, growth, memory, parts   (minutes)
    python tests/benchmarks/bench_books.py --by-hand 2 --sites 3 12       fewer
"""

import argparse
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pandas as pd
import psutil

from cmkit.assess import assess, newest_record
from cmkit.assessment import Assessment, load_assessment, table_names
from cmkit.books.month import MonthResult, Workers, run_books
from cmkit.records.load import load_fleet

ROOT = Path(__file__).parents[2]
MONTH = "2026-06"
IDS = ("site", "name", "machine", "compartment", "sample", "service", "finding")


def demo(folder: Path) -> Assessment:
    """The demo fleet assessed (kept in `folder`, so that a second look does not assess again)."""
    if not (folder / "about.json").exists():
        fleet = load_fleet(ROOT / "sample_data")
        assess(fleet, newest_record(fleet)).save(folder)
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


def by_hand(assessment: Path, sites: list[str], out: Path) -> float:
    """Seconds to run and convert the site book of each site by the two commands, one after another."""
    started = time.monotonic()
    for n, site in enumerate(sites):
        target = out / f"{n}.ipynb"
        given = ["-p", "assessment", str(assessment), "-p", "site", site, "-p", "month", MONTH]
        notebook = str(ROOT / "notebooks" / "site_book.ipynb")
        run = [sys.executable, "-m", "papermill", "--no-progress-bar", *given, notebook, str(target)]
        subprocess.run(run, check=True, capture_output=True)
        convert = [sys.executable, "-m", "jupyter", "nbconvert", "--to", "html", str(target)]
        subprocess.run(convert, check=True, capture_output=True)
    return time.monotonic() - started


def ours(assessment: Path, out: Path, **how: object) -> tuple[float, MonthResult]:
    """Seconds for the whole month (site books, fleet book, tables, publishing), in a process of its own as the command is."""
    started = time.monotonic()
    result = run_books(assessment, MONTH, out, notebooks=ROOT / "notebooks", workers=Workers(**how))  # type: ignore[arg-type]
    return time.monotonic() - started, result


@contextmanager
def watched_kernels() -> Iterator[dict[int, float]]:
    """Greatest proportional set size (MiB) of each kernel that ran meanwhile, by process id."""
    most: dict[int, float] = {}
    stop = threading.Event()

    def watch() -> None:
        while not stop.wait(0.05):
            for process in psutil.Process().children(recursive=True):
                try:
                    kernel = "forkserver" in " ".join(process.cmdline()) or "ipykernel" in " ".join(process.cmdline())
                    if kernel and not process.children():
                        most[process.pid] = max(most.get(process.pid, 0.0), process.memory_full_info().pss / 2**20)
                except psutil.Error:
                    continue

    thread = threading.Thread(target=watch, daemon=True)
    thread.start()
    yield most
    stop.set()
    thread.join()


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
    options.add_argument("--keep", type=Path, help="folder for the assessed demo fleet, to look again")
    given = options.parse_args()
    place = Path(tempfile.mkdtemp(prefix="bench-"))
    try:
        one = demo(given.keep or place / "demo")
        measure(one, given.by_hand, given.sites, place)
    finally:
        shutil.rmtree(place, ignore_errors=True)


def measure(one: Assessment, hand_books: int, sizes: list[int], place: Path) -> None:
    """All figures, in one run."""
    line("books", "way", "wall s", "s a book", "ratio to by hand")
    line("---", "---", "---", "---", "---")
    hand = place / "hand"
    hand.mkdir()
    fleet_of(one, 12).save(place / "a12")
    sites = load_assessment(place / "a12").sites["site"].tolist()[:hand_books]
    per_book = by_hand(place / "a12", sites, hand) / len(sites)
    line(len(sites), "papermill + nbconvert by command line", per_book * len(sites), per_book, 1.0)
    ways = [(n, "ours, 3 threads over warm kernels", {}) for n in sizes]
    ways += [
        (12, "ours, plain kernels, 2 threads", {"warm": False, "threads": 2}),
        (12, "ours, warm, one by one", {"executor": "serial"}),
    ]
    for n, words, how in ways:
        folder = place / f"a{n}"
        if not folder.exists():
            fleet_of(one, n).save(folder)
        with watched_kernels() as memory:
            seconds, result = ours(folder, place / f"books-{n}-{len(words)}", **how)
        assert not result.failed, result.failed
        line(n, words, seconds, seconds / (n + 1), per_book / (seconds / (n + 1)))
        of_part = ", ".join(f"{k} {v:.2f}" for k, v in parts(result).items())
        print(
            f"  median site book, s: {of_part}; memory a kernel (PSS): {statistics.median(memory.values()):.0f} MiB",
            flush=True,
        )
    again, result = ours(place / f"a{sizes[0]}", place / f"books-{sizes[0]}-{len(ways[0][1])}")
    line(sizes[0], "ours, nothing changed", again, again / (sizes[0] + 1), "-")
    assert not result.made


if __name__ == "__main__":
    main()
