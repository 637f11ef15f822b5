"""Decisions about alarms: kept as they were taken, refused when they cannot be right, and never closing an alarm. Invented cases."""

import pandas as pd
import pytest

from cmkit.errors import RecordsError
from cmkit.practice.decisions import FILE, add_decision, open_alarms, read_decisions
from cmkit.practice.replay import RECORD
from cmkit.tables.frames import check, typed

DAY = pd.Timestamp("2026-06-30")
TAKEN = {"compartment": "M/a", "alarm_on": "2026-05-01", "owner": "A. Smith", "decided_on": "2026-05-20", "decided": "accepted",
         "why": "look at the next stop", "due_on": "2026-06-10"}  # fmt: skip


def record() -> pd.DataFrame:
    row = dict.fromkeys(RECORD, "") | {
        "run_h": 1.0,
        "bottles": 1,
        "lead_h": None,
        "cost": None,
        "found_on": pd.NaT,
        "outcome": "waiting",
    }
    days = {"M/a": "2026-05-01", "M/b": "2026-04-01", "M/c": "2026-06-01"}
    rows = [
        row | {"compartment": c, "alarm_on": pd.Timestamp(d), "known_on": pd.Timestamp(d) + pd.Timedelta(days=9)}
        for c, d in days.items()
    ]
    rows.append(
        row
        | {
            "compartment": "M/d",
            "alarm_on": pd.Timestamp("2026-02-01"),
            "known_on": pd.Timestamp("2026-02-09"),
            "outcome": "defect",
        }
    )
    return typed(rows, "record")


def test_alarms_without_an_owner_come_first_with_their_age(tmp_path) -> None:
    add_decision(tmp_path, TAKEN, record())
    out = open_alarms(record(), read_decisions(tmp_path), DAY)
    check(out, "open_alarms")
    assert out["compartment"].tolist() == ["M/b", "M/c", "M/a"]
    assert out["age_days"].tolist() == [81.0, 20.0, 51.0]
    assert out["late"].tolist() == [False, False, True]
    assert out["words"].tolist()[0] == "known for 81 days; nobody has taken it on"
    assert (
        out["words"].tolist()[2]
        == "known for 51 days; accepted by A. Smith on 2026-05-20, due on 2026-06-10 and late: look at the next stop"
    )


def test_an_overruled_alarm_stays_open_with_its_reason_and_older_decisions_stay_in_the_file(tmp_path) -> None:
    add_decision(tmp_path, TAKEN, record())
    add_decision(
        tmp_path,
        TAKEN | {"decided": "overruled", "decided_on": "2026-06-15", "why": "filter cut open, clean", "due_on": None},
        record(),
    )
    kept = read_decisions(tmp_path)
    check(kept, "decisions")
    assert kept["decided"].tolist() == ["accepted", "overruled"]
    own = open_alarms(record(), kept, DAY).set_index("compartment").loc["M/a"]
    assert (own["decided"], own["why"]) == ("overruled", "filter cut open, clean")
    earlier = open_alarms(record(), kept, pd.Timestamp("2026-06-01")).set_index("compartment").loc["M/a"]
    assert earlier["decided"] == "accepted"


def test_a_done_order_does_not_close_the_alarm(tmp_path) -> None:
    add_decision(tmp_path, TAKEN | {"decided": "done"}, record())
    assert "M/a" in set(open_alarms(record(), read_decisions(tmp_path), DAY)["compartment"])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"alarm_on": "2026-05-02"}, "found 2026-05-02 as alarm_on; its alarms began on: 2026-05-01"),
        ({"compartment": "M/x"}, "its alarms began on: none"),
        ({"owner": " "}, "found no owner"),
        ({"why": ""}, "found no why"),
        ({"decided": "ignored"}, "found 'ignored' as decided; wanted one of accepted"),
        ({"decided_on": "soon"}, "found no day of the decision"),
        ({"decided_on": "2026-05-03"}, "before the alarm was known on 2026-05-10"),
        ({"due_on": "2026-05-11"}, "before it was decided on 2026-05-20"),
    ],
)
def test_a_decision_that_cannot_be_right_is_refused_and_nothing_is_written(tmp_path, change, said) -> None:
    with pytest.raises(RecordsError, match=said):
        add_decision(tmp_path, TAKEN | change, record())
    assert not (tmp_path / FILE).exists()


def test_a_reason_that_looks_like_a_formula_is_kept_as_text(tmp_path) -> None:
    add_decision(tmp_path, TAKEN | {"why": "=1+1"}, record())
    assert '"\'=1+1"' in (tmp_path / FILE).read_text(encoding="utf-8")
    assert read_decisions(tmp_path)["why"].tolist() == ["=1+1"]
