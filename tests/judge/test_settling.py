"""What ends an alarm and what does not, from a hand-made posterior.

That an alarm stands until somebody looked or bottles speak against it is the design's own choice and common practice (no source).
"""

import numpy as np
import pandas as pd
import pytest

from tests.judge.stories import FIRST, FUEL, STEP, Story, bottle, order, verdict


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
