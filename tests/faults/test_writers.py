"""Every writing command, killed or refused by a full disk at every step: what was there before stands whole, or what is new does.

Known truth by another route: the states before and after are read from a run that nothing stopped.
"""

import ast
import hashlib
import multiprocessing
import shutil
import signal
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from cmkit.assessment import load_assessment
from cmkit.cli import main
from cmkit.records.reading.start import start_fleet
from cmkit.records.storing.store import damaged_files, history
from cmkit.review import freeze
from tests.faults.stopped import DONE, REFUSED, WRITERS, run_stopped

READS = {"check", "history"}
MOST_STOPS = {"demo": 2, "take-in": 6}  # stops tried of a writer that is slow to start; ten of the others
LAB = "Bottle no.,Unit,Date drawn,Unit hours,Iron mg/kg,Copper mg/kg,Silicon mg/kg\nA1,WL-01/engine,2026-03-02,4120,21,3,8\n"


def test_every_command_is_listed_here() -> None:
    """A new command fails this until it is among those that only read, or among those that are stopped below."""
    writing = {name.partition(" ")[0] for name in WRITERS}
    assert set(main.commands) == READS | writing
    options = {f"{c.name} {o}" for c in main.commands.values() for p in c.params for o in p.opts if o in _WRITING}
    assert options - {"books --out"} == {name for name in WRITERS if " " in name}


_WRITING = {"--out", "--freeze", "--accept", "--results", "--to"}

# modules whose writing goes into a folder that `cmkit.files` made aside, or to an open stream
_ASIDE = {
    "files.py": "the writer itself",
    "by_site.py": "removes parts of months gone by",
    "books/publishing/fleet_month.py": "removes parts of months gone by",
    "assessment.py": "inside written_folder",
    "analyst/guides.py": "inside written_folder",
    "review.py": "inside written_folder",
    "learnt.py": "inside written_folder",
    "tables/__main__.py": "pages of this project, for those who build it",
    "simulate/write.py": "inside written_folder",
    "records/spreadsheets.py": "inside a month built aside",
    "books/publishing/publish.py": "the folder a month is built in, and run.log",
    "books/publishing/month.py": "folders inside a month built aside",
    "books/running/run.py": "folders inside a month built aside",
    "records/reading/start.py": "inside written_folder",
    "records/reading/draft_register.py": "text in memory",
    "records/storing/store.py": "bytes in memory; the folder of the lock",
    "records/storing/database.py": "bytes in memory",
    "practice/sheets.py": "bytes in memory",
}
_WRITES = {
    "write_text",
    "write_bytes",
    "to_csv",
    "to_parquet",
    "to_excel",
    "mkdir",
    "unlink",
    "rmtree",
    "mkstemp",
    "mkdtemp",
    "copytree",
}


