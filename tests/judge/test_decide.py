"""States, alarms and orders from a hand-made posterior, so that every answer can be worked out by hand.

That a doubtful bottle adds a request and replaces no order, and which findings ask to stop, is the design's own choice and common
practice (no source).
"""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from cmkit.judge.decide import Beside, decide
from cmkit.judge.words import reason_line
from cmkit.wear.evidence import EVIDENCE
from tests.judge.stories import FIRST, FUEL, LOW, SOOT_ALERT, STEP, WATER, Story, bottle, order, verdict


@pytest.mark.parametrize(
    ("p", "state"),
    [(0.0, "clear"), (0.149, "clear"), (0.15, "alert"), (0.399, "alert"), (0.4, "alarm"), (1.0, "alarm")],
)
def test_state_by_chance(story: Story, p: float, state: str) -> None:
    assert verdict(story([bottle(), bottle(p)]))["state"] == state


@pytest.mark.parametrize(("p", "good", "state"), [(0.45, 0.9, "alarm"), (0.45, 0.89, "alert"), (0.5, 0.89, "alarm")])
def test_a_bottle_that_may_not_be_its_own_needs_a_larger_chance(
    story: Story, p: float, good: float, state: str
) -> None:
    out = story([bottle(), bottle(p, good=good)])
    assert verdict(out)["state"] == state
    assert (out.spells["sample"].tolist() == ["s1"]) == (state == "alarm")


def test_thresholds_are_the_fleets_own(story: Story) -> None:
    assert verdict(story([bottle(0.3)], settings={"judge": {"alarm": 0.25}}))["state"] == "alarm"
    assert verdict(story([bottle(0.3)], settings={"judge": {"alert": 0.32}}))["state"] == "clear"


def test_a_makers_alarm_limit_is_an_alarm_by_itself(story: Story) -> None:
    out = story([bottle(), bottle(0.02)], rules={1: [FUEL]})
    assert verdict(out)["state"] == "alarm"
    assert order(out)["cause"] == "fuel dilution"
    assert order(out)["severity"] == "clear"
    assert np.isnan(order(out)["chance"])
    assert "fuel_pct 6 past its limit" in verdict(out)["reason"]


def test_an_alert_limit_is_an_alert(story: Story) -> None:
    assert verdict(story([bottle()], rules={0: [SOOT_ALERT]}))["state"] == "alert"


def test_an_alert_of_common_practice_that_costs_more_than_waiting_waits(story: Story) -> None:
    """A check of the oil costs more than 1 % of a failure soon to be seen again; a maker's limit, and what must not
    wait (soot, water, fuel, coolant), keep their work whatever it costs.
    """
    thick = ("visc40_cSt", "condition", ">=", 116.0, "alert")
    out = story([bottle()], rules={0: [thick]})
    assert (order(out)["group"], order(out)["choice"]) == ("next bottle", "wait")
    assert order(out)["cost_wait"] < order(out)["cost_look"]
    assert "visc40_cSt 116 past its limit" in verdict(out)["reason"]
    for rule in (
        ("visc40_cSt", "maker limit", ">=", 116.0, "alert"),
        ("visc40_cSt", "condition", ">=", 130.0, "alarm"),
    ):
        assert order(story([bottle()], rules={0: [rule]}))["group"] == "fluid"
    assert order(story([bottle()], rules={0: [SOOT_ALERT]}))["group"] != "next bottle"


