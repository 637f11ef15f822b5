"""Where a fleet's records come from: its folder, a version of its store, or a database."""

from collections.abc import Callable
from pathlib import Path

from cmkit.errors import StoreError
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.records.storing.database import read_database
from cmkit.records.storing.store import take_in
from cmkit.records.storing.versions import default_store, read_store


def open_fleet(
    folder: Path, version: int | None = None, database: str = "", say: Callable[[str], None] | None = None
) -> Fleet:
    """The records of the fleet in `folder`.

    With a database URL: its tables, with the folder's fleet.toml. With a version: that version of the folder's store.
    Otherwise, where the folder has a store, whatever is new is taken in first and the version then in force is read, so
    that a book can name it; without a store the files themselves are read. say: gets one line that says what was taken
    in. Raises CmkitError.
    """
    if database:
        return read_database(database, folder / "fleet.toml")
    if version is not None:
        return read_store(default_store(folder), version)
    if not default_store(folder).exists():
        return load_fleet(folder)
    try:
        taken = take_in(folder)
    except PermissionError as error:
        raise StoreError(
            f"{error.filename}: {error.strerror}, so what is new cannot be taken in. Mend the rights, "
            "or read what is there with --version N (`cmkit history` lists them)."
        ) from None
    if not taken.version:
        return load_fleet(folder)
    if say and taken.changed:
        say(taken.words)
    return read_store(default_store(folder))
