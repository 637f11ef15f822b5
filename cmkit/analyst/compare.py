"""Two things held against one another: a difference with its interval, and what it rests on."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import t as student

from cmkit.analyst.asked import known_analyte, one_of, place_of, rows_of, unit_of
from cmkit.analyst.one_series import numbers_of
from cmkit.assessment import Assessment
from cmkit.errors import ParameterError
from cmkit.records.constants import HALF_NINETY

COMPARED = [
    "by",
    "one",
    "other",
    "analyte",
    "unit",
    "n_one",
    "n_other",
    "value_one",
    "value_other",
    "difference",
    "low",
    "high",
    "ratio",
    "ratio_low",
    "ratio_high",
    "differ",
    "words",
]
BY = ("compartment", "month", "lab", "sampler", "method", "site")
_LEAST = 0.02  # of the family's usual rate: below this a rate is next to none, and its logarithm says nothing


def compare(a: Assessment, one: str, other: str, analyte: str = "Fe_ppm", by: str = "compartment") -> pd.DataFrame:
    """The wear rate of one thing against that of another: one row (columns COMPARED), rates in unit per 1,000 h,
    intervals of 90 %.

    by `compartment`: left and right, or sisters: the filter's rates today, their difference and ratio. by `month`:
    `YYYY-MM` of each, every compartment with a bottle in both against itself. by `lab`, `sampler`, `method` or `site`:
    compartments of one family against one another, so that kinds of machines do not mix; n is compartments, and a
    compartment counts where most of its bottles do. differ: whether the interval of the ratio leaves out 1. A
    difference between laboratories or samplers may be one between the sites or crews that use them; it is a question to
    ask, not a proof. Raises ParameterError for names that are not known, and where there is nothing in common to
    compare. Intervals: normal (compartment), Student's t of the differences (the others).

    >>> cmkit.compare(a, "RH-02/final drive/left", "RH-02/final drive/right")["words"].iloc[0]
    'Fe_ppm: RH-02/final drive/left ..., RH-02/final drive/right ... ppm per 1,000 h; ratio 1... (9 in 10: ...'
    """
    one_of("by", by, BY)
    known_analyte(a, analyte)
    if one == other:
        raise ParameterError(f"{by}: found {one!r} twice; wanted two to compare.")
    found = (_compartments if by == "compartment" else _months if by == "month" else _groups(by))(
        a, one, other, analyte
    )
    row = {
        "by": by,
        "one": one,
        "other": other,
        "analyte": analyte,
        "unit": f"{unit_of(a, analyte)} per 1,000 h",
        **found,
    }
    row["differ"] = bool(row["ratio_low"] > 1 or row["ratio_high"] < 1)
    row["words"] = _words(row)
    return pd.DataFrame([row])[COMPARED]


_BESIDE = "; their machines and work differ too, so it is a question and not a proof"


def _words(row: dict[str, Any]) -> str:
    says = "a difference" if row["differ"] else "no more than chance gives"
    says += _BESIDE if row["differ"] and row["by"] not in ("compartment", "month") else ""
    return (
        f"{row['analyte']}: {row['one']} {row['value_one']:.3g}, {row['other']} {row['value_other']:.3g} "
        f"{row['unit']}; "
        f"ratio {row['ratio']:.2f} (9 in 10: {row['ratio_low']:.2f} to {row['ratio_high']:.2f}): {says}"
    )


def _compartments(a: Assessment, one: str, other: str, analyte: str) -> dict[str, Any]:
    rows = []
    for name in (one, other):
        place_of(a, name)
        numbers_of(a, name, analyte)
        own = rows_of(a.wear, name)
        own = own[own["analyte"] == analyte]
        if own.empty:
            raise ParameterError(f"compartment: {name!r} has no wear rate of {analyte} yet; wanted one with bottles.")
        rows.append(own.iloc[0])
    x, y = rows
    least = _LEAST * min(float(numbers_of(a, n, analyte)["rate_mean"]) for n in (one, other))
    gap, sd = x["rate"] - y["rate"], np.hypot(x["rate_sd"], y["rate_sd"])
    logs = [max(r["rate"], least) for r in rows]
    log_sd = np.hypot(x["rate_sd"] / logs[0], y["rate_sd"] / logs[1])
    ends = np.array([gap, gap - HALF_NINETY * sd, gap + HALF_NINETY * sd]) * 1000
    ratio = logs[0] / logs[1] * np.exp(np.array([0, -1, 1]) * HALF_NINETY * log_sd)
    return _found(
        rows[0]["n_samples"], rows[1]["n_samples"], 1000 * x["rate"], 1000 * y["rate"], ends=ends, ratio=ratio
    )


def _found(
    n_one: int, n_other: int, one: float, other: float, *, ends: np.ndarray, ratio: np.ndarray
) -> dict[str, Any]:
    names = ("difference", "low", "high", "ratio", "ratio_low", "ratio_high")
    counts = {"n_one": int(n_one), "n_other": int(n_other), "value_one": float(one), "value_other": float(other)}
    return counts | dict(zip(names, map(float, [*ends, *ratio]), strict=True))


def _rates(a: Assessment, analyte: str) -> pd.DataFrame:
    """Rates (unit per 1,000 h) after each bottle, with what the family usually has."""
    usual = a.numbers[a.numbers["analyte"] == analyte].set_index("family")["rate_mean"]
    out = a.history[a.history["analyte"] == analyte]
    if out.empty:
        raise ParameterError(f"analyte: found {analyte!r}, wanted one with a wear rate, such as Fe_ppm.")
    least = _LEAST * out["family"].map(usual)
    return out.assign(log_rate=np.log(np.maximum(out["rate"], least)), rate=1000 * out["rate"])


def _months(a: Assessment, one: str, other: str, analyte: str) -> dict[str, Any]:
    rates = _rates(a, analyte)
    rates = rates.assign(month=rates["drawn_on"].dt.strftime("%Y-%m"))
    for name in (one, other):
        one_of("month", name, sorted(rates["month"].unique(), reverse=True))
    sides = [rates[rates["month"] == m].drop_duplicates(["compartment", "life"], keep="last") for m in (one, other)]
    both = sides[0].merge(sides[1], on=["compartment", "life"], suffixes=("_one", "_other"))
    if len(both) < 2:
        raise ParameterError(
            f"month: {len(both)} compartment(s) with a bottle in both {one} and {other}; wanted two or more."
        )
    return _paired(both["rate_one"], both["rate_other"], both["log_rate_one"] - both["log_rate_other"])


def _paired(x: pd.Series, y: pd.Series, logs: pd.Series) -> dict[str, Any]:
    return _found(len(x), len(y), x.mean(), y.mean(), ends=_ends(x - y), ratio=np.exp(_ends(logs)))


def _ends(differences: pd.Series) -> np.ndarray:
    """Mean of differences with its 90 % interval by Student's t."""
    n, middle = len(differences), float(differences.mean())
    half = float(student.ppf(0.95, n - 1) * differences.std(ddof=1) / np.sqrt(n))
    return np.array([middle, middle - half, middle + half])


