"""From state and chances to one order a compartment: the work, how soon, what confirms it, what not to do, and what it
rests on.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from cmkit.judge.bottle_states import RANK, raises
from cmkit.judge.faults import AGAIN, LOW_LEVEL, SEVERITIES, Fault, Work, fault, harmless, limit_cause, work
from cmkit.judge.money import cost_of_waiting
from cmkit.judge.words import chance_text
from cmkit.records.fleet import Fleet
from cmkit.records.settings import Judge
from cmkit.tables.frames import names, typed

ORDERS = names("orders")
_NUMBERS = ("chance", "within_h", "p_second", "cost_of_act", "money_at_stake", "cost_look", "cost_repeat", "cost_wait")
_SOONER = Work("Sample at half the usual interval and compare.", "next bottle", np.nan, np.nan)
_FIRST = Work("Take a first bottle.", "next bottle", np.nan, np.nan)
_AFTER = Work("Take the next bottle as it falls due: it shows whether the work helped.", "next bottle", np.nan, np.nan)
_OLD = Work("Take a bottle: the newest is too old to judge by.", "next bottle", np.nan, np.nan)
_MISSED = Work("Take a bottle now: it is to show whether the look missed something.", "repeat bottle", 3.0, 25.0)
_MOST_ALSO = 2
_ALWAYS_ALSO = ("coolant leak", "fuel dilution", "water entry", "water without coolant", "soot")


@dataclass(frozen=True)
class _Finding:
    """One thing that stands against a compartment. p: its chance, NaN for a limit or level; rests_on: in words; usual:
    only a limit of common practice says so, and waiting for the next bottle is open.
    """

    cause: str
    severity: str
    state: str
    p: float
    rests_on: str
    usual: bool = False


def make_orders(
    known: Fleet, states: pd.DataFrame, alone: pd.DataFrame, money: pd.DataFrame, use: pd.DataFrame
) -> pd.DataFrame:
    """One order per compartment that is not clear (columns ORDERS), by compartment.

    states: `judge_states`; alone: `rules_alone`; money: `what_it_costs`; use: h_per_day by machine. chance: of the
    order's own cause today (NaN where only a limit or the level speaks). also: further work for other findings;
    request: a bottle asked for beside the work. choice: what costs least (`look`, `repeat`, `wait`). due_on: the day of
    the result plus how soon, days or operating hours, whichever comes first. Money in the fleet's currency.
    """
    standing = alone[(alone["acts"] != "clear") & alone["sample"].isin(states["sample"])]
    rules = {str(sample): list(rows.itertuples()) for sample, rows in standing.groupby("sample")}
    costs = {str(c): row for c, row in money.set_index("compartment").to_dict("index").items()}
    pace = dict(zip(use["machine"], use["h_per_day"].where(~use["idle"].astype(bool)), strict=True))
    changes = _change_cost(known)
    wanted = states[states["case"] != "clear"]
    rows = []
    for r in wanted.itertuples():
        if r.case == "looked into" and r.state == "clear":
            continue
        order = _order(r, rules.get(r.sample, []), costs[r.compartment], known.settings.judge)
        order |= _when(r, order, pace.get(r.machine, np.nan), known.date) | {"asks": _asks(r, order)}
        rows.append(order | _act_cost(order["group"], costs[r.compartment], changes.get(r.compartment)))
    out = pd.DataFrame(rows, columns=ORDERS)
    out["money_at_stake"] = cost_of_waiting(
        money.set_index("compartment").reindex(out["compartment"]).reset_index(), out.set_index("compartment")["asks"]
    )["cost"].to_numpy()
    return typed(out, "orders")


def _order(r: Any, rules: list[Any], cost: dict[str, Any], judge: Judge) -> dict[str, Any]:
    """One compartment's order without its day and cost."""
    if r.case == "looked into" and r.chance >= judge.alarm and r.cause not in harmless():
        return _second_look(r, cost, judge)
    plain = {"no bottle": _FIRST, "replaced": _FIRST, "repaired": _AFTER, "stale": _OLD, "looked into": _MISSED}.get(
        r.case
    )
    found = [] if plain or r.case == "doubtful" else _findings(r, rules, judge)
    request = _request(r, judge)
    if not found:
        act = plain or Work(
            request, "repeat bottle" if r.doubtful_run <= judge.repeats_most else "next bottle", 3.0, 25.0
        )
        words = fault(r.kind, r.doubt) if r.case == "doubtful" else None
        return _row(r, cost, act, words, judge) | {"rests_on": r.settled_by or r.missing}
    first, others = found[0], found[1:]
    words = fault(r.kind, first.cause)
    act, choice = _act(r, first, cost, judge)
    if choice == "repeat":
        request = ""
    also = [_also(r, f, act) for f in others[:_MOST_ALSO]]
    return _row(r, cost, act, words, judge) | {
        "cause": first.cause,
        "severity": first.severity,
        "chance": first.p,
        "also": " ".join(dict.fromkeys(a for a in also if a)),
        "request": request,
        "rests_on": "; ".join(dict.fromkeys(f.rests_on for f in found)),
        "choice": choice,
    }


