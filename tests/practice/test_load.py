"""Wear by the hour or by the load, against fleets whose wear the test made go by fuel, by hours, or half-way."""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cmkit.practice.load import BY_HOURS, BY_LOAD, FEW, OPEN, load_rates, slope
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import check
from tests.lengths import short_or_full

METALS = {"Fe_ppm": 0.05, "Cu_ppm": 0.03}  # invented rates at 20 l of fuel an hour, ppm/h
H, PER_DAY = 250.0, 10.0


def working(make_fleet: Callable[..., Fleet], seed: int, power: float, machines: int = 6, bottles: int = 14):
    """A family whose machines burn 20 l an hour in the middle, up to twice as much or half, from bottle to bottle; the
    fluid is changed at every bottle, so that a result is a rate times hours. power: truth of how wear goes by load.
    """
    rng = np.random.default_rng(seed)
    samples, steps, meters = [], [], []
    for m in range(machines):
        name, fuel, day = f"M{m}", 0.0, pd.Timestamp("2024-01-01")
        burn = 20 * np.exp(0.2 * rng.standard_normal())
        meters.append({"machine": name, "read_on": day, "meter_h": 0.0, "fuel_l": 0.0})
        own = {a: r * np.exp(0.3 * rng.standard_normal()) for a, r in METALS.items()}
        for i in range(bottles):
            load = burn * np.exp(0.3 * rng.standard_normal())
            fuel, day = fuel + load * H, day + pd.Timedelta(days=H / PER_DAY)
            bottle = np.exp(0.1 * rng.standard_normal())
            results = {a: r * (load / burn) ** power * H * bottle * np.exp(0.08 * rng.standard_normal())
                       for a, r in own.items()}  # fmt: skip
            row = {"sample": f"{name}-{i}", "compartment": f"{name}/engine", "drawn_on": day}
            samples.append(row | results)
            meters.append({"machine": name, "read_on": day, "meter_h": H * (i + 1), "fuel_l": fuel})
            steps.append(row | {"machine": name, "site": "pit", "family": "engines", "life": 1, "hours": H if i else np.nan,
                                "phi": 0.0, "psi": H, "chi": 1.0, "work": 1.0})  # fmt: skip
    known = make_fleet(
        sites=[{"site": "pit"}], machines=[{"machine": f"M{m}", "site": "pit"} for m in range(machines)],
        compartments=[{"compartment": f"M{m}/engine", "machine": f"M{m}", "kind": "engine"} for m in range(machines)],
        samples=samples, meters=meters,
    ).as_of("2026-06-30")  # fmt: skip
    numbers = pd.DataFrame([{"family": "engines", "analyte": a, "rate_mean": r, "fresh_ppm": 0.0}
                            for a, r in METALS.items()])  # fmt: skip
    return known, pd.DataFrame(steps), numbers


@pytest.mark.parametrize(("power", "found"), [(1.0, BY_LOAD), (0.0, BY_HOURS)])
def test_what_wear_goes_by_is_found_and_scatters_less(make_fleet, power: float, found: str) -> None:
    """In nine fleets of ten at least, and never the other way about."""
    words = []
    for seed in range(10):
        rows = load_rates(*working(make_fleet, seed, power))
        check(rows, "load_rates")
        assert rows["analyte"].tolist() == ["Cu_ppm", "Fe_ppm"]
        row = rows.iloc[0]
        words.append(row["found"])
        assert (row["spread_load"] < row["spread_hours"]) == (power == 1.0)
    assert words.count(found) >= 9
    assert set(words) <= {found, OPEN}


def test_rates_both_ways_are_those_that_were_put_in(make_fleet) -> None:
    rows = load_rates(*working(make_fleet, 3, 1.0, machines=40)).set_index("analyte")
    for metal, rate in METALS.items():
        assert rows.loc[metal, "rate_by_hours"] == pytest.approx(1000 * rate, rel=0.15)
        assert rows.loc[metal, "rate_by_load"] == pytest.approx(1000 * rate / 20, rel=0.15)


@short_or_full("fleets", 40, 400)
def test_the_interval_of_the_power_covers_the_truth(fleets: int) -> None:
    """Half-way wear (b = 0.5), 90 % intervals over fleets of six machines; 40: within 2.6 standard errors."""
    inside = []
    for seed in range(1000, 1000 + fleets):
        rng = np.random.default_rng(seed)
        machine = np.repeat(np.arange(6), 14)
        load = np.exp(0.3 * rng.standard_normal(84))
        shared = 0.15 * np.repeat(rng.standard_normal(6), 14) * np.log(load)  # machines differ in their own power
        y = 0.5 * np.log(load) + shared + 0.13 * rng.standard_normal(84)
        row = slope(pd.DataFrame({"machine": machine, "compartment": machine, "life": 1, "y": y, "load": load}))
        inside.append(row["power_low"] <= 0.5 <= row["power_high"])
    half = 2.6 * np.sqrt(0.09 / fleets)
    assert 0.90 - half <= np.mean(inside) <= min(0.90 + half, 0.999)


def test_the_power_is_least_squares_within_compartments_by_scipy() -> None:
    rng = np.random.default_rng(7)
    load, y = np.exp(rng.standard_normal(60)), rng.standard_normal(60)
    place = np.repeat(np.arange(5), 12)
    row = slope(pd.DataFrame({"machine": place, "compartment": place, "life": 1, "y": y, "load": load}))
    x = np.log(load)
    centred = [v - np.repeat(v.reshape(5, 12).mean(axis=1), 12) for v in (x, y)]
    assert row["power"] == pytest.approx(stats.linregress(*centred).slope)


def test_without_a_counter_with_one_that_runs_back_or_too_few_nothing_is_claimed(make_fleet) -> None:
    known, steps, numbers = working(make_fleet, 1, 1.0)
    bare = known.meters.assign(fuel_l=np.nan)
    object.__setattr__(known, "meters", bare)
    assert load_rates(known, steps, numbers).empty
    known, steps, numbers = working(make_fleet, 1, 1.0)
    object.__setattr__(known, "meters", known.meters.assign(fuel_l=-known.meters["fuel_l"]))
    assert load_rates(known, steps, numbers).empty
    few = load_rates(*working(make_fleet, 1, 1.0, machines=2))
    assert set(few["found"]) == {FEW}
    assert few["power"].isna().all()
