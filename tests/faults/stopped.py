"""A writing function stopped at its n-th step: killed there, or refused by a full disk. Runs in a process of its own.

A step is anything that changes the disk: a file flushed, renamed, linked, exchanged or removed, and a table or file
half written. What commands load when they first need it is loaded here, once, by the server these processes are forked
from.
"""

import errno
import os
import pickle
import shutil
import signal
import sqlite3
import traceback
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
import sqlalchemy as sa

import cmkit
from cmkit import files
from cmkit.analyst.guides import copy_guides
from cmkit.analyst.write_back import Draft as NewRow
from cmkit.analyst.write_back import write_back
from cmkit.assessment import Assessment
from cmkit.books.publishing import publish
from cmkit.errors import CmkitError
from cmkit.intervals.accept import accept_intervals
from cmkit.practice.sheet_saving import save_field_sheet
from cmkit.practice.sheets import COLUMNS, FieldSheet
from cmkit.records.reading.draft_register import Draft, write_draft
from cmkit.records.reading.load import load_fleet
from cmkit.records.reading.proposing import propose, write_layout
from cmkit.records.reading.start import start_fleet
from cmkit.records.reading.units import conversion
from cmkit.records.storing.database import write_records, write_results
from cmkit.records.storing.store import take_in
from cmkit.review import freeze
from cmkit.simulate.write import demo_recipe, write_fleet

DONE, REFUSED, OTHER = 0, 3, 4
_LOADED = (
    [getattr(cmkit, name) for name in cmkit.__all__],
    conversion("mg/kg", "ppm", "Fe_ppm", "stopped.py"),
    sa.create_engine("sqlite://"),
)


def run_stopped(name: str, place: Path, source: Path, step: int, how: str) -> None:
    """Run WRITERS[name], stopped at step `step` by `how` (`kill` or `full`); ends the process with one of the codes
    above.
    """
    seen = _arm(step, how)
    try:
        WRITERS[name](place, source)
        (source / "steps.txt").write_text(str(seen[0]))
    except (CmkitError, OSError, sqlite3.Error):
        os._exit(REFUSED)
    except BaseException:
        (source / "traceback.txt").write_text(traceback.format_exc())
        os._exit(OTHER)
    os._exit(DONE)


def _arm(step: int, how: str) -> list[int]:
    """Stop at that step; the steps seen so far, in a list of one."""
    seen = [0]

    def fault() -> None:
        seen[0] += 1
        if seen[0] == step or (how == "full" and seen[0] > step):
            if how == "kill":
                os.kill(os.getpid(), signal.SIGKILL)
            raise OSError(errno.ENOSPC, "No space left on device")

    def stopping(call: Callable[..., Any]) -> Callable[..., Any]:
        def wrapped(*args: Any, **how: Any) -> Any:
            fault()
            return call(*args, **how)

        return wrapped

    def half(call: Callable[..., Any]) -> Callable[..., Any]:
        """A table of which half is on the disk when the stop comes."""

        def wrapped(table: Any, path: Any = None, *args: Any, **how: Any) -> Any:
            result = call(table, path, *args, **how)
            if isinstance(path, (str, Path)):
                whole = Path(path).read_bytes()
                Path(path).write_bytes(whole[: len(whole) // 2])
                fault()
                Path(path).write_bytes(whole)
            return result

        return wrapped

    def half_flushed(path: Path, data: bytes) -> None:
        path.write_bytes(data[: len(data) // 2])
        fault()
        path.unlink()
        write_flushed(path, data)

    write_flushed = files._write_flushed

    for module, names in (
        (os, ["fsync", "rename", "replace", "link"]),
        (files, ["exchange"]),
        (sa.Connection, ["execute"]),
    ):
        for name in names:
            setattr(module, name, stopping(getattr(module, name)))
    if how == "kill":  # a full disk does not hinder a removal
        shutil.rmtree = stopping(shutil.rmtree)
        os.unlink = stopping(os.unlink)
    pd.DataFrame.to_csv = half(pd.DataFrame.to_csv)
    pq.write_table = half(pq.write_table)
    files._write_flushed = half_flushed
    return seen


def _month(place: Path, source: Path) -> None:
    with publish.one_run(place), publish.built_aside(place, "2026-06") as built:
        for n in range(3):
            files.write_file(built / f"sites/{n}/book.html", source.name)
        files.write_file(built / publish.RECORD, '{"month": "2026-06"}')
        publish.publish_month(built, place / "2026-06")


def _demo(place: Path, source: Path) -> None:
    recipe = demo_recipe()
    machines = [m for m in recipe.machines if m.machine in ("RH-03", "WL-04", "EX-04")]
    write_fleet(replace(recipe, machines=machines, months=2, planted=[], mistakes=[], text=""), place)


def _now(source: Path) -> Assessment:
    """The assessment that is written, as it is in memory."""
    read: Assessment = pickle.loads((source / "now.pickle").read_bytes())
    return read


def _save(place: Path, source: Path) -> None:
    _now(source).save(place)


def _results(place: Path, source: Path) -> None:
    result = _now(source)
    write_results({n: getattr(result, n) for n in ("verdicts", "limits")}, "run", f"sqlite:///{place}", result.about)


def _returned(place: Path, source: Path) -> None:
    row = {
        "sample": "B1",
        "compartment": "WL-01/engine",
        "drawn_on": pd.Timestamp("2026-06-01"),
        "sampler": "A",
        "note": "n",
        "row": 2,
    }
    slips = pd.DataFrame(columns=["row", "bottle", "compartment", "words"])
    save_field_sheet(FieldSheet(pd.DataFrame([row], columns=COLUMNS), slips), place)


def _row(table: str, **values: str) -> NewRow:
    """A row for one of the fleet's own tables."""
    return NewRow(table, values)


_NO_DRAFT = Draft(pd.DataFrame(), pd.DataFrame(), pd.DataFrame(), pd.DataFrame())
WRITERS: dict[str, Callable[[Path, Path], Any]] = {
    "demo": _demo,
    "start": lambda place, source: start_fleet(place),
    "guides": lambda place, source: copy_guides(place),
    "match --out": lambda place, source: write_layout(propose(source / "lab.csv").toml, place / "layouts" / "lab.toml"),
    "draft-register": lambda place, source: write_draft(  # several tables are written one after the other, each whole
        replace(_NO_DRAFT, compartments=pd.DataFrame({"compartment": ["GR-1/engine"], "machine": ["GR-1"]})), place
    ),
    "publish-records --to": lambda place, source: write_records(load_fleet(source / "fleet"), f"sqlite:///{place}"),
    "take-in": lambda place, source: take_in(place),
    "returned": _returned,
    "decide": lambda place, source: write_back(place, _row("decisions", decision="D1", owner="A. Smith")),
    "join-bottles --accept": lambda place, source: write_back(place, _row("corrections", correction="K1", value="B2")),
    "assess --out": _save,
    # one site's part: each is written by itself, and a run that was stopped goes on with the others
    "assess-sites --out": _save,
    "assess --freeze": lambda place, source: freeze(_now(source), place),
    "assess --results": _results,
    "intervals --accept": lambda place, source: accept_intervals(
        place / "fleet.toml", {"engine": 300.0, "hydraulic": None}, ["engine", "hydraulic"]
    ),
    "intervals --out": lambda place, source: files.write_file(place / "intervals.csv", "compartment\n" * 100_000),
    "books": _month,
}
