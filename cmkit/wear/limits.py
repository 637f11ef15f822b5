"""What is usual in a family, and where a result stops being usual: alert and alarm limits per family and analyte.

Three sources, the first that speaks wins: a limit the maker or the site set (fleet.toml), a limit of common practice
(reference/practice_limits.csv: fluid condition, where a share of bottles would say nothing of the risk), a percentile
of the family's own results (guide how_it_is_computed, C: trimmed, censored, lognormal, shrunk to the family's
compartment kind). A limit that is not available is a row with NaN and the reason.

Percentiles fix the share of bottles that pass the limit, not the risk: freeze them at a yearly review (`cmkit.review`),
or they creep up with a fleet that wears out.
"""

from dataclasses import replace
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm

from cmkit.records.censoring import flags
from cmkit.records.constants import constant
from cmkit.records.settings import Alarm, FixedLimit, Settings
from cmkit.tables.frames import names, typed
from cmkit.wear.fitted_limits import MIN_EFFECTIVE, TOLERANCE_BELOW, FamilyFits, Percentiles, percentiles
from cmkit.wear.percentiles import EXACT, LEFT, RIGHT, Floats, samples_needed

LIMITS = names("limits")
FIXED = ("maker", "practice")
_KEY = ["family", "analyte", "measure", "direction"]
# Own choices, all about when not to speak.
_USUAL_AGE = constant("wear", "limit_usual_age")
_AGE_WINDOW = (constant("wear", "limit_age_from"), constant("wear", "limit_age_to"))
_SCATTER = constant("wear", "limit_scatter")
_SHORT_H = constant("wear", "limit_short_h")
_WIDE = constant("wear", "limit_wide")
_ZERO_SHARE = constant("wear", "limit_zero_share")


