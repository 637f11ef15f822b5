"""What follows from a view alone: worked out once a view, forgotten with it, and not changed by who asks."""

from collections.abc import Iterator

import pandas as pd
import pytest

from cmkit.records.once import once


class View:
    """Something that never changes."""

    def __init__(self, values: list[int]) -> None:
        self.values = values


asked: list[tuple[View, int]] = []


@once
def multiplied(view: View, times: int = 1) -> pd.DataFrame:
    asked.append((view, times))
    return pd.DataFrame({"x": view.values}) * times


@pytest.fixture(autouse=True)
def _nothing_asked() -> Iterator[None]:
    asked.clear()
    yield
    asked.clear()


def test_asked_once_for_each_view_and_argument() -> None:
    one, other = View([1, 2]), View([1, 2])
    for view, times in ((one, 1), (one, 1), (one, 2), (other, 1), (one, 2)):
        assert multiplied(view, times)["x"].tolist() == [times, 2 * times]
    assert asked == [(one, 1), (one, 2), (other, 1)]


def test_a_caller_who_changes_its_frame_changes_no_other() -> None:
    view = View([1, 2])
    first = multiplied(view)
    first["more"] = 0
    first.loc[0, "x"] = 99
    assert multiplied(view)["x"].tolist() == [1, 2]
    assert list(multiplied(view)) == ["x"]


def test_another_view_in_the_same_place_of_memory_is_asked_anew() -> None:
    for n in range(50):  # a view that nothing holds is gone at once, and the next one stands where it stood
        assert multiplied(View([n]))["x"].tolist() == [n]
        asked.clear()


def test_the_last_few_answers_stay() -> None:
    view = View([1])
    for times in range(1, 10):
        multiplied(view, times)
    multiplied(view, 9)
    assert len(asked) == 9
    multiplied(view, 1)
    assert len(asked) == 10
