"""How a run says where it is: a bar on a terminal, one plain line a book elsewhere (cron, a log file)."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

from tqdm import tqdm  # type: ignore[import-untyped]

from cmkit.books.publishing.publish import now
from cmkit.books.running.run import BookResult


def book_line(result: BookResult) -> str:
    """One book in words."""
    end = "made" if result.made else f"FAILED: {result.error}"
    return f"{result.key}: {end} ({result.seconds:.1f} s)"


def say(words: str, stream: TextIO | None = None) -> None:
    """One line of progress, dated where it is not read as it comes."""
    out = stream or sys.stderr
    print(words if out.isatty() else f"{now()} {words}", file=out, flush=True)


@contextmanager
def shown_progress(stream: TextIO | None = None) -> Iterator[Callable[[BookResult, int, int], None]]:
    """A callback for `run_books(progress=...)`; on a terminal a failed book's line stays above the bar."""
    out = stream or sys.stderr
    bars: list[tqdm] = []

    def on_terminal(result: BookResult, done: int, total: int) -> None:
        if not bars:
            bars.append(tqdm(total=total, desc="Books", unit="book", file=out, leave=False))
        if not result.made:
            tqdm.write(book_line(result), file=out)
        bars[0].update(done - bars[0].n)

    def in_lines(result: BookResult, done: int, total: int) -> None:
        print(f"{now()} {done}/{total} {book_line(result)}", file=out, flush=True)

    try:
        yield on_terminal if out.isatty() else in_lines
    finally:
        for bar in bars:
            bar.close()
