"""From the posterior and the rules that act alone to verdicts, orders, alarms and reasons: what the books and the round
read.
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd

from cmkit.judge.bottle_states import bottle_states, rules_alone
from cmkit.judge.money import what_it_costs
from cmkit.judge.orders import make_orders
from cmkit.judge.spells import alarm_spells
from cmkit.judge.state import judge_states
from cmkit.judge.words import for_and_against, how_sure, reason_line
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import names, typed

VERDICTS = names("verdicts")


class Posterior(Protocol):
    """What the judge returns: bottle_chances, hypotheses, contributions."""

    @property
    def bottle_chances(self) -> pd.DataFrame: ...
    @property
    def hypotheses(self) -> pd.DataFrame: ...
    @property
    def contributions(self) -> pd.DataFrame: ...


@dataclass(frozen=True)
class Beside:
    """What stands beside the posterior: evidence of fixed limits and levels, the running hours of bottles (exposure),
    the machines' use, what was expected of each metal (history), what screening doubted (doubts), and how long bottles
    take by site (turnaround)."""

    rules: pd.DataFrame
    exposure: pd.DataFrame
    use: pd.DataFrame
    expected: pd.DataFrame
    doubts: pd.DataFrame | None = None
    turnaround: pd.DataFrame | None = None


@dataclass(frozen=True)
class Decisions:
    """verdicts (columns VERDICTS), orders (ORDERS), money (MONEY), spells (SPELLS), reasons (REASONS), bottles
    (BOTTLES).
    """

    verdicts: pd.DataFrame
    orders: pd.DataFrame
    money: pd.DataFrame
    spells: pd.DataFrame
    reasons: pd.DataFrame
    bottles: pd.DataFrame


def decide(known: Fleet, judged: Posterior, beside: Beside) -> Decisions:
    """Verdicts, orders, money, alarms and reasons of every compartment of a working machine, on the day of `known`."""
    register = with_own(known.settings.analytes)
    judge = known.settings.judge
    bottles = bottle_states(judged.bottle_chances, beside.rules, register, judge, beside.doubts)
    alone = rules_alone(bottles, beside.rules, register)
    spells = alarm_spells(bottles, alone, known)
    states = judge_states(known, bottles, spells, judged.hypotheses, beside.use)
    money = what_it_costs(known, states, beside.use, beside.turnaround)
    orders = make_orders(known, states, alone, money, beside.use)
    shown = states[states["state"].isin(["alarm", "alert"])]
    reasons = for_and_against(known, shown, judged.contributions, beside.expected, register)
    verdicts = _verdicts(states, orders, reasons, alone, judge.alert)
    meter = beside.exposure.drop_duplicates("sample").set_index("sample")["meter_h"]
    verdicts["meter_h"] = meter.reindex(verdicts["sample"]).to_numpy(dtype=float)
    return Decisions(typed(verdicts[VERDICTS], "verdicts"), orders, money, spells, reasons, bottles)


def _verdicts(
    states: pd.DataFrame, orders: pd.DataFrame, reasons: pd.DataFrame, alone: pd.DataFrame, alert: float
) -> pd.DataFrame:
    """States with reason, todo and how sure in words."""
    by_place = {str(c): row for c, row in orders.set_index("compartment").to_dict("index").items()}
    own = dict(tuple(reasons.groupby("compartment")))
    none = {"chance": np.nan, "cause": "", "second_cause": "", "work": "", "also": "", "request": "", "asks": ""}
    standing = alone[alone["acts"] != "clear"].sort_values("acts", ascending=True, kind="stable")
    rules = {str(s): list(zip(own["analyte"], own["words"], strict=True)) for s, own in standing.groupby("sample")}
    said = []
    for r in states.itertuples():
        order = by_place.get(r.compartment, none)
        reason = reason_line(r, order, own.get(r.compartment, reasons.iloc[:0]), rules.get(r.sample, []), alert)
        todo = " ".join(dict.fromkeys(p for p in (order["work"], order["also"], order["request"]) if p))
        said.append((reason, todo, how_sure(r), order["asks"]))
    words = pd.DataFrame(said, columns=["reason", "todo", "how_sure", "asks"], index=states.index)
    return states.assign(**words, believed=states["p_good"])
