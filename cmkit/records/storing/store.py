"""The checked records as files that never change: one Parquet file per site and table, named by its content, listed in
a manifest.

    store/data/<site>/<table>-<SHA-256>.parquet   written once, never changed
    store/versions/<n>.json                        what version n consists of
    store/CURRENT                                  the number of the version in force, replaced in one step

One writer at a time holds a lock; readers take none, because no file they read ever changes. A writer killed at any
moment leaves files that no version names; the next one goes on from CURRENT.
"""

import hashlib
import io
import json
import re
import tempfile
import tomllib
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from importlib.metadata import version as package_version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from cmkit.errors import SettingsError, StoreError
from cmkit.files import one_writer, write_file
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_with_places
from cmkit.records.reading.repeats import in_order, without_repeats
from cmkit.records.settings import parse_settings, read_settings
from cmkit.records.storing.versions import (
    FLEET,
    NOTES,
    REGISTERS,
    SCHEMA,
    Place,
    default_store,
    file_key,
    manifest_of,
    number_in_force,
    read_file,
    stacked,
    store_place,
)
from cmkit.tables.describe import write_parquet
from cmkit.tables.frames import empty
from cmkit.tables.records import EVENTS, TABLES


@dataclass(frozen=True)
class TakenIn:
    """What a take-in did. version: the version now in force (0: none yet); added: new rows by table; words: all of it
    for a person.
    """

    version: int
    added: dict[str, int]
    set_aside: int
    changed: bool
    words: str


def take_in(
    fleet_dir: str | Path, store: str | Path | None = None, today: date | None = None, wait_s: float = 60.0
) -> TakenIn:
    """Add what the fleet folder and its inbox/ hold to the store, once and only once; a version is made only if
    something is new.

    Repeating it changes nothing; a kill at any moment loses and doubles nothing. wait_s: seconds to wait for another
    writer, then StoreError. Raises what :func:`cmkit.records.reading.load.load_fleet` raises for files that cannot be
    read.
    """
    read_settings(Path(fleet_dir) / "fleet.toml")  # so that no store is begun in a folder that is no fleet's
    place = store_place(store if store is not None else default_store(fleet_dir))
    with _writer(place, wait_s):
        before = manifest_of(place, number_in_force(place)) if number_in_force(place) else None
        numbers = _keys(place, before, "samples") if before else None
        fleet, tables = load_with_places(fleet_dir, today, None if numbers is None else numbers["sample"].unique())
        settings = (Path(fleet_dir) / "fleet.toml").read_text(encoding="utf-8-sig")
        return _publish(place, before, fleet, tables, settings)


@contextmanager
def _writer(place: Place, wait_s: float) -> Iterator[None]:
    """The lock of the one writer. A store on another machine is locked among the writers of this machine only."""
    if place.local:
        Path(place.root).mkdir(parents=True, exist_ok=True)
        path = place.path("LOCK")
    else:
        path = str(Path(tempfile.gettempdir()) / f"cmkit-{hashlib.sha256(place.root.encode()).hexdigest()[:16]}.lock")
    busy = StoreError(
        f"{place.root}: another take-in is running (lock {path}); waited {wait_s:g} s. Try again when it has ended."
    )
    with one_writer(Path(path), busy, wait_s):
        yield


