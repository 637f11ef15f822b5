"""Due dates and the record of past alarms, on a hand-made fleet with answers worked out by hand."""

import numpy as np
import pandas as pd
import pytest

from cmkit.practice.due import next_due
from cmkit.practice.replay import alarm_record

TODAY = "2026-06-30"


@pytest.fixture
def known(make_fleet):
    places = [
        {"compartment": f"M1/{k}", "machine": "M1", "kind": k, "sample_every_h": e, "family": k}
        for k, e in (("engine", 250), ("final drive", 500), ("hydraulic", np.nan))
    ]
    return make_fleet(
        settings={"sampling": {"turnaround_days": 10}, "accepted_intervals": {"M1/hydraulic": 1000}},
        sites=[{"site": "S", "downtime_cost_per_h": 100}],
        machines=[{"machine": "M1", "site": "S", "kind": "wheel loader"},
        {"machine": "M2", "site": "S", "kind": "wheel loader", "retired_on": "2026-01-01"}],
        compartments=[*places, {"compartment": "M2/engine", "machine": "M2", "kind": "engine", "family": "engine"}],
        findings=[
            {"finding": "F1", "compartment": "M1/engine", "found_on": "2026-03-10", "outcome": "defect",
            "cause": "dirt entry", "cost": 900, "downtime_h": 2},
            {"finding": "F2", "compartment": "M1/final drive", "found_on": "2026-04-01", "outcome": "failed",
            "cost": 5000, "downtime_h": 10},
        ],
    ).as_of(TODAY)  # fmt: skip


@pytest.fixture
def use() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "machine": ["M1"],
            "h_per_day": [10.0],
            "last_read_on": [pd.Timestamp("2026-06-20")],
            "last_run_h": [5000.0],
            "idle": [False],
        }
    )


def bottles(run_h: dict[str, float]) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "compartment": c,
                "life": 1,
                "order": 0,
                "run_h": h,
                "meter_h": h - 1000,
                "drawn_on": pd.Timestamp("2026-06-01"),
            }
            for c, h in run_h.items()
        ]
    )


def verdicts(states: dict[str, str], asks: dict[str, str] | None = None, known: str = "2026-06-08") -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"compartment": c, "machine": "M1", "site": "S", "kind": c.split("/")[1], "state": s,
            "asks": (asks or {}).get(c, ""), "known_on": pd.Timestamp(known)}
            for c, s in states.items()
        ]
    )  # fmt: skip


def test_due_by_hours_and_date(known, use) -> None:
    states = verdicts({"M1/engine": "clear", "M1/final drive": "clear", "M1/hydraulic": "not known"})
    due = next_due(known, bottles({"M1/engine": 4860.0, "M1/final drive": 4950.0}), use, states).set_index(
        "compartment"
    )
    # the machine stands at 5000 + 10 days x 10 h = 5100 h today
    assert due.index.tolist() == ["M1/engine", "M1/final drive", "M1/hydraulic"]  # the retired machine is gone
    assert due.loc["M1/engine", "due_run_h"] == 5110
    assert due.loc["M1/engine", "due_meter_h"] == 4110
    assert due.loc["M1/engine", "due_on"] == pd.Timestamp("2026-07-01")
    assert not due.loc["M1/engine", "overdue"]
    assert due.loc["M1/final drive", "due_on"] == pd.Timestamp("2026-08-04")
    assert due.loc["M1/hydraulic", "every_h"] == 1000  # the accepted interval
    assert due.loc["M1/hydraulic", "why"] == "never sampled"
    assert due.loc["M1/hydraulic", "overdue"]


def test_a_repeat_counts_from_the_report_and_sooner_is_half_the_interval(known, use) -> None:
    """The machine runs 10 h a day: on 8 June, when the result came, it stood at 5,100 - 22 x 10 = 4,880 h."""
    states = {"M1/engine": "alarm", "M1/final drive": "alert", "M1/hydraulic": "clear"}
    run = {"M1/engine": 4800.0, "M1/final drive": 5000.0, "M1/hydraulic": 4000.0}
    asks = {"M1/engine": "repeat", "M1/final drive": "sooner"}
    due = next_due(known, bottles(run), use, verdicts(states, asks)).set_index("compartment")
    assert due.loc["M1/engine", "due_run_h"] == 4880
    assert due.loc["M1/engine", "overdue_h"] == 220
    assert due.loc["M1/engine", "due_on"] == pd.Timestamp(TODAY)
    assert due.loc["M1/engine", "asked_on"] == pd.Timestamp("2026-06-08")
    assert due.loc["M1/engine", "overdue"]
    assert due["why"].tolist() == ["repeat after alarm", "sooner after alert", "routine"]
    assert due["due_as"].tolist() == ["repeat asked for", "not due yet", "not due yet"]
    assert due.loc["M1/final drive", "due_run_h"] == 5250
    assert due.loc["M1/hydraulic", "overdue_h"] == 100
    assert not due.loc["M1/hydraulic", "overdue"]  # within 10 % of 1,000 h
    fresh = next_due(known, bottles(run), use, verdicts(states, asks, known="2026-06-29")).set_index("compartment")
    assert not fresh.loc["M1/engine", "overdue"]  # asked for yesterday, though its interval passed long ago
    assert fresh.loc["M1/engine", "due_as"] == "repeat asked for"


def test_a_bottle_asked_for_sooner_is_not_late_before_it_was_asked_for(known, use) -> None:
    """Half the interval passed at 4,975 h; its reason came at 5,090 h, and the routine bottle is due at 5,100 h."""
    states, asks = {"M1/engine": "alert"}, {"M1/engine": "sooner"}
    due = next_due(known, bottles({"M1/engine": 4850.0}), use, verdicts(states, asks, known="2026-06-29")).set_index(
        "compartment"
    )
    assert due.loc["M1/engine", "due_run_h"] == 5090


