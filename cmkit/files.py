"""The one place where files and folders are written: what is there is the old one or the new one, whole, whatever stops
the writing.

A file or folder is made aside on the same disk, flushed, and put in its place in one step. A folder of several files
holds a `manifest.json` with the rows and the SHA-256 of each, and whoever reads the folder compares them first. What a
killed writer leaves aside has a name of its own and is swept by the next writer. Nothing is replaced that was not
written here.

    .cmkit-HOST-PROCESS-NUMBER.part      a file or folder on its way, of a process of a host
    .cmkit-HOST-PROCESS-NUMBER-NAME.old  the folder NAME, moved away to make room where the system has no exchange
"""

import ctypes
import errno
import hashlib
import json
import os
import re
import shutil
import socket
import sys
import tempfile
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from cmkit.errors import CmkitError, WriteError, WrongFile

MANIFEST = "manifest.json"
_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_HOST = hashlib.sha256(socket.gethostname().encode()).hexdigest()[:8]
_AT_ONCE = 8  # own choice: files flushed at a time; with more nothing is gained
_ASIDE = re.compile(r"\.cmkit-([0-9a-f]{8})-(\d+)-[0-9a-z_]+(?:\.part|-(.+)\.old)")
_number = count()


def write_file(path: str | Path, data: str | bytes, *, new: bool = False) -> Path:
    """Write a file as a whole; through a link, keeping the rights of a file that is there. Its folder is made if need
    be.

    new: raises WriteError where a file of that name is there already. Raises OSError (with the file's name) where the
    disk refuses.
    """
    place, raw = Path(path), data.encode("utf-8") if isinstance(data, str) else data
    if new and os.path.lexists(place):
        raise _there_already(place)
    target = Path(os.path.realpath(place))
    try:
        if target.exists() and not target.is_file() and not target.is_dir():  # a pipe, a terminal: nothing to replace
            target.write_bytes(raw)
        else:
            _replace(target, raw, new)
    except OSError as error:
        raise _named(error, place) from None
    return place


def _replace(target: Path, raw: bytes, new: bool) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    sweep(target.parent)
    aside = _aside(target)
    try:
        _write_flushed(aside, raw)
        if target.exists():
            shutil.copymode(target, aside)
        _put_new(aside, target) if new else aside.replace(target)
        flush_folder(target.parent)
    finally:
        with suppress(OSError):
            aside.unlink()


def _write_flushed(path: Path, data: bytes) -> None:
    with path.open("xb") as out:
        out.write(data)
        out.flush()
        os.fsync(out.fileno())


def _put_new(aside: Path, target: Path) -> None:
    """Give a file its name unless another has it: a link is refused where the name is taken, and a rename is not."""
    try:
        os.link(aside, target)
    except FileExistsError:
        raise _there_already(target) from None
    except OSError:  # a file system without links
        aside.rename(target)


def _there_already(place: Path) -> WriteError:
    return WriteError(f"{place}: there already, and nothing is written over. Give another name, or move it away first.")


def _named(error: OSError, place: Path) -> OSError:
    """The error of a full or broken disk with the file's name in it; a write does not name it."""
    return OSError(error.errno, error.strerror or str(error), str(place))


def _aside(target: Path) -> Path:
    """A name of our own beside the target."""
    return target.with_name(f".cmkit-{_HOST}-{os.getpid()}-{next(_number)}.part")


