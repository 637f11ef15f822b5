"""How well alarms find planted faults, by the truth of simulated demo fleets: recall, lead hours, false alarms; rates' coverage.

    python tests/benchmarks/calibrate_alarms.py [first seed] [how many]

A fault counts as found when an alarm was raised (or the fluid found low) on a bottle drawn after its onset and before it failed or was caught (open faults are
counted apart). It could be found when at least one usable bottle was drawn in that time. A false alarm is an alarming bottle of a
compartment without a fault, drawn properly and labelled right.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from cmkit.assess import assess_fleet
from cmkit.assessment import Assessment
from cmkit.learn import newest_record
from cmkit.records.reading.load import load_fleet
from cmkit.simulate.recipe import demo_recipe
from cmkit.simulate.write import write_fleet


def fault_table(result: Assessment, faults: pd.DataFrame) -> pd.DataFrame:
    """One row a fault: bottles drawn while it grew, the first alarm among them, and the hours from that to the end."""
    alarms = set(result.evidence.loc[result.evidence["state"] == "alarm", "sample"])
    low = set(result.evidence.loc[result.evidence["rule"] == "low level", "sample"])
    bottles = result.exposure.merge(result.samples[["sample", "reported_on"]], on="sample")
    rows = []
    for fault in faults.itertuples():
        own = bottles[
            (bottles["compartment"] == fault.compartment)
            & (bottles["drawn_on"] > fault.opened_on)
            & (bottles["drawn_on"] <= fault.ended_on)
        ]
        told = own[own["sample"].isin(alarms | low)]
        before = told[told["reported_on"] < fault.ended_on]
        lead = (fault.ended_on - before["reported_on"].min()).days if len(before) else np.nan
        hours = fault.ended_h - fault.onset_h
        days = max((fault.ended_on - fault.opened_on).days, 1)
        rows.append(
            {
                "cause": fault.cause,
                "how": fault.how,
                "bottles": len(own),
                "told": len(before) > 0,
                "lead_h": lead * hours / days,
            }
        )
    return pd.DataFrame(rows)


def bottle_table(result: Assessment, truth: pd.DataFrame) -> pd.DataFrame:
    """One row a usable bottle: what it truly was, and the state its own evidence gave."""
    rank = result.evidence["state"].map({"alert": 1, "alarm": 2}).groupby(result.evidence["sample"]).max()
    out = result.exposure[["sample", "order", "kind"]].merge(truth.drop_duplicates("sample"), on="sample")
    out["rank"] = out["sample"].map(rank).fillna(0)
    out["truly"] = np.select(
        [out["share_of_way"] > 0, out["exchanged_with"].notna(), out["drawing"] != "good", out["slip"].astype(bool)],
        ["fault", "exchanged", "drawn badly", "hours slip"],
        "sound",
    )
    return out


def rate_coverage(result: Assessment, truth: pd.DataFrame) -> float:
    """Share of true wear rates (sound bottles, from the second of a life on) inside the filter's 90 % interval."""
    rates = truth.drop_duplicates("sample").set_index("sample")
    names = [c for c in rates.columns if c.endswith("_rate")]
    long = rates[names].rename(columns=lambda c: c.removesuffix("_rate")).rename_axis("sample").reset_index()
    long = long.melt("sample", var_name="analyte", value_name="true")
    seen = result.history[result.history["order"] >= 1].merge(long, on=["sample", "analyte"])
    sound = rates.index[(rates["share_of_way"] == 0) & rates["exchanged_with"].isna() & (rates["drawing"] == "good")]
    seen = seen[seen["sample"].isin(sound)]
    return float(((seen["true"] - seen["rate"]).abs() <= 1.645 * seen["rate_sd"]).mean())


def one_seed(seed: int) -> dict:
    """The figures of one simulated fleet."""
    with tempfile.TemporaryDirectory() as folder:
        write_fleet(demo_recipe(), Path(folder), seed=seed)
        fleet = load_fleet(folder)
        faults = pd.read_csv(Path(folder, "truth", "faults.csv"), parse_dates=["opened_on", "ended_on"])
        truth = pd.read_csv(Path(folder, "truth", "samples.csv"))
    result = assess_fleet(fleet, newest_record(fleet))
    table, bottles = fault_table(result, faults), bottle_table(result, truth)
    ended = table[table["how"] != "open"]
    could = ended[ended["bottles"] > 0]
    sound = bottles[bottles["truly"] == "sound"]
    return {
        "seed": seed,
        "faults ended": len(ended),
        "with a bottle": len(could),
        "found": int(could["told"].sum()),
        "recall": could["told"].mean(),
        "median lead h": could["lead_h"].median(),
        "open found": f"{int(table.loc[table['how'] == 'open', 'told'].sum())}/{int((table['how'] == 'open').sum())}",
        "false alarms a bottle": (sound["rank"] == 2).mean(),
        "alerts a bottle": (sound["rank"] == 1).mean(),
        "alarming, drawn badly": (bottles.loc[bottles["truly"] == "drawn badly", "rank"] == 2).mean(),
        "rate 90 % covers": rate_coverage(result, truth),
    }


def main(first: int = 1, count: int = 5) -> pd.DataFrame:
    """Prints the figures of `count` seeds as a markdown table and returns them."""
    table = pd.DataFrame([one_seed(seed) for seed in range(first, first + count)])
    print("| " + " | ".join(table.columns) + " |")
    print("|" + "---|" * len(table.columns))
    for row in table.itertuples(index=False):
        print("| " + " | ".join(f"{v:.3g}" if isinstance(v, float) else str(v) for v in row) + " |")
    return table


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:3]))
