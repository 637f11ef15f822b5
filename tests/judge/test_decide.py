"""States, alarms and orders from a hand-made posterior, so that every answer can be worked out by hand.

That an alarm stands until somebody looked or bottles speak against it, that a doubtful bottle adds a request and
replaces no order, and which findings ask to stop, is the design's own choice and common practice (no source)."""

from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from cmkit.judge.decide import Beside, Decisions, decide
from cmkit.judge.words import reason_line
from cmkit.wear.evidence import EVIDENCE

FIRST = pd.Timestamp("2026-01-01")
STEP = 30  # days between bottles, at 8 h a day 240 h
Story = Callable[..., Decisions]


def bottle(
    p: float = 0.01,
    good: float = 0.97,
    doubt: str = "p_rich",
    cause: str = "coolant leak",
    phase: str = "clear",
    **more: float,
) -> dict:
    """One bottle's chances: p of a fault, all of it of one cause and phase; what is not good is one doubt."""
    phases = {f"p_{name}": p if name == phase else 0.0 for name in ("early", "clear", "severe")}
    odd = dict.fromkeys(("p_rich", "p_dirt", "p_other"), 0.0) | {doubt: 1 - good}
    chances = {"p_fault": p, "p_good": good, "cause": cause, "p_cause": p, "second_cause": "", "p_second": 0.0}
    return chances | phases | odd | more


@pytest.fixture
def story(make_fleet) -> Story:
    """`story([bottle(...), ...])` judged 10 days after the last bottle; results known 7 days after drawing."""

    def tell(
        bottles: list[dict], rules: dict[int, list[tuple]] | None = None, findings: tuple = (), services: tuple = (),
        kind: str = "engine",
        today: int | None = None, contributions: tuple = (), results: dict[str, list[float]] | None = None,
        settings: dict | None = None,
        hypotheses: pd.DataFrame | None = None, doubts: pd.DataFrame | None = None,
    ) -> Decisions:  # fmt: skip
        n = len(bottles)
        drawn = [FIRST + pd.Timedelta(days=STEP * i) for i in range(n)]
        samples = [{"sample": f"s{i}", "compartment": "M/c", "drawn_on": d, "reported_on": d + pd.Timedelta(days=7),
            "meter_h": 240.0 * i,
                    **{name: values[i] for name, values in (results or {}).items()}} for i,
                    d in enumerate(drawn)]  # fmt: skip
        day = FIRST + pd.Timedelta(days=(n - 1) * STEP + 10 if today is None else today)
        known = make_fleet(
            settings=settings or {}, sites=[{"site": "S", "downtime_cost_per_h": 100}],
            machines=[{"machine": "M", "site": "S", "kind": "wheel loader"}],
            compartments=[{"compartment": "M/c", "machine": "M", "kind": kind, "sample_every_h": 250, "family": kind}],
            samples=samples,
            findings=[{"finding": f"F{d}", "compartment": "M/c", "found_on": FIRST + pd.Timedelta(days=d),
            "outcome": o} for d, o in findings],
            services=[{"service": f"W{d}", "compartment": "M/c", "done_on": FIRST + pd.Timedelta(days=d),
            "kind": k} for d, k in services],
        ).as_of(day)  # fmt: skip
        chances = pd.DataFrame([
            {"sample": f"s{i}", "compartment": "M/c", "kind": kind, "life": 1, "order": i, "drawn_on": drawn[i],
            "known_on": drawn[i] + pd.Timedelta(days=7),
             "run_h": 240.0 * i, **b} for i, b in enumerate(bottles)
        ])  # fmt: skip
        names = ["compartment", "sample", "about", "hypothesis", "chance", "p_early", "p_clear", "p_severe"]
        parts = pd.DataFrame([{"compartment": "M/c", "sample": s, "hypothesis": h, "analyte": a, "log_odds": x} for s,
            h, a, x in contributions],
                             columns=["compartment", "sample", "hypothesis", "analyte", "log_odds"])  # fmt: skip
        fired = [
            {"compartment": "M/c", "sample": f"s{i}", "drawn_on": drawn[i], "known_on": drawn[i] + pd.Timedelta(days=7),
            "analyte": a, "rule": rule,
             "value": v, "operator": op, "threshold": v, "unit": "", "state": state, "words": f"{a} {v:g} past its "
             f"limit" if a else "found low"}
            for i, given in (rules or {}).items() for a, rule, op, v, state in given
        ]  # fmt: skip
        use = pd.DataFrame(
            {
                "machine": ["M"],
                "h_per_day": [8.0],
                "last_read_on": [day],
                "last_run_h": [8.0 * (day - FIRST).days],
                "idle": [False],
            }
        )
        beside = Beside(
            rules=pd.DataFrame(fired, columns=EVIDENCE),
            exposure=chances[["sample"]].assign(meter_h=chances["run_h"] + 1000),
            use=use,
            expected=pd.DataFrame({"sample": ["s1"], "analyte": ["Fe_ppm"], "expected": [40.0]}),
            doubts=doubts,
        )
        told = SimpleNamespace(
            bottle_chances=chances, contributions=parts,
            hypotheses=pd.DataFrame(columns=names).astype(dict.fromkeys(names[4:],
            float)) if hypotheses is None else hypotheses,
        )  # fmt: skip
        return decide(known, told, beside)

    return tell


