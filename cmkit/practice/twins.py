"""Left against right: a compartment beside its twin on the same machine, or its sisters at the same site, which share
load, dust and season with it.

What a bottle's wear metals lie above their forecast is compared with what the twin's do on the same day. The difference
runs through a one-sided cumulative sum, S = max(0, S + d / sd - k), whose reference value and limit are those of the
quality control handbooks (k = 0.5, h = 5: one false call in some 930 bottles, a shift of two standard deviations found
after four; Montgomery, Introduction to Statistical Quality Control, table of average run lengths, from memory).
Check values: guide how_it_is_computed, K.
"""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.records.analytes import with_own
from cmkit.records.constants import HALF_NINETY
from cmkit.records.fleet import Fleet
from cmkit.records.turnaround import constant
from cmkit.tables.frames import names, typed

TWINS = names("twins")
SAME_MACHINE, SAME_SITE = "same machine", "same site"
_GROUP = ["site", "how", "family"]  # scatter alike
Floats = NDArray[np.float64]


def twins(known: Fleet, expected: pd.DataFrame) -> pd.DataFrame:
    """One row per compartment of a working machine that has a twin or sisters with bottles (columns TWINS), by name.

    expected: forecasts of the wear filter before each result of the bottles that are believed (frame of `run_filter`
    without accepted changes). ratio: by which factor the last `twin_bottles` bottles lie above their forecasts more
    than the twin's, with its 90 % interval. called: the cumulative sum has passed its limit and the ratio is worth a
    call; since: the bottle from which it grew.
    """
    rows = above_forecast(known, expected)
    rows = pd.concat([_beside_twins(rows), _beside_sisters(rows)]) if len(rows) else rows
    if not len(rows):
        return typed([], "twins")
    working = set(known.machines.loc[known.machines["retired_on"].isna(), "machine"])
    rows = rows.sort_values([*_GROUP, "compartment", "drawn_on", "sample"], ignore_index=True)
    groups = rows.groupby(_GROUP)
    of_group, sd = groups.ngroup().to_numpy(), [_scatter(d.to_numpy(float)) for _, d in groups["d"]]
    new = (of_group[1:] != of_group[:-1]) | (rows["compartment"] != rows["compartment"].shift()).to_numpy()[1:]
    first = np.flatnonzero(np.append(True, new))
    d, works = rows["d"].to_numpy(float), rows["machine"].isin(working).to_numpy()
    ends = np.append(first[1:], len(rows))
    out = [
        _row(rows, slice(start, end), d[start:end], sd[of_group[start]])
        for start, end in zip(first, ends, strict=True)
        if works[start] and end - start >= constant("twin_least")
    ]
    if not out:
        return typed([], "twins")
    frame = pd.DataFrame(out).sort_values(["compartment", "how"])  # a twin on the same machine before sisters
    return typed(frame.drop_duplicates("compartment")[TWINS], "twins").reset_index(drop=True)


def above_forecast(known: Fleet, expected: pd.DataFrame) -> pd.DataFrame:
    """Bottles of the last two years with u: the mean over wear metals of log(result / forecast), and sample,
    compartment, kind, family, machine, site, drawn_on. Metals near their limits and results below one do not speak.
    """
    register = with_own(known.settings.analytes)
    since = known.date - pd.Timedelta(days=constant("twin_window_days"))
    rows = expected[expected["drawn_on"] > since]
    floor = rows["analyte"].map(register["noise_floor"] * constant("twin_floors")).astype(float)
    metal = rows["analyte"].map(register["group"]).eq("wear metal")
    rows = rows[metal & ~rows["below"].astype(bool) & (rows["value"] > 0) & (rows["expected"] >= floor)]
    u = np.log(rows["value"] / rows["expected"]).groupby(rows["sample"]).mean()
    bottles = rows.drop_duplicates("sample")[["sample", "compartment", "family", "drawn_on"]]
    places = known.compartments[["compartment", "kind", "machine"]].merge(known.machines[["machine", "site"]])
    return bottles.assign(u=bottles["sample"].map(u).astype(float)).merge(places, on="compartment")


