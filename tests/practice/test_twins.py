"""Left against right, on invented drives that share load and dust: what the twin adds to one's own forecast, at equal
false alarms; run lengths against the handbook's table.
"""

from collections.abc import Callable

import numpy as np
import pandas as pd

from cmkit.practice.twins import running_sum, twins
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import check

DAY = pd.Timestamp("2026-06-30")
SHARED, OWN, METALS = 0.25, 0.10, ("Fe_ppm", "Cr_ppm", "Cu_ppm")
LEVEL = {"Fe_ppm": 60.0, "Cr_ppm": 9.0, "Cu_ppm": 12.0}
FAULT = 1.5


def fleet(make_fleet: Callable[..., Fleet], machines: int = 10) -> Fleet:
    places = [
        {
            "compartment": f"M{m}/drive/{side}",
            "machine": f"M{m}",
            "kind": "final drive",
            "position": side,
            "family": "f",
        }
        for m in range(machines)
        for side in ("left", "right")
    ]
    return make_fleet(
        sites=[{"site": "pit"}],
        machines=[{"machine": f"M{m}", "site": "pit"} for m in range(machines)],
        compartments=places,
    ).as_of(DAY)


def forecasts(known: Fleet, seed: int, bottles: int = 20, sick: str = "", begins: int = 99) -> pd.DataFrame:
    """Results beside honest forecasts of a healthy drive: what a machine's drives share on a day (load, dust), what is
    each bottle's own, and from bottle `begins` on 1.5 times the metals in one drive.
    """
    rng = np.random.default_rng(seed)
    rows = []
    shared = {m: SHARED * rng.standard_normal(bottles) for m in known.machines["machine"]}
    for place in known.compartments.itertuples():
        for n in range(bottles):
            off = shared[place.machine][n] + OWN * rng.standard_normal()
            off += np.log(FAULT) if place.compartment == sick and n >= begins else 0.0
            for metal in METALS:
                value = LEVEL[metal] * np.exp(off + 0.05 * rng.standard_normal())
                rows.append({"sample": f"{place.compartment}-{n}", "compartment": place.compartment, "family": "f",
                             "analyte": metal, "drawn_on": DAY - pd.Timedelta(days=25 * (bottles - 1 - n)),
                             "value": value, "expected": LEVEL[metal], "below": False})  # fmt: skip
    return pd.DataFrame(rows)


def alone(rows: pd.DataFrame, place: str) -> np.ndarray:
    """The same cumulative sum of a drive by itself, against its family's forecast."""
    u = np.log(rows["value"] / rows["expected"]).groupby(rows["sample"], sort=False).mean()
    of = rows.drop_duplicates("sample").set_index("sample")
    sd = 1.4826 * float((u - u.median()).abs().median())
    own = of[of["compartment"] == place].sort_values("drawn_on").index
    return running_sum(u[own].to_numpy() / sd)


def found_after(known: Fleet, rows: pd.DataFrame, place: str, begins: int) -> tuple[float, float]:
    """Bottles of the fault until the twin, and until the family alone, calls it."""
    days = sorted(set(rows["drawn_on"]))
    family = np.flatnonzero(alone(rows, place)[begins:] > 5)
    for n in range(begins, len(days)):
        out = twins(known, rows[rows["drawn_on"] <= days[n]]).set_index("compartment")
        if out.loc[place, "called"]:
            return n - begins + 1, (family[0] + 1 if len(family) else len(days) - begins + 1)
    return len(days) - begins + 1, (family[0] + 1 if len(family) else len(days) - begins + 1)


def test_a_drive_wearing_1_5_times_its_twin_is_found_two_bottles_earlier(make_fleet) -> None:
    """Mean over 20 fleets; both sums have one limit, and their false calls are counted below."""
    known = fleet(make_fleet, 6)
    found = []
    for seed in range(500, 520):
        rows = forecasts(known, seed, bottles=22, sick="M2/drive/left", begins=10)
        found.append(found_after(known, rows, "M2/drive/left", 10))
    twin, family = np.mean(found, axis=0)
    assert family - twin >= 2
    assert twin <= 4


def test_false_calls_are_as_few_as_of_a_drive_by_itself(make_fleet) -> None:
    known, called = fleet(make_fleet), np.zeros(2)
    for seed in range(600, 630):
        rows = forecasts(known, seed)
        out = twins(known, rows)
        check(out, "twins")
        called += [out["called"].sum(), sum(alone(rows, p)[-1] > 5 for p in known.compartments["compartment"])]
    assert called[0] <= called[1] + 3
    assert called[0] / (30 * 20) <= 0.02


def test_run_lengths_are_those_of_the_handbook() -> None:
    """k = 0.5, h = 5: 10.4, 4.01 and 2.57 observations to a shift of 1, 2 and 3 standard deviations (table of average
    run lengths in Montgomery, Introduction to Statistical Quality Control, from memory; two-sided there, which does not
    matter once the mean has shifted).
    """
    rng = np.random.default_rng(1)
    for shift, wanted in ((1.0, 10.4), (2.0, 4.01), (3.0, 2.57)):
        z = rng.standard_normal((3000, 80)) + shift
        lengths = [int(np.argmax(running_sum(row) > 5)) + 1 for row in z]
        assert abs(np.mean(lengths) - wanted) < 0.03 * wanted + 0.1


def test_the_ratio_is_that_of_the_fault_and_sisters_stand_in_for_a_twin(make_fleet) -> None:
    known = fleet(make_fleet)
    rows = forecasts(known, 7, sick="M1/drive/right", begins=14)
    out = twins(known, rows).set_index("compartment")
    sick = out.loc["M1/drive/right"]
    assert sick["called"]
    assert sick["ratio_low"] < FAULT < sick["ratio_high"]
    assert sick["how"] == "same machine"
    assert abs((sick["since"] - sorted(set(rows["drawn_on"]))[14]).days) <= 50
    lone = rows[rows["compartment"].str.endswith("right")]
    assert set(twins(known, lone)["how"]) == {"same site"}
    assert not len(twins(known, rows.iloc[:0]))