@cache
def practice_limits() -> pd.DataFrame:
    """reference/practice_limits.csv: kind (`*` any), analyte, measure, direction, alert, alarm,
    words, basis, source.
    """
    with files("cmkit.reference").joinpath("practice_limits.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle).astype({"alert": float, "alarm": float})


def family_limits(
    exposure: pd.DataFrame,
    samples: pd.DataFrame,
    history: pd.DataFrame,
    settings: Settings,
    *,
    register: pd.DataFrame,
    frozen: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Alert and alarm limits per family x analyte x measure x direction (columns LIMITS), sorted by these.

    measure: `rate` ppm/h; `level` the analyte's unit; `change` share of the fresh value; `rise` above the fresh value,
    in the analyte's unit; `code` ISO 4406 code. method: `maker`, `practice`, `trimmed and shrunk`, `tolerance` (few
    results, no parent: the bound that covers the share with the stated confidence), `parent` (the kind's number), `not
    judged` (NaN, reason in words). alarm_low and alarm_high bound the alarm limit, each with
    `settings.alarm.confidence`; a fixed limit is its own bound. n_eff: results the n are worth, as bottles of one
    compartment resemble one another.
    frozen: limits of an earlier review, which take the place of the percentiles of now; `frozen_on` says of which day a
    limit is.
    """
    families = exposure[["family", "kind"]].drop_duplicates("family").sort_values("family", ignore_index=True)
    fixed = _fixed_rows(families, settings.limits)
    practice = _practice_rows(families, register)
    statistical = _statistical_rows(families, exposure, samples, history, alarm=settings.alarm, register=register)
    kept = statistical if frozen is None else _as_reviewed(statistical, frozen, families)
    rows = pd.concat(
        [f.reindex(columns=LIMITS) for f in (fixed, practice, kept) if len(f)] or [pd.DataFrame(columns=LIMITS)]
    )
    rows = _first_speaker(rows.reset_index(drop=True))
    return typed(rows, "limits").sort_values(_KEY, kind="stable", ignore_index=True)


def _as_reviewed(now: pd.DataFrame, frozen: pd.DataFrame, families: pd.DataFrame) -> pd.DataFrame:
    """The frozen limits of these families, and those of now that the review did not hold."""
    held = frozen.loc[frozen["family"].isin(families["family"]), LIMITS]
    new = now[~pd.MultiIndex.from_frame(now[_KEY]).isin(pd.MultiIndex.from_frame(held[_KEY]))]
    parts = [part for part in (held, new.reindex(columns=LIMITS).astype({"frozen_on": "datetime64[us]"})) if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else now


def limits_drift(now: pd.DataFrame, frozen: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """How far limits fitted now lie from the frozen ones: family, analyte, measure, direction, alarm_frozen, alarm_now,
    ratio, sds, words.

    sds: the change of log alarm over its standard error, from the bounds of both (each held with `confidence`); 3 or
    more is said to have moved. Only limits in both tables, furthest first.
    """
    both = now.merge(frozen[LIMITS], on=_KEY, suffixes=("_now", "_frozen"))
    widths = [
        np.log(both[f"alarm_high_{t}"] / both[f"alarm_low_{t}"]) / (2 * norm.ppf(confidence)) for t in ("now", "frozen")
    ]
    both["ratio"] = both["alarm_now"] / both["alarm_frozen"]
    both["sds"] = np.log(both["ratio"]) / np.hypot(*widths)
    direction = np.where(both["ratio"] > 1, "higher than when frozen", "lower than when frozen")
    both["words"] = pd.array(np.where(both["sds"].abs() >= 3, direction, "as frozen"), dtype="str")
    furthest = both.sort_values("sds", key=abs, ascending=False, kind="stable", ignore_index=True)
    return furthest[[*_KEY, "alarm_frozen", "alarm_now", "ratio", "sds", "words"]]


def limits_drift_report(moved: pd.DataFrame, frozen_on: str, most: int = 5) -> str:
    """Some lines on a table of :func:`limits_drift`: the limits that moved most, or that none did."""
    away = moved[moved["words"] != "as frozen"]
    if not len(away):
        return f"Limits frozen on {frozen_on}: none of {len(moved)} would be set elsewhere today."
    lines = [
        f"  {r.family}, {r.analyte} ({r.measure}): alarm {r.alarm_frozen:.3g} then, {r.alarm_now:.3g} by today's "
        f"bottles"
        for r in away.head(most).itertuples()
    ]
    more = [f"  and {len(away) - most} more"] if len(away) > most else []
    head = f"Limits frozen on {frozen_on}: {len(away)} of {len(moved)} would be set elsewhere today, furthest first."
    return "\n".join([head, *lines, *more])


def _first_speaker(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per key; a maker's limit silences practice on the same side; a word of practice silences the level
    percentile.
    """
    rows = rows.drop_duplicates(_KEY, keep="first")
    side = pd.MultiIndex.from_frame(rows[["family", "analyte", "direction"]])
    maker = side.isin(side[rows["method"] == "maker"])
    practice = side.isin(side[rows["method"] == "practice"])
    silenced = (rows["method"] == "practice") & maker
    silenced |= ~rows["method"].isin(FIXED) & (practice | maker) & (rows["measure"] == "level")
    silenced |= ~rows["method"].isin(FIXED) & side.isin(side[rows["measure"] == "none"])
    return rows[~silenced & (rows["measure"] != "none")]


def _fixed_rows(families: pd.DataFrame, limits: tuple[FixedLimit, ...]) -> pd.DataFrame:
    """Limits from fleet.toml; one for the family itself comes before one for its compartment kind."""
    rows = [
        {
            "family": f.family,
            "analyte": x.analyte,
            "measure": "level",
            "direction": x.direction,
            "alert": x.alert,
            "alarm": x.alarm,
            "alarm_low": x.alarm,
            "alarm_high": x.alarm,
            "n": 0,
            "n_eff": np.nan,
            "method": "maker",
            "words": f"set in fleet.toml for {x.where}",
        }
        for f in families.itertuples()
        for x in sorted(limits, key=lambda x: x.where != f.family)
        if x.where in (f.family, f.kind)
    ]
    return pd.DataFrame(rows, columns=LIMITS)


def _practice_rows(families: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """Limits of common practice; a row for the family's kind comes before one for any kind."""
    table = practice_limits()
    table = table[table["analyte"].isin(register.index)]
    own = families.merge(table, on="kind")
    general = families[families["kind"] != "coolant"].merge(
        table[table["kind"] == "*"].drop(columns="kind"), how="cross"
    )
    covered = pd.MultiIndex.from_frame(own[["family", "analyte"]])
    general = general[~pd.MultiIndex.from_frame(general[["family", "analyte"]]).isin(covered)]
    rows = pd.concat([own, general], ignore_index=True)
    rows["words"] = rows["words"] + " (" + rows["basis"] + ")"
    return rows.assign(alarm_low=rows["alarm"], alarm_high=rows["alarm"], n=0, n_eff=np.nan, method="practice")


def _statistical_rows(
    families: pd.DataFrame,
    exposure: pd.DataFrame,
    samples: pd.DataFrame,
    history: pd.DataFrame,
    *,
    alarm: Alarm,
    register: pd.DataFrame,
) -> pd.DataFrame:
    code = pd.Series(np.arange(len(families)), index=families["family"])
    parent = pd.factorize(families["kind"])[0]
    seat = _seats(exposure, samples, code)
    rates = {str(a): g for a, g in history.groupby("analyte", sort=False)}
    parts = []
    for analyte in register.index[register["rule"].isin(["rate", "level", "two-sided"])]:
        row = register.loc[analyte]
        if analyte in samples and samples[analyte].notna().any():
            parts += _level_parts(families, parent, seat, samples, row, alarm=alarm)
        if analyte in rates and row["rule"] == "rate":
            parts.append(_rate_part(families, parent, code, rates[analyte], alarm, row=row))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=LIMITS)


def _seats(exposure: pd.DataFrame, samples: pd.DataFrame, code: pd.Series) -> pd.DataFrame:
    """For every usable bottle: its row in samples, family and compartment numbers, and whether its fluid age is usual
    in the family.
    """
    seat = exposure[["sample", "family", "compartment", "fluid_h"]].copy()
    seat["row"] = pd.Series(np.arange(len(samples)), index=samples["sample"]).reindex(seat["sample"]).to_numpy()
    seat["f"] = code.reindex(seat["family"]).to_numpy()
    seat["c"] = pd.factorize(seat["compartment"])[0]
    age = seat["fluid_h"].where(seat["fluid_h"] > 0).groupby(seat["family"]).transform("quantile", _USUAL_AGE)
    usual = seat["fluid_h"].between(_AGE_WINDOW[0] * age, _AGE_WINDOW[1] * age)
    return seat.assign(age=age, usual=usual | age.isna())


def _level_parts(
    families: pd.DataFrame,
    parent: NDArray[Any],
    seat: pd.DataFrame,
    samples: pd.DataFrame,
    row: pd.Series,
    *,
    alarm: Alarm,
) -> list[pd.DataFrame]:
    """Percentiles of results at the family's usual fluid age; upper, and lower for an analyte whose fall means trouble
    too.
    """
    if row["plausible_low"] < 0:
        return []  # a scale through zero (freeze point) has no logarithm; practice limits speak for it
    own = seat[seat["usual"]]
    name, half = row["analyte"], 10.0 ** -float(row["decimals"]) / 2
    x = samples[name].to_numpy(dtype=float)[own["row"]]
    under, over = (flags(samples, [name], f)[own["row"], 0] for f in ("below", "above"))
    here = np.isfinite(x)
    zero = here & (x <= 0)
    side = np.where(under | zero, LEFT, np.where(over, RIGHT, EXACT))[here]
    x = np.where(zero, half, x)[here]
    age = own.groupby("f")["age"].first().reindex(range(len(families))).to_numpy()
    args = (own["f"].to_numpy()[here], parent, own["c"].to_numpy()[here])
    out = []
    if row["bad"] in ("up", "both"):
        fits, p = percentiles(x, side, *args, alarm=alarm, resolution=2 * half)
        p = _as_reported(p, row, half)
        out.append(_frame(families, fits, p, analyte=name, measure="level", direction="up", alarm=alarm, age=age))
    if row["bad"] in ("down", "both"):
        fits, p = percentiles(1 / x, np.where(side == RIGHT, LEFT, EXACT), *args, alarm=alarm)
        p = _turned(p)
        out.append(_frame(families, fits, p, analyte=name, measure="level", direction="down", alarm=alarm, age=age))
    return out


def _as_reported(p: Percentiles, row: pd.Series, half: float) -> Percentiles:
    """Upper limits that a rounded result is held against: half a reported unit up, the alarm clear of the laboratory's
    own scatter.
    """
    lowest = np.nan_to_num(float(row["reporting_limit"])) + _SCATTER * float(row["noise_floor"])
    up = {name: np.maximum(getattr(p, name) + half, lowest) for name in ("alarm", "low", "high")}
    return _believable(replace(p, alert=p.alert + half, **up), float(row["plausible_high"]))


def _believable(p: Percentiles, highest: float) -> Percentiles:
    """A limit beyond what the register calls plausible is none: the results are in another unit, or not what their
    heading says.
    """
    beyond = p.alarm > highest
    values = {name: np.where(beyond, np.nan, getattr(p, name)) for name in ("alert", "alarm", "low", "high")}
    return replace(p, **values, method=np.where(beyond, "not judged", p.method))


def _turned(p: Percentiles) -> Percentiles:
    """Limits fitted on 1/x, back on x: the upper bound of 1/x is the lower of x."""
    return replace(p, alert=1 / p.alert, alarm=1 / p.alarm, low=1 / p.high, high=1 / p.low)


def _rate_part(
    families: pd.DataFrame,
    parent: NDArray[Any],
    code: pd.Series,
    history: pd.DataFrame,
    alarm: Alarm,
    *,
    row: pd.Series,
) -> pd.DataFrame:
    """Percentiles of the wear rate held after each bottle from a life's second on; a rate about zero counts as less
    than a tenth of usual.
    """
    own = history[(history["order"] >= 1) & np.isfinite(history["rate"]) & history["family"].isin(code.index)]
    rate, sd = own["rate"].to_numpy(dtype=float), own["rate_sd"].to_numpy(dtype=float)
    f = code.reindex(own["family"]).to_numpy()
    positive = pd.Series(np.where(rate > 0, rate, np.nan)).groupby(f).median().reindex(range(len(code))).to_numpy()
    floor = _ZERO_SHARE * positive[f]
    under, over = (own[n].to_numpy(dtype=bool) for n in ("below", "above"))
    x = np.where(under, rate + np.nan_to_num(sd), rate)
    side = np.where(under | (x <= floor), LEFT, np.where(over, RIGHT, EXACT))
    x = np.maximum(x, floor)
    here = np.isfinite(x) & (x > 0)
    fits, p = percentiles(x[here], side[here], f[here], parent, pd.factorize(own["compartment"])[0][here], alarm=alarm)
    p = _believable(p, float(row["plausible_high"]) / _SHORT_H)
    return _frame(
        families,
        fits,
        p,
        analyte=row["analyte"],
        measure="rate",
        direction="up",
        alarm=alarm,
        age=np.full(len(families), np.nan),
    )


def _frame(
    families: pd.DataFrame,
    fits: FamilyFits,
    p: Percentiles,
    *,
    analyte: str,
    measure: str,
    direction: str,
    alarm: Alarm,
    age: Floats,
) -> pd.DataFrame:
    seen = (fits.n + fits.n_aside > 0) | np.isfinite(p.alarm)
    words = [_words(fits, p, i, alarm, age[i]) for i in range(len(families))]
    out = pd.DataFrame(
        {
            "family": families["family"],
            "analyte": analyte,
            "measure": measure,
            "direction": direction,
            "alert": p.alert,
            "alarm": p.alarm,
            "alarm_low": p.low,
            "alarm_high": p.high,
            "n": fits.n.astype(int),
            "n_eff": fits.n_eff,
            "method": p.method,
            "words": words,
        }
    )
    return out[seen]


def _words(fits: FamilyFits, p: Percentiles, i: int, alarm: Alarm, age: float) -> str:
    """What the limit rests on, and what makes it doubtful."""
    n, k = int(fits.n[i]), int(fits.compartments[i])
    words = [
        f"{n} bottle(s) of {k} compartment(s)" + (f" at a fluid age of about {age:,.0f} h" if np.isfinite(age) else "")
    ]
    if p.method[i] == "not judged":
        words.append(_why_not(fits, i))
    elif p.method[i] == "parent":
        words.append("mostly the number of its compartment kind, too few of its own")
    elif fits.n_eff[i] < TOLERANCE_BELOW:
        words.append(
            f"worth {fits.n_eff[i]:.0f} independent results; a limit without assumptions needs "
            f"{samples_needed(alarm.alarm_share, alarm.confidence)}"
        )
    if fits.s[i] > _WIDE:
        words.append("its results are very unlike one another: not one family, or part of it is sick")
    if np.isfinite(fits.groups[i]):
        words.append(
            f"two groups, the upper about {fits.groups[i]:.1f} times the lower: the limit sits between them, look at "
            f"the upper"
        )
    if np.isfinite(p.far[i]):
        words.append(f"lies {p.far[i]:.2g} times its compartment kind: another unit?")
    if fits.n_aside[i]:
        words.append(f"{int(fits.n_aside[i])} result(s) far off the rest left out: another unit?")
    return "; ".join(words)


def _why_not(fits: FamilyFits, i: int) -> str:
    if fits.n[i] and fits.n_below[i] == fits.n[i]:
        return "not judged: every result is below the reporting limit"
    if not np.isfinite(fits.mu[i]):
        return "not judged: too few differing results above the reporting limit"
    if fits.n_eff[i] >= MIN_EFFECTIVE:
        return "not judged: the limit would lie beyond what is plausible; another unit?"
    return f"not judged: worth {fits.n_eff[i]:.1f} independent results, at least {MIN_EFFECTIVE:.0f} wanted"
