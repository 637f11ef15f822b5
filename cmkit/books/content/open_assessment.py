"""The assessment a notebook speaks of: a saved one, or that of a fleet's records, kept between notebooks so that the
next opens at once.
"""

import hashlib
import os
from contextlib import suppress
from functools import cache
from pathlib import Path

from cmkit.assess import assess_fleet
from cmkit.assessment import Assessment, load_assessment
from cmkit.errors import CmkitError, ParameterError
from cmkit.files import keep_newest
from cmkit.learn import newest_record
from cmkit.records.fleet import Fleet
from cmkit.records.storing.source import open_fleet
from cmkit.review import read_review

_WHAT_TO_DO = (
    "Name a fleet's folder (with its fleet.toml) or a saved assessment's, or make the demo fleet here: "
    "`cmkit demo sample_data`."
)
_NOT_RECORDS = ("truth", "store", ".cmkit")


def open_assessment(folder: str | Path = "", as_of: str = "") -> Assessment:
    """The saved assessment in `folder`, or that of the fleet there.

    folder: of a saved assessment (about.json) or of a fleet (fleet.toml); empty: sample_data beside the notebook, or
    beside its folder. as_of: a day such as 2026-06-30, default the newest record's; of a saved assessment only its own.
    Raises ParameterError that says what to do; a fleet's records raise what `load_fleet` raises.

    A fleet's assessment is kept in the user's cache folder (XDG_CACHE_HOME) under a name made from every byte of the
    records and of cmkit itself, so that another notebook opens it at once and a changed record is never missed.

    >>> cmkit.open_assessment("sample_data").as_of
    Timestamp('2026-06-30 00:00:00')
    """
    places = [Path(folder)] if str(folder) else [Path("sample_data"), Path("../sample_data")]
    for place in places:
        if (place / "about.json").exists():
            return _saved(place, as_of)
        if (place / "fleet.toml").exists():
            return _of_fleet(place, as_of)
    found = (
        f"found {str(folder)!r}, no folder of a fleet or of a saved assessment"
        if str(folder)
        else "empty, and no sample_data folder here"
    )
    raise ParameterError(f"assessment: {found}. {_WHAT_TO_DO}")


def given_assessment(folder: str = "") -> Assessment:
    """:func:`open_assessment` of a notebook's parameter `assessment`."""
    return open_assessment(folder)


def _saved(place: Path, as_of: str) -> Assessment:
    saved = load_assessment(place)
    if as_of and as_of != saved.about["as_of"]:
        raise ParameterError(
            f"as_of: found {as_of}, but {place} is an assessment of {saved.about['as_of']}; wanted that day, or the "
            f"fleet's own folder."
        )
    return saved


def _of_fleet(place: Path, as_of: str) -> Assessment:
    records: Fleet = open_fleet(place)
    day = f"{records.checked_day(as_of or newest_record(records)):%Y-%m-%d}"
    kept = (
        _cache_folder(place)
        / hashlib.sha256(f"{records_digest(place)} {_own_digest()} {day}".encode()).hexdigest()[:32]
    )
    with suppress(CmkitError, OSError, ValueError, KeyError):  # none there yet, or not whole: it is made anew
        return load_assessment(kept)
    made = assess_fleet(records, day, read_review(place))
    with suppress(CmkitError, OSError):  # a cache that cannot be written only costs time
        made.save(kept)
        keep_newest(kept.parent, _KEPT)
    return made


def _cache_folder(place: Path) -> Path:
    """Where assessments of one fleet folder are kept."""
    base = Path(os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache"))
    return base / "cmkit" / hashlib.sha256(str(place.resolve()).encode()).hexdigest()[:16]


_KEPT = 4  # own choice: days or states of the records of one fleet kept at a time


def records_digest(place: Path) -> str:
    """SHA-256 over every file of a fleet folder that an assessment can depend on; of a store, the version in force."""
    files = [p for p in sorted(place.rglob("*")) if p.is_file() and p.relative_to(place).parts[0] not in _NOT_RECORDS]
    current = place / "store" / "CURRENT"
    return _digest([*files, *([current] if current.exists() else [])], place)


@cache
def _own_digest() -> str:
    """SHA-256 over cmkit's own code and tables: what it would say may change with it."""
    own = Path(__file__).parents[2]
    return _digest([p for p in sorted(own.rglob("*")) if p.suffix in (".py", ".csv", ".toml")], own)


def _digest(files: list[Path], root: Path) -> str:
    out = hashlib.sha256()
    for file in files:
        raw = file.read_bytes()
        out.update(f"{file.relative_to(root)} {len(raw)} ".encode() + hashlib.sha256(raw).digest())
    return out.hexdigest()
