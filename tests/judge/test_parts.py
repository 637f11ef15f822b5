"""Any part of a fleet is judged as in the whole, by what the whole taught; and what was taught is a few tables that can
be kept.
"""

import pandas as pd
import pytest

from cmkit.judge.judge import judge_bottles
from cmkit.judge.learning import JudgeLearnt, learn_judgement
from cmkit.judge.measures import ToJudge
from cmkit.judge.priors import priors_of
from cmkit.records.analytes import analyte_register

REGISTER = analyte_register()


@pytest.fixture(scope="module")
def made(given, course) -> tuple:
    courses = {
        "drive": course("final drive", {"Fe": 5, "Cr": 5, "ferrous": 8}, start=8),
        "engine": course("engine", {"Na": 20, "K": 8}, start=8),
        "rich": course("engine", odd={9: (2.5, 0.0)}),
    }
    look = {
        "finding": "f",
        "compartment": "sound 3 engine",
        "found_on": "2025-05-01",
        "recorded_on": "2025-05-01",
        "outcome": "defect",
        "cause": "Dust entry",
    }
    return given(courses, findings=[look], beside=20)


@pytest.fixture(scope="module")
def learnt(made) -> JudgeLearnt:
    return learn_judgement(ToJudge(*made, REGISTER))


def test_a_part_is_judged_as_in_the_whole(made, learnt) -> None:
    known, samples, exposure, numbers, expected = made
    whole = judge_bottles(ToJudge(*made, REGISTER), learnt)
    names = ["drive", "engine", "sound 1 engine", "sound 2 final drive"]
    own = exposure[exposure["compartment"].isin(names)].reset_index(drop=True)
    part = judge_bottles(ToJudge(known, samples, own, numbers, expected, REGISTER), learnt)
    for name, table in part.tables().items():
        same = getattr(whole, name)
        same = same[same["compartment"].isin(names)].reset_index(drop=True)
        pd.testing.assert_frame_equal(table, same, atol=1e-4, obj=name)


def test_what_was_learnt_can_be_kept(made, learnt, tmp_path) -> None:
    tables = {name: getattr(learnt, name) for name in ("measures", "curves", "middles", "priors")}
    for name, table in tables.items():
        table.to_parquet(tmp_path / f"{name}.parquet", index=False)
    again = JudgeLearnt(**{name: pd.read_parquet(tmp_path / f"{name}.parquet") for name in tables})
    first, second = (judge_bottles(ToJudge(*made, REGISTER), x) for x in (learnt, again))
    for name, table in first.tables().items():
        pd.testing.assert_frame_equal(table, getattr(second, name), obj=name)


def test_a_cause_in_other_words_is_counted_in_its_kind(learnt) -> None:
    priors = priors_of(learnt.priors)
    assert priors.counts == {"engine": {"dirt entry": 1.0}}
    assert learnt.priors["words"].str.contains("1 faults on record").any()


def test_a_fleet_without_bottles_is_judged_empty(made, learnt) -> None:
    known, samples, exposure, numbers, expected = made
    result = judge_bottles(ToJudge(known, samples, exposure.iloc[:0], numbers, expected, REGISTER), learnt)
    assert all(table.empty for table in result.tables().values())