def _groups(by: str) -> Callable[[Assessment, str, str, str], dict[str, Any]]:
    def of(a: Assessment, one: str, other: str, analyte: str) -> dict[str, Any]:
        rates = _rates(a, analyte)
        group = _group_of(a, by)
        for name in (one, other):
            one_of(by, name, sorted(set(group)))
        mean = rates.groupby(["compartment", "family"])[["rate", "log_rate"]].mean().reset_index()
        mean = mean.assign(group=mean["compartment"].map(group))
        mean = mean[mean["group"].isin([one, other])]
        return _within_families(mean, one, other, by)

    return of


def _group_of(a: Assessment, by: str) -> pd.Series:
    """Compartment -> the laboratory, sampler, method or site of most of its bottles."""
    if by == "site":
        site = a.machines.set_index("machine")["site"]
        return a.compartments.set_index("compartment")["machine"].map(site)
    named = a.samples[a.samples[by].fillna("") != ""]
    return named.groupby("compartment")[by].agg(lambda names: names.value_counts().index[0])


def _within_families(mean: pd.DataFrame, one: str, other: str, by: str) -> dict[str, Any]:
    """Difference of two groups with every family's own level taken out: least squares with one term a family."""
    shared = mean.groupby("family")["group"].transform("nunique") == 2
    own = mean[shared]
    families, at = np.unique(own["family"].to_numpy(str), return_inverse=True)
    if len(own) - len(families) - 1 < 1:
        raise ParameterError(
            f"{by}: {one!r} and {other!r} share {len(families)} famil{'y' if len(families) == 1 else 'ies'} of too "
            f"few compartments; wanted at least three compartments of a family, in both."
        )
    is_one = (own["group"] == one).to_numpy(float)
    ends, ratio = (_term(own[c].to_numpy(float), is_one, at) for c in ("rate", "log_rate"))
    sides = [own[own["group"] == name] for name in (one, other)]
    return _found(*map(len, sides), *(s["rate"].mean() for s in sides), ends=ends, ratio=np.exp(ratio))


def _term(y: np.ndarray, is_one: np.ndarray, family: np.ndarray) -> np.ndarray:
    """Coefficient of `is_one` beside one level a family, with its 90 % interval."""
    levels = np.eye(family.max() + 1)[family]
    x = is_one - levels @ (levels.T @ is_one / levels.sum(axis=0))
    z = y - levels @ (levels.T @ y / levels.sum(axis=0))
    slope = float(x @ z / (x @ x))
    df = len(y) - levels.shape[1] - 1
    half = float(student.ppf(0.95, df) * np.sqrt(((z - slope * x) ** 2).sum() / df / (x @ x)))
    return np.array([slope, slope - half, slope + half])
