"""Decisions about alarms and orders: the newest counts, none closes an alarm, and each keeps its reason beside what was
found. Invented cases.
"""

import pandas as pd
import pytest

from cmkit.practice.decisions import open_work, what_became
from cmkit.practice.replay import RECORD
from cmkit.tables.frames import check, empty, typed

DAY = pd.Timestamp("2026-06-30")
WEEK = pd.Timedelta(days=7)


def record() -> pd.DataFrame:
    """Alarms that wait at M/a and M/b, one at M/d that was confirmed."""
    row = dict.fromkeys(RECORD, "") | {"run_h": 1.0, "bottles": 1, "lead_h": None, "cost": None, "found_on": pd.NaT}
    days = {"M/a": ("2026-05-01", "waiting"), "M/b": ("2026-04-01", "waiting"), "M/d": ("2026-02-01", "defect")}
    said = {"waiting": "nobody has looked yet", "defect": "confirmed"}
    rows = [
        row | {"compartment": c, "alarm_on": pd.Timestamp(d), "known_on": pd.Timestamp(d) + WEEK, "outcome": o,
        "words": said[o]}
        for c, (d, o) in days.items()
    ]  # fmt: skip
    return typed(rows, "record")


def spells() -> pd.DataFrame:
    rows = record()[["compartment", "alarm_on", "known_on"]]
    return rows.assign(closed_on=rows["compartment"].map({"M/d": pd.Timestamp("2026-03-01")}))


def orders() -> pd.DataFrame:
    return pd.DataFrame({"compartment": ["M/a", "M/b", "M/c"]})


def verdicts() -> pd.DataFrame:
    """M/c is in alert since 20 May; its newest bottle became known on 15 June."""
    known = ["2026-06-20", "2026-06-20", "2026-06-15"]
    since = ["2026-05-01", "2026-04-01", "2026-05-20"]
    days = {"known_on": pd.to_datetime(known), "since": pd.to_datetime(since)}
    return pd.DataFrame({"compartment": ["M/a", "M/b", "M/c"], **days})


def taken(**change: str) -> dict:
    row = {"decision": "D-1", "compartment": "M/a", "alarm_on": "2026-05-01", "owner": "A. Smith",
        "decided_on": "2026-05-20",
           "decided": "accepted", "why": "look at the next stop", "due_on": "2026-06-10"} | change  # fmt: skip
    return row | {name: pd.to_datetime(row[name] or None) for name in ("alarm_on", "decided_on", "due_on")}


def decisions(*rows: dict) -> pd.DataFrame:
    return typed(list(rows), "decisions") if rows else empty("decisions")


def stands(*rows: dict, day: pd.Timestamp = DAY) -> pd.DataFrame:
    out = open_work(record(), orders(), verdicts(), decisions(*rows), day)
    check(out, "open_work")
    return out.set_index("compartment")


def test_every_alarm_and_order_stands_with_its_owner_and_age() -> None:
    out = stands(taken())
    assert out["about"].to_dict() == {"M/a": "alarm", "M/b": "alarm", "M/c": "order"}
    assert out["age_days"].to_dict() == {"M/a": 53, "M/b": 83, "M/c": 15}
    assert out["owner"].to_dict() == {"M/a": "A. Smith", "M/b": "", "M/c": ""}
    assert out["late"].to_dict() == {"M/a": True, "M/b": False, "M/c": False}
    assert out.loc["M/b", "words"] == "known for 83 days; nobody has taken it on yet"
    assert (
        out.loc["M/a", "words"]
        == "known for 53 days; accepted by A. Smith on 2026-05-20, due on 2026-06-10 and late: look at the next stop"
    )


def test_the_newest_decision_of_the_day_counts() -> None:
    then = taken(decision="D-2", decided="overruled", decided_on="2026-06-15", why="filter cut open, clean", due_on="")
    assert stands(taken(), then).loc["M/a", ["decided", "why"]].tolist() == ["overruled", "filter cut open, clean"]
    assert stands(taken(), then, day=pd.Timestamp("2026-06-01")).loc["M/a", "decided"] == "accepted"


@pytest.mark.parametrize("word", ["done", "overruled"])
def test_a_decision_closes_the_order_and_never_the_alarm(word: str) -> None:
    own = stands(taken(decided=word)).loc["M/a"]
    assert own["about"] == "alarm"
    assert own["closed"]
    assert not own["late"]
    assert own["words"].endswith("look at the next stop; the alarm stands until a look or clear bottles")


def test_without_a_named_alarm_a_decision_is_about_what_stood_on_its_day() -> None:
    early, later = (
        taken(alarm_on="", decided_on="2026-05-07", due_on=""),
        taken(alarm_on="", decided_on="2026-05-08", due_on=""),
    )
    assert stands(early).loc["M/a", "owner"] == ""
    assert stands(later).loc["M/a", "owner"] == "A. Smith"
    before, during = (
        taken(compartment="M/c", alarm_on="", decided_on=day, due_on="") for day in ("2026-05-19", "2026-05-20")
    )
    assert stands(before).loc["M/c", "owner"] == ""
    assert stands(during).loc["M/c", "owner"] == "A. Smith"


def test_nothing_stands_where_nothing_is_raised() -> None:
    assert open_work(record().iloc[:0], orders().iloc[:0], verdicts(), decisions(taken()), DAY).empty


def test_a_fleet_without_decisions_alarms_or_findings_has_the_same_tables() -> None:
    nothing = [empty(name) for name in ("alarm_spells", "record", "findings")]
    check(what_became(decisions(), *nothing), "decided")
    check(what_became(decisions(taken(alarm_on="", due_on="")), *nothing), "decided")
    check(what_became(decisions(), spells(), record(), empty("findings")), "decided")
    check(open_work(empty("record"), orders().iloc[:0], verdicts().iloc[:0], decisions(), DAY), "open_work")
    bare = pd.DataFrame({"compartment": ["M/a"], "known_on": pd.to_datetime([None]), "since": pd.to_datetime([None])})
    check(open_work(empty("record"), orders().iloc[:1], bare, decisions(), DAY), "open_work")


def test_what_became_of_each_decision_is_said_beside_its_reason() -> None:
    given = decisions(
        taken(),
        taken(
            decision="D-2", compartment="M/d", alarm_on="", decided_on="2026-02-20", decided="overruled", why="new oil"
        ),
        taken(decision="D-3", compartment="M/d", alarm_on="", decided_on="2026-03-02", due_on=""),
        taken(decision="D-4", compartment="M/c", alarm_on="", decided_on="2026-05-25"),
        taken(decision="D-5", alarm_on="2026-04-30"),
    )
    findings = pd.DataFrame(
        {"compartment": ["M/d"], "found_on": [pd.Timestamp("2026-03-04")], "outcome": ["no defect"]}
    )
    out = what_became(given, spells(), record(), findings)
    check(out, "decided")
    assert out["decided_on"].is_monotonic_decreasing
    by_number = out.set_index("decision")
    assert by_number["became"].to_dict() == {
        "D-1": "nobody has looked yet",
        "D-2": "confirmed",
        "D-3": "an order without an alarm; looked into on 2026-03-04: no defect",
        "D-4": "an order without an alarm, nothing found since",
        "D-5": "no alarm of that day on record",
    }
    assert by_number.loc["D-2", ["decided", "why"]].tolist() == ["overruled", "new oil"]
