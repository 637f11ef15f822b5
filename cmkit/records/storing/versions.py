"""What a version of a store holds, read: whole, or some sites, tables, columns or rows of it."""

import hashlib
import io
import json
import tomllib
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import fsspec
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from cmkit.errors import StoreError
from cmkit.records.fleet import Fleet, counted
from cmkit.records.reading.repeats import in_order
from cmkit.records.settings import Settings, parse_settings
from cmkit.tables.frames import empty
from cmkit.tables.records import EVENTS, TABLES

SCHEMA = 1
REGISTERS = ("sites", "machines", "compartments")
NOTES = ("set_aside", "repairs", "arrivals")
FLEET = ""  # the "site" of tables that belong to the whole fleet


@dataclass(frozen=True)
class Place:
    """A store's file system and root path; `local` where it is this machine's own disk."""

    fs: Any
    root: str
    local: bool

    def path(self, *parts: str) -> str:
        return "/".join([self.root.rstrip("/"), *parts])


def store_place(store: str | Path) -> Place:
    """The place of a store given as a folder or an fsspec URL."""
    fs, root = fsspec.core.url_to_fs(str(store))
    protocols = fs.protocol if isinstance(fs.protocol, tuple) else (fs.protocol,)
    return Place(fs, root, "file" in protocols)


def default_store(fleet_dir: str | Path) -> Path:
    """`store/` inside the fleet folder."""
    return Path(fleet_dir) / "store"


@dataclass(frozen=True)
class StoredVersion:
    """One version of a store: where it is, and what it consists of. Its files never change."""

    place: Place
    manifest: dict[str, Any]

    @property
    def settings(self) -> Settings:
        """The fleet's settings in it."""
        return parse_settings(tomllib.loads(self.manifest["settings"]), f"fleet.toml of version {self.number}")

    @property
    def number(self) -> int:
        return int(self.manifest["version"])

    def digests(self, site: str | None) -> list[str]:
        """The hashes of the files that hold a site's events; of all files where None."""
        return sorted(e["sha256"] for e in self.manifest["files"].values() if site is None or e["site"] == site)

    def bottles(self) -> dict[str, int]:
        """How many rows of bottles each site has."""
        return {e["site"]: e["rows"] for e in self.manifest["files"].values() if e["table"] == "samples"}

    def table(
        self,
        name: str,
        sites: Collection[str] | None = None,
        columns: list[str] | None = None,
        only: tuple[str, Collection[str]] | None = None,
    ) -> pd.DataFrame:
        """One table, of some sites or of all; only rows whose column has one of some values where `only` names both.
        StoreError where a file is not there.
        """
        entries = [e for e in self.manifest["files"].values() if e["table"] == name]
        wanted = [e["site"] for e in entries if sites is None or e["site"] in sites or e["site"] == FLEET]
        if not wanted and not entries:
            return empty_table(name)
        parts = [_arrow(self.place, self.manifest, name, site, columns) for site in wanted or [entries[0]["site"]]]
        if only is not None:
            values = pa.array(sorted(only[1]), pa.string())
            parts = [part.filter(pc.is_in(part[only[0]].cast(pa.string()), values)) for part in parts]
        parts = [part for part in parts if len(part)] or parts[:1]
        whole = pa.concat_tables(parts, promote_options="default").to_pandas()
        rows = _flags_filled(whole if wanted else whole.iloc[:0])
        return rows if columns else _with_later_columns(rows, name)


def open_version(store: str | Path, version: int | None = None) -> StoredVersion:
    """A version of the store, the one in force by default. StoreError where it is not there."""
    place = store_place(store)
    return StoredVersion(place, manifest_of(place, _wanted(place, version)))


def read_store(store: str | Path, version: int | None = None) -> Fleet:
    """The fleet as a version of the store has it: the one in force, or an earlier one by its number.

    `Fleet.sources` names the version read. Raises StoreError where the version or a file is not there.
    """
    kept = open_version(store, version)
    tables = {n: in_order(t, TABLES[n]) if n in EVENTS else t for n, t in ((n, kept.table(n)) for n in TABLES)}
    notes = {n: kept.table(n) for n in NOTES}
    stamp = hashlib.sha256(json.dumps(kept.manifest, sort_keys=True).encode()).hexdigest()
    return Fleet(
        settings=kept.settings,
        **{n: without_place(t, n) for n, t in tables.items()},
        **notes,
        counts=counted(notes["arrivals"]),
        sources=kept.manifest["sources"] | {f"store version {kept.number}": stamp},
    )


