"""From an alarm to a finding saved from the desk: one row more in the fleet's file, and a record that moved; a kill while
it is written leaves the old file.

Known truth by another route: the rows are counted in the file itself, and what the look showed is read from it with
the standard library.
"""

import csv
import io
import os
import shutil
import signal
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import pytest

import cmkit
from cmkit import files
from cmkit.analyst.write_back import Draft, draft_finding, write_back
from cmkit.assess import assess
from cmkit.combine import combine
from cmkit.records.reading.load import load_fleet
from tests.desk.test_desk import by_name

DAY = "2026-06-30"


@pytest.fixture
def folder(root, tmp_path) -> Path:
    """The demo fleet's folder, to write into."""
    shutil.copytree(root / "sample_data", tmp_path / "fleet")
    return tmp_path / "fleet"


def test_a_finding_saved_from_the_desk_is_one_row_and_moves_the_record(
    small, small_learnt, small_assessed, folder, monkeypatch
) -> None:
    before = small_assessed(DAY)
    waiting = before.record[before.record["outcome"] == "waiting"]
    place = before.verdicts.loc[before.verdicts["state"] == "alarm", "compartment"].iloc[0]
    assert place in set(waiting["compartment"])

    made: list[cmkit.Assessment] = []

    def again(where: Path, day: str) -> cmkit.Assessment:
        """The five machines with the findings that now stand in the folder, by the same learning."""
        known = replace(small, findings=load_fleet(where).findings)
        made.append(combine([assess(known, day, small_learnt(DAY))]))
        return made[-1]

    monkeypatch.setattr("cmkit.desk.reviewing.open_assessment", again)
    old = (folder / "findings.csv").read_bytes()
    panel = cmkit.desk.review(before, folder)
    named = by_name(panel.controls)
    named["compartment"].value, named["what it showed"].value = place, "defect"
    named["Write and assess again"].click()
    new = (folder / "findings.csv").read_bytes()
    assert new.startswith(old)
    (row,) = csv.DictReader(io.StringIO(new[len(old) :].decode()), old.decode().splitlines()[0].split(","))
    assert (row["compartment"], row["outcome"], row["found_on"]) == (place, "defect", DAY)
    assert "our record" in panel.parts[-1].value

    own = [x.record[x.record["compartment"] == place].set_index("alarm_on")["outcome"] for x in (before, *made)]
    (alarm_on,) = own[0].index[own[0] == "waiting"]
    assert own[1][alarm_on] == "defect"


def write_and_be_killed(folder: Path, draft: Draft) -> None:
    """Write the row; the process is killed when half of the new file is on the disk."""

    def half(path: Path, data: bytes) -> None:
        path.write_bytes(data[: len(data) // 2])
        os.kill(os.getpid(), signal.SIGKILL)

    files._write_flushed = half
    write_back(folder, draft)


def test_a_kill_while_a_finding_is_written_leaves_the_old_file_and_the_next_try_succeeds(demo, folder) -> None:
    old = (folder / "findings.csv").read_bytes()
    draft = draft_finding(demo, "RH-02/final drive/left", "2026-06-29", "defect")
    hand = get_context("spawn").Process(target=write_and_be_killed, args=(folder, draft))
    hand.start()
    hand.join()
    assert hand.exitcode == -signal.SIGKILL
    assert (folder / "findings.csv").read_bytes() == old
    write_back(folder, draft)
    assert (folder / "findings.csv").read_bytes().count(b"\n") == old.count(b"\n") + 1
