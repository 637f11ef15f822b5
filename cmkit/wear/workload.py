"""Wear that follows the fuel burnt or the tonnes moved, where machines count them.

An hour of idling and an hour uphill wear unlike. Of the wear of a kind of compartment let the share w go with what the
machine counts (litres or tonnes), the rest with its hours. An interval in which it counted x times the compartment's
own usual pace then has

    psi (1 - w + w x)

effective hours: hours at its usual work, so that rates, forecasts and limits stay per hour, and a compartment that
always works hard is not made to look better than it is. w is one number a kind: its posterior mean from the pooled
robust likelihood of the filter's forecasts, weighted by what that is worth (`wear.profile`), believed where it gains
enough of it. Of litres and tonnes the one that gains more is taken.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.records.constants import HALF_NINETY, constant
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import empty, names, typed
from cmkit.wear.profile import posterior
from cmkit.wear.season import days_of
from cmkit.wear.tried_hours import TriedHours, fitted_hours, profile_by_kind

Floats = NDArray[np.float64]
MEASURES = ("fuel_l", "moved_t")
_SD, _GAIN = constant("wear", "workload_sd"), constant("wear", "workload_log_likelihood")
_FEWEST, _MOST = int(constant("wear", "workload_intervals")), constant("wear", "workload_most")
_TRIED = np.linspace(-0.4, 1.4, 7)  # shares at which the likelihood is taken
_SWEEPS = 3


def counted(known: Fleet, exposure: pd.DataFrame, measure: str) -> Floats:
    """What each bottle's machine counted since the bottle before (litres or tonnes), NaN where no count spans the days
    between.

    exposure: `wear.exposure`; measure: one of MEASURES, a running total in the table of meters. A total that falls is a
    new counter: nothing is said of the interval in which it was changed.
    """
    out = np.full(len(exposure), np.nan)
    readings = known.meters[known.meters[measure].notna()].sort_values(["machine", "read_on"], kind="stable")
    new = readings.groupby("machine")[measure].diff() < 0
    start, end = days_of(exposure.groupby(["compartment", "life"])["drawn_on"].shift()), days_of(exposure["drawn_on"])
    rows = exposure.groupby("machine").indices
    for (machine, _), own in readings.groupby(["machine", new.cumsum()]):  # one counter after the other
        at = rows.get(machine, np.zeros(0, int))
        total = (days_of(own["read_on"]), own[measure].to_numpy(float))
        first, then = (np.interp(x[at], *total, left=np.nan, right=np.nan) for x in (start, end))
        out[at] = np.where(np.isnan(out[at]), then - first, out[at])
    return out


def pace_factor(known: Fleet, exposure: pd.DataFrame, measure: str) -> Floats:
    """x of each bottle: what was counted an hour in its interval over what is usual for its compartment, NaN where it
    is not known. Bounded (`workload_most`).
    """
    an_hour, usual, _ = _per_hour(known, exposure, measure)
    return np.asarray(np.clip(an_hour / usual, 1 / _MOST, _MOST))


def _per_hour(known: Fleet, exposure: pd.DataFrame, measure: str) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Of each bottle: counted an hour in its interval, usual for its compartment, and the intervals that rests on."""
    count, hours = counted(known, exposure, measure), exposure["hours"].to_numpy(float)
    usable = np.isfinite(count) & (count >= 0) & (hours > 0)
    part = pd.DataFrame({"count": np.where(usable, count, 0.0), "hours": np.where(usable, hours, 0.0), "n": usable})
    whole = part.groupby(exposure["compartment"].to_numpy()).transform("sum")
    worked = (whole["hours"] > 0) & (whole["count"] > 0)
    usual = (whole["count"] / whole["hours"]).where(worked).to_numpy(float)
    return np.divide(count, hours, out=np.full(len(count), np.nan), where=usable), usual, whole["n"].to_numpy(np.int64)


