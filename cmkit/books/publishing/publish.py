"""A month of books as one thing: built aside, swapped in whole, one run at a time, and a record of what was done.

    BOOKS/index.html              the months there are
    BOOKS/run.log                 one line of JSON for each book attempted and each run ended
    BOOKS/2026-06/                a month: index.html (the fleet's book), sites/SITE/, data/, tables/, run.json
    BOOKS/.building/              where a month is built; swept when the run that made it is gone

A reader of BOOKS/2026-06 sees the month as it was or as it is, never a mixture: the folder is exchanged in one step where the system
can (Linux), else in two renames which the next run completes if it was stopped between them.
"""

import ctypes
import hashlib
import json
import os
import re
import shutil
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from cmkit.errors import BookError

BUILDING = ".building"
LOCK = ".lock"
RECORD = "run.json"
LOG = "run.log"
_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
MONTH = re.compile(r"\d{4}-(0[1-9]|1[0-2])")


@contextmanager
def one_run(books: Path) -> Iterator[None]:
    """Hold BOOKS for one run. Raises BookError when another run holds it; the lock of a run that died is free."""
    books.mkdir(parents=True, exist_ok=True)
    lock = FileLock(books / LOCK, timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise BookError(
            f"{books}: another run is making books here; nothing was started. Try again when it has ended."
        ) from None
    try:
        yield
    finally:
        lock.release()


@contextmanager
def built_aside(books: Path, month: str) -> Iterator[Path]:
    """A fresh folder on the same file system to build a month in; gone afterwards unless it was swapped in. Call under `one_run`."""
    sweep(books)
    folder = books / BUILDING / f"{month}-{socket.gethostname()}-{os.getpid()}"
    folder.mkdir(parents=True)
    try:
        yield folder
    finally:
        shutil.rmtree(books / BUILDING, ignore_errors=True)


def sweep(books: Path) -> None:
    """Undo what a run that was killed left behind: finish a swap stopped between its two renames, remove half-built months."""
    building = books / BUILDING
    for old in building.glob("*.old"):
        place = books / old.name.removesuffix(".old")
        if MONTH.fullmatch(place.name) and not place.exists():
            old.rename(place)
    shutil.rmtree(building, ignore_errors=True)


def swap_in(built: Path, place: Path) -> None:
    """Put the folder `built` in the place of the folder `place` (which may not exist yet); what stood there is removed."""
    flush_folder(built)
    if not place.exists():
        built.rename(place)
    elif exchange(built, place):
        shutil.rmtree(built, ignore_errors=True)
    else:
        old = built.parent / f"{place.name}.old"
        place.rename(old)
        built.rename(place)
        shutil.rmtree(old, ignore_errors=True)
    flush_folder(place.parent)


def exchange(one: Path, other: Path) -> bool:
    """Exchange two folders in one step; False where the system or file system has no such call."""
    if not sys.platform.startswith("linux"):
        return False
    call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if call is None:
        return False
    return call(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE) == 0


def flush_folder(folder: Path) -> None:
    """Have the folder's entries on the disk, where folders can be opened for that."""
    if os.name == "posix":
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def write_whole(path: Path, data: str | bytes) -> None:
    """Write a file that is either the old one or the new one, never part of it; the disk has it before its name does."""
    aside = path.with_name(f".{path.name}.{socket.gethostname()}.{os.getpid()}.part")
    try:
        with aside.open("wb") as out:
            out.write(data.encode("utf-8") if isinstance(data, str) else data)
            out.flush()
            os.fsync(out.fileno())
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)


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
        return json.loads((month_folder / RECORD).read_text(encoding="utf-8"))
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
