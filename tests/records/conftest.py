"""A small fleet folder of our own invention, written fresh for each test, to be spoiled in one place."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet

TODAY = date(2026, 1, 31)
TABLES = {
    "fleet.toml": 'name = "Small fleet"\n',
    "sites.csv": "site,name,time_zone,downtime_cost_per_h\nNorth,North pit,Etc/UTC,500\n",
    "machines.csv": "machine,site,kind,size_class,in_service_on,meter_h_at_start,retired_on\nWL-01,North,wheel "
    "loader,large,2024-01-01,0,\n",
    "compartments.csv": (
        "compartment,machine,kind,position,capacity_l,pressurised,fluid\n"
        "WL-01/engine,WL-01,engine,,30,true,engine oil\n"
        "WL-01/final drive/left,WL-01,final drive,left,12,false,gear oil\n"
        "WL-01/final drive/right,WL-01,final drive,right,12,false,gear oil\n"
    ),
    "samples.csv": (
        "sample,compartment,drawn_on,meter_h,reported_on,fluid_level,Fe_ppm,Cr_ppm,note\n"
        "S1,WL-01/engine,2025-01-10,1000,2025-01-15,full,20,<1,\n"
        "S2,WL-01/engine,2025-02-10,1250,2025-02-15,full,24,1,\n"
        "S3,WL-01/final drive/left,2025-02-10,1250,2025-02-15,low,60,2,\n"
    ),
}


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """`write({"samples.csv": text or bytes or None, ...})` -> the folder; None leaves a file out, a missing name keeps
    the plain one.
    """

    def make(changes: dict[str, str | bytes | None] | None = None) -> Path:
        folder = tmp_path / "fleet"
        for name, content in {**TABLES, **(changes or {})}.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            if isinstance(content, bytes):
                path.write_bytes(content)
            elif content is not None:
                path.write_text(content, encoding="utf-8")
        return folder

    return make


@pytest.fixture
def load(write: Callable[..., Path]) -> Callable[..., Fleet]:
    """`load({...})` -> the fleet of such a folder, read on 31 January 2026."""
    return lambda changes=None: load_fleet(write(changes), today=TODAY)


@pytest.fixture
def samples(load: Callable[..., Fleet]) -> Callable[..., Fleet]:
    """`samples(rows)` -> the fleet whose samples.csv has these rows under the plain heading."""
    heading = TABLES["samples.csv"].splitlines()[0]
    return lambda *rows: load({"samples.csv": "\n".join([heading, *rows]) + "\n"})
