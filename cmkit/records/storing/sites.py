"""A store read and written one site at a time, for fleets that do not fit in memory."""

import hashlib
import json
from collections.abc import Collection, Iterable
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import version as package_version
from pathlib import Path

import numpy as np
import pandas as pd

from cmkit.errors import MissingTable, StoreError
from cmkit.records.fleet import Fleet
from cmkit.records.reading.repeats import in_order
from cmkit.records.storing.store import (
    REGISTERS,
    SCHEMA,
    put_file,
    read_store,
    read_table,
    stacked,
    store_place,
    write_table,
)
from cmkit.tables.frames import empty
from cmkit.tables.records import EVENTS, TABLES

FEWEST_MACHINES = 10  # own choice: of one kind and size that are always learnt from, where there are as many


def site_records(store: str | Path, site: str, version: int | None = None) -> Fleet:
    """What ``read_store(store, version).for_site(site)`` gives, with only that site's files read: without the notes on
    reading, and with bottles that a correction moves to it.

    Raises StoreError where the version, the site or a file is not there.
    """
    own = read_store(store, version, site)
    places = read_table(store, "compartments", version=version)["compartment"]
    corrections = in_order(read_table(store, "corrections", version=version), TABLES["corrections"])
    here = own.compartments["compartment"]
    to_come = corrections.loc[corrections["value"].isin(here), "sample"]
    to_come = to_come[~to_come.isin(own.samples["sample"])]
    samples = own.samples
    if len(to_come):
        rows = read_table(store, "samples", version=version)
        samples = in_order(stacked([samples, rows[rows["sample"].isin(to_come)]]), TABLES["samples"])
    none = {name: getattr(own, name).iloc[:0] for name in ("set_aside", "repairs", "counts")}
    return replace(
        own,
        samples=samples,
        corrections=corrections.drop(columns=["file", "row"], errors="ignore"),
        elsewhere=frozenset(set(places) - set(here)),
        arrivals=None,
        sources={},
        **none,
    )


def chosen_records(store: str | Path, most_bottles: int, version: int | None = None) -> Fleet:
    """Records of the whole fleet where it has at most so many bottles; else of machines evenly spread over the sites,
    of every kind and size, with about as many, read one site at a time.
    """
    machines = read_table(store, "machines", version=version)
    sites = read_table(store, "sites", version=version)["site"].tolist()
    bottles = sum(len(read_table(store, "samples", site, version, ["sample"])) for site in sites)
    if bottles <= most_bottles:
        return read_store(store, version)
    chosen = _spread(machines, most_bottles / bottles)
    parts = [site_records(store, site, version).for_machines(chosen) for site in sites]
    parts = [part for part in parts if len(part.machines)]
    names = [name for name in TABLES if name != "corrections"]
    tables = {name: stacked([getattr(part, name) for part in parts]) for name in names}
    moved_once = tables["samples"].drop_duplicates()  # a bottle that moved stands at both sites
    tables["samples"] = in_order(moved_once, TABLES["samples"])
    places = set(read_table(store, "compartments", version=version)["compartment"])
    return replace(parts[0], **tables, elsewhere=frozenset(places - set(tables["compartments"]["compartment"])))


def newest_day(store: str | Path, version: int | None = None) -> str:
    """The last day anything in the store became known, as ISO text; read column by column. Raises MissingTable where no
    record is dated.
    """
    dated = (("samples", "reported_on"), ("meters", "read_on"), ("services", "done_on"))
    days = [read_table(store, table, version=version, columns=[day])[day].max() for table, day in dated]
    newest = pd.Series(days, dtype="datetime64[us]").max()
    if pd.isna(newest):
        raise MissingTable(f"{store}: no dated record; wanted at least one sample, service or meter reading.")
    return f"{newest:%Y-%m-%d}"


def _spread(machines: pd.DataFrame, share: float) -> set[str]:
    """About this share of the machines of each kind and size, evenly spaced in order of site and name."""
    out: set[str] = set()
    ordered = machines.sort_values(["site", "machine"])
    for _, own in ordered.groupby(["kind", "size_class"], dropna=False):
        size = min(len(own), max(FEWEST_MACHINES, int(np.ceil(share * len(own)))))
        out |= set(own["machine"].to_numpy()[np.arange(size) * len(own) // size])
    return out


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
