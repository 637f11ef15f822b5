"""Policies for the closed loop: cmkit's own, and the rules a careful office without it would use. Each sees the records
so far and the day, no truth.

The naive rules share everything but the rule itself: the newest bottle of a compartment since its last look or repair
is held against it; one that is beyond asks for a repeat bottle, and a repeat bottle that is beyond too asks for a look
(or `at_once` for a look at the first). A sealed compartment found low is looked into.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from cmkit.intervals.advice_report import worth_changing
from cmkit.intervals.advise import advise_intervals
from cmkit.judge.compartments import State, judge_compartments
from cmkit.learn import learn
from cmkit.records.analytes import analyte_register
from cmkit.records.fleet import Fleet, sampled_every
from cmkit.simulate.closed_loop import CHANGE, EVERY, LOOK, ORDERS, REPEAT, SOONER, Policy, no_orders
from cmkit.trust.hours import Hours, running_hours
from cmkit.trust.screen import screen_bottles
from cmkit.wear.fit import fit_wear

_UP = [
    *analyte_register().query("rule == 'rate'").index, "Na_ppm", "K_ppm", "water_ppm", "fuel_pct", "glycol_pct",
    "soot_pct", "ferrous_index",
    "p4_per_ml", "p6_per_ml", "p14_per_ml",
]  # fmt: skip
_METALS = list(analyte_register().query("rule == 'rate'").index)
_DOWN = ["nitrite_ppm", "glycol_vol_pct", "TBN_mgKOH_g"]
_NOT_IN_COOLANT = ["Na_ppm", "K_ppm", "Si_ppm"]
_OF_THE_FLUID = [
    "soot",
    "oxidised oil",
    "base number spent",
    "thickened oil",
    "another oil put in",
    "particles without metal",
]
_LEAST_PAST = 5  # bottles of its own before a compartment has a usual level
_SHORTEST_H = 100.0  # no rate from bottles closer together

Rule = Callable[[pd.DataFrame, float], pd.Series]


def nobody(known: Fleet, day: pd.Timestamp) -> pd.DataFrame:
    """No order at all: bottles are drawn and filed."""
    return no_orders()


def naive(rule: Rule, threshold: float, at_once: bool = False) -> Policy:
    """A policy that acts by `rule(bottles, threshold)`: a flag for each bottle (index of `bottles`)."""
    return partial(_naive, rule, threshold, at_once)


def _naive(rule: Rule, threshold: float, at_once: bool, known: Fleet, day: pd.Timestamp) -> pd.DataFrame:
    bottles = bottles_of(known.as_of(day))
    if bottles.empty:
        return no_orders()
    newest = bottles[bottles["newest"] & ~bottles["settled"]]
    beyond = rule(bottles, threshold).reindex(newest.index, fill_value=False)
    repeat = newest["note"] == "repeat bottle"
    low = (newest["fluid_level"] == "low") & newest["sealed"]
    looks = newest[low | (beyond & (repeat | at_once))]
    again = newest[beyond & ~repeat & ~at_once & ~low]
    orders = pd.concat([looks.assign(act=LOOK), again.assign(act=REPEAT)])
    return orders[["compartment", "act", "sample"]].reset_index(drop=True)


def bottles_of(known: Fleet) -> pd.DataFrame:
    """Bottles with results in order of drawing, as numbers (a result below its limit is the limit), with what the rules
    need beside them:

    kind, sealed, newest (of its compartment), settled (a look or repair came on its day or later), before (row of the
    bottle before it of the same component, -1 for none; a repeat bottle skips the one it repeats), hours (run hours
    since that), fresh (changed in between).
    """
    places = known.compartments.set_index("compartment")
    out = known.samples.sort_values(["compartment", "drawn_on", "sample"], kind="stable", ignore_index=True)
    out = out[[c for c in out.columns if not c.endswith("_below")]].copy()
    out["kind"] = places["kind"].reindex(out["compartment"]).to_numpy()
    out["sealed"] = [known.settings.kind(kind).sealed for kind in out["kind"]]
    out["newest"] = ~out["compartment"].duplicated(keep="last")
    done = pd.concat(
        [
            known.findings[["compartment", "found_on"]].set_axis(["compartment", "on"], axis=1),
            known.services.loc[known.services["kind"].isin(["repair", "replace"]),
            ["compartment", "done_on"]].set_axis(["compartment", "on"], axis=1),
        ]
    )  # fmt: skip
    last = done.groupby("compartment")["on"].max()
    out["settled"] = last.reindex(out["compartment"]).to_numpy() >= out["drawn_on"].to_numpy()
    step = np.where(out["note"] == "repeat bottle", 2, 1)
    before = np.arange(len(out)) - step
    same = (before >= 0) & (out["compartment"].to_numpy()[np.maximum(before, 0)] == out["compartment"].to_numpy())
    out["before"] = np.where(same, before, -1)
    out["hours"] = np.where(same, out["meter_h"] - out["meter_h"].to_numpy()[np.maximum(before, 0)], np.nan)
    out["fresh"] = out["fluid_h"] < out["hours"]
    return out


def fixed_limits(bottles: pd.DataFrame, share: float) -> pd.Series:
    """A result beyond the `share` quantile of all results of its kind so far."""
    return _beyond_share(bottles, _UP, _DOWN, share)


def rate_of_change(bottles: pd.DataFrame, share: float) -> pd.Series:
    """A metal's gain per hour, or another result's level, beyond the `share` quantile of its kind so far."""
    others = [a for a in _UP if a not in _METALS]
    return _beyond_share(gains(bottles), _METALS, [], share) | _beyond_share(bottles, others, _DOWN, share)


def shewhart_levels(bottles: pd.DataFrame, k: float) -> pd.Series:
    """A result more than k standard deviations beyond the mean of its compartment's own past."""
    return _beyond_own(bottles, _UP, k, 1.0) | _beyond_own(bottles, _DOWN, k, -1.0)


