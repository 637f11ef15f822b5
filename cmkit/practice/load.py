"""Does wear go by the hour or by the load? Rates per hour beside rates per litre of fuel burnt or tonne moved, where
the meter readings carry such counters.

Of compartment c and interval i between two bottles, with load g an hour, the rate r (per hour) is taken as

    log r_ci = a_c + b log g_ci + e_ci.

b = 0: wear goes by the hour, whatever the load; b = 1: it goes by the load, and a rate per litre or tonne scatters less
than one per hour. b is least squares within compartments, over the mean of the metals of a bottle; its interval is that
of a t-distribution on a standard error by machines (sandwich; Liang and Zeger 1986), since bottles of one machine share
its work. It is a view beside the filter, which finds its own share per kind (`wear.workload`): by another way, per
family and site, on effective hours by the clock.
"""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import t as student

from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet
from cmkit.records.turnaround import constant
from cmkit.tables.frames import names, typed
from cmkit.wear.workload import counted

COLUMNS = names("load_rates")
COUNTERS = {"fuel_l": "fuel", "moved_t": "tonnes"}
BY_HOURS, BY_LOAD, OPEN, FEW = "by hours", "by load", "cannot tell", "too few intervals"
_HALF = 0.5  # own choice: half-way between wear by hours (b = 0) and by load (b = 1)
Floats = NDArray[np.float64]


def load_rates(known: Fleet, exposure: pd.DataFrame, numbers: pd.DataFrame) -> pd.DataFrame:
    """One row per site, family, counter and metal with rates both ways (columns COLUMNS); empty
    without a counter on record.

    exposure: usable bottles with phi, psi, chi and hours since the one before; numbers: of the families.
    """
    before = exposure.groupby(["compartment", "life"])["sample"].shift()
    hours = exposure["hours"].where(exposure["hours"] > 0).to_numpy(float)
    by_the_clock = exposure["psi"] / exposure["work"]
    parts = []
    for counter, load in COUNTERS.items():
        per_hour = counted(known, exposure, counter) / hours
        steps = exposure.assign(before=before, psi=by_the_clock, load=per_hour)[per_hour > 0]
        if len(steps):
            rates = _rates(known, steps, numbers)
            parts += [_family(own, {"load": load}) for _, own in rates.groupby(["site", "family"], sort=True)]
    rows = [row for part in parts for row in part]
    return typed(rows, "load_rates")


def _rates(known: Fleet, steps: pd.DataFrame, numbers: pd.DataFrame) -> pd.DataFrame:
    """Rate of every metal and interval: family, machine, place (compartment and life), sample, analyte, load, rate.

    An interval is used where its length adds enough of the metal at the family's own rate.
    """
    register = with_own(known.settings.analytes)
    metals = register.index[register["rule"].eq("rate") & register.index.isin(known.samples.columns)]
    wide = known.samples.drop_duplicates("sample").set_index("sample")[list(metals)]
    usual = numbers.set_index(["family", "analyte"])[["rate_mean", "fresh_ppm"]]
    out = []
    for metal in metals:
        pair = usual.reindex(pd.MultiIndex.from_product([steps["family"].unique(), [metal]])).droplevel(1)
        mean, fresh = (steps["family"].map(pair[c]).fillna(0.0).to_numpy(float) for c in ("rate_mean", "fresh_ppm"))
        value, old = (wide[metal].reindex(steps[c]).to_numpy(float) for c in ("sample", "before"))
        psi = steps["psi"].to_numpy(float)
        gain = value - steps["phi"].to_numpy(float) * old - steps["chi"].to_numpy(float) * fresh
        enough = mean * psi >= constant("load_floors") * float(register.loc[metal, "noise_floor"])
        rows = steps[["site", "family", "machine", "compartment", "life", "sample", "load"]].assign(
            analyte=metal, rate=gain / psi
        )
        out.append(rows[enough & np.isfinite(gain)])
    return pd.concat(out, ignore_index=True) if out else steps.iloc[:0].assign(analyte="", rate=0.0)


def _family(rates: pd.DataFrame, named: dict[str, Any]) -> list[dict[str, Any]]:
    """Rows of one family at a site and one counter, which `named` says."""
    named = named | {name: rates[name].iloc[0] for name in ("site", "family")}
    keys = ["compartment", "life", "analyte"]
    middle = rates.groupby(keys)["rate"].transform("median")
    rates, middle = rates[middle > 0], middle[middle > 0]
    if not len(rates):
        return []
    clip = constant("load_clip")
    logs = np.log((rates["rate"] / middle).clip(1 / clip, clip))
    by_bottle = rates.assign(y=logs).groupby(["machine", "compartment", "life", "sample"])
    fitted = slope(by_bottle.agg(y=("y", "mean"), load=("load", "first")).reset_index())
    return [
        fitted
        | named
        | {
            "analyte": str(metal),
            "rate_by_hours": 1000 * float(own["rate"].median()),
            "rate_by_load": 1000 * float((own["rate"] / own["load"]).median()),
        }
        for metal, own in rates.groupby("analyte", sort=True)
    ]


def slope(bottles: pd.DataFrame) -> dict[str, Any]:
    """n, machines, power b with its 90 % interval, the spread of y with hours and with load as exposure, and found.

    bottles: machine, compartment, life, y (log rate over its middle), load (an hour, > 0).
    """
    within = bottles.assign(x=np.log(bottles["load"])).groupby(["compartment", "life"])[["x", "y"]].transform("mean")
    x, y = np.log(bottles["load"]) - within["x"], bottles["y"] - within["y"]
    n, machines = len(bottles), bottles["machine"].nunique()
    row = {"n": n, "machines": machines, "power": np.nan, "power_low": np.nan, "power_high": np.nan}
    row |= {"spread_hours": _spread(y), "spread_load": _spread(y - x)}
    few = n < constant("load_intervals") or machines < constant("load_machines")
    if few or float(np.std(x)) < constant("load_least_spread"):
        return row | {"found": FEW if few else OPEN}
    square = float((x**2).sum())
    power = float((x * y).sum() / square)
    score = (x * (y - power * x)).groupby(bottles["machine"]).sum()
    error = float(np.sqrt((score**2).sum() * machines / (machines - 1))) / square
    half = float(student.ppf(0.95, machines - 1)) * error
    found = BY_LOAD if power - half > _HALF else BY_HOURS if power + half < _HALF else OPEN
    return row | {"power": power, "power_low": power - half, "power_high": power + half, "found": found}


def _spread(values: pd.Series) -> float:
    """Robust standard deviation."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
