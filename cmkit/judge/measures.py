"""Every result against its own past: what the judge knows of each bottle, as rectangles (one row a compartment, one
column a bottle).

Metals are forecast by the wear filter's two states (level and rate). Everything else is held, as a departure from what
is usual at that age of the fluid in that laboratory (`judge.usual`), against the compartment's own mean. Make-up per
hour and litre of charge is one such measure.
"""

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.judge.constants import constant
from cmkit.judge.usual import (
    METAL,
    OTHER,
    Usual,
    bottle_table,
    curve_and_doubt,
    log_age,
    middles_of,
    of_table,
    raw_values,
    rounding_doubt,
)
from cmkit.records.censoring import CODES, bounds, flags
from cmkit.records.fleet import Fleet
from cmkit.wear.own_fresh import offsets_of

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_NUMBERS = (
    "rate_mean",
    "rate_sd",
    "level_mean",
    "level_var",
    "noise_floor",
    "noise_share",
    "load_share",
    "drift_share",
    "fresh_ppm",
)
_STEPS = ("phi", "psi", "chi", "sd_phi", "sd_psi", "hours")
_GRIDS = (
    "row",
    "first",
    "placed",
    "drain",
    "pressurised",
    "low",
    "y",
    "y_below",
    "y_above",
    "v",
    "v_below",
    "v_low",
    "v_high",
    "doubt",
    "usually",
    "sister",
)


@dataclass(frozen=True)
class Bottles:
    """The bottles of one kind of compartment, compartments with most bottles first.

    places: compartments (C). row: row of `exposure` of each bottle (C, N), -1 beyond the last. steps: phi, psi, chi,
    sd_phi, sd_psi, hours (C, N). first: the first bottle of a component's life. placed: its exposure is known. drain,
    pressurised: how it was drawn.
    low: 1 found low, 0 not, NaN not noted. metals: names (M); y, y_below, y_above (C, N, M); numbers: columns of the
    family numbers and unit (C, M). others: names (Q); ways, v, v_below, doubt (C, N, Q): departures in log, v_low,
    v_high: ends of the range of a result that is no single number (NaN: it is), and sd of what is usual at that age of
    fluid; usually (C, N, Q): log of what is usual there. tau, sd, unit, drift (Q; sd by which the usual value may move
    from bottle to bottle, in noise sd); exponent, settles, stirred, stays (Q; see reference/measures.csv). pooled:
    middle and sd of log(metal + 1) in the kind (2, M). sister: log density of the metals under the sister
    compartment's forecast (C, N), NaN where no sister was drawn that day.
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
    y_above: Flags
    numbers: dict[str, Floats]
    others: list[str]
    ways: list[str]
    v: Floats
    v_below: Flags
    v_low: Floats
    v_high: Floats
    doubt: Floats
    usually: Floats
    tau: Floats
    sd: Floats
    unit: Floats
    drift: Floats
    exponent: Floats
    settles: Floats
    stirred: Floats
    stays: Flags
    pooled: Floats
    sister: Floats

    @cached_property
    def side(self) -> NDArray[np.int8]:
        """-1 where a metal's result is a limit it lies below, 1 where above, else 0 (C, N, M)."""
        return self.y_above.astype(np.int8) - self.y_below

    @cached_property
    def v_side(self) -> NDArray[np.int8]:
        """-1 where another result is a limit it lies below, else 0 (C, N, Q)."""
        return -self.v_below.astype(np.int8)

    @cached_property
    def ranged(self) -> bool:
        """Whether any of the other results is a range."""
        return bool(np.isfinite(self.v_low).any())

    @cached_property
    def fixed_noise(self) -> Floats:
        """Variance (ppm^2) of a metal's result at any level: floor and rounding (C, M)."""
        return np.asarray(self.numbers["noise_floor"] ** 2 + self.numbers["unit"] ** 2 / 12)

    @cached_property
    def own_noise(self) -> Floats:
        """Square of the share of noise of one metal alone, once the bottle's common factor is apart (C, M)."""
        share = self.numbers["noise_share"]
        return np.maximum(share * share - constant("bottle_factor_sd") ** 2, (0.6 * share) ** 2)

    def rows(self, at: slice) -> "Bottles":
        """Some compartments' bottles."""
        n = max(int((self.row[at] >= 0).sum(axis=1).max(initial=0)), 1)
        grids = {f.name: getattr(self, f.name)[at, :n] for f in fields(self) if f.name in _GRIDS}
        steps = {k: v[at, :n] for k, v in self.steps.items()}
        return replace(
            self, **grids, places=self.places[at], steps=steps, numbers={k: v[at] for k, v in self.numbers.items()}
        )


