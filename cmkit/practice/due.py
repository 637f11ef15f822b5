"""When each compartment's next bottle is due, by the machine's own hours and by date."""

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet, sampling_interval

DUE = ["compartment", "machine", "site", "kind", "every_h", "last_run_h", "last_drawn_on", "due_run_h", "due_meter_h", "due_on", "overdue_h", "overdue", "why"]  # fmt: skip
# Common practice: halve the interval after an alert, and draw the repeat bottle of an alarm at once.
_SHARE = {"alert": 0.5, "alarm": 0.0}


def next_due(known: Fleet, exposure: pd.DataFrame, use: pd.DataFrame, verdicts: pd.DataFrame) -> pd.DataFrame:
    """One row per compartment (columns DUE). overdue means past due by more than the agreed tolerance of the interval.

    exposure: usable bottles; use: machine, h_per_day, last_read_on, last_run_h, idle; verdicts: state, n_bottles and believed per
    compartment. A doubted newest bottle is repeated at once. An idle machine has no due date and is never overdue: it is due by hours
    when it works again.
    """
    out = sampling_interval(known)
    last = exposure.sort_values(["compartment", "run_h", "drawn_on"]).groupby("compartment").tail(1)
    last = last[["compartment", "run_h", "meter_h", "drawn_on"]].rename(
        columns={"run_h": "last_run_h", "drawn_on": "last_drawn_on"}
    )
    out = out.merge(last, on="compartment", how="left").merge(use, on="machine", how="left", suffixes=("", "_machine"))
    out = out.merge(verdicts[["compartment", "state", "n_bottles", "believed"]], on="compartment", how="left")
    never = out["last_run_h"].isna()
    share = out["state"].map(_SHARE).fillna(1.0).where(out["n_bottles"].fillna(0) <= 1, 0.5)
    doubted = (out["believed"] < 0.5) & out["state"].isin(["alert", "not known"])
    share = share.where(~doubted, 0.0)
    idle = out["idle"].fillna(False).astype(bool)
    per_day = out["h_per_day"].where(out["h_per_day"] > 0)
    days = (known.date - out["last_read_on"]).dt.days.clip(lower=0)
    now_h = out["last_run_h_machine"] + (days * per_day.fillna(0)).where(~idle, 0)
    out["due_run_h"] = (out["last_run_h"] + share * out["every_h"]).where(~never, now_h)
    out["due_meter_h"] = out["due_run_h"] + (out["meter_h"] - out["last_run_h"]).fillna(0)
    out["overdue_h"] = (now_h - out["due_run_h"]).clip(lower=0).fillna(0)
    late = out["overdue_h"] > known.settings.sampling.interval_tolerance * out["every_h"]
    out["overdue"] = (never | late) & ~idle
    out["due_on"] = _due_date(known.date, out["due_run_h"], now_h, per_day.where(~idle))
    out["why"] = np.select(
        [never, out["state"] == "alarm", doubted, out["state"] == "alert", idle],
        [
            "never sampled",
            "repeat after alarm",
            "repeat of a doubted bottle",
            "sooner after alert",
            "routine, machine idle",
        ],
        "routine",
    )
    return out[DUE]


def _due_date(day: pd.Timestamp, due_h: pd.Series, now_h: pd.Series, per_day: pd.Series) -> pd.Series:
    """The day the hours will be reached at the machine's own pace; today when they are past, NaT when it does not run."""
    ahead = np.ceil(((due_h - now_h) / per_day).clip(lower=0, upper=3650))
    return (day + pd.to_timedelta(ahead, unit="D")).astype("datetime64[us]")
