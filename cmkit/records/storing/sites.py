"""A store read one site, or some machines, at a time, for fleets that do not fit in memory."""

import hashlib
from collections.abc import Collection
from pathlib import Path

import numpy as np
import pandas as pd

from cmkit.errors import MissingTable, StoreError
from cmkit.records.fleet import Fleet, concerning, counted
from cmkit.records.reading.repeats import in_order
from cmkit.records.storing.versions import (
    REGISTERS,
    StoredVersion,
    open_version,
    read_store,
    read_table,
    stacked,
    without_place,
)
from cmkit.tables.frames import empty
from cmkit.tables.records import EVENTS, TABLES

FEWEST_MACHINES = 10  # own choice: of one kind and size that are always learnt from, where there are as many


def site_records(store: str | Path, sites: Collection[str], version: int | None = None) -> Fleet:
    """The records of the machines of some sites, with only those sites' files read: without the notes on reading, and
    with bottles that a correction moves to one of them.

    Raises StoreError where the version, a site or a file is not there.
    """
    kept = open_version(store, version)
    names, machines = kept.table("sites"), kept.table("machines")
    missing = sorted(set(sites) - set(names["site"]))
    if missing:
        raise StoreError(f"{kept.place.root}: no site {missing[0]!r}; found {', '.join(names['site'])}.")
    return _records_of(kept, names[names["site"].isin(sites)], machines[machines["site"].isin(sites)])


def chosen_records(store: str | Path, most_bottles: int, version: int | None = None) -> Fleet:
    """Records of the whole fleet where it has at most so many bottles; else of machines evenly spread over the sites,
    of every kind and size, with about as many: of the others no row is held.
    """
    kept = open_version(store, version)
    bottles = sum(kept.bottles().values())
    if bottles <= most_bottles:
        return read_store(store, version)
    names, machines = kept.table("sites"), kept.table("machines")
    own = machines[machines["machine"].isin(_spread(machines, most_bottles / bottles))]
    return _records_of(kept, names[names["site"].isin(own["site"])], own)


def _records_of(kept: StoredVersion, sites: pd.DataFrame, machines: pd.DataFrame) -> Fleet:
    """The records of some machines, all of them at these sites, read from the sites' files."""
    every, corrections = kept.table("compartments"), kept.table("corrections")
    places = every[every["machine"].isin(machines["machine"])]
    moved = corrections.loc[corrections["value"].isin(places["compartment"]), "sample"]
    of = {"sites": sites, "machines": machines, "compartments": places, "corrections": corrections}
    own = {key: set(of[name][key]) for name, key in zip(REGISTERS, ("site", "machine", "compartment"), strict=True)}
    for name in (n for n in EVENTS if n not in of):
        key = next(k for k in ("compartment", "machine", "site") if k in TABLES[name].names)
        of[name] = kept.table(name, own["site"], only=(key, own[key]))
    to_come = set(moved) - set(of["samples"]["sample"])
    if to_come:
        of["samples"] = stacked([of["samples"], kept.table("samples", only=("sample", to_come))])
    tables = {n: in_order(of[n], TABLES[n]) if n in EVENTS else of[n].reset_index(drop=True) for n in TABLES}
    return Fleet(
        settings=kept.settings,
        **{n: without_place(t, n) for n, t in tables.items()},
        **{n: empty(n) for n in ("set_aside", "repairs")},
        counts=counted(empty("arrivals")),
        elsewhere=frozenset(set(every["compartment"]) - own["compartment"]),
    )


def site_contents(store: str | Path, sites: Collection[str], version: int | None = None) -> dict[str, str]:
    """A hash over the records of each of some sites: the hashes of its files, its part of the registers, and the
    corrections that concern its bottles.
    """
    kept = open_version(store, version)
    names, machines, places = (kept.table(name) for name in REGISTERS)
    corrections = kept.table("corrections")
    out = {}
    for site in sites:
        own = machines[machines["site"] == site]
        there = places[places["machine"].isin(own["machine"])]
        bottles = kept.table("samples", [site], ["sample"])["sample"]
        concerned = corrections[concerning(corrections, bottles, there["compartment"])]
        moved = concerned.loc[concerned["value"].isin(there["compartment"]), "sample"]
        files = kept.digests(None if set(moved) - set(bottles) else site)  # a moved bottle stands in another site's
        frames = (names[names["site"] == site], own, there, concerned)
        out[site] = hashlib.sha256("\n".join([*files, *map(frame_digest, frames)]).encode()).hexdigest()
    return out


def frame_digest(table: pd.DataFrame) -> str:
    """A hash over a table's columns, dtypes and values."""
    head = repr([(str(name), str(kind)) for name, kind in table.dtypes.items()]).encode()
    return hashlib.sha256(head + pd.util.hash_pandas_object(table, index=False).to_numpy().tobytes()).hexdigest()


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