def shewhart_gains(bottles: pd.DataFrame, k: float) -> pd.Series:
    """The same with metals as gains per hour."""
    others = [a for a in _UP if a not in _METALS]
    metals = _beyond_own(gains(bottles), _METALS, k, 1.0)
    return metals | _beyond_own(bottles, others, k, 1.0) | _beyond_own(bottles, _DOWN, k, -1.0)


@dataclass(frozen=True)
class Tried:
    """A rule with the thresholds tried: with a repeat bottle before a look, and with a look at once."""

    rule: Rule
    thresholds: tuple[float, ...]
    at_once: tuple[float, ...]


RULES = {
    "fixed limits": Tried(fixed_limits, (0.98, 0.99, 0.997), (0.997,)),
    "rate of change": Tried(rate_of_change, (0.98, 0.99, 0.997), (0.997, 0.999)),
    "Shewhart levels": Tried(shewhart_levels, (3.0, 5.0, 8.0), (8.0,)),
    "Shewhart gains": Tried(shewhart_gains, (3.0, 5.0, 8.0), (8.0,)),
}


def gains(bottles: pd.DataFrame) -> pd.DataFrame:
    """Metals as gains per 100 hours since the bottle before, or since the change where one came between; NaN where
    hours are not known.
    """
    out, before = bottles.copy(), np.maximum(bottles["before"].to_numpy(), 0)
    hours = bottles["hours"].where(~bottles["fresh"], bottles["fluid_h"]).where(lambda h: h >= _SHORTEST_H)
    for metal in _METALS:
        start = np.where(bottles["fresh"], 0.0, bottles[metal].to_numpy()[before])
        out[metal] = 100 * (bottles[metal] - start) / hours
    out.loc[bottles["before"] < 0, _METALS] = np.nan
    return out


def _beyond_share(bottles: pd.DataFrame, up: list[str], down: list[str], share: float) -> pd.Series:
    hit = np.zeros(len(bottles), bool)
    kinds = bottles["kind"].to_numpy()
    groups = [(kind, np.flatnonzero(kinds == kind)) for kind in np.unique(kinds)]
    for analyte, sign in [(a, 1.0) for a in up] + [(a, -1.0) for a in down]:
        values = sign * bottles[analyte].to_numpy()
        for kind, rows in groups:
            own = values[rows]
            known = own[np.isfinite(own)]
            if len(known) and not (kind == "coolant" and analyte in _NOT_IN_COOLANT):
                hit[rows] |= own > np.quantile(known, share)
    return pd.Series(hit, index=bottles.index)


