"""What acts on each bottle without the judgement: limits of makers and of practice, a low level, and, for information,
limits of the family.

Whether a result is unusual for its own compartment is for the judgement to say (`cmkit.judge`).
"""

import numpy as np
import pandas as pd

from cmkit.records.analytes import below as below_name
from cmkit.records.analytes import by_rule
from cmkit.records.censoring import flags, signed
from cmkit.records.fleet import Fleet
from cmkit.records.settings import Alarm
from cmkit.tables.frames import names, typed

EVIDENCE = names("evidence")


FIXED_RULES = {"maker": "maker limit", "practice": "condition"}  # whose limit -> the name of the rule


def collect_evidence(
    known: Fleet,
    exposure: pd.DataFrame,
    history: pd.DataFrame,
    limits: pd.DataFrame,
    *,
    conditions: pd.DataFrame,
    register: pd.DataFrame,
) -> pd.DataFrame:
    """Every rule that fired on every bottle, one row each (columns EVIDENCE), sorted by compartment, date, analyte,
    rule.

    history: wear filter with change acceptance on; conditions: rows of `wear.conditions.judge_conditions`; limits:
    `wear.limits`. A bottle without usable hours has no trend; what needs no hours (level, condition, fluid found low)
    is judged there too.
    """
    alarm = known.settings.alarm
    trend = history.merge(register[["name", "unit"]], left_on="analyte", right_index=True, how="left")
    loose = _without_hours(known, exposure, register)
    parts = [
        _family_rates(trend, limits, alarm),
        _levels(pd.concat([trend, loose]) if len(loose) else trend, limits),
        _low_level(known, exposure),
        conditions,
    ]
    rows = pd.concat([p for p in parts if len(p)] or [pd.DataFrame(columns=EVIDENCE)], ignore_index=True)
    reported = known.samples.set_index("sample")
    reported = reported["reported_on"].fillna(reported["received_on"]).fillna(reported["drawn_on"])
    rows["known_on"] = reported.reindex(rows["sample"].astype("str")).to_numpy()
    order = ["compartment", "drawn_on", "sample", "analyte", "rule"]
    rows = typed(rows[EVIDENCE], "evidence")
    return rows.sort_values(order, kind="stable").reset_index(drop=True)