def test_a_reason_names_each_result_once() -> None:
    row = SimpleNamespace(
        case="alarm",
        state="alarm",
        cause="thickened oil",
        kind="engine",
        chance=0.9,
        p_cause=0.9,
        doubt="",
        p_doubt=0.0,
    )
    seen = ["viscosity at 40 C 116 mm2/s where 100 was usual", "viscosity at 100 C 15 mm2/s where 14 was usual"]
    reasons = pd.DataFrame(
        {"hypothesis": "thickened oil", "log_odds": [3.0, 2.0], "analyte": ["visc40_cSt", "visc100_cSt"], "words": seen}
    )
    limit = "viscosity at 40 C 116 mm2/s, 16% above fresh (100 mm2/s); the usual limit is 10%"
    given = {"chance": 0.9, "cause": "thickened oil", "second_cause": ""}
    said = reason_line(row, given, reasons, [("visc40_cSt", limit), ("soot_pct", "soot 4 %, at or above 3.5 %")], 0.15)
    assert said.count("viscosity at 40 C") == 1
    assert "where 100 was usual and 16% above fresh (100 mm2/s), the usual limit is 10%" in said
    assert said.endswith("soot 4 %, at or above 3.5 %")


def test_a_limit_of_the_family_alone_is_none(story: Story) -> None:
    family = ("Fe_ppm", "family limit", ">=", 90.0, "alert")
    assert verdict(story([bottle()], rules={0: [family]}))["state"] == "clear"


def test_a_doubtful_bottle_adds_a_request_and_replaces_no_order(story: Story) -> None:
    """Sediment does not make fuel: the alarm stands. Water may come from the bottom: an alert, with its order and the
    request.
    """
    fuel = story([bottle(), bottle(0.02, good=0.2)], rules={1: [FUEL]})
    assert verdict(fuel)["state"] == "alarm"
    assert order(fuel)["group"] == "fuel system"
    assert "repeat bottle" in order(fuel)["request"]
    water = story([bottle(), bottle(0.02, good=0.2)], rules={1: [WATER]})
    assert verdict(water)["state"] == "alert"
    assert order(water)["cause"] == "water without coolant"
    assert "repeat bottle" in order(water)["request"]
    assert verdict(water)["asks"] == "repeat"


def test_iron_past_its_limit_in_a_bottle_from_the_bottom_is_no_alarm(story: Story) -> None:
    iron = ("Fe_ppm", "maker limit", ">=", 300.0, "alarm")
    assert verdict(story([bottle(), bottle(0.02, good=0.2)], rules={1: [iron]}))["state"] == "not known"
    assert verdict(story([bottle(), bottle(0.02)], rules={1: [iron]}))["state"] == "alarm"


def test_a_doubtful_bottle_of_a_sound_compartment_asks_for_a_repeat(story: Story) -> None:
    out = story([bottle(), bottle(0.05, good=0.1, doubt="p_dirt")])
    assert verdict(out)["state"] == "not known"
    assert verdict(out)["asks"] == "repeat"
    assert order(out)["group"] == "repeat bottle"
    assert order(out)["cause"] == "dirt in the bottle"
    assert verdict(out)["reason"].startswith("90 % that dirt was in the bottle or the pump")


def test_a_low_level_is_a_leak_to_find(story: Story) -> None:
    once = story([bottle()], rules={0: [LOW]}, kind="final drive")
    assert verdict(once)["state"] == "alert"
    assert order(once)["group"] == "find the leak"
    again = story([bottle(), bottle()], rules={0: [LOW], 1: [(*LOW[:4], "alarm")]}, kind="final drive")
    assert verdict(again)["state"] == "alarm"
    assert order(again)["severity"] == "clear"


def test_stop_only_where_a_severe_fault_is_more_likely_than_not(story: Story) -> None:
    severe = story([bottle(), bottle(0.9, phase="severe")])
    assert order(severe)["group"] == "stop and check"
    assert order(severe)["due_on"] == FIRST + pd.Timedelta(days=STEP + 7)
    mixed = story([bottle(), bottle(0.55, phase="severe", p_severe=0.4, p_clear=0.15)])
    assert order(mixed)["group"] == "pressure test"
    heavy = story([bottle()], rules={0: [("fuel_pct", "maker limit", ">=", 12.0, "alarm")]})
    assert order(heavy)["group"] == "stop and check"