def _beyond_own(bottles: pd.DataFrame, analytes: list[str], k: float, sign: float) -> pd.Series:
    """For the newest bottle of each compartment, against the bottles before it."""
    newest = bottles[bottles["newest"]]
    last = newest.set_index("compartment")["before"]
    past = bottles[bottles.index <= last.reindex(bottles["compartment"]).to_numpy()].groupby("compartment")[analytes]
    mean, sd, n = past.mean(), past.std(), past.count()
    values = newest.set_index("compartment")[analytes]
    mean, sd, n = (frame.reindex(values.index) for frame in (mean, sd, n))
    floor = np.maximum(0.10 * mean.abs(), 0.1)  # a past that hardly scatters is no proof of a result that does not
    beyond = (sign * (values - mean) > k * np.maximum(sd, floor)) & (n >= _LEAST_PAST)
    inhibitors = (newest["kind"] == "coolant").to_numpy()[:, None] & np.isin(analytes, _NOT_IN_COOLANT)[None, :]
    return pd.Series((beyond.to_numpy() & ~inhibitors).any(axis=1), index=newest.index)


class Ours:
    """cmkit's own policy: the chapters of an assessment up to its verdicts and orders; what the fleet teaches is learnt
    anew every year.

    A machine is judged when a bottle, finding or repair of it has come in since it was last judged; until then its
    orders stand. intervals: the intervals advised when the fleet has taught are taken too. read_days: mean days until
    a result is read, half the days between decisions. One fleet an instance, since it remembers what it learnt.
    """

    intervals = False

    def __init__(self, learn_every_days: int = 364, read_days: float = 7.0) -> None:
        self.every, self.learnt, self.learnt_on = pd.Timedelta(days=learn_every_days), None, pd.Timestamp.min
        self.read_days = read_days
        self.seen: pd.Series = pd.Series(dtype=float)
        self.advised: pd.Series = pd.Series(dtype=float)
        self.orders: dict[str, pd.DataFrame] = {}

    def __call__(self, fleet: Fleet, day: pd.Timestamp) -> pd.DataFrame:
        """Orders of the day."""
        if self.learnt is None or day - self.learnt_on >= self.every:
            self.learnt, self.learnt_on = learn(fleet, day), day
            self.seen = self.seen.iloc[:0]
            if self.intervals:
                self.advised = self.advice_for(fleet.as_of(day))
        rows = records_of(fleet.as_of(day))
        news = rows.index[rows != self.seen.reindex(rows.index)]
        self.seen = rows
        if len(news):
            orders = self.judged(only(fleet, news).as_of(day))
            machine = orders["compartment"].map(fleet.compartments.set_index("compartment")["machine"])
            self.orders |= {name: orders[machine == name] for name in news}
        return pd.concat([*self.orders.values(), self.new_intervals(fleet)], ignore_index=True)

    def advice_for(self, known: Fleet) -> pd.Series:
        """Advised interval (h) by compartment where it is worth changing."""
        assert self.learnt is not None
        hours = running_hours(known)
        wear = fit_wear(known, hours, self.learnt)
        advice, _ = advise_intervals(known, wear.exposure, wear.rates, hours.use, self.learnt)
        advice = advice[advice["advised_h"].notna()]
        return advice[worth_changing(advice)].set_index("compartment")["advised_h"]

    def new_intervals(self, fleet: Fleet) -> pd.DataFrame:
        """Orders for the intervals advised that are not yet followed."""
        today = fleet.compartments.set_index("compartment")["sample_every_h"].reindex(self.advised.index)
        rows = self.advised[~np.isclose(today, self.advised)].rename_axis("compartment").rename("value").reset_index()
        return rows.assign(act=EVERY).reindex(columns=ORDERS)

    def judged(self, known: Fleet) -> pd.DataFrame:
        """Orders of a crew for every compartment of these machines."""
        judge = replace(known.settings.judge, read_days=self.read_days)
        known = replace(known, settings=replace(known.settings, judge=judge))
        orders = self.tables_of(known)["orders"]
        return by_order(orders, known.settings.judge.sooner_share * sampled_every(known))

    def tables_of(self, known: Fleet) -> dict[str, pd.DataFrame]:
        """The tables of what is judged of these machines."""
        return self.state_of(known, running_hours(known)).tables()

    def state_of(self, known: Fleet, hours: Hours) -> State:
        """What is judged of these machines."""
        assert self.learnt is not None
        wear = fit_wear(known, hours, self.learnt)
        trust = screen_bottles(known, hours, wear.for_screening, self.learnt)
        return judge_compartments(known, hours, wear, trust, self.learnt)


