"""The interval desk without a screen: it says what the functions say, follows the sliders, and comes back."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from cmkit.desk import interval_desk, interval_view
from cmkit.errors import ParameterError
from cmkit.intervals.cost import Case, interval_cost
from cmkit.intervals.tune import draw_factors

SERVICE = (125.0, 250.0, 500.0, 1000.0, 2000.0)


def test_the_view_shows_what_is_computed(worked: Case) -> None:
    sure = draw_factors(np.random.default_rng(1), 20, 1e12, 0.0, 0.0)
    view = interval_view(worked, SERVICE, 500.0, sure, "money", name="RH-01/engine")
    at = view.curve.set_index("every_h")["cost_per_1000h"]
    assert_allclose(at[[250.0, 500.0]], 1000 * interval_cost(worked, [250.0, 500.0]).cost_per_h, rtol=1e-4)
    assert view.advice["advised_h"].item() == 250
    assert view.words()[0].startswith("sample every 250 h")
    assert "defects caught in time: 83%, today 71%" in view.words()
    assert view.figure().data[1].x == tuple(view.curve["every_h"])


def test_the_view_refuses_in_words(worked: Case) -> None:
    draws = draw_factors(np.random.default_rng(1), 50, 5, 0.3, 0.3)
    view = interval_view(replace(worked, failure_cost=12_000.0), SERVICE, 250.0, draws)
    assert np.isnan(view.advice["advised_h"].item())
    assert view.words()[0].startswith("no interval pays")


@pytest.mark.parametrize(("service_h", "today_h"), [((0.0, 250.0), 250.0), ((250.0,), -1.0), ((np.nan,), 250.0)])
def test_hours_that_cannot_be_are_refused(worked: Case, service_h: tuple[float, ...], today_h: float) -> None:
    draws = draw_factors(np.random.default_rng(1), 50, 5, 0.3, 0.3)
    with pytest.raises(ParameterError, match=r"service_h, today_h: found .*, wanted operating hours above 0"):
        interval_view(worked, service_h, today_h, draws)
    with pytest.raises(ParameterError, match="service_h, today_h"):
        interval_desk(worked, service_h, today_h)
    with pytest.raises(ParameterError, match=r"found 0, 0\.7 and 0\.4; wanted the first above 0"):
        interval_desk(worked, SERVICE, 250.0, rate_events=0.0)


def test_boxes_redraw_take_what_is_typed_and_come_back(worked: Case) -> None:
    desk = interval_desk(worked, SERVICE, 250.0, "<b>money</b>")
    controls, out = desk.controls.children[0], desk.parts[0]
    first = out.value
    assert "<b>money" not in first
    assert "&lt;b&gt;money" in first
    by_name = {c.description: c for c in controls.children}
    by_name["a failure"].value = 60_260
    by_name["a failure"].value = 300_000
    assert by_name["a failure"].value == 300_000
    assert out.value != first
    by_name["hours between defects"].value = 0  # refused in words, not with a traceback
    assert "<svg" not in out.value
    assert "role='alert'" in out.value
    by_name["Back to the start"].click()
    assert by_name["a failure"].value == 60_000
    assert out.value == first


def test_every_control_has_a_label(worked: Case) -> None:
    desk = interval_desk(replace(worked, failure_cost=2e6), SERVICE, 250.0)
    assert all(c.description for c in desk.controls.children[0].children)
    assert {c.description: c for c in desk.controls.children[0].children}["a failure"].value == 2e6
