"""Fixtures shared by all tests."""

import subprocess
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from cmkit.records.analytes import analyte_register, below
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.records.settings import parse_settings
from cmkit.tables.frames import empty
from cmkit.tables.records import TABLES

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="session")
def root() -> Path:
    """The checkout."""
    return ROOT


@pytest.fixture(scope="session")
def design_data() -> Path:
    """Open data files with origin and licence in their README."""
    return ROOT / "tests" / "data"


@pytest.fixture(scope="session")
def until() -> Callable[..., None]:
    """`until(condition, process)`: wait for it, as long as the process that brings it about runs and two minutes at most."""

    def wait(condition: Callable[[], bool], process: subprocess.Popen | None = None) -> None:
        last = time.monotonic() + 120
        while not condition():
            assert process is None or process.poll() is None or condition(), f"ended with {process.returncode}"
            assert time.monotonic() < last, "not so after two minutes"
            time.sleep(0.01)

    return wait


def table(name: str, rows: list[dict]) -> pd.DataFrame:
    """One table of `tables.records` with every column and dtype the loader gives, from rows that name only what matters."""
    frame = pd.DataFrame(rows).reindex(columns=TABLES[name].names)
    for column in TABLES[name].columns:
        if column.kind == "date":
            frame[column.name] = pd.to_datetime(frame[column.name]).astype("datetime64[us]")
        else:
            frame[column.name] = frame[column.name].astype(column.dtype)
    if name == "samples":
        given = pd.DataFrame(rows)
        results = {}
        for analyte in analyte_register().index:
            results[analyte] = (
                given[analyte].astype(float) if analyte in given else pd.Series(float("nan"), index=frame.index)
            )
            flag = below(analyte)
            results[flag] = (
                given[flag].fillna(False).astype(bool) if flag in given else pd.Series(False, index=frame.index)
            )
        frame = pd.concat([frame, pd.DataFrame(results, index=frame.index)], axis=1)
    return frame


@pytest.fixture(scope="session")
def make_fleet() -> Callable[..., Fleet]:
    """`make_fleet(samples=[{...}], machines=[...], settings={...})` -> Fleet; a table left out is empty."""

    def make(settings: dict | None = None, **rows: list[dict]) -> Fleet:
        tables = {name: table(name, rows.get(name, [])) for name in TABLES}
        return Fleet(
            settings=parse_settings({"name": "Test fleet", **(settings or {})}, "fleet.toml"),
            **tables,
            set_aside=empty("set_aside"),
            repairs=empty("repairs"),
            counts=empty("counts"),
        )

    return make


@pytest.fixture(scope="session")
def small(root: Path) -> Fleet:
    """Five machines of the demo fleet, of three kinds and two sites."""
    fleet = load_fleet(root / "sample_data")
    machines = ["WL-04", "WL-05", "RH-04", "EX-02", "DR-02"]
    places = fleet.compartments[fleet.compartments["machine"].isin(machines)]
    tables = {name: getattr(fleet, name) for name in TABLES}
    own = {n: f[f["compartment"].isin(places["compartment"])] for n, f in tables.items() if "compartment" in f.columns}
    own["machines"] = fleet.machines[fleet.machines["machine"].isin(machines)]
    own["meters"] = fleet.meters[fleet.meters["machine"].isin(machines)]
    own["corrections"] = fleet.corrections[fleet.corrections["sample"].isin(own["samples"]["sample"])]
    return replace(fleet, **{n: f.reset_index(drop=True) for n, f in own.items()})
