"""Control charts against the NIST/SEMATECH e-Handbook's worked examples and the textbooks' average run lengths."""

import numpy as np
import pandas as pd
import pytest

from cmkit.wear.charts import cusum_chart, ewma_chart

CUSUM = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
    328.325, 327.250,
         327.825, 328.500, 326.675, 327.775, 326.875, 328.350]  # fmt: skip


def test_nist_ewma_example(design_data) -> None:
    """e-Handbook 6.3.2.4: weight .3, target 50, s 2.0539; printed averages, limits 52.5884 and 47.4115, no signal."""
    table = pd.read_csv(design_data / "nist_ewma_example_6_3_2_4.csv")
    printed = table["ewma"].dropna().to_numpy()
    chart = ewma_chart(table["y"].dropna(), 50.0, 2.0539)
    np.testing.assert_allclose(chart.statistic[: len(printed)], printed, atol=0.0051)
    np.testing.assert_allclose((chart.upper[-1], chart.lower[-1]), (52.5884, 47.4115), atol=2e-3)
    assert not chart.signal.any()
    assert chart.upper[0] == pytest.approx(50 + 3 * 2.0539 * 0.3)


def test_nist_cusum_example() -> None:
    """e-Handbook 6.3.2.3 (data from memory): target 325, k .3175, h 4.1959; first signal at the 14th, 4.94."""
    high, low = cusum_chart(CUSUM, 325.0, 0.3175, 4.1959)
    np.testing.assert_allclose(
        high.statistic[12:], [3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035], atol=1e-9
    )
    assert high.signal.argmax() == 13
    assert low.statistic.max() == pytest.approx(0.715)
    assert low.statistic.argmax() == 7
    assert not low.signal.any()


@pytest.mark.parametrize(("shift", "length"), [(1.0, 8.383), (2.0, 3.343)])
def test_average_run_length_of_the_cusum(shift: float, length: float) -> None:
    """Two-sided, k .5, h 4, in sd (R package spc and the textbook tables); 3 % by simulation."""
    rng = np.random.default_rng(4)
    lengths = []
    for _ in range(4000):
        high, low = cusum_chart(rng.normal(shift, 1, 120), 0.0, 0.5, 4.0)
        lengths.append(1 + int((high.signal | low.signal).argmax()))
    assert np.mean(lengths) == pytest.approx(length, rel=0.03)


def test_average_run_length_of_the_ewma() -> None:
    """Weight .1, width 2.7 about the settled limits, shift 1 sd: 9.73 (R package spc); 3 % by simulation."""
    rng = np.random.default_rng(6)
    lengths = []
    for _ in range(4000):
        chart = ewma_chart(rng.normal(1.0, 1, 150), 0.0, 1.0, 0.1, 2.7)
        lengths.append(1 + int((np.abs(chart.statistic) > 2.7 * np.sqrt(0.1 / 1.9)).argmax()))
    assert np.mean(lengths) == pytest.approx(9.73, rel=0.03)


def test_impossible_settings_are_refused() -> None:
    with pytest.raises(ValueError, match="weight"):
        ewma_chart([1.0], 0.0, 1.0, 0.0)
    with pytest.raises(ValueError, match="decision"):
        cusum_chart([1.0], 0.0, 0.5, 0.0)
