"""The other generator of test fleets: its exact balance agrees with a general ODE solver, and each switch breaks what
it says and nothing else.
"""

import importlib.util
import sys
from functools import cache
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

from cmkit.records.reading.load import load_fleet


@pytest.fixture(scope="module")
def other(root: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location("other_fleets", root / "tests/benchmarks/other_fleets.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["other_fleets"] = module
    spec.loader.exec_module(module)
    return module


def integrated(content: float, volume: float, wear: float, loss: float, hours: float) -> float:
    """Content by scipy's solve_ivp on amount and volume: dM/dt = wear - loss M / V, dV/dt = -loss."""
    done = solve_ivp(
        lambda _, y: [wear - loss * y[0] / y[1], -loss], (0, hours), [content * volume, volume], rtol=1e-11, atol=1e-11
    )
    return float(done.y[0, -1] / done.y[1, -1])


@pytest.mark.parametrize("loss", [0.0, 1e-9, 0.01, 0.05])
def test_balance_of_work_agrees_with_an_ode_solver(other, loss):
    content, volume = other.after_work(
        np.array([[12.0]]), np.array([40.0]), np.array([[2.4]]), np.array([loss]), np.array([300.0])
    )
    assert volume[0] == pytest.approx(40 - 300 * loss, rel=1e-12)
    assert content[0, 0] == pytest.approx(integrated(12.0, 40.0, 2.4, loss, 300.0), rel=1e-8)


def test_top_ups_and_changes_keep_the_amount(other):
    content, volume = other.after_top_up(np.array([[30.0]]), np.array([36.0]), np.array([4.0]), np.array([[2.0]]))
    assert content[0, 0] * volume[0] == pytest.approx(30 * 36 + 2 * 4, rel=1e-12)
    assert other.after_change(np.array([80.0]), 0.15, np.array([0.0]))[0] == pytest.approx(12.0)


def test_the_fleet_lives_by_the_balance(other):
    """One engine without scatter for 40 days: work, weekly top-ups and nothing else, against the solver between the
    top-ups.
    """
    world = other.begin(other.Breakage(wander=0.0, faults_times=0.0), 3, 2)
    world.next_round_h[:] = np.inf
    engine = world.places.index[world.places["kind"] == "engine"][0]
    fe, before = other.AT["Fe_ppm"], (world.content[engine, other.AT["Fe_ppm"]], world.volume[engine], world.run_h[0])
    for d in range(40):
        hours = np.full(len(world.places), 14.0)
        other.work(world, other.START + pd.Timedelta(days=d), hours)
    kind = other.KINDS["engine"]
    solved = integrated(before[0], before[1], world.base[engine, fe] * kind.litres, kind.loss * kind.litres, 40 * 14.0)
    assert world.content[engine, fe] == pytest.approx(solved, rel=1e-6)
    other.top_up(world, engine, other.START, kind.litres - world.volume[engine])
    assert world.volume[engine] == pytest.approx(kind.litres)


@pytest.mark.parametrize("shape", ["step", "ramp", "exponential"])
def test_faults_grow_from_nothing_to_one(other, shape):
    grown = [other.strength(shape, way) for way in (0.0, 0.25, 0.5, 1.0, 2.0)]
    assert grown[0] == 0
    assert grown == sorted(grown)
    assert grown[-2:] == [1.0, 1.0]


def test_a_written_fleet_is_read_without_loss(other, tmp_path):
    other.write_other_fleet(tmp_path, other.BREAKAGES["exchanged labels"], 101, machines=4, months=8)
    fleet = load_fleet(tmp_path)
    assert len(fleet.set_aside) == 0
    assert len(fleet.samples) == len(pd.read_csv(tmp_path / "samples.csv"))
    assert (tmp_path / "truth" / "faults.csv").exists()


@cache
def fleets(other: ModuleType, name: str) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    return other.other_fleet(other.BREAKAGES[name], 101, machines=6, months=15)


def residuals(tables: dict[str, pd.DataFrame], truth: dict[str, pd.DataFrame]) -> np.ndarray:
    """Log of reported over true iron, well drawn bottles with 20 ppm or more."""
    both = tables["samples"].merge(truth["samples"], on="sample", suffixes=("", "_true"))
    both = both[(both["Fe_ppm_level"] >= 20) & (both["drawing"] == "good")]
    return np.log(pd.to_numeric(both["Fe_ppm"]) / both["Fe_ppm_level"]).to_numpy()


def test_an_unbroken_fleet_scatters_as_it_says(other):
    """Shared and own noise of .06 each: sd .085; bounds of four standard errors and a little for rounding and floor."""
    left = residuals(*fleets(other, "nothing broken"))
    assert len(left) > 100
    assert left.std() == pytest.approx(0.085, rel=4 / np.sqrt(2 * len(left)) + 0.08)
    assert abs(left.mean()) < 4 * 0.085 / np.sqrt(len(left))


def test_rounding_and_missing_top_ups(other):
    tables, _ = fleets(other, "rounding to 5 ppm")
    iron = tables["samples"]["Fe_ppm"].str.removeprefix("<").astype(float)
    assert (iron % 5 == 0).all()
    _, truth = fleets(other, "top-ups not recorded")
    assert 0.02 < truth["topups"]["recorded"].mean() < 0.2
    assert fleets(other, "nothing broken")[1]["topups"]["recorded"].mean() > 0.8


def test_changes_fall_on_bottle_days_only_where_asked(other):
    shares = {}
    for name in ("nothing broken", "changes on bottle days"):
        tables, _ = fleets(other, name)
        changes = tables["services"][tables["services"]["kind"] == "change"]
        days = tables["samples"][["compartment", "drawn_on"]].drop_duplicates()
        shares[name] = len(
            changes.merge(days, left_on=["compartment", "done_on"], right_on=["compartment", "drawn_on"])
        ) / len(changes)
    assert shares["nothing broken"] < 0.1
    assert shares["changes on bottle days"] > 0.8


def test_exchanged_bottles_name_one_another(other):
    _, truth = other.other_fleet(other.Breakage(exchanged=0.3), 101, machines=6, months=15)
    bottles = truth["samples"].set_index("sample")
    swapped = bottles[bottles["exchanged_with"] != ""]
    assert len(swapped) > 5
    assert (bottles.loc[swapped["exchanged_with"], "exchanged_with"].to_numpy() == swapped.index).all()
    assert (swapped["label"] != swapped["compartment"]).all()
    assert (
        bottles.loc[bottles["exchanged_with"] == "", "label"]
        == bottles.loc[bottles["exchanged_with"] == "", "compartment"]
    ).all()


def test_the_other_switches_move_what_they_name(other):
    late = fleets(other, "bottles in the post at a change")[0]["samples"]
    assert (late["reported_on"] - late["drawn_on"]).dt.days.between(28, 30).all()
    silicon = fleets(other, "another fresh fluid")[1]["samples"].groupby("compartment")["Si_ppm_level"].min()
    assert 0.3 < (silicon > 20).mean() < 0.7
    season = other.begin(other.BREAKAGES["season"], 5, 2)
    rates = []
    for day in ("2024-04-01", "2024-10-01"):
        other.work(season, pd.Timestamp(day), np.zeros(len(season.places)))
        rates.append(season.rate[0, 0])
    assert rates[0] / rates[1] == pytest.approx(1.3 / 0.7, rel=0.03)
    assert np.all(fleets(other, "no faults")[1]["samples"]["share_of_way"] == 0)
    assert fleets(other, "another laboratory")[0]["samples"]["lab"].nunique() == 2
    assert set(fleets(other, "nothing broken")[0]["samples"]["lab"]) == {"laboratory A"}
    tails = {name: residuals(*fleets(other, name)) for name in ("nothing broken", "heavy-tailed bottles")}
    kurtosis = {name: pd.Series(left).kurt() for name, left in tails.items()}
    assert kurtosis["heavy-tailed bottles"] > kurtosis["nothing broken"] + 0.5
