"""Every writing command, killed or refused by a full disk at every step: what was there before stands whole, or what is
new does.

Known truth by another route: the states before and after are read from a run that nothing stopped.
"""

import ast
import shutil
import signal
from multiprocessing.context import BaseContext
from pathlib import Path

import pytest

from cmkit.cli import main
from tests.faults.stopped import DONE, REFUSED, WRITERS
from tests.faults.writing import NEVER, assessments, snapshot, spread, whole_run
from tests.lengths import short_or_full

READS = {"check", "history"}
MOST_STOPS = {"demo": 2}  # stops tried of a writer that is slow to start, whatever is asked of the others


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
    "practice/sheet_saving.py": "text in memory",
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


def test_a_site_is_written_as_an_assessment_is() -> None:
    """What is tried below of one is tried of the other: the same function, which finds the same."""
    assert WRITERS["assess-sites --out"] is WRITERS["assess --out"]


def test_no_other_module_writes(root: Path) -> None:
    found = set()
    for path in sorted((root / "cmkit").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            call = node.func if isinstance(node, ast.Call) else None
            name = call.attr if isinstance(call, ast.Attribute) else call.id if isinstance(call, ast.Name) else ""
            if name in _WRITES:
                found.add(path.relative_to(root / "cmkit").as_posix())
    assert sorted(found - set(_ASIDE)) == []


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return assessments(tmp_path_factory.mktemp("source"))


@short_or_full("most", 2, 10)
@pytest.mark.parametrize("how", ["kill", "full"])
@pytest.mark.parametrize("name", [name for name in WRITERS if name != "assess-sites --out"])
def test_a_writer_stopped_at_any_step_leaves_the_old_or_the_new(
    tmp_path: Path, source: Path, forks: BaseContext, name: str, how: str, most: int
) -> None:
    writer = whole_run(forks, name, how, tmp_path, source)
    for step in spread(writer.steps, MOST_STOPS.get(name, most)):
        place, where = writer.place(tmp_path / f"{step}"), f"step {step} of {writer.steps}"
        code = writer.run(place, step)
        now = snapshot(place)
        assert now in (writer.old, writer.new), where
        if how == "kill":
            assert code == -signal.SIGKILL
        else:  # where the disk refuses only to flush a folder that is in its place already, all is done
            assert code == REFUSED or (code == DONE and now == writer.new), where
        if now == writer.old and step < writer.steps:
            assert writer.run(place, NEVER) == DONE
            assert snapshot(place) == writer.new
            assert list(place.parent.rglob(".cmkit-*")) == [], where
        shutil.rmtree(tmp_path / f"{step}")