def without_place(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    """A stored table as :class:`Fleet` holds it: only of bottles is kept in which file and row they stand."""
    return rows if name == "samples" else rows.drop(columns=["file", "row"], errors="ignore")


def read_table(
    store: str | Path, table: str, site: str | None = None, version: int | None = None, columns: list[str] | None = None
) -> pd.DataFrame:
    """One table of the store, of one site or of all, as the version in force (or another) has it; only `columns` where
    given.

    Event tables are kept by site; registers and corrections belong to the fleet and come whole.
    """
    return open_version(store, version).table(table, None if site is None else (site,), columns)


def version_files(store: str | Path, version: int | None = None) -> tuple[dict[str, list[str]], Any]:
    """(paths of the Parquet files of each table of a version, the file system they are on: None for this machine's own
    disk).
    """
    kept = open_version(store, version)
    place = kept.place
    paths: dict[str, list[str]] = {}
    for entry in kept.manifest["files"].values():
        path = place.path(entry["path"])
        paths.setdefault(entry["table"], []).append(path if place.local else place.fs.unstrip_protocol(path))
    return paths, None if place.local else place.fs


def empty_table(name: str) -> pd.DataFrame:
    """A table of no rows with the columns and dtypes of `tables.records`, and `file` and `row`."""
    return pd.DataFrame({"file": pd.Series(dtype="str"), "row": pd.Series(dtype="int64"), **empty(name)})


def stacked(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Frames one below the other. A result column that some lack (an analyte added later) is empty and not flagged
    there.
    """
    filled = [p for p in parts if len(p)] or [parts[0].reset_index(drop=True)]
    return _flags_filled(pd.concat(filled, ignore_index=True) if len(filled) > 1 else filled[0])


def _flags_filled(whole: pd.DataFrame) -> pd.DataFrame:
    flags = [c for c, kind in whole.dtypes.items() if str(c).endswith(("_below", "_above")) and str(kind) != "bool"]
    return whole.assign(**{c: whole[c].eq(True) for c in flags}).copy() if flags else whole


def file_key(table: str, site: str) -> str:
    """A file's name in a manifest."""
    return f"{table}/{site}"


def number_in_force(place: Place) -> int:
    """The version in force, 0 where there is none yet. StoreError where CURRENT holds no number."""
    path = place.path("CURRENT")
    if not place.fs.exists(path):
        return 0
    text = place.fs.cat_file(path).decode("utf-8", "replace").strip()
    if not text.isdigit():
        raise StoreError(
            f"{path}: found {text[:40]!r}, wanted the number of a version. Put the newest number of versions/ there."
        )
    return int(text)


def manifest_of(place: Place, number: int) -> dict[str, Any]:
    """What a version consists of. StoreError where it is not there, or written in another form."""
    path = place.path("versions", f"{number}.json")
    if not place.fs.exists(path):
        known = [v["version"] for v in all_manifests(place)]
        raise StoreError(f"{path}: no version {number}; the store holds {', '.join(map(str, known)) or 'none'}.")
    manifest: dict[str, Any] = json.loads(place.fs.cat_file(path))
    if manifest["schema"] != SCHEMA:
        raise StoreError(
            f"{path}: written in form {manifest['schema']}; this cmkit reads form {SCHEMA}. Use the cmkit that wrote "
            f"it ({manifest['cmkit']})."
        )
    return manifest


def all_manifests(place: Place) -> list[dict[str, Any]]:
    """The manifests of all versions up to the one in force, oldest first."""
    current = number_in_force(place)
    found = [json.loads(place.fs.cat_file(p)) for p in place.fs.glob(place.path("versions", "*.json"))]
    return sorted((m for m in found if m["version"] <= current), key=lambda m: m["version"])


def _wanted(place: Place, version: int | None) -> int:
    number = version if version is not None else number_in_force(place)
    if not number:
        raise StoreError(f"{place.root}: no store here yet; `cmkit take-in FLEET` makes its first version.")
    return number


def read_file(
    place: Place, manifest: dict[str, Any], table: str, site: str, columns: list[str] | None = None
) -> pd.DataFrame:
    """One file of a version."""
    rows: pd.DataFrame = _arrow(place, manifest, table, site, columns).to_pandas()
    return rows if columns else _with_later_columns(rows, table)


def _arrow(place: Place, manifest: dict[str, Any], table: str, site: str, columns: list[str] | None) -> pa.Table:
    path = place.path(manifest["files"][file_key(table, site)]["path"])
    try:
        source = path if place.local else io.BytesIO(place.fs.cat_file(path))
        with pq.ParquetFile(source) as file:
            return file.read(columns)
    except (OSError, ValueError) as error:
        raise StoreError(
            f"{path}: a file of version {manifest['version']} is missing or damaged ({error}). Bring it back from a "
            f"backup."
        ) from None


def _with_later_columns(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    """Rows with columns that the dictionary did not have yet when they were written, empty."""
    later = [c for c in TABLES[name].names if c not in rows] if name in TABLES else []
    return rows.join(empty(name)[later].reindex(rows.index)) if later else rows
