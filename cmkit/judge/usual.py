"""What a whole fleet teaches the judge about its results, kind by kind: how a result changes with the age of its fluid,
what is usual in a laboratory and fluid, how far compartments lie apart and how much one result scatters.

Everything but metals is read as a logarithm, less the kind's curve on the age of the fluid, less the middle of its
laboratory and fluid.
"""

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.judge.constants import constant
from cmkit.records.analytes import by_rule
from cmkit.records.fleet import Fleet
from cmkit.records.medians import medians_by
from cmkit.tables.frames import empty, names, typed
from cmkit.wear.rounding import bottle_steps

Floats = NDArray[np.float64]

MEASURES = names("measures")
CURVES = names("ageing")
MIDDLES = names("middles")
METAL, OTHER = "metal", "other"
MAKEUP = "makeup"
_NOT_METALS = {"coolant": ("Si_ppm",)}  # an inhibitor there
_LEAST_SERIES = 3  # own choice: bottles from which a compartment speaks of its own scatter
_FLOORS = 2.0  # own choice: noise floors added before the logarithm, so that small results do not look noisy
_UNIFORM = 12**-0.5  # sd of a uniform distribution over its width
# of the curve of a result on the age of its fluid: own choices
_AGE_H = 20.0  # added before the logarithm of the age
_MOST_GROUPS, _GROUP = 8, 25  # groups of bottles of like age, and the least bottles in one
_UNKNOWN_AGE = 1.5  # doubt where the age is not known: times the curve's own spread over the kind's bottles
_BEND, _BEYOND = (
    0.5,
    0.15,
)  # doubt: share of its steepness away from the groups' middles, and per unit of log age beyond them


@dataclass(frozen=True)
class Usual:
    """measures: one row per kind and result (columns MEASURES; middle, tau, sd in log; log_age, age_sd: middle age and
    the curve's spread);
    curves: knots of the curve on log fluid age (CURVES); middles: of a laboratory and fluid (MIDDLES).
    """

    measures: pd.DataFrame
    curves: pd.DataFrame
    middles: pd.DataFrame

    def of_kind(self, kind: str) -> "Usual":
        """The rows of one kind."""
        return Usual(*(t[t["kind"] == kind] for t in (self.measures, self.curves, self.middles)))


