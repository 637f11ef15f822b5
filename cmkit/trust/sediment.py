"""Bottles that do not represent the charge: all metals high or low by one factor while the dissolved additives stay
where they were.

Sediment from the bottom or the drain stream raises every metal alike; a flushed, diluted or freshly changed charge
lowers them alike. Real wear moves some metals and not others. The call never removes an alarm; it asks for a repeat
bottle first.
"""

from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import chi2, norm

from cmkit.records.fleet import Fleet
from cmkit.records.settings import Trust
from cmkit.tables.frames import names, typed
from cmkit.trust.bottle_arrays import Panel, doubt_rows, results, usual_results

FACTORS = names("factors")
_LEAST_RESULT = 0.5  # ppm; a plain zero is read as half a unit


def all_metals_factor(
    y: np.ndarray,
    mean: np.ndarray,
    var: np.ndarray,
    limit: np.ndarray,
    factor_sd: float,
    *,
    least_ppm: float,
    floor_sd: np.ndarray | float = 0.0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """The factor common to all metals of a bottle: log factor g, its se (without the usual bottle factor), z, misfit Q,
    df.

    y, mean, var: [..., A], results and forecast mean and variance (ppm); metals expected below least_ppm, reported as a
    limit or missing do not count. Q follows chi-square with df degrees of freedom when all metals share the factor. NaN
    where no metal counts. floor_sd (ppm): the part of the noise that does not shrink with the level. Where g is low it
    weighs more on the log scale than the forecast's variance says, so g is found again with it, on the metals that are
    still expected to show.
    Source: guide how_it_is_computed, D3 (derived).
    """
    counts = np.isfinite(y) & np.isfinite(var) & (var > 0) & (mean >= least_ppm) & ~limit
    mean, var = np.where(counts, mean, 1.0), np.where(counts, var, 1.0)
    spread = np.maximum(var - (factor_sd * mean) ** 2, var / 4) / mean**2
    ratio = np.log(np.where(counts, np.maximum(y, _LEAST_RESULT), mean) / mean)
    g = _weighted_mean(ratio, np.where(counts, 1 / spread, 0.0))
    low = np.minimum(np.nan_to_num(g), 0.0)[..., None]
    counts = counts & (mean * np.exp(low) >= least_ppm)
    spread = spread + (floor_sd / mean) ** 2 * np.expm1(-2 * low)
    weight = np.where(counts, 1 / spread, 0.0)
    g = _weighted_mean(ratio, weight)
    misfit = np.sum(weight * (ratio - g[..., None]) ** 2, axis=-1)
    total = np.where(counts.any(axis=-1), weight.sum(axis=-1), np.nan)
    return g, 1 / np.sqrt(total), g / np.sqrt(1 / total + factor_sd**2), misfit, counts.sum(axis=-1) - 1


def _weighted_mean(x: np.ndarray, weight: np.ndarray) -> np.ndarray:
    total = weight.sum(axis=-1)
    return np.asarray(np.sum(weight * x, axis=-1) / np.where(total > 0, total, np.nan))


def bottle_factors(panel: Panel, register: pd.DataFrame, trust: Trust) -> pd.DataFrame:
    """One row per bottle of the panel (columns FACTORS); call is `all high`, `all low` or empty.

    A first bottle is not called: what it is held against is the family's usual level, from which all its metals may
    differ together.
    """
    metals = [i for i, a in enumerate(panel.analytes) if register.loc[a, "group"] == "wear metal" or a == "Si_ppm"]
    part = (panel.value[:, metals], panel.expected[:, metals], panel.sd[:, metals] ** 2)
    limit = (panel.below | panel.above)[:, metals]
    facts = register.loc[[panel.analytes[i] for i in metals]]
    floor = np.hypot(
        facts["noise_floor"].to_numpy(dtype=float), 10.0 ** -facts["decimals"].to_numpy(dtype=float) / np.sqrt(12)
    )
    g, se, z, misfit, df = all_metals_factor(
        *part, limit, trust.bottle_factor_sd, least_ppm=trust.factor_least_ppm, floor_sd=floor
    )
    out = panel.bottles[["sample", "compartment", "order"]].copy()
    fit_p = np.where(df >= 1, chi2.sf(misfit, np.maximum(df, 1)), np.nan)
    out["log_factor"], out["se"], out["z"], out["misfit"], out["df"], out["fit_p"] = g, se, z, misfit, df, fit_p
    enough = (panel.bottles["order"] >= 1) & (df + 1 >= trust.factor_least_metals) & (fit_p > trust.factor_fit_p)
    high = enough & (z > trust.common_factor_z) & (np.exp(g) > trust.factor_high)
    low = enough & (z < -trust.common_factor_z) & (np.exp(g) < trust.factor_low)
    out["call"] = np.select([high, low], ["all high", "all low"], "")
    return typed(out[FACTORS], "factors")


def additive_shift(known: Fleet, register: pd.DataFrame) -> pd.DataFrame:
    """How far the dissolved additives moved from the bottles before: sample, log_shift (median over elements; NaN not
    known).
    """
    names = [a for a in register.index[register["group"] == "additive"] if a in known.samples]
    value, under = results(known.samples, names)
    usual, count = usual_results(known.samples, names)
    floor = register.loc[names, "noise_floor"].to_numpy(dtype=float) * 10
    speaks = (count >= 1) & (usual >= floor) & np.isfinite(value) & ~under
    ratio = np.where(speaks, np.log(np.maximum(value, _LEAST_RESULT) / np.where(speaks, usual, 1.0)), np.nan)
    shift = np.full(len(value), np.nan)
    some = speaks.sum(axis=1) >= 2
    shift[some] = np.nanmedian(ratio[some], axis=1) if some.any() else shift[some]
    return pd.DataFrame({"sample": known.samples["sample"], "log_shift": shift})


def factor_doubts(factors: pd.DataFrame, shift: pd.DataFrame, trust: Trust) -> pd.DataFrame:
    """Doubts `not representative` from :func:`bottle_factors` and :func:`additive_shift`."""
    hit = factors[factors["call"] != ""].merge(shift, on="sample", how="left")
    moved = hit["log_shift"].abs() > trust.additive_moved
    hit = hit[~((hit["call"] == "all high") & moved)].reset_index(drop=True)
    reason = [_reason(row, trust.additive_moved) for row in hit.itertuples()]
    todo = np.where(hit["call"] == "all high", _REQUEST_HIGH, _REQUEST_LOW)
    chance = trust.factor_probability * (1 - 2 * norm.sf(hit["z"].abs()))
    return doubt_rows(
        hit,
        "not representative",
        "common factor, sd",
        hit["z"].to_numpy(),
        threshold=np.where(hit["z"] > 0, 1, -1) * trust.common_factor_z,
        probability=np.asarray(chance),
        reason=reason,
        todo=list(todo),
    )


_REQUEST_HIGH = (
    "Take a repeat bottle first: fluid warm and mixed, from mid-depth, never the bottom or the drain "
    "stream. Any alarm stands until then."
)
_REQUEST_LOW = (
    "Ask whether the fluid was changed, topped up or flushed before the bottle was filled, and record it; "
    "else take a repeat bottle."
)


def _reason(row: Any, moved: float) -> str:
    times = float(np.exp(row.log_factor))
    additives = "" if np.isnan(row.log_shift) else _additive_words(row.log_shift, moved)
    together = f"{row.df + 1} results of wear and dirt, taken together, are"
    if row.call == "all high":
        return f"{together} {times:.1f} times what was expected{additives}: drawn from the bottom or the drain stream?"
    return (
        f"{together} {times:.2f} times what was expected{additives}: flushed, diluted, or a fluid change not recorded?"
    )


def _additive_words(shift: float, moved: float) -> str:
    if abs(shift) <= moved:
        return " and the additives have not moved"
    return f" and the additives are {100 * np.expm1(shift):+.0f} %"
