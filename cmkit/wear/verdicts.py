"""From evidence to a verdict: what fired on each bottle, which alarms are open, and what each compartment's state is.

The rule (maths B3): a metal raises an alarm when its result lies `z` predictive standard deviations above what was expected, or when
the likelihood ratio of a sustained rise passes `rise`. Family, maker and condition limits run beside it, for compartments that were
always bad. Two bottles decide: the first alarm asks for a repeat bottle, never for a strip-down. An alarm stays open until somebody
looked, the compartment was repaired, or two believed bottles in a row are clear with the rate back near where it was.
A doubt about a bottle never hides an alarm; it only changes what is asked for.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.records.settings import Alarm
from cmkit.records.tables import typed

EVIDENCE = ["compartment", "sample", "drawn_on", "known_on", "analyte", "rule", "value", "operator", "threshold", "unit", "state", "words"]  # fmt: skip
RANK = {"clear": 0, "alert": 1, "alarm": 2}
_BACK_TO_NORMAL = 1.5  # own choice: the rate counts as back when it is within this factor of the rate before the alarm
_STEADY = 5  # own choice: so many clear bottles in a row close an alarm even at a higher rate, since a defect would have grown


def collect_evidence(
    known: Fleet,
    exposure: pd.DataFrame,
    history: pd.DataFrame,
    limits: pd.DataFrame,
    conditions: pd.DataFrame,
    register: pd.DataFrame,
) -> pd.DataFrame:
    """Every rule that fired on every bottle, one row each (columns EVIDENCE), sorted by compartment, date, analyte, rule.

    history: wear filter with change acceptance on; conditions: rows of `wear.conditions.judge_conditions`; limits: `wear.limits`.
    """
    alarm = known.settings.alarm
    trend = history.merge(register[["name", "unit"]], left_on="analyte", right_index=True, how="left")
    parts = [
        _departures(trend, alarm),
        _sustained(trend, alarm),
        _family_rates(trend, limits),
        _levels(trend, limits),
        _low_level(known, exposure),
        conditions,
    ]
    rows = pd.concat([p for p in parts if len(p)] or [pd.DataFrame(columns=EVIDENCE)], ignore_index=True)
    reported = known.samples.set_index("sample")
    reported = reported["reported_on"].fillna(reported["received_on"]).fillna(reported["drawn_on"])
    rows["known_on"] = reported.reindex(rows["sample"].astype("str")).to_numpy()
    order = ["compartment", "drawn_on", "sample", "analyte", "rule"]
    rows = typed(rows[EVIDENCE], numbers=("value", "threshold"), dates=("drawn_on", "known_on"))
    return rows.sort_values(order, kind="stable").reset_index(drop=True)


def _rows(
    frame: pd.DataFrame,
    rule: str,
    value: pd.Series,
    threshold: pd.Series | float,
    state: pd.Series | str,
    unit: str,
    words: list[str],
) -> pd.DataFrame:
    out = frame[["compartment", "sample", "drawn_on", "analyte"]].copy()
    out["rule"], out["value"], out["operator"], out["threshold"] = rule, value, ">=", threshold
    out["unit"], out["state"], out["words"] = unit, state, words
    return out


def _departures(trend: pd.DataFrame, alarm: Alarm) -> pd.DataFrame:
    """A result too far above its own forecast. The first bottle of a life has only its family to be compared with: an alert at most.

    Between alert_z and z one metal alone is chance (there are many metals), two in one bottle are an alert.
    """
    hit = trend[(trend["z"] >= alarm.alert_z) & ~trend["below"].astype(bool)]
    strong = hit["z"] >= alarm.z
    together = hit.groupby("sample")["analyte"].transform("size") >= 2
    hit, strong = hit[strong | together], strong[strong | together]
    words = [
        f"{r.name_} {r.value:g} {r.unit} where {r.expected:.1f} (give or take {1.645 * r.expected_sd:.1f}) was expected"
        for r in hit.rename(columns={"name": "name_"}).itertuples()
    ]
    state = np.where(strong & (hit["order"] >= 1), "alarm", "alert")
    return _rows(hit, "one-step departure", hit["z"], np.where(strong, alarm.z, alarm.alert_z), state, "sd", words)


def _sustained(trend: pd.DataFrame, alarm: Alarm) -> pd.DataFrame:
    """A rate that rose against the compartment's own past; the first bottle of a life has none."""
    hit = trend[(trend["rise"] >= alarm.rise) & (trend["order"] >= 1)]
    words = [
        f"{r.name_} has been rising faster than its own history over {int(r.change_k) + 1} bottles"
        if r.change_k >= 1
        else f"{r.name_} rose faster than its own history in this bottle"
        for r in hit.rename(columns={"name": "name_"}).itertuples()
    ]
    return _rows(hit, "sustained rise", hit["rise"], alarm.rise, "alarm", "likelihood ratio", words)


