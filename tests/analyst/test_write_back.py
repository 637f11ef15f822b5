"""A finding or correction becomes exactly one row of the fleet's own file; nothing else of it changes, whatever stops
the writing.
"""

import shutil
import threading
from pathlib import Path

import pytest

import cmkit.files
from cmkit.analyst.write_back import (
    after_decision,
    draft_correction,
    draft_decision,
    draft_finding,
    undo,
    what_changed,
    write_back,
    written_row,
)
from cmkit.errors import ParameterError, WriteError, WrongFile
from cmkit.records.reading.load import load_fleet

PLACE = "RH-02/final drive/left"


@pytest.fixture
def fleet(root, tmp_path) -> Path:
    """The demo fleet's folder, to write into."""
    shutil.copytree(root / "sample_data", tmp_path / "fleet")
    return tmp_path / "fleet"


def test_a_finding_is_one_more_row_and_can_be_taken_back(demo, fleet) -> None:
    old = (fleet / "findings.csv").read_bytes()
    draft = draft_finding(
        demo,
        PLACE,
        "2026-06-29",
        "defect",
        "bearing fatigue",
        cost=9200,
        downtime_h=18,
        note='=race "spalled", outer\nring',
    )
    assert (fleet / "findings.csv").read_bytes() == old
    assert write_back(fleet, draft) == fleet / "findings.csv"
    new = (fleet / "findings.csv").read_bytes()
    assert new.startswith(old)
    assert new.count(b"\n") == old.count(b"\n") + 1
    row = load_fleet(fleet).findings.set_index("finding").loc[draft.key]
    assert (row["compartment"], row["outcome"], row["cost"], row["prompted_by"]) == (
        PLACE,
        "defect",
        9200,
        "RH-02-0208",
    )
    assert '"spalled", outer ring' in row["note"]
    with pytest.raises(WriteError, match="there already"):
        write_back(fleet, draft)
    undo(fleet, draft)
    assert (fleet / "findings.csv").read_bytes() == old
    with pytest.raises(WriteError, match="no longer holds"):
        undo(fleet, draft)


def test_a_correction_moves_a_bottle(demo, fleet) -> None:
    draft = draft_correction(
        demo, "RH-02-0208", "compartment", "RH-02/final drive/right", "labels exchanged", decided_by="analyst 2"
    )
    write_back(fleet, draft)
    known = load_fleet(fleet).as_of("2027-01-01")
    assert known.samples.set_index("sample").loc["RH-02-0208", "compartment"] == "RH-02/final drive/right"


def test_a_decision_is_one_row_that_changes_the_owner_and_no_verdict(demo, fleet) -> None:
    old = (fleet / "decisions.csv").read_bytes()
    draft = draft_decision(demo, PLACE, "overruled", "lead, ridge", "=filter cut open, clean", due_on="2027-01-31")
    write_back(fleet, draft)
    new = (fleet / "decisions.csv").read_bytes()
    assert new.startswith(old)
    assert new.count(b"\n") == old.count(b"\n") + 1
    row = load_fleet(fleet).decisions.set_index("decision").loc[draft.key]
    assert (row["owner"], row["decided"], f"{row['due_on']:%Y-%m-%d}") == ("lead, ridge", "overruled", "2027-01-31")
    stood = demo.record[(demo.record["compartment"] == PLACE) & (demo.record["outcome"] == "waiting")]
    assert row["alarm_on"] == stood["alarm_on"].item()
    after = after_decision(demo, draft)
    changed = what_changed(demo, after)
    assert changed["what"].tolist() == ["who sees to the alarm"]
    assert "overruled by lead, ridge" in changed["after"].item()
    own = after.open_work.set_index("compartment").loc[PLACE]
    assert own["closed"]
    assert after.verdicts is demo.verdicts
    undo(fleet, written_row(fleet, "decisions", draft.key))
    assert (fleet / "decisions.csv").read_bytes() == old
    with pytest.raises(ParameterError, match="no row"):
        written_row(fleet, "decisions", draft.key)


