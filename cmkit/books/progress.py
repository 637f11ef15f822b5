"""Progress of a run: a bar on a terminal, one dated line a book anywhere else (a log, a schedule's mail)."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from tqdm import tqdm

from cmkit.books.month import Progress
from cmkit.books.run import BookResult


def say(words: str) -> None:
    """One line on standard error, dated when it is not a terminal."""
    stamp = "" if sys.stderr.isatty() else f"{datetime.now():%Y-%m-%d %H:%M:%S} "
    tqdm.write(f"{stamp}{words}", file=sys.stderr)


@contextmanager
def progress_shown() -> Iterator[Progress]:
    """A callback for `run_books` that shows each finished book."""
    bar: tqdm | None = None

    def on_terminal(result: BookResult, done: int, total: int) -> None:
        nonlocal bar
        if bar is None:
            bar = tqdm(total=total, unit="book", leave=False)
        bar.set_postfix_str(result.key)
        bar.update(done - bar.n)

    def in_log(result: BookResult, done: int, total: int) -> None:
        say(f"{done}/{total} {result.key}: {'made' if result.made else 'FAILED'} in {result.seconds:.1f} s")

    try:
        yield on_terminal if sys.stderr.isatty() else in_log
    finally:
        if bar is not None:
            bar.close()