def usual_work(known: Fleet, exposure: pd.DataFrame, workload: pd.DataFrame) -> pd.DataFrame:
    """One row per compartment of a kind of `workload` whose machine counts (columns of `work`), by name."""
    found = []
    for row in workload.itertuples():
        _, usual, n = _per_hour(known, exposure, str(row.measure))
        own = exposure.assign(pace=usual, n=n)[(exposure["kind"] == row.kind).to_numpy() & np.isfinite(usual)]
        ends = (float(np.clip(row.share + HALF_NINETY * s * row.share_sd, 0.0, 1.0)) for s in (-1, 1))
        told = dict(zip(("share_low", "share_high"), ends, strict=True))
        found.append(own.drop_duplicates("compartment").assign(measure=row.measure, share=row.share, **told))
    if not found:
        return empty("work")
    return typed(pd.concat(found)[names("work")], "work").sort_values("compartment", ignore_index=True)


def with_workload(known: Fleet, exposure: pd.DataFrame, workload: pd.DataFrame) -> pd.DataFrame:
    """`exposure` (`wear.exposure`) whose effective hours are hours at each compartment's usual work, for the kinds of
    `workload` (:func:`learn_workload`).
    """
    times = np.ones(len(exposure))
    for row in workload.itertuples():
        x = pace_factor(known, exposure, str(row.measure))
        own = (exposure["kind"] == row.kind).to_numpy() & np.isfinite(x)
        times[own] = np.maximum(1 + row.share * (x[own] - 1), 1 / _MOST)
    if (times == 1).all():
        return exposure
    return exposure.assign(psi=exposure["psi"] * times, sd_psi=exposure["sd_psi"] * times, work=times)


def learn_workload(
    known: Fleet, exposure: pd.DataFrame, samples: pd.DataFrame, register: pd.DataFrame, steps: pd.DataFrame
) -> pd.DataFrame:
    """Per kind whose wear follows what its machines count: measure, share with its sd, the log likelihood gained, and
    the intervals it rests on.

    exposure: with seasons in it; samples: wide results; register: analytes; steps: `wear.family.rate_steps`.
    """
    factors = {m: pace_factor(known, exposure, m) for m in MEASURES}
    enough = {m: x for m, x in factors.items() if np.isfinite(x).sum() >= _FEWEST}
    if not enough:
        return empty("workload")
    tried, series = fitted_hours(exposure, samples, register, steps, sweeps=_SWEEPS)
    found = pd.concat([_shares(tried, series, exposure["kind"], x).assign(measure=m) for m, x in enough.items()])
    believed = found[found["log_likelihood"] >= _GAIN].sort_values(["kind", "log_likelihood"], kind="stable")
    return typed(believed.drop_duplicates("kind", keep="last"), "workload").reset_index(drop=True)


def _shares(tried: TriedHours, series: pd.DataFrame, kinds: pd.Series, factor: Floats) -> pd.DataFrame:
    """Share of each kind with enough intervals: kind, share, share_sd, log_likelihood, n.

    series: compartment and kind of the series tried; kinds, factor: of each bottle.
    """
    x = tried.of_bottles(factor, otherwise=1.0)
    kind_names, total, weight = profile_by_kind(tried, series, _TRIED, lambda w: 1 + w * (x - 1))
    n = pd.Series(np.isfinite(factor)).groupby(kinds.to_numpy()).sum().reindex(kind_names).to_numpy(int)
    out = []
    for k, kind in enumerate(kind_names):
        share, sd = posterior(_TRIED, weight[k] * total[:, k], _SD)
        share = float(np.clip(share, 0.0, 1.0))
        gained = weight[k] * (np.interp(share, _TRIED, total[:, k]) - np.interp(0.0, _TRIED, total[:, k]))
        out.append({"kind": kind, "share": share, "share_sd": sd, "log_likelihood": gained, "n": n[k]})
    frame = pd.DataFrame(out)
    return frame[frame["n"] >= _FEWEST]
