"""The plan of a round, worked by hand on a calendar: 30 June 2026 is a Tuesday. Days of work, early share and order are
our own choices.
"""

from collections import Counter

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cmkit.practice.visits import MAX_VISITS, plan_visits

DATE = pd.Timestamp("2026-06-30")
BOTTLE = {"machine": "M1", "site": "S", "why": "routine", "every_h": 500.0, "overdue_h": 0.0, "due_meter_h": 600.0,
    "h_per_day": 10.0}  # fmt: skip


def bottles(*rows: dict) -> pd.DataFrame:
    frame = pd.DataFrame([BOTTLE | {"compartment": f"C{i}"} | row for i, row in enumerate(rows)])
    return frame.assign(due_on=pd.to_datetime(frame["due_on"]).astype("datetime64[us]"))


def plan(*rows: dict, per_week: float = 0, days: int = 31) -> pd.DataFrame:
    return plan_visits(bottles(*rows), DATE, days, per_week, tolerance=0.1)


def days_of(made: pd.DataFrame) -> list[str]:
    return [f"{d:%m-%d}" for d in made["plan_on"]]


def test_an_interval_shorter_than_the_round_has_further_visits() -> None:
    """100 h at 10 h a day is 10 days: 3, 13 and 23 July; 2 August is past the round."""
    made = plan({"due_on": "2026-07-03", "every_h": 100.0})
    assert days_of(made) == ["07-03", "07-13", "07-23"]
    assert made["visit"].tolist() == [1, 2, 3]
    assert made["due_meter_h"].tolist() == [600, 700, 800]


def test_an_overdue_bottle_counts_on_from_the_day_it_is_drawn() -> None:
    """Due at 600 h and 40 h past it on 30 June; drawn on 1 July at 650 h, so due again at 750 h, ten days later."""
    made = plan({"due_on": DATE, "every_h": 100.0, "overdue_h": 40.0}).iloc[:2]
    assert days_of(made) == ["07-01", "07-10"]  # 11 July is a Saturday
    assert made["due_meter_h"].tolist() == [600, 750]
    assert made["due_on"].tolist()[1] == pd.Timestamp("2026-07-11")


def test_bottles_of_one_machine_due_near_one_another_are_drawn_together() -> None:
    made = plan({"due_on": "2026-07-08"}, {"due_on": "2026-07-10"}, {"due_on": "2026-07-10", "machine": "M2"})
    assert made.set_index("compartment")["plan_on"].dt.day.to_dict() == {"C0": 8, "C1": 8, "C2": 10}


def test_the_day_before_a_weekend_not_the_day_after() -> None:
    assert days_of(plan({"due_on": "2026-07-05"})) == ["07-03"]  # a Sunday


def test_urgent_bottles_take_the_first_days_and_are_never_left_for_routine_ones() -> None:
    """Two a week: five weeks and a part have room for floor(2 x 31 / 7) = 8 of 12."""
    rows = [{"due_on": DATE, "overdue_h": 90.0, "machine": f"R{i}"} for i in range(6)]
    rows += [{"due_on": DATE, "why": "repeat after alarm", "machine": f"U{i}"} for i in range(6)]
    made = plan(*rows, per_week=2)
    urgent = made[made["why"] == "repeat after alarm"]
    routine = made[made["why"] == "routine"]
    assert not urgent["later"].any()
    assert (~routine["later"]).sum() == 8 - 6
    assert urgent["plan_on"].max() < routine["plan_on"].min()


def test_no_site_waits_for_another() -> None:
    rows = [{"due_on": DATE, "machine": f"A{i}", "site": "A", "overdue_h": 99.0} for i in range(10)]
    rows += [{"due_on": DATE, "machine": f"B{i}", "site": "B"} for i in range(10)]
    kept = plan(*rows, per_week=2).query("not later")
    assert kept["site"].value_counts().to_dict() == {"A": 4, "B": 4}


def test_a_machine_whose_pace_is_not_known_has_one_visit() -> None:
    made = plan({"due_on": DATE, "h_per_day": float("nan"), "every_h": 10.0})
    assert days_of(made) == ["07-01"]


def test_nothing_wanted_gives_an_empty_plan() -> None:
    made = plan_visits(bottles({"due_on": DATE}).iloc[:0], DATE, 31, 5, 0.1)
    assert len(made) == 0
    assert {"plan_on", "visit", "later"} <= set(made.columns)


ROW = st.fixed_dictionaries(
    {
        "due_on": st.integers(0, 31).map(lambda n: DATE + pd.Timedelta(days=n)),
        "machine": st.sampled_from(["M1", "M2", "M3"]),
        "site": st.sampled_from(["A", "B"]),
        "why": st.sampled_from(["routine", "repeat after alarm", "never sampled"]),
        "every_h": st.sampled_from([50.0, 250.0, 500.0]),
        "h_per_day": st.sampled_from([5.0, 20.0]),
    }
)


@settings(max_examples=40, deadline=None)
@given(st.lists(ROW, min_size=1, max_size=25), st.sampled_from([0, 0.5, 3, 12]))
def test_a_plan_keeps_its_promises(rows: list[dict], per_week: float) -> None:
    """Nothing lost, nothing past the crews' capacity, nothing on a weekend, nothing far too early; visits in order."""
    made = plan(*rows, per_week=per_week)
    assert sorted(made.loc[made["visit"] == 1, "compartment"]) == sorted(f"C{i}" for i in range(len(rows)))
    assert made["visit"].max() <= MAX_VISITS
    drawn = made[~made["later"]]
    assert (drawn["plan_on"].dt.day_of_week < 5).all()
    assert (drawn["plan_on"] > DATE).all()
    assert (drawn["plan_on"] <= DATE + pd.Timedelta(days=31)).all()
    early = (drawn["due_on"] - drawn["plan_on"]).dt.days
    assert (early <= 0.25 * drawn["every_h"] / drawn["h_per_day"]).all()
    assert (drawn.sort_values("visit").groupby("compartment")["plan_on"].diff().dropna().dt.days > 0).all()
    if per_week:
        weeks = Counter(((drawn["plan_on"] - DATE).dt.days - 1) // 7)
        assert max(weeks.values(), default=0) <= -(-per_week // 1)
        assert drawn.groupby("plan_on")["machine"].nunique().max() <= -(-per_week // 5) if len(drawn) else True
        assert len(drawn) <= per_week * 31 / 7 + 1e-9


def test_a_machine_that_is_past_due_is_visited_once() -> None:
    """Five bottles of one machine past due, and one of another, where crews draw ten a week: two days, not six."""
    late = [{"due_on": DATE - pd.Timedelta(days=n), "machine": "M1"} for n in range(5)]
    made = plan(*late, {"due_on": DATE, "machine": "M2"}, per_week=10)
    first = made[made["visit"] == 1]
    assert first.groupby("machine")["plan_on"].nunique().to_dict() == {"M1": 1, "M2": 1}


@pytest.mark.parametrize("per_week", [5, 40])
def test_a_full_week_is_used(per_week: float) -> None:
    """As many bottles as a week has room for, due at once, are drawn in the first seven days."""
    made = plan(*[{"due_on": DATE, "machine": f"M{i}"} for i in range(per_week)], per_week=per_week)
    assert (made["plan_on"] <= DATE + pd.Timedelta(days=7)).all()
