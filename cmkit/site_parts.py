"""An assessment of several sites, saved as a part for each: the tables that the site alone would have."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.assessment import Assessment, save_tables, table_names
from cmkit.records.fleet import Fleet, concerning
from cmkit.tables.describe import arrow_table

Rows = NDArray[np.int64]


def save_parts(
    whole: Assessment, known: Fleet, folders: Mapping[str, Path], more: Mapping[str, dict[str, Any]]
) -> None:
    """Save the part of each site in a folder of its own (as :meth:`cmkit.assessment.Assessment.save`).

    known: the view that was assessed; folders: by site, all of its sites; more: by site, what its `about` says besides.
    """
    sites = list(folders)
    rows = _rows_by_site(whole, known, sites)
    tables = {name: arrow_table(getattr(whole, name), name) for name in table_names()}
    kinds = whole.compartments["kind"].to_numpy()
    for n, site in enumerate(sites):
        own = set(kinds[rows["compartments"][n]])
        about = whole.about | {"kinds": {k: v for k, v in whole.about["kinds"].items() if k in own}} | more[site]
        save_tables(folders[site], {name: table.take(rows[name][n]) for name, table in tables.items()}, about)


def _rows_by_site(whole: Assessment, known: Fleet, sites: list[str]) -> dict[str, list[Rows]]:
    """Positions of each site's rows in every table, in their order."""
    if len(sites) == 1:
        return {name: [np.arange(len(getattr(whole, name)))] for name in table_names()}
    site_of = {"site": pd.Series(np.arange(len(sites)), index=sites)}
    site_of["machine"] = whole.machines.set_index("machine")["site"].map(site_of["site"])
    site_of["compartment"] = whole.compartments.set_index("compartment")["machine"].map(site_of["machine"])
    families = whole.compartments["family"].groupby(whole.compartments["machine"].map(site_of["machine"])).agg(set)
    found = {}
    for name in table_names():
        frame = getattr(whole, name)
        key = next((key for key in (*reversed(site_of), "family") if key in frame), "")
        if name == "set_aside":
            of_bottle = _site_of_bottle(known, site_of["compartment"])
            found[name] = _parted(frame["value"].map(of_bottle).fillna(0), len(sites))  # no note is lost
        elif name == "corrections":
            found[name] = [_concerned(known, site_of["compartment"] == n) for n in range(len(sites))]
        elif key == "family":
            found[name] = [np.flatnonzero(frame["family"].isin(families.get(n, set()))) for n in range(len(sites))]
        elif key:
            found[name] = _parted(frame[key].map(site_of[key]), len(sites))
        else:
            found[name] = [np.arange(len(frame))] * len(sites)
    return found


def _parted(site: pd.Series, count: int) -> list[Rows]:
    """Positions of the rows of each of `count` sites. site: a row's, as a number; missing: of none."""
    number = site.fillna(-1).to_numpy(np.int64)
    order = np.argsort(number, kind="stable")
    return np.split(order, np.searchsorted(number[order], np.arange(count + 1)))[1:-1]


def _site_of_bottle(known: Fleet, site_of: pd.Series) -> pd.Series:
    """Bottle -> number of the site it is of."""
    bottles = known.samples if known.unreported is None else pd.concat([known.samples, known.unreported])
    own = bottles.drop_duplicates("sample")
    return pd.Series(own["compartment"].map(site_of).to_numpy(), index=own["sample"])


def _concerned(known: Fleet, own: pd.Series) -> Rows:
    """Positions of the corrections that concern some compartments' bottles."""
    places = own.index[own]
    bottles = known.samples.loc[known.samples["compartment"].isin(places), "sample"]
    return np.flatnonzero(concerning(known.corrections, bottles, places))
