"""What lies ahead: the level at the next bottle, the chance of passing the limit before its result, and the hours to
the limit.

From the state of the wear filter (level C, rate beta, covariance P) after t more hours (guide how_it_is_computed, E)

    m(t) = C phi + beta psi + chi + g k        v(t) = phi^2 P11 + 2 phi psi P12 + psi^2 P22 + var(g) k^2
    + (load_share beta psi)^2 min(1, T/t) + (drift_share beta)^2 (t/1000) psi^2/3,
    k = phi e1 + psi e2 + (t - psi)/a

(the load is one number an interval of T hours and independent from interval to interval, so over t > T it averages out
as the mean of t/T numbers; g is the growth of a rate that speeds up, ppm/h per h, which moves level and rate by e1, e2
a unit already: `wear.growth`; (t - psi)/a is t^2/2 without loss a)

and P(limit passed by t) = Phi((m - L)/sqrt v): the level only rises between changes, so being above and having passed
are one. A planned fluid change leaves the residual share and the climb starts again.
"""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from cmkit.learnt import Learnt
from cmkit.records.analytes import with_own
from cmkit.records.constants import HALF_NINETY, constant
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import empty, names, typed
from cmkit.wear.exposure import effective_hours
from cmkit.wear.laboratory_bias import bias_of_rows
from cmkit.wear.next_bottle import next_bottles
from cmkit.wear.rates import Filtered
from cmkit.wear.running_in import running_in_ahead
from cmkit.wear.season import days_of, season_factor
from cmkit.wear.timeline import with_residuals

Floats = NDArray[np.float64]
FORECAST = names("forecast")
_LIVES = 4  # own choice: fluid lives looked ahead
_HORIZON_H = constant("wear", "forecast_horizon_h")
_GRID = 24


@dataclass(frozen=True)
class WearState:
    """State of the wear filter, arrays of one length (or scalars): level ppm, rate ppm/h, their variances and
    covariance; loss 1/h and fresh ppm/h are what dilution takes and brings; load_share (per interval) and drift_share
    (per sqrt 1000 h) scatter of the rate, as shares;
    interval_h: hours of one interval."""

    level: Floats
    rate: Floats
    var_level: Floats
    cov: Floats
    var_rate: Floats
    loss: Floats
    fresh: Floats
    load_share: Floats
    drift_share: Floats
    interval_h: Floats
    growth: Floats
    var_growth: Floats
    off_level: Floats
    off_rate: Floats


def wear_state(
    level: ArrayLike,
    rate: ArrayLike,
    covariance: ArrayLike,
    *,
    loss: ArrayLike = 0.0,
    fresh: ArrayLike = 0.0,
    load_share: ArrayLike = 0.0,
    drift_share: ArrayLike = 0.0,
    interval_h: ArrayLike = np.inf,
    growth: ArrayLike = 0.0,
    var_growth: ArrayLike = 0.0,
    off_level: ArrayLike = 0.0,
    off_rate: ArrayLike = 0.0,
) -> WearState:
    """A state from level [N], rate [N] and covariance [N, 2, 2]; the rest broadcast. One compartment may be given as
    plain numbers.
    """
    p = np.asarray(covariance, float).reshape(-1, 2, 2)
    given = (level, rate, p[:, 0, 0], p[:, 0, 1], p[:, 1, 1], loss, fresh, load_share, drift_share, interval_h,
             growth, var_growth, off_level, off_rate)  # fmt: skip
    return WearState(*(a.astype(float) for a in np.broadcast_arrays(*(np.asarray(v, float) for v in given))))


def level_ahead(state: WearState, hours: ArrayLike) -> tuple[Floats, Floats]:
    """Mean and variance of the true level after `hours` more operating hours (>= 0) on the same
    fluid, ppm and ppm^2.
    """
    mean, var, reach = _parts_ahead(state, np.asarray(hours, float))
    return mean + state.growth * reach, np.maximum(var + state.var_growth * reach**2, 0.0)