@cache
def measure_table() -> pd.DataFrame:
    """reference/measures.csv by measure: unit (change in log per unit of a fault's size), drift, least_tau, least_sd,
    share, settles, stirred.
    """
    with files("cmkit.reference").joinpath("measures.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle).set_index("measure")


def of_table(names: list[str]) -> pd.DataFrame:
    """Rows of reference/measures.csv for these results, `default` where one has none of its own."""
    rows = measure_table()
    return rows.reindex([n if n in rows.index else "default" for n in names])


def bottle_table(known: Fleet, samples: pd.DataFrame, exposure: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Exposure with how each bottle was drawn (drain, probe, low, lab, fluid, capacity_l), and its results, both in the
    order of exposure; mix: laboratory and fluid.
    """
    wide = samples.drop_duplicates("sample").set_index("sample").reindex(exposure["sample"]).reset_index()
    places = known.compartments.set_index("compartment").reindex(exposure["compartment"]).reset_index(drop=True)
    method, valve = wide["method"], places["pressurised"].eq(True).fillna(False).astype(bool)
    more = {
        "capacity_l": places["capacity_l"],
        "fluid": places["fluid"].fillna("").astype(str) + "|" + places["grade"].fillna("").astype(str),
        "drain": method.eq("drain stream"),
        "probe": method.eq("probe") | (method.isna() & valve),
        "low": wide["fluid_level"].eq("low").astype(float).where(wide["fluid_level"].notna()),
        "lab": wide["lab"].fillna("").astype(str),
    }
    table = exposure.reset_index(drop=True).assign(**{k: v.to_numpy() for k, v in more.items()})
    pairs = pd.MultiIndex.from_frame(table[["lab", "fluid"]])
    return table.assign(mix=pd.Categorical.from_codes(*_codes(pairs))), wide


def _codes(pairs: pd.MultiIndex) -> tuple[NDArray[Any], pd.Index]:
    codes, every = pairs.factorize()
    return codes, pd.Index(list(every), tupleize_cols=False)


def learn_usual(table: pd.DataFrame, wide: pd.DataFrame, register: pd.DataFrame) -> Usual:
    """What is usual in every kind, from :func:`bottle_table` of a whole fleet."""
    parts: list[list[pd.DataFrame]] = [[], [], []]
    for kind, rows in table.groupby("kind", sort=True):
        found = _learn_kind(
            str(kind), rows.reset_index(drop=True), wide.iloc[rows.index].reset_index(drop=True), register
        )
        for stack, frame in zip(parts, found, strict=True):
            stack.append(frame)
    tables = zip(parts, ("measures", "ageing", "middles"), strict=True)
    return Usual(*(typed(pd.concat(s, ignore_index=True) if s else empty(name), name) for s, name in tables))


def _learn_kind(kind: str, table: pd.DataFrame, wide: pd.DataFrame, register: pd.DataFrame) -> list[pd.DataFrame]:
    """Measures, curves and middles of one kind."""
    reported = [a for a in register.index if a in wide and wide[a].notna().any()]
    metals = [a for a in by_rule(register, "rate") if a in reported and a not in _NOT_METALS.get(kind, ())]
    others = [a for a in reported if a not in metals]
    measures: list[dict[str, Any]] = []
    for name in metals:
        logs = np.log(np.maximum(wide[name].to_numpy(float), 0) + 1)
        middle, sd = middle_and_sd(logs, constant("least_pooled_sd"))
        measures.append({"measure": name, "judged_as": METAL, "middle": middle, "sd": sd, "n": np.isfinite(logs).sum()})
    if np.isfinite(make_up_per_hour(table)).sum() >= _LEAST_SERIES:
        others.append(MAKEUP)
    groups, found = _groups(table), []
    steps = np.sqrt((bottle_steps(wide, reported, register) ** 2).mean())  # laboratories may differ
    for name, facts in zip(others, of_table(others).itertuples(), strict=True):
        step = float(steps.get(name, np.nan))
        one = _learn_measure(name, raw_values(name, table, wide, register, step), groups)
        one.row["tau"], one.row["sd"] = _scatter(one.off, groups, facts.least_tau, facts.least_sd)
        one.row["rounding_step"] = step
        if step > 0 and name != "freeze_C":  # a compartment's own rounding error is the same in every bottle
            one.row["tau"] = max(one.row["tau"], step * _UNIFORM / np.exp(one.row["middle"]))
        measures.append({"measure": name, "judged_as": OTHER, **one.row})
        found.append(one)
    curves, middles = _in_frames(others, found, groups.pairs)
    return [t.assign(kind=kind) for t in (pd.DataFrame(measures).reindex(columns=MEASURES), curves, middles)]


@dataclass(frozen=True)
class _Groups:
    """Bottles of a kind (n): logarithm of their fluid's age, number of their compartment, and of their laboratory and
    fluid (pairs, sorted).
    """

    age: Floats
    place: NDArray[np.int64]
    mix: NDArray[np.int64]
    pairs: pd.MultiIndex


def _groups(table: pd.DataFrame) -> _Groups:
    pairs = pd.MultiIndex.from_frame(table[["lab", "fluid"]])
    known = pairs.unique().sort_values()
    return _Groups(
        log_age(table), pd.factorize(table["compartment"])[0].astype(np.int64), known.get_indexer(pairs), known
    )


@dataclass(frozen=True)
class _Found:
    """What is usual of one result of a kind: its row of `measures` so far, knots of the curve on age, middle of each
    laboratory and fluid (NaN: too few bottles), and how far each bottle is off all of that (n)."""

    row: dict[str, Any]
    knots: tuple[Floats, Floats]
    middle: Floats
    off: Floats


def _learn_measure(name: str, values: Floats, groups: _Groups) -> _Found:
    age = groups.age
    known = np.isfinite(age)
    x, y = (np.zeros(0), np.zeros(0)) if name == MAKEUP else curve_knots(age, values)
    curve = np.interp(age[known], x, y) if len(x) else np.zeros(known.sum())
    row: dict[str, Any] = {
        "log_age": float(np.median(age[known])) if known.any() else 0.0,
        "age_sd": float(np.std(curve)) if len(curve) else 0.0,
    }
    out = values - curve_and_doubt(age, x, y, row["log_age"], row["age_sd"])[0]
    row |= {"middle": float(np.nanmedian(out)) if np.isfinite(out).any() else 0.0, "n": np.isfinite(out).sum()}
    middle, count = medians_by(groups.mix, out, len(groups.pairs))
    middle[count < constant("pool_least")] = np.nan
    return _Found(row, (x, y), middle, out - np.where(np.isnan(middle), row["middle"], middle)[groups.mix])


def _in_frames(names: list[str], found: list[_Found], pairs: pd.MultiIndex) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Curves and middles of all results of a kind."""
    x, y = (np.concatenate([f.knots[k] for f in found] or [np.zeros(0)]) for k in (0, 1))
    measure = np.repeat(np.array(names, object), [len(f.knots[0]) for f in found])
    curves = pd.DataFrame({"measure": measure, "log_age": x, "value": y})
    table = np.array([f.middle for f in found]).reshape(len(found), len(pairs))
    m, pair = np.nonzero(np.isfinite(table))
    middles = pairs[pair].to_frame(index=False, name=["lab", "fluid"])
    return curves, middles.assign(measure=np.array(names, object)[m], middle=table[m, pair])


def raw_values(name: str, table: pd.DataFrame, wide: pd.DataFrame, register: pd.DataFrame, step: float) -> Floats:
    """log(value + floor); of a freeze point minus that of its depression, so that it rises when protection is lost; of
    make-up see below. step: what the results are rounded to (NaN: not known).
    """
    if name == MAKEUP:
        return make_up_per_hour(table)
    value, floor = wide[name].to_numpy(float), float(register.loc[name, "noise_floor"])
    if name == "freeze_C":
        return np.asarray(-np.log(np.maximum(-value, 0.0) + max(floor, 1.0)))
    return np.asarray(np.log(np.maximum(value, 0.0) + _added(name, register, step)))


def _added(name: str, register: pd.DataFrame, step: float) -> float:
    """What is added to a result before the logarithm: so much that noise, and one step of rounding, is no leap."""
    return max(_FLOORS * float(register.loc[name, "noise_floor"]), 0.0 if np.isnan(step) else step, 1e-6)


def rounding_doubt(name: str, wide: pd.DataFrame, step: float, sd: float, register: pd.DataFrame) -> Floats:
    """Sd (log) by which rounding to `step` adds to a result's scatter of sd, one for each bottle: step/sqrt(12) over
    what stands in the logarithm, as far as it is beyond sd.
    """
    if not step > 0 or name == "freeze_C":
        return np.zeros(len(wide))
    value = np.maximum(np.nan_to_num(wide[name].to_numpy(float)), 0.0)
    own = step * _UNIFORM / (value + _added(name, register, step))
    return np.asarray(np.sqrt(np.maximum(own * own - sd * sd, 0.0)))


def make_up_per_hour(table: pd.DataFrame) -> Floats:
    """log(5 + make-up in 1/1000 of the charge per 100 h), NaN where not known or the interval is short."""
    hours, litres, charge = (table[n].to_numpy(float) for n in ("hours", "makeup_l", "capacity_l"))
    known = table["makeup_known"].to_numpy(bool) & (hours >= 50) & (charge > 0)
    share = np.divide(litres, hours * charge, out=np.full(len(table), np.nan), where=known)
    return np.asarray(np.log(5.0 + 1e5 * share))


def log_age(table: pd.DataFrame) -> Floats:
    """Logarithm of the age of the fluid, NaN where not known."""
    return np.asarray(np.log(np.maximum(table["fluid_h"].to_numpy(float), 0.0) + _AGE_H))


def curve_knots(age: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Middles (log age, value) of groups of bottles of like age; empty where there are too few for two groups."""
    at = np.flatnonzero(np.isfinite(value) & np.isfinite(age))
    groups = min(_MOST_GROUPS, len(at) // _GROUP)
    if groups < 2:
        return np.zeros(0), np.zeros(0)
    order = at[np.argsort(age[at], kind="stable")]
    parts = np.array_split(order, groups)
    x = np.array([np.median(age[p]) for p in parts]) + 1e-6 * np.arange(groups)
    return x, np.array([np.median(value[p]) for p in parts])


def curve_and_doubt(age: Floats, x: Floats, y: Floats, usual_age: float, age_sd: float) -> tuple[Floats, Floats]:
    """What the age of the fluid (log; NaN: not known) explains of a result by the knots x, y, level beyond them; and
    the sd of that.
    """
    unknown = ~np.isfinite(age)
    age = np.where(unknown, usual_age, age)
    if not len(x):
        return np.zeros(len(age)), np.zeros(len(age))
    steep = np.interp(age, (x[1:] + x[:-1]) / 2, np.abs(np.diff(y)) / np.maximum(np.diff(x), 0.1))
    far = np.abs(age[:, None] - x).min(axis=1)
    outside = np.maximum(np.maximum(x[0] - age, age - x[-1]), 0.0)
    doubt = np.where(unknown, _UNKNOWN_AGE * age_sd, _BEND * steep * far + _BEYOND * outside)
    return np.interp(age, x, y), doubt


def middles_of(table: pd.DataFrame, groups: pd.DataFrame, otherwise: float) -> Floats:
    """Middle of each bottle's laboratory and fluid, `otherwise` where they have none."""
    known = dict(zip(zip(groups["lab"], groups["fluid"], strict=True), groups["middle"], strict=True))
    mix = table["mix"].cat
    return np.asarray(np.array([known.get(each, otherwise) for each in mix.categories])[mix.codes])


def _scatter(off: Floats, groups: _Groups, least_tau: float, least_sd: float) -> tuple[float, float]:
    """Spread between compartments and noise of one result, both robust and not below what the table says."""
    middle, count = medians_by(groups.place, off, int(groups.place.max(initial=-1)) + 1)
    speaks = np.isfinite(off) & (count >= _LEAST_SERIES)[groups.place]
    own = groups.place[speaks]
    inside = np.abs((off[speaks] - middle[own]) * np.sqrt(count[own] / (count[own] - 1)))
    sd = max(1.4826 * float(np.median(inside)) if len(inside) else 0.0, least_sd)
    middles = middle[count > 0]
    between = 1.4826 * float(np.median(np.abs(middles - np.median(middles)))) if len(middles) else 0.0
    return max(between, 0.5 * sd, least_tau), sd


def middle_and_sd(logs: Floats, least: float) -> tuple[float, float]:
    """Median and robust sd of logs, the sd not below `least`."""
    seen = logs[np.isfinite(logs)]
    middle = float(np.median(seen)) if len(seen) else 0.0
    return middle, max(least, 1.4826 * float(np.median(np.abs(seen - middle)))) if len(seen) else least