def test_due_on_is_how_soon_after_the_result(story: Story) -> None:
    """Clear coolant leak: 14 days or 125 h; at 8 h a day 15 days, so the days bind."""
    out = story([bottle(), bottle(0.8)])
    assert order(out)["due_on"] == FIRST + pd.Timedelta(days=STEP + 7 + 14)
    later = story([bottle(), bottle(0.8), bottle(0.8), bottle(0.8)])
    assert order(later)["due_on"] == FIRST + pd.Timedelta(
        days=STEP + 7 + 30
    )  # the alarm's own day and the longest time: it does not slip


def test_a_second_cause_is_named_when_it_is_likely(story: Story) -> None:
    two = bottle(0.9, p_cause=0.6, second_cause="fuel dilution", p_second=0.3)
    out = story([bottle(), two])
    assert order(out)["second_cause"] == "fuel dilution"
    assert "30 % that fuel is getting into the oil" in verdict(out)["reason"]
    assert order(story([bottle(), two | {"p_second": 0.2}]))["second_cause"] == ""


def test_another_finding_keeps_its_work_beside_the_first(story: Story) -> None:
    out = story([bottle(), bottle(0.8)], rules={1: [FUEL]})
    assert order(out)["cause"] == "coolant leak"
    assert "Test injectors" in order(out)["also"]
    assert "Test injectors" in verdict(out)["todo"]


def test_what_needs_no_work_never_is_an_alarm(story: Story) -> None:
    out = story([bottle(), bottle(0.9, cause="copper leaching from the oil cooler")])
    assert verdict(out)["state"] == "alert"
    assert order(out)["group"] == "next bottle"


def test_the_reason_says_the_chance_and_the_results(story: Story) -> None:
    said = (
        ("s3", "coolant leak", "Na_ppm", 4.0),
        ("s3", "coolant leak", "K_ppm", 2.0),
        ("s3", "coolant leak", "Cu_ppm", -0.5),
    )
    results = {"Na_ppm": [6.0, 8.0, 8.0, 95.0], "K_ppm": [1.0, 1.0, 1.0, 31.0], "Cu_ppm": [5.0] * 4}
    out = story([bottle(), bottle(), bottle(), bottle(0.62)], contributions=said, results=results)
    assert (
        verdict(out)["reason"]
        == "62 % that coolant is getting in: sodium 95 ppm where 8 was usual, potassium 31 ppm where 1 was usual"
    )
    assert out.reasons["side"].tolist() == ["for", "for", "against"]
    assert out.reasons["log_odds"].sum() == pytest.approx(5.5, abs=1e-12)
    assert out.reasons["words"].tolist()[2] == "copper 5 ppm, as usual"
    assert order(out)["chance"] == 0.62


def test_reasons_add_up_over_the_bottles_of_the_alarm(story: Story) -> None:
    said = (
        ("s0", "coolant leak", "Na_ppm", 9.0),
        ("s1", "coolant leak", "Na_ppm", 2.0),
        ("s2", "coolant leak", "Na_ppm", 3.0),
    )
    out = story([bottle(), bottle(0.6), bottle(0.8)], contributions=said, results={"Na_ppm": [6.0, 40.0, 95.0]})
    assert out.reasons["log_odds"].tolist() == [5.0]  # s0 was before the alarm
    assert out.reasons["value"].tolist() == [95.0]
    assert out.reasons["n_bottles"].tolist() == [2]


def test_money_moves_the_order_of_an_alert_not_its_state(story: Story) -> None:
    """Severe at 8 h a day, 30-day interval: waiting costs more than a look; early: a repeat bottle is cheapest; at
    little money: wait.
    """
    severe, early = (story([bottle(), bottle(0.3, phase=p)]) for p in ("severe", "early"))
    assert [verdict(o)["state"] for o in (severe, early)] == ["alert", "alert"]
    assert order(severe)["choice"] == "look"
    assert order(early)["choice"] == "repeat"
    assert order(early)["group"] == "repeat bottle"
    cheap = story([bottle(), bottle(0.3, phase="early")],
        settings={"kinds": {"engine": {"planned_cost": 100.0, "failure_cost": 150.0,
        "failure_downtime_h": 24.0}}})  # fmt: skip
    assert order(cheap)["choice"] == "wait"
    assert order(cheap)["group"] == "next bottle"