def _second_look(r: Any, cost: dict[str, Any], judge: Judge) -> dict[str, Any]:
    """A look found nothing, and a fault is still likelier than the threshold of an alarm: the test that confirms it,
    and a bottle beside it.
    """
    words, own = fault(r.kind, r.cause), work(r.kind, r.cause, "clear")
    again = f"Look again by another way: {words.confirm}. If that shows something, go on: {own.work}"
    return _row(r, cost, replace(own, work=again), words, judge) | {
        "cause": words.cause,
        "severity": r.severity,
        "chance": r.p_cause,
        "request": _MISSED.work,
        "rests_on": f"{r.settled_by}; the results before it still say {chance_text(r.chance)}",
        "choice": "look",
    }


def _also(r: Any, other: _Finding, act: Work) -> str:
    """Work for a finding beside the first; empty for what the first one's work covers or what is
    only a second guess.
    """
    own = work(r.kind, other.cause, other.severity)
    if own.group == act.group and other.cause not in _ALWAYS_ALSO:
        return ""
    return own.work if other.state == "alarm" or other.cause in (*_ALWAYS_ALSO, LOW_LEVEL) else ""


def _row(r: Any, cost: dict[str, Any], act: Work, words: Fault | None, judge: Judge) -> dict[str, Any]:
    """The parts of an order that come as they are. words: the fault or doubt it speaks of, if any."""
    second = r.second_cause if np.nan_to_num(r.p_second) >= judge.second_share else ""
    return {
        "compartment": r.compartment,
        "state": r.state,
        "cause": words.cause if words else "",
        "severity": "",
        "chance": np.nan,
        "work": act.work,
        "also": "",
        "request": "",
        "group": act.group,
        "within_h": act.within_h,
        "within_days": act.within_days,
        "check_first": words.check_first if words else "",
        "confirm": words.confirm if words else "",
        "not_to_do": words.not_to_do if words else "",
        "if_ignored": words.if_ignored if words else "",
        "second_cause": second,
        "p_second": r.p_second if second else np.nan,
        "choice": "",
        "cost_look": cost["cost_look"],
        "cost_repeat": cost["cost_repeat"],
        "cost_wait": cost["cost_wait"],
        "assumed": cost["assumed"],
    }


def _findings(r: Any, rules: list[Any], judge: Judge) -> list[_Finding]:
    """What stands against the compartment, most pressing first; findings of one cause are one."""
    found = [_limit_finding(r, rule) for rule in rules]
    if np.nan_to_num(r.chance) >= judge.alert and r.cause:
        state = "alarm" if raises(pd.Series([r.chance]), pd.Series([r.p_good]), judge)[0] else "alert"
        found.insert(
            0,
            _Finding(
                r.cause, r.severity, state, r.p_cause, f"{chance_text(r.p_cause)} that {fault(r.kind, r.cause).said}"
            ),
        )
        if np.nan_to_num(r.p_second) >= judge.second_share:
            found.append(
                _Finding(
                    r.second_cause,
                    r.severity,
                    "alert",
                    r.p_second,
                    f"{chance_text(r.p_second)} that {fault(r.kind, r.second_cause).said}",
                )
            )
    if r.case == "alarm" and not any(f.state == "alarm" for f in found):
        cause = r.alarm_cause or r.cause
        p = r.p_cause if cause == r.cause else np.nan
        found.insert(
            0, _Finding(cause, "early", "alarm", p, f"the alarm of {r.since:%Y-%m-%d}, which nobody has looked into")
        )
    if not found:
        found = [_Finding(r.cause, "early", r.state, r.p_cause, "the chances of several faults together")]
    merged: dict[str, _Finding] = {}
    for f in found:
        merged[f.cause] = _together(merged[f.cause], f) if f.cause in merged else f
    order = list(merged.values())
    return sorted(order, key=lambda f: (-RANK[f.state], f.severity != "severe", order.index(f)))


def _together(one: _Finding, other: _Finding) -> _Finding:
    return replace(
        one,
        severity=max(one.severity, other.severity, key=SEVERITIES.index),
        state=max(one.state, other.state, key=lambda s: RANK[s]),
        p=one.p if not np.isnan(one.p) else other.p,
        usual=one.usual and other.usual,
        rests_on="; ".join(dict.fromkeys((one.rests_on, other.rests_on))),
    )


