"""The closed loop: every policy meets the same faults, orders do what they say, and money is
counted as it was spent.
"""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from cmkit.records.fleet import Fleet
from cmkit.simulate.closed_loop import CHANGE, EVERY, LOOK, REPEAT, SOONER, no_orders, run_closed_loop, smaller
from cmkit.simulate.recipe import demo_recipe

FIRST_ON = date(2024, 4, 1)


@pytest.fixture(scope="module")
def recipe():
    """Two machines of two sites, ten months, many faults, an office that carries out every order and an operator who
    notices nothing.
    """
    plain = smaller(demo_recipe(), ["RH-01", "WL-05"])
    kinds = {name: replace(kind, fault_per_h=8 * kind.fault_per_h) for name, kind in plain.compartments.items()}
    office = replace(plain.office, acted=1.0, found=1.0, noticed_per_day=0.0)
    return replace(plain, compartments=kinds, office=office, months=10)


def nobody(known: Fleet, day: pd.Timestamp) -> pd.DataFrame:
    return no_orders()


def order_all(act: str, value: float = np.nan):
    """A policy that orders one act for every compartment, always."""

    def policy(known: Fleet, day: pd.Timestamp) -> pd.DataFrame:
        return known.compartments[["compartment"]].assign(act=act, value=value)

    return policy


@pytest.fixture(scope="module")
def idle(recipe):
    return run_closed_loop(recipe, nobody, first_on=FIRST_ON, every_days=14)


@pytest.fixture(scope="module")
def looking(recipe):
    return run_closed_loop(recipe, order_all(LOOK), first_on=FIRST_ON, every_days=14)


def faults_of(loop) -> pd.DataFrame:
    return loop.truth["faults"].set_index(["compartment", "cause", "onset_h"])[["delay_h"]]


def test_faults_are_the_same_whatever_is_ordered(idle, looking):
    """Onset, cause and delay of every fault that both runs met, and of the first one of every compartment."""
    both = faults_of(idle).join(faults_of(looking).rename(columns={"delay_h": "delay_h_looking"}), how="inner")
    assert len(both) >= 5
    np.testing.assert_array_equal(both["delay_h"], both["delay_h_looking"])
    first = {name: loop.truth["faults"].groupby("compartment")["onset_h"].min() for name,
        loop in (("idle", idle), ("looking", looking))}  # fmt: skip
    pd.testing.assert_series_equal(first["idle"], first["looking"])


def test_the_months_before_the_first_decision_are_the_same(idle, looking):
    for name, day in (("samples", "drawn_on"), ("services", "done_on"), ("findings", "found_on")):
        before = [loop.tables[name][loop.tables[name][day] < pd.Timestamp(FIRST_ON)] for loop in (idle, looking)]
        pd.testing.assert_frame_equal(before[0].reset_index(drop=True), before[1].reset_index(drop=True))


def test_looking_everywhere_every_fortnight_leaves_few_failures_and_many_looks_in_vain(idle, looking):
    assert idle.outcome["failures"].sum() >= 4
    assert looking.outcome["failures"].sum() < idle.outcome["failures"].sum() / 2
    assert looking.outcome["repairs"].sum() > 0
    assert looking.outcome["looks_in_vain"].sum() > 50
    assert idle.outcome[["looks_in_vain", "repairs", "noticed", "repeats"]].sum().sum() == 0


def test_findings_say_which_bottle_prompted_the_look(looking):
    prompted = looking.tables["findings"].query("outcome != 'failed'")["prompted_by"]
    known = looking.tables["samples"]["sample"]
    assert prompted.dropna().isin(known).all()
    assert prompted.isin(known).mean() > 0.9


def test_money_is_what_was_spent(idle, recipe):
    """Cost of one compartment by hand: failures, bottles and lost production at the recipe's prices."""
    row = idle.outcome[idle.outcome["failures"] > 0].iloc[0]
    kind = recipe.compartments[row["kind"]]
    site = next(s for s in recipe.sites if s.site == row["site"])
    lost = row["failures"] * kind.failure_downtime_h
    sample_cost = {"engine": 38, "final drive": 38, "hydraulic": 42}.get(
        row["kind"], 45 if row["kind"] != "coolant" else None
    )
    bottles = row["cost"] - row["failures"] * kind.failure_cost - lost * site.downtime_cost_per_h
    assert row["downtime_h"] == lost
    if sample_cost is not None:
        assert bottles == pytest.approx(row["bottles"] * sample_cost)