def _family_rates(trend: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    """Rates surely (90 %, one-sided) above the family's alarm limit; worth an alert by themselves, an alarm for a maker's limit."""
    own = limits[(limits["measure"] == "rate") & (limits["direction"] == "up")]
    rated = trend[trend["order"] >= 1].merge(own, on=["family", "analyte"], suffixes=("", "_limit"))
    hit = rated[rated["rate"] - 1.282 * rated["rate_sd"] >= rated["alarm"]]
    words = [
        f"{r.name_} wears at {1000 * r.rate:.2g} ppm per 1,000 h; 1 in 40 of its family is above {1000 * r.alarm:.2g}"
        if r.method != "maker"
        else f"{r.name_} wears at {1000 * r.rate:.2g} ppm per 1,000 h, above the limit set for it ({1000 * r.alarm:.2g})"
        for r in hit.rename(columns={"name": "name_"}).itertuples()
    ]
    state = np.where(hit["method"] == "maker", "alarm", "alert")
    return _rows(hit, "wear rate limit", hit["rate"], hit["alarm"], state, "ppm/h", words)


def _levels(trend: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    """Results above a fixed limit (alert or alarm as it says), or surely above the family's alarm limit (an alert).

    Surely: above the upper confidence bound of that limit, since a limit borne by few bottles is itself uncertain.
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
        f"{r.name_} {r.value:g} {r.unit}, above {w} of {b:.3g}"
        for r, w, b in zip(hit.rename(columns={"name": "name_"}).itertuples(), whose, bound, strict=True)
    ]
    state = np.where(hit["over"] & hit["fixed"], "alarm", "alert")
    out = _rows(hit, "level limit", hit["value"], bound, state, "", words)
    out["unit"] = hit["unit"]
    return out


def _low_level(known: Fleet, exposure: pd.DataFrame) -> pd.DataFrame:
    """A sealed compartment found low has lost fluid: an alert, and an alarm when the bottle before was low too (common practice)."""
    seen = exposure.merge(known.samples[["sample", "fluid_level"]], on="sample")
    sealed = seen["kind"].map(lambda kind: known.settings.kind(kind).sealed).astype(bool)
    low = sealed & (seen["fluid_level"] == "low")
    before = low.groupby(seen["compartment"]).shift(fill_value=False)
    hit = seen[low].assign(analyte="", again=before[low])
    words = [
        "found low again: leak suspected"
        if again
        else "found low: a sealed compartment has no other way to lose fluid, leak suspected"
        for again in hit["again"]
    ]
    out = _rows(
        hit, "low level", pd.Series(np.nan, hit.index), np.nan, np.where(hit["again"], "alarm", "alert"), "", words
    )
    out["operator"] = "is"
    return out


def bottle_states(exposure: pd.DataFrame, evidence: pd.DataFrame) -> pd.DataFrame:
    """One row per usable bottle with the worst state its own evidence gives: exposure's keys plus state and rank."""
    rank = evidence["state"].map(RANK).groupby(evidence["sample"]).max()
    out = exposure[["compartment", "life", "order", "sample", "drawn_on", "run_h", "meter_h"]].copy()
    out["rank"] = out["sample"].map(rank).fillna(0).astype(int)
    out["state"] = out["rank"].map({v: k for k, v in RANK.items()})
    return out


@dataclass
class _Spell:
    """An open alarm while a compartment's bottles are read in order."""

    first: Any
    last: Any
    bottles: int
    analytes: set[str]
    rates: dict[str, float]
    clear_run: int = 0
    rate_back: bool = True


SPELLS = [
    "compartment",
    "life",
    "alarm_on",
    "sample",
    "run_h",
    "last_on",
    "bottles",
    "analytes",
    "closed_on",
    "closed_by",
]


def alarm_spells(
    states: pd.DataFrame, evidence: pd.DataFrame, history: pd.DataFrame, trust: pd.DataFrame, looks: pd.DataFrame
) -> pd.DataFrame:
    """Every alarm from its first bottle until it was closed (columns SPELLS; closed_on NaT while open).

    looks: compartment, on, by (`finding`, `repair`, `replace`): what closes an alarm apart from bottles. closed_by is one of those or
    `two clear bottles` or `new component`.
    """
    alarms = evidence[evidence["state"] == "alarm"]
    analytes: dict[str, set[str]] = {}
    for sample, analyte in zip(alarms["sample"], alarms["analyte"], strict=True):
        analytes.setdefault(sample, set()).update([analyte] if analyte else [])
    concerned = states[states["compartment"].isin(alarms["compartment"])].sort_values("compartment", kind="stable")
    seen = history[history["sample"].isin(concerned["sample"])]
    rates: dict[str, dict[str, float]] = {}
    for sample, analyte, rate in zip(seen["sample"], seen["analyte"], seen["rate"], strict=True):
        rates.setdefault(sample, {})[analyte] = rate
    believed = dict(zip(trust["sample"], trust["believed"], strict=True))
    done: dict[str, list[tuple[pd.Timestamp, str]]] = {}
    for look in looks.sort_values("on", kind="stable").itertuples():
        done.setdefault(look.compartment, []).append((look.on, look.by))
    rows: list[dict] = []
    for compartment, bottles in groupby(concerned.itertuples(), key=lambda bottle: bottle.compartment):
        rows += _spells_of(bottles, done.get(compartment, []), analytes, rates, believed)
    return pd.DataFrame(rows, columns=SPELLS).astype(
        {"alarm_on": "datetime64[us]", "last_on": "datetime64[us]", "closed_on": "datetime64[us]"}
    )


def _spells_of(bottles: Iterable, looks: list, analytes: dict, rates: dict, believed: dict) -> list[dict]:
    """Spells of one compartment; bottles (rows of `bottle_states`) in order of drawing, looks (day, by) in order of day."""
    rows: list[dict] = []
    spell: _Spell | None = None
    before: dict[str, float] = {}
    for bottle in bottles:
        if spell is not None:
            closed = _closed_by_then(spell, bottle, looks)
            if closed:
                rows.append(_closed(spell, *closed))
                spell = None
        spell = _read_bottle(spell, bottle, analytes, rates, believed, before)
        if spell is not None and spell.clear_run >= (2 if spell.rate_back else _STEADY):
            rows.append(_closed(spell, bottle.drawn_on, "two clear bottles" if spell.rate_back else "steady since"))
            spell = None
        if spell is None:
            before = rates.get(bottle.sample, before)
    if spell is not None:
        after = [look for look in looks if look[0] >= spell.first.drawn_on]
        rows.append(_closed(spell, *(after[0] if after else (pd.NaT, ""))))
    return rows


def _closed_by_then(spell: _Spell, bottle: Any, looks: list) -> tuple[pd.Timestamp, str] | None:
    between = [look for look in looks if spell.first.drawn_on <= look[0] <= bottle.drawn_on]
    if between:
        return between[0]
    if bottle.life != spell.first.life:
        return bottle.drawn_on, "new component"
    return None


def _read_bottle(
    spell: _Spell | None, bottle: Any, analytes: dict, rates: dict, believed: dict, before: dict
) -> _Spell | None:
    sample = bottle.sample
    if bottle.state == "alarm":
        if spell is None:
            spell = _Spell(bottle, bottle, 0, set(), dict(before))
        spell.last, spell.bottles, spell.clear_run = bottle, spell.bottles + 1, 0
        spell.analytes |= analytes.get(sample, set())
    elif spell is not None and bottle.state == "clear" and believed.get(sample, 1.0) >= 0.5:
        spell.clear_run += 1
        spell.rate_back = _rate_back(spell, rates.get(sample, {}))
    return spell


def _rate_back(spell: _Spell, now: dict[str, float]) -> bool:
    """Whether every alarming metal wears again at about its rate before the alarm."""
    return all(
        now.get(a, 0.0) <= _BACK_TO_NORMAL * max(spell.rates[a], 1e-9)
        for a in spell.analytes
        if a in spell.rates and a in now
    )


def _closed(spell: _Spell, on: pd.Timestamp, by: str) -> dict:
    first = spell.first
    return {
        "compartment": first.compartment, "life": first.life, "alarm_on": first.drawn_on, "sample": first.sample,
        "run_h": first.run_h, "last_on": spell.last.drawn_on, "bottles": spell.bottles,
        "analytes": ", ".join(sorted(spell.analytes)), "closed_on": on, "closed_by": by,
    }  # fmt: skip


def looks_inside(known: Fleet) -> pd.DataFrame:
    """What closes an alarm: findings, repairs and replacements (compartment, on, by), in order."""
    found = known.findings[["compartment", "found_on"]].rename(columns={"found_on": "on"}).assign(by="finding")
    mended = known.services[known.services["kind"].isin(["repair", "replace"])]
    mended = mended[["compartment", "done_on", "kind"]].rename(columns={"done_on": "on", "kind": "by"})
    return pd.concat([found, mended], ignore_index=True).sort_values(["compartment", "on", "by"]).reset_index(drop=True)


VERDICTS = ["compartment", "machine", "site", "kind", "family", "state", "reason", "todo", "sample", "drawn_on", "run_h", "meter_h", "since", "n_bottles", "believed", "how_sure"]  # fmt: skip


def judge(
    known: Fleet, exposure: pd.DataFrame, use: pd.DataFrame, evidence: pd.DataFrame, spells: pd.DataFrame, forecast: pd.DataFrame,
    trust: pd.DataFrame, doubts: pd.DataFrame,
) -> pd.DataFrame:  # fmt: skip
    """One row per compartment of a working machine: its state today, why in one line, and what to do (columns VERDICTS)."""
    places = known.compartments.merge(known.machines[["machine", "site", "retired_on"]], on="machine")
    places = places[places["retired_on"].isna()].sort_values("compartment")
    last = (
        exposure.sort_values(["compartment", "life", "order"]).groupby("compartment").tail(1).set_index("compartment")
    )
    newest = set(last["sample"])
    crossing = forecast[forecast["chance"] >= known.settings.alarm.crossing_chance]
    context = _Context(
        alarm=known.settings.alarm,
        stale_after=known.settings.sampling.stale_after_intervals,
        last={str(c): row for c, row in last.to_dict("index").items()},
        evidence=dict(tuple(evidence[evidence["sample"].isin(newest)].groupby("sample"))),
        nothing=evidence.iloc[:0],
        open=spells[spells["closed_on"].isna()].drop_duplicates("compartment", keep="last").set_index("compartment"),
        closed=spells.dropna(subset="closed_on").groupby("compartment")["closed_on"].max().to_dict(),
        crossing=dict(tuple(crossing.groupby("compartment"))),
        believed=dict(zip(trust["sample"], trust["believed"], strict=True)),
        doubts=dict(tuple(doubts[doubts["sample"].isin(newest)].groupby("sample"))),
        now_h=_hours_now(use, known.date),
        every={c: e if e > 0 else known.settings.kind(k).sample_every_h for c, k, e in places[["compartment", "kind", "sample_every_h"]].itertuples(index=False)},
    )  # fmt: skip
    rows = [_verdict(place, context) for place in places.itertuples()]
    return pd.DataFrame(rows, columns=VERDICTS).astype({"drawn_on": "datetime64[us]", "since": "datetime64[us]"})


@dataclass(frozen=True)
class _Context:
    """What judging one compartment looks up, keyed by compartment or sample (of newest bottles only)."""

    alarm: Alarm
    stale_after: float
    last: dict
    evidence: dict
    nothing: pd.DataFrame
    open: pd.DataFrame
    closed: dict
    crossing: dict
    believed: dict
    doubts: dict
    now_h: dict
    every: dict


def _hours_now(use: pd.DataFrame, day: pd.Timestamp | None) -> dict[str, float]:
    """Running hours each machine should have reached by `day`, from its last reading and its own use."""
    days = (day - use["last_read_on"]).dt.days.clip(lower=0)
    return dict(zip(use["machine"], use["last_run_h"] + days * use["h_per_day"].fillna(0), strict=True))


def _verdict(place: Any, context: _Context) -> dict:
    base = {"compartment": place.compartment, "machine": place.machine, "site": place.site, "kind": place.kind, "family": place.family,
            "sample": "", "drawn_on": pd.NaT, "run_h": np.nan, "meter_h": np.nan, "since": pd.NaT, "n_bottles": 0, "believed": np.nan}  # fmt: skip
    if place.compartment not in context.last:
        return base | {
            "state": "not known",
            "reason": "no usable bottle yet",
            "todo": "Take a first bottle.",
            "how_sure": "nothing to go by",
        }
    bottle = context.last[place.compartment]
    base |= {"sample": bottle["sample"], "drawn_on": bottle["drawn_on"], "run_h": bottle["run_h"], "meter_h": bottle["meter_h"],
             "believed": context.believed.get(bottle["sample"], 1.0)}  # fmt: skip
    rows = _standing_evidence(place.compartment, bottle, context)
    if len(rows) or place.compartment in context.open.index:
        return base | _raised(place.compartment, bottle, rows, base["believed"], context)
    return base | _quiet(place.compartment, place.machine, bottle, base["believed"], context)


def _standing_evidence(compartment: str, bottle: dict, context: _Context) -> pd.DataFrame:
    """Evidence of the newest bottle, unless somebody looked since, and a forecast that crosses the limit."""
    rows = context.evidence.get(bottle["sample"], context.nothing)
    if context.closed.get(compartment, pd.Timestamp.min) >= bottle["drawn_on"]:
        rows = context.nothing
    ahead = context.crossing.get(compartment)
    if ahead is None:
        return rows
    extra = [
        {"compartment": compartment, "sample": bottle["sample"], "drawn_on": bottle["drawn_on"], "analyte": r.analyte, "rule": "forecast",
         "value": r.chance, "operator": ">=", "threshold": context.alarm.crossing_chance, "unit": "chance", "state": "alert", "words": r.words}
        for r in ahead.itertuples()
    ]  # fmt: skip
    return pd.concat([rows, pd.DataFrame(extra, columns=EVIDENCE)], ignore_index=True) if extra else rows


_TELLING = {"low level": 3.0, "one-step departure": 2.0}  # what a reader grasps first; everything else after them


def _count(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def _raised(compartment: str, bottle: dict, rows: pd.DataFrame, believed: float, context: _Context) -> dict:
    """State, reason and request when something stands against the compartment."""
    state = "alarm" if (rows["state"] == "alarm").any() else "alert"
    spell = context.open.loc[compartment] if compartment in context.open.index else None
    leak = (rows["rule"] == "low level").any()
    top = rows.assign(rank=rows["state"].map(RANK), first=rows["rule"].map(_TELLING).fillna(1.0))
    top = top.sort_values(["first", "rank", "value"], ascending=False)
    metals = len(set(top["analyte"]) - {""})
    others = len(set(top["analyte"].iloc[1:]) - {"", top["analyte"].iloc[0]}) if len(top) else 0
    if len(top):
        reason = top["words"].iloc[0] + (f"; {_count(others, 'more result')} out of line" if others else "")
    else:
        reason = f"alarm of {context.open.loc[compartment, 'alarm_on']:%Y-%m-%d} not looked into yet; the newest bottle adds nothing"
    bottles = int(spell["bottles"]) if spell is not None else 1
    todo = _todo(state, spell is not None, bottles, leak, believed, context.doubts.get(bottle["sample"]))
    since = spell["alarm_on"] if spell is not None else bottle["drawn_on"]
    sure = (
        f"{_count(bottles, 'bottle')} so far, {_count(max(metals, 1), 'measure')} out of line"
        if state == "alarm"
        else "worth watching; chance alone can do this"
    )
    if believed < 0.5:
        sure = "the newest bottle is doubted"
    return {"state": state, "reason": reason, "todo": todo, "since": since, "n_bottles": bottles, "how_sure": sure}


def _todo(state: str, is_open: bool, bottles: int, leak: bool, believed: float, doubts: pd.DataFrame | None) -> str:
    if leak:
        return "Find and mend the leak, top up, and take a bottle once it has run."
    if believed < 0.5 and doubts is not None and len(doubts):
        words = str(doubts["todo"].iloc[0])
        return words if "repeat bottle" in words else f"Take a repeat bottle first. {words}"
    if state == "alarm" and bottles >= 2:
        return "Look inside before the next sample falls due."
    if state == "alarm":
        return "Take a repeat bottle now; if it agrees, look inside."
    if is_open and bottles >= 2:
        return "Look inside, or record what was found; the alarm is still open."
    if is_open:
        return "Take a repeat bottle, or record what was found; the alarm is still open."
    return "Sample at half the usual interval and compare."


def _quiet(compartment: str, machine: str, bottle: dict, believed: float, context: _Context) -> dict:
    """Clear, unless the newest bottle is too old or not believed."""
    out = {
        "state": "clear",
        "reason": "results as expected",
        "todo": "",
        "since": pd.NaT,
        "n_bottles": 0,
        "how_sure": f"{_count(int(bottle['order']) + 1, 'bottle')} of this life",
    }
    age = context.now_h.get(machine, np.nan) - bottle["run_h"]
    every = context.every[compartment]
    if age > context.stale_after * every:
        return out | {
            "state": "not known",
            "reason": f"newest bottle is {age:,.0f} h old; sampled every {every:,.0f} h",
            "todo": "Take a bottle.",
        }
    if believed < 0.5:
        why = context.doubts[bottle["sample"]]["reason"].iloc[0] if bottle["sample"] in context.doubts else "doubted"
        return out | {
            "state": "not known",
            "reason": f"newest bottle is doubted: {why}",
            "todo": "Take a repeat bottle.",
        }
    return out
