"""How a bottle is drawn, on hand-made rows of the register. Common practice (no source): a jet of hydraulic oil goes
through skin, so no probe where the pressure is not recorded as low; hot coolant under pressure scalds; coolant in oil
(and oil in coolant) left in a tool spoils the next bottle; a tube that ends above the fluid draws air, one that ends at
the bottom draws what has settled."""

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cmkit.practice.drawing import NO_DRAWING, drawing_table, how_drawn, surface_below, tube_for
from cmkit.practice.rounds import plan_round
from cmkit.records.settings import default_kinds, parse_settings
from cmkit.tables.records import POINTS

SETTINGS = parse_settings({"name": "F"}, "here")
PLACE = {"kind": "engine", "fluid": "engine oil", "pressurised": True, "sampling_point": ""}


def drawn(**place) -> dict:
    return how_drawn(pd.DataFrame([PLACE | place]), SETTINGS).iloc[0].to_dict()


@pytest.mark.parametrize(
    ("place", "method"),
    [
        ({"kind": "hydraulic"}, NO_DRAWING),
        ({"kind": "hydraulic", "sampling_point": np.nan}, NO_DRAWING),
        ({"kind": "hydraulic", "sampling_point": "hot coolant valve"}, NO_DRAWING),
        ({"kind": "hydraulic", "sampling_point": "low-pressure"}, "probe"),
        ({"kind": "hydraulic", "pressurised": None}, NO_DRAWING),  # the kind is under pressure
        ({"kind": "hydraulic", "pressurised": False}, "pump"),
        ({"kind": "crane winch"}, NO_DRAWING),  # a kind nobody described: its pressure is not known
        ({"kind": "coolant", "fluid": ""}, "pump"),
        ({"kind": "coolant", "sampling_point": "low-pressure"}, "pump"),
        ({"kind": "coolant", "sampling_point": "hot coolant valve"}, "probe"),
        ({"kind": "other", "fluid": "Coolant "}, "pump"),
        ({"kind": "coolant", "pressurised": False, "sampling_point": "hot coolant valve"}, "pump"),
        ({"kind": "engine"}, "probe"),
        ({"kind": "final drive", "pressurised": False}, "pump"),
    ],
)
def test_no_probe_where_it_may_hurt(place: dict, method: str) -> None:
    assert drawn(**place)["method"] == method


def test_every_kind_and_point_has_a_safe_answer() -> None:
    """All combinations: a probe in hydraulics or coolant only with its own word in the register."""
    for kind, point, pressure in itertools.product(default_kinds(), ("", *POINTS), (True, False, None)):
        found = drawn(kind=kind, sampling_point=point, pressurised=pressure, fluid="")
        if found["method"] == "probe":
            assert kind not in ("hydraulic", "other") or point == "low-pressure"
            assert kind != "coolant" or point == "hot coolant valve"
        assert (found["tool"] == "") == (found["method"] == NO_DRAWING)


def test_every_kind_of_the_register_is_in_the_table() -> None:
    assert set(drawing_table().index) == set(default_kinds())
    assert set(drawing_table()["probe_point"]) == {"", *POINTS}


def test_a_tool_of_its_own_for_each_fluid() -> None:
    assert drawn()["tool"] == "probe for engine oil"
    assert drawn(kind="coolant", sampling_point="hot coolant valve", fluid="glycol")["tool"] == "probe for coolant"
    assert drawn(kind="coolant")["tool"] == "pump for coolant"
    assert drawn(fluid="")["tool"] == "probe for engine"  # fluid not recorded: kept to the kind of compartment


@given(st.floats(0, 5000), st.floats(1, 5000), st.floats(0, 500))
def test_the_tube_reaches_the_fluid_and_never_the_bottom(surface: float, fluid: float, extra: float) -> None:
    """Worked by hand: surface 340 and bottom 520 mm down, half way is 430."""
    tube = tube_for(surface + fluid, surface, extra)
    assert surface < tube.mark_mm < surface + fluid
    assert tube.mark_mm - surface == pytest.approx(surface + fluid - tube.mark_mm, abs=1e-9)
    assert tube.cut_mm == pytest.approx(tube.mark_mm + extra, abs=1e-9)
    assert tube_for(520, 340, 150).mark_mm == 430


@given(st.floats(1, 5000), st.floats(0, 500))
def test_without_a_surface_it_is_never_shorter_than_the_way_to_the_fluid(depth: float, extra: float) -> None:
    """The fluid stands somewhere above the bottom, so a tube as long as the way to the bottom always reaches it."""
    tube = tube_for(depth, np.nan, extra)
    assert tube.cut_mm >= depth
    assert np.isnan(tube.mark_mm)
    assert "half way" in tube.words


@pytest.mark.parametrize(
    ("kind", "access", "surface", "depth", "expected"),
    [
        ("final drive", "fill plug", np.nan, 380, 0),  # filled to its plug
        ("final drive", "breather", np.nan, 380, np.nan),
        ("swing drive", "dipstick tube", np.nan, 520, np.nan),
        ("swing drive", "dipstick tube", 340, 520, 340),
        ("final drive", "fill plug", 400, 380, np.nan),  # the surface cannot be below the bottom
        ("final drive", "fill plug", -5, 380, np.nan),
    ],
)
def test_where_the_surface_is(kind, access, surface, depth, expected) -> None:
    assert surface_below(kind, access, surface, depth) == pytest.approx(expected, nan_ok=True)


def test_a_card_without_a_safe_point_has_no_tool_and_no_day(make_fleet) -> None:
    rows = [
        ("M1/hydraulic", "hydraulic", "hydraulic oil", ""),
        ("M2/hydraulic", "hydraulic", "hydraulic oil", "low-pressure"),
        ("M1/coolant", "coolant", "coolant", ""),
        ("M2/coolant", "coolant", "coolant", "hot coolant valve"),
    ]
    places = [
        {"compartment": c, "machine": c[:2], "kind": k, "fluid": f, "pressurised": True, "access": "probe valve",
        "sampling_point": p}
        for c, k, f, p in rows
    ]  # fmt: skip
    known = make_fleet(
        sites=[{"site": "S"}],
        machines=[{"machine": m, "site": "S", "kind": "wheel loader"} for m in ("M1", "M2")],
        compartments=places,
    ).as_of("2026-06-30")
    base = {"site": "S", "every_h": 500.0, "last_run_h": 1.0, "due_meter_h": 6.0, "due_on": known.date,
        "overdue_h": 0.0, "overdue": False, "why": "routine"}  # fmt: skip
    due = pd.DataFrame([base | {"compartment": c, "machine": c[:2], "kind": k} for c, k, *_ in rows])
    use = pd.DataFrame({"machine": ["M1", "M2"], "h_per_day": [5.0, 5.0]})
    cards = plan_round(known, due, use).set_index("compartment")
    assert cards["method"].to_dict() == {
        "M1/coolant": "pump",
        "M2/coolant": "probe",
        "M2/hydraulic": "probe",
        "M1/hydraulic": NO_DRAWING,
    }
    assert cards["where"].to_dict()["M1/coolant"] == "pressure cap, system cold"
    assert cards["where"].to_dict()["M2/coolant"] == "probe valve"
    assert pd.isna(cards.loc["M1/hydraulic", "plan_on"])
    assert not cards["later"].any()
    assert cards.loc["M1/hydraulic", "tool"] == ""