def _without_hours(known: Fleet, exposure: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """Results of rule `rate` of bottles that are not in `exposure`, one row each: what their level alone needs."""
    bottles = known.samples[~known.samples["sample"].isin(exposure["sample"])]
    places = known.compartments[["compartment", "family"]]
    keys = bottles[["sample", "compartment", "drawn_on"]].merge(places, on="compartment")
    parts = []
    for name in by_rule(register, "rate"):
        if len(keys) and name in bottles:
            result = bottles[["sample", name, below_name(name)]].set_axis(["sample", "value", "below"], axis=1)
            result = result.assign(above=flags(bottles, [name], "above")[:, 0])
            says = {"analyte": name, "name": register.loc[name, "name"], "unit": register.loc[name, "unit"]}
            parts.append(keys.merge(result, on="sample").assign(**says))
    return pd.concat(parts).dropna(subset="value") if parts else keys


def _rows(
    frame: pd.DataFrame,
    rule: str,
    value: pd.Series,
    threshold: pd.Series | float,
    state: pd.Series | str,
    *,
    unit: str,
    words: list[str],
) -> pd.DataFrame:
    out = frame[["compartment", "sample", "drawn_on", "analyte"]].copy()
    out["rule"], out["value"], out["operator"], out["threshold"] = rule, value, ">=", threshold
    out["unit"], out["state"], out["words"] = unit, state, words
    return out


def _family_rates(trend: pd.DataFrame, limits: pd.DataFrame, alarm: Alarm) -> pd.DataFrame:
    """Rates surely (90 %, one-sided) above the family's alarm limit, from the second bottle of a life on; an alert by
    themselves.
    """
    own = limits[(limits["measure"] == "rate") & (limits["direction"] == "up")]
    rated = trend[trend["order"] >= 1].merge(own, on=["family", "analyte"], suffixes=("", "_limit"))
    hit = rated[rated["rate"] - 1.282 * rated["rate_sd"] >= rated["alarm"]]
    few = f"1 in {1 / (1 - alarm.alarm_share):.0f}"
    words = [
        f"{r.name_} wears at {1000 * r.rate:.2g} ppm per 1,000 h; {few} of its family is above {1000 * r.alarm:.2g}"
        for r in hit.rename(columns={"name": "name_"}).itertuples()
    ]
    return _rows(hit, "wear rate limit", hit["rate"], hit["alarm"], "alert", unit="ppm/h", words=words)


def _levels(trend: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    """Results above a fixed limit (alert or alarm as it says), or surely above the family's alarm limit (an alert).

    Surely: above the upper confidence bound of that limit, since a limit that rests on few bottles is itself uncertain.
    """
    own = limits[(limits["measure"] == "level") & (limits["direction"] == "up")]
    rated = trend[~trend["below"].astype(bool)].merge(own, on=["family", "analyte"], suffixes=("", "_limit"))
    fixed = rated["method"].isin(["maker", "practice"])
    rated["alarm"] = rated["alarm"].where(fixed, rated["alarm_high"].fillna(rated["alarm"]))
    over, high = rated["value"] >= rated["alarm"], rated["value"] >= rated["alert"]
    hit = rated.assign(over=over, fixed=fixed)[over | (fixed & high)]
    bound = hit["alarm"].where(hit["over"], hit["alert"])
    whose = np.where(
        hit["method"] == "maker",
        "the limit set for it",
        np.where(hit["fixed"], "the usual limit", "its family's limit"),
    )
    words = [
        f"{r.name_} {signed(r.value, False, r.above)}{r.value:g} {r.unit}, above {w} of {b:.3g}"
        for r, w, b in zip(hit.rename(columns={"name": "name_"}).itertuples(), whose, bound, strict=True)
    ]
    state = np.where(hit["over"] & hit["fixed"], "alarm", "alert")
    out = _rows(hit, "level limit", hit["value"], bound, state, unit="", words=words)
    out["rule"], out["unit"] = hit["method"].map(FIXED_RULES).fillna("level limit"), hit["unit"]
    return out


def _low_level(known: Fleet, exposure: pd.DataFrame) -> pd.DataFrame:
    """A sealed compartment found low has lost fluid: an alert, and an alarm when it was low when last looked at too
    (common practice).

    A bottle whose level was not noted says neither: the alert stands until the level is noted again or somebody worked
    there or looked inside. Topping up mends no leak. Another component starts afresh.
    """
    seen = _sealed_bottles(known, exposure)
    of = [seen["compartment"], seen["life"]]
    level, noted = seen["fluid_level"], seen["fluid_level"] != ""
    low = level == "low"
    again = low & low[noted].groupby(of).shift(fill_value=False).reindex(seen.index, fill_value=False)
    found_on = seen["drawn_on"].where(noted).groupby(of).ffill()
    last = level.where(noted).groupby(of).ffill()
    standing = ~noted & (last == "low") & ~(_answered_on(known, seen) >= found_on)
    words = np.select(
        [standing, again],
        [
            "found low on " + found_on.dt.strftime("%Y-%m-%d").fillna("") + " and the level not noted since: leak "
            "suspected",
            "found low again: leak suspected",
        ],
        "found low: a sealed compartment has no other way to lose fluid, leak suspected",
    )
    hit = (low | standing).to_numpy()
    state = np.where(again, "alarm", "alert")[hit]
    nothing = pd.Series(np.nan, seen.index[hit])
    out = _rows(seen[hit].assign(analyte=""), "low level", nothing, np.nan, state, unit="", words=list(words[hit]))
    out["operator"] = "is"
    return out


def _sealed_bottles(known: Fleet, exposure: pd.DataFrame) -> pd.DataFrame:
    """Bottles of sealed compartments in order, with the level found (empty: not noted) and the life they belong to."""
    places = known.compartments[["compartment", "kind"]]
    sealed = places[np.array([known.settings.kind(kind).sealed for kind in places["kind"]], dtype=bool)]
    seen = known.samples[["sample", "compartment", "drawn_on", "fluid_level"]].merge(sealed, on="compartment")
    seen = seen.merge(exposure[["sample", "life", "order"]], on="sample", how="left")
    seen = seen.sort_values(["compartment", "drawn_on", "order"], kind="stable", ignore_index=True)
    lives = seen.groupby("compartment")["life"]
    seen["life"] = lives.ffill().fillna(lives.bfill()).fillna(1)
    return seen.assign(fluid_level=seen["fluid_level"].fillna(""))


_ANSWERS_LOW = ["repair", "replace", "change", "flush"]  # work at which the compartment was open or emptied


def _answered_on(known: Fleet, seen: pd.DataFrame) -> pd.Series:
    """The last day before each bottle on which its compartment was looked into or worked on (a bottle is drawn before
    the work of its day).
    """
    work = known.services.loc[known.services["kind"].isin(_ANSWERS_LOW), ["compartment", "done_on"]]
    looks = known.findings[["compartment", "found_on"]].rename(columns={"found_on": "done_on"})
    done = pd.concat([work, looks]).dropna().sort_values("done_on", kind="stable")
    asked = seen[["compartment", "drawn_on"]].reset_index().sort_values("drawn_on", kind="stable")
    found = pd.merge_asof(
        asked, done, left_on="drawn_on", right_on="done_on", by="compartment", allow_exact_matches=False
    )
    return found.set_index("index")["done_on"].reindex(seen.index)
