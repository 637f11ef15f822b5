"""How long bottles take from the machine to a result in the office, learnt by site and laboratory."""

from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from cmkit.records import constants
from cmkit.records.fleet import OLD_ISSUE, Fleet
from cmkit.tables.frames import names, typed

TURNAROUND = names("turnaround")
constant = partial(constants.constant, "programme")
"""One number of reference/programme.csv by its name; KeyError when there is none."""


_DAYS = ["planned_on", "drawn_on", "sent_on", "received_on", "reported_on"]


def reported_bottles(known: Fleet) -> pd.DataFrame:
    """Bottles with a result: sample, compartment, site, lab, planned_on, drawn_on, sent_on, received_on, reported_on
    (of the first issue), and plan_days (planned to drawn, negative: early), kept_days (drawn to sent), post_days (drawn
    to received), lab_days (received to reported), days (drawn to reported); NaN where a day is missing or the order is
    impossible."""
    rows = known.samples[["sample", "compartment", "lab", *_DAYS]]
    rows = rows.assign(lab=rows["lab"].fillna(""), site=sites_of(known, rows["compartment"]))
    aside = known.set_aside
    first = aside[(aside["table"] == "samples") & (aside["reason"] == OLD_ISSUE)].groupby("value")["known_on"].min()
    earlier = pd.Series(first.astype("datetime64[us]").reindex(rows["sample"]).to_numpy(), index=rows.index)
    rows["reported_on"] = rows["reported_on"].where(~(earlier < rows["reported_on"]), earlier)
    rows["plan_days"] = (rows["drawn_on"] - rows["planned_on"]).dt.days.astype(float)
    for name, start, end in (
        ("kept_days", "drawn_on", "sent_on"),
        ("post_days", "drawn_on", "received_on"),
        ("lab_days", "received_on", "reported_on"),
        ("days", "drawn_on", "reported_on"),
    ):
        took = (rows[end] - rows[start]).dt.days
        rows[name] = took.where(took >= 0).astype(float)
    return rows


def sites_of(known: Fleet, compartments: pd.Series) -> pd.Series:
    """The site each compartment's machine works at, in the rows of `compartments`."""
    at = known.compartments.merge(known.machines[["machine", "site"]], on="machine").set_index("compartment")["site"]
    return compartments.map(at)


def learn_turnaround(known: Fleet) -> pd.DataFrame:
    """One row per site and laboratory that reported in the last year (columns TURNAROUND), days >= 0.

    days, slow_days: within which half and nine in ten bottles were reported, post and laboratory also apart; plan_days,
    kept_days: the middle of those whose sheets say the day planned and the day sent.
    bound_days: a bottle without a result for longer counts as lost; of all bottles of that laboratory, wherever they
    were drawn. measured: enough bottles are known; below that the settings' turnaround stands in for days, and a
    multiple of it for the bound.
    """
    rows = reported_bottles(known)
    assert known.date is not None
    since = known.date - pd.Timedelta(days=constant("turnaround_window_days"))
    rows = rows[(rows["drawn_on"] > since) & rows["days"].notna()]
    bounds = {lab: _bound(own["days"].to_numpy(float)) for lab, own in rows.groupby("lab")}
    usual = known.settings.sampling.turnaround_days
    out = [
        _place(site, lab, own, usual)
        | {"bound_days": bounds[lab] if np.isfinite(bounds[lab]) else unknown_bound(usual)}
        for (site, lab), own in rows.groupby(["site", "lab"])
    ]
    return typed(out, "turnaround")


def unknown_bound(usual: float) -> float:
    """Days after which a bottle counts as lost where too few are known; usual: turnaround of the settings (days)."""
    return constant("lost_times") * max(usual, 1.0)


def _bound(days: np.ndarray) -> float:
    if len(days) < constant("turnaround_bottles"):
        return float("nan")
    return float(np.quantile(days, constant("lost_share"), method="higher"))


_MIDDLES = ("plan_days", "kept_days", "post_days", "lab_days", "days")


def _place(site: str, lab: str, own: pd.DataFrame, usual: float) -> dict[str, Any]:
    slow, enough = constant("slow_share"), len(own) >= constant("turnaround_bottles")
    middle = {name: float(own[name].median()) for name in _MIDDLES}
    late = {f"slow_{name}": float(own[name].quantile(slow)) for name in ("post_days", "lab_days", "days")}
    used = middle["days"] if enough else float(usual)
    return {"site": site, "lab": lab, "n": len(own), "measured": enough, "used_days": used} | middle | late


def turnaround_by_machine(known: Fleet, turnaround: pd.DataFrame) -> pd.Series:
    """Days from drawing to a result by machine: measured at its site, by the laboratory with most of its bottles; else
    the setting.

    turnaround: frame of :func:`learn_turnaround`.
    """
    seen = turnaround[turnaround["measured"]].sort_values(["site", "n"]).drop_duplicates("site", keep="last")
    days = (
        known.machines["site"].map(seen.set_index("site")["used_days"]).fillna(known.settings.sampling.turnaround_days)
    )
    return pd.Series(days.to_numpy(float), index=pd.Index(known.machines["machine"], dtype="str"))
