"""How soon a step of wear shows, with labels exchanged: share of compartments found by their first bottles after iron
and chromium wear three times as fast, at 1 % false alarms a bottle of compartments without a step.

    python tests/benchmarks/calibrate_power.py [PAGE [SEEDS...]]

Fleets of the other generator (`other_fleets.py`), 1.5 % of the bottles of pairs under the other's label, through files
and the judgement: a bottle's score is the chance of any fault after it. Nothing is left out: an exchanged bottle counts
for the compartment on its label.
"""

import sys
import tempfile
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
import other_fleets
from calibrate_wear import markdown
from other_kinds import KINDS, PATTERNS, Breakage, Pattern

from cmkit.assess import assess_fleet
from cmkit.learn import newest_record
from cmkit.records.reading.load import load_fleet

MACHINES, MONTHS, TIMES = 16, 26, 3.0
FALSE = 0.01
WANTED = {"final drive": 0.80, "hydraulic": 0.55, "engine": 1.00}
_STEP = "step of wear"
_AT_ONCE = 0.55  # of a fault of shape `step`, the moment it begins


def stepped_fleet(folder: Path, seed: int) -> None:
    """A fleet without faults, but that in half of its compartments wear steps up between their 8th and 20th bottle."""
    times = 1 + (TIMES - 1) / _AT_ONCE
    PATTERNS[_STEP] = Pattern(tuple(KINDS), "step", {"Fe_ppm": times, "Cr_ppm": times})
    world = other_fleets.begin(Breakage(exchanged=0.015, faults_times=0.0), seed, MACHINES)
    rng = np.random.default_rng([seed, 5])
    for c in rng.permutation(len(world.faults))[::2]:
        every = KINDS[world.places["kind"].iloc[c]].sample_h
        onset = float(world.run_h[c]) + every * rng.uniform(8, 20)
        world.faults[c] = other_fleets.Fault(_STEP, onset, 1e7, np.inf)
    other_fleets.write_tables(folder, *other_fleets.lived_through(world, MONTHS))


def scored(seed: int) -> pd.DataFrame:
    """Bottles by the compartment on their label, in order: kind, stepped (the compartment has a step), late (drawn after
    it), whole (intervals since that lie wholly after it), and two scores: chance of any fault, and the bare one, the
    largest z or rise of a metal over its threshold (3 and 3.5).
    """
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        stepped_fleet(folder, seed)
        fleet = load_fleet(folder)
        steps = pd.read_csv(folder / "truth" / "faults.csv").set_index("compartment")["opened_on"]
    made = assess_fleet(fleet, newest_record(fleet))
    bare = np.maximum(made.history["z"] / 3, made.history["rise"] / 3.5).groupby(made.history["sample"]).max()
    rows = made.bottle_chances.sort_values(["compartment", "drawn_on", "sample"])
    since, places = pd.to_datetime(rows["compartment"].map(steps)), rows["compartment"]
    before = rows.groupby("compartment")["drawn_on"].shift()
    return pd.DataFrame(
        {
            "compartment": places + f" {seed}",
            "kind": rows["kind"],
            "stepped": since.notna(),
            "late": rows["drawn_on"] > since,
            "whole": (before >= since).groupby(places).cumsum(),
            "judgement": rows["p_fault"],
            "bare scores": rows["sample"].map(bare).fillna(0.0),
        }
    )


def shares(bottles: pd.DataFrame, score: str) -> tuple[pd.DataFrame, float, float]:
    """Per kind: compartments with three whole intervals after their step, the share found after one, two and three of
    them, its standard error after two; the threshold, and the share of bottles without a step that it raises.
    """
    calm = bottles.loc[~bottles["stepped"], score]
    threshold = float(np.quantile(calm, 1 - FALSE, method="higher"))
    late = bottles[bottles["late"]].assign(found=bottles[score] > threshold)
    rows = []
    for kind, own in late.groupby("kind"):
        own = own[own.groupby("compartment")["whole"].transform("max") >= 3]
        by = {k: own[own["whole"] <= k].groupby("compartment")["found"].any() for k in (1, 2, 3)}
        n, second = len(by[2]), float(by[2].mean())
        row = {"by": score, "kind": kind, "compartments": n, "wanted after 2": WANTED.get(str(kind), np.nan)}
        found = {f"found after {k}": float(s.mean()) for k, s in by.items()}
        rows.append(row | found | {"se after 2": (second * (1 - second) / n) ** 0.5})
    return pd.DataFrame(rows), threshold, float((calm > threshold).mean())


def page(seeds: list[int]) -> str:
    """The figures as markdown."""
    bottles = pd.concat([scored(s) for s in seeds], ignore_index=True)
    (judged, threshold, false), (bare, _, _) = (shares(bottles, score) for score in ("judgement", "bare scores"))
    return "\n".join(
        [
            "# How soon a step of wear shows",
            "",
            f"{date.today().isoformat()}, `python tests/benchmarks/calibrate_power.py`, seeds {', '.join(map(str, seeds))}, "
            f"used for nothing else. {MACHINES} machines, {5 * MACHINES} compartments a fleet, {MONTHS} months, 1.5 % of the "
            f"bottles of pairs exchanged. Iron and chromium step to {TIMES:g} times their rate in half of the compartments. "
            f"Found: above what {100 * false:.1f} % of the bottles of the others pass (a chance of any fault of {threshold:.3f}). "
            "Intervals between bottles that lie wholly after the step are counted. "
            "Invented fleets: shape only, no field fact.",
            "",
            markdown(pd.concat([judged, bare])),
            "",
        ]
    )


if __name__ == "__main__":
    where = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_suffix(".md")
    where.write_text(page([int(s) for s in sys.argv[2:]] or [501, 502, 503]), encoding="utf-8")
    print(where.read_text(encoding="utf-8"))
