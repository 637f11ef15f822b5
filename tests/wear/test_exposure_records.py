"""From records to exposure: lives, changes, top-ups, hours; expected values worked out by hand from the rules stated
beside them.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from cmkit.wear.exposure import COLUMNS, sample_exposure

DAY = pd.Timestamp("2025-01-01")
ENGINE = {"compartment": "A/engine", "machine": "A", "kind": "engine", "capacity_l": 40, "family": "a engine"}
DRIVE = {"compartment": "A/drive", "machine": "A", "kind": "final drive", "capacity_l": 20, "family": "a drive"}
KINDS = {"engine": {"residual": 0.1, "residual_cv": 0.25, "carry_out": 1.0, "removal_per_h": 0.0}}

Build = Callable[..., Any]


def bottle(i: int, compartment: str = "A/engine", every: float = 250.0, **other: Any) -> dict[str, Any]:
    """The i-th bottle: every 20 days, 250 h apart, from 1,000 h."""
    return {"sample": f"{compartment}-{i}", "compartment": compartment, "drawn_on": DAY + pd.Timedelta(days=20 * i),
            "meter_h": 1000 + every * i, **other}  # fmt: skip


def work(
    kind: str, day: int, meter_h: float | None = None, compartment: str = "A/engine", **other: Any
) -> dict[str, Any]:
    return {"service": f"{kind}-{day}-{compartment}", "compartment": compartment,
        "done_on": DAY + pd.Timedelta(days=day), "kind": kind,
            "meter_h": meter_h, **other}  # fmt: skip


def expose(
    build: Build, samples: list[Any], services: list[Any] = (), compartments: list[Any] | None = None, **other: Any
) -> pd.DataFrame:
    return sample_exposure(*build(compartments or [ENGINE], samples, services, kinds=KINDS, **other))


def test_columns_and_order(small_fleet: Build) -> None:
    samples = [bottle(2), bottle(0), bottle(1, "A/drive"), bottle(1), bottle(0, "A/drive")]
    out = expose(small_fleet, samples, compartments=[ENGINE, DRIVE])
    assert out.columns.tolist() == COLUMNS
    assert out["sample"].tolist() == ["A/drive-0", "A/drive-1", "A/engine-0", "A/engine-1", "A/engine-2"]
    assert out["order"].tolist() == [0, 1, 0, 1, 2]
    assert out["hours"].isna().tolist() == [True, False, True, False, False]
    assert (out["life"] == 1).all()


def test_a_change_on_the_day_of_a_bottle_comes_after_it(small_fleet: Build) -> None:
    """Bottles are drawn before draining (common practice): the change counts in the next interval, also when its hours
    are a little lower.
    """
    out = expose(small_fleet, [bottle(0), bottle(1), bottle(2)], [work("change", 20, 1248)])
    assert out["changed"].tolist() == [False, False, True]
    assert_allclose(out["phi"], [1, 1, 0.1])
    assert_allclose(out["psi"], [0, 250, 250])
    assert_allclose(out["chi"], [0, 0, 0.9])
    assert_allclose(out["sd_phi"], [0, 0, 0.025])
    assert_allclose(out["fluid_h"], [np.nan, np.nan, 250])


def test_a_change_between_bottles(small_fleet: Build) -> None:
    """100 h before it count for a tenth, 150 h after it in full: psi = 10 + 150."""
    out = expose(small_fleet, [bottle(0), bottle(1)], [work("change", 8, 1100)])
    assert_allclose(out["phi"].iloc[1], 0.1)
    assert_allclose(out["psi"].iloc[1], 160)
    assert_allclose(out["fluid_h"].iloc[1], 150)
    assert_allclose(out["sd_psi"].iloc[1], 0.025 * 100)


def test_work_without_hours_is_placed_by_its_date(small_fleet: Build) -> None:
    """Eight days into a gap of twenty: 1,100 h, give or take a tenth of the gap, which is carried as (1 - f) 25 h of
    psi.
    """
    fleet, hours, services = small_fleet([ENGINE], [bottle(0), bottle(1)], [work("change", 8)], kinds=KINDS)
    out = sample_exposure(fleet, hours, services)
    assert_allclose(out["psi"].iloc[1], 160)
    assert_allclose(out["sd_psi"].iloc[1], np.hypot(0.025 * 100, 0.9 * 25))


def test_hours_derived_for_work_never_overtake_its_date(small_fleet: Build) -> None:
    """A change the day after a bottle, with derived hours three hours too low, still comes after the bottle."""
    fleet, hours, services = small_fleet(
        [ENGINE], [bottle(0), bottle(1), bottle(2)], [work("change", 21, 1247)], kinds=KINDS
    )
    out = sample_exposure(fleet, hours, services.assign(sd_h=5.0))
    assert out["changed"].tolist() == [False, False, True]


def test_a_change_known_only_from_hours_on_the_fluid(small_fleet: Build) -> None:
    """A slip that says 80 h where 250 h have passed: a change 80 h ago, although none is on record."""
    out = expose(small_fleet, [bottle(0), bottle(1, fluid_h=80)])
    assert out["changed"].tolist() == [False, True]
    assert_allclose(out["psi"].iloc[1], 0.1 * 170 + 80)
    assert_allclose(out["fluid_h"].iloc[1], 80)


def test_a_slip_of_the_pen_makes_no_change_where_changes_are_on_record(small_fleet: Build) -> None:
    """25 h written for 250 h: left when the next bottle says 500 h, taken when it says 275 h, and not yet taken without
    a next bottle.
    """
    works = [work("change", -5, 1000)]
    said = [bottle(0), bottle(1, fluid_h=25), bottle(2, fluid_h=500)]
    assert not expose(small_fleet, said, works)["changed"].any()
    assert expose(small_fleet, [*said[:2], bottle(2, fluid_h=275)], works)["changed"].tolist() == [False, True, False]
    assert not expose(small_fleet, said[:2], works)["changed"].any()


def test_one_change_booked_twice_counts_once(small_fleet: Build) -> None:
    twice = [work("change", 8, 1100), {**work("change", 8, 1100), "service": "again"}]
    assert_allclose(expose(small_fleet, [bottle(0), bottle(1)], twice)["phi"].iloc[1], 0.1)


def test_first_bottle_of_known_fluid(small_fleet: Build) -> None:
    """A change 60 h before the first bottle: level before it from the family, phi = f, psi = 60."""
    out = expose(small_fleet, [bottle(0), bottle(1)], [work("change", -5, 940)])
    assert out["start"].tolist() == ["fluid", ""]
    assert_allclose(out[["phi", "psi", "chi", "fluid_h"]].iloc[0].astype(float), [0.1, 60, 0.9, 60])
    assert not out["changed"].iloc[0]
    read = expose(small_fleet, [bottle(0, fluid_h=60), bottle(1)])
    assert_allclose(read[["phi", "psi"]].iloc[0].astype(float), [0.1, 60])


def test_first_bottle_of_unknown_fluid(small_fleet: Build) -> None:
    out = expose(small_fleet, [bottle(0), bottle(1)])
    assert out["start"].tolist() == ["unknown", ""]
    assert_allclose(out[["phi", "psi", "chi"]].iloc[0].astype(float), [1, 0, 0])
    assert np.isnan(out["fluid_h"].iloc[0])


def test_first_fill_of_a_new_machine(small_fleet: Build) -> None:
    """In service at 900 h on the meter, first bottle at 1,000 h: nothing of an older fluid, 100 h; a first bottle at
    9,000 h says nothing.
    """
    machine = [
        {
            "machine": "A",
            "site": "S",
            "kind": "loader",
            "in_service_on": DAY - pd.Timedelta(days=9),
            "meter_h_at_start": 900,
        }
    ]
    out = expose(small_fleet, [bottle(0)], machines=machine)
    assert out["start"].tolist() == ["component"]
    assert_allclose(out[["phi", "psi", "chi"]].iloc[0].astype(float), [0, 100, 1])
    old = [{**machine[0], "in_service_on": DAY - pd.Timedelta(days=900), "meter_h_at_start": 0}]
    far = expose(small_fleet, [bottle(0, every=0) | {"meter_h": 9000}], machines=old)
    assert far["start"].tolist() == ["unknown"]


@pytest.mark.parametrize("known_from", ["replace", "fitted_on"])
def test_a_replaced_component_starts_a_new_life(small_fleet: Build, known_from: str) -> None:
    samples = [bottle(i) for i in range(4)]
    if known_from == "replace":
        out = expose(small_fleet, samples, [work("replace", 28, 1350)])
    else:
        fitted = {**ENGINE, "fitted_on": DAY + pd.Timedelta(days=28), "fitted_at_h": 1350}
        out = expose(small_fleet, samples, compartments=[fitted])
    assert out["life"].tolist() == [1, 1, 2, 2]
    assert out["order"].tolist() == [0, 1, 0, 1]
    assert out["start"].tolist() == ["unknown", "", "component", ""]
    assert_allclose(out[["phi", "psi", "chi"]].iloc[2].astype(float), [0, 150, 1])
    assert np.isnan(out["hours"].iloc[2])


def test_replacement_written_down_twice_is_one(small_fleet: Build) -> None:
    fitted = {**ENGINE, "fitted_on": DAY + pd.Timedelta(days=31), "fitted_at_h": 1360}
    out = expose(small_fleet, [bottle(i) for i in range(4)], [work("replace", 28, 1350)], compartments=[fitted])
    assert out["life"].tolist() == [1, 1, 2, 2]


def test_a_top_up_on_record(small_fleet: Build) -> None:
    """4 l of 40 at half way: the level fell to 36 l evenly over those 125 h (psi x ln(40/36)/0.1 x 125), then a tenth
    is fresh.
    """
    out = expose(small_fleet, [bottle(0), bottle(1)], [work("top-up", 10, 1125, volume_l=4)])
    assert_allclose(out["phi"].iloc[1], 0.9)
    assert_allclose(out["chi"].iloc[1], 0.1)
    assert_allclose(out["psi"].iloc[1], 0.9 * 125 * np.log(40 / 36) / 0.1 + 125)
    assert_allclose(out["makeup_l"].iloc[1], 4)
    assert out["makeup_known"].iloc[1]


def test_make_up_on_the_slip_is_used_once(small_fleet: Build) -> None:
    """4 l on the bottle's slip: replaced as it went, phi = exp(-4/40). With a top-up on record in the same interval the
    slip is left.
    """
    slip = expose(small_fleet, [bottle(0), bottle(1, makeup_l=4)])
    assert_allclose(slip["phi"].iloc[1], np.exp(-0.1))
    assert_allclose(slip["psi"].iloc[1], 250 * (1 - np.exp(-0.1)) / 0.1)
    both = expose(small_fleet, [bottle(0), bottle(1, makeup_l=4)], [work("top-up", 10, 1125, volume_l=4)])
    assert_allclose(both["phi"].iloc[1], 0.9)
    assert_allclose(both["makeup_l"].iloc[1], 4)


def test_top_ups_not_written_down_become_variance(small_fleet: Build) -> None:
    """Four of five intervals have 2 l on record: the fifth is taken to have had as much, and is not sure of it."""
    works = [work("top-up", 20 * i + 10, 1125 + 250 * i, volume_l=2) for i in range(4)]
    out = expose(small_fleet, [bottle(i) for i in range(6)], works)
    assert out["makeup_known"].tolist()[1:] == [True, True, True, True, False]
    last = out.iloc[5]
    assert_allclose(last["makeup_l"], 2, rtol=1e-6)
    assert_allclose(last["phi"], np.exp(-0.05), rtol=1e-6)
    assert_allclose(last["sd_phi"], np.exp(-0.05) * 0.5 * 0.05, rtol=1e-6)
    assert (out["sd_phi"].iloc[1:5] == 0).all()


def test_a_top_up_without_or_with_an_impossible_volume(small_fleet: Build) -> None:
    """No litres, or more than the compartment holds: the family's usual single top-up (2 l of 40), doubtful by half."""
    works = [work("top-up", 10, 1125, volume_l=2), work("top-up", 30, 1375), work("top-up", 50, 1625, volume_l=900)]
    out = expose(small_fleet, [bottle(i) for i in range(4)], works)
    assert_allclose(out["phi"].iloc[1:], 0.95)
    assert_allclose(out["sd_phi"].iloc[1:], [0, 0.025, 0.025], rtol=1e-6)
    assert out["makeup_known"].tolist()[1:] == [True, False, False]


