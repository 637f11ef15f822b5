"""Blind duplicates: two bottles of one compartment filled one after the other, sent under numbers that do not give them
away.
"""

from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.analytes import above, with_own
from cmkit.records.fleet import Fleet
from cmkit.records.once import once
from cmkit.records.turnaround import constant, sites_of
from cmkit.tables.frames import names, typed
from cmkit.trust.bottle_arrays import results as reported

DUPLICATES = names("duplicates")
RESULTS = ["sample", "other", "lab", "other_lab", "analyte", "first", "second", "on"]
_SIDE = ["sample", "meter_h", "method", "lab", "on"]


@once
def duplicate_pairs(known: Fleet) -> pd.DataFrame:
    """Pairs of bottles that were filled from one compartment at one draw: compartment, drawn_on, sample, other, lab,
    other_lab and the day of either result (on, other_on), by day.

    The records say so by themselves: the same compartment and day, meter readings within `duplicate_meter_h` of one
    another where both are written down, drawn the same way, and no change of the fluid that day. Of three bottles the
    first two are a pair.
    """
    rows = known.samples.assign(on=known.samples["reported_on"].fillna(known.samples["drawn_on"]))
    rows = rows[rows["drawn_on"].notna() & rows["method"].fillna("").ne("drain stream")]
    rows = rows.sort_values(["compartment", "drawn_on", "sample"], kind="stable")
    place = rows.groupby(["compartment", "drawn_on"]).cumcount()
    first, second = (
        rows.loc[place == n, ["compartment", "drawn_on", *_SIDE]].rename(columns=dict(zip(_SIDE, to, strict=True)))
        for n, to in enumerate((_SIDE, ["other", "other_h", "other_method", "other_lab", "other_on"]))
    )
    both = first.merge(second, on=["compartment", "drawn_on"])
    renewed = known.services[known.services["kind"].isin(["change", "flush", "replace"])]
    changed = pd.MultiIndex.from_frame(renewed[["compartment", "done_on"]])
    apart = (both["meter_h"] - both["other_h"]).abs() > constant("duplicate_meter_h")
    other_way = both["method"].fillna("").ne(both["other_method"].fillna(""))
    new_fluid = pd.MultiIndex.from_frame(both[["compartment", "drawn_on"]]).isin(changed)
    both = both.assign(lab=both["lab"].fillna(""), other_lab=both["other_lab"].fillna(""))
    both = both[~apart & ~other_way & ~new_fluid]
    keep = ["compartment", "drawn_on", "sample", "other", "lab", "other_lab", "on", "other_on"]
    return both[keep].sort_values(["drawn_on", "sample"], kind="stable", ignore_index=True)


def paired_results(known: Fleet, pairs: pd.DataFrame) -> pd.DataFrame:
    """Both results of every pair and analyte that can be compared (columns RESULTS), the laboratories in order of their
    names; on: the later of the two reports.

    A result at or near its reporting limit says nothing of a ratio: both must be true values of `duplicate_floors`
    noise floors or more.
    """
    register = with_own(known.settings.analytes)
    analytes = [a for a in register.index if a in known.samples]
    floor = register.loc[analytes, "noise_floor"].to_numpy(float) * constant("duplicate_floors")
    value, under = reported(known.samples, analytes)
    over = [known.samples.get(above(a), pd.Series(False, index=known.samples.index)) for a in analytes]
    value = np.where(under | np.column_stack(over).astype(bool), np.nan, value)
    bottles = pd.Index(known.samples["sample"])
    x, y = (value[bottles.get_indexer(pairs[side])] for side in ("sample", "other"))
    pair, column = np.nonzero((x > 0) & (y > 0) & (np.minimum(x, y) >= floor))
    swap = (pairs["lab"] > pairs["other_lab"]).to_numpy()[pair]
    of = pairs.iloc[pair].reset_index(drop=True)
    out = of[["sample", "other", "lab", "other_lab"]].copy()
    out["analyte"] = np.array(analytes, dtype=object)[column] if len(column) else ""
    out["first"], out["second"] = x[pair, column], y[pair, column]
    for one, two in (("sample", "other"), ("lab", "other_lab"), ("first", "second")):
        out[one], out[two] = out[two].where(swap, out[one]), out[one].where(swap, out[two])
    return out.assign(on=of[["on", "other_on"]].max(axis=1))[RESULTS]


def duplicates(known: Fleet, results: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """One row per pair of the last year (columns DUPLICATES), newest first: how many results were compared and which
    differed most.

    results: frame of :func:`paired_results`; pairs: of :func:`duplicate_pairs`.
    """
    assert known.date is not None
    since = known.date - pd.Timedelta(days=constant("turnaround_window_days"))
    recent = pairs[pairs["drawn_on"] > since]
    if not len(recent):
        return typed([], "duplicates")
    names_ = with_own(known.settings.analytes)["name"]
    ratio = np.log(results["second"] / results["first"])
    worst = results.assign(far=ratio.abs()).sort_values("far").assign(key=lambda r: _key(r["sample"], r["other"]))
    count, last = worst.groupby("key").size(), worst.drop_duplicates("key", keep="last").set_index("key")
    out = recent.assign(site=sites_of(known, recent["compartment"]), key=_key(recent["sample"], recent["other"]))
    out["n"] = out["key"].map(count).fillna(0)
    out["analyte"] = out["key"].map(last["analyte"]).fillna("")
    out["difference"] = np.expm1(out["key"].map(last["far"]).astype(float))
    out["words"] = [_words(r, names_) for r in out.itertuples()]
    out = out.sort_values(["drawn_on", "sample"], ascending=False, kind="stable", ignore_index=True)
    return typed(out[DUPLICATES], "duplicates")


def _key(one: pd.Series, other: pd.Series) -> list[str]:
    return ["|".join(sorted(pair)) for pair in zip(one, other, strict=True)]


def _words(r: Any, names_: pd.Series) -> str:
    if not r.n:
        return "no result of both bottles lies far enough above its limit to be compared"
    where = f"laboratory {r.lab or '(not named)'}"
    where = f"both by {where}" if r.lab == r.other_lab else f"{where} and {r.other_lab or '(not named)'}"
    return f"{where}; {r.n:.0f} results compared, {names_[r.analyte]} differs most, by {100 * r.difference:.0f} %"
