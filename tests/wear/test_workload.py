"""Wear that goes with fuel burnt, on fleets of another generator that burn more in some months than in others: learnt
where it is so, nothing where it is not, from the records alone.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import other_fleets
from other_kinds import Breakage

from cmkit.learn import learn, newest_record
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.trust.hours import running_hours
from cmkit.wear.fit import fit_wear
from cmkit.wear.workload import counted, pace_factor, with_workload

SEED, MACHINES, MONTHS = 318, 4, 22


def made(folder: Path, by_fuel: float) -> Fleet:
    breakage = Breakage(effort=0.4, by_fuel=by_fuel, faults_times=0.0)
    other_fleets.write_other_fleet(folder, breakage, SEED, MACHINES, MONTHS)
    fleet = load_fleet(folder)
    return fleet.as_of(newest_record(fleet))


@pytest.fixture(scope="module")
def by_fuel(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    return made(tmp_path_factory.mktemp("fuel"), 1.0)


@pytest.fixture(scope="module")
def by_hours(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    return made(tmp_path_factory.mktemp("hours"), 0.0)


def test_wear_that_goes_with_fuel_is_found_and_what_is_forecast_is_nearer(by_fuel: Fleet) -> None:
    """Truth: all of it, in every kind. Against the same records without the count of fuel."""
    known, hours = by_fuel, running_hours(by_fuel)
    learnt = learn(known, known.date)
    assert {"engine", "final drive"} <= set(learnt.workload["kind"])
    assert (learnt.workload["measure"] == "fuel_l").all()
    assert (learnt.workload["share"] - 1).abs().max() < 0.25
    wear = fit_wear(known, hours, learnt)
    truly = 22.0  # litres an hour, in the mean of what each machine did
    assert wear.work["pace"].between(0.6 * truly, 1.7 * truly).all()

    blind = replace(known, meters=known.meters.assign(fuel_l=np.nan))
    without = fit_wear(blind, hours, learn(blind, known.date))
    assert without.work.empty
    iron = [w.history[w.history["analyte"] == "Fe_ppm"].iloc[100:] for w in (wear, without)]
    off = [np.median(np.abs(np.log(h["value"] / h["expected"]))) for h in iron]
    assert off[0] < 0.8 * off[1]


def test_wear_that_goes_with_the_hours_is_left_alone(by_hours: Fleet) -> None:
    assert by_hours.meters["fuel_l"].notna().any()
    assert learn(by_hours, by_hours.date).workload.empty


def exposure_of(days: list[str], hours: list[float]) -> pd.DataFrame:
    n = len(days)
    drawn = pd.to_datetime(days).astype("datetime64[us]")
    return pd.DataFrame({"sample": [f"S{i}" for i in range(n)], "compartment": "M/engine", "machine": "M", "life": 1, "kind": "engine",
                         "drawn_on": drawn, "hours": hours, "psi": hours, "sd_psi": 1.0})  # fmt: skip


def test_litres_between_bottles_by_hand_and_over_a_new_counter(make_fleet) -> None:
    """10 l a day until 31 January, then a new counter from 7; 5 l a day from there."""
    readings = [("2026-01-01", 1000.0), ("2026-01-31", 1300.0), ("2026-02-10", 7.0), ("2026-03-12", 157.0)]
    meters = [{"machine": "M", "read_on": day, "meter_h": 1.0, "fuel_l": total} for day, total in readings]
    known = make_fleet(meters=meters)
    days = ["2026-01-01", "2026-01-11", "2026-01-31", "2026-02-10", "2026-03-02", "2026-04-01"]
    exposure = exposure_of(days, [np.nan, 10.0, 20.0, 10.0, 40.0, 30.0])
    litres = counted(known, exposure, "fuel_l")
    np.testing.assert_allclose(litres, [np.nan, 100.0, 200.0, np.nan, 100.0, np.nan])
    usual = 400.0 / 70.0  # over the three intervals that are known
    np.testing.assert_allclose(
        pace_factor(known, exposure, "fuel_l"), [np.nan, 10 / usual, 10 / usual, np.nan, 2.5 / usual, np.nan]
    )
    half = pd.DataFrame({"kind": ["engine"], "measure": ["fuel_l"], "share": [0.5], "share_sd": [0.1]})
    worked = with_workload(known, exposure, half)
    np.testing.assert_allclose(worked["psi"].iloc[[1, 3]], [10 * (0.5 + 0.5 * 10 / usual), 10.0])
    assert with_workload(known, exposure, half.assign(kind="hydraulic")) is exposure
