"""What the laboratory may have done: a shift of all results of one day, results in another unit, one bottle's results
given twice.

A day's results from many machines have no reason to move together; when they do, the instrument moved. A result that is
a power of ten away from everything before it is more likely written in another unit than worn to that.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.records.analytes import above, below, by_rule
from cmkit.records.fleet import Fleet
from cmkit.records.medians import medians_by
from cmkit.records.settings import Trust
from cmkit.tables.frames import empty, names, typed
from cmkit.trust.bottle_arrays import Panel, doubt_rows, results, usual_results

USUAL = names("usual")
SHIFTS = names("shifts")
_MEDIAN_COST = 1.2533  # sd of a median over that of a mean, normal errors (sqrt(pi/2))
_ALONE = (-4, -3, 3, 4)  # powers of ten of unit mistakes: % for ppm (4), g for mg or ug for mg (3)
_STEADY = ("rate", "fluid", "two-sided")
_SET_BACK = (
    "level",
    "falling",
)  # by a fluid change, on one day in a fleet serviced on one day: they tell nothing of a laboratory day
_ABOVE_FLOOR = 8  # own choice: usual results below this many noise floors say nothing of a laboratory day
_TWICE = 8  # own choice: this many equal results above the limit are not chance
_LEAST_USUAL = 5  # own choice: results of a family before its middle is held against one
_TWICE_D = 14  # own choice: days within which equal results are looked for


def log_departures(known: Fleet, register: pd.DataFrame, panel: Panel | None = None) -> tuple[np.ndarray, list[str]]:
    """log(result / usual of the compartment) [n, A] for all analytes that have a steady level, NaN where one of them is
    missing.

    panel: forecasts of the wear filter; where it has an analyte, they take the place of the usual result, and bottles
    it does not have do not speak for that analyte.
    """
    names = _reported(known.samples, register, _STEADY)
    value, under = results(known.samples, names)
    usual, _ = usual_results(known.samples, names)
    if panel is not None:
        _put_forecasts(usual, known.samples, names, panel)
    floor = register.loc[names, "noise_floor"].to_numpy(dtype=float) * _ABOVE_FLOOR
    speaks = (value > 0) & (usual >= floor) & ~under
    return np.where(speaks, np.log(np.where(speaks, value, 1.0) / np.where(speaks, usual, 1.0)), np.nan), names


def _reported(samples: pd.DataFrame, register: pd.DataFrame, rules: tuple[str, ...]) -> list[str]:
    """Analytes of these rules with any result."""
    return [a for a in by_rule(register, *rules) if a in samples and samples[a].notna().any()]


def _put_forecasts(usual: np.ndarray, samples: pd.DataFrame, names: list[str], panel: Panel) -> None:
    """Write the panel's forecasts over `usual` [n, A] in place, in the columns of its analytes; NaN for bottles it does
    not have.
    """
    row = pd.Index(panel.bottles["sample"]).get_indexer(samples["sample"])
    has = row >= 0
    for k, name in enumerate(names):
        if name in panel.analytes:
            usual[:, k] = np.nan
            usual[has, k] = panel.expected[row[has], panel.analytes.index(name)]


def laboratory_shifts(known: Fleet, register: pd.DataFrame, panel: Panel | None = None) -> pd.DataFrame:
    """Days on which a laboratory's results of an analyte moved together (columns SHIFTS), sorted.

    log_shift: median over bottles of log(result / usual); z: that median in its own standard deviations, taken from how
    bottles of other days scatter. Wear makes the usual result grow through an oil life, so the median of all days is
    taken off first. Where a whole fleet is serviced on one day the usual result misleads, so forecasts are used where
    there are any (panel; see log_departures).
    """
    rule = known.settings.trust
    departure, names = log_departures(known, register, panel)
    bottles = _laboratory_days(known.samples)
    machine = bottles["compartment"].map(known.compartments.set_index("compartment")["machine"])
    of_day = bottles.groupby(["lab", "reported_on"]).ngroup().to_numpy(np.int64)
    days = bottles.assign(day=of_day)[of_day >= 0].drop_duplicates("day").sort_values("day")[["lab", "reported_on"]]
    place = pd.factorize(machine)[0].astype(np.int64)
    parts = []
    for k, name in enumerate(names):
        rows = np.flatnonzero(np.isfinite(departure[:, k]) & (of_day >= 0))
        if len(rows) < 2 * rule.batch_least_bottles:
            continue
        parts.append(
            _days_of(
                departure[rows, k], of_day[rows], place[rows], days, float(register.loc[name, "noise_share"])
            ).assign(analyte=name)
        )
    if not parts:
        return empty("shifts")
    out = pd.concat(parts, ignore_index=True)
    enough = (out["n"] >= rule.batch_least_bottles) & (out["machines"] >= rule.batch_least_machines)
    far = (out["z"].abs() >= rule.batch_z) & (out["log_shift"].abs() >= rule.batch_share)
    out = out.loc[enough & far, SHIFTS]
    return out.sort_values(["lab", "reported_on", "analyte"], kind="stable").reset_index(drop=True)


def _days_of(
    departure: NDArray[np.float64],
    of_day: NDArray[np.int64],
    machine: NDArray[np.int64],
    days: pd.DataFrame,
    least: float,
) -> pd.DataFrame:
    """Days of one analyte with bottles n, machines (-1: not known), log_shift and z. days: laboratory and date, by
    their number.
    """
    middle = float(np.median(departure))
    scatter = max(1.4826 * float(np.median(np.abs(departure - middle))), least)
    median, n = medians_by(of_day, departure, len(days))
    known = machine >= 0
    pairs = np.unique(machine[known] * len(days) + of_day[known])
    out = days.assign(
        n=n, machines=np.bincount(pairs % max(len(days), 1), minlength=len(days)), log_shift=median - middle
    )[n > 0]
    return out.assign(z=out["log_shift"] / (_MEDIAN_COST * scatter / np.sqrt(out["n"])))


def _laboratory_days(samples: pd.DataFrame) -> pd.DataFrame:
    """Per bottle sample, compartment, lab and the day it was reported (received, drawn where that is not known)."""
    out = samples[["sample", "compartment"]].assign(lab=samples["lab"].fillna(""))
    return out.assign(reported_on=samples["reported_on"].fillna(samples["received_on"]).fillna(samples["drawn_on"]))


def laboratory_doubts(known: Fleet, register: pd.DataFrame, shifts: pd.DataFrame) -> pd.DataFrame:
    """Doubts `laboratory`: every bottle of a shifted day (:func:`laboratory_shifts`), one row a bottle, with the worst
    shift named; and results given twice.
    """
    rule = known.settings.trust
    parts = [_given_twice(known, register)]
    if len(shifts):
        worst = (
            shifts.assign(far=shifts["z"].abs()).sort_values("far").drop_duplicates(["lab", "reported_on"], keep="last")
        )
        worst["others"] = shifts.groupby(["lab", "reported_on"])["analyte"].transform("size") - 1
        parts.append(
            _shift_rows(_laboratory_days(known.samples).merge(worst, on=["lab", "reported_on"]), register, rule)
        )
    return pd.concat(parts, ignore_index=True)


def _shift_rows(hit: pd.DataFrame, register: pd.DataFrame, rule: Trust) -> pd.DataFrame:
    reason = [
        f"on {r.reported_on:%Y-%m-%d} laboratory {r.lab or '(not named)'} reported {register.loc[r.analyte, 'name']} "
        f"{100 * np.expm1(r.log_shift):+.0f} % from usual over {r.n} bottles of {r.machines} machines"
        + (f", and {r.others:.0f} more result(s) moved" if r.others > 0 else "")
        for r in hit.itertuples()
    ]
    sign = np.sign(hit["z"].to_numpy(dtype=float))
    return doubt_rows(
        hit,
        "laboratory",
        "shift of the day, sd",
        hit["z"].to_numpy(dtype=float),
        threshold=sign * rule.batch_z,
        probability=rule.batch_probability,
        reason=reason,
        todo="Ask the laboratory to check its calibration of that day and to run kept bottles again.",
    )


def _given_twice(known: Fleet, register: pd.DataFrame) -> pd.DataFrame:
    """Two bottle numbers of one machine, within two weeks, with the same results to the last figure."""
    samples = known.samples
    names = [a for a in register.index if a in samples]
    value, under = results(samples, names)
    speaks = np.isfinite(value) & ~under & (value != 0)
    key = pd.util.hash_pandas_object(pd.DataFrame(np.where(speaks, value, -1.0)), index=False)
    place = samples["compartment"].map(known.compartments.set_index("compartment")["machine"])
    rows = samples[["sample", "compartment", "drawn_on"]].assign(
        key=key.to_numpy(), machine=place, n=speaks.sum(axis=1)
    )
    rows = rows[rows["n"] >= _TWICE].sort_values(["machine", "drawn_on", "sample"], kind="stable")
    again = rows[rows.duplicated(["machine", "key"], keep=False)]
    near = (
        again.groupby(["machine", "key"], sort=False)["drawn_on"].transform(lambda d: (d.max() - d.min()).days)
        <= _TWICE_D
    )
    hit = again[near]
    others = hit.groupby(["machine", "key"], sort=False)["sample"].transform(", ".join)
    reason = [
        f"{r.n} results are the same to the last figure in bottles {o}"
        for r, o in zip(hit.itertuples(), others, strict=True)
    ]
    return doubt_rows(
        hit,
        "laboratory",
        "equal results",
        hit["n"].to_numpy(dtype=float),
        threshold=float(_TWICE),
        probability=known.settings.trust.batch_probability,
        reason=reason,
        todo="Ask the laboratory whether one bottle's results were given to both numbers.",
    )


def unit_doubts(known: Fleet, register: pd.DataFrame, usual_in_family: pd.DataFrame) -> pd.DataFrame:
    """Doubts `units`: results a power of ten away from the compartment's (or else its family's) usual, one row a
    bottle.

    usual_in_family: :func:`family_usual` of the whole fleet.

    One result off by 1,000 or 10,000 is enough; off by 10 it takes three and half of the bottle's results, because real
    wear can be tenfold.
    """
    rule = known.settings.trust
    names = _reported(known.samples, register, (*_STEADY, *_SET_BACK))
    if not names:
        return doubt_rows(
            known.samples.iloc[:0], "units", "", np.array([]), threshold=np.nan, probability=np.nan, reason=[], todo=[]
        )
    value, under = results(known.samples, names)
    usual, count = usual_results(known.samples, names)
    family = _of_family(
        known, usual_in_family, names
    )  # also for a third bottle: the middle of two is moved by one wrong one
    usual = np.where((count >= 3) | ((count == 2) & np.isnan(family)), usual, family)
    least = register.loc[names, "noise_floor"].to_numpy(dtype=float) * 4
    speaks = (value > 0) & (usual > 0) & ~under & ((usual >= least) | (value >= least)) & np.isfinite(usual)
    power = np.where(speaks, np.log10(np.where(speaks, value, 1.0) / np.where(speaks, usual, 1.0)), np.nan)
    whole = np.round(power)
    close = speaks & (
        np.abs(power - whole) * np.log(10) <= rule.unit_tolerance * np.where(np.abs(whole) >= 3, 3.0, 1.0)
    )
    at_ten = np.isin(whole, (-1, 1)) & close
    wrong = close & np.isin(whole, _ALONE)
    for sign in (-1, 1):
        same = at_ten & (whole == sign)
        many = (same.sum(axis=1) >= rule.unit_least_results) & (2 * same.sum(axis=1) >= speaks.sum(axis=1))
        wrong |= same & many[:, None]
    return _unit_rows(known, register, np.where(wrong, whole, 0), names=names, value=value, usual=usual)


def without_results(samples: pd.DataFrame, bottles: pd.Series, register: pd.DataFrame) -> pd.DataFrame:
    """`samples` with every result of `bottles` (names) blank; nothing else changes. Not to be changed in place."""
    names = [a for a in register.index if a in samples]
    blank = samples["sample"].isin(bottles)
    if not blank.any():
        return samples
    marks = [m for flag in (below, above) for a in names if (m := flag(a)) in samples]
    # copied so that so many new columns lie together again
    return samples.assign(**samples[names].mask(blank), **{m: samples[m] & ~blank for m in marks}).copy()


def family_usual(known: Fleet, register: pd.DataFrame) -> pd.DataFrame:
    """The middle result of each family and analyte, and how many results there are (columns USUAL), sorted."""
    names = _reported(known.samples, register, (*_STEADY, *_SET_BACK))
    family = known.samples["compartment"].map(known.compartments.set_index("compartment")["family"])
    values = known.samples[names].groupby(family.to_numpy())
    long = values.median().rename_axis("family").reset_index().melt("family", var_name="analyte", value_name="middle")
    long["n"] = values.count().rename_axis("family").reset_index().melt("family")["value"].astype("int64")
    return typed(long[USUAL].sort_values(["family", "analyte"], ignore_index=True), "usual")


def _of_family(known: Fleet, usual: pd.DataFrame, names: list[str]) -> np.ndarray:
    """The family's middle result for every sample and analyte, [n, A]; NaN with fewer than five results."""
    family = known.samples["compartment"].map(known.compartments.set_index("compartment")["family"])
    table = usual[usual["n"] >= _LEAST_USUAL].pivot_table("middle", "family", "analyte", aggfunc="first")
    return np.asarray(table.reindex(index=family.to_numpy(), columns=names).to_numpy(dtype=float))


def _unit_rows(
    known: Fleet, register: pd.DataFrame, power: np.ndarray, *, names: list[str], value: np.ndarray, usual: np.ndarray
) -> pd.DataFrame:
    rows = np.flatnonzero((power != 0).any(axis=1))
    worst = np.abs(power[rows]).argmax(axis=1)
    exponent = power[rows, worst]
    reason = []
    for i, k, e in zip(rows, worst, exponent, strict=True):
        n = int((power[i] == e).sum())
        unit = register.loc[names[k], "unit"]
        reason.append(
            f"{register.loc[names[k], 'name']} {value[i, k]:,.5g} {unit} is about {10.0 ** abs(e):,.0f} times "
            f"{'more' if e > 0 else 'less'} than usual ({usual[i, k]:,.5g})"
            + (f", with {n - 1} more result(s)" if n > 1 else "")
            + ": another unit?"
        )
    return doubt_rows(
        known.samples.iloc[rows],
        "units",
        "power of ten",
        exponent,
        threshold=np.sign(exponent),
        probability=known.settings.trust.unit_probability,
        reason=reason,
        todo="Compare with the laboratory's own report; mend the unit in the layout file and load again, or ask for a "
        "corrected issue.",
    )
