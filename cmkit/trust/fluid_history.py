"""Which fluid was in the compartment when each bottle was drawn."""

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.records.once import once

SAME_DAY_H = 12.0  # own choice: hours typed for a bottle and for work of one day differ by no more than a shift
AFTER_WORK_H = 24.0  # own choice: a bottle with so few hours on the fluid was drawn after that day's change


@once
def fluids_in_force(known: Fleet) -> pd.DataFrame:
    """Fluid and grade (columns fluid, grade; empty where not known) of every sample, in the order of `known.samples`.

    As put in by the last change, flush or replacement before the bottle, else as the compartment says. A bottle is
    drawn before the work of its day (common practice), unless few hours on its fluid or the two meter readings say that
    the work came first.
    """
    work = known.services[known.services["kind"].isin(["change", "flush", "replace"])]
    work = work[["compartment", "done_on", "meter_h", "kind", "fluid", "grade"]].fillna({"fluid": "", "grade": ""})
    work = work[((work["fluid"] != "") | (work["grade"] != "")) & work["done_on"].notna()]
    work = work.sort_values("done_on", kind="stable")
    shots = known.samples[["compartment", "drawn_on", "meter_h", "fluid_h"]].reset_index(drop=True)
    shots = shots.assign(at=shots.index)
    put_in = pd.concat([_before(shots, work), _same_day(shots, work)]).drop_duplicates("at", keep="last")
    put_in = put_in.set_index("at").reindex(shots.index)
    usual = known.compartments.set_index("compartment").reindex(shots["compartment"])
    out = {}
    for name in ("fluid", "grade"):
        given = put_in[name].fillna("").to_numpy(dtype=object)
        out[name] = pd.Series(np.where(given != "", given, usual[name].fillna("").to_numpy(dtype=object)), dtype="str")
    return pd.DataFrame(out)


def batches_in_force(known: Fleet) -> pd.Series:
    """Label of the batch of the fluid (:func:`plain_label`) at every sample, in the order of `known.samples`; empty
    where the last change, flush or replacement before the bottle names none.
    """
    work = known.services[known.services["kind"].isin(["change", "flush", "replace"])]
    work = work[["compartment", "done_on", "meter_h", "kind", "batch"]].fillna({"batch": ""})
    work = work[work["done_on"].notna()].sort_values("done_on", kind="stable")
    shots = known.samples[["compartment", "drawn_on", "meter_h", "fluid_h"]].reset_index(drop=True)
    shots = shots.assign(at=shots.index)
    found = pd.concat([_before(shots, work), _same_day(shots, work)]).drop_duplicates("at", keep="last")
    return found.set_index("at")["batch"].reindex(shots.index).fillna("").astype("str").map(plain_label)


def plain_label(label: str) -> str:
    """A batch's label as it is compared: without capitals and further spaces."""
    return " ".join(label.casefold().split())


def _before(shots: pd.DataFrame, work: pd.DataFrame) -> pd.DataFrame:
    """The last work on a day before each bottle's: at, and what `work` says of the fluid."""
    dated = shots[shots["drawn_on"].notna()].sort_values("drawn_on", kind="stable")
    found = pd.merge_asof(
        dated[["at", "compartment", "drawn_on"]],
        work,
        left_on="drawn_on",
        right_on="done_on",
        by="compartment",
        allow_exact_matches=False,
    )
    return found.loc[found["done_on"].notna(), ["at", *_said(work)]]


def _same_day(shots: pd.DataFrame, work: pd.DataFrame) -> pd.DataFrame:
    """Work on a bottle's own day that the hours put before it: at, and what `work` says of the fluid."""
    both = shots.merge(
        work, left_on=["compartment", "drawn_on"], right_on=["compartment", "done_on"], suffixes=("", "_work")
    )
    young = (both["fluid_h"] <= AFTER_WORK_H) & (both["kind"] != "replace")
    return both.loc[young | (both["meter_h"] - both["meter_h_work"] > SAME_DAY_H), ["at", *_said(work)]]


def _said(work: pd.DataFrame) -> list[str]:
    return [name for name in ("fluid", "grade", "batch") if name in work]
