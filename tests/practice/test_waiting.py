"""Cost of waiting as the books show it: ranked by the money that acting now saves, marked where the
costs are assumed.
"""

from types import SimpleNamespace

import pandas as pd
import pytest

from cmkit.practice.waiting import WAITING, waiting_costs

PLACES = ["a", "b", "c", "d"]


@pytest.fixture
def known(make_fleet):
    return make_fleet(settings={"currency": "EUR"}).as_of("2026-06-30")


def decided(costs: dict[str, float]) -> SimpleNamespace:
    """Four compartments: `a` asked to repeat, `b` sooner, `c` routine, `d` clear; a failure costs 10,000 more, and
    fails is 0.1, 0.2, 0.3.
    """
    money = pd.DataFrame({"compartment": PLACES, "extra": 10000.0, "assumed": [True, False, True, True],
                          "hours_repeat": 50.0, "hours_sooner": 100.0, "hours_routine": 200.0,
                          "fails_repeat": 0.1, "fails_sooner": 0.2, "fails_routine": 0.3})  # fmt: skip
    verdicts = pd.DataFrame({"compartment": PLACES, "state": ["alarm", "alarm", "alert", "clear"],
        "chance": [0.9, 0.8, 0.3, 0.01], "asks": ["repeat", "sooner", "", ""]})  # fmt: skip
    orders = pd.DataFrame({"compartment": list(costs), "cost_of_act": list(costs.values())})
    return SimpleNamespace(verdicts=verdicts, money=money, orders=orders)


def test_ranked_by_what_acting_now_saves(known) -> None:
    """Waiting costs 1,000, 2,000 and 3,000; acting 300, 300 and 2,900: b saves most, then a, then c."""
    out = waiting_costs(known, decided({"a": 300.0, "b": 300.0, "c": 2900.0}))
    assert out.columns.tolist() == list(WAITING)
    assert out["compartment"].tolist() == ["b", "a", "c"]
    assert out["cost_of_waiting"].tolist() == pytest.approx([2000, 1000, 3000])
    assert out["saved"].tolist() == pytest.approx([1700, 700, 100])
    assert out["hours_ahead"].tolist() == [100, 50, 200]
    assert out["chance_defect"].tolist() == [0.8, 0.9, 0.3]


def test_the_words_say_chance_hours_money_and_whose_costs(known) -> None:
    out = waiting_costs(known, decided({"a": 300.0, "b": 300.0, "c": 300.0})).set_index("compartment")
    assert out.loc["a", "words"] == (
        "10 % that a fault is there and fails within 50 h; a failure costs 10,000 EUR more than a planned repair, "
        "acting now costs 300 EUR (assumed costs)"
    )
    assert "assumed" not in out.loc["b", "words"]


def test_nothing_raised_is_an_empty_table(known) -> None:
    quiet = decided({"a": 1.0})
    quiet.verdicts["state"] = "clear"
    assert len(waiting_costs(known, quiet)) == 0