@dataclass(frozen=True)
class ToJudge:
    """What the judge is given of a fleet, or of any machines of it, as of a day.

    samples: wide results that may be believed as numbers (blank where another unit is suspected). exposure:
    :func:`cmkit.wear.exposure.sample_exposure`, one row a bottle. numbers: :func:`cmkit.wear.family.family_numbers`.
    expected: the wear filter's one-step forecasts with acceptance of changes off (for exchanged bottles). register:
    analytes by name. own_fresh: compartments whose fresh fluid is not their family's (:mod:`cmkit.wear.own_fresh`).
    """

    known: Fleet
    samples: pd.DataFrame
    exposure: pd.DataFrame
    numbers: pd.DataFrame
    expected: pd.DataFrame
    register: pd.DataFrame
    own_fresh: pd.DataFrame | None = None


def bottles_by_kind(given: ToJudge, usual: Usual) -> list[Bottles]:
    """The bottles of every kind in `exposure`, by what is usual there."""
    table, wide = bottle_table(given.known, given.samples, given.exposure)
    table["sister"] = sister_density(table, given.expected)
    codes, kinds = pd.factorize(table["kind"], sort=True)
    order = np.argsort(codes, kind="stable")  # one take of every column, and kinds are slices of it
    table, wide = (frame.take(order).reset_index(drop=True) for frame in (table, wide))
    numbers = given.numbers.set_index(["family", "analyte"])
    counts = np.bincount(codes, minlength=len(kinds))
    ends = np.cumsum(counts)
    out = []
    for kind, begin, end in zip(kinds, ends - counts, ends, strict=True):
        rows, results = (frame.iloc[begin:end].reset_index(drop=True) for frame in (table, wide))
        of_kind = rows, results, order[begin:end]
        bottles = _one_kind(str(kind), of_kind, numbers, given.register, usual.of_kind(str(kind)))
        extra = offsets_of(given.own_fresh, bottles.places, bottles.metals)
        out.append(replace(bottles, numbers=bottles.numbers | {"fresh_ppm": bottles.numbers["fresh_ppm"] + extra}))
    return out


def _one_kind(
    kind: str,
    bottles: tuple[pd.DataFrame, pd.DataFrame, NDArray[np.int64]],
    numbers: pd.DataFrame,
    register: pd.DataFrame,
    usual: Usual,
) -> Bottles:
    table, wide, at = bottles
    places, c, i = _grid(table)
    shape = (len(places), int(i.max(initial=-1)) + 1)
    row = np.full(shape, -1, np.int64)
    row[c, i] = at

    def spread(values: NDArray[Any], empty: float | bool = np.nan) -> NDArray[Any]:
        out = np.full((*shape, *values.shape[1:]), empty, values.dtype)
        out[c, i] = values
        return out

    metals, given, pooled = _metals(table, places, numbers, register, usual)
    others, ways, departures, facts = _others(table, wide, register, usual)
    v, v_below, doubt, usually, ends = departures
    none = np.broadcast_to(np.nan, (*shape, len(others)))
    v_low, v_high = (spread(e) for e in ends) if ends else (none, none)
    return Bottles(
        kind=kind,
        places=places,
        row=row,
        steps={n: spread(table[n].to_numpy(float)) for n in _STEPS},
        first=spread((table["order"] == 0).to_numpy(bool), False),
        placed=spread((table["start"].fillna("") != "unknown").to_numpy(bool), False),
        pressurised=spread(table["probe"].to_numpy(bool), False),
        low=spread(table["low"].to_numpy(float)),
        metals=metals,
        y=spread(_column(wide, metals)),
        y_below=spread(flags(wide, metals, "below"), False),
        y_above=spread(flags(wide, metals, "above"), False),
        numbers=given,
        others=others,
        ways=ways,
        v=spread(v),
        v_below=spread(v_below, False),
        v_low=v_low,
        v_high=v_high,
        doubt=spread(doubt),
        usually=spread(usually),
        pooled=pooled,
        sister=spread(table["sister"].to_numpy(float)),
        drain=spread(table["drain"].to_numpy(bool), False),
        **facts,
    )


