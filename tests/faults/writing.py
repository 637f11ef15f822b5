"""What a writing command finds, and what a reader finds after it was stopped; shared by the tests and by `python -m
tests.faults.kills`.
"""

import hashlib
import pickle
import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from multiprocessing.context import BaseContext
from pathlib import Path

from cmkit.assess import assess_fleet
from cmkit.assessment import load_assessment
from cmkit.records.reading.load import load_fleet
from cmkit.records.reading.start import start_fleet
from cmkit.records.storing.history import damaged_files, history
from cmkit.review import freeze
from tests.faults.hostile import base_fleet
from tests.faults.stopped import run_stopped

LAB = (
    "Bottle no.,Unit,Date drawn,Unit hours,Iron mg/kg,Copper mg/kg,Silicon "
    "mg/kg\nA1,WL-01/engine,2026-03-02,4120,21,3,8\n"
)
FLEET_WRITERS = ("take-in", "returned", "match --out", "intervals --accept", "decide", "join-bottles --accept")
NEVER = 10**9  # a step no writer comes to


def assessments(folder: Path) -> Path:
    """Two assessments of the example fleet, `then` saved and `now` as it is in memory, with a laboratory's file and the
    fleet beside them.
    """
    fleet = load_fleet(base_fleet(folder / "example"))
    source = folder / "source"
    assess_fleet(fleet, "2026-03-15").save(source / "then")
    (source / "now.pickle").write_bytes(pickle.dumps(assess_fleet(fleet, "2026-03-31")))
    (source / "lab.csv").write_text(LAB)
    _example_fleet(source / "fleet")
    return source


def _example_fleet(folder: Path) -> None:
    start_fleet(folder)
    for table in (folder / "examples").glob("*.csv"):
        shutil.copy(table, folder / table.name)


def before(name: str, place: Path, source: Path) -> Path:
    """The place a writer finds: with an earlier state where the command replaces one, else empty. Always the same below
    `place`.
    """
    place.mkdir(parents=True)
    if name in ("assess --out", "assess-sites --out"):
        shutil.copytree(source / "then", place / "run")
    elif name in FLEET_WRITERS:
        _example_fleet(place / "fleet")
        with (place / "fleet" / "fleet.toml").open("a") as settings:
            settings.write("\n[accepted_intervals]  # agreed\nhydraulic = 400 # by the crew\n")
    elif name == "assess --freeze":
        freeze(load_assessment(source / "then"), place)
    elif name == "intervals --out":
        (place / "intervals.csv").write_text("compartment\nold\n")
    return target(name, place)


def target(name: str, place: Path) -> Path:
    """Where in `place` the writer writes."""
    below = {
        "demo": "new",
        "start": "new",
        "assess --out": "run",
        "assess-sites --out": "run",
        "assess --results": "results.db",
        "publish-records --to": "results.db",
    }
    return place / "fleet" if name in FLEET_WRITERS else place / below.get(name, "")


def snapshot(place: Path) -> object:
    """What a reader sees of a place: files by name and content, without what a killed writer left aside, locks and
    logs.
    """
    if not place.exists():
        return None
    if place.suffix == ".db":
        with closing(sqlite3.connect(place)) as connection:
            tables = [t for (t,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            rows = {t: connection.execute(f'SELECT count(*) FROM "{t}"').fetchone()[0] for t in tables}  # noqa: S608
            return {t: n for t, n in rows.items() if n} or None  # an empty file is no database yet
    out = {}
    for path in sorted(p for p in place.rglob("*") if p.is_file()):
        name = path.relative_to(place).as_posix()
        aside = any(part.startswith((".cmkit-", ".building")) for part in path.relative_to(place).parts)
        log = path.name.endswith((".lock", ".log")) or path.name in ("LOCK", "run.log", "index.html")
        if not aside and not log:
            out[name] = hashlib.sha256(path.read_bytes()).hexdigest()
    store = place / "store"
    if store.exists():  # a version is what CURRENT names; files that none names are left by those who were killed
        assert damaged_files(store) == []
        out = {n: h for n, h in out.items() if not n.startswith("store/")}
        out |= {"version": str(history(place)["version"].max()) if (store / "CURRENT").exists() else "nan"}
        out = {n: h for n, h in out.items() if (n, h) != ("version", "nan")}
    return out


@dataclass(frozen=True)
class Stops:
    """A writer and what it finds: `old`, what a reader sees before; `new`, after a run that nothing stopped; `steps` of
    that run.
    """

    name: str
    how: str
    found: Path
    source: Path
    forks: BaseContext
    old: object
    new: object
    steps: int

    def place(self, folder: Path) -> Path:
        """A fresh copy of what the writer finds, in `folder`."""
        shutil.copytree(self.found, folder, symlinks=True)
        return target(self.name, folder)

    def run(self, place: Path, step: int) -> int:
        """The exit code of the writer's process, stopped at that step."""
        return run_writer(self.forks, self.name, place, self.source, step=step, how=self.how)


def run_writer(forks: BaseContext, name: str, place: Path, source: Path, *, step: int, how: str) -> int:
    """The exit code of a writer's process, stopped at that step."""
    process = forks.Process(target=run_stopped, args=(name, place, source, step, how))  # type: ignore[attr-defined]
    process.start()
    process.join(120)
    assert not (source / "traceback.txt").exists(), (source / "traceback.txt").read_text()
    return int(process.exitcode)


def whole_run(forks: BaseContext, name: str, how: str, folder: Path, source: Path) -> Stops:
    """The writer run once with nothing in its way."""
    before(name, folder / "found", source)
    shutil.copytree(folder / "found", folder / "whole", symlinks=True)
    place = target(name, folder / "whole")
    old = snapshot(place)
    assert run_writer(forks, name, place, source, step=NEVER, how=how) == 0
    new = snapshot(place)
    assert new != old
    steps = int((source / "steps.txt").read_text())
    return Stops(name, how, folder / "found", source, forks, old, new, steps)


def spread(steps: int, most: int) -> list[int]:
    """About `most` of the steps 1 to `steps`, evenly, the first and the last among them."""
    return sorted({*range(1, steps, max(1, steps // most)), steps})