class OursWithIntervals(Ours):
    """The same with the intervals it advises."""

    intervals = True


def records_of(known: Fleet) -> pd.Series:
    """How many bottles, issues of results, findings and repairs of each machine are known, as a number that changes
    with any of them.
    """
    machine = known.compartments.set_index("compartment")["machine"]
    mended = known.services[known.services["kind"].isin(["repair", "replace"])]
    rows = [frame["compartment"].map(machine) for frame in (known.samples, mended, known.findings)]
    issued = known.samples.loc[known.samples["reported_on"].notna()]
    total = pd.concat(rows).value_counts() + issued["reported_on"].astype("int64").groupby(rows[0]).sum()
    return total.reindex(known.machines["machine"], fill_value=0.0)


def only(fleet: Fleet, machines: pd.Index) -> Fleet:
    """The records of some machines."""
    places = fleet.compartments.loc[fleet.compartments["machine"].isin(machines), "compartment"]
    parts = {
        name: getattr(fleet, name) for name in ("machines", "compartments", "meters", "services", "findings", "samples")
    }
    kept = {
        name: frame[frame["machine"].isin(machines) if "machine" in frame else frame["compartment"].isin(places)].reset_index(drop=True)
        for name, frame in parts.items()
    }  # fmt: skip
    others = set(fleet.compartments["compartment"]) - set(places)
    return replace(fleet, **kept, elsewhere=fleet.elsewhere | others)


def by_order(orders: pd.DataFrame, sooner_h: pd.Series) -> pd.DataFrame:
    """Orders of a crew from an assessment's `orders` table.

    sooner_h: by compartment, operating hours after the newest bottle at which the next is due where it is asked for
    sooner. A repeat bottle where one is asked for, as the work or beside it. Work on the fluid alone is a fluid change
    unless the fault is only early.
    Waiting for the next bottle is nothing else to do. All other work opens or tests the compartment: a look, by the
    order's day.
    """
    group, request = orders["group"].fillna(""), orders["request"].fillna("")
    fluid = (group == "fluid") & orders["cause"].isin(_OF_THE_FLUID)
    waits = group.isin(["", "next bottle", "repeat bottle"]) | (fluid & (orders["severity"] == "early"))
    acts = pd.DataFrame({"compartment": orders["compartment"], "by_day": orders["due_on"]})
    work = acts.assign(act=np.where(fluid, CHANGE, LOOK))[~waits]
    bottle = acts.assign(act=REPEAT)[(group == "repeat bottle") | (request != "")]
    early = acts.assign(act=SOONER, value=sooner_h.reindex(orders["compartment"]).to_numpy())[
        (orders["asks"] == "sooner").to_numpy()
    ]
    return pd.concat([work, bottle, early]).reindex(columns=ORDERS).reset_index(drop=True)


def by_chance(chances: pd.DataFrame, look: float = 0.5, repeat: float = 0.15) -> pd.DataFrame:
    """Orders from `bottle_chances` alone, newest bottle of each compartment: a look from `look` on, a repeat bottle
    from `repeat` on or when the bottle is more likely bad than good.
    """
    newest = chances.sort_values(["compartment", "order"]).drop_duplicates("compartment", keep="last")
    acts = np.select(
        [newest["p_fault"] >= look, (newest["p_fault"] >= repeat) | (newest["p_good"] < 0.5)], [LOOK, REPEAT], ""
    )
    return newest[["compartment", "sample"]].assign(act=acts)[acts != ""].reset_index(drop=True)
