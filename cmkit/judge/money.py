"""Chance of a failure before the next result, what waiting is expected to cost, and what a look or a repeat bottle
costs beside it.

A fault fails within h operating hours with chance 1 - exp(-(h / D)^k) when early (Weibull, shape k), 1 - exp(-h / (c
D)) when clear and 1 - exp(-h / (s D)) when severe; D is the kind's mean delay, k, c and s stand in settings ([judge]).
Waiting costs that chance times what a failure costs more than a planned repair, lost production included.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.records.fleet import Fleet, sampled_every
from cmkit.records.settings import Judge
from cmkit.records.turnaround import turnaround_by_machine
from cmkit.tables.frames import empty, names

Floats = NDArray[np.float64]
MONEY = names("money")
_DAYS_A_YEAR = 365


@dataclass(frozen=True)
class Phases:
    """Chances (0..1) of an early, a clear and a severe fault, one array each."""

    early: Floats
    clear: Floats
    severe: Floats


def chance_of_failure(phases: Phases, hours: Floats, delay_h: Floats, judge: Judge) -> Floats:
    """Chance (0..1) that a fault is there and fails within `hours` (>= 0, operating hours); delay_h: the kinds' mean
    delays (> 0).
    """
    early = 1 - np.exp(-((hours / delay_h) ** judge.early_shape))
    clear = 1 - np.exp(-hours / (judge.clear_delay_share * delay_h))
    severe = 1 - np.exp(-hours / (judge.severe_delay_share * delay_h))
    return np.asarray(phases.early * early + phases.clear * clear + phases.severe * severe, dtype=float)


def turnaround_days(known: Fleet, learnt: pd.DataFrame | None = None) -> pd.Series:
    """Days from drawing to a result in the office, by machine: the middle of its last year's bottles, else its site's,
    else the setting.

    learnt: frame of `records.turnaround.learn_turnaround`; None: no site is measured.
    """
    usual, least = known.settings.sampling.turnaround_days, known.settings.judge.turnaround_bottles
    seen = known.samples[["compartment", "drawn_on", "reported_on"]]
    seen = seen.merge(known.compartments[["compartment", "machine"]], on="compartment")
    seen = seen[seen["drawn_on"] > known.date - pd.Timedelta(days=_DAYS_A_YEAR)]
    took = (seen["reported_on"] - seen["drawn_on"]).dt.days.groupby(seen["machine"])
    own = took.median().where(took.count() >= least)
    machines = pd.Index(sorted(set(known.machines["machine"])), dtype="str")
    at_site = turnaround_by_machine(known, empty("turnaround") if learnt is None else learnt)
    return own.reindex(machines).fillna(at_site.reindex(machines)).fillna(usual).astype(float)


def hours_to_next_result(
    known: Fleet, places: pd.DataFrame, use: pd.DataFrame, learnt: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Operating hours until the next result is in the office and read: hours_repeat (a bottle drawn within the days a
    crew takes for it), hours_sooner, hours_routine.

    places: compartment, machine, run_h (of the newest bottle, NaN: none); use: machine, last_run_h, last_read_on,
    h_per_day, idle;
    learnt: turnaround by site, as in :func:`turnaround_days`. An idle machine runs no hours: it still gets its routine
    interval, which begins when it works again.
    """
    out = places[["compartment", "machine", "run_h"]].merge(use, on="machine", how="left")
    days = (known.date - out["last_read_on"]).dt.days.clip(lower=0)
    idle = out["idle"].astype("boolean").fillna(False).astype(bool)
    pace = out["h_per_day"].fillna(0.0).where(~idle, 0.0)
    since = (out["last_run_h"] + days.fillna(0) * pace - out["run_h"]).clip(lower=0)
    every = sampled_every(known).reindex(out["compartment"]).to_numpy()
    judge = known.settings.judge
    wait = (out["machine"].map(turnaround_days(known, learnt)).astype(float) + judge.read_days) * pace
    routine, sooner = ((share * every - since).clip(lower=0).fillna(0) for share in (1.0, judge.sooner_share))
    return out[["compartment"]].assign(
        hours_repeat=judge.repeat_days * pace + wait, hours_sooner=sooner + wait, hours_routine=routine + wait
    )


