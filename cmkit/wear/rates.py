"""Wear rates of a fleet: the filter run over every compartment life and analyte, and what it says today."""

from collections.abc import Collection
from dataclasses import dataclass, fields, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.records.analytes import by_rule
from cmkit.records.constants import HALF_NINETY
from cmkit.tables.frames import names, typed
from cmkit.wear.filter import LEAST_RATE, Floats, Numbers, Track, wear_rates
from cmkit.wear.laboratory_bias import bias_of_results
from cmkit.wear.rounding import repeated_error
from cmkit.wear.series_arrays import Panel, panel

HISTORY = names("history")


@dataclass(frozen=True)
class Filtered:
    """What the filter says of a fleet. history: one row per sample and analyte of rule `rate` that has a result
    (columns HISTORY), in order of `exposure`, then of the register.

    expected, expected_sd (ppm): forecast before the result was seen; z: departure in sd; rise: likelihood ratio of a
    rate rise begun change_k intervals ago; rate (ppm/h), level (ppm) with sd and covariance: after it.
    growth: one row per life and analyte, of its last result: growth, growth_var (ppm/h per h, and its square) of a path
    that speeds up (else 0), off_level (h^2) and off_rate (h): what level and rate are off by per unit of growth
    (`wear.growth`).
    """

    history: pd.DataFrame
    growth: pd.DataFrame


def run_filter(
    exposure: pd.DataFrame,
    samples: pd.DataFrame,
    numbers: pd.DataFrame,
    register: pd.DataFrame,
    *,
    accept_changes: bool,
    not_learnt: Collection[str] = (),
    laboratories: pd.DataFrame | None = None,
    own_fresh: pd.DataFrame | None = None,
) -> Filtered:
    """The filter over every compartment life and analyte of rule `rate`.

    accept_changes False: the state never jumps, as the bottle screens need it. An analyte without a row in `numbers`
    for its family is left out. not_learnt: bottles whose results are held against their forecast like any other, but do
    not move the state (rise is NaN there). laboratories: what their results are off by (`wear.laboratory_bias`): value
    and forecast are as that laboratory reports, rate and level are on the scale of the reference laboratory. own_fresh:
    compartments whose fresh fluid is not their family's (`wear.own_fresh`).
    """
    analytes = [a for a in by_rule(register, "rate") if a in samples]
    data = panel(exposure, samples, analytes)
    bias, bias_sd = _bias(exposure, samples, data, laboratories)
    data = replace(data, y=data.y / bias).with_fresh(own_fresh)
    series = data.series.join(data.lives["family"], on="life_row").merge(
        numbers, on=["family", "analyte"], how="left", validate="many_to_one"
    )
    life = series["life_row"].to_numpy(np.int64)
    chained = data.exposure
    strange = exposure["sample"].isin(not_learnt).to_numpy()
    aside = strange[data.bottle[life]] & (data.bottle[life] >= 0) if strange.any() else np.zeros(data.y.shape, bool)
    track = wear_rates(
        np.where(aside, np.nan, data.y),
        data.censored,
        chained["phi"],
        chained["psi"],
        chained["chi"],
        sd_phi=chained["sd_phi"],
        hours=chained["hours"],
        numbers=_assumed(series, data.fresh, data.fresh_sd(own_fresh)),
        sd_psi=chained["sd_psi"],
        exposure_of=life,
        accept=accept_changes,
    )
    z = np.where(aside, (data.y - track.expected) / track.expected_sd, track.z)
    track = replace(
        track,
        z=z,
        expected=track.expected * bias,
        expected_sd=track.expected_sd * bias,
        rate_sd=np.hypot(track.rate_sd, bias_sd * track.rate),
        level_sd=np.hypot(track.level_sd, bias_sd * track.level),
    )
    history = _long(exposure, replace(data, y=data.y * bias), series, track, register)
    return Filtered(history, _growth(data, series, track))


def _growth(data: Panel, series: pd.DataFrame, track: Track) -> pd.DataFrame:
    number = np.arange(1, track.rate.shape[1] + 1)
    newest = (np.isfinite(track.rate) * number).max(axis=1, initial=1) - 1
    rate = track.rate[np.arange(len(series)), newest]
    g, variance = track.growth.found(np.maximum(rate, LEAST_RATE * series["rate_mean"].to_numpy(float)))
    lives = data.lives.iloc[series["life_row"]][["compartment", "life"]].reset_index(drop=True)
    return lives.assign(
        analyte=series["analyte"].to_numpy(),
        growth=g,
        growth_var=variance,
        off_level=track.growth.level,
        off_rate=track.growth.rate,
    )