def _limit_finding(r: Any, rule: Any) -> _Finding:
    severity = "clear" if rule.acts == "alarm" else "early"
    if rule.rule == "low level":
        return _Finding(LOW_LEVEL, severity, rule.acts, np.nan, rule.words)
    way = "-" if rule.operator == "<=" else "+"
    cause, severe = limit_cause(r.kind, rule.analyte, way)
    beyond = rule.value >= severe if way == "+" else rule.value <= severe
    severity = "severe" if rule.acts == "alarm" and beyond else severity
    usual = rule.rule == "condition" and rule.acts == "alert" and cause not in _ALWAYS_ALSO
    return _Finding(cause, severity, rule.acts, np.nan, rule.words, usual)


def _act(r: Any, first: _Finding, cost: dict[str, Any], judge: Judge) -> tuple[Work, str]:
    """The work for the finding that leads, and the choice money makes of it: `look`, `repeat` or `wait`."""
    act = work(r.kind, first.cause, first.severity)
    sure = np.isnan(first.p) or np.nan_to_num(r.p_severe) >= judge.stop
    if act.group == "stop and check" and not sure:
        act = work(r.kind, first.cause, "clear")
    if first.usual and cost["choice"] == "wait":
        return _SOONER, "wait"
    if first.state == "alarm" or np.isnan(first.p):
        if act.group == "repeat bottle" and r.n_bottles >= judge.repeats_most:
            act = work(r.kind, first.cause, "clear")
        return act, "repeat" if act.group == "repeat bottle" else "look"
    if first.cause in harmless():
        return act, "wait"
    choice = cost["choice"]
    if choice == "repeat" and r.n_bottles >= judge.repeats_most:
        choice = "look" if cost["cost_look"] < cost["cost_wait"] else "wait"
    if choice == "look":
        outside = (
            f"Check now without opening anything: {fault(r.kind, first.cause).check_first}. If that shows "
            f"something, go on: {act.work}"
        )
        return replace(act, work=outside, group="check first"), choice
    if choice == "repeat":
        return Work(
            f"Take a repeat bottle now: it is to show whether {fault(r.kind, first.cause).said}.",
            "repeat bottle",
            3.0,
            25.0,
        ), choice
    return _SOONER, choice


def _request(r: Any, judge: Judge) -> str:
    """A bottle asked for beside the work: because the newest is doubtful, or because an alarm rests on one early
    bottle.
    """
    if r.doubt and r.doubtful_run > judge.repeats_most:
        return _another_way(r.kind)
    if r.doubt:
        return work(r.kind, r.doubt, "early").work
    if r.case == "alarm" and r.n_bottles == 1 and r.severity == "early":
        return "Take a repeat bottle as well."
    return ""


def _asks(r: Any, order: dict[str, Any]) -> str:
    """What the next bottle is asked to be: `repeat`, `sooner`, `first` or routine (empty)."""
    if order["group"] == "repeat bottle" or (order["request"] and order["request"] != _another_way(r.kind)):
        return "repeat"
    return str(r.asks) if r.asks != "repeat" else "sooner"


def _another_way(kind: str) -> str:
    return work(kind, AGAIN, "early").work


def _when(r: Any, order: dict[str, Any], h_per_day: float, today: pd.Timestamp) -> dict[str, Any]:
    """due_on: the day by which the work is due."""
    if np.isnan(order["within_days"]):
        return {"due_on": today if r.case in ("no bottle", "replaced", "stale") else pd.NaT}
    due = r.known_on + pd.Timedelta(days=_days(order["within_days"], order["within_h"], h_per_day))
    if r.case == "alarm":
        first = work(r.kind, order["cause"], "early")
        if not np.isnan(first.within_days):
            due = min(due, r.alarm_known_on + pd.Timedelta(days=_days(first.within_days, first.within_h, h_per_day)))
    return {"due_on": due}


def _days(within_days: float, within_h: float, h_per_day: float) -> int:
    hours = within_h / h_per_day if h_per_day > 0 else np.inf
    return int(np.floor(min(within_days, hours)))


def _change_cost(known: Fleet) -> dict[str, float]:
    """Middle cost of the recorded fluid changes of each compartment."""
    done = known.services[known.services["kind"] == "change"]
    return {str(c): float(cost) for c, cost in done.groupby("compartment")["cost"].median().dropna().items()}


def _act_cost(group: str, cost: dict[str, Any], change: float | None) -> dict[str, Any]:
    """What the act itself costs: a bottle, a fluid change as recorded, else a look."""
    if group in ("repeat bottle", "next bottle"):
        return {"cost_of_act": cost["sample_cost"]}
    if group in ("fluid", "cooling system"):
        return {"cost_of_act": cost["inspect_cost"] if change is None else change}
    return {"cost_of_act": cost["inspect_cost"]}