def cost_of_waiting(money: pd.DataFrame, asks: pd.Series) -> pd.DataFrame:
    """What waiting for the next result costs each compartment of `money` (frame of `what_it_costs`): compartment,
    hours_ahead, chance, cost.

    asks: what the next bottle is asked to be, by compartment: `repeat` is drawn at once, `sooner` at the shortened
    interval, else routine.
    """
    when = asks.reindex(money["compartment"]).map({"repeat": "repeat", "sooner": "sooner"}).fillna("routine").to_numpy()
    out = money[["compartment"]].copy()
    for name, column in (("hours_ahead", "hours"), ("chance", "fails")):
        by = [money[f"{column}_{each}"].to_numpy(dtype=float) for each in ("repeat", "sooner", "routine")]
        out[name] = np.select([when == "repeat", when == "sooner"], by[:2], by[2])
    return out.assign(cost=out["chance"] * money["extra"].to_numpy())


def what_it_costs(
    known: Fleet, places: pd.DataFrame, use: pd.DataFrame, learnt: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Money of waiting, of a repeat bottle and of a look, one row per compartment (columns MONEY), in the fleet's
    currency.

    places: compartment, machine, site, kind, run_h, p_early, p_clear, p_severe (NaN as 0); learnt: turnaround by site.
    cost_wait: the risk until the result of a bottle at the shortened interval (fails_sooner x extra), then a look if a
    fault is there. cost_look: a look now, which finds what is there; where nothing is there it also costs the
    production lost while the machine stands ([judge] look_downtime_h). cost_repeat: the bottle, the risk until its
    result is read, a look if it then shows the fault, and the cheaper of a look and waiting where it leaves the
    question open. choice: the least of the three (`wait`, `repeat`, `look`). assumed: the kind's costs are the
    package's starting values and not the fleet's own.
    """
    judge = known.settings.judge
    kinds = [known.settings.kind(kind) for kind in places["kind"]]
    delay, look, bottle = (
        np.array([getattr(k, n) for k in kinds], float) for n in ("delay_mean_h", "inspect_cost", "sample_cost")
    )
    hour = places["site"].map(known.sites.set_index("site")["downtime_cost_per_h"]).astype(float).fillna(0.0).to_numpy()
    money = np.array([k.failure_cost - k.planned_cost for k in kinds], float)
    lost = np.array([k.failure_downtime_h - k.planned_downtime_h for k in kinds], float)
    phases = Phases(*(places[f"p_{s}"].astype(float).fillna(0.0).to_numpy() for s in ("early", "clear", "severe")))
    out = hours_to_next_result(known, places, use, learnt)
    extra = np.maximum(money + hour * lost, 0.0)
    for when in ("repeat", "sooner", "routine"):
        out[f"fails_{when}"] = chance_of_failure(phases, out[f"hours_{when}"].to_numpy(dtype=float), delay, judge)
    there = phases.early + phases.clear + phases.severe
    wait, soon = out["fails_sooner"].to_numpy() * extra, out["fails_repeat"].to_numpy() * extra
    vain = look + hour * judge.look_downtime_h
    out["extra"], out["cost_wait"], out["cost_look"] = extra, wait + there * look, there * look + (1 - there) * vain
    settled, open_ = judge.repeat_settles, 1 - judge.repeat_settles
    after = settled * there * look + open_ * np.minimum(out["cost_look"], np.maximum(wait - soon, 0.0))
    out["cost_repeat"] = bottle + soon + after
    out["inspect_cost"], out["sample_cost"] = look, bottle
    out["assumed"] = [kind not in known.settings.costs_given for kind in places["kind"]]
    costs = out[["cost_wait", "cost_repeat", "cost_look"]].to_numpy(dtype=float)
    out["choice"] = np.array(["wait", "repeat", "look"], dtype=object)[costs.argmin(axis=1)]
    return out[MONEY]
