"""A month of books as one thing: built aside, swapped in whole, one run at a time, and a record of what was done.

    BOOKS/index.html              the months there are
    BOOKS/run.log                 one line of JSON for each book attempted and each run ended
    BOOKS/2026-06/                a month: index.html (the fleet's book), sites/SITE/, data/, tables/, run.json
    BOOKS/.building/              where a month is built; swept when the run that made it is gone

A reader of BOOKS/2026-06 sees the month as it was or as it is, never a mixture: the folder is exchanged in one step
where the system can (Linux), else in two renames which the next run completes if it was stopped between them (see
:mod:`cmkit.files`).
"""

import hashlib
import json
import os
import re
import shutil
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from cmkit import files
from cmkit.errors import BookError
from cmkit.files import flush_tree, foreign_files, one_writer, seal, swap_in

BUILDING = ".building"
LOCK = ".lock"
RECORD = "run.json"
LOG = "run.log"
MADE_FROM = ".made-from"  # in a published month: hash of what it was made from, and the newest month there was in that
KIND = "month of books"  # in the manifest of a month
MONTH = re.compile(r"\d{4}-(0[1-9]|1[0-2])")


@contextmanager
def one_run(books: Path) -> Iterator[None]:
    """Hold BOOKS for one run. Raises BookError when another run holds it; the lock of a run that died is free."""
    books.mkdir(parents=True, exist_ok=True)
    busy = BookError(f"{books}: another run is making books here; nothing was started. Try again when it has ended.")
    with one_writer(books / LOCK, busy):
        yield


def refuse_other_month(books: Path, month: str) -> None:
    """BookError where BOOKS/MONTH, or BOOKS/index.html, is not what a run put there: neither would
    be ours to replace.
    """
    place = books / month
    if place.exists() and (not place.is_dir() or (any(place.iterdir()) and not (place / RECORD).is_file())):
        raise BookError(
            f"{place}: not a month of books (no {RECORD} in it), and nothing is written over. Move it away or name "
            f"another folder with --out."
        )
    if (books / "index.html").exists() and not (books / LOG).exists():
        raise BookError(
            f"{books / 'index.html'}: not a page of books, and nothing is written over. Name another folder with --out."
        )


def publish_month(built: Path, place: Path) -> None:
    """Seal a month built aside and put it in its place; what someone else put into the old one, or changed there, is in
    the new one too.
    """
    seal(built, KIND, {})
    if place.exists():
        for path in foreign_files(place, KIND):
            if path.name not in (RECORD, MADE_FROM):
                _carry_over(path, built / path.relative_to(place))
    flush_tree(built)
    swap_in(built, place)


def _carry_over(source: Path, target: Path) -> None:
    if target.exists():
        target = target.with_name(f"{target.stem}.changed-by-hand{target.suffix}")
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy2(source, target)


@contextmanager
def built_aside(books: Path, month: str) -> Iterator[Path]:
    """A fresh folder on the same file system to build a month in; gone afterwards unless it was swapped in. Call under
    `one_run`.
    """
    sweep(books)
    folder = books / BUILDING / f"{month}-{socket.gethostname()}-{os.getpid()}"
    folder.mkdir(parents=True)
    try:
        yield folder
    finally:
        shutil.rmtree(books / BUILDING, ignore_errors=True)


def sweep(books: Path) -> None:
    """Undo what a run that was killed left behind: finish a swap stopped between its two renames, remove half-built
    months.
    """
    files.sweep(books)
    shutil.rmtree(books / BUILDING, ignore_errors=True)


def keep_tree(source: Path, target: Path) -> None:
    """The same files again under another folder, without a second copy where the file system allows it."""
    shutil.copytree(source, target, copy_function=link_or_copy, dirs_exist_ok=True)


def link_or_copy(source: str, target: str) -> None:
    """A hard link where the file system allows one, else a copy; the published file is never written again."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)


def hash_files(folder: Path, leave_out: frozenset[str] = frozenset()) -> str:
    """SHA-256 over names and contents of a folder's files, in order of their names."""
    total = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path.name not in leave_out:
            total.update(f"{path.relative_to(folder).as_posix()}\0".encode())
            total.update(hashlib.sha256(path.read_bytes()).digest())
    return total.hexdigest()


def read_record(month_folder: Path) -> dict[str, Any]:
    """run.json of a published month; empty when there is none or it cannot be read (everything is then made again)."""
    try:
        found: dict[str, Any] = json.loads((month_folder / RECORD).read_text(encoding="utf-8"))
        return found
    except (OSError, ValueError):
        return {}


def log_line(books: Path, **what: Any) -> None:
    """Append one line of JSON to BOOKS/run.log, with the time (UTC) first."""
    line = json.dumps({"at": now(), **what}, ensure_ascii=False)
    with (books / LOG).open("a", encoding="utf-8") as out:
        out.write(line + "\n")


def now() -> str:
    """The present, UTC, to the second, as ISO text."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def published_months(books: Path) -> list[dict[str, Any]]:
    """Records of the months there are, the newest first."""
    months = sorted((p for p in books.iterdir() if MONTH.fullmatch(p.name) and p.is_dir()), reverse=True)
    return [{"month": p.name, **read_record(p)} for p in months]
