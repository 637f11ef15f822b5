"""A fleet in memory from short lists, with hours taken as they are written: for tests of the wear part."""

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pandas as pd
import pytest

from cmkit.records.analytes import analyte_register, below
from cmkit.records.fleet import Fleet
from cmkit.records.settings import parse_settings
from cmkit.tables.records import TABLES

Rows = list[dict[str, Any]]


def table(name: str, rows: Rows) -> pd.DataFrame:
    """Rows as the table `name`, every column there, with the dtypes of the loader."""
    out = pd.DataFrame(rows)
    dtypes = {"text": "str", "number": "float64", "date": "datetime64[us]", "flag": "object"}
    for column in TABLES[name].columns:
        if column.name not in out:
            out[column.name] = pd.Series([None] * len(out), index=out.index, dtype="object")
        out[column.name] = out[column.name].astype(dtypes[column.kind])
    return out


@pytest.fixture(scope="session")
def small_fleet() -> Callable[..., tuple[Fleet, pd.DataFrame, pd.DataFrame]]:
    """(compartments, samples, services, machines=..., kinds=...) -> fleet, hours, services placed; meter hours are
    running hours.
    """

    def build(
        compartments: Rows, samples: Rows, services: Rows = (), machines: Rows = (), kinds: dict[str, Any] | None = None
    ) -> tuple[Fleet, pd.DataFrame, pd.DataFrame]:
        settings = parse_settings({"name": "test", **({"kinds": kinds} if kinds else {})}, "test")
        wide = table("samples", list(samples))
        results = {}
        for analyte in analyte_register().index:
            given = wide[analyte] if analyte in wide else pd.Series(float("nan"), index=wide.index)
            results[analyte] = given.astype("float64")
            flag = wide[below(analyte)] if below(analyte) in wide else pd.Series(False, index=wide.index)
            results[below(analyte)] = flag.fillna(False).astype(bool)
        known = wide[TABLES["samples"].names].assign(**results)
        names = pd.unique(pd.DataFrame(compartments)["machine"]).tolist()
        frames = {
            "machines": table(
                "machines", list(machines) or [{"machine": m, "site": "S", "kind": "loader"} for m in names]
            ),
            "compartments": table("compartments", compartments),
            "samples": known,
            "services": table("services", list(services)),
        }
        empty = {name: table(name, []) for name in ("sites", "meters", "findings", "corrections")}
        fleet = Fleet(
            settings, **frames, **empty, set_aside=pd.DataFrame(), repairs=pd.DataFrame(), counts=pd.DataFrame()
        )
        return fleet, _as_written(known, "sample"), _as_written(frames["services"], "service")

    return build


def _as_written(frame: pd.DataFrame, key: str) -> pd.DataFrame:
    usable = frame["meter_h"].notna()
    out = frame[[key, "compartment", "meter_h"]].copy()
    return out.assign(run_h=frame["meter_h"], sd_h=0.0, usable=usable, reason="")


@pytest.fixture(scope="session")
def reference_fleets(root: Path) -> ModuleType:
    """The invented fleets of the calibration (tests/benchmarks/reference_fleets.py)."""
    spec = importlib.util.spec_from_file_location("reference_fleets", root / "tests/benchmarks/reference_fleets.py")
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
