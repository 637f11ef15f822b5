"""Assessing each site by itself and combining equals assessing the fleet at once, table by table."""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from cmkit.assess import assess
from cmkit.assessment import Assessment, table_names
from cmkit.combine import combine
from cmkit.errors import CmkitError
from cmkit.learnt import Learnt, learnt_names, load_learnt
from cmkit.records.fleet import Fleet

DAY = "2026-06-30"
# advice is integrated on points shared by the compartments of one run: equal to six figures
_INTEGRATED = ("intervals", "curves")
# the judgement sums in 32-bit numbers, in another order for another number of compartments: chances equal to five
# decimals
_SUMMED = ("bottle_chances", "hypotheses", "contributions", "verdicts", "before", "orders", "reasons", "waiting")


@pytest.fixture(scope="module")
def learnt(small_learnt: Callable[[str], Learnt]) -> Learnt:
    return small_learnt(DAY)


@pytest.fixture(scope="module")
def parts(small: Fleet, learnt: Learnt) -> list[Assessment]:
    """Each site assessed by itself."""
    return [assess(small.for_site(site), DAY, learnt) for site in small.sites["site"]]


@pytest.fixture(scope="module")
def once_and_by_site(
    small_assessed: Callable[[str], Assessment], parts: list[Assessment]
) -> tuple[Assessment, Assessment]:
    return small_assessed(DAY), combine(parts)


def in_order(table: pd.DataFrame) -> pd.DataFrame:
    """Rows in an order of their own content: a site's files come one after another."""
    return table.sort_values(list(table.columns), key=lambda c: c.astype("str"), kind="stable", ignore_index=True)


def by_key(table: pd.DataFrame) -> pd.DataFrame:
    """Rows in the order of their names."""
    names = [c for c in table.columns if str(table[c].dtype) == "str" and c != "words"]
    return table.sort_values(names, kind="stable", ignore_index=True)


@pytest.mark.parametrize("name", table_names())
def test_by_site_equals_at_once(name: str, once_and_by_site: tuple[Assessment, Assessment]) -> None:
    once, by_site = (getattr(a, name) for a in once_and_by_site)
    if name in _INTEGRATED:
        pd.testing.assert_frame_equal(once, by_site, rtol=2e-5, atol=0.05)
    elif name in _SUMMED:
        pd.testing.assert_frame_equal(by_key(once), by_key(by_site), rtol=1e-4, atol=1e-5)
    else:
        pd.testing.assert_frame_equal(in_order(once), in_order(by_site), check_exact=True)


def test_a_site_looks_at_nothing_outside_it(
    small: Fleet, parts: list[Assessment], once_and_by_site: tuple[Assessment, Assessment]
) -> None:
    """Records of the other sites may vanish: with the same learnt numbers the site's tables stay."""
    site, alone = small.sites["site"].iloc[0], parts[0]
    assert set(alone.machines["site"]) == {site}
    wear = once_and_by_site[0].for_site(site).wear
    pd.testing.assert_frame_equal(alone.wear, wear, check_exact=True)


def test_parts_that_do_not_belong_together_are_refused(parts: list[Assessment]) -> None:
    part = parts[0]
    with pytest.raises(CmkitError, match="is in two parts"):
        combine([part, part])
    with pytest.raises(CmkitError, match="nothing to combine"):
        combine([])


def test_what_was_learnt_is_saved_as_it_is(learnt: Learnt, tmp_path) -> None:
    learnt.save(tmp_path)
    back = load_learnt(tmp_path)
    assert back.about == learnt.about
    for name in learnt_names():
        pd.testing.assert_frame_equal(getattr(back, name), getattr(learnt, name), check_exact=True)
    assert np.isfinite(back.pace["h_per_day"]).all()
