"""Cleanliness against targets and coolants by their chemistry, on hand-made bottles. Codes by ISO 4406 (2 500 particles
per ml are code 18, the table's upper bound); coolant ranges are common practice, as reference/coolant_checks.csv says.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from cmkit.errors import SettingsError
from cmkit.practice.cleaning import cleanliness, codes_over
from cmkit.practice.coolants import chemistry_of, coolant_checks, coolant_state
from cmkit.records.fleet import Fleet
from cmkit.records.settings import parse_settings
from cmkit.tables.frames import check

DAY = pd.Timestamp("2026-06-30")
CLEAN, DIRTY = (2400.0, 600.0, 70.0), (9000.0, 2400.0, 300.0)  # 18/16/13 and 20/18/15


def hydraulic(make_fleet: Callable[..., Fleet], counts: list[tuple[float, ...]], *, work: list[dict] | None = None,
    doubted: tuple[int, ...] = (), settings: dict[str, Any] | None = None,
    in_alarm: tuple[str, ...] = ()) -> pd.Series:  # fmt: skip
    """The row of a hydraulic system with these counts, a bottle every 30 days up to today."""
    days = [DAY - pd.Timedelta(days=30 * (len(counts) - 1 - n)) for n in range(len(counts))]
    samples = [
        {"sample": f"s{n}", "compartment": "M/hyd", "drawn_on": d}
        | dict(zip(("p4_per_ml", "p6_per_ml", "p14_per_ml"), c, strict=True))
        for n, (d, c) in enumerate(zip(days, counts, strict=True))
    ]
    known = make_fleet(
        settings=settings,
        sites=[{"site": "S"}],
        machines=[{"machine": "M", "site": "S"}],
        compartments=[{"compartment": "M/hyd", "machine": "M", "kind": "hydraulic", "family": "f"}],
        samples=samples,
        services=work or [],
    ).as_of(DAY)
    good = pd.DataFrame(
        {"sample": [s["sample"] for s in samples], "good": [n not in doubted for n in range(len(counts))]}
    )
    out = cleanliness(known, good, in_alarm)
    check(out, "cleanliness")
    return out.iloc[0]


def test_code_numbers_over_a_target() -> None:
    over = codes_over(np.array([CLEAN, DIRTY, (2500.01, np.nan, np.nan), (np.nan,) * 3]), "18/16/13")
    np.testing.assert_array_equal(over, [0.0, 2.0, 1.0, np.nan])


def test_two_dirty_bottles_ask_for_cleaning_and_one_for_another_bottle(make_fleet) -> None:
    assert hydraulic(make_fleet, [CLEAN, CLEAN])["advice"] == "keep"
    one = hydraulic(make_fleet, [CLEAN, DIRTY])
    assert (one["advice"], one["bottles_over"]) == ("draw again", 1)
    two = hydraulic(make_fleet, [CLEAN, DIRTY, DIRTY])
    assert (two["advice"], two["code"], two["over"]) == ("clean", "20/18/15", 2.0)
    assert hydraulic(make_fleet, [CLEAN, DIRTY, DIRTY], doubted=(1,))["advice"] == "draw again"
    assert hydraulic(make_fleet, [DIRTY], doubted=(0,))["advice"] == "not counted"


def test_in_an_alarm_its_order_comes_before_the_filter(make_fleet) -> None:
    """Common practice, no source: a filter changed before it was looked at takes the debris away with it."""
    row = hydraulic(make_fleet, [CLEAN, DIRTY, DIRTY], in_alarm=("M/hyd",))
    assert row["advice"] == "settle first"
    assert "do what its order says before the filter" in row["words"]
    assert hydraulic(make_fleet, [DIRTY, CLEAN], in_alarm=("M/hyd",))["advice"] == "keep"


@pytest.mark.parametrize(
    ("after", "worked"), [(CLEAN, "cleaner"), (DIRTY, "no cleaner"), (None, "waiting for a bottle")]
)
def test_the_bottle_after_the_work_is_its_proof(make_fleet, after, worked) -> None:
    counts = [DIRTY, DIRTY] + ([after] if after else [])
    on = DAY - pd.Timedelta(days=10 if after else 0)
    work = [{"service": "w", "compartment": "M/hyd", "done_on": on, "kind": "filter"}]
    row = hydraulic(make_fleet, counts, work=work)
    assert (row["worked"], row["code_before"], row["cleaned_on"]) == (worked, "20/18/15", on)


def test_a_target_is_the_sites_own_where_it_gives_one(make_fleet) -> None:
    own = {"cleanliness_targets": {"hydraulic": "20/18/15", "M/hyd": "21/19/16"}}
    row = hydraulic(make_fleet, [DIRTY, DIRTY], settings=own)
    assert (row["target"], row["advice"]) == ("21/19/16", "keep")


@pytest.mark.parametrize("code", ["18/16", "16/18/13", "30/18/13", 18, ""])
def test_a_target_that_is_no_code_is_refused(code) -> None:
    with pytest.raises(SettingsError, match=r"\[cleanliness_targets\] hydraulic: found .* wanted an ISO 4406 code"):
        parse_settings({"name": "F", "cleanliness_targets": {"hydraulic": code}}, "fleet.toml")


@pytest.mark.parametrize(
    ("words", "chemistry"),
    [
        ("coolant glycol 50 %", "not known"),
        ("coolant, conventional, glycol", "conventional"),
        ("coolant OAT 50 %", "organic acid"),
        ("coolant HOAT", "hybrid"),
        ("nitrited organic acid coolant", "hybrid"),
        ("Organic acid technology", "organic acid"),
        ("boat coolant", "not known"),
    ],
)
def test_chemistry_by_its_name(words, chemistry) -> None:
    assert chemistry_of(words) == chemistry


def coolant(make_fleet: Callable[..., Fleet], grade: str, **results: float) -> pd.DataFrame:
    known = make_fleet(
        sites=[{"site": "S"}],
        machines=[{"machine": "M", "site": "S"}],
        compartments=[
            {"compartment": "M/coolant", "machine": "M", "kind": "coolant", "fluid": "coolant", "grade": grade}
        ],
        samples=[{"sample": "s", "compartment": "M/coolant", "drawn_on": DAY} | results] if results else [],
    ).as_of(DAY)
    out = coolant_state(known)
    check(out, "coolants")
    return out.set_index("result")


def test_a_coolant_is_judged_by_its_own_floors(make_fleet) -> None:
    """700 ppm of nitrite is too little for a conventional coolant and enough for a hybrid; an organic acid coolant has
    none to look for.
    """
    found = {g: coolant(make_fleet, g, nitrite_ppm=700.0, pH=9.0) for g in ("conventional", "hybrid", "OAT")}
    assert found["conventional"].loc["nitrite_ppm", "found"] == "too low"
    assert found["hybrid"].loc["nitrite_ppm", "found"] == "in range"
    assert "nitrite_ppm" not in found["OAT"].index
    assert found["conventional"].loc["glycol_vol_pct", "found"] == "not tested"


def test_strength_comes_before_inhibitor(make_fleet) -> None:
    out = coolant(make_fleet, "conventional", nitrite_ppm=500.0, glycol_vol_pct=33.0, pH=8.0)
    acts = out[out["act"] != ""].sort_values("turn")
    assert list(acts.index) == ["glycol_vol_pct", "nitrite_ppm", "pH"]
    assert acts.loc["pH", "act"].startswith("do not dose against the pH alone")


def test_without_a_bottle_nothing_is_said_and_nothing_is_missing(make_fleet) -> None:
    out = coolant(make_fleet, "hybrid")
    assert set(out["found"]) == {"not tested"}
    assert set(out.index) == set(coolant_checks("hybrid")["result"])