def test_no_other_module_writes(root: Path) -> None:
    found = set()
    for path in sorted((root / "cmkit").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            call = node.func if isinstance(node, ast.Call) else None
            name = call.attr if isinstance(call, ast.Attribute) else call.id if isinstance(call, ast.Name) else ""
            if name in _WRITES:
                found.add(path.relative_to(root / "cmkit").as_posix())
    assert sorted(found - set(_ASIDE)) == []


def snapshot(place: Path) -> object:
    """What a reader sees of a place: files by name and content, without what a killed writer left aside, locks and logs."""
    if not place.exists():
        return None
    if place.suffix == ".db":
        with sqlite3.connect(place) as connection:
            tables = [t for (t,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            rows = {t: connection.execute(f'SELECT count(*) FROM "{t}"').fetchone()[0] for t in tables}  # noqa: S608
            return {t: n for t, n in rows.items() if n} or None  # an empty file is no database yet
    out = {}
    for path in sorted(p for p in place.rglob("*") if p.is_file()):
        name = path.relative_to(place).as_posix()
        aside = any(part.startswith((".cmkit-", ".building")) for part in path.relative_to(place).parts)
        if (
            not aside
            and not path.name.endswith((".lock", ".log"))
            and path.name not in ("LOCK", "run.log", "index.html")
        ):
            out[name] = hashlib.sha256(path.read_bytes()).hexdigest()
    store = place / "store"
    if store.exists():  # a version is what CURRENT names; files that none names are left by those who were killed
        assert damaged_files(store) == []
        out = {n: h for n, h in out.items() if not n.startswith("store/")}
        out |= {"version": str(history(place)["version"].max()) if (store / "CURRENT").exists() else "nan"}
        out = {n: h for n, h in out.items() if (n, h) != ("version", "nan")}
    return out


@pytest.fixture(scope="module")
def source(saved: Path) -> Path:
    (saved / "lab.csv").write_text(LAB)
    start_fleet(saved / "fleet")
    for table in (saved / "fleet" / "examples").glob("*.csv"):
        shutil.copy(table, saved / "fleet" / table.name)
    return saved


def before(name: str, place: Path, source: Path) -> Path:
    """The place a writer finds: with an earlier state where the command replaces one, else empty."""
    place.mkdir(parents=True)
    if name in ("demo", "start"):
        return place / "new"
    if name == "assess --out":
        shutil.copytree(source / "then", place / "run")
        return place / "run"
    if name in ("assess --results", "publish-records --to"):
        return place / "results.db"
    if name in ("take-in", "returned", "match --out", "intervals --accept"):
        start_fleet(place / "fleet")
        for table in (place / "fleet" / "examples").glob("*.csv"):
            shutil.copy(table, place / "fleet" / table.name)
        with (place / "fleet" / "fleet.toml").open("a") as settings:
            settings.write("\n[accepted_intervals]  # agreed\nhydraulic = 400 # by the crew\n")
        return place / "fleet"
    if name == "assess --freeze":
        freeze(load_assessment(source / "then"), place)
    if name == "intervals --out":
        (place / "intervals.csv").write_text("compartment\nold\n")
    return place


Stopped = Callable[[str, Path, int, str], int]


@pytest.fixture(scope="module")
def stopped(forks: multiprocessing.context.BaseContext, source: Path) -> Stopped:
    """`stopped(name, place, step, how)` -> the exit code of the writer's process."""

    def run(name: str, place: Path, step: int, how: str) -> int:
        process = forks.Process(target=run_stopped, args=(name, place, source, step, how))  # type: ignore[attr-defined]
        process.start()
        process.join(120)
        assert not (source / "traceback.txt").exists(), (source / "traceback.txt").read_text()
        return process.exitcode

    return run


@pytest.mark.parametrize("how", ["kill", "full"])
@pytest.mark.parametrize("name", list(WRITERS))
def test_a_writer_stopped_at_any_step_leaves_the_old_or_the_new(
    tmp_path: Path, source: Path, stopped: Stopped, name: str, how: str
) -> None:
    whole = before(name, tmp_path / "whole", source)
    old = snapshot(whole)
    assert stopped(name, whole, 10**9, how) == DONE
    new = snapshot(whole)
    assert new != old
    steps = int((source / "steps.txt").read_text())
    for step in sorted({*range(1, steps, max(1, steps // MOST_STOPS.get(name, 10))), steps}):
        place = before(name, tmp_path / f"{step}", source)
        code = stopped(name, place, step, how)
        now = snapshot(place)
        assert now in (old, new), f"step {step} of {steps}"
        if how == "kill":
            assert code == -signal.SIGKILL
        else:  # where the disk refuses only to flush a folder that is in its place already, all is done
            assert code == REFUSED or (code == DONE and now == new), f"step {step} of {steps}"
        if now == old and step < steps:
            assert stopped(name, place, 10**9, how) == DONE
            assert snapshot(place) == new
            assert list(place.parent.rglob(".cmkit-*")) == [], f"step {step} of {steps}"
        shutil.rmtree(tmp_path / f"{step}")
