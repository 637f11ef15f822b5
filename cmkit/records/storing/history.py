"""The versions of a fleet's store, and whether every file of them is as it was written."""

import hashlib
from pathlib import Path
from typing import Any

import pandas as pd

from cmkit.records.storing.versions import all_manifests, default_store, store_place
from cmkit.tables.records import EVENTS


def history(fleet_dir: str | Path, store: str | Path | None = None) -> pd.DataFrame:
    """Versions of a fleet's store, oldest first: version, made_on (UTC), rows added by table, files, rows, cmkit."""
    place = store_place(store if store is not None else default_store(fleet_dir))
    rows = [
        {"version": m["version"], "made_on": pd.Timestamp(m["made_on"]).tz_localize(None),
        **{f"new_{t}": m["added"].get(t, 0) for t in EVENTS},
         "files": len(m["files"]), "samples": sum(e["rows"] for e in m["files"].values() if e["table"] == "samples"),
         "cmkit": m["cmkit"]}
        for m in all_manifests(place)
    ]  # fmt: skip
    columns = ["version", "made_on", *(f"new_{t}" for t in EVENTS), "files", "samples", "cmkit"]
    return pd.DataFrame(rows, columns=columns)


def damaged_files(store: str | Path) -> list[str]:
    """Files of any version that are missing or whose content is not what its name and manifest say; empty when all is
    well.
    """
    place = store_place(store)
    wanted = {e["path"]: e["sha256"] for m in all_manifests(place) for e in m["files"].values()}
    return [p for p, digest in sorted(wanted.items()) if _digest(place, p) != digest]


def _digest(place: Any, path: str) -> str:
    try:
        return hashlib.sha256(place.fs.cat_file(place.path(path))).hexdigest()
    except FileNotFoundError:
        return ""


def unused_files(store: str | Path) -> list[str]:
    """Files that no version names: what killed writers left. They can be deleted while no take-in runs."""
    place = store_place(store)
    named = {e["path"] for m in all_manifests(place) for e in m["files"].values()}
    found = (p.removeprefix(place.root.rstrip("/") + "/") for p in place.fs.find(place.path("data")))
    return sorted(p for p in found if p not in named)