def test_a_repeat_already_taken_is_not_asked_for_again(story: Story) -> None:
    out = story([bottle(), *[bottle(0.3, phase="early")] * 2])
    assert order(out)["choice"] in ("look", "wait")
    assert "repeat" not in verdict(out)["todo"]


def test_a_compartment_whose_bottles_stay_doubtful_is_drawn_another_way(story: Story) -> None:
    out = story([bottle(), *[bottle(0.05, good=0.2)] * 3])
    assert "no further repeat drawn the same way" in verdict(out)["todo"]


def test_a_compartment_without_a_bottle(story: Story, make_fleet) -> None:
    out = story([bottle()])
    empty = SimpleNamespace(bottle_chances=out.bottles.iloc[:0],
        hypotheses=pd.DataFrame(columns=["compartment", "about", "hypothesis", "chance", "p_early", "p_clear",
        "p_severe"]),
                            contributions=pd.DataFrame(columns=["compartment", "sample", "hypothesis", "analyte",
                            "log_odds"]))  # fmt: skip
    known = make_fleet(
        sites=[{"site": "S"}], machines=[{"machine": "M", "site": "S", "kind": "w"}],
        compartments=[{"compartment": "M/c", "machine": "M", "kind": "engine", "family": "engine"}],
    ).as_of("2026-03-01")  # fmt: skip
    use = pd.DataFrame({"machine": ["M"], "h_per_day": [np.nan], "last_read_on": [pd.NaT], "last_run_h": [np.nan],
        "idle": [False]}).astype({"last_read_on": "datetime64[us]"})  # fmt: skip
    beside = Beside(
        pd.DataFrame(columns=EVIDENCE),
        pd.DataFrame({"sample": [], "meter_h": []}),
        use,
        pd.DataFrame({"sample": [], "analyte": [], "expected": []}),
    )
    row = verdict(decide(known, empty, beside))
    assert (row["state"], row["reason"], row["asks"], row["todo"]) == (
        "not known",
        "no usable bottle yet",
        "first",
        "Take a first bottle.",
    )


def test_what_screening_doubts_asks_for_a_repeat_and_takes_no_weight_from_the_results(story: Story) -> None:
    doubt = pd.DataFrame({"sample": ["s1"], "doubt": ["fluid"], "probability": [0.9]})
    clear = story([bottle(), bottle()], doubts=doubt)
    assert (verdict(clear)["state"], order(clear)["cause"]) == ("not known", "another fluid")
    assert verdict(clear)["reason"].startswith("90 % that the bottle holds another fluid")
    alarm = story([bottle(), bottle()], doubts=doubt, rules={1: [("soot_pct", "maker limit", ">=", 6.0, "alarm")]})
    assert verdict(alarm)["state"] == "alarm"
    assert order(alarm)["cause"] == "soot"
    assert "compare it with fresh fluid" in order(alarm)["request"]
    assert verdict(story([bottle(), bottle()], doubts=doubt.assign(probability=0.2)))["state"] == "clear"
    units = story([bottle(), bottle()], doubts=doubt.assign(doubt="units"))
    assert "Ask the laboratory" in verdict(units)["todo"]


def test_where_no_cause_stands_out_the_whole_chance_is_said(story: Story) -> None:
    spread = bottle(0.43, p_cause=0.16, second_cause="fuel dilution", p_second=0.12)
    assert (
        verdict(story([bottle(), spread]))["reason"] == "16 % that coolant is getting in; 43 % that something is wrong"
    )