def _publish(
    place: Place, before: dict[str, Any] | None, fleet: Fleet, now: dict[str, pd.DataFrame], settings: str
) -> TakenIn:
    """Write what changed, then the manifest, then CURRENT: in this order, so that a version is whole or not there."""
    registers = {name: _joined_register(place, before, now[name], name) for name in REGISTERS}
    entries: dict[str, dict[str, Any]] = dict(before["files"]) if before else {}
    added, lost, held = {}, [], []
    for name in EVENTS:
        by_site, conflicts = _merged_events(place, before, now[name], name, _sites_of(registers))
        lost.append(conflicts)
        held += [
            f[["file", "row"]].assign(value=f[TABLES[name].key[0]], table=name) for f in by_site.values() if len(f)
        ]
        added[name] = sum(map(len, by_site.values())) - sum(_rows(before, name, s) for s in by_site)
        for site, frame in by_site.items():
            entries[file_key(name, site)] = write_table(place, name, site, frame)
    for name, frame in (registers | _joined_notes(place, before, fleet, pd.concat(lost), held)).items():
        entries[file_key(name, FLEET)] = write_table(place, name, FLEET, frame)
    entries = {key: entry for key, entry in sorted(entries.items()) if entry["rows"] or not entry["site"]}
    number, aside = (int(before["version"]) if before else 0), int(entries[file_key("set_aside", FLEET)]["rows"])
    changed = _changed(before, entries, settings)
    if before and not changed:
        return TakenIn(number, added, aside, False, f"Nothing new: version {number} holds it all.")
    if not any(entry["rows"] for entry in entries.values()):
        return TakenIn(0, added, 0, False, "Nothing to take in yet: the tables hold no rows.")
    manifest = {
        "version": number + 1,
        "schema": SCHEMA,
        "made_on": datetime.now(UTC).isoformat(timespec="seconds"),
        "cmkit": package_version("cmkit"),
        "added": added,
        "sources": (before["sources"] if before else {}) | fleet.sources,
        "settings": settings,
        "files": entries,
    }
    put_file(place, f"versions/{number + 1}.json", json.dumps(manifest, indent=1, sort_keys=True).encode())
    put_file(place, "CURRENT", f"{number + 1}\n".encode())
    return TakenIn(number + 1, added, aside, True, _words(number + 1, added, changed if before else [], aside))


def _changed(before: dict[str, Any] | None, entries: dict[str, dict[str, Any]], settings: str) -> list[str]:
    """Tables whose files are not those of the version before, and `settings` where fleet.toml means something else (its
    comments do not).
    """
    old = before["files"] if before else {}
    tables = {key.partition("/")[0] for key in {*old, *entries} if old.get(key) != entries.get(key)}
    names = [name for name in (*TABLES, *NOTES) if name in tables]
    return names + ["settings"] * bool(before and _means_else(before["settings"], settings))


def _means_else(was: str, now: str) -> bool:
    """True where two texts of fleet.toml are different settings. One that this cmkit no longer reads is different."""
    if was == now:
        return False
    try:
        return parse_settings(tomllib.loads(was), "") != parse_settings(tomllib.loads(now), "")
    except SettingsError:
        return True


def _words(number: int, added: dict[str, int], changed: list[str], aside: int) -> str:
    new = ", ".join(f"{n:,} {name if n > 1 else name[:-1]}" for name, n in added.items() if n) or "no new rows"
    also = ["fleet.toml" if c == "settings" else c for c in changed if not added.get(c) and c not in NOTES]
    parts = [new, *([f"changed: {', '.join(also)}"] if also else [])]
    parts += [f"{aside:,} set aside so far (cmkit check says why)"] if aside else []
    return f"Version {number}: {'; '.join(parts)}."


def _rows(manifest: dict[str, Any] | None, table: str, site: str) -> int:
    return manifest["files"].get(file_key(table, site), {"rows": 0})["rows"] if manifest else 0


