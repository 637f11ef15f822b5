"""The guide's series: exposure counted from the first bottle says the same as stepping from bottle to bottle."""

from collections.abc import Callable

import numpy as np
import pytest

from cmkit.assessment import Assessment
from cmkit.books.content.figures.one_series import readable_fit
from cmkit.books.content.one_compartment import cumulative_exposure, longest_clear, one_series
from cmkit.errors import ParameterError


def test_cumulative_exposure_agrees_with_stepping() -> None:
    """Worked example of the exposure chain (60 l, 12 % left at the change, c0 8 ppm, 0.04 ppm/h): 15.9644575, then 11.7393589 ppm by ODE."""
    phi, psi, chi = (
        np.array([1.0, 0.849332, 0.109235]),
        np.array([0, 227.64617, 239.0514]),
        np.array([0, 0.063952, 0.433430]),
    )
    whole = cumulative_exposure(phi, psi, chi)
    level = 8 * whole[0] + 0.04 * whole[1] + whole[2]
    np.testing.assert_allclose(level, [8, 15.9644575, 11.7393589], rtol=2e-6)


def test_one_series_is_the_present_life_in_order(made: Callable[..., Assessment]) -> None:
    a = made()
    a = Assessment(**{**vars(a), "numbers": a.limits[["family", "analyte"]].drop_duplicates().assign(fresh_ppm=0.0)})
    series = one_series(a, "WL-10/engine", "Fe_ppm", 5)
    assert len(series) == 5
    assert series["run_h"].is_monotonic_increasing
    np.testing.assert_allclose(series["psi"], 250.0 * np.arange(5))  # invented: 250 h each, nothing lost on the way
    figure = readable_fit(series, 4.0, 0.04, "Fe_ppm", "here")
    np.testing.assert_allclose(figure.data[1].y, 4 + 0.04 * 250 * np.arange(5), rtol=1e-3)
    with pytest.raises(ParameterError, match="wanted three or more"):
        one_series(a, "WL-10/engine", "Fe_ppm", 2)
    with pytest.raises(ParameterError, match="found 'nowhere'"):
        one_series(Assessment(**{**vars(a), "history": a.history.assign(compartment="nowhere")}), "nowhere", "Fe_ppm")


def test_the_guide_begins_with_a_clear_compartment(made: Callable[..., Assessment]) -> None:
    a = made()
    state = a.verdicts.set_index("compartment")["state"]
    assert state[longest_clear(a)] == "clear"
