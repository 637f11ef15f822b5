"""Precision statements of test methods, as read in older editions or from memory (said beside each)."""

import numpy as np
import pytest

from cmkit.fluids.precision import allowed_difference, really_differ, spread_from_difference
from cmkit.records.analytes import analyte_register


@pytest.mark.parametrize(
    ("analyte", "x", "fluid", "same", "between", "printed"),
    [
        ("TAN_mgKOH_g", 3.0, "fresh", 0.176, 0.564, 0.0005),  # D664, older edition
        ("TAN_mgKOH_g", 3.0, "used", 0.351, 1.32, 0.0005),  # D664, older edition, buffer end point
        ("Fe_ppm", 50.0, "used", 2.97, 11.9, 0.05),  # D5185 about 1991, from memory
        ("Cu_ppm", 10.0, "used", 1.0, 2.4, 0.05),  # D5185, values printed in a trade article
        ("Pb_ppm", 10.0, "used", 3.3, 6.9, 0.05),  # the same article
    ],
)
def test_stated_precision(analyte: str, x: float, fluid: str, same: float, between: float, printed: float) -> None:
    """Equal to the precision they are printed with."""
    got = [allowed_difference(analyte, x, own, fluid).value for own in (True, False)]
    np.testing.assert_allclose(got, (same, between), atol=printed)


def test_used_falls_back_on_fresh_where_nothing_else_is_stated() -> None:
    """D445, 2004-2012 editions, from memory: r 0.26 %, R 0.76 %."""
    assert allowed_difference("visc100_cSt", 14.0).value == pytest.approx(0.0026 * 14)
    assert allowed_difference("visc100_cSt", 14.0, same_laboratory=False).value == pytest.approx(0.0076 * 14)


def test_two_results_differ_once_in_twenty_by_chance() -> None:
    rng = np.random.default_rng(1)
    sd = spread_from_difference(allowed_difference("Fe_ppm", 50.0).value)
    pairs = rng.normal(50, sd, (20_000, 2))
    share = np.mean(np.abs(np.diff(pairs)) > allowed_difference("Fe_ppm", 50.0).value)
    assert share == pytest.approx(0.05, abs=0.006)


def test_differ_or_not_or_not_known() -> None:
    assert really_differ(50, 60, "Fe_ppm") is True
    assert really_differ(50, 60, "Fe_ppm", same_laboratory=False) is False
    assert really_differ(5, 9, "fuel_pct") is None
    assert "no precision" in allowed_difference("fuel_pct", 5).reason
    assert "zero or more" in allowed_difference("Fe_ppm", -1).reason


def test_the_register_carries_the_same_repeatability() -> None:
    """reference/analytes.csv and reference/precision.csv must not drift apart."""
    register = analyte_register()
    for analyte in ("Fe_ppm", "Cu_ppm", "Pb_ppm", "Ca_ppm", "Si_ppm", "TAN_mgKOH_g"):
        row = register.loc[analyte]
        assert allowed_difference(analyte, 7.0).value == pytest.approx(
            row["repeat_a"] * 7.0 ** row["repeat_p"], rel=1e-9
        )
