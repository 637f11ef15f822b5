"""Measures of the programme itself, by site and month: plan kept, bottles believed, turnaround, alarms and what came of
them.
"""

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet, sampled_every
from cmkit.records.turnaround import reported_bottles, sites_of
from cmkit.tables.frames import names, typed

PROGRAMME = names("programme")
_KEY = ["site", "month"]
LEAST_BELIEVED = 0.5  # own choice: believed as the books count it, more likely good than not
_LOOKED, _RIGHT = ("defect", "failed", "no defect"), ("defect", "failed")


def programme_measures(known: Fleet, exposure: pd.DataFrame, trust: pd.DataFrame, record: pd.DataFrame) -> pd.DataFrame:
    """One row per site and month from its first bottle on (columns PROGRAMME), in order; shares are NaN where there is
    nothing to count.

    exposure: usable bottles with hours since the one before; trust: sample, believed (frame of
    `screen_bottles`); record: frame of `alarm_record`. A bottle
    counts in the month it was drawn, an alarm in the month its result was known, a look or failure in the month it was
    found. kept: share
    of bottles drawn within the agreed tolerance of the interval. cost: bottles at the kind's sample cost and looks that
    found nothing.
    """
    parts = [_drawn(known, exposure, trust), _alarms(known, record), _found(known, record)]
    rows = pd.concat([p for p in parts if len(p)] or parts[:1])
    if not len(rows):
        return typed([], "programme")
    columns = dict.fromkeys(c for p in parts for c in p.columns if c not in _KEY)
    out = rows.groupby(_KEY, sort=True).first().reindex(_every_month(rows, known.date)).reindex(columns=list(columns))
    out[list(_COUNTS)] = out[list(_COUNTS)].fillna(0)
    out = out.reset_index()
    out["compartments"] = out["site"].map(_working(known)).fillna(0)
    out["alarms_per_100"] = 100 * out["alarms"] / out["compartments"].where(out["compartments"] > 0)
    out["cost"] = out["bottle_cost"].fillna(0.0) + out["vain_cost"].fillna(0.0)
    out["cost_per_bottle"] = out["cost"] / out["bottles"].where(out["bottles"] > 0)
    return typed(out[PROGRAMME], "programme")


_COUNTS = ("bottles", "alarms", "looked", "confirmed", "failures", "warned")


def _month(days: pd.Series) -> pd.Series:
    return days.dt.strftime("%Y-%m")


def _every_month(rows: pd.DataFrame, day: pd.Timestamp | None) -> pd.MultiIndex:
    """Every month of each site from its first to the view's own."""
    pairs = [
        (site, f"{month}")
        for site, first in rows.groupby("site")["month"].min().items()
        for month in pd.period_range(first, day, freq="M")
    ]
    return pd.MultiIndex.from_tuples(pairs, names=_KEY)


def _working(known: Fleet) -> pd.Series:
    at = known.compartments.merge(known.machines.loc[known.machines["retired_on"].isna(), ["machine", "site"]])
    return at["site"].value_counts()


def _drawn(known: Fleet, exposure: pd.DataFrame, trust: pd.DataFrame) -> pd.DataFrame:
    """Bottles with a result by site and month of drawing."""
    rows = reported_bottles(known)
    rows = rows.assign(month=_month(rows["drawn_on"])).merge(trust[["sample", "believed"]], on="sample", how="left")
    hours = exposure.drop_duplicates("sample").set_index("sample")["hours"].reindex(rows["sample"]).to_numpy(float)
    late = sampled_every(known).reindex(rows["compartment"]).to_numpy(float)
    late = late * (1 + known.settings.sampling.interval_tolerance)
    rows["on_time"] = np.where(hours > 0, (hours <= late).astype(float), np.nan)
    rows["good"] = (rows["believed"] >= LEAST_BELIEVED).astype(float).where(rows["believed"].notna())
    kinds = rows["compartment"].map(known.compartments.set_index("compartment")["kind"])
    rows["price"] = kinds.map({k: known.settings.kind(k).sample_cost for k in kinds.dropna().unique()}).astype(float)
    return (
        rows.groupby(_KEY)
        .agg(
            bottles=("sample", "size"),
            kept=("on_time", "mean"),
            believed=("good", "mean"),
            turnaround_days=("days", "median"),
            bottle_cost=("price", "sum"),
        )
        .reset_index()
    )


def _alarms(known: Fleet, record: pd.DataFrame) -> pd.DataFrame:
    """Alarms by the month their result was known."""
    rows = record[record["known_on"].notna()]
    rows = rows.assign(site=sites_of(known, rows["compartment"]), month=_month(rows["known_on"]))
    return rows.groupby(_KEY).agg(alarms=("compartment", "size")).reset_index()


def _found(known: Fleet, record: pd.DataFrame) -> pd.DataFrame:
    """Looks that an alarm led to and failures, by the month they were found."""
    rows = record[record["outcome"].isin(_LOOKED) & record["found_on"].notna()]
    alarm, failed = rows["alarm_on"].notna(), rows["outcome"] == "failed"
    rows = rows.assign(
        site=sites_of(known, rows["compartment"]),
        month=_month(rows["found_on"]),
        looked=alarm.astype(float),
        confirmed=(alarm & rows["outcome"].isin(_RIGHT)).astype(float),
        failures=failed.astype(float),
        warned=(failed & alarm).astype(float),
        vain=rows["cost"].where(rows["outcome"] == "no defect"),
        lead=rows["lead_h"].where(alarm & rows["outcome"].isin(_RIGHT)),
    )
    return (
        rows.groupby(_KEY)
        .agg(
            looked=("looked", "sum"),
            confirmed=("confirmed", "sum"),
            failures=("failures", "sum"),
            warned=("warned", "sum"),
            lead_h=("lead", "median"),
            vain_cost=("vain", "sum"),
        )
        .reset_index()
    )


_ADDED = ("compartments", "bottles", "alarms", "looked", "confirmed", "failures", "warned", "cost")
_WEIGHTS = {"kept": "bottles", "believed": "bottles", "turnaround_days": "bottles", "lead_h": "confirmed"}


def as_one(parts: pd.DataFrame) -> pd.DataFrame:
    """Measures of several parts of a site as those of the site: counts and costs added, shares and medians weighted by
    what they rest on.
    """
    if not parts.duplicated(_KEY).any():
        return parts
    by = [parts["site"], parts["month"]]
    out = parts.groupby(_KEY, sort=True)[list(_ADDED)].sum()
    for name, weight in _WEIGHTS.items():
        weights = parts[weight].where(parts[name].notna(), 0).astype(float)
        out[name] = (parts[name] * weights).groupby(by).sum() / weights.groupby(by).sum().replace(0, np.nan)
    out["alarms_per_100"] = 100 * out["alarms"] / out["compartments"].where(out["compartments"] > 0)
    out["cost_per_bottle"] = out["cost"] / out["bottles"].where(out["bottles"] > 0)
    return typed(out.reset_index()[PROGRAMME], "programme")
