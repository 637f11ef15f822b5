"""Every result against its own past: what the judge knows of each bottle, as rectangles (one row a compartment, one column a bottle).

Metals are forecast by the wear filter's two states (level and rate). Everything else is read as the logarithm of the result, less what its
age of fluid explains in the kind, less the middle of the kind in that laboratory and fluid: what is left is held against the
compartment's own mean. Make-up per hour and litre of charge is one such measure.
"""

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.judge.constants import constant
from cmkit.records.analytes import below, by_rule
from cmkit.records.fleet import Fleet

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

MAKEUP = "makeup"
_NUMBERS = ("m", "tau", "s0", "b", "eta_i", "eta_w", "c0", "p0", "fresh_ppm")
_STEPS = ("phi", "psi", "chi", "sd_phi", "sd_psi", "hours")
_FLOORS = 2.0  # own choice: noise floors added before the logarithm, so that small results do not look noisy
# of the curve of a result on the age of the fluid: own choices
_AGE_H = 20.0  # added before the logarithm of the age
_MOST_GROUPS, _GROUP = 8, 25  # groups of bottles of like age, and the least bottles in one
_UNKNOWN_AGE = 1.5  # doubt where the age is not known: times the curve's own spread over the kind's bottles
_BEND, _BEYOND = 0.5, 0.15  # doubt: share of its steepness away from the groups' middles, and per unit of log age beyond them
_LEAST_SERIES = 3  # bottles from which a compartment speaks of its own scatter
_NOT_METALS = {"coolant": ("Si_ppm",)}  # an inhibitor there


@dataclass(frozen=True)
class Bottles:
    """The bottles of one kind of compartment, compartments with most bottles first.

    places: compartments (C). row: row of `exposure` of each bottle (C, N), -1 beyond the last. steps: phi, psi, chi, sd_phi, sd_psi, hours
    (C, N). first: the first bottle of a component's life. placed: its exposure is known. drain, pressurised: how it was drawn.
    low: 1 found low, 0 not, NaN not noted. metals: names (M); y, y_below (C, N, M); numbers: m, tau, s0, b, eta_i, eta_w, c0, p0, fresh_ppm,
    unit (C, M). others: names (Q); ways, v, v_below, doubt (C, N, Q): departures in log, and sd of what is usual at that age of fluid; tau, sd, unit, drift (Q; sd by which the usual value may move from bottle to bottle, in noise sd); exponent, settles, stirred (Q).
    pooled: middle and sd of log(metal + 1) in the kind (2, M). sister: log density of the metals under the sister compartment's forecast
    (C, N), NaN where no sister was drawn that day.
    """

    kind: str
    places: NDArray[np.object_]
    row: NDArray[np.int64]
    steps: dict[str, Floats]
    first: Flags
    placed: Flags
    drain: Flags
    pressurised: Flags
    low: Floats
    metals: list[str]
    y: Floats
    y_below: Flags
    numbers: dict[str, Floats]
    others: list[str]
    ways: list[str]
    v: Floats
    v_below: Flags
    doubt: Floats
    tau: Floats
    sd: Floats
    unit: Floats
    drift: Floats
    exponent: Floats
    settles: Flags
    stirred: Flags
    pooled: Floats
    sister: Floats