def test_a_sealed_compartment_is_not_topped_up_in_thought(small_fleet: Build) -> None:
    out = expose(small_fleet, [bottle(i, "A/drive") for i in range(3)], compartments=[DRIVE])
    assert_allclose(out["phi"], 1)
    assert_allclose(out["sd_phi"], 0)


def test_unknown_capacity(small_fleet: Build) -> None:
    bare = {k: v for k, v in ENGINE.items() if k != "capacity_l"}
    out = expose(small_fleet, [bottle(0), bottle(1)], [work("top-up", 10, 1125, volume_l=4)], compartments=[bare])
    assert not out["volume_known"].any()
    assert_allclose(out[["phi", "psi"]].iloc[1].astype(float), [1, 250])


def test_unusable_bottles_are_left_out_and_the_interval_runs_on(small_fleet: Build) -> None:
    fleet, hours, services = small_fleet([ENGINE], [bottle(0), bottle(1), bottle(2)], kinds=KINDS)
    hours.loc[1, ["usable", "run_h"]] = [False, np.nan]
    out = sample_exposure(fleet, hours, services)
    assert out["sample"].tolist() == ["A/engine-0", "A/engine-2"]
    assert_allclose(out["hours"].iloc[1], 500)


def test_no_bottles_at_all(small_fleet: Build) -> None:
    fleet, hours, services = small_fleet([ENGINE], [bottle(0)], [work("change", 8, 1100)], kinds=KINDS)
    out = sample_exposure(fleet, hours.assign(usable=False), services)
    assert out.columns.tolist() == COLUMNS
    assert out.empty