def test_late_is_of_three_sorts(known, use) -> None:
    states = verdicts(
        {"M1/engine": "clear", "M1/final drive": "not known", "M1/hydraulic": "not known"}, {"M1/final drive": "repeat"}
    )
    due = next_due(known, bottles({"M1/engine": 4000.0, "M1/final drive": 5000.0}), use, states)
    assert due["due_as"].tolist() == ["routine late", "repeat asked for", "never sampled"]
    assert due["why"].tolist() == ["routine", "repeat of a doubted bottle", "never sampled"]


def test_a_new_component_is_due_for_its_first_bottle(known, use) -> None:
    states = verdicts({"M1/engine": "not known"}, {"M1/engine": "first"})
    due = next_due(known, bottles({"M1/engine": 5050.0}), use, states).set_index("compartment")
    assert due.loc["M1/engine", "why"] == "never sampled"
    assert due.loc["M1/engine", "due_on"] == pd.Timestamp(TODAY)


def test_an_idle_machine_has_no_due_date(known, use) -> None:
    states = verdicts({"M1/engine": "clear", "M1/final drive": "clear", "M1/hydraulic": "clear"})
    due = next_due(known, bottles({"M1/engine": 4800.0}), use.assign(idle=True), states).set_index("compartment")
    assert pd.isna(due.loc["M1/engine", "due_on"])
    assert not due.loc["M1/engine", "overdue"]  # the meter stands at 5,000 h, due at 5,050 h


def test_an_idle_machine_is_never_overdue(known, use) -> None:
    """Nothing to draw from a cold machine: it waits, whatever stands against it."""
    states = verdicts(
        {"M1/engine": "alarm", "M1/final drive": "clear", "M1/hydraulic": "clear"}, {"M1/engine": "repeat"}
    )
    run = bottles({"M1/engine": 4000.0, "M1/final drive": 4000.0})
    assert next_due(known, run, use, states)["overdue"].all()
    due = next_due(known, run, use.assign(idle=True), states)
    assert not due["overdue"].any()
    assert due["why"].tolist() == ["repeat after alarm", "routine, machine idle", "never sampled"]


def spell(compartment: str, on: str, closed: str | None, by: str, known: str | None = None) -> dict:
    return {"compartment": compartment, "life": 1, "alarm_on": pd.Timestamp(on), "known_on": pd.Timestamp(known or on),
        "sample": "s", "run_h": 4000.0, "last_on": pd.Timestamp(on),
            "bottles": 1, "analytes": "Fe_ppm", "closed_on": pd.Timestamp(closed) if closed else pd.NaT,
            "closed_by": by}  # fmt: skip


def test_the_record_tells_what_alarms_led_to(known) -> None:
    spells = pd.DataFrame(
        [
            spell("M1/engine", "2026-02-01", "2026-03-10", "finding"),
            spell("M1/hydraulic", "2026-05-01", None, ""),
            spell("M1/engine", "2026-04-01", "2026-05-15", "clear bottles"),
        ]
    )
    found_h = pd.DataFrame({"finding": ["F1", "F2"], "run_h": [4300.0, 4500.0]})
    record = alarm_record(known, spells, found_h)
    confirmed = record[record["outcome"] == "defect"].iloc[0]
    assert confirmed["lead_h"] == 300
    assert confirmed["cost"] == 900 + 2 * 100
    assert record["outcome"].tolist() == ["defect", "not looked into", "failed", "waiting"]
    assert record["words"].tolist()[2] == "failed while no alarm stood"


def record_of(known, *spells: dict, f1: float = 4300.0) -> pd.DataFrame:
    return alarm_record(
        known, pd.DataFrame(list(spells)), pd.DataFrame({"finding": ["F1", "F2"], "run_h": [f1, 4500.0]})
    )


def test_a_result_that_came_after_the_failure_was_no_warning(known) -> None:
    """F2: the final drive failed on 1 April; its bottle of 25 March reached the office on 3 April, or on 30 March."""
    late = record_of(known, spell("M1/final drive", "2026-03-25", "2026-04-01", "finding", known="2026-04-03"))
    drive = late[late["compartment"] == "M1/final drive"].set_index("outcome")
    assert drive.loc["not looked into", "words"] == "its result came only after the finding of 2026-04-01"
    assert drive.loc["failed", "words"] == "failed while no alarm stood"
    early = record_of(known, spell("M1/final drive", "2026-03-25", "2026-04-01", "finding", known="2026-03-30"))
    warned = early[early["compartment"] == "M1/final drive"]
    assert warned["words"].tolist() == ["failed before it was looked into"]
    # 500 h in the 7 days from bottle to failure; the result was there for the last 2 of them
    assert warned["lead_h"].tolist() == pytest.approx([500 * 2 / 7], abs=1e-9)


def test_lead_hours_are_never_negative(known) -> None:
    """F1 found at 3,900 h by a derived meter, though the bottle before it says 4,000 h."""
    out = record_of(known, spell("M1/engine", "2026-02-01", "2026-03-10", "finding"), f1=3900.0)
    assert out.loc[out["finding"] == "F1", "lead_h"].tolist() == [0.0]


def test_an_alarm_of_a_retired_machine_is_not_waited_for(known) -> None:
    out = record_of(known, spell("M2/engine", "2025-11-01", None, ""), spell("M1/hydraulic", "2026-05-01", None, ""))
    said = out.set_index("compartment")
    assert said.loc["M2/engine", "outcome"] == "not looked into"
    assert said.loc["M2/engine", "words"].startswith("machine retired")
    assert said.loc["M1/hydraulic", "outcome"] == "waiting"
