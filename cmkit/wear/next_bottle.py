"""When the next result's bottle is drawn, and whether the fluid is changed before it.

Rules of the trade used here (common practice, no source): bottles and changes are the work of service visits, and a
bottle is drawn before the work of its day. So a change due early in an interval comes before the next bottle, one due
late in it waits for that bottle. Where early ends is learnt from the fleet's own record: the share of the interval that
tells apart best which changes came before the bottle. A bottle may have been drawn already and be in the post: not
longer ago than the laboratory's answers usually take.
"""

import numpy as np
import pandas as pd

from cmkit.records.constants import HALF_NINETY, constant
from cmkit.records.fleet import Fleet, sampled_every
from cmkit.tables.frames import typed
from cmkit.trust.fluid_history import AFTER_WORK_H

_EARLY = np.linspace(0.2, 0.9, 15)  # shares of the interval tried as the end of "early"
_USUALLY_EARLY, _LATE = constant("wear", "visit_early_share"), constant("wear", "visit_late_share")
_SLOW, _FEWEST = constant("wear", "visit_post_quantile"), int(constant("wear", "visit_fewest"))
_PUNCTUAL = (1.0, constant("wear", "visit_interval_cv"))


def learn_visits(known: Fleet, exposure: pd.DataFrame) -> pd.DataFrame:
    """Habits of the fleet's service visits, one row.

    interval_middle, interval_spread: hours between bottles as shares of the agreed interval, middle and sd (from the
    middle 90 %);
    early_share: share of the interval up to which a change that falls due comes before the next bottle; post_days: days
    within which nearly every result is in the office after its bottle was drawn.
    """
    share = exposure["hours"] / sampled_every(known).reindex(exposure["compartment"]).to_numpy()
    share = share[(share > 0) & np.isfinite(share)]
    middle, spread = _PUNCTUAL
    if len(share) >= _FEWEST:
        low, middle, high = share.quantile([0.05, 0.5, 0.95])
        spread = (high - low) / (2 * HALF_NINETY)
    days = (known.samples["reported_on"] - known.samples["drawn_on"]).dt.days.dropna()
    post = days.quantile(_SLOW) if len(days) >= _FEWEST else known.settings.sampling.turnaround_days
    row = {
        "interval_middle": middle,
        "interval_spread": spread,
        "early_share": _early(known, exposure),
        "post_days": post,
    }
    return typed([row], "visits")


def next_bottles(known: Fleet, last: pd.DataFrame, use: pd.DataFrame, visits: pd.DataFrame) -> pd.DataFrame:
    """`last` (one row a compartment and analyte: newest bottle, its meter_h, change_every_h) with what is to be
    expected of the next bottle's day.

    visits: `learn_visits`. Adds every, hours_ahead (operating hours from the newest bottle to the next whose result
    will come in) with sd_ahead; change_at (hours from the newest bottle to the change before the next bottle; NaN:
    none); changed_h (to the last change on record since; NaN: none); until_change (hours to the planned change,
    infinite where it is overdue); by_h (hours by which that result is in the office).
    """
    out = last.merge(use[["machine", "h_per_day", "last_read_on", "last_run_h", "idle"]], on="machine", how="left")
    habit = visits.iloc[0]
    every = sampled_every(known).reindex(out["compartment"]).to_numpy()
    per_day = out["h_per_day"].fillna(0.0).clip(lower=0.0)
    days = (known.date - out["last_read_on"]).dt.days.fillna(0.0).clip(lower=0.0).where(out["idle"].eq(False), 0.0)
    elapsed = (out["last_run_h"] + days * per_day - out["run_h"]).fillna(0.0)
    early = every * habit["early_share"]
    near, far = _changes_since(known, out, per_day, early, habit["post_days"])
    planned = out["change_every_h"] - out["fluid_h"].fillna(0.0)
    soon = near.isna() & (planned <= early) & (elapsed <= np.maximum(early, planned + _LATE * every))
    usual = np.maximum(habit["interval_middle"] * every, elapsed - habit["post_days"] * per_day)
    out["every"] = every
    out["hours_ahead"] = far.fillna(pd.Series(usual, index=out.index))
    out["sd_ahead"] = np.where(far.notna(), per_day, habit["interval_spread"] * every)
    out["change_at"] = near.where(near.notna(), np.maximum(planned, elapsed).clip(lower=0.0).where(soon))
    out["change_at"] = np.minimum(out["change_at"], out["hours_ahead"])
    out["changed_h"] = far.fillna(near)
    out["until_change"] = planned.where(planned > 0, np.inf)
    out["by_h"] = np.maximum(every, elapsed) + known.settings.sampling.turnaround_days * per_day
    return out


def _early(known: Fleet, exposure: pd.DataFrame) -> float:
    """Share of the interval up to which a change that falls due comes before the next bottle: the split with the fewest
    errors on record.
    """
    rows = exposure[["compartment", "life", "kind", "fluid_h", "changed", "hours"]].copy()
    if len(rows) < _FEWEST:
        return _USUALLY_EARLY
    places = known.compartments.set_index("compartment")["change_every_h"]
    usual = rows["kind"].map({k: known.settings.kind(k).change_every_h for k in rows["kind"].unique()})
    change = rows["compartment"].map(places.where(places > 0)).fillna(usual)
    due = (change - rows["fluid_h"]) / sampled_every(known).reindex(rows["compartment"]).to_numpy()
    came = rows.groupby(["compartment", "life"])["changed"].shift(-1)
    seen = came.notna() & due.between(0, 1)
    if seen.sum() < _FEWEST:
        return _USUALLY_EARLY
    due, first = due[seen].to_numpy(float), came[seen].to_numpy(bool)
    wrong = np.array([((due <= s) != first).sum() for s in _EARLY])
    return float(np.median(_EARLY[wrong == wrong.min()]))


def _changes_since(
    known: Fleet, last: pd.DataFrame, per_day: pd.Series, early: np.ndarray, post: float
) -> tuple[pd.Series, pd.Series]:
    """Hours from each newest bottle to the last early change (up to `early` hours), and to the first later one (NaN:
    none).

    By the two meter readings where they fit, else by the machine's pace. A later change whose own bottle would have
    answered by now had no bottle: it counts with the first kind.
    """
    work = known.services[known.services["kind"].isin(["change", "flush"])][["compartment", "done_on"]]
    rows = last[["compartment", "drawn_on", "fluid_h"]].assign(at=last.index, per_day=per_day, early=early)
    rows = rows.merge(work, on="compartment")
    since = (rows["done_on"] - rows["drawn_on"]).dt.days
    rows = rows.assign(hours=since * rows["per_day"])[(since > 0) | ((since == 0) & (rows["fluid_h"] > AFTER_WORK_H))]
    waiting = (known.date - rows["done_on"]).dt.days <= post
    after = (rows["hours"] > rows["early"]) & waiting
    near = rows[~after].groupby("at")["hours"].max().reindex(last.index)
    return near, rows[after].groupby("at")["hours"].min().reindex(last.index)
