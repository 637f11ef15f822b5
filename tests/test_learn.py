"""Learning in tasks of some kinds of compartments each says what learning at once says, and which kinds go together
depends on records alone.
"""

import importlib

import pandas as pd
import pytest

from cmkit.errors import CmkitError
from cmkit.learnt import learnt_names
from tests.lengths import some_or_all

story = importlib.import_module("cmkit.learn")
DAY = "2026-06-30"


@some_or_all("which", ["two_kinds", "small"])
def test_every_kind_a_task_of_its_own(
    which: str, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet, whole = request.getfixturevalue(which), request.getfixturevalue(f"{which}_learnt")(DAY)
    monkeypatch.setattr(story, "_WORTH_A_TASK", 1)
    names: list[str] = []
    alone = story.learn_kinds
    monkeypatch.setattr(story, "learn_kinds", lambda job: names.append(job.name) or alone(job))
    parts = story.learn(fleet, DAY)
    assert len(names) == fleet.compartments["kind"].nunique() > 1
    for name in learnt_names():
        pd.testing.assert_frame_equal(getattr(parts, name), getattr(whole, name), rtol=1e-7, obj=name)


def test_kinds_that_share_a_family_go_together() -> None:
    pairs = pd.DataFrame({"family": ["a", "a", "b", "c"], "kind": ["engine", "pump", "axle", "never drawn"]})
    assert story._kinds_apart(pairs, {"engine", "pump", "axle"}) == [["axle"], ["engine", "pump"]]
    assert story._kinds_apart(pairs, set()) == [[]]


def test_small_kinds_are_packed_into_one_task() -> None:
    groups = [["a"], ["b"], ["c"], ["d"]]
    assert story._packed(groups, {"a": 10, "b": 10, "c": 10}) == [["a", "b", "c", "d"]]
    assert story._packed(groups, {"a": 9000, "b": 3000, "c": 2000, "d": 100}) == [["a"], ["b"], ["c", "d"]]


def test_a_task_that_kills_its_process_is_named() -> None:
    job = story.KindsJob("engine", None, None, frozenset(), None, (None, None), None, 0.0)
    with pytest.raises(CmkitError, match="kind engine: the process that learnt from it was killed"):
        story._lost(job, "broken")
