"""From a fleet's own folder to its published month: load, assess, make the books; nothing at all
when nothing changed.
"""

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from hashlib import sha256
from importlib.resources import files
from pathlib import Path

import pandas as pd

import cmkit
from cmkit.assessment import Assessment
from cmkit.books.publishing import publish
from cmkit.books.publishing.month import MonthResult, Progress, all_made, run_books
from cmkit.books.running.kernels import start_server
from cmkit.by_site import assess_by_site
from cmkit.engine import Workers
from cmkit.errors import CmkitError, MissingTable
from cmkit.files import scratch_folder, write_file
from cmkit.learn import newest_record
from cmkit.learnt import load_learnt
from cmkit.records.fleet import Fleet
from cmkit.records.storing.source import open_fleet
from cmkit.review import read_review

Say = Callable[[str], None]
PARTS = ".assessed"  # in the folder of books: by month, what was learnt and each site's tables


def shipped(name: str) -> Path:
    """A file or folder that travels with the package (`notebooks`, `recipe.toml`): from the wheel, else from the
    checkout.
    """
    here = Path(str(files(cmkit)))
    for place in (here / "_shipped" / name, here.parent / name):
        if place.exists():
            return place
    raise MissingTable(f"{name}: not found beside the package; install cmkit again (pip install cmkit).")


@dataclass(frozen=True)
class Wanted:
    """A month's books as asked for. month: YYYY-MM or `newest`; version, database: see `records.source.open_fleet`;
    sites: None for all.

    keep_learnt: the month's last run taught what is used now as well, so that only sites with new records are assessed
    again.
    """

    fleet: Path
    month: str
    out: Path
    version: int | None = None
    database: str = ""
    sites: list[str] | None = None
    again: bool = False
    keep_learnt: bool = False


def make_month(wanted: Wanted, workers: Workers, say: Say, progress: Progress | None = None) -> MonthResult:
    """Make and publish the books wanted; say: told each step in one line. Raises CmkitError before anything was
    started.

    The books show what was known at the end of the month, or on the newest record's day when the month is not over.
    Nothing is done when neither a file of the fleet's folder nor cmkit changed since; a database is always read.
    """
    if not wanted.fleet.is_dir():
        raise MissingTable(f"{wanted.fleet}: no such folder; wanted a fleet's folder (`cmkit start` makes one).")
    made_from = _made_from(wanted)
    if (standing := _standing_month(wanted, made_from)) and not wanted.again and not wanted.database:
        record = publish.read_record(wanted.out / standing)
        return MonthResult(standing, [], sorted(record["books"]), {}, record)
    if workers.executor == "local" and workers.warm:
        start_server()
    say(f"reading {wanted.fleet}")
    loaded = open_fleet(wanted.fleet, wanted.version, wanted.database, say)
    newest = newest_record(loaded)
    month = newest[:7] if wanted.month == "newest" else wanted.month
    day = min(pd.Timestamp(newest), pd.Timestamp(f"{month}-01") + pd.offsets.MonthEnd(0))
    known = loaded.as_of(day)
    if not any(len(table) for table in (known.samples, known.services, known.meters)):
        raise MissingTable(f"{month}: no record had reached the office by {day:%Y-%m-%d}; the newest is of {newest}.")
    say(f"assessing {len(loaded.compartments):,} compartments as known on {day:%Y-%m-%d}")
    with scratch_folder() as folder:
        _assessed(wanted, loaded, day, workers, say).save(folder)
        result = run_books(
            folder,
            month,
            wanted.out,
            notebooks=shipped("notebooks"),
            sites=_short_names(wanted.sites, loaded.sites),
            workers=workers,
            progress=progress,
            again=wanted.again,
        )
    if not result.failed and made_from == _made_from(wanted):  # a file changed meanwhile may not be in these books
        write_file(wanted.out / month / publish.MADE_FROM, f"{made_from} {newest[:7]}")
    return result


def _short_names(asked: list[str] | None, sites: pd.DataFrame) -> list[str] | None:
    """Sites asked for by short name or by the name readers know, as short names; others stay as they are, to be refused
    by name.
    """
    known = {**dict(zip(sites["name"], sites["site"], strict=True)), **{s: s for s in sites["site"]}}
    return None if asked is None else [known.get(name, name) for name in asked]


def _assessed(wanted: Wanted, loaded: Fleet, day: pd.Timestamp, workers: Workers, say: Say) -> Assessment:
    """The fleet, site by site; what is learnt and the sites' parts stay beside the books, so that a later run does only
    what is new.
    """
    place = wanted.out / PARTS / f"{day:%Y-%m}"
    learnt = load_learnt(place / "learnt") if wanted.keep_learnt and (place / "learnt").exists() else None
    if learnt is not None:
        say(f"using what the fleet taught on {learnt.as_of:%Y-%m-%d}")
    result = assess_by_site(
        loaded,
        day,
        read_review(wanted.fleet),
        learnt=learnt,
        keep=place,
        workers=workers,
        progress=lambda done, n, total: say(f"site {n} of {total}: {done.words}"),
    )
    for other in place.parent.iterdir():  # parts of one month are kept: those of the month last made
        if other != place:
            shutil.rmtree(other, ignore_errors=True)
    return result


def _standing_month(wanted: Wanted, made_from: str) -> str:
    """The month asked for when all its books stand and were made from exactly what is there now; else empty."""
    for note in sorted(wanted.out.glob(f"*/{publish.MADE_FROM}")):
        place, said = note.parent, note.read_text(encoding="utf-8").split()
        asked = said[1:] == [place.name] if wanted.month == "newest" else wanted.month == place.name
        if asked and said[:1] == [made_from] and all_made(publish.read_record(place), place):
            return place.name
    return ""


def _made_from(wanted: Wanted) -> str:
    """One hash over every file of the fleet folder but the books, cmkit's own code and notebooks, and what was asked
    for.
    """
    own = Path(str(files(cmkit)))
    code = [p for p in sorted(own.rglob("*")) if p.is_file() and p.suffix in (".py", ".csv", ".js", ".css", ".j2")]
    code += sorted(shipped("notebooks").glob("*.ipynb"))
    books = wanted.out.resolve()
    records = [
        p
        for p in sorted(wanted.fleet.resolve().rglob("*"))
        if p.is_file() and p.suffix != ".lock" and books not in p.parents
    ]
    digest = sha256(repr((wanted.version, wanted.database, wanted.sites)).encode())
    for path in [*records, *code]:
        digest.update(f"{path.name}\n".encode() + sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def month_asked(text: str, today: date | None = None) -> str:
    """`last` as the last whole month before today (YYYY-MM); `newest` and YYYY-MM as they are.

    Raises CmkitError on anything else, and on a month that is still to come.
    """
    today = today or date.today()
    if text == "last":
        return (today.replace(day=1) - timedelta(days=1)).strftime("%Y-%m")
    if text == "newest":
        return text
    try:
        first = date.fromisoformat(f"{text}-01")
    except ValueError:
        raise CmkitError(f"--month: found {text!r}, wanted a month such as 2026-06, or `last`, or `newest`.") from None
    if first > today:
        raise CmkitError(
            f"--month: {text} is still to come; wanted a month up to {today:%Y-%m}, or `last`, or `newest`."
        )
    return first.strftime("%Y-%m")