def verdict(decided: Decisions) -> pd.Series:
    return decided.verdicts.iloc[0]


def order(decided: Decisions) -> pd.Series:
    assert len(decided.orders) == 1
    return decided.orders.iloc[0]


FUEL = ("fuel_pct", "maker limit", ">=", 6.0, "alarm")
WATER = ("water_ppm", "condition", ">=", 2500.0, "alarm")
SOOT_ALERT = ("soot_pct", "condition", ">=", 3.5, "alert")
LOW = ("", "low level", "is", np.nan, "alert")


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


def test_a_normal_repeat_clears_and_says_so(story: Story) -> None:
    out = story([bottle(), bottle(0.2, good=0.1), bottle(0.02)])
    assert verdict(out)["state"] == "clear"
    assert "the repeat bottle of 2026-03-02 is normal" in verdict(out)["settled_by"]
    assert "2026-01-31 was doubtful (drawn from bottom or drain)" in verdict(out)["reason"]
    assert len(out.orders) == 0


def test_an_alarm_that_only_a_doubtful_bottle_raised_ends_with_one_normal_repeat(story: Story) -> None:
    out = story([bottle(), bottle(0.7, good=0.3), bottle(0.02)])
    assert verdict(out)["state"] == "clear"
    assert out.spells["closed_by"].tolist() == ["normal repeat"]
    assert out.spells["closed_sample"].tolist() == ["s2"]


def test_an_alarm_stands_until_a_good_bottle_speaks_against_it(story: Story) -> None:
    weaker = story([bottle(), bottle(0.8), bottle(0.35)])
    assert verdict(weaker)["state"] == "alarm"
    assert verdict(weaker)["missing"] == "a look inside, or a good bottle with a chance below 30 %"
    assert order(weaker)["cause"] == "coolant leak"
    against = story([bottle(), bottle(0.8), bottle(0.35), bottle(0.05)])
    assert verdict(against)["state"] == "clear"
    assert verdict(story([bottle(), bottle(0.8), bottle(0.25)]))["state"] == "alert"  # settled, and still watched
    assert "a good bottle since speaks against it" in verdict(against)["settled_by"]
    assert against.spells["closed_by"].tolist() == ["clear bottles"]
    assert against.spells["closed_on"].tolist() == [
        FIRST + pd.Timedelta(days=3 * STEP + 7)
    ]  # when that result was known


TWO = {"judge": {"settle_bottles": 2}}


def test_a_fleet_may_want_two_good_bottles_in_a_row(story: Story) -> None:
    one = story([bottle(), bottle(0.8), bottle(0.05)], settings=TWO)
    assert verdict(one)["state"] == "alarm"
    assert order(one)["cause"] == "coolant leak"  # the order of the alarm, not of what is likeliest now
    assert "2 good bottles" not in verdict(one)["missing"]
    two = story([bottle(), bottle(0.8), bottle(0.05), bottle(0.05)], settings=TWO)
    assert "2 good bottles in a row speak against it" in verdict(two)["settled_by"]


def test_five_clear_bottles_settle_whatever_raised_the_alarm(story: Story) -> None:
    """Chance of any cause and phase, and a maker's limit."""
    for cause, phase in (("coolant leak", "severe"), ("dirt entry", "early"), ("unnamed change", "clear")):
        out = story([bottle(), bottle(0.97, cause=cause, phase=phase), *[bottle(0.05)] * 5])
        assert verdict(out)["state"] == "clear"
    assert verdict(story([bottle(), bottle(0.02), *[bottle(0.02)] * 5], rules={1: [FUEL]}))["state"] == "clear"


def test_a_doubtful_clear_bottle_settles_nothing_and_breaks_nothing(story: Story) -> None:
    assert verdict(story([bottle(0.8), bottle(0.05), bottle(0.05, good=0.2)], settings=TWO))["state"] == "alarm"
    assert (
        verdict(story([bottle(0.8), bottle(0.05), bottle(0.05, good=0.2), bottle(0.05)], settings=TWO))["state"]
        == "clear"
    )


def test_a_good_alert_between_starts_the_count_again(story: Story) -> None:
    assert verdict(story([bottle(0.8), bottle(0.05), bottle(0.35), bottle(0.05)], settings=TWO))["state"] == "alarm"


def test_a_steady_severe_fault_never_falls_while_nobody_looked(story: Story) -> None:
    bottles = [bottle(), bottle(0.6), *[bottle(0.97, phase="severe")] * 8]
    for n in range(2, len(bottles) + 1):
        out = story(bottles[:n])
        assert verdict(out)["state"] == "alarm"
        assert verdict(out)["since"] == FIRST + pd.Timedelta(days=STEP)
        assert out.spells["bottles"].tolist() == [n - 1]


