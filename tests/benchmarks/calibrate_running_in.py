"""New components that run in, against the truth of invented fleets. `python -m tests.benchmarks.calibrate_running_in
CACHE EXTRA FAULTS SEED ...`

Half of the machines begin as new ones, each new component gives off EXTRA times its steady metal on top at first,
FAULTS times the demo's faults, nobody acts (`recipes.new_components`). Said with what is learnt of running-in, and with it left out: the share of
healthy new and old compartments' bottles that stand in alarm, and how many of the faults that fail within the first
hours were called before.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from cmkit.judge.compartments import judge_compartments
from cmkit.learn import learn
from cmkit.records.fleet import Fleet
from cmkit.trust.hours import running_hours
from cmkit.trust.screen import screen_bottles
from cmkit.wear.fit import fit_wear
from tests.benchmarks.recipes import fleet_of, new_components

YOUNG_H = 600.0


def judged(known: Fleet, without: bool) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Bottles with state and the hours of their component, and what was learnt of running-in."""
    learnt = learn(known, known.date)
    found = learnt.running_in
    if without:
        learnt = replace(learnt, running_in=found.assign(extra=0.0))
    hours = running_hours(known)
    wear = fit_wear(known, hours, learnt)
    trust = screen_bottles(known, hours, wear.for_screening, learnt)
    bottles = judge_compartments(known, hours, wear, trust, learnt).decided.bottles
    return bottles.merge(wear.exposure[["sample", "age_h"]], on="sample"), found


def marked(bottles: pd.DataFrame, faults: pd.DataFrame) -> pd.DataFrame:
    """Bottles with `faulty`: a true fault was open on their day; and `young`."""
    rows = bottles.merge(faults[["compartment", "opened_on", "ended_on"]], on="compartment", how="left")
    until = rows["ended_on"].fillna(pd.Timestamp.max.as_unit("us"))
    hit = rows["opened_on"].notna() & (rows["drawn_on"] >= rows["opened_on"]) & (rows["drawn_on"] <= until)
    faulty = hit.groupby(rows["sample"]).any()
    return bottles.assign(faulty=bottles["sample"].map(faulty).to_numpy(bool), young=bottles["age_h"] < YOUNG_H)


def one(seed: int, extra: float, faults_times: float, cache: Path) -> list[dict[str, object]]:
    """Rows of one fleet: with and without."""
    recipe = new_components(extra, faults_times)
    fleet, truth = fleet_of(recipe, seed, cache)
    known = fleet.as_of(pd.Timestamp(recipe.end))
    faults = truth["faults"]
    out = []
    for without in (False, True):
        bottles, found = judged(known, without)
        rows = marked(bottles, faults)
        healthy = rows[~rows["faulty"]]
        alarm = healthy["state"].eq("alarm")
        early = rows[rows["faulty"] & rows["young"]]
        called = early[early["state"].eq("alarm")]
        out.append({
            "seed": seed, "learnt": not without, "young": int(healthy["young"].sum()),
            "young_alarm": float(alarm[healthy["young"]].mean()), "old_alarm": float(alarm[~healthy["young"]].mean()),
            "early_faults": early["compartment"].nunique(), "called": called["compartment"].nunique(),
            "extra": float(np.average(found["extra"], weights=found["n"] + 1e-9)),
        })  # fmt: skip
    return out


def main(cache: str, extra: str, faults_times: str, *seeds: str) -> None:
    """Prints a row per fleet, with and without, and the means."""
    rows = pd.DataFrame(
        [row for seed in seeds for row in one(int(seed), float(extra), float(faults_times), Path(cache))]
    )
    print(rows.round(4).to_string(index=False))
    print(rows.groupby("learnt")[["young_alarm", "old_alarm", "early_faults", "called", "extra"]].mean().round(4))


if __name__ == "__main__":
    main(*sys.argv[1:])