@contextmanager
def written_folder(place: str | Path, kind: str = "") -> Iterator[Path]:
    """A fresh folder to fill, which takes the place of `place` when the block ends without an error and is gone
    otherwise.

    place: new, or empty, or (kind given) a folder sealed as that kind that holds nothing else. Raises WriteError on any
    other.
    """
    shown, place = Path(place), Path(os.path.realpath(place))
    _refuse_other(shown, place, kind)
    place.parent.mkdir(parents=True, exist_ok=True)
    sweep(place.parent)
    aside = _aside(place)
    try:
        aside.mkdir()
        yield aside
        flush_tree(aside)
        _refuse_other(shown, place, kind)
        swap_in(aside, place)
    except OSError as error:
        raise error if error.filename else _named(error, shown) from None
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def check_place(place: str | Path, kind: str | None = None) -> None:
    """Whether `place` can be written, asked before the work that would fill it. kind: of a folder as of
    :func:`written_folder`; None: a file.

    Raises WriteError where something else stands there, OSError (with a name) where no file can be made.
    """
    shown, real = Path(place), Path(os.path.realpath(place))
    if kind is not None:
        _refuse_other(shown, real, kind)
    elif real.is_dir():
        raise WriteError(f"{shown}: a folder, wanted the name of a file. Name a file in it.")
    above = next(p for p in real.parents if os.path.lexists(p))
    if not above.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(above))
    if not os.access(above, os.W_OK | os.X_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(above))


def check_heading(place: Path, columns: list[str]) -> None:
    """WriteError where a file is there already that is not a table of these columns: only a table
    of ours is replaced.
    """
    if place.is_file() and place.stat().st_size:
        with place.open("rb") as there:
            if there.readline(10_000).decode("utf-8-sig", "replace").strip() != ",".join(columns):
                raise WriteError(
                    f"{place}: there already and not this table, and nothing is written over. Give another name."
                )


def _refuse_other(shown: Path, place: Path, kind: str) -> None:
    """Raises WriteError where `place` holds anything that this writer did not put there."""
    if not place.exists():
        return
    if not place.is_dir():
        raise WriteError(f"{shown}: a file, and nothing is written over. Name a new or empty folder.")
    there = {p.name for p in place.iterdir()}
    ours = kind and MANIFEST in there
    if foreign := [p.name for p in foreign_files(place, kind)] if ours else sorted(there):
        more = f" and {len(foreign) - 3} more" if len(foreign) > 3 else ""
        raise WriteError(
            f"{shown}: holds {', '.join(foreign[:3])}{more}, and nothing is written over. Name a new or empty folder."
        )


def seal(folder: Path, kind: str, rows: Mapping[str, int]) -> None:
    """Write the manifest of a folder's files. kind: what the folder is; rows: rows of each table by the name of its
    file.
    """
    names = {p.relative_to(folder).as_posix(): p for p in sorted(folder.rglob("*")) if p.is_file()}
    files = {name: {"sha256": _file_digest(p), "rows": rows.get(name)} for name, p in names.items()}
    text = json.dumps({"kind": kind, "files": files}, indent=1, sort_keys=True)
    _write_flushed(folder / MANIFEST, text.encode())


def checked_rows(folder: Path, kind: str, todo: str) -> dict[str, int]:
    """Rows of each table of a sealed folder by file name, once every file was found whole.

    todo: what to do about a folder that is not. Raises WrongFile naming the first file that is missing or changed.
    """
    files = _manifest(folder, kind, todo)["files"]
    for name, entry in files.items():
        path = folder / name
        if not path.is_file():
            raise WrongFile(f"{path}: missing, and {MANIFEST} names it: the folder is not whole. {todo}")
        if _file_digest(path) != entry["sha256"]:
            raise WrongFile(f"{path}: not as it was written (cut short or changed since). {todo}")
    return {name: entry["rows"] for name, entry in files.items() if entry["rows"] is not None}


def foreign_files(folder: Path, kind: str) -> list[Path]:
    """Files of a sealed folder that its writer did not put there, or that were changed since; all of them where it was
    never sealed.
    """
    ours = _manifest(folder, kind, "Name a new or empty folder.")["files"] if (folder / MANIFEST).exists() else {}
    found = {p.relative_to(folder).as_posix(): p for p in sorted(folder.rglob("*")) if p.is_file()}
    return [p for n, p in found.items() if n != MANIFEST and (n not in ours or ours[n]["sha256"] != _file_digest(p))]