def _sites_of(registers: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Site of every compartment and machine (name, site)."""
    machines = registers["machines"][["machine", "site"]]
    compartments = registers["compartments"][["compartment", "machine"]].merge(machines, on="machine")
    names = pd.concat(
        [
            machines.set_axis(["name", "site"], axis=1),
            compartments[["compartment", "site"]].set_axis(["name", "site"], axis=1),
        ]
    )
    return names.drop_duplicates("name")


def _joined_register(place: Place, before: dict[str, Any] | None, now: pd.DataFrame, name: str) -> pd.DataFrame:
    """The folder's register plus names that only the store still knows: stored records may refer to them."""
    now, key = now.drop(columns=["file", "row"]), TABLES[name].key[0]
    if not before:
        return now
    stored = read_file(place, before, name, FLEET)
    gone = stored[~stored[key].isin(now[key])]
    return pd.concat([now, gone]).sort_values(key, kind="stable", ignore_index=True) if len(gone) else now


def _sites(frame: pd.DataFrame, name: str, sites: pd.DataFrame) -> pd.Series:
    """The site each row of an event table belongs to; corrections belong to the fleet."""
    if name == "corrections":
        return pd.Series(FLEET, index=frame.index, dtype="str")
    if name == "baselines":
        return frame["site"]
    by = "machine" if name == "meters" else "compartment"
    return sites.set_index("name")["site"].reindex(frame[by]).set_axis(frame.index)


def _merged_events(
    place: Place, before: dict[str, Any] | None, now: pd.DataFrame, name: str, sites: pd.DataFrame
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """(rows by site, for the sites that may change; rows of the folder that a stored row speaks against).

    A row that is stored already is recognised by its whole content. Of sites without new rows only the key columns are
    read.
    """
    table = TABLES[name]
    touched = set(_sites(now, name, sites))
    if before:
        keys = _keys(place, before, name)
        # a machine that moved to another site takes its records with it; a number used twice may have been
        # used at another site
        moved = keys["_site"].ne(_sites(keys, name, sites))
        again = keys[table.key[0]].isin(now[table.key[0]])
        touched |= set(keys.loc[moved | again, "_site"]) | set(_sites(keys[moved], name, sites))
    stored = [read_file(place, before, name, s) for s in sorted(touched) if before and _rows(before, name, s)]
    old = sum(map(len, stored))
    whole = stacked([*stored, now])
    fresh = whole[~whole.duplicated([c for c in whole.columns if c not in ("file", "row")])]
    # stored rows come first whatever their dates: what a version said is never taken back
    first, then = (in_order(fresh[part], table) for part in (fresh.index < old, fresh.index >= old))
    kept, lost = without_repeats(pd.concat([first, then], ignore_index=True), table)
    kept = in_order(kept, table)
    home = _sites(kept, name, sites)
    by_site = {s: kept[(home == s).to_numpy()].reset_index(drop=True) for s in sorted(touched | set(home))}
    return by_site, _conflicts(lost, name)


def _conflicts(lost: pd.DataFrame, name: str) -> pd.DataFrame:
    """Set-aside notes on rows of the folder that a stored row speaks against."""
    known = pd.Series(pd.NaT, index=lost.index, dtype="datetime64[us]")
    for column in TABLES[name].known_on:
        known = known.fillna(lost[column])
    key = TABLES[name].key[0]
    return pd.DataFrame({"file": lost["file"], "row": lost["row"], "column": key, "value": lost[key], "table": name,
        "what": "row",
                         "reason": "the store holds another row of this key; " + lost["reason"],
                         "known_on": known})  # fmt: skip


def _keys(place: Place, manifest: dict[str, Any], name: str) -> pd.DataFrame:
    """Key columns (and what tells the site) of a whole event table, with `_site`, without reading the results."""
    table = TABLES[name]
    columns = [*table.key, *(c for c in ("compartment", "site") if c in table.names and c not in table.key)]
    entries = [e for e in manifest["files"].values() if e["table"] == name]
    parts = [read_file(place, manifest, name, e["site"], columns).assign(_site=e["site"]) for e in entries]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=[*columns, "_site"], dtype="str")


def _joined_notes(
    place: Place, before: dict[str, Any] | None, fleet: Fleet, lost: pd.DataFrame, held: list[pd.DataFrame]
) -> dict[str, pd.DataFrame]:
    """Notes of this reading, and those of earlier readings on files that are no longer there."""
    assert fleet.arrivals is not None
    aside, arrivals = fleet.set_aside, fleet.arrivals
    if before and held:
        # a row the store took in earlier stays in, though beside the newer files the folder alone would set it aside
        marks = aside.reset_index().merge(
            pd.concat(held).astype({"row": "Int64"}), on=["file", "row", "value", "table"]
        )
        back = aside.index.isin(marks.loc[marks["what"] == "row", "index"])
        arrivals = _recounted(arrivals, aside[back], -1)
        aside = aside[~back]
    if len(lost):
        arrivals = _recounted(arrivals, lost, 1)
        aside = pd.concat([aside, lost[list(aside.columns)].astype(aside.dtypes)])
    aside = aside.sort_values(["file", "row", "column"], kind="stable", ignore_index=True)
    now = {"set_aside": aside, "repairs": fleet.repairs, "arrivals": arrivals}
    if not before:
        return now
    old = {name: read_file(place, before, name, FLEET) for name in now}
    return {n: stacked([old[n][~old[n]["file"].isin(fleet.sources)], frame]) for n, frame in now.items()}


def _recounted(arrivals: pd.DataFrame, rows: pd.DataFrame, sign: int) -> pd.DataFrame:
    """Arrivals with these rows counted as set aside (sign 1) or no longer (sign -1)."""
    key = ["file", "table", "known_on"]
    more = rows.astype({"file": "str", "table": "str"}).groupby(key, dropna=False).size().rename("more").reset_index()
    out = arrivals.merge(more, on=key, how="left")
    return out.assign(set_aside=out["set_aside"] + sign * out["more"].fillna(0).astype("int64")).drop(columns="more")


def _slug(site: str) -> str:
    """A folder name for a site, whatever its name holds: readable letters and a hash."""
    if not site:
        return "fleet"
    readable = re.sub(r"[^a-z0-9]+", "-", site.casefold()).strip("-")[:24]
    return f"{readable or 'site'}-{hashlib.sha256(site.encode()).hexdigest()[:8]}"


def write_table(place: Place, table: str, site: str, frame: pd.DataFrame) -> dict[str, Any]:
    """One immutable file; its entry in the manifest. A file of the same content is there already and is left."""
    buffer = io.BytesIO()
    write_parquet(frame, table, buffer)
    data = buffer.getvalue()
    digest = hashlib.sha256(data).hexdigest()
    path = f"data/{_slug(site)}/{table}-{digest[:32]}.parquet"
    if not place.fs.exists(place.path(path)):
        put_file(place, path, data)
    return {"table": table, "site": site, "path": path, "rows": len(frame), "sha256": digest}


def put_file(place: Place, path: str, data: bytes) -> None:
    """A file that is there whole or not at all: on disk by rename after a flush, elsewhere by one put."""
    target = place.path(path)
    if not place.local:
        place.fs.pipe_file(target, data)
        return
    write_file(target, data)


def begin_store(
    store: str | Path,
    settings: str,
    sites: Iterable[tuple[str, dict[str, pd.DataFrame]]],
    tables: Collection[str] = (*REGISTERS, *EVENTS),
) -> int:
    """The first version of a store from the records of one site after another, each written before the next is asked
    for; how many bottles it holds.

    settings: text of fleet.toml; sites: name and tables of each site, as
    :func:`cmkit.simulate.invented_fleet.simulate_fleet` gives them. StoreError where a store is there already: nothing
    is written over.
    """
    place = store_place(store)
    if place.fs.exists(place.path("CURRENT")):
        raise StoreError(f"{place.root}: a store is here already; wanted a new folder.")
    shared: dict[str, list[pd.DataFrame]] = {name: [] for name in (*REGISTERS, "corrections")}
    entries, bottles = [], 0
    for site, records in sites:
        for name in tables:
            if name in shared:
                shared[name].append(records[name])
            else:
                entries.append(write_table(place, name, site, _numbered(records.get(name, empty(name)), site)))
        bottles += len(records["samples"])
    for name, parts in shared.items():
        whole = pd.concat(parts).sort_values(TABLES[name].key[0], kind="stable", ignore_index=True)
        entries.append(write_table(place, name, "", _numbered(whole, "") if name == "corrections" else whole))
    entries += [write_table(place, name, "", empty(name)) for name in ("set_aside", "repairs", "arrivals")]
    manifest = {
        "version": 1,
        "schema": SCHEMA,
        "made_on": datetime.now(UTC).isoformat(timespec="seconds"),
        "cmkit": package_version("cmkit"),
        "added": {name: sum(e["rows"] for e in entries if e["table"] == name) for name in EVENTS},
        "sources": {"fleet.toml": hashlib.sha256(settings.encode()).hexdigest()},
        "settings": settings,
        "files": {f"{e['table']}/{e['site']}": e for e in entries if e["rows"] or not e["site"]},
    }
    put_file(place, "versions/1.json", json.dumps(manifest, indent=1, sort_keys=True).encode())
    put_file(place, "CURRENT", b"1\n")
    return bottles


def _numbered(frame: pd.DataFrame, site: str) -> pd.DataFrame:
    """Rows with where they came from: the site's records and the row in them."""
    at = {"file": pd.Series(site or "fleet", index=frame.index, dtype="str"), "row": np.arange(len(frame)) + 2}
    return pd.concat([pd.DataFrame(at, index=frame.index), frame], axis=1)
