"""From a fleet's own folder to its published month: load, assess, make the books; nothing at all when nothing changed."""

import tempfile
from collections.abc import Callable
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd

import cmkit
from cmkit.assess import assess, frozen_numbers, newest_record
from cmkit.books import publish
from cmkit.books.month import MonthResult, run_books
from cmkit.errors import MissingTable
from cmkit.records.load import load_fleet

Say = Callable[[str], None]


def shipped(name: str) -> Path:
    """A file or folder that travels with the package (`notebooks`, `recipe.toml`): from the wheel, else from the checkout."""
    here = Path(str(files(cmkit)))
    for place in (here / "_shipped" / name, here.parent / name):
        if place.exists():
            return place
    raise MissingTable(f"{name}: not found beside the package; install cmkit again (pip install cmkit).")


def make_month(fleet: Path, month: str, out: Path, say: Say, **how: Any) -> MonthResult:
    """Books of `month` (YYYY-MM) for the fleet in folder `fleet`, published under `out`; `how` goes to `run_books`.

    The books show what was known at the end of the month, or on the newest record's day when the month is not over. say: one line
    per step. Raises CmkitError before anything was started.
    """
    made_from = _made_from(fleet, month, repr(sorted((k, v) for k, v in how.items() if k == "sites")))
    note = out / month / ".made-from"
    if not how.get("again") and note.exists() and note.read_text(encoding="utf-8") == made_from:
        record = publish.read_record(out / month)
        return MonthResult(month, [], sorted(record["books"]), {}, record)
    say(f"reading {fleet}")
    loaded = load_fleet(fleet)
    day = min(pd.Timestamp(newest_record(loaded)), pd.Timestamp(f"{month}-01") + pd.offsets.MonthEnd(0))
    say(f"assessing {len(loaded.compartments):,} compartments as known on {day:%Y-%m-%d}")
    with tempfile.TemporaryDirectory(prefix="cmkit-") as folder:
        assess(loaded, day, frozen_numbers(fleet)).save(Path(folder))
        result = run_books(folder, month, out, notebooks=shipped("notebooks"), **how)
    if not result.failed:
        publish.write_whole(note, made_from)
    return result


def _made_from(fleet: Path, month: str, how: str) -> str:
    """One hash over every file of the fleet folder, cmkit's own code and notebooks, and the month."""
    own = Path(str(files(cmkit)))
    code = [p for p in sorted(own.rglob("*")) if p.is_file() and p.suffix in (".py", ".csv", ".js", ".css", ".j2")]
    code += sorted(shipped("notebooks").glob("*.ipynb"))
    records = [p for p in sorted(fleet.rglob("*")) if p.is_file()] if fleet.is_dir() else []
    digest = sha256(f"{month}\n{how}\n{fleet}".encode())
    for path in [*records, *code]:
        digest.update(f"{path.name}\n".encode() + sha256(path.read_bytes()).digest())
    return digest.hexdigest()
