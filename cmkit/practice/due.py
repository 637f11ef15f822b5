"""When each compartment's next bottle is due, by the machine's own hours and by date.

A routine bottle is due an interval after the last one. A bottle that was asked for counts from the day the result that
asks for it reached the office: nobody can be late with a bottle nobody had asked for. A bottle that is drawn and on its
way counts as drawn; one that is lost does not.
"""

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet, sampling_interval
from cmkit.tables.frames import names, typed

DUE = names("due")
NEVER, ASKED, LATE, AHEAD = "never sampled", "repeat asked for", "routine late", "not due yet"


def next_due(
    known: Fleet, exposure: pd.DataFrame, use: pd.DataFrame, verdicts: pd.DataFrame, in_hand: pd.DataFrame | None = None
) -> pd.DataFrame:
    """One row per compartment (columns DUE). overdue means past due by more than the agreed tolerance of the interval.

    exposure: usable bottles; use: machine, h_per_day, last_read_on, last_run_h, idle; verdicts: state, asks and
    known_on per compartment;
    in_hand: compartment and drawn_on of bottles on their way (`practice.chain.in_hand`; None: none).
    asks `repeat`: due at once, from the day its reason was known (asked_on); `sooner`: after a share of the interval
    ([judge] sooner_share), not before that day; `first`: never sampled. due_as: `never sampled`, `repeat asked for`,
    `routine late`,
    `not due yet`. An idle machine has no due date and is never overdue: it is due by hours when it works again.
    """
    out = _with_use(known, exposure, use)
    out = out.merge(verdicts[["compartment", "state", "asks", "known_on"]], on="compartment", how="left")
    idle = out["idle"].astype("boolean").fillna(False).astype(bool)
    pace = out["h_per_day"].where((out["h_per_day"] > 0) & ~idle)
    now_h = out["last_read_run_h"] + _days(known.date, out["last_read_on"]) * pace.fillna(0)
    out["meter_ahead_h"] = (out["meter_h"] - out["last_run_h"]).fillna(0)
    drawn = _count_in_hand(out, in_hand, known.date, now_h)
    never = (out["last_run_h"].isna() | (out["asks"] == "first")) & ~drawn
    answered = drawn & ~(out["last_drawn_on"] < out["known_on"])
    repeat, sooner = ((out["asks"] == asks) & ~never & ~answered for asks in ("repeat", "sooner"))
    out["asked_on"] = out["known_on"].where(repeat | sooner).astype("datetime64[us]")
    asked_h = now_h - _days(known.date, out["asked_on"]) * pace.fillna(0)
    routine = out["last_run_h"] + out["every_h"]
    early = out["last_run_h"] + known.settings.judge.sooner_share * out["every_h"]
    out["due_run_h"] = np.select(
        [never, repeat, sooner], [now_h, asked_h, np.fmax(early, np.fmin(asked_h, routine))], routine
    )
    out["due_meter_h"] = out["due_run_h"] + out["meter_ahead_h"]
    out["overdue_h"] = (now_h - out["due_run_h"]).clip(lower=0).fillna(0)
    late = out["overdue_h"] > known.settings.sampling.interval_tolerance * out["every_h"]
    out["overdue"] = (never | late) & ~idle
    out["due_on"] = _due_date(known.date, out["due_run_h"], now_h, pace)
    out["due_as"] = np.select([never, repeat, out["overdue"]], [NEVER, ASKED, LATE], AHEAD)
    out["why"] = np.where(
        drawn & ~(repeat | sooner | idle), "bottle on the way", _why(out, repeat, sooner, never, idle)
    )
    return typed(out[DUE], "due")


def _with_use(known: Fleet, exposure: pd.DataFrame, use: pd.DataFrame) -> pd.DataFrame:
    """Interval, newest bottle and pace of each compartment."""
    last = exposure.sort_values(["compartment", "run_h", "drawn_on"]).groupby("compartment").tail(1)
    last = last[["compartment", "run_h", "meter_h", "drawn_on"]].rename(
        columns={"run_h": "last_run_h", "drawn_on": "last_drawn_on"}
    )
    pace = use.rename(columns={"last_run_h": "last_read_run_h"})
    return sampling_interval(known).merge(last, on="compartment", how="left").merge(pace, on="machine", how="left")


def _count_in_hand(out: pd.DataFrame, in_hand: pd.DataFrame | None, day: pd.Timestamp, now_h: pd.Series) -> pd.Series:
    """Bottles on their way as the newest ones in `out`, at the hours the machine had run by then; where there is one
    (flags).
    """
    if in_hand is None or not len(in_hand):
        return pd.Series(False, index=out.index)
    drawn_on = out["compartment"].map(in_hand.set_index("compartment")["drawn_on"])
    drawn = drawn_on.notna() & ~(drawn_on <= out["last_drawn_on"])
    # between the newest bottle and today the hours are taken to have run evenly
    share = 1 - _days(day, drawn_on) / _days(day, out["last_drawn_on"]).clip(lower=1)
    between = out["last_run_h"] + share.clip(0, 1) * (now_h - out["last_run_h"]).clip(lower=0)
    at_h = between.fillna(now_h - _days(day, drawn_on) * out["h_per_day"].fillna(0))
    out["last_run_h"] = out["last_run_h"].mask(drawn, at_h)
    out["last_drawn_on"] = out["last_drawn_on"].mask(drawn, drawn_on).astype("datetime64[us]")
    return drawn


def _days(day: pd.Timestamp, since: pd.Series) -> pd.Series:
    return (day - since).dt.days.clip(lower=0).fillna(0)


def _why(out: pd.DataFrame, repeat: pd.Series, sooner: pd.Series, never: pd.Series, idle: pd.Series) -> np.ndarray:
    raised = out["state"].isin(["alarm", "alert"])
    words = np.where(raised, out["state"], "alert")
    return np.select(
        [never, repeat & raised, repeat, sooner, idle],
        [
            NEVER,
            "repeat after " + words,
            "repeat of a doubted bottle",
            "sooner after " + words,
            "routine, machine idle",
        ],
        "routine",
    )


def _due_date(day: pd.Timestamp, due_h: pd.Series, now_h: pd.Series, per_day: pd.Series) -> pd.Series:
    """The day the hours will be reached at the machine's own pace; today when they are past, NaT
    when it does not run.
    """
    ahead = np.ceil(((due_h - now_h) / per_day).clip(lower=0, upper=3650))
    return (day + pd.to_timedelta(ahead, unit="D")).astype("datetime64[us]")
