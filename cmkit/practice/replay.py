"""Our record: past alarms against what was then found, and failures that came without warning.

An alarm counts on the day its result reached the office. The wear filter only looks backwards, so the evidence of a past bottle is
what was known then, given the family numbers in force (frozen between reviews).
"""

from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.records.tables import typed

RECORD = ["compartment", "alarm_on", "sample", "run_h", "analytes", "bottles", "finding", "found_on", "outcome", "cause", "lead_h", "cost", "words"]  # fmt: skip
_WARNED_WITHIN_D = 365  # own choice: an alarm more than a year before a failure is not counted as its warning


def alarm_record(known: Fleet, spells: pd.DataFrame, found_h: pd.DataFrame) -> pd.DataFrame:
    """One row per alarm with what was found, then one per failure nobody was warned of (alarm_on NaT), in order of date.

    spells: `wear.verdicts.alarm_spells`; found_h: finding -> running hours (frame with finding, run_h). lead_h: operating hours from
    the alarm to the finding. cost: the finding's own cost plus its downtime at the site's rate.
    """
    findings = known.findings.merge(found_h, on="finding", how="left").sort_values(
        ["compartment", "found_on", "finding"]
    )
    findings = findings.assign(all_cost=_whole_cost(known, findings))
    rows, used = [], set()
    own = {c: f.to_dict("records") for c, f in findings.groupby("compartment")}
    for spell in spells.sort_values(["compartment", "alarm_on"]).itertuples():
        hit = _answer(spell, own.get(spell.compartment, []))
        if hit is None:
            rows.append(_row(spell, None))
        else:
            used.add(hit["finding"])
            rows.append(_row(spell, hit))
    silent = findings[(findings["outcome"] == "failed") & ~findings["finding"].isin(used)]
    rows += [_unwarned(f) for f in silent.itertuples()]
    out = typed(pd.DataFrame(rows, columns=RECORD), ("run_h", "lead_h", "cost"), ("bottles",), ("alarm_on", "found_on"))
    out["_when"] = out["alarm_on"].fillna(out["found_on"])
    return out.sort_values(["_when", "compartment"], kind="stable").drop(columns="_when").reset_index(drop=True)


def _whole_cost(known: Fleet, findings: pd.DataFrame) -> pd.Series:
    place = known.compartments.merge(known.machines[["machine", "site"]], on="machine").merge(
        known.sites, on="site", how="left"
    )
    hour = place.set_index("compartment")["downtime_cost_per_h"].reindex(findings["compartment"]).fillna(0).to_numpy()
    return findings["cost"].fillna(0) + findings["downtime_h"].fillna(0) * hour


def _answer(spell: Any, findings: list[dict]) -> dict | None:
    """The first of its compartment's findings after the alarm and before the alarm was closed some other way."""
    until = spell.closed_on if pd.notna(spell.closed_on) else spell.alarm_on + pd.Timedelta(days=_WARNED_WITHIN_D)
    last = min(until, spell.alarm_on + pd.Timedelta(days=_WARNED_WITHIN_D))
    return next((f for f in findings if spell.alarm_on <= f["found_on"] <= last), None)


def _row(spell: Any, hit: dict | None) -> dict:
    base = {"compartment": spell.compartment, "alarm_on": spell.alarm_on, "sample": spell.sample, "run_h": spell.run_h,
            "analytes": spell.analytes, "bottles": spell.bottles}  # fmt: skip
    if hit is not None:
        lead = hit["run_h"] - spell.run_h
        words = {
            "defect": "confirmed",
            "failed": "failed before it was looked into",
            "no defect": "looked into, nothing wrong found",
        }
        return base | {"finding": hit["finding"], "found_on": hit["found_on"], "outcome": hit["outcome"], "cause": hit["cause"],
                       "lead_h": lead, "cost": hit["all_cost"], "words": words[hit["outcome"]]}  # fmt: skip
    nothing = {"finding": "", "found_on": pd.NaT, "cause": "", "lead_h": np.nan, "cost": np.nan}
    if pd.isna(spell.closed_on):
        return base | nothing | {"outcome": "waiting", "words": "nobody has looked yet"}
    words = {
        "two clear bottles": "went away by itself",
        "steady since": "wears faster than before, but steadily",
        "new component": "component changed, nothing recorded about the old one",
    }
    return (
        base
        | nothing
        | {
            "outcome": "not looked into",
            "words": words.get(
                spell.closed_by, f"closed by a {spell.closed_by}, nothing recorded about what was found"
            ),
        }
    )


def _unwarned(f: Any) -> dict:
    return {"compartment": f.compartment, "alarm_on": pd.NaT, "sample": "", "run_h": f.run_h, "analytes": "", "bottles": 0, "finding": f.finding,
            "found_on": f.found_on, "outcome": "failed", "cause": f.cause, "lead_h": np.nan, "cost": f.all_cost,
            "words": "failed without a warning"}  # fmt: skip
