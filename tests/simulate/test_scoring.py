"""The scoring helpers on worked examples: figures counted by hand from the rows written here."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest


@pytest.fixture(scope="module")
def scoring(root: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location("scoring", root / "tests/benchmarks/scoring.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["scoring"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def truth() -> dict[str, pd.DataFrame]:
    """Compartment A fails on 1 May after two faulty bottles, B's fault is open, C to L are sound
    with ten bottles each.
    """
    rows = [
        ("a1", "A", 0.0, ""),
        ("a2", "A", 0.4, "pump wear"),
        ("a3", "A", 0.9, "pump wear"),
        ("b1", "B", 0.2, "dirt entry"),
    ]
    rows += [(f"{c}{n}", c, 0.0, "") for c in "CDEFGHIJKL" for n in range(10)]
    samples = pd.DataFrame(rows, columns=["sample", "compartment", "share_of_way", "cause"])
    faults = pd.DataFrame(
        {
            "compartment": ["A", "B"], "cause": ["pump wear", "dirt entry"],
            "opened_on": pd.to_datetime(["2025-02-01", "2025-03-01"]),
            "ended_on": pd.to_datetime(["2025-05-01", "2025-06-30"]), "onset_h": [0.0, 0.0],
            "delay_h": [1000.0, 2000.0], "ended_h": [1000.0, 1000.0],
            "how": ["failed", "open"],
        }
    )  # fmt: skip
    return {"samples": samples.assign(drawing="good", exchanged_with="", slip=False), "faults": faults}


@pytest.fixture
def bottles(scoring, truth) -> pd.DataFrame:
    """Fault-free bottles score 0.00 to 0.99; a2 0.985, a3 arrives after the failure with 5, b1 0.5."""
    names = truth["samples"]["sample"]
    scores = pd.Series(np.r_[0.1, 0.985, 5.0, 0.5, np.arange(100) / 100], index=names)
    known = pd.Series(pd.Timestamp("2025-04-01"), index=names)
    known["a3"] = pd.Timestamp("2025-05-03")
    return scoring.bottles_with_truth(scores, known, truth)


def test_recall_at_false_shares(scoring, bottles, truth):
    """1 % of 100 bottles is one: threshold 0.98 raises 0.99 alone, and a2 with it; at 50 % b1 (0.5) is found too."""
    table = scoring.recall_at(bottles, truth["faults"], (0.005, 0.01, 0.5))
    assert table["threshold"].tolist() == [0.99, 0.98, 0.49]
    assert table["false"].tolist() == [0.0, 0.01, 0.5]
    assert table["recall"].tolist() == [0.0, 0.5, 1.0]
    assert table["n"].tolist() == [2, 2, 2]


def test_results_that_come_after_the_end_find_nothing(scoring, bottles, truth):
    found = scoring.found_scores(bottles, truth["faults"])
    assert found.tolist() == [0.985, 0.5]


def test_precision_and_causes(scoring, bottles, truth):
    raised = bottles["score"] > 0.97
    table = scoring.raised_table(bottles, raised, truth["faults"])
    assert table["raised"] == 4  # a2, a3, 0.98 and 0.99
    assert table["precision"] == 0.5
    assert table["recall"] == 0.5
    by_cause = scoring.recall_by_cause(bottles, raised, truth["faults"]).set_index("cause")["recall"]
    assert by_cause.to_dict() == {"dirt entry": 0.0, "pump wear": 1.0}


def test_stated_chances(scoring):
    """Ten said .30 of which three came, ten said .90 of which nine came: Brier (3 .49 + 7 .09 + 9 .01 + .81) / 20 =
    .150.
    """
    stated = pd.Series([0.3] * 10 + [0.9] * 10)
    true = pd.Series([1] * 3 + [0] * 7 + [1] * 9 + [0])
    table = scoring.reliability(stated, true, (0.0, 0.5, 1.0))
    assert table["n"].tolist() == [10, 10]
    np.testing.assert_allclose(table["true"], [0.3, 0.9])
    assert scoring.brier(stated, true) == pytest.approx(0.150)
    by_hand = -(3 * np.log(0.3) + 7 * np.log(0.7) + 9 * np.log(0.9) + np.log(0.1)) / 20
    assert scoring.log_score(stated, true) == pytest.approx(by_hand)


def test_faults_active_on_a_day(scoring, truth):
    now = scoring.active_on(truth["faults"], ["A", "B", "C"], pd.Timestamp("2025-06-30"))
    assert now["faulty"].tolist() == [False, True, False]
    assert now.loc["B", "way"] == pytest.approx(0.5)
    assert scoring.active_on(truth["faults"], ["A"], pd.Timestamp("2025-04-01"))["faulty"].all()


def test_month_ends(scoring):
    months = pd.DataFrame(
        {
            "state": ["alarm", "alarm", "clear", "clear"], "look": [True, False, False, False],
            "chance": [0.8, 0.6, 0.1, 0.1],
            "faulty": [True, False, True, False], "way": [0.7, 0.0, 0.2, 0.0], "seen": True,
        }
    )  # fmt: skip
    table = scoring.month_end_table(months)
    assert (table["alarm true"], table["look true"], table["active in alarm"], table["past half way in alarm"]) == (
        0.5,
        1.0,
        0.5,
        1.0,
    )
    assert table["active and clear"] == 0.5


def test_net_money(scoring, bottles, truth):
    """Pump failure saved (30,000); two fault-free bottles in a row are one look in vain (300); over 2 years."""
    prices = pd.DataFrame({"look": 300.0, "saved": 30_000.0}, index=list("ABCDEFGHIJKL"))
    money = scoring.net_money(bottles["score"] > 0.97, bottles, truth["faults"], prices, years=2.0)
    assert money == pytest.approx((30_000 - 300) / 2)
