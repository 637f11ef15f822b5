"""Is the fluid clean enough, and did cleaning it help? Particle counts against the target of each compartment."""

from collections.abc import Collection
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import pandas as pd

from cmkit.fluids.cleanliness import iso_code, iso_codes
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import names, typed

CLEANLINESS = names("cleanliness")
SIZES = ("p4_per_ml", "p6_per_ml", "p14_per_ml")
KEEP, AGAIN, CLEAN, SETTLE, NOT_COUNTED = "keep", "draw again", "clean", "settle first", "not counted"
CLEANER, NO_CLEANER, WAITING = "cleaner", "no cleaner", "waiting for a bottle"
_WORK = ("filter", "flush", "change")
_YEAR = 365  # days


@cache
def usual_targets() -> dict[str, str]:
    """Kind of compartment -> ISO 4406 code aimed at (reference/cleanliness_targets.csv)."""
    with files("cmkit.reference").joinpath("cleanliness_targets.csv").open(encoding="utf-8") as handle:
        rows = pd.read_csv(handle)
    return dict(zip(rows["kind"], rows["target"], strict=True))


def cleanliness(known: Fleet, bottles: pd.DataFrame, in_alarm: Collection[str] = ()) -> pd.DataFrame:
    """One row per compartment of a working machine that has a target (columns CLEANLINESS), by name.

    bottles: frame of `bottle_states`; counts of bottles that are not believed do not decide. A target is the
    compartment's, its family's or its kind's ([cleanliness_targets] in fleet.toml), else the kind's usual one. Two
    bottles running over it in any size: clean; one: draw again, for a dirty bottle looks the same; in a compartment of
    `in_alarm` its order comes first, since a new filter takes away what the look needs. worked: what the
    bottle after the newest filter, flush or change of the last year says against the one before.
    """
    places = known.compartments.merge(
        known.machines.loc[known.machines["retired_on"].isna(), ["machine", "site"]], on="machine"
    )
    own = known.settings.cleanliness_targets
    named = zip(places["compartment"], places["family"], places["kind"], strict=True)
    target = [next((own[n] for n in names if n in own), usual_targets().get(names[2], "")) for names in named]
    places = places.assign(target=target).query("target != ''").sort_values("compartment")
    good = set(bottles.loc[bottles["good"].astype(bool), "sample"])
    counted = known.samples[["sample", "compartment", "drawn_on", *SIZES]]
    counted = counted[counted[list(SIZES)].notna().any(axis=1)].sort_values(["drawn_on", "sample"])
    counted = counted[counted["sample"].isin(good)]
    of = dict(list(counted.groupby("compartment")))
    work = known.services.loc[known.services["kind"].isin(_WORK), ["compartment", "done_on"]].sort_values("done_on")
    done = dict(list(work.groupby("compartment")))
    return typed(
        [
            _row(p, of.get(p.compartment, counted.iloc[:0]), done.get(p.compartment, work.iloc[:0]), known.date, alarm)
            for p, alarm in zip(places.itertuples(), places["compartment"].isin(in_alarm), strict=True)
        ],
        "cleanliness",
    )


def codes_over(counts: np.ndarray, target: str) -> np.ndarray:
    """By how many code numbers counts [n, 3] per ml at 4, 6 and 14 um(c) pass a target such as `18/16/13`, the worst
    size; NaN where none was counted.
    """
    wanted = np.array([float(part) for part in target.split("/")])
    over = iso_codes(counts) - wanted
    seen = np.isfinite(over).any(axis=1)
    return np.where(seen, np.max(np.where(np.isfinite(over), over, -np.inf), axis=1), np.nan)


def _row(place: Any, counted: pd.DataFrame, work: pd.DataFrame, day: pd.Timestamp, alarm: bool) -> dict[str, Any]:
    row = {"compartment": place.compartment, "site": place.site, "kind": place.kind, "target": place.target,
           "sample": "", "drawn_on": pd.NaT, "code": "", "over": np.nan, "bottles_over": 0, "cleaned_on": pd.NaT,
           "code_before": "", "worked": ""}  # fmt: skip
    if not len(counted):
        return row | {"advice": NOT_COUNTED, "words": "no believed bottle with particle counts"}
    over = codes_over(counted[list(SIZES)].to_numpy(float), place.target)
    running = int(np.argmin(np.r_[over[::-1] > 0, False]))
    newest = counted.iloc[-1]
    row |= {"sample": newest["sample"], "drawn_on": newest["drawn_on"], "code": _code(newest), "over": over[-1],
            "bottles_over": running}  # fmt: skip
    row |= _proof(counted, over, work[work["done_on"] > day - pd.Timedelta(days=_YEAR)])
    row["advice"] = KEEP if not running else SETTLE if alarm else AGAIN if running == 1 else CLEAN
    return row | {"words": _words(row)}


def _code(bottle: pd.Series) -> str:
    return str(iso_code(*(float(bottle[s]) for s in SIZES)).text)


def _proof(counted: pd.DataFrame, over: np.ndarray, work: pd.DataFrame) -> dict[str, Any]:
    """What the newest work did for the counts."""
    if not len(work):
        return {}
    on = work["done_on"].iloc[-1]
    before, after = (np.flatnonzero(side) for side in (counted["drawn_on"] <= on, counted["drawn_on"] > on))
    if not len(before):
        return {}
    if over[before[-1]] <= 0:  # it was clean enough, so there is nothing to prove
        return {"cleaned_on": on, "code_before": _code(counted.iloc[before[-1]])}
    row = {"cleaned_on": on, "code_before": _code(counted.iloc[before[-1]])}
    if not len(after):
        return row | {"worked": WAITING}
    return row | {"worked": CLEANER if over[after[0]] < over[before[-1]] else NO_CLEANER}


def _words(row: dict[str, Any]) -> str:
    words = f"{row['code']} against a target of {row['target']}"
    if row["advice"] == SETTLE:
        words += ": in alarm, so do what its order says before the filter or the oil is changed"
    if row["advice"] == CLEAN:
        words += f", {row['bottles_over']} bottles running: change the filter or clean offline, "
        words += "look where dirt gets in, and draw a bottle after"
    if row["advice"] == AGAIN:
        words += ": one bottle only, draw again with a clean bottle before anything is done"
    if row["worked"]:
        words += f"; {row['code_before']} before the work of {row['cleaned_on']:%Y-%m-%d}: {row['worked']}"
    return words
