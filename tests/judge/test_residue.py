"""What the fluid before a repair left behind is neither a fault nor a reason to miss the next one. Truth by hand: a
change leaves a tenth of the old fluid.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from cmkit.judge.learning import learn_judgement
from cmkit.judge.looks import Events
from cmkit.judge.measures import Bottles, ToJudge, bottles_by_kind
from cmkit.judge.residue import with_old_fluid
from cmkit.records.analytes import analyte_register

LEAK = {"Na": 120.0, "K": 40.0, "glycol": 0.3}


def leaking(course, then: tuple[float, ...]):
    """An engine with coolant in its oil in its 6th to 8th bottle; `then`: the share of it in every bottle after."""
    return course("engine", adds=LEAK, start=5, strengths=(0.3, 0.6, 1.0, *then), bottles=8 + len(then))


@pytest.fixture(scope="module")
def chances(judge_courses, course):
    """Chance of any fault after every bottle of three engines: repaired after the 8th bottle and changed, with a tenth
    left in that charge and a hundredth in the next; the same with the leak coming back; never repaired, only changed.
    """
    left, back = leaking(course, (0.1, 0.1, 0.01, 0.01)), leaking(course, (0.1, 0.5, 0.4, 0.8))
    day = pd.Timestamp("2025-01-01") + pd.Timedelta(days=170)
    found = [
        {"finding": name, "compartment": name, "found_on": day, "recorded_on": day, "outcome": "defect"}
        for name in ("left", "back")
    ]
    made = judge_courses({"left": left, "back": back, "not repaired": left}, findings=found)
    rows = made.bottle_chances
    drawn = rows.loc[rows["compartment"] == "left", "drawn_on"].to_numpy()
    assert drawn[7] <= np.datetime64(day) < drawn[8]
    return rows.pivot_table(index="compartment", columns="order", values="p_fault")


def test_what_a_repaired_leak_left_in_the_oil_is_no_leak(chances) -> None:
    left = chances.loc["left"]
    assert left[7] > 0.95
    assert left[[8, 9, 10, 11]].max() < 0.1


def test_a_leak_that_comes_back_is_seen(chances) -> None:
    """At once, in the charge that still holds some of the old: more likely with its first bottle, sure with its second."""
    assert chances.loc["back", 9] > 10 * chances.loc["back", 8]
    assert chances.loc["back", [10, 11]].min() > 0.95


def test_a_change_alone_settles_no_leak(chances) -> None:
    assert chances.loc["not repaired", [8, 9]].min() > 0.5


@pytest.fixture(scope="module")
def engine(given, course) -> Bottles:
    of_it = ToJudge(*given({"e": course("engine")}, beside=6), analyte_register())
    (b,) = bottles_by_kind(of_it, learn_judgement(of_it).usual)
    return b


def test_what_is_left_by_the_mass_balance(engine) -> None:
    """100 ppm of sodium over the usual before a repair, a change that leaves .1, then .9 of that: 10 and 9 ppm, by
    hand, are taken out of the two bottles, and nothing of the additives.
    """
    c, q, zinc = 0, engine.others.index("Na_ppm"), engine.others.index("Zn_ppm")
    usual = np.exp(engine.usually[c, :, q])
    v = engine.v.copy()
    v[c, 4:7, q] = np.log1p(np.array([100.0, 10.0, 9.0]) / usual[4:7])
    phi = engine.steps["phi"].copy()
    phi[c, 5:7] = 0.1, 0.9
    b = replace(engine, v=v, steps=engine.steps | {"phi": phi})
    shape = (len(b.row), b.row.shape[1] + 1)
    worked = np.zeros(shape, bool)
    worked[c, 5] = True
    events = Events(np.zeros(shape, np.int64), worked, np.zeros(shape, bool))
    out = with_old_fluid(b, events, 0.1)
    np.testing.assert_allclose(out.v[c, 5:7, q], 0.0, atol=1e-9)
    np.testing.assert_array_equal(out.v[c, :5], b.v[c, :5])
    np.testing.assert_array_equal(out.v[..., zinc], b.v[..., zinc])
    assert (out.doubt[c, 5:7, q] > b.doubt[c, 5:7, q]).all()
    assert with_old_fluid(b, Events(events.looks, np.zeros(shape, bool), events.new), 0.1) is b


def test_a_new_component_starts_in_what_a_change_leaves(engine) -> None:
    """Share of the fluid before a replacement: what a change leaves in the kind, the rest fresh."""
    shape = (len(engine.row), engine.row.shape[1] + 1)
    new = np.zeros(shape, bool)
    new[2, 3] = True
    out = with_old_fluid(engine, Events(np.zeros(shape, np.int64), np.zeros(shape, bool), new), 0.35)
    assert (out.steps["phi"][2, 3], out.steps["chi"][2, 3]) == (0.35, 0.65)
    others = np.ones(engine.row.shape, bool)
    others[2, 3] = False
    np.testing.assert_array_equal(out.steps["phi"][others], engine.steps["phi"][others])
