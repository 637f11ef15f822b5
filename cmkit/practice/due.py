"""When each compartment's next bottle is due, by the machine's own hours and by date.

A routine bottle is due an interval after the last one. A bottle that was asked for counts from the day the result that asks for it
reached the office: nobody can be late with a bottle nobody had asked for.
"""

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet, sampling_interval
from cmkit.tables.frames import names, typed

DUE = names("due")
NEVER, ASKED, LATE, AHEAD = "never sampled", "repeat asked for", "routine late", "not due yet"


def next_due(known: Fleet, exposure: pd.DataFrame, use: pd.DataFrame, verdicts: pd.DataFrame) -> pd.DataFrame:
    """One row per compartment (columns DUE). overdue means past due by more than the agreed tolerance of the interval.

    exposure: usable bottles; use: machine, h_per_day, last_read_on, last_run_h, idle; verdicts: state, asks and known_on per compartment.
    asks `repeat`: due at once, from the day its reason was known (asked_on); `sooner`: after a share of the interval
    ([judge] sooner_share), not before that day; `first`: never sampled. due_as: `never sampled`, `repeat asked for`, `routine late`,
    `not due yet`. An idle machine has no due date and is never overdue: it is due by hours when it works again.
    """
    out = _with_use(known, exposure, use)
    out = out.merge(verdicts[["compartment", "state", "asks", "known_on"]], on="compartment", how="left")
    never, idle = (
        (out["last_run_h"].isna() | (out["asks"] == "first")),
        out["idle"].astype("boolean").fillna(False).astype(bool),
    )
    repeat, sooner = (out["asks"] == "repeat") & ~never, (out["asks"] == "sooner") & ~never
    out["asked_on"] = out["known_on"].where(repeat | sooner).astype("datetime64[us]")
    pace = out["h_per_day"].where((out["h_per_day"] > 0) & ~idle)
    now_h = out["last_read_run_h"] + _days(known.date, out["last_read_on"]) * pace.fillna(0)
    asked_h = now_h - _days(known.date, out["asked_on"]) * pace.fillna(0)
    routine = out["last_run_h"] + out["every_h"]
    early = out["last_run_h"] + known.settings.judge.sooner_share * out["every_h"]
    out["due_run_h"] = np.select(
        [never, repeat, sooner], [now_h, asked_h, np.fmax(early, np.fmin(asked_h, routine))], routine
    )
    out["due_meter_h"] = out["due_run_h"] + (out["meter_h"] - out["last_run_h"]).fillna(0)
    out["overdue_h"] = (now_h - out["due_run_h"]).clip(lower=0).fillna(0)
    late = out["overdue_h"] > known.settings.sampling.interval_tolerance * out["every_h"]
    out["overdue"] = (never | late) & ~idle
    out["due_on"] = _due_date(known.date, out["due_run_h"], now_h, pace)
    out["due_as"] = np.select([never, repeat, out["overdue"]], [NEVER, ASKED, LATE], AHEAD)
    out["why"] = _why(out, repeat, sooner, never, idle)
    return typed(out[DUE], "due")


def _with_use(known: Fleet, exposure: pd.DataFrame, use: pd.DataFrame) -> pd.DataFrame:
    """Interval, newest bottle and pace of each compartment."""
    last = exposure.sort_values(["compartment", "run_h", "drawn_on"]).groupby("compartment").tail(1)
    last = last[["compartment", "run_h", "meter_h", "drawn_on"]].rename(
        columns={"run_h": "last_run_h", "drawn_on": "last_drawn_on"}
    )
    pace = use.rename(columns={"last_run_h": "last_read_run_h"})
    return sampling_interval(known).merge(last, on="compartment", how="left").merge(pace, on="machine", how="left")


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
    """The day the hours will be reached at the machine's own pace; today when they are past, NaT when it does not run."""
    ahead = np.ceil(((due_h - now_h) / per_day).clip(lower=0, upper=3650))
    return (day + pd.to_timedelta(ahead, unit="D")).astype("datetime64[us]")
