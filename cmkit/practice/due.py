"""When each compartment's next bottle is due, by the machine's own hours and by date."""

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet

DUE = ["compartment", "machine", "site", "kind", "every_h", "last_run_h", "last_drawn_on", "due_run_h", "due_meter_h", "due_on", "overdue_h", "overdue", "why"]  # fmt: skip
# Common practice: halve the interval after an alert, and draw the repeat bottle of an alarm at once.
_SHARE = {"alert": 0.5, "alarm": 0.0}


def sampling_interval(known: Fleet) -> pd.DataFrame:
    """Today's interval of each compartment of a working machine: compartment, machine, site, kind, every_h (hours).

    An interval the analyst accepted (settings, by compartment, family or kind) wins over the compartment's own, that over its kind's.
    """
    settings = known.settings
    out = known.compartments.merge(known.machines[["machine", "site", "retired_on"]], on="machine")
    out = out[out["retired_on"].isna()].sort_values("compartment").reset_index(drop=True)
    usual = out["kind"].map(lambda kind: settings.kind(kind).sample_every_h)
    every = out["sample_every_h"].where(out["sample_every_h"] > 0, usual)
    for key in ("kind", "family", "compartment"):
        every = out[key].map(settings.accepted_intervals).fillna(every)
    return out[["compartment", "machine", "site", "kind"]].assign(every_h=every.astype(float))


def next_due(known: Fleet, exposure: pd.DataFrame, use: pd.DataFrame, verdicts: pd.DataFrame) -> pd.DataFrame:
    """One row per compartment (columns DUE). overdue means past due by more than the agreed tolerance of the interval.

    exposure: usable bottles; use: machine, h_per_day, last_read_on, last_run_h, idle; verdicts: state and n_bottles per compartment.
    An idle machine has no due date: it is due by hours when it works again.
    """
    out = sampling_interval(known)
    last = exposure.sort_values(["compartment", "run_h", "drawn_on"]).groupby("compartment").tail(1)
    last = last[["compartment", "run_h", "meter_h", "drawn_on"]].rename(
        columns={"run_h": "last_run_h", "drawn_on": "last_drawn_on"}
    )
    out = out.merge(last, on="compartment", how="left").merge(use, on="machine", how="left", suffixes=("", "_machine"))
    out = out.merge(verdicts[["compartment", "state", "n_bottles"]], on="compartment", how="left")
    never = out["last_run_h"].isna()
    share = out["state"].map(_SHARE).fillna(1.0).where(out["n_bottles"].fillna(0) <= 1, 0.5)
    idle = out["idle"].fillna(False).astype(bool)
    per_day = out["h_per_day"].where(out["h_per_day"] > 0)
    days = (known.date - out["last_read_on"]).dt.days.clip(lower=0)
    now_h = out["last_run_h_machine"] + (days * per_day.fillna(0)).where(~idle, 0)
    out["due_run_h"] = (out["last_run_h"] + share * out["every_h"]).where(~never, now_h)
    out["due_meter_h"] = out["due_run_h"] + (out["meter_h"] - out["last_run_h"]).fillna(0)
    out["overdue_h"] = (now_h - out["due_run_h"]).clip(lower=0).fillna(0)
    out["overdue"] = never | (out["overdue_h"] > known.settings.sampling.interval_tolerance * out["every_h"])
    out["due_on"] = _due_date(known.date, out["due_run_h"], now_h, per_day.where(~idle))
    out["why"] = np.select(
        [never, out["state"] == "alarm", out["state"] == "alert", idle],
        ["never sampled", "repeat after alarm", "sooner after alert", "routine, machine idle"],
        "routine",
    )
    return out[DUE]


def _due_date(day: pd.Timestamp, due_h: pd.Series, now_h: pd.Series, per_day: pd.Series) -> pd.Series:
    """The day the hours will be reached at the machine's own pace; today when they are past, NaT when it does not run."""
    ahead = np.ceil(((due_h - now_h) / per_day).clip(lower=0, upper=3650))
    return (day + pd.to_timedelta(ahead, unit="D")).astype("datetime64[us]")