def _column(wide: pd.DataFrame, names: list[str]) -> Floats:
    """Results [n, A]; NaN for one these bottles do not have."""
    return np.asarray(wide.reindex(columns=names).to_numpy(float))


def _grid(table: pd.DataFrame) -> tuple[NDArray[np.object_], NDArray[np.int64], NDArray[np.int64]]:
    """Compartments, most bottles first, and each bottle's row and column."""
    codes, names = pd.factorize(table["compartment"], sort=True)
    counts = np.bincount(codes, minlength=len(names))
    order = np.argsort(-counts, kind="stable")
    by_place = np.argsort(codes, kind="stable")
    column = np.empty(len(codes), np.int64)
    column[by_place] = np.arange(len(codes)) - np.repeat(np.cumsum(counts) - counts, counts)
    return np.asarray(names, object)[order], np.argsort(order)[codes], column


def _metals(
    table: pd.DataFrame, places: NDArray[np.object_], numbers: pd.DataFrame, register: pd.DataFrame, usual: Usual
) -> tuple[list[str], dict[str, Floats], Floats]:
    """Metals judged in the kind, the family numbers of each compartment and metal (numbers: by family and analyte), and
    the kind's pooled middle and sd.

    Where a family has no numbers it has no results either: numbers that do no harm stand in.
    """
    rows = usual.measures[usual.measures["judged_as"] == METAL]
    rows = rows[rows["measure"].isin(numbers.index.levels[1])]
    metals = rows["measure"].tolist()
    families = table.drop_duplicates("compartment").set_index("compartment")["family"].reindex(places)
    which, every = pd.factorize(families)
    found = numbers.reindex(pd.MultiIndex.from_product([every, metals]))
    shape = (len(every), len(metals))
    out = {n: found[n].fillna(_HARMLESS.get(n, 0.0)).to_numpy(float).reshape(shape)[which] for n in _NUMBERS}
    decimals = register.loc[metals, "decimals"].fillna(0).to_numpy(float)
    steps = found["rounding_step"].to_numpy(float).reshape(shape)[which]
    out["unit"] = np.where(np.isfinite(steps), steps, 10.0**-decimals)
    return metals, out, rows[["middle", "sd"]].to_numpy(float).T


_HARMLESS = {"rate_mean": 1e-3, "rate_sd": 1e-3, "level_mean": 1.0, "level_var": 1.0, "noise_floor": 1.0}


def _others(
    table: pd.DataFrame, wide: pd.DataFrame, register: pd.DataFrame, usual: Usual
) -> tuple[
    list[str], list[str], tuple[Floats, Flags, Floats, Floats, tuple[Floats, Floats] | None], dict[str, NDArray[Any]]
]:
    """Names and ways of everything else; (departures [n, Q], flags of results below their limit, doubt of the curve on
    age, what is usual, ends of ranges); facts of each.
    """
    rows = usual.measures[usual.measures["judged_as"] == OTHER]
    names = rows["measure"].tolist()
    v, doubt = np.full((len(table), len(names)), np.nan), np.zeros((len(table), len(names)))
    curves, middles = (dict(tuple(t.groupby("measure"))) for t in (usual.curves, usual.middles))
    age, analytes = log_age(table), wide.reindex(columns=[n for n in names if n in register.index])
    shift: list[Floats] = []
    for q, r in enumerate(rows.itertuples()):
        knots, groups = curves.get(r.measure, usual.curves.iloc[:0]), middles.get(r.measure, usual.middles.iloc[:0])
        curve, of_age = curve_and_doubt(
            age, knots["log_age"].to_numpy(), knots["value"].to_numpy(), r.log_age, r.age_sd
        )
        rounded = rounding_doubt(r.measure, analytes, r.rounding_step, r.sd, register)
        doubt[:, q] = np.hypot(of_age, rounded)
        shift.append(curve + middles_of(table, groups, r.middle))
        v[:, q] = raw_values(r.measure, table, analytes, register, r.rounding_step) - shift[-1]
    facts = of_table(names)
    out = {
        "tau": rows["tau"].to_numpy(float),
        "sd": rows["sd"].to_numpy(float),
        "exponent": facts["share"].to_numpy(float),
    }
    out |= {n: facts[n].to_numpy(float) for n in ("unit", "drift", "settles", "stirred")}
    out["stays"] = facts["stays"].to_numpy(bool)
    usually = np.array(shift).reshape(len(names), len(table)).T
    ends = _ends(rows, table, wide, register, shift)
    return names, [_way(n, register) for n in names], (v, flags(wide, names, "below"), doubt, usually, ends), out


