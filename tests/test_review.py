"""A review is used as it stands, says how far the fleet has moved since, and keeps limits from creeping up with a fleet
that wears out.
"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from cmkit.assess import assess, assess_fleet
from cmkit.assessment import Assessment
from cmkit.combine import combine
from cmkit.errors import WrongFile
from cmkit.files import seal
from cmkit.learn import learn
from cmkit.learnt import Learnt
from cmkit.records.fleet import Fleet
from cmkit.review import Review, freeze, read_review, review_drift, review_words
from cmkit.wear.family import COLUMNS

KEY = ["family", "analyte", "measure", "direction"]
DAY = "2025-12-31"


@pytest.fixture(scope="module")
def learnt(two_kinds_learnt: Callable[[str], Learnt]) -> Learnt:
    return two_kinds_learnt(DAY)


@pytest.fixture(scope="module")
def then(two_kinds: Fleet, learnt: Learnt) -> Assessment:
    return combine([assess(two_kinds, DAY, learnt)])


def test_what_was_frozen_is_used_to_the_last_digit(
    two_kinds: Fleet, learnt: Learnt, then: Assessment, tmp_path: Path
) -> None:
    """Written, read and used on the day of the review, nothing changes but the day it is of; fixed limits are not
    frozen.
    """
    freeze(then, tmp_path)
    again = assess_fleet(two_kinds, DAY, read_review(tmp_path))
    for name in ("numbers", "limits", "evidence", "verdicts"):
        mine, theirs = (getattr(r, name).drop(columns="frozen_on", errors="ignore") for r in (again, then))
        assert_frame_equal(mine, theirs, check_exact=True)
    assert again.numbers["frozen_on"].eq(pd.Timestamp(DAY)).all()
    judged = again.limits["alarm"].notna() & ~again.limits["method"].isin(["maker", "practice"])
    assert 0 < judged.sum() < len(again.limits)
    assert again.limits["frozen_on"].eq(pd.Timestamp(DAY)).equals(judged)
    assert review_words(learnt, then) == []


def sicker(fleet: Fleet, factor: float) -> Fleet:
    """The same fleet whose iron results of 2026 are so many times as high, on every machine alike."""
    late = fleet.samples["drawn_on"] > DAY
    return replace(
        fleet,
        samples=fleet.samples.assign(Fe_ppm=fleet.samples["Fe_ppm"].where(~late, fleet.samples["Fe_ppm"] * factor)),
    )


@pytest.mark.slow
def test_limits_do_not_creep_up_with_a_fleet_that_wears_out(two_kinds: Fleet, then: Assessment, tmp_path: Path) -> None:
    """Every engine's iron rises threefold after the review: estimated anew the limits follow it, the frozen ones stay
    and say so.
    """
    freeze(then, tmp_path)
    fleet = sicker(two_kinds, 3.0)
    learnt = learn(fleet, "2026-06-30")
    anew, held = assess(fleet, "2026-06-30", learnt), assess_fleet(fleet, "2026-06-30", read_review(tmp_path))

    def iron(result: Assessment) -> pd.Series:
        own = result.limits[(result.limits["analyte"] == "Fe_ppm") & (result.limits["measure"] == "level")]
        return own.set_index("family")["alarm"].dropna()

    crept = (iron(anew) / iron(then)).dropna()
    assert crept.median() > 1.3
    np.testing.assert_array_equal(iron(held).reindex(iron(then).index), iron(then))
    moved = review_drift(learnt, held)[1]
    first = moved[moved["analyte"] == "Fe_ppm"]
    assert (first.loc[first["words"] != "as frozen", "ratio"] > 1).all()
    assert "higher than when frozen" in set(first["words"])
    words = review_words(learnt, held)
    assert len(words) == 2
    assert "would be set elsewhere today, furthest first." in words[1]
    assert len(held.evidence.query("analyte == 'Fe_ppm'")) > len(anew.evidence.query("analyte == 'Fe_ppm'"))


def test_drift_from_frozen_numbers_is_told(two_kinds: Fleet, two_kinds_learnt: Callable[[str], Learnt]) -> None:
    """Frozen as they are today, but for one family's iron: a third of it, known to a hundredth. That one alone has
    drifted, threefold.
    """
    learnt = two_kinds_learnt("2026-06-30")
    frozen = learnt.numbers.assign(frozen_on=pd.Timestamp("2026-01-01"))
    row = frozen[frozen["analyte"] == "Fe_ppm"].index[0]
    frozen.loc[row, ["rate_mean", "rate_sd"]] = [frozen.loc[row, "rate_mean"] / 3, frozen.loc[row, "rate_mean"] / 300]
    frozen.loc[row, "n_series"] = 100
    again = assess_fleet(two_kinds, "2026-06-30", Review(frozen))
    moved, limits = review_drift(learnt, again)
    assert len(moved) == len(frozen)
    assert limits.empty
    first = moved.iloc[0]
    assert (first["family"], first["analyte"]) == (frozen.loc[row, "family"], "Fe_ppm")
    assert first["ratio"] == pytest.approx(3, rel=1e-9)
    np.testing.assert_allclose(moved["ratio"].iloc[1:], 1, rtol=1e-9)
    assert (moved["words"].iloc[1:] == "as frozen").all()


def test_a_second_review_keeps_what_stands_and_adds_what_is_new(
    two_kinds: Fleet, then: Assessment, tmp_path: Path
) -> None:
    freeze(then, tmp_path)
    before = read_review(tmp_path)
    assert before.limits is not None
    held = Review(before.numbers, before.limits[before.limits["analyte"] != "Fe_ppm"])
    later = assess_fleet(two_kinds, "2026-03-31", held)
    freeze(later, tmp_path)
    both = read_review(tmp_path)
    assert both.limits is not None
    days = both.limits.groupby("analyte")["frozen_on"].agg(["min", "max"])
    assert days.loc["Fe_ppm", "min"] == pd.Timestamp("2026-03-31")
    assert days.drop("Fe_ppm")["min"].eq(pd.Timestamp(DAY)).all()


def test_a_review_without_a_column_is_told(tmp_path: Path) -> None:
    (tmp_path / "review").mkdir()
    (tmp_path / "review" / "limits.csv").write_text("family,analyte\nengine,Fe_ppm\n")
    (tmp_path / "review" / "numbers.csv").write_text(",".join(COLUMNS) + "\n")
    seal(tmp_path / "review", "review", {"limits.csv": 1, "numbers.csv": 0})
    with pytest.raises(
        WrongFile, match=r"limits\.csv: found no column measure, direction, .*Remove it to estimate anew"
    ):
        read_review(tmp_path)
