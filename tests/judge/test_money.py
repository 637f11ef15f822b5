"""Chance of failure and cost of waiting, by hand and against scipy's distributions (scipy.stats run as a peer)."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import expon, weibull_min

from cmkit.judge.money import (
    Phases,
    chance_of_failure,
    cost_of_waiting,
    hours_to_next_result,
    turnaround_days,
    what_it_costs,
)
from cmkit.records.settings import default_judge

JUDGE = default_judge()


@pytest.mark.parametrize("hours", [0.0, 1.0, 100.0, 900.0, 5000.0])
def test_chance_of_failure_by_severity_against_scipy(hours: float) -> None:
    h, d = np.array([hours]), np.array([1200.0])
    one, none = np.array([1.0]), np.array([0.0])
    early = chance_of_failure(Phases(one, none, none), h, d, JUDGE)
    clear = chance_of_failure(Phases(none, one, none), h, d, JUDGE)
    severe = chance_of_failure(Phases(none, none, one), h, d, JUDGE)
    np.testing.assert_allclose(early, weibull_min.cdf(hours, 2, scale=1200), rtol=1e-12, atol=1e-15)
    np.testing.assert_allclose(clear, expon.cdf(hours, scale=1.2 * 1200), rtol=1e-12, atol=1e-15)
    np.testing.assert_allclose(severe, expon.cdf(hours, scale=0.6 * 1200), rtol=1e-12, atol=1e-15)
    mixed = chance_of_failure(Phases(0.2 * one, 0.3 * one, 0.1 * one), h, d, JUDGE)
    np.testing.assert_allclose(mixed, 0.2 * early + 0.3 * clear + 0.1 * severe, rtol=1e-12, atol=1e-15)


def test_worse_and_later_is_never_safer() -> None:
    hours, delay = np.linspace(0, 3000, 50), np.full(50, 1000.0)
    share, none = np.full(50, 0.4), np.zeros(50)
    clear = chance_of_failure(Phases(none, share, none), hours, delay, JUDGE)
    severe = chance_of_failure(Phases(none, none, share), hours, delay, JUDGE)
    assert (severe >= clear).all()
    assert (np.diff(clear) >= 0).all()
    assert severe.max() <= 0.4


@pytest.fixture
def known(make_fleet):
    samples = [
        {
            "sample": f"s{i}",
            "compartment": "M1/engine",
            "drawn_on": f"2026-05-{i + 1:02d}",
            "reported_on": f"2026-05-{i + 13:02d}",
            "Fe_ppm": 10.0,
        }
        for i in range(8)
    ]
    return make_fleet(
        settings={"sampling": {"turnaround_days": 5}, "judge": {"turnaround_bottles": 8},
        "kinds": {"engine": {"planned_cost": 10000.0, "failure_cost": 60000.0}}},
        sites=[{"site": "S", "downtime_cost_per_h": 100}, {"site": "T"}],
        machines=[{"machine": "M1", "site": "S", "kind": "w"}, {"machine": "M2", "site": "T", "kind": "w"}],
        compartments=[{"compartment": f"{m}/{k}", "machine": m, "kind": k, "family": k, "sample_every_h": 250} for m,
        k in (("M1", "engine"), ("M2", "final drive"))],
        samples=samples,
    ).as_of("2026-06-30")  # fmt: skip


@pytest.fixture
def use() -> pd.DataFrame:
    day = pd.Timestamp("2026-06-20")
    return pd.DataFrame(
        {
            "machine": ["M1", "M2"],
            "h_per_day": [10.0, 10.0],
            "last_read_on": [day, day],
            "last_run_h": [5000.0, 5000.0],
            "idle": [False, True],
        }
    )


@pytest.fixture
def places() -> pd.DataFrame:
    return pd.DataFrame(
        {"compartment": ["M1/engine", "M2/final drive"], "machine": ["M1", "M2"], "site": ["S", "T"],
        "kind": ["engine", "final drive"],
         "run_h": [5000.0, 4900.0], "p_early": [0.1, np.nan], "p_clear": [0.2, np.nan], "p_severe": [0.3, np.nan]}
    )  # fmt: skip


def test_turnaround_is_measured_where_there_are_bottles(known) -> None:
    assert turnaround_days(known).to_dict() == {"M1": 12.0, "M2": 5.0}


def test_hours_to_the_next_result(known, use, places) -> None:
    """M1 stands at 5,100 h: 100 h since its bottle; 12 days at 10 h a day until a result, 3.5 more until it is read,
    and 3 before a repeat is drawn. M2 stands still.
    """
    out = hours_to_next_result(known, places, use).set_index("compartment")
    assert out.loc["M1/engine"].tolist() == [30.0 + 155.0, 25.0 + 155.0, 150.0 + 155.0]
    assert out.loc["M2/final drive"].tolist() == [0.0, 25.0, 150.0]


def test_what_waiting_costs_by_hand(known, use, places) -> None:
    out = what_it_costs(known, places, use).set_index("compartment")
    row, kind = out.loc["M1/engine"], known.settings.kind("engine")
    extra = 60000 - 10000 + 100 * (kind.failure_downtime_h - kind.planned_downtime_h)
    fails = 0.1 * (1 - np.exp(-((180 / 900) ** 2))) + 0.2 * (1 - np.exp(-180 / 1080)) + 0.3 * (1 - np.exp(-180 / 540))
    assert row["extra"] == extra
    np.testing.assert_allclose(row["fails_sooner"], fails, rtol=1e-12)
    np.testing.assert_allclose(row["cost_wait"], fails * extra + 0.6 * kind.inspect_cost, rtol=1e-12)
    np.testing.assert_allclose(
        row["cost_look"], kind.inspect_cost + 0.4 * 3 * 100, rtol=1e-12
    )  # nothing there: 3 h at 100 an hour lost
    assert row["choice"] == "look"
    assert not row["assumed"]
    assert out.loc["M2/final drive", "assumed"]  # its costs are the package's own
    assert out.loc["M2/final drive", "cost_wait"] == 0


def test_cost_until_the_next_result_follows_what_is_asked_for(known, use, places) -> None:
    money = what_it_costs(known, places, use)
    for asks, hours in (("repeat", 185.0), ("sooner", 180.0), ("", 305.0), ("first", 305.0)):
        out = cost_of_waiting(money, pd.Series({"M1/engine": asks, "M2/final drive": ""})).set_index("compartment")
        assert out.loc["M1/engine", "hours_ahead"] == hours
        np.testing.assert_allclose(
            out.loc["M1/engine", "cost"], out.loc["M1/engine", "chance"] * money.loc[0, "extra"], rtol=1e-12
        )


def test_the_cheapest_of_three_by_hand(known, use, places) -> None:
    """2 h a day, so a repeat's result is read 37 h from now and the shortened interval's 156 h; the extra cost of a
    failure is 59,600.

    An early fault of chance .3: waiting 0.3 (1 - exp(-(156/900)^2)) 59,600 + 105 = 634; a look 350 + 0.7 x 3 h x 100 =
    560; a repeat 45 + 30 + 0.7 x 105 + 0.3 x (529 - 30) = 298. Of chance .02 waiting is 42. A severe one of chance .3
    risks 1,184 until a repeat's result: a look.
    """
    for phase, p, choice in (("early", 0.3, "repeat"), ("early", 0.02, "wait"), ("severe", 0.3, "look")):
        chances = {"p_early": 0.0, "p_clear": 0.0, "p_severe": 0.0} | {f"p_{phase}": p}
        row = what_it_costs(known, places.assign(run_h=5100.0, **chances), use.assign(h_per_day=2.0)).iloc[0]
        assert row["choice"] == choice
        if (phase, p) == ("early", 0.3):
            assert row["cost_repeat"] == pytest.approx(298, abs=1)
            assert row["cost_wait"] == pytest.approx(634, abs=1)