def _ends(
    measures: pd.DataFrame, table: pd.DataFrame, wide: pd.DataFrame, register: pd.DataFrame, usually: list[Floats]
) -> tuple[Floats, Floats] | None:
    """Departures [n, Q] of the ends of results above a limit or in the range of a code, NaN elsewhere; None where there
    is no such result. measures: their rows (Q).
    """
    names = measures["measure"].tolist()
    ends = np.full((2, len(table), len(names)), np.nan)
    coded = {count for code, count in CODES.items() if code in wide}
    above = flags(wide, names, "above")
    for q, (name, step) in enumerate(zip(names, measures["rounding_step"], strict=True)):
        if not above[:, q].any() and name not in coded:
            continue
        low, high = bounds(wide, name)
        ranged = np.isfinite(low)
        if ranged.any():
            for end, value in zip(ends, (low, high), strict=True):
                raw = raw_values(name, table, pd.DataFrame({name: value}), register, step) - usually[q]
                end[:, q] = np.where(ranged, raw, np.nan)
    return (ends[0], ends[1]) if np.isfinite(ends[0]).any() else None


def _way(name: str, register: pd.DataFrame) -> str:
    """`+` for a result that only rises in trouble, `~` for one that may go either way."""
    if name not in register.index:
        return "+"
    row = register.loc[name]
    return "+" if row["bad"] == "up" and row["rule"] in ("level", "ordinal") else "~"


def sister_density(table: pd.DataFrame, expected: pd.DataFrame) -> Floats:
    """Log density of a bottle's metals under the forecast of another compartment of its kind and machine drawn on the
    same day; NaN without.

    expected: the wear filter's one-step forecasts with acceptance of changes off (sample, analyte, value, expected,
    expected_sd).
    """
    keys = ["machine", "kind", "drawn_on"]
    heads = table[["sample", "compartment", *keys]].drop_duplicates("sample")
    twin = heads[heads.duplicated(keys, keep=False)]
    out = pd.Series(np.nan, index=table["sample"].to_numpy(object))
    if twin.empty:
        return np.asarray(out.to_numpy(float))
    pairs = twin.merge(twin, on=keys, suffixes=("", "_other"))
    pairs = pairs[pairs["compartment"] != pairs["compartment_other"]].drop_duplicates("sample")
    own = expected[["sample", "analyte", "value"]].merge(pairs[["sample", "sample_other"]], on="sample")
    theirs = expected[["sample", "analyte", "expected", "expected_sd"]].rename(columns={"sample": "sample_other"})
    both = own.merge(theirs, on=["sample_other", "analyte"])
    x = (both["value"] - both["expected"]) / both["expected_sd"]
    both["log"] = student_log_density(x.to_numpy(float)) - np.log(both["expected_sd"].to_numpy(float))
    total = both.groupby("sample")["log"].sum()
    out[total.index] = total
    return np.asarray(out.to_numpy(float))


def student_log_density(x: Floats) -> Floats:
    """Log density at x of Student's t with 5 degrees of freedom, scaled to unit variance."""
    return np.asarray(np.log(8 / (3 * np.sqrt(3) * np.pi)) - 3 * np.log1p(x * x / 3))
