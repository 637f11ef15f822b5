"""Reasons given for missed failures against the truth of invented fleets. `python -m tests.benchmarks.calibrate_missed
CACHE SEED ...`

A fleet with every reason in it: faults x3, half the decisions carried out, one laboratory that takes 40 days,
transmissions and swing drives sampled at three times their interval, differentials with a panel that holds no metal.
The truth counts a bottle as drawn in time when its fault had gone a fifth of its way (own choice: before that no bottle
shows it) and its result was known three days before the failure.
"""

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from cmkit.judge.compartments import judge_compartments
from cmkit.learn import learn
from cmkit.practice.missed import LOOKED, NOT_ACTED, missed_failures
from cmkit.practice.replay import alarm_record
from cmkit.simulate.recipe import CompartmentKind, Recipe
from cmkit.trust.hours import running_hours
from cmkit.trust.screen import screen_bottles
from cmkit.wear.fit import fit_wear
from tests.benchmarks.recipes import acting, fleet_of

_SEEN_FROM, _USEFUL = 0.2, pd.Timedelta(days=3)
_NO_METAL = ["Ca_ppm", "Zn_ppm", "P_ppm", "visc40_cSt", "visc100_cSt", "TAN_mgKOH_g", "water_ppm", "oxidation_Acm"]
_NO_ENGINE = ("fuel_pct", "visc100_cSt", "visc40_cSt", "K_ppm", "Na_ppm", "glycol_pct")


def every_reason() -> Recipe:
    """The fleet described above."""
    recipe = acting()
    kinds = {name: _kind(name, kind) for name, kind in recipe.compartments.items()}
    slow = [replace(lab, days=40.0) if n == 1 else lab for n, lab in enumerate(recipe.laboratories)]
    office = replace(recipe.office, acted=0.4, noticed_per_day=0.0)
    return replace(recipe, compartments=kinds, laboratories=slow, office=office, planted=[], wrong_fluid=[])


def _kind(name: str, kind: CompartmentKind) -> CompartmentKind:
    reports = {"differential": _NO_METAL, "engine": [a for a in kind.reports if a not in _NO_ENGINE]}
    seldom = 3 if name in ("transmission", "swing drive") else 1
    return replace(
        kind,
        sample_every_h=seldom * kind.sample_every_h,
        reports=reports.get(name, kind.reports),
        fault_per_h=3 * kind.fault_per_h,
    )


def true_reason(fault: Any, bottles: pd.DataFrame, recipe: Recipe, kind: str) -> str:
    """The reason by truth. bottles: those of the fault's compartment with share_of_way, drawn_on, reported_on and
    state.
    """
    own = bottles[
        (bottles["share_of_way"] >= _SEEN_FROM) & bottles["drawn_on"].between(fault.opened_on, fault.ended_on)
    ]
    early = own["reported_on"] <= fault.ended_on - _USEFUL
    if (own[early]["state"] == "alarm").any():
        return "seen and not acted on"
    if (own[~early]["state"] == "alarm").any():
        return "result late"
    if not early.any():
        return "result late" if len(own) else "not sampled in time"
    made = recipe.faults[fault.cause]
    touched = {*made.times, *made.adds, *made.removes} | ({"p4_per_ml"} if made.particles > 1 else set())
    blind = not made.leak and not touched & set(recipe.compartments[kind].reports)
    return "not seen by the tests done" if blind else "below what could be seen"


def reasons(seed: int, cache: Path) -> pd.DataFrame:
    """true and given reason of every failure of one fleet that is on record by its end."""
    recipe = every_reason()
    fleet, truth = fleet_of(recipe, seed, cache)
    learnt, known = learn(fleet, pd.Timestamp(recipe.end)), fleet.as_of(pd.Timestamp(recipe.end))
    hours = running_hours(known)
    wear = fit_wear(known, hours, learnt)
    trust = screen_bottles(known, hours, wear.for_screening, learnt)
    decided = judge_compartments(known, hours, wear, trust, learnt).decided
    record = alarm_record(known, decided.spells, hours.findings[["finding", "run_h"]])
    given = missed_failures(known, record, decided.bottles).replace(
        {"reason": {LOOKED: NOT_ACTED}}
    )  # one reason by truth
    dated = known.samples[["sample", "drawn_on", "reported_on"]].merge(decided.bottles[["sample", "state"]])
    bottles = truth["samples"].merge(dated, on="sample")
    kinds = known.compartments.set_index("compartment")["kind"]
    failed = truth["faults"][truth["faults"]["how"] == "failed"]
    rows = [
        (f.compartment, f.ended_on, true_reason(f, bottles[bottles["compartment"] == f.compartment], recipe,
        kinds[f.compartment]))
        for f in failed.itertuples()
    ]  # fmt: skip
    true = pd.DataFrame(rows, columns=["compartment", "found_on", "true"])
    on_record = known.findings.loc[known.findings["outcome"] == "failed", ["compartment", "found_on"]]
    true = true.merge(on_record, on=["compartment", "found_on"])  # of the rest the office has not heard yet
    return true.merge(given[["compartment", "found_on", "reason"]], on=["compartment", "found_on"], how="left")


def main(cache: str, *seeds: str) -> None:
    """Prints the table of true against given reasons, and the share that agrees, over all seeds."""
    rows = pd.concat([reasons(int(seed), Path(cache)).assign(seed=seed) for seed in seeds])
    print(pd.crosstab(rows["true"], rows["reason"].fillna("none given")).to_string())
    print(rows.assign(right=rows["true"] == rows["reason"]).groupby("seed")["right"].agg(["size", "mean"]).round(3))


if __name__ == "__main__":
    main(*sys.argv[1:])