def _beside_twins(rows: pd.DataFrame) -> pd.DataFrame:
    """d of bottles drawn on the day on which others of the same kind on the same machine were drawn."""
    by = rows.groupby(["machine", "kind", "drawn_on"])["u"]
    peers = by.transform("size") - 1
    others = (by.transform("sum") - rows["u"]) / peers.where(peers > 0)
    return _differences(rows, others, peers).assign(how=SAME_MACHINE)


def _beside_sisters(rows: pd.DataFrame) -> pd.DataFrame:
    """d against bottles of the same family at the same site on other machines, drawn within `sister_days`."""
    family = rows.groupby(["site", "family"]).ngroup().to_numpy()
    machine = rows.groupby(["site", "family", "machine"]).ngroup().to_numpy()
    day = rows["drawn_on"].to_numpy("datetime64[D]").astype(np.int64)
    u = rows["u"].to_numpy(float)
    (near, total), (own, own_total) = (_within(group, day, u) for group in (family, machine))
    peers, others = near - own, (total - own_total) / np.maximum(near - own, 1)
    return _differences(rows, pd.Series(others, rows.index), pd.Series(peers, rows.index)).assign(how=SAME_SITE)


def _within(group: NDArray[np.int64], day: NDArray[np.int64], u: Floats) -> tuple[NDArray[np.int64], Floats]:
    """How many bottles of the same group lie within `sister_days` of each, itself included, and the sum of their u."""
    reach = int(constant("sister_days"))
    at = group * (int(np.ptp(day)) + 2 * reach + 1) + day  # groups further apart than any bottles of one
    order = np.argsort(at, kind="stable")
    before = np.append(0.0, np.cumsum(u[order]))
    ordered = at[order]
    low, high = np.searchsorted(ordered, at - reach), np.searchsorted(ordered, at + reach, "right")
    return high - low, before[high] - before[low]


def _differences(rows: pd.DataFrame, others: pd.Series, peers: pd.Series) -> pd.DataFrame:
    """Own less the others', in one measure whatever their number: the scatter of a difference of two."""
    d = (rows["u"] - others) / np.sqrt((1 + 1 / peers.where(peers > 0)) / 2)
    return rows.assign(d=d, peers=peers)[peers > 0]


def _scatter(d: Floats) -> float:
    """Robust standard deviation, not below what a laboratory can repeat."""
    return max(1.4826 * float(np.median(np.abs(d - np.median(d)))), constant("twin_least_scatter"))


def running_sum(z: Floats) -> Floats:
    """One-sided cumulative sum of standardised differences, S = max(0, S + z - k), after each of them."""
    total, out, k = 0.0, np.empty(len(z)), constant("twin_k")
    for n, value in enumerate(z):
        total = max(0.0, total + value - k)
        out[n] = total
    return out


def _row(rows: pd.DataFrame, own: slice, d: Floats, sd: float) -> dict[str, Any]:
    """The row of one compartment: its bottles `own` in order, and their differences d."""
    sums = running_sum(d / sd)
    start = int(np.max(np.flatnonzero(sums == 0), initial=-1)) + 1
    last = d[-int(constant("twin_bottles")) :]
    middle, half = float(last.mean()), HALF_NINETY * sd / np.sqrt(len(last))
    called = bool(sums[-1] > constant("twin_limit")) and middle >= np.log(constant("twin_least_ratio"))
    row = {name: rows[name].iloc[own.start] for name in ("site", "kind", "how", "compartment")} | {"n": len(d)}
    row |= {"ratio": float(np.exp(middle)), "ratio_low": float(np.exp(middle - half))}
    row |= {"ratio_high": float(np.exp(middle + half)), "statistic": float(sums[-1]), "limit": constant("twin_limit")}
    row |= {"called": called, "since": rows["drawn_on"].iloc[own.start + start] if called else pd.NaT}
    return row | {"sample": rows["sample"].iloc[own.stop - 1], "words": _words(row)}


def _words(row: dict[str, Any]) -> str:
    whom = "its twin on the same machine" if row["how"] == SAME_MACHINE else "its sisters at the same site"
    words = f"metals {row['ratio']:.2f} times as far above their forecast as those of {whom} "
    words += f"(90 % interval {row['ratio_low']:.2f} to {row['ratio_high']:.2f})"
    if row["called"]:
        words += f"; more than chance gives since {row['since']:%Y-%m-%d}: draw its next bottle sooner"
    return words