@cache
def measure_table() -> pd.DataFrame:
    """reference/measures.csv by measure: unit (change in log per unit of a fault's size), drift, least_tau, least_sd, share, settles, stirred."""
    with files("cmkit.reference").joinpath("measures.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle).set_index("measure")


def bottles_by_kind(
    known: Fleet, samples: pd.DataFrame, exposure: pd.DataFrame, numbers: pd.DataFrame, expected: pd.DataFrame, register: pd.DataFrame
) -> list[Bottles]:  # fmt: skip
    """The bottles of every kind in `exposure`; arguments as of :func:`cmkit.judge.judge.judge_bottles`."""
    wide = samples.drop_duplicates("sample").set_index("sample").reindex(exposure["sample"]).reset_index()
    places = known.compartments.set_index("compartment")
    facts = places.reindex(exposure["compartment"])[["capacity_l", "pressurised", "fluid", "grade"]].reset_index(
        drop=True
    )
    table = pd.concat([exposure.reset_index(drop=True), facts], axis=1)
    table["drain"] = wide["method"].eq("drain stream").to_numpy(bool)
    table["probe"] = wide["method"].eq("probe").to_numpy(bool) | (
        wide["method"].isna() & table["pressurised"].eq(True)
    ).to_numpy(bool)
    table["low"] = np.where(wide["fluid_level"].isna(), np.nan, wide["fluid_level"].eq("low"))
    table["lab"] = wide["lab"].fillna("").astype(str).to_numpy()
    table["group"] = facts["fluid"].fillna("").astype(str) + "|" + facts["grade"].fillna("").astype(str)
    table["sister"] = sister_density(table, expected)
    out = []
    for kind in sorted(table["kind"].unique()):
        at = np.flatnonzero((table["kind"] == kind).to_numpy())
        out.append(_one_kind(str(kind), table.iloc[at], wide.iloc[at], at, numbers, register))
    return out


def _one_kind(
    kind: str, table: pd.DataFrame, wide: pd.DataFrame, at: NDArray[np.int64], numbers: pd.DataFrame, register: pd.DataFrame
) -> Bottles:  # fmt: skip
    places, c, i = _grid(table)
    shape = (len(places), int(i.max(initial=-1)) + 1)
    row = np.full(shape, -1, np.int64)
    row[c, i] = at

    def spread(values: NDArray, empty: float | bool = np.nan) -> NDArray:
        out = np.full((*shape, *values.shape[1:]), empty, values.dtype)
        out[c, i] = values
        return out

    reported = [a for a in register.index if a in wide and wide[a].notna().any()]
    metals = [a for a in by_rule(register, "rate") if a in reported and a not in _NOT_METALS.get(kind, ())]
    first_family = table.drop_duplicates("compartment").set_index("compartment")["family"].reindex(places)
    given = _numbers(first_family, metals, numbers, register)
    metals, given = _usable(metals, given)
    others, ways, (v, v_below, doubt), facts = other_measures(
        table, wide, [a for a in reported if a not in by_rule(register, "rate") or a in _NOT_METALS.get(kind, ())], register
    )  # fmt: skip
    y = wide[metals].to_numpy(float)
    logs = np.log(np.maximum(y, 0) + 1)
    pooled = np.array([_middle_and_sd(logs[:, k], constant("least_pooled_sd")) for k in range(len(metals))])
    starts = table["start"].fillna("").to_numpy(object)
    return Bottles(
        kind=kind, places=places, row=row, steps={n: spread(table[n].to_numpy(float)) for n in _STEPS},
        first=spread((table["order"] == 0).to_numpy(bool), False), placed=spread(starts != "unknown", False),
        drain=spread(table["drain"].to_numpy(bool), False), pressurised=spread(table["probe"].to_numpy(bool), False),
        low=spread(table["low"].to_numpy(float)), metals=metals, y=spread(y), y_below=spread(wide[[below(a) for a in metals]].to_numpy(bool), False),
        numbers=given, others=others, ways=ways, v=spread(v), v_below=spread(v_below, False), doubt=spread(doubt), **facts, pooled=pooled.reshape(-1, 2).T,
        sister=spread(table["sister"].to_numpy(float)),
    )  # fmt: skip


def _grid(table: pd.DataFrame) -> tuple[NDArray[np.object_], NDArray[np.int64], NDArray[np.int64]]:
    """Compartments, most bottles first, and each bottle's row and column."""
    counts = table["compartment"].value_counts(sort=False)
    order = counts.reset_index().sort_values(["count", "compartment"], ascending=[False, True])
    places = order["compartment"].to_numpy(object)
    c = pd.Index(places).get_indexer(table["compartment"]).astype(np.int64)
    return places, c, table.groupby("compartment").cumcount().to_numpy(np.int64)


def _numbers(
    families: pd.Series, metals: list[str], numbers: pd.DataFrame, register: pd.DataFrame
) -> dict[str, Floats]:
    """Family numbers of each compartment and metal; NaN where the family has none."""
    keys = numbers.set_index(["family", "analyte"])
    index = pd.MultiIndex.from_product([families, metals])
    found = keys.reindex(index)
    shape = (len(families), len(metals))
    out = {n: found[n].to_numpy(float).reshape(shape) for n in _NUMBERS}
    decimals = register.loc[metals, "decimals"].fillna(0).to_numpy(float)
    return out | {"unit": np.broadcast_to(10.0**-decimals, shape).copy()}


def _usable(metals: list[str], numbers: dict[str, Floats]) -> tuple[list[str], dict[str, Floats]]:
    """Metals with numbers anywhere; where a family has none, those of the kind's middle stand in (its results are missing there)."""
    keep = np.isfinite(numbers["m"]).any(axis=0) if metals else np.zeros(0, bool)
    filled = {}
    for name, values in numbers.items():
        v = values[:, keep]
        middle = np.nanmedian(v, axis=0) if v.size else np.zeros(v.shape[1])
        filled[name] = np.where(np.isfinite(v), v, middle)
    return [m for m, k in zip(metals, keep, strict=True) if k], filled


def other_measures(
    table: pd.DataFrame, wide: pd.DataFrame, analytes: list[str], register: pd.DataFrame
) -> tuple[list[str], list[str], tuple[Floats, Flags, Floats], dict[str, Floats]]:
    """Names, ways, (departures [n, Q], flags of results below their limit, doubt of the curve on age), and tau, sd, unit, drift, exponent, settles, stirred of each."""
    raw, under, names, ways = [], [], [], []
    for name in analytes:
        row = register.loc[name]
        raw.append(_logs(name, wide[name].to_numpy(float), float(row["noise_floor"])))
        under.append(wide[below(name)].to_numpy(bool))
        names.append(name)
        ways.append("+" if row["bad"] == "up" and row["rule"] in ("level", "ordinal") else "~")
    used = make_up_per_hour(table)
    if np.isfinite(used).sum() >= _LEAST_SERIES:
        raw.append(used)
        under.append(np.zeros(len(table), bool))
        names.append(MAKEUP)
        ways.append("+")
    rows = measure_table()
    facts = rows.reindex([n if n in rows.index else "default" for n in names])
    v, doubt = np.full((len(table), len(names)), np.nan), np.zeros((len(table), len(names)))
    tau, sd = np.zeros(len(names)), np.zeros(len(names))
    for q, (name, values) in enumerate(zip(names, raw, strict=True)):
        v[:, q], doubt[:, q] = _centred(values, table, name != MAKEUP)
        tau[q], sd[q] = _scatter(v[:, q], table["compartment"].to_numpy(object), facts.iloc[q])
    flags = np.array(under, bool).reshape(len(names), len(table)).T
    out = {n: facts[n].to_numpy(float) for n in ("unit", "drift")} | {"tau": tau, "sd": sd, "exponent": facts["share"].to_numpy(float)}
    return names, ways, (v, flags, doubt), out | {n: facts[n].to_numpy(bool) for n in ("settles", "stirred")}  # fmt: skip


def _logs(name: str, value: Floats, floor: float) -> Floats:
    """log(value + floor); of a freeze point minus that of its depression, so that it rises when protection is lost."""
    if name == "freeze_C":
        return -np.log(np.maximum(-value, 0.0) + max(floor, 1.0))
    return np.log(np.maximum(value, 0.0) + max(_FLOORS * floor, 1e-6))


def make_up_per_hour(table: pd.DataFrame) -> Floats:
    """log(1 + make-up in 1/1000 of the charge per 100 h), NaN where not known or the interval is short."""
    hours, litres, charge = (table[n].to_numpy(float) for n in ("hours", "makeup_l", "capacity_l"))
    known = table["makeup_known"].to_numpy(bool) & (hours >= 50) & (charge > 0)
    share = np.divide(litres, hours * charge, out=np.full(len(table), np.nan), where=known)
    return np.log(5.0 + 1e5 * share)


def _centred(values: Floats, table: pd.DataFrame, on_age: bool) -> tuple[Floats, Floats]:
    """Less the kind's curve on fluid age, less the middle of the same laboratory and fluid (or of the kind where there are few); and the sd
    by which the curve is in doubt at each bottle's age.
    """
    out, doubt = values.copy(), np.zeros(len(values))
    if on_age:
        age = np.log(np.maximum(table["fluid_h"].to_numpy(float), 0.0) + _AGE_H)
        unknown = ~np.isfinite(age)
        curve, doubt = ageing_curve(np.where(unknown, np.nanmedian(age) if not unknown.all() else 0.0, age), values)
        out, doubt = out - curve, np.where(unknown, _UNKNOWN_AGE * np.std(curve[~unknown]) if not unknown.all() else 0.0, doubt)
    keys = [table["lab"].to_numpy(object), table["group"].to_numpy(object)]
    own = pd.Series(out).groupby(keys)
    middle, count = own.transform("median").to_numpy(float), own.transform("count").to_numpy(float)
    usual = np.nanmedian(out) if np.isfinite(out).any() else 0.0
    return out - np.where(count >= constant("pool_least"), middle, usual), doubt


def ageing_curve(age: Floats, value: Floats) -> tuple[Floats, Floats]:
    """What the age of the fluid (log) explains of a value: through the middles of groups of equal age, level beyond them; and its doubt (sd)."""
    at = np.flatnonzero(np.isfinite(value))
    groups = min(_MOST_GROUPS, len(at) // _GROUP)
    if groups < 2:
        return np.zeros(len(age)), np.zeros(len(age))
    order = at[np.argsort(age[at], kind="stable")]
    parts = np.array_split(order, groups)
    x = np.array([np.median(age[p]) for p in parts]) + 1e-6 * np.arange(groups)
    y = np.array([np.median(value[p]) for p in parts])
    steep = np.interp(age, (x[1:] + x[:-1]) / 2, np.abs(np.diff(y)) / np.maximum(np.diff(x), 0.1))
    far = np.abs(age[:, None] - x).min(axis=1)
    outside = np.maximum(np.maximum(x[0] - age, age - x[-1]), 0.0)
    return np.interp(age, x, y), _BEND * steep * far + _BEYOND * outside


def _scatter(v: Floats, place: NDArray, facts: pd.Series) -> tuple[float, float]:
    """Spread between compartments and noise of one result, both robust and not below what the table says."""
    rows = pd.DataFrame({"place": place, "v": v}).dropna()
    own = rows.groupby("place")["v"]
    count = own.transform("count")
    inside = ((rows["v"] - own.transform("median")) * np.sqrt(count / (count - 1).clip(lower=1)))[count >= _LEAST_SERIES]
    sd = max(1.4826 * float(inside.abs().median()) if len(inside) else 0.0, float(facts["least_sd"]))
    middles = own.median()
    between = 1.4826 * float((middles - middles.median()).abs().median()) if len(middles) else 0.0
    return max(between, 0.5 * sd, float(facts["least_tau"])), sd


def _middle_and_sd(logs: Floats, least: float) -> tuple[float, float]:
    seen = logs[np.isfinite(logs)]
    middle = float(np.median(seen)) if len(seen) else 0.0
    return middle, max(least, 1.4826 * float(np.median(np.abs(seen - middle)))) if len(seen) else least


def sister_density(table: pd.DataFrame, expected: pd.DataFrame) -> Floats:
    """Log density of a bottle's metals under the forecast of another compartment of its kind and machine drawn on the same day; NaN without.

    expected: the wear filter's one-step forecasts with acceptance of changes off (sample, analyte, value, expected, expected_sd).
    """
    keys = ["machine", "kind", "drawn_on"]
    heads = table[["sample", "compartment", *keys]].drop_duplicates("sample")
    twin = heads[heads.duplicated(keys, keep=False)]
    out = pd.Series(np.nan, index=table["sample"].to_numpy(object))
    if twin.empty:
        return out.to_numpy(float)
    pairs = twin.merge(twin, on=keys, suffixes=("", "_other"))
    pairs = pairs[pairs["compartment"] != pairs["compartment_other"]].drop_duplicates("sample")
    own = expected[["sample", "analyte", "value"]].merge(pairs[["sample", "sample_other"]], on="sample")
    theirs = expected[["sample", "analyte", "expected", "expected_sd"]].rename(columns={"sample": "sample_other"})
    both = own.merge(theirs, on=["sample_other", "analyte"])
    x = (both["value"] - both["expected"]) / both["expected_sd"]
    both["log"] = student_log_density(x.to_numpy(float)) - np.log(both["expected_sd"].to_numpy(float))
    total = both.groupby("sample")["log"].sum()
    out[total.index] = total
    return out.to_numpy(float)


def student_log_density(x: Floats) -> Floats:
    """Log density at x of Student's t with 5 degrees of freedom, scaled to unit variance."""
    return np.log(8 / (3 * np.sqrt(3) * np.pi)) - 3 * np.log1p(x * x / 3)