def test_five_bottles_after_an_alarm_no_repeat_is_asked_for(story: Story) -> None:
    for cause in ("coolant leak", "dirt entry", "unnamed change"):
        for phase in ("early", "clear"):
            out = story([bottle(), *[bottle(0.7, cause=cause, phase=phase)] * 5])
            assert "repeat" not in verdict(out)["todo"]
            assert order(out)["group"] != "repeat bottle"
            assert verdict(out)["asks"] == "sooner"


def test_a_first_early_alarm_asks_for_a_repeat_beside_its_work(story: Story) -> None:
    out = story([bottle(), bottle(0.7, phase="early")])
    assert order(out)["group"] == "pressure test"
    assert order(out)["request"] == "Take a repeat bottle as well."


@pytest.mark.parametrize(
    ("outcome", "state", "words"),
    [
        ("no defect", "clear", "nothing wrong found"),
        ("defect", "not known", "defect found"),
        ("failed", "not known", "failed"),
    ],
)
def test_a_look_settles_an_alarm(make_fleet, story: Story, outcome: str, state: str, words: str) -> None:
    after = pd.DataFrame([{"compartment": "M/c", "sample": "s1", "about": "compartment", "hypothesis": "coolant leak",
        "chance": 0.05,
                           "p_early": 0.05, "p_clear": 0.0, "p_severe": 0.0}])  # fmt: skip
    out = story([bottle(), bottle(0.8)], findings=((35, outcome),), hypotheses=after)
    assert verdict(out)["state"] == state
    assert words in verdict(out)["reason"]
    assert out.spells["closed_by"].tolist() == ["finding"]


def test_results_that_outweigh_a_look_keep_an_alert(story: Story) -> None:
    still = pd.DataFrame([{"compartment": "M/c", "sample": "s1", "about": "compartment", "hypothesis": "coolant leak",
        "chance": 0.9,
                           "p_early": 0.0, "p_clear": 0.0, "p_severe": 0.9}])  # fmt: skip
    out = story([bottle(), bottle(0.98, phase="severe")], findings=((35, "no defect"),), hypotheses=still)
    assert verdict(out)["state"] == "alert"
    assert "the results before it still say 90 %" in verdict(out)["reason"]
    assert verdict(out)["asks"] == "repeat"
    assert order(out)["group"] == "pressure test"  # as likely as an alarm: a second look by what confirms it
    assert order(out)["work"].startswith("Look again by another way: pressure test of the cooling system")
    assert order(out)["request"] == "Take a bottle now: it is to show whether the look missed something."
    less = story([bottle(), bottle(0.98, phase="severe")], findings=((35, "no defect"),),
        hypotheses=still.assign(chance=0.3, p_severe=0.3))  # fmt: skip
    assert order(less)["group"] == "repeat bottle"


def test_a_look_before_the_alarm_or_on_its_day(story: Story) -> None:
    """A bottle is drawn before the work of its day: the look of day 30 answers the bottle of day 30."""
    assert verdict(story([bottle(), bottle(0.8)], findings=((20, "no defect"),)))["state"] == "alarm"
    assert verdict(story([bottle(0.8), bottle(0.8)], findings=((30, "defect"),)))["state"] == "not known"


def test_a_replaced_component_is_not_known(story: Story) -> None:
    out = story([bottle(), bottle(0.8)], services=((35, "replace"),))
    assert verdict(out)["state"] == "not known"
    assert verdict(out)["asks"] == "first"
    assert np.isnan(verdict(out)["chance"])


def test_a_limit_of_the_fluid_ends_with_the_change_and_one_normal_bottle(story: Story) -> None:
    spent = {1: [("oxidation_Acm", "condition", ">=", 30.0, "alarm")]}
    assert verdict(story([bottle(), bottle(), bottle()], rules=spent))["state"] == "alarm"
    changed = story([bottle(), bottle(), bottle()], rules=spent, services=((45, "change"),))
    assert verdict(changed)["state"] == "clear"
    assert changed.spells["closed_by"].tolist() == ["fluid change"]
    fuel = story([bottle(), bottle(), bottle()], rules={1: [FUEL]}, services=((45, "change"),))
    assert verdict(fuel)["state"] == "alarm"  # a change does not mend an injector


def test_an_old_bottle_says_nothing_of_today(story: Story) -> None:
    assert verdict(story([bottle()], today=62))["state"] == "clear"  # 496 h old, two intervals are 500 h
    out = story([bottle()], today=63)
    assert verdict(out)["state"] == "not known"
    assert "504 h old, sampled every 250 h" in verdict(out)["reason"]
    assert verdict(story([bottle(0.8)], today=200))["state"] == "alarm"  # an alarm nobody looked into does not grow old


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