def test_later_records_do_not_change_earlier_intervals_of_a_changed_fluid(small_fleet: Build) -> None:
    """A view without the third bottle gives the first two as they were."""
    works = [work("change", 8, 1100), work("change", 30, 1400)]
    whole = expose(small_fleet, [bottle(i) for i in range(3)], works)
    early = expose(small_fleet, [bottle(i) for i in range(2)], works[:1])
    pd.testing.assert_frame_equal(whole.iloc[:2], early)


WORK = st.fixed_dictionaries(
    {
        "kind": st.sampled_from(["change", "flush", "top-up", "replace", "filter", "repair"]),
        "day": st.integers(-200, 500),
        "meter_h": st.one_of(st.none(), st.floats(0, 9000)),
        "volume_l": st.one_of(st.none(), st.floats(-5, 200)),
    }
)
BOTTLE = st.fixed_dictionaries(
    {
        "day": st.integers(0, 400),
        "hours": st.floats(0, 5000),
        "fluid_h": st.one_of(st.none(), st.floats(-10, 9000)),
        "makeup_l": st.one_of(st.none(), st.floats(-5, 300)),
    }
)


@settings(max_examples=20, derandomize=True, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(BOTTLE, min_size=1, max_size=8), st.lists(WORK, max_size=12), st.sampled_from([None, 0.0, 5.0, 40.0]))
def test_no_records_break_it(small_fleet: Build, bottles: list[Any], works: list[Any], capacity: float | None) -> None:
    """Any bottles, any work, in any order: every usable bottle has one row, shares stay shares, hours count for no more
    than a half-empty charge allows.
    """
    days = sorted(b["day"] for b in bottles)
    hours = np.cumsum([b["hours"] for b in bottles])
    samples = [
        {"sample": f"s{i}", "compartment": "A/engine", "drawn_on": DAY + pd.Timedelta(days=d), "meter_h": h,
         "fluid_h": b["fluid_h"], "makeup_l": b["makeup_l"]}
        for i, (b, d, h) in enumerate(zip(bottles, days, hours, strict=True))
    ]  # fmt: skip
    services = [
        {"service": f"w{i}", "compartment": "A/engine", "done_on": DAY + pd.Timedelta(days=w["day"]), "kind": w["kind"],
         "meter_h": w["meter_h"], "volume_l": w["volume_l"]}
        for i, w in enumerate(works)
    ]  # fmt: skip
    out = expose(small_fleet, samples, services, [{**ENGINE, "capacity_l": capacity}])
    assert sorted(out["sample"]) == sorted(s["sample"] for s in samples)
    assert out["order"].tolist() == out.groupby("life").cumcount().tolist()
    assert out["phi"].between(0, 1 + 1e-12).all()
    assert out["chi"].between(-1e-12, 1 + 1e-12).all()
    assert out["psi"].between(0, 2 * 9000 + 1).all()
    for name in ("sd_phi", "sd_psi", "makeup_l"):
        assert np.isfinite(out[name]).all()
        assert (out[name] >= 0).all()