def test_repeat_bottles_are_drawn_and_not_asked_for_twice(recipe, idle):
    loop = run_closed_loop(recipe, order_all(REPEAT), first_on=FIRST_ON, every_days=14)
    done = loop.orders[loop.orders["carried_out"]]
    assert loop.outcome["repeats"].sum() == pytest.approx(
        len(done), abs=15
    )  # a few of the last day, or joined with a round
    assert 0.3 < loop.orders["carried_out"].mean() < 1.0
    assert loop.outcome["bottles"].sum() > idle.outcome["bottles"].sum()


def test_intervals_and_changes_follow_the_orders(recipe, idle):
    twice = run_closed_loop(recipe, order_all(EVERY, 1000.0), first_on=FIRST_ON, every_days=60)
    assert twice.outcome["bottles"].sum() < 0.7 * idle.outcome["bottles"].sum()
    assert (twice.tables["compartments"]["sample_every_h"] == 1000).all()
    changed = run_closed_loop(recipe, order_all(CHANGE), first_on=FIRST_ON, every_days=60)
    fluid = [int((loop.tables["services"]["kind"] == "change").sum()) for loop in (idle, changed)]
    assert fluid[1] > fluid[0]
    assert changed.outcome["changes"].sum() > 0


def test_an_order_by_a_day_is_done_by_then(recipe):
    asked: list[pd.Timestamp] = []

    def tomorrow(known: Fleet, day: pd.Timestamp) -> pd.DataFrame:
        asked.append(day)
        return known.compartments[["compartment"]].head(1).assign(act=LOOK, by_day=day + pd.Timedelta(days=1))

    loop = run_closed_loop(recipe, tomorrow, first_on=FIRST_ON, every_days=60)
    found = loop.tables["findings"].query("outcome != 'failed'")["found_on"]
    assert set(found) <= {day + pd.Timedelta(days=1) for day in asked}
    assert len(found) >= 2


@pytest.mark.slow
def test_a_bottle_asked_for_sooner_is_drawn_at_its_hours(recipe, idle):
    """Wanted 60 h after the last one, of one final drive, always: two bottles in a row lie 60 h apart, or the hours of
    the day more.
    """
    place = idle.outcome.query("kind == 'final drive'")["compartment"].iloc[0]

    def policy(known: Fleet, day: pd.Timestamp) -> pd.DataFrame:
        return pd.DataFrame({"compartment": [place], "act": SOONER, "value": 60.0})

    loop = run_closed_loop(recipe, policy, first_on=FIRST_ON, every_days=1)
    drawn = loop.tables["samples"].query("compartment == @place and drawn_on > @FIRST_ON.isoformat()")
    early = drawn["note"] == "asked for sooner"
    assert early.sum() >= 5
    true = loop.truth["samples"].set_index("sample")["run_h"].reindex(drawn["sample"])
    apart = true.diff()[early.to_numpy()].dropna()
    assert (apart >= 60).all()
    assert len(drawn) > idle.outcome.set_index("compartment").loc[place, "bottles"]


def test_a_policy_sees_what_is_known_on_the_day_and_nothing_later(recipe):
    late: list[bool] = []

    def watch(known: Fleet, day: pd.Timestamp) -> pd.DataFrame:
        late.append(bool((known.samples["reported_on"] > day).any() or (known.findings["recorded_on"] > day).any()))
        assert len(known.as_of(day).samples) > 0
        return no_orders()

    run_closed_loop(recipe, watch, first_on=FIRST_ON, every_days=30)
    assert len(late) >= 6
    assert not any(late)


@pytest.mark.parametrize(
    ("orders", "words"),
    [
        ({"compartment": ["RH-01/engine"]}, "no column act"),
        ({"compartment": ["RH-01/engine"], "act": ["polish"]}, "found act 'polish'"),
        ({"compartment": ["XX-01/engine"], "act": [LOOK]}, "'XX-01/engine' is not in the fleet"),
        ({"compartment": ["RH-01/engine"], "act": [EVERY]}, "needs a value"),
        ({"compartment": ["RH-01/engine"], "act": [SOONER], "value": [0.0]}, "'sample sooner' needs a value"),
    ],
)
def test_orders_that_cannot_be_are_refused(recipe, orders, words):
    with pytest.raises(ValueError, match=words):
        run_closed_loop(replace(recipe, months=4), lambda known, day: pd.DataFrame(orders), first_on=FIRST_ON)