def _parts_ahead(state: WearState, t: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean and variance of the level after t hours as if the rate did not grow; what a unit of growth adds (h^2)."""
    phi, psi = np.exp(-state.loss * t), effective_hours(state.loss, t)
    mean = state.level * phi + (state.rate + state.fresh) * psi
    load = state.load_share**2 * np.minimum(1.0, state.interval_h / np.maximum(t, 1e-9))
    wander = (load + state.drift_share**2 * t / 3000) * (state.rate * psi) ** 2
    var = phi**2 * state.var_level + 2 * phi * psi * state.cov + psi**2 * state.var_rate + wander
    lossy = state.loss * t > 1e-5
    grown = np.where(lossy, (t - psi) / np.where(lossy, state.loss, 1.0), t * t / 2)
    return mean, var, phi * state.off_level + psi * state.off_rate + grown


def chance_above(state: WearState, limit: ArrayLike, hours: ArrayLike) -> Floats:
    """Chance that the true level is at or above `limit` after `hours`."""
    mean, var = level_ahead(state, hours)
    return np.asarray(ndtr((mean - np.asarray(limit, float)) / np.sqrt(np.maximum(var, 1e-24))))


def after_change(
    state: WearState, hours: ArrayLike, residual: ArrayLike, residual_sd: ArrayLike = 0.0, fresh_ppm: ArrayLike = 0.0
) -> WearState:
    """The state right after a fluid change `hours` from now: the share `residual` (sd `residual_sd`) of the old fluid
    stays, the rest is fresh.

    C' = f C + (1 - f) c_f, var C' = f^2 var C + (sd_f (C - c_f))^2.
    """
    t, f = np.asarray(hours, float), np.asarray(residual, float)
    fresh = np.asarray(fresh_ppm, float)
    phi, psi = np.exp(-state.loss * t), effective_hours(state.loss, t)
    mean, var, reach = _parts_ahead(state, t)
    drained = mean + state.growth * reach
    walk = (state.drift_share * state.rate) ** 2 * t / 1000
    cov = phi * state.cov + psi * state.var_rate + walk * psi / 2
    return WearState(
        f * mean + (1 - f) * fresh,
        state.rate,
        f**2 * var + (np.asarray(residual_sd, float) * (drained - fresh)) ** 2,
        f * cov,
        state.var_rate + walk,
        state.loss,
        state.fresh,
        state.load_share,
        state.drift_share,
        state.interval_h,
        state.growth,
        state.var_growth,
        f * reach,
        state.off_rate + t,
    )


@dataclass(frozen=True)
class Crossing:
    """Hours until the limit is passed with chance 10, 50 and 90 % (NaN: not on this trend), and the chance by the hours
    asked for.
    """

    hours_to_limit_p10: Floats
    hours_to_limit_p50: Floats
    hours_to_limit_p90: Floats
    chance: Floats


def time_to_limit(
    state: WearState,
    limit: ArrayLike,
    until_change_h: ArrayLike = np.inf,
    *,
    by_h: ArrayLike = 0.0,
    residual: ArrayLike = 0.0,
    change_every_h: ArrayLike = np.inf,
) -> Crossing:
    """When the level passes `limit` (ppm): quantiles of the hours from now, and the chance of passing by `by_h`.

    until_change_h: hours to the next planned fluid change; after it the level starts from `residual` of where it was,
    and changes follow every `change_every_h`. Looks at most four fluid lives or 20,000 h ahead. The chance of having
    passed is the largest chance of being above so far; that is exact while the level rises towards the limit, a lower
    bound over several lives.
    """
    limit, until, by, f, every = (
        np.broadcast_to(np.asarray(v, float), state.level.shape)
        for v in (limit, until_change_h, by_h, residual, change_every_h)
    )
    quantiles = {q: np.full(state.level.shape, np.nan) for q in (0.1, 0.5, 0.9)}
    chance, start = np.zeros(state.level.shape), np.zeros(state.level.shape)
    for life in range(_LIVES):
        span = np.minimum(until if life == 0 else every, np.maximum(_HORIZON_H - start, 0.0))
        for q, found in quantiles.items():
            hours = _first_at(state, limit, span, q)
            quantiles[q] = np.where(np.isnan(found), start + hours, found)
        chance = np.maximum(chance, _highest(state, limit, np.clip(by - start, 0.0, span)) * (by >= start))
        state, start = after_change(state, span, f), start + span
    return Crossing(quantiles[0.1], quantiles[0.5], quantiles[0.9], chance)


def _grid(span: Floats) -> Floats:
    """Moments 0..span, closer together early [points, N]."""
    return np.linspace(0, 1, _GRID + 1).reshape(-1, *([1] * span.ndim)) ** 2 * span


def _highest(state: WearState, limit: Floats, span: Floats) -> Floats:
    return np.asarray(chance_above(state, limit, _grid(span)).max(axis=0))


def _first_at(state: WearState, limit: Floats, span: Floats, q: float) -> Floats:
    """First moment within `span` at which the chance of being above reaches q, by bisection between grid points; NaN if
    none.
    """
    grid = _grid(span)
    over = chance_above(state, limit, grid) >= q
    at = over.argmax(axis=0)
    high = np.take_along_axis(grid, at[None], 0)[0]
    low = np.take_along_axis(grid, np.maximum(at - 1, 0)[None], 0)[0]
    for _ in range(40):
        middle = (low + high) / 2
        passed = chance_above(state, limit, middle) >= q
        low, high = np.where(passed, low, middle), np.where(passed, middle, high)
    return np.where(over.any(axis=0), high, np.nan)


def forecast_next(
    known: Fleet, exposure: pd.DataFrame, filtered: Filtered, use: pd.DataFrame, learnt: Learnt
) -> pd.DataFrame:
    """One row per compartment x analyte of rule `rate` (columns FORECAST), from the newest bottle of the component now
    in place.

    hours_ahead: operating hours from that bottle to the next one whose result will come in, by the fleet's own habit;
    one in the post counts (`wear.next_bottle`). next_mean, next_sd: the result to expect there, laboratory scatter
    included, on the scale of the laboratory of the newest bottle (`wear.laboratory_bias`). limit: the family's alarm
    limit for the level (of a percentile its upper bound). chance: of the true level passing it before that bottle's
    result is in the office, turnaround included; the time already gone by counts too. hours_to_limit_p10, _p50, _p90:
    operating hours from the newest bottle to the limit. A bottle is drawn before the change of its day, so a change
    done or planned near the next bottle's visit does not set that result back. To the limit, an overdue change is not
    assumed. The next result is of its own time of year, the hours to the limit of a mean one.
    """
    last, state = states_ahead(known, exposure, filtered, use, learnt)
    if not len(last):
        return empty("forecast")
    crossing = _crossing(_of_season(state, 1 / last["season"]), last)
    out = last.assign(**{f.name: getattr(crossing, f.name) for f in fields(crossing)})
    out["chance"] = out["chance"].where(out["limit"].notna())
    bias = bias_of_rows(last, known.samples, learnt.laboratory_bias)
    out["next_mean"], out["next_sd"] = (bias * v for v in _next_result(_of_season(state, _ahead(last, learnt)), last))
    names = with_own(known.settings.analytes)["name"]
    out["words"] = [_words(r, names[r.analyte]) for r in out.itertuples()]
    return out[FORECAST].sort_values(["compartment", "analyte"], kind="stable", ignore_index=True)


def states_ahead(
    known: Fleet, exposure: pd.DataFrame, filtered: Filtered, use: pd.DataFrame, learnt: Learnt
) -> tuple[pd.DataFrame, WearState]:
    """Where each compartment and analyte stands after its newest bottle (frame), and its state for what lies ahead."""
    last = _last_states(known, exposure, filtered, learnt)
    if not len(last):
        return last, wear_state([], [], np.empty((0, 2, 2)))
    last = next_bottles(known, _plans(known, last, learnt.residuals), use, learnt.visits)
    last = _dilution(last, exposure, learnt.dilution)
    last = last.merge(_level_limits(learnt.limits), on=["family", "analyte"], how="left")
    return last, _as_state(last)


def _level_limits(limits: pd.DataFrame) -> pd.DataFrame:
    """Upper alarm limit of the level per family x analyte; of a percentile the upper bound of its own uncertainty."""
    level = limits[(limits["measure"] == "level") & (limits["direction"] == "up")]
    fixed = level["method"].isin(["maker", "practice"])
    limit = level["alarm"].where(fixed, level["alarm_high"].fillna(level["alarm"]))
    return level[["family", "analyte"]].assign(limit=limit)


def _crossing(state: WearState, last: pd.DataFrame) -> Crossing:
    """Time to the limit from the newest bottle; where the fluid was changed since, counted from that change on."""
    column = {c: last[c].to_numpy(dtype=float) for c in ("changed_h", "until_change", "change_every_h", "by_h")}
    done = np.isfinite(column["changed_h"])
    begun = np.where(done, column["changed_h"], 0.0)
    renewed = after_change(state, begun, *_what_stays(last))
    now = WearState(*(np.where(done, getattr(renewed, f.name), getattr(state, f.name)) for f in fields(state)))
    found = time_to_limit(
        now,
        last["limit"].fillna(np.inf),
        np.where(done, column["change_every_h"], column["until_change"]),
        by_h=np.maximum(column["by_h"] - begun, 0.0),
        residual=last["residual"],
        change_every_h=column["change_every_h"],
    )
    p10, p50, p90 = (begun + h for h in (found.hours_to_limit_p10, found.hours_to_limit_p50, found.hours_to_limit_p90))
    return Crossing(p10, p50, p90, found.chance)


def _what_stays(last: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
    """Residual share, its sd, and ppm in fresh fluid."""
    residual, sd, fresh = (last[c].to_numpy(dtype=float) for c in ("residual", "residual_sd", "fresh_ppm"))
    return residual, sd, np.nan_to_num(fresh)


def _last_states(known: Fleet, exposure: pd.DataFrame, filtered: Filtered, learnt: Learnt) -> pd.DataFrame:
    """The filter's last word on each compartment x analyte of working machines, unless the component was replaced
    since.
    """
    order = ["compartment", "analyte", "life", "order"]
    last = filtered.history.sort_values(order, kind="stable").drop_duplicates(["compartment", "analyte"], keep="last")
    last = (
        last.merge(filtered.growth, on=["compartment", "life", "analyte"], how="left")
        .drop(columns=["fluid_h"], errors="ignore")
        .merge(exposure[["sample", "fluid_h", "meter_h", "machine", "kind", "site", "season", "age_h"]], on="sample")
    )
    working = known.machines.loc[known.machines["retired_on"].isna(), "machine"]
    replaced = known.services[known.services["kind"] == "replace"].groupby("compartment")["done_on"].max()
    gone = replaced.reindex(last["compartment"]).to_numpy() > last["drawn_on"].to_numpy()
    last = last[last["machine"].isin(working) & ~gone & np.isfinite(last["rate"])]
    wanted = [
        "family",
        "analyte",
        "noise_floor",
        "noise_share",
        "load_share",
        "drift_share",
        "rounding_step",
        "fresh_ppm",
    ]
    out = last.merge(learnt.numbers[wanted], on=["family", "analyte"], how="inner")
    out = out.merge(learnt.own_fresh, on=["compartment", "analyte"], how="left")
    return out.assign(fresh_ppm=out["fresh_ppm"] + out["offset_ppm"].fillna(0.0)).reset_index(drop=True)


def _plans(known: Fleet, last: pd.DataFrame, residuals: pd.DataFrame) -> pd.DataFrame:
    """Adds the change interval and what a change leaves behind."""
    out = last.merge(known.compartments[["compartment", "change_every_h"]], on="compartment", how="left")
    kinds = [known.settings.kind(k) for k in out["kind"]]
    out["change_every_h"] = out["change_every_h"].where(out["change_every_h"] > 0, [k.change_every_h for k in kinds])
    assumed = {"residual": [k.residual for k in kinds], "residual_sd": [k.residual * k.residual_cv for k in kinds]}
    return with_residuals(out.assign(**assumed), residuals)


def _steady_sums(exposure: pd.DataFrame) -> pd.DataFrame:
    """Of bottles without a fluid change before them: compartment, family, share lost (log), hours, fresh share,
    effective hours.
    """
    steady = exposure[(exposure["order"] >= 1) & ~exposure["changed"].astype(bool) & (exposure["hours"] > 0)]
    sums = steady.assign(lost=-np.log(steady["phi"].clip(lower=1e-6)))
    return sums[["compartment", "family", "lost", "hours", "chi", "psi"]]


def _dilution_rates(sums: pd.DataFrame, key: str) -> pd.DataFrame:
    total = sums.groupby(key)[["lost", "hours", "chi", "psi"]].sum()
    return pd.DataFrame({"loss": total["lost"] / total["hours"], "fresh_share": total["chi"] / total["psi"]})


def family_dilution(exposure: pd.DataFrame) -> pd.DataFrame:
    """Per family: loss, share of the fluid lost per hour, and fresh_share, share renewed per effective hour, without
    fluid changes.
    """
    return typed(_dilution_rates(_steady_sums(exposure), "family").rename_axis("family").reset_index(), "dilution")


def _dilution(last: pd.DataFrame, exposure: pd.DataFrame, usual: pd.DataFrame) -> pd.DataFrame:
    """Adds loss (1/h) and fresh fluid (1/h): what the compartment's intervals without a change show, else the family's,
    else none.
    """
    out, own, family = last.copy(), _dilution_rates(_steady_sums(exposure), "compartment"), usual.set_index("family")
    for name in ("loss", "fresh_share"):
        rate = own[name].reindex(out["compartment"]).to_numpy()
        family_rate = family[name].reindex(out["family"]).to_numpy()
        out[name] = np.clip(np.nan_to_num(np.where(np.isnan(rate), family_rate, rate)), 0.0, None)
    return out


def _as_state(last: pd.DataFrame) -> WearState:
    wanted = (
        *("level", "rate", "level_sd", "cov", "rate_sd", "loss", "load_share", "drift_share", "every"),
        *("growth", "growth_var", "off_level", "off_rate", "season"),
    )
    column = {c: last[c].to_numpy(dtype=float) for c in wanted}
    fresh = last["fresh_share"].to_numpy(dtype=float) * last["fresh_ppm"].fillna(0.0).to_numpy(dtype=float)
    return WearState(
        column["level"],
        column["rate"],
        column["level_sd"] ** 2,
        column["cov"],
        column["rate_sd"] ** 2,
        column["loss"],
        fresh,
        column["load_share"],
        column["drift_share"],
        column["every"],
        column["growth"] * column["season"],
        column["growth_var"] * column["season"] ** 2,
        column["off_level"] / column["season"],
        column["off_rate"],
    )


def _season_ahead(last: pd.DataFrame, seasons: pd.DataFrame) -> Floats:
    """Mean rate until the next bottle over that of the day of the newest one (`wear.season`)."""
    start = days_of(last["drawn_on"])
    per_day = last["h_per_day"].where(last["h_per_day"] > 0).fillna(np.inf)
    ahead = season_factor(last, seasons, start, start + last["hours_ahead"] / per_day)
    return np.asarray(ahead / last["season"].to_numpy(float))


def _ahead(last: pd.DataFrame, learnt: Learnt) -> Floats:
    """Mean rate until the next bottle over the steady rate of the day of the newest one: the season, and what is left
    of a new component's running-in.
    """
    running_in = running_in_ahead(last, learnt.running_in, last["hours_ahead"])
    return _season_ahead(last, learnt.seasons) * running_in


def _of_season(state: WearState, times: ArrayLike) -> WearState:
    """A state whose rate is `times` that of the day of its bottle."""
    k = np.asarray(times, float)
    return replace(
        state,
        rate=state.rate * k,
        cov=state.cov * k,
        var_rate=state.var_rate * k**2,
        growth=state.growth * k,
        var_growth=state.var_growth * k**2,
        off_level=state.off_level / k,
    )


def _next_result(state: WearState, last: pd.DataFrame) -> tuple[Floats, Floats]:
    """Mean and standard deviation of the next result; a fluid change before its bottle is carried through.

    To the variance of the level: the moment of the bottle (slope times its sd), the laboratory's scatter and its
    rounding.
    """
    c = {
        n: last[n].to_numpy(dtype=float)
        for n in ("hours_ahead", "sd_ahead", "change_at", "noise_floor", "noise_share", "rounding_step")
    }
    renewed = np.isfinite(c["change_at"])
    begun = np.where(renewed, c["change_at"], 0.0)
    fresh = after_change(state, begun, *_what_stays(last))
    from_here = WearState(*(np.where(renewed, getattr(fresh, f.name), getattr(state, f.name)) for f in fields(state)))
    ahead = c["hours_ahead"] - begun
    mean, var = level_ahead(from_here, ahead)
    slope = state.rate + state.growth * (from_here.off_rate + ahead) + state.fresh - state.loss * mean
    noise = c["noise_floor"] ** 2 + (c["noise_share"] * np.maximum(mean, 0.0)) ** 2 + c["rounding_step"] ** 2 / 12
    return mean, np.sqrt(var + (slope * c["sd_ahead"]) ** 2 + noise)


def _words(r: Any, name: str) -> str:
    ahead = (
        f"{name} {r.next_mean:.0f} ppm (give or take {HALF_NINETY * r.next_sd:.0f}) expected in {r.hours_ahead:,.0f} h"
    )
    if np.isnan(r.limit):
        return f"{ahead}; no level limit for this family"
    if r.hours_to_limit_p50 == 0:
        return f"{ahead}; already above the limit of {r.limit:.3g}"
    if r.chance >= 0.5:
        return (
            f"{name} is expected to pass {r.limit:.3g} ppm within {r.hours_to_limit_p50:,.0f} h of the newest "
            f"bottle, with a chance of {r.chance:.0%} before the next result"
        )
    if np.isnan(r.hours_to_limit_p50):
        return f"{ahead}; not on this trend to the limit of {r.limit:.3g}"
    return (
        f"{ahead}; even chance of passing {r.limit:.3g} within {r.hours_to_limit_p50:,.0f} h, {r.chance:.0%} "
        f"before the next result"
    )
