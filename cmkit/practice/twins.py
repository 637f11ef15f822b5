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
Floats = NDArray[np.float64]


def twins(known: Fleet, expected: pd.DataFrame) -> pd.DataFrame:
    """One row per compartment of a working machine that has a twin or sisters with bottles (columns TWINS), by name.

    expected: forecasts of the wear filter before each result of the bottles that are believed (frame of `run_filter`
    without accepted changes). ratio:
    by which factor the last `twin_bottles` bottles lie above their forecasts more than the twin's, with its 90 %
    interval. called: the cumulative sum has passed its limit and the ratio is worth
    a call; since: the bottle from which it grew.
    """
    rows = above_forecast(known, expected)
    if not len(rows):
        return typed([], "twins")
    rows = pd.concat([_beside_twins(rows), _beside_sisters(rows)])
    working = set(known.machines.loc[known.machines["retired_on"].isna(), "machine"])
    out = []
    for _, group in rows.groupby(["site", "how", "family"], sort=True):
        sd = _scatter(group["d"].to_numpy(float))
        for place, own in group.groupby("compartment", sort=True):
            if own["machine"].iloc[0] in working and len(own) >= constant("twin_least"):
                out.append(_row(str(place), own.sort_values(["drawn_on", "sample"]), sd))
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
    others, peers = pd.Series(np.nan, index=rows.index), pd.Series(0, index=rows.index)
    for _, own in rows.groupby(["site", "family"], sort=True):
        day = own["drawn_on"].to_numpy("datetime64[D]").astype(np.int64)
        machine, u = pd.factorize(own["machine"])[0], own["u"].to_numpy(float)
        near = np.abs(day[:, None] - day) <= constant("sister_days")
        near &= machine[:, None] != machine
        peers[own.index] = near.sum(axis=1)
        others[own.index] = np.where(near, u, 0.0).sum(axis=1) / np.maximum(near.sum(axis=1), 1)
    return _differences(rows, others, peers).assign(how=SAME_SITE)


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


def _row(place: str, own: pd.DataFrame, sd: float) -> dict[str, Any]:
    sums = running_sum(own["d"].to_numpy(float) / sd)
    start = int(np.max(np.flatnonzero(sums == 0), initial=-1)) + 1
    last = own["d"].to_numpy(float)[-int(constant("twin_bottles")) :]
    middle, half = float(last.mean()), HALF_NINETY * sd / np.sqrt(len(last))
    called = bool(sums[-1] > constant("twin_limit")) and middle >= np.log(constant("twin_least_ratio"))
    row = {name: own[name].iloc[0] for name in ("site", "kind", "how")} | {"compartment": place, "n": len(own)}
    row |= {"ratio": float(np.exp(middle)), "ratio_low": float(np.exp(middle - half))}
    row |= {"ratio_high": float(np.exp(middle + half)), "statistic": float(sums[-1]), "limit": constant("twin_limit")}
    row |= {"called": called, "since": own["drawn_on"].iloc[start] if called else pd.NaT}
    return row | {"sample": own["sample"].iloc[-1], "words": _words(row)}


def _words(row: dict[str, Any]) -> str:
    whom = "its twin on the same machine" if row["how"] == SAME_MACHINE else "its sisters at the same site"
    words = f"metals {row['ratio']:.2f} times as far above their forecast as those of {whom} "
    words += f"(90 % interval {row['ratio_low']:.2f} to {row['ratio_high']:.2f})"
    if row["called"]:
        words += f"; more than chance gives since {row['since']:%Y-%m-%d}: draw its next bottle sooner"
    return words