def _bias(
    exposure: pd.DataFrame, samples: pd.DataFrame, data: Panel, laboratories: pd.DataFrame | None
) -> tuple[Floats | float, Floats | float]:
    """Factor of each result over what the reference laboratory reports, and the sd of its logarithm (series, n)."""
    if laboratories is None or laboratories.empty:
        return 1.0, 0.0
    analytes = list(data.series["analyte"].unique())
    at = data.bottle[data.series["life_row"].to_numpy()]
    column = pd.Index(analytes).get_indexer(data.series["analyte"])[:, None]
    log_bias, log_sd = (
        np.where(at >= 0, f.to_numpy()[at, column], 0.0)
        for f in bias_of_results(exposure, samples, analytes, laboratories)
    )
    return np.exp(log_bias), log_sd


def _assumed(series: pd.DataFrame, own_fresh: Floats | float, fresh_sd: Floats | float) -> Numbers:
    own = [f.name for f in fields(Numbers) if f.name not in ("fresh", "fresh_sd", "unit")]
    values = {name: series[name].to_numpy(float) for name in own}
    unit, fresh = (series[name].to_numpy(float) for name in ("rounding_step", "fresh_ppm"))
    return Numbers(**values, fresh=fresh + own_fresh, fresh_sd=fresh_sd, unit=unit)


def _long(
    exposure: pd.DataFrame, data: Panel, series: pd.DataFrame, track: Track, register: pd.DataFrame
) -> pd.DataFrame:
    """The track's results as one long frame.

    To the variance of the rate: a make-up q not known adds an error of q C, as dC/dt = beta - q C (sd of q times the
    level); rounding errors that repeat in every life of a fluid add the variance of their difference at its two ends
    over the square of its hours (`wear.rounding.repeated_error`).
    """
    has = np.isfinite(data.y) & np.isfinite(track.rate)
    s, i = np.nonzero(has)
    at = data.bottle[series["life_row"].to_numpy()[s], i]
    out = exposure[["sample", "compartment", "life", "order", "family", "drawn_on", "run_h", "fluid_h"]].iloc[at]
    out = out.reset_index(drop=True)
    out["analyte"] = series["analyte"].to_numpy()[s]
    out["value"], out["below"], out["above"] = data.y[s, i], data.censored[s, i] < 0, data.censored[s, i] > 0
    for name in ("expected", "expected_sd", "z", "rise", "rate", "rate_sd", "level", "level_sd", "cov", "change_k"):
        out[name] = getattr(track, name)[s, i]
    unmade = exposure["makeup_sd"].to_numpy()[at] * out["level"]
    repeated = _repeated(series, s, out["level"].to_numpy(), _longest(exposure)[at])
    out["rate_sd"] = np.sqrt(out["rate_sd"] ** 2 + unmade**2 + repeated)
    for name in ("rate", "rate_sd", "cov"):
        out[name] *= exposure["season"].to_numpy()[at]
    rank = out["analyte"].map({name: k for k, name in enumerate(register.index)}).to_numpy()
    return typed(out.iloc[np.lexsort((rank, at))][HISTORY].reset_index(drop=True), "history")


def _longest(exposure: pd.DataFrame) -> Floats:
    """Longest time a fluid was followed so far, h, from the bottles of the life up to each."""
    hours = exposure["fluid_h"].fillna(exposure["hours"])
    longest = hours.groupby([exposure["compartment"], exposure["life"]]).cummax()
    return np.asarray(np.maximum(longest.fillna(0.0).to_numpy(float), 1.0))


def _repeated(series: pd.DataFrame, s: NDArray[np.int64], level: Floats, longest: Floats) -> Floats:
    floor, share, step = (series[n].to_numpy(float)[s] for n in ("noise_floor", "noise_share", "rounding_step"))
    return np.asarray(2 * repeated_error(step, np.hypot(floor, share * level)) / longest**2)


def current_wear(history: pd.DataFrame) -> pd.DataFrame:
    """Last row per compartment and analyte of the present life, with rate_low, rate_high (90 % interval, ppm/h, not
    below 0) and n_samples.
    """
    present = history[history["life"] == history.groupby("compartment")["life"].transform("max")]
    counts = present.groupby(["compartment", "analyte"], sort=False)["sample"].transform("size")
    out = present.assign(n_samples=counts).drop_duplicates(["compartment", "analyte"], keep="last")
    out["rate_low"] = (out["rate"] - HALF_NINETY * out["rate_sd"]).clip(lower=0.0)
    out["rate_high"] = (out["rate"] + HALF_NINETY * out["rate_sd"]).clip(lower=0.0)
    return typed(out.reset_index(drop=True), "wear")
