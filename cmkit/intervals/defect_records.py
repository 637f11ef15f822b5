"""What the record of samples, looks and failures says of each compartment's life, as `intervals.estimate` reads it."""

import numpy as np
import pandas as pd

from cmkit.intervals.delay import Array
from cmkit.records.fleet import Fleet
from cmkit.trust.hours import finding_hours


def defect_records(known: Fleet, exposure: pd.DataFrame, use: pd.DataFrame) -> pd.DataFrame:
    """Samples and looks inside of each compartment life in order: compartment, kind, life, run_h, kind_of, hours (since
    the record before).

    kind_of is a kind of `estimate.fit_defect_history`. A finding prompted by a sample counts at that sample; samples
    between the two say nothing. Each life begins at its first sample, taken as healthy, and ends at the machine's last
    reading or its last record. An event with no hours since the life began, or since the compartment was looked at or
    made as new, is the same event written twice or says nothing of how defects start: it is left out (of a defect and a
    failure at one hour the failure stays).
    """
    bottles = exposure[["sample", "compartment", "machine", "life", "run_h"]].assign(kind_of="nothing")
    found = _findings(known, exposure)
    bottles = bottles[~_between(bottles, found)]
    ends = exposure.groupby(["compartment", "machine", "life"], as_index=False)["run_h"].max()
    last = ends.groupby("compartment")["life"].transform("max") == ends["life"]
    reading = ends["machine"].map(use.set_index("machine")["last_run_h"]).where(last)
    ends["run_h"] = np.fmax(ends["run_h"], reading.fillna(-np.inf))
    rows = pd.concat([bottles, found.assign(kind_of=found["kind_of"]), ends.assign(kind_of="end")], ignore_index=True)
    rows["rank"] = rows["kind_of"].map(_AT_ONE_HOUR)
    rows = rows.sort_values(["compartment", "life", "run_h", "rank"], kind="stable").reset_index(drop=True)
    rows = rows[~_without_hours(rows)].reset_index(drop=True)
    hours = rows.groupby(["compartment", "life"])["run_h"].diff().fillna(0.0)
    rows["hours"] = hours.clip(lower=0.0)
    rows["life"] = rows["compartment"] + " " + rows["life"].astype("str")
    rows = rows.merge(known.compartments[["compartment", "kind"]], on="compartment")
    return rows[["compartment", "kind", "life", "run_h", "kind_of", "hours"]]


_AT_ONE_HOUR = {"nothing": 0, "failure": 1, "defect": 2, "sound": 3, "end": 4}  # order of records of one hour


def _without_hours(rows: pd.DataFrame) -> Array:
    """Events with no hours since the first record of a life, or since the look or renewal before."""
    of = [rows["compartment"], rows["life"]]
    event = rows["kind_of"].isin(["defect", "failure"])
    renewed = rows["run_h"].where(event | (rows["kind_of"] == "sound"))
    before = renewed.groupby(of).ffill().groupby(of).shift()
    since = rows["run_h"] - before.fillna(rows.groupby(["compartment", "life"])["run_h"].transform("min"))
    return (event & (since <= 0)).to_numpy()


_KIND_OF = {"defect": "defect", "failed": "failure", "no defect": "sound"}


def _findings(known: Fleet, exposure: pd.DataFrame) -> pd.DataFrame:
    """Findings placed on a compartment's life: compartment, life, run_h (of the prompting sample where there is one),
    to_h, kind_of.
    """
    placed = finding_hours(known)
    facts = known.findings[["finding", "outcome", "prompted_by"]]
    found = placed[placed["usable"]].merge(facts, on="finding")
    samples = exposure.set_index("sample")
    found["to_h"] = found["run_h"]
    prompted = found["prompted_by"].map(samples["run_h"]).astype(float).where(found["outcome"] == "defect")
    found["run_h"] = prompted.fillna(found["run_h"])
    lives = exposure.groupby(["compartment", "life"], as_index=False)["run_h"].min().rename(columns={"run_h": "from_h"})
    out = found.merge(lives, on="compartment")
    out = out[out["from_h"] <= out["run_h"]].sort_values(["finding", "life"]).drop_duplicates("finding", keep="last")
    return out.assign(kind_of=out["outcome"].map(_KIND_OF))[["compartment", "life", "run_h", "to_h", "kind_of"]]


def _between(bottles: pd.DataFrame, found: pd.DataFrame) -> Array:
    """Bottles drawn at or after the sample that prompted a look and before what it found: not independent of it."""
    out = np.zeros(len(bottles), bool)
    spans = found[found["to_h"] > found["run_h"]]
    for span in spans.itertuples():
        out |= (
            (bottles["compartment"] == span.compartment)
            & (bottles["run_h"] >= span.run_h)
            & (bottles["run_h"] <= span.to_h)
        ).to_numpy()
    return out