def _manifest(folder: Path, kind: str, todo: str = "") -> dict[str, Any]:
    """A folder's manifest. WrongFile where it cannot be read, or is of a folder of another kind."""
    path = folder / MANIFEST
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        files = {str(n): {"sha256": str(e["sha256"]), "rows": e["rows"]} for n, e in found["files"].items()}
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise WrongFile(f"{path}: missing or not readable; the folder is not whole. {todo}".strip()) from None
    if found.get("kind") != kind:
        raise WrongFile(
            f"{path}: a folder of the kind {str(found.get('kind'))[:40]!r}, wanted {kind!r}. {todo}".strip()
        )
    return {"kind": kind, "files": files}


def _file_digest(path: Path) -> str:
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def sweep(folder: Path) -> None:
    """Undo what writers that were killed left in a folder: finish a swap stopped between its two renames, remove what
    was on its way.
    """
    for path in list(folder.glob(".cmkit-*")):
        found = _ASIDE.fullmatch(path.name)
        if not found or found[1] != _HOST or _alive(int(found[2])) or not _own(path):
            continue
        with suppress(OSError):
            if found[3] and not (folder / found[3]).exists():
                path.rename(folder / found[3])
            elif path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink()


def _own(path: Path) -> bool:
    """Whether a file is of the user who runs this; another's is left alone."""
    with suppress(OSError):
        return os.name != "posix" or path.lstat().st_uid == os.getuid()
    return False


def _alive(process: int) -> bool:
    """Whether a process of this machine runs; where that cannot be asked without harm, it is taken for running."""
    if os.name != "posix":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        pass
    return True


def swap_in(built: Path, place: Path) -> None:
    """Put the folder `built` in the place of the folder `place` (which may not exist yet), and what stood there in the
    place of `built`.

    In one step where the system can (Linux), else in two renames, which :func:`sweep` completes if it was stopped
    between them.
    """
    if not place.exists() or not any(place.iterdir()):
        if os.name != "posix" and place.exists():
            place.rmdir()
        built.rename(place)
    elif not exchange(built, place):
        old = place.with_name(f"{_aside(place).stem}-{place.name}.old")
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
    return bool(call(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE) == 0)


def flush_folder(folder: Path) -> None:
    """Have the folder's entries on the disk, where the system can do that for folders; what was put in place stays
    there where not.
    """
    if os.name == "posix":
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            with suppress(OSError):
                os.fsync(descriptor)
        finally:
            os.close(descriptor)


def flush_tree(folder: Path) -> None:
    """Have every file and folder under `folder` on the disk. Several are asked for at once, which a disk takes together
    in about the time of one.
    """
    every = [p for p in folder.rglob("*") if not p.is_symlink()]
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        list(pool.map(_flush_file, (p for p in every if p.is_file())))
    for path in (*(p for p in every if p.is_dir()), folder):
        flush_folder(path)


def _flush_file(path: Path) -> None:
    with path.open("rb") as handle:
        os.fsync(handle.fileno())


def keep_newest(folder: Path, most: int) -> None:
    """Remove the oldest of the sealed folders in `folder`, so that `most` are left; nothing else there is touched."""
    there = [p for p in folder.iterdir() if not p.name.startswith(".") and (p / MANIFEST).is_file()]
    for old in sorted(there, key=lambda p: p.stat().st_mtime)[: max(len(there) - most, 0)]:
        shutil.rmtree(old, ignore_errors=True)


@contextmanager
def one_writer(lock: Path, busy: CmkitError, wait_s: float = 0.0) -> Iterator[None]:
    """Hold a lock file while the block runs; `busy` is raised where another holds it for longer than `wait_s`. The lock
    of a dead writer is free.
    """
    held = FileLock(lock, timeout=wait_s)
    try:
        held.acquire()
    except Timeout:
        raise busy from None
    try:
        yield
    finally:
        held.release()


@contextmanager
def scratch_folder(base: str = "") -> Iterator[Path]:
    """A temporary folder that only we may enter, gone when the block ends; those that killed processes left are removed
    first.
    """
    base = base or tempfile.gettempdir()
    sweep(Path(base))
    folder = Path(tempfile.mkdtemp(prefix=f".cmkit-{_HOST}-{os.getpid()}-", suffix=".part", dir=base))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
