"""Policies of the closed loop on worked examples: who gets which order."""

import importlib.util
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import ModuleType

import pandas as pd
import pytest

from cmkit.practice.replay import alarm_record
from cmkit.simulate.closed_loop import CHANGE, EVERY, LOOK, REPEAT, SOONER, no_orders, run_closed_loop, smaller
from cmkit.simulate.recipe import demo_recipe
from cmkit.trust.hours import running_hours


@pytest.fixture(scope="module")
def policies(root: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location("policies", root / "tests/benchmarks/policies.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["policies"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def fleet():
    """Records of one machine after six months, as the closed loop hands them out."""
    seen = []

    def watch(known, day):
        seen.append((known, day))
        return no_orders()

    run_closed_loop(
        replace(smaller(demo_recipe(), ["RH-01"]), months=7), watch, first_on=date(2024, 7, 1), every_days=2000
    )
    return seen[0]


def with_newest(fleet, **values):
    """The fleet with other values on the newest bottle of the engine, and that bottle's number."""
    known, day = fleet
    samples = known.samples.copy()
    at = samples[samples["compartment"] == "RH-01/engine"].sort_values(["drawn_on", "sample"]).index[-1]
    for column, value in values.items():
        samples.loc[at, column] = value
    return replace(known, samples=samples), day, samples.loc[at, "sample"]


@pytest.mark.parametrize("name", ["fixed limits", "rate of change", "Shewhart levels", "Shewhart gains"])
def test_every_naive_rule_asks_for_a_repeat_and_then_for_a_look(policies, fleet, name):
    tried = policies.RULES[name]
    for note, act in (("", REPEAT), ("repeat bottle", LOOK)):
        known, day, sample = with_newest(fleet, Fe_ppm=4000.0, Cu_ppm=900.0, note=note)
        orders = policies.naive(tried.rule, tried.thresholds[1])(known, day).set_index("compartment")
        assert orders.loc["RH-01/engine", "act"] == act
        assert orders.loc["RH-01/engine", "sample"] == sample
    known, day, _ = with_newest(fleet, Fe_ppm=4000.0)
    assert (
        policies.naive(tried.rule, tried.thresholds[1], at_once=True)(known, day)
        .set_index("compartment")
        .loc["RH-01/engine", "act"]
        == LOOK
    )


@pytest.mark.parametrize("name", ["Shewhart levels", "Shewhart gains"])
def test_a_usual_bottle_is_left_alone(policies, fleet, name):
    known, day = fleet
    own = known.samples[known.samples["compartment"] == "RH-01/engine"]
    usual = {a: own[a].median() for a in policies._UP if own[a].notna().any()}
    tried = policies.RULES[name]
    changed, day, _ = with_newest(fleet, **usual)
    assert "RH-01/engine" not in set(policies.naive(tried.rule, tried.thresholds[-1])(changed, day)["compartment"])


def test_a_look_since_the_bottle_settles_it(policies, fleet):
    known, day, _ = with_newest(fleet, Fe_ppm=4000.0, note="repeat bottle")
    look = pd.DataFrame(
        {
            "finding": ["F1"],
            "compartment": ["RH-01/engine"],
            "found_on": [day],
            "outcome": ["no defect"],
            "recorded_on": [day],
        }
    )
    looked = replace(known, findings=pd.concat([known.findings, look.reindex(columns=known.findings.columns)]))
    orders = policies.naive(policies.fixed_limits, 0.99)(looked, day)
    assert "RH-01/engine" not in set(orders["compartment"])


def test_a_sealed_compartment_found_low_is_looked_into(policies, fleet):
    known, day = fleet
    samples = known.samples.copy()
    at = samples[samples["compartment"] == "RH-01/final drive/left"].sort_values("drawn_on").index[-1]
    samples.loc[at, "fluid_level"] = "low"
    orders = policies.naive(policies.shewhart_levels, 50.0)(replace(known, samples=samples), day)
    assert orders.set_index("compartment")["act"].to_dict() == {"RH-01/final drive/left": LOOK}


def test_orders_of_an_assessment_become_acts(policies):
    """Group and request of the orders table; early trouble of the fluid itself and the next bottle
    are nothing to do.
    """
    rows = [
        ("a", "look inside", "bearing wear", "clear", ""),
        ("b", "repeat bottle", "", "early", ""),
        ("c", "fluid", "soot", "severe", ""),
        ("d", "fluid", "soot", "early", ""),
        ("e", "fluid", "water entry", "clear", ""),
        ("f", "pressure test", "coolant leak", "clear", "Take a repeat bottle too."),
        ("g", "next bottle", "", "early", ""),
    ]
    orders = pd.DataFrame(rows, columns=["compartment", "group", "cause", "severity", "request"]).assign(
        due_on=pd.Timestamp("2025-03-01"), asks=["sooner", "repeat", "", "", "", "repeat", "sooner"]
    )
    done = policies.by_order(orders, pd.Series(125.0, index=list("abcdefg")))
    acts = done.groupby("compartment")["act"].agg(set).to_dict()
    assert acts == {"a": {LOOK, SOONER}, "b": {REPEAT}, "c": {CHANGE}, "e": {LOOK}, "f": {LOOK, REPEAT}, "g": {SOONER}}
    assert done.loc[done["act"] == SOONER, "value"].tolist() == [125.0, 125.0]


def test_chances_become_acts(policies):
    chances = pd.DataFrame({"compartment": list("aabcd"), "sample": list("12345"), "order": [0, 1, 0, 0, 0],
        "p_fault": [0.9, 0.1, 0.6, 0.2, 0.0], "p_good": [1, 1, 1, 1, 0.3]})  # fmt: skip
    acts = policies.by_chance(chances).set_index("compartment")["act"].to_dict()
    assert acts == {"b": LOOK, "c": REPEAT, "d": REPEAT}


def test_cmkits_own_policy_follows_its_orders_and_judges_again_on_news(policies, fleet, monkeypatch):
    """Metals many times the usual ask for work on that engine; without news the same orders stand."""
    known, day, _ = with_newest(fleet, Fe_ppm=900.0, Cr_ppm=90.0, Al_ppm=200.0, Si_ppm=300.0)
    ours = policies.Ours()
    first = ours(known, day)
    assert set(first.loc[first["compartment"] == "RH-01/engine", "act"]) & {LOOK, REPEAT}
    judged = []
    monkeypatch.setattr(ours, "judged", lambda part: judged.append(part) or no_orders())
    pd.testing.assert_frame_equal(ours(known, day), first)
    assert not judged
    work = known.services.iloc[[-1]].assign(service="W-new", kind="repair", done_on=day)
    later = replace(known, services=pd.concat([known.services, work], ignore_index=True))
    assert ours(later, day).empty
    assert list(judged[0].machines["machine"]) == ["RH-01"]


def test_the_intervals_it_advises_are_ordered_until_they_are_followed(policies, fleet):
    """The engine is sampled as advised and a final drive is not: only the second is news."""
    known, _ = fleet
    today = known.compartments.set_index("compartment")["sample_every_h"]
    ours, drive = policies.OursWithIntervals(), "RH-01/final drive/left"
    ours.advised = pd.Series({"RH-01/engine": today["RH-01/engine"], drive: 300.0})
    orders = ours.new_intervals(known)
    assert orders[["compartment", "act", "value"]].values.tolist() == [[drive, EVERY, 300.0]]
    places = known.compartments.assign(sample_every_h=today.replace(today[drive], 300.0).to_numpy())
    assert ours.new_intervals(replace(known, compartments=places)).empty
    assert policies.Ours().new_intervals(known).empty


def test_the_records_of_some_machines(policies):
    seen = []
    recipe = replace(smaller(demo_recipe(), ["RH-01", "WL-01"]), months=2)
    run_closed_loop(recipe, lambda known, day: seen.append(known) or no_orders(), first_on=date(2024, 2, 20),
    every_days=2000)  # fmt: skip
    part = policies.only(seen[0], pd.Index(["WL-01"]))
    assert set(part.machines["machine"]) == {"WL-01"}
    for name in ("compartments", "samples", "services"):
        rows = getattr(part, name)
        assert len(rows) == getattr(seen[0], name)["compartment"].str.startswith("WL-01").sum()
    assert "RH-01/engine" in part.elsewhere
    counted = policies.records_of(seen[0])
    pd.testing.assert_series_equal(policies.records_of(part), counted[["WL-01"]])


@pytest.fixture(scope="module")
def followed(policies):
    """Two machines with many faults whose office does what cmkit orders: the loop, the records of its last decision,
    and the record of its alarms.
    """
    plain = smaller(demo_recipe(), ["RH-01", "WL-05"])
    kinds = {name: replace(kind, fault_per_h=6 * kind.fault_per_h) for name, kind in plain.compartments.items()}
    office = replace(plain.office, acted=1.0, found=1.0, noticed_per_day=0.0)
    ours, seen = policies.Ours(), []

    def watched(known, day):
        seen.append((known, day))
        return ours(known, day)

    recipe = replace(plain, compartments=kinds, office=office, months=13)
    loop = run_closed_loop(recipe, watched, first_on=date(2024, 6, 1), every_days=42)
    known = seen[-1][0].as_of(seen[-1][1])
    hours = running_hours(known)
    spells = ours.state_of(known, hours).decided.spells
    return loop, known, alarm_record(known, spells, hours.findings[["finding", "run_h"]])


@pytest.mark.slow
def test_the_record_says_of_followed_orders_what_was_true(followed):
    """Every line of the record of a closed loop against the truth: what is confirmed was there, what was in vain was
    not, failures failed.
    """
    loop, known, record = followed
    faults = loop.truth["faults"]
    confirmed = record[record["outcome"] == "defect"]
    assert len(confirmed) >= 2
    assert set(confirmed["words"]) == {"confirmed"}
    ends = set(zip(faults["compartment"], pd.to_datetime(faults["ended_on"]), strict=True))
    assert set(zip(confirmed["compartment"], confirmed["found_on"], strict=True)) <= ends
    assert (confirmed["found_on"] >= confirmed["known_on"]).all()
    vain = record[record["outcome"] == "no defect"]
    assert set(vain["words"]) <= {"looked into, nothing wrong found"}
    for row in vain.itertuples():
        own = faults[faults["compartment"] == row.compartment]
        assert not (
            (pd.to_datetime(own["opened_on"]) < row.found_on) & (pd.to_datetime(own["ended_on"]) >= row.found_on)
        ).any()
    failed = record[record["outcome"] == "failed"]
    truly = faults[(faults["how"] == "failed") & (pd.to_datetime(faults["ended_on"]) < known.date)]
    assert len(failed) == len(truly)
    silent = failed[failed["alarm_on"].isna()]
    assert set(silent["words"]) <= {"failed while no alarm stood"}
    assert set(zip(failed["compartment"], failed["found_on"], strict=True)) <= ends