def test_a_first_finding_begins_the_table_and_other_headings_and_line_ends_are_kept(demo, fleet) -> None:
    draft = draft_finding(demo, PLACE, "2026-06-29", "no defect")
    (fleet / "findings.csv").unlink()
    write_back(fleet, draft)
    assert len(load_fleet(fleet).findings) == 1
    (fleet / "findings.csv").write_bytes(
        b"outcome;finding;compartment;found_on;prompted_by;recorded_on\r\ndefect;F-1;RH-02/engine;2026-01-02;;2026-01-02"
    )
    write_back(fleet, draft)
    last = (fleet / "findings.csv").read_bytes().splitlines()[-1].decode()
    assert last == f"no defect;{draft.key};{PLACE};2026-06-29;RH-02-0208;{draft.values['recorded_on']}"
    assert (fleet / "findings.csv").read_bytes().count(b"\r\n") == 3


def test_a_stop_while_writing_leaves_the_old_file_whole(demo, fleet, monkeypatch) -> None:
    old = (fleet / "findings.csv").read_bytes()

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cmkit.files, "flush_folder", stop)
    monkeypatch.setattr(cmkit.files.Path, "replace", stop)
    with pytest.raises(KeyboardInterrupt):
        write_back(fleet, draft_finding(demo, PLACE, "2026-06-29", "defect"))
    assert (fleet / "findings.csv").read_bytes() == old
    assert not list(fleet.glob("*.part"))


def test_two_at_once_both_stand(demo, fleet) -> None:
    drafts = [draft_finding(demo, name, "2026-06-29", "no defect") for name in demo.compartments["compartment"].head(6)]
    hands = [threading.Thread(target=write_back, args=(fleet, d)) for d in drafts]
    for hand in hands:
        hand.start()
    for hand in hands:
        hand.join()
    assert {d.key for d in drafts} <= set(load_fleet(fleet).findings["finding"])


def clear_place(a) -> str:
    """A compartment where nothing stands."""
    return next(c for c in a.compartments["compartment"] if c not in set(a.open_work["compartment"]))


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda a: draft_finding(a, "RH-02/axle", "2026-06-29", "defect"), "compartment: found 'RH-02/axle'"),
        (
            lambda a: draft_finding(a, PLACE, "2026-06-29", "broken"),
            "outcome: found 'broken', wanted one of 'defect', 'no defect', 'failed'",
        ),
        (lambda a: draft_finding(a, PLACE, "29.6.2026", "defect"), "found_on: found '29.6.2026', wanted a day"),
        (lambda a: draft_finding(a, PLACE, "2999-01-01", "defect"), "still to come"),
        (lambda a: draft_finding(a, PLACE, "2026-06-29", "defect", cost=-5), "cost: found -5"),
        (lambda a: draft_decision(a, PLACE, "ignored", "x", "y"), "decided: found 'ignored', wanted one of 'accepted'"),
        (lambda a: draft_decision(a, PLACE, "accepted", " ", "y"), "owner: found nothing"),
        (lambda a: draft_decision(a, PLACE, "accepted", "x", ""), "why: found nothing"),
        (lambda a: draft_decision(a, clear_place(a), "accepted", "x", "y"), "no alarm and no order stands there"),
        (
            lambda a: draft_decision(a, PLACE, "accepted", "x", "y", decided_on="2026-01-01"),
            "before the result was known",
        ),
        (
            lambda a: draft_decision(a, PLACE, "accepted", "x", "y", due_on="2026-06-01"),
            "before the decision on 2026-06-30",
        ),
        (lambda a: draft_correction(a, "RH-02-0208", "Fe_ppm", 3, "x", decided_by="y"), "field: found 'Fe_ppm'"),
        (lambda a: draft_correction(a, "RH-02-0208", "meter_h", 3, " ", decided_by="y"), "wanted why, and who decided"),
    ],
)
def test_what_cannot_be_written_is_said(demo, call, said) -> None:
    with pytest.raises(ParameterError, match=said):
        call(demo)


def test_a_table_that_is_no_csv_is_left_alone(demo, fleet, tmp_path) -> None:
    draft = draft_finding(demo, PLACE, "2026-06-29", "defect")
    (fleet / "findings.csv").rename(fleet / "findings.parquet")
    with pytest.raises(WrongFile, match="add the row there by hand"):
        write_back(fleet, draft)
    with pytest.raises(ParameterError, match="wanted the fleet's folder"):
        write_back(tmp_path, draft)


def test_what_changed_names_verdict_and_record(demo) -> None:
    assert what_changed(demo, demo).empty
