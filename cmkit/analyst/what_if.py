"""What another limit, threshold, cost or interval would have done, on the fleet's own past: tried before it is
accepted.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pandas as pd

from cmkit.analyst.asked import kept, known_analyte, one_of, register_of
from cmkit.assessment import Assessment
from cmkit.errors import ParameterError
from cmkit.intervals.cost import Case, interval_cost
from cmkit.judge.bottle_states import bottle_states, rules_alone
from cmkit.judge.spells import alarm_spells
from cmkit.practice.replay import alarm_record
from cmkit.records.censoring import flags
from cmkit.records.fleet import Fleet
from cmkit.records.settings import Judge, Settings
from cmkit.tables.records import TABLES

Limits = Mapping[str, Mapping[str, tuple[float, float]]]
Costs = Mapping[str, Mapping[str, float]]
_COSTS = ("sample_cost", "inspect_cost", "planned_cost", "failure_cost")
_THRESHOLDS = ("alarm", "alert", "good", "settle_bottles")
_FIXED = ("maker limit", "condition")
_HOURS_A_DAY = "usual_h_per_day"


def what_if(
    a: Assessment,
    *,
    limits: Limits | None = None,
    thresholds: Mapping[str, float] | None = None,
    costs: Costs | None = None,
    every_h: Mapping[str, float] | float | None = None,
) -> pd.DataFrame:
    """What the past would have looked like: one row a count, columns today, then, difference, unit, meaning.

    limits: fixed limits as in fleet.toml, `{"engine": {"Cu_ppm": (20, 40)}}`, kind or family -> analyte -> (alert,
    alarm), in the analyte's unit, in place of a fixed limit there. thresholds: of the judgement: alarm, alert, good
    (chances, 0 < alert < alarm < 1), settle_bottles. costs: `{"engine": {"failure_cost": 90_000}}`, money of 0 or more,
    downtime included. every_h: sampling interval (h, above 0) of all, or by compartment, family or kind. Nothing is
    written.

    The chance of a fault after each bottle stays as it is; bottles, alarms and what settled them are counted again from
    it, so a lower limit never gives fewer bottles in alarm. Past findings stay: a fault that an alarm was known of
    costs a planned repair, one that came without costs a failure, an alarm costs a look, a bottle its analysis; the
    same rule on both sides. What another interval does cannot be seen in the past: its expected cost is the interval
    model's (`cmkit.intervals.cost`). Raises ParameterError for names or values not known.

    >>> tried = cmkit.what_if(a, limits={"engine": {"Cu_ppm": (10, 20)}})
    >>> int(tried.loc["bottles", "then"])
    2541
    """
    tried = _Tried(limits or {}, thresholds or {}, costs or {}, every_h)
    _check(a, tried)
    out = pd.DataFrame({"today": _today(a), "then": _counts(a, tried)})
    out["difference"] = out["then"] - out["today"]
    currency = str(a.about["currency"])
    told = pd.DataFrame(_MEANING, index=["unit", "meaning"]).T.reindex(out.index)
    return out.join(told.assign(unit=told["unit"].replace("money", currency))).rename_axis("count")


_MEANING = {
    "bottles": ("bottles", "drawn and judged so far"),
    "in alert": ("bottles", "bottles that gave an alert"),
    "in alarm": ("bottles", "bottles that gave an alarm"),
    "alarms": ("alarms", "runs of bottles in alarm, from the first until it was settled"),
    "confirmed": ("alarms", "answered by a defect found, or a failure, after the alarm was known"),
    "in vain": ("alarms", "looked into, and nothing wrong found"),
    "never looked into": ("alarms", "settled some other way"),
    "standing": ("alarms", "waiting for a look"),
    "without warning": ("faults", "defects and failures found that no alarm was known of"),
    "money a year, past": ("money/a", "bottles, looks, planned repairs and failures of the past, at these costs"),
    "bottles a year": ("bottles/a", "at the sampling intervals of the working compartments"),
    "money a year, expected": (
        "money/a",
        "by the interval model at its middle assumptions; the table intervals averages over what is not known",
    ),
}


@dataclass(frozen=True)
class _Tried:
    """What is tried: limits, thresholds, costs, intervals."""

    limits: Limits
    thresholds: Mapping[str, Any]
    costs: Costs
    every_h: Mapping[str, float] | float | None


def _check(a: Assessment, tried: _Tried) -> None:
    places = [*a.compartments["kind"].unique(), *a.compartments["family"].unique()]
    for where, block in tried.limits.items():
        one_of("limits", where, places)
        for analyte, bounds in block.items():
            known_analyte(a, analyte)
            if len(bounds) != 2 or not all(np.isfinite(bounds)):
                raise ParameterError(f"limits of {analyte} in {where!r}: found {bounds!r}, wanted (alert, alarm).")
    for name in tried.thresholds:
        one_of("thresholds", name, _THRESHOLDS)
    for kind, given in tried.costs.items():
        one_of("costs", kind, a.compartments["kind"].unique())
        for name, value in given.items():
            one_of(f"costs of {kind!r}", name, _COSTS)
            if not value >= 0:
                raise ParameterError(f"costs of {kind!r}: {name} found {value!r}, wanted 0 or more.")
    if isinstance(tried.every_h, Mapping):
        for name in tried.every_h:
            one_of("every_h", name, [*places, *a.compartments["compartment"]])
    every = (
        tried.every_h.values()
        if isinstance(tried.every_h, Mapping)
        else [1.0 if tried.every_h is None else tried.every_h]
    )
    if not all(v > 0 for v in every):
        raise ParameterError(f"every_h: found {tried.every_h!r}, wanted operating hours above 0.")


@kept
def fleet_of(a: Assessment) -> Fleet:
    """The records an assessment holds, as a fleet of its day, with the settings of the judgement that were in force."""
    judge = Judge(**a.about["judge"])
    settings = Settings(name=str(a.about["fleet"]), currency=str(a.about["currency"]), judge=judge)
    tables = {name: getattr(a, name) for name in (*TABLES, "set_aside", "repairs", "counts")}
    return Fleet(settings, **tables, date=a.as_of)


def _judge(a: Assessment, tried: _Tried) -> Judge:
    judge = replace(Judge(**a.about["judge"]), **tried.thresholds)
    if not 0 < judge.alert < judge.alarm < 1:
        raise ParameterError(
            f"thresholds: found alert {judge.alert:g} and alarm {judge.alarm:g}, wanted 0 < alert < alarm < 1."
        )
    return judge


_NOTHING = _Tried({}, {}, {}, None)


@dataclass(frozen=True)
class _Past:
    """What became of the past: bottles (compartment, state) and the alarms among them (compartment,
    outcome, finding).
    """

    bottles: pd.DataFrame
    alarms: pd.DataFrame


@kept
def _today(a: Assessment) -> pd.Series:
    """The counts as they are."""
    return _counts(a, _NOTHING)


@kept
def _past_today(a: Assessment) -> _Past:
    return _judged(a, _NOTHING, a.compartments["compartment"])


def _past(a: Assessment, tried: _Tried) -> _Past:
    """The past with what is tried: bottles are judged again only where it can matter."""
    judge = _judge(a, tried)
    if judge != _judge(a, _NOTHING):
        return _judged(a, tried, a.compartments["compartment"])
    today = _past_today(a)
    places = pd.concat([_concerned(a, where) for where in tried.limits] or [pd.Series(dtype="str")])
    if not len(places):
        return today
    again = _judged(a, tried, places)
    frames = ((today.bottles, again.bottles), (today.alarms, again.alarms))
    return _Past(*(pd.concat([t[~t["compartment"].isin(places)], n], ignore_index=True) for t, n in frames))


def _concerned(a: Assessment, where: str) -> pd.Series:
    """Compartments of a kind or family."""
    return a.compartments.loc[(a.compartments["kind"] == where) | (a.compartments["family"] == where), "compartment"]


def _judged(a: Assessment, tried: _Tried, places: pd.Series) -> _Past:
    """Bottles, alarms and what settled them of some compartments, with what is tried."""
    judge, register = _judge(a, tried), register_of(a)
    rules, chances = (frame[frame["compartment"].isin(places)] for frame in (a.evidence, a.bottle_chances))
    rules = _with_limits(a, rules, tried.limits)
    bottles = bottle_states(chances, rules, register, judge, a.doubts)
    fleet = fleet_of(a)
    found = fleet.findings[fleet.findings["compartment"].isin(places)]
    known = replace(fleet, settings=replace(fleet.settings, judge=judge), findings=found)
    spells = alarm_spells(bottles, rules_alone(bottles, rules, register), known)
    record = alarm_record(known, spells, found[["finding"]].assign(run_h=np.nan))
    alarms = record[record["alarm_on"].notna()]
    return _Past(bottles[["compartment", "state"]], alarms[["compartment", "outcome", "finding"]])


def _counts(a: Assessment, tried: _Tried) -> pd.Series:
    past = _past(a, tried)
    bottles, alarms = past.bottles, past.alarms
    outcome = alarms["outcome"].value_counts()
    faults = a.findings[a.findings["outcome"].isin(["defect", "failed"])]
    warned = faults["finding"].isin(alarms["finding"])
    expected = _expected_today(a) if not tried.costs and tried.every_h is None else _expected(a, tried)
    counts = {
        "bottles": len(bottles),
        "in alert": (bottles["state"] == "alert").sum(),
        "in alarm": (bottles["state"] == "alarm").sum(),
        "alarms": len(alarms),
        "confirmed": outcome.get("defect", 0) + outcome.get("failed", 0),
        "in vain": outcome.get("no defect", 0),
        "never looked into": outcome.get("not looked into", 0),
        "standing": outcome.get("waiting", 0),
        "without warning": (~warned).sum(),
        "money a year, past": _past_money(a, tried, alarms, faults.assign(warned=warned)),
        **expected,
    }
    return pd.Series(counts, dtype="float64")


def _with_limits(a: Assessment, rules: pd.DataFrame, limits: Limits) -> pd.DataFrame:
    """The evidence `rules` with fixed limits replaced."""
    for where, block in limits.items():
        own = _concerned(a, where)
        for analyte, (alert, alarm) in block.items():
            gone = rules["compartment"].isin(own) & (rules["analyte"] == analyte) & rules["rule"].isin(_FIXED)
            new = _passed(a, own, analyte, alert, alarm)
            rules = pd.concat([rules[~gone], new.astype(rules.dtypes)], ignore_index=True) if len(new) else rules[~gone]
    return rules


def _passed(a: Assessment, places: pd.Series, analyte: str, alert: float, alarm: float) -> pd.DataFrame:
    """Evidence rows of results beyond a fixed limit; below it where the alarm lies under the alert."""
    shots = a.samples[a.samples["compartment"].isin(places) & a.samples[analyte].notna()]
    down = alarm < alert
    value = shots[analyte]
    cut = flags(shots, [analyte], "above" if down else "below")[:, 0]
    past, far = ((value <= b if down else value >= b) & ~cut for b in (alert, alarm))
    hit = shots[past]
    out = hit[["compartment", "sample", "drawn_on"]].copy()
    out["known_on"] = hit["reported_on"].fillna(hit["received_on"]).fillna(hit["drawn_on"])
    out["analyte"], out["rule"], out["value"], out["operator"] = (
        analyte,
        "maker limit",
        hit[analyte],
        "<=" if down else ">=",
    )
    out["threshold"] = np.where(far[past], alarm, alert)
    out["unit"], out["state"], out["words"] = "", np.where(far[past], "alarm", "alert"), "a limit that is tried"
    return out[a.evidence.columns]


def _costs(a: Assessment, tried: _Tried) -> pd.DataFrame:
    """Costs of every compartment, downtime included, with those that are tried."""
    kinds = a.about["kinds"]
    places = a.compartments[["compartment", "kind"]].set_index("compartment")
    own = a.intervals.set_index("compartment")
    out = pd.DataFrame(index=places.index)
    for name in _COSTS:
        usual = places["kind"].map(lambda kind, name=name: float(kinds[kind][name]))
        given = places["kind"].map(lambda kind, name=name: tried.costs.get(kind, {}).get(name, np.nan)).astype(float)
        out[name] = given.fillna(own[name].reindex(places.index)).fillna(usual)
    return out


def _past_money(a: Assessment, tried: _Tried, alarms: pd.DataFrame, faults: pd.DataFrame) -> float:
    cost = _costs(a, tried)
    days = a.samples["drawn_on"].dropna()
    years = max((days.max() - days.min()).days / 365.25, 1 / 12) if len(days) else 1.0
    looks = alarms["outcome"].isin(["defect", "failed", "no defect"])
    parts = [
        cost["sample_cost"].reindex(a.samples["compartment"]).sum(),
        cost["inspect_cost"].reindex(alarms.loc[looks, "compartment"]).sum(),
        cost["planned_cost"].reindex(faults.loc[faults["warned"], "compartment"]).sum(),
        cost["failure_cost"].reindex(faults.loc[~faults["warned"], "compartment"]).sum(),
    ]
    return float(sum(parts)) / years


@kept
def _expected_today(a: Assessment) -> dict[str, float]:
    return _expected(a, _NOTHING)


def _expected(a: Assessment, tried: _Tried) -> dict[str, float]:
    """Bottles and money a year by the interval model; nothing where no compartment is judged."""
    rows = a.intervals[a.intervals["cost_today"].notna()]
    if rows.empty:
        return {"bottles a year": np.nan, "money a year, expected": np.nan}
    every = _every(rows, tried.every_h)
    pace = (
        rows["machine"].map(a.use.set_index("machine")["h_per_day"]).fillna(float(a.about["intervals"][_HOURS_A_DAY]))
    )
    hours = 365.25 * pace.to_numpy(float)
    cost = _model_cost(a, rows, every, tried)
    return {"bottles a year": float((hours / every).sum()), "money a year, expected": float((hours * cost).sum())}


def _every(rows: pd.DataFrame, every_h: Mapping[str, float] | float | None) -> np.ndarray:
    """Intervals (h): a compartment's own wins over its family's, that over its kind's, that over today's."""
    today = rows["today_h"].astype(float)
    if every_h is None:
        return np.asarray(today.to_numpy())
    if not isinstance(every_h, Mapping):
        return np.full(len(rows), float(every_h))
    for key in ("kind", "family", "compartment"):
        today = rows[key].map(dict(every_h)).astype(float).fillna(today)
    return np.asarray(today.to_numpy())


def _model_cost(a: Assessment, rows: pd.DataFrame, every: np.ndarray, tried: _Tried) -> np.ndarray:
    """Expected cost per hour of each compartment at its interval."""
    cost = _costs(a, tried).reindex(rows["compartment"])
    values = {f.name: rows[f.name].to_numpy(float) for f in fields(Case)} | {n: cost[n].to_numpy(float) for n in _COSTS}
    case = Case(**values)
    out = np.empty(len(rows))
    for hours in np.unique(every):
        at = np.flatnonzero(every == hours)
        found: Any = interval_cost(case.take(at), np.array([hours]), fine=False).cost_per_h
        out[at] = np.asarray(found, float).reshape(len(at), -1)[:, 0]
    return out
