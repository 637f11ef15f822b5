"""Our record: past alarms against what was then found, and failures that came without warning.

An alarm counts on the day its result reached the office. The wear filter only looks backwards, so the evidence of a
past bottle is what was known then, given the family numbers in force (frozen between reviews).
"""

from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.tables.frames import names, typed

RECORD = names("record")
_WARNED_WITHIN_D = 365  # own choice: an alarm more than a year before a failure is not counted as its warning


def alarm_record(known: Fleet, spells: pd.DataFrame, found_h: pd.DataFrame) -> pd.DataFrame:
    """One row per alarm with what was found, then one per failure nobody was warned of (alarm_on NaT), in order of
    date.

    spells: `judge.spells.alarm_spells`; found_h: finding -> running hours (frame with finding, run_h). alarm_on: day
    its first bottle was drawn; known_on: day that result reached the office. A finding from that day on answers the
    alarm; one before it was no answer, and a failure before it came while no alarm stood. lead_h: operating hours from
    known_on to the finding, at the pace between bottle and finding. cost: the finding's own cost plus its downtime at
    the site's rate.
    """
    findings = known.findings.merge(found_h, on="finding", how="left").sort_values(
        ["compartment", "found_on", "finding"]
    )
    findings = findings.assign(all_cost=_whole_cost(known, findings))
    rows, used = [], set()
    own: dict[str, list[dict[str, Any]]] = {}
    for finding in findings.to_dict("records"):
        own.setdefault(finding["compartment"], []).append({str(name): value for name, value in finding.items()})
    at_work = known.compartments.merge(known.machines.loc[known.machines["retired_on"].isna(), "machine"], on="machine")
    working = set(at_work["compartment"])
    for spell in spells.sort_values(["compartment", "alarm_on"]).itertuples():
        hit = _answer(spell, own.get(spell.compartment, []))
        if hit is None:
            rows.append(_unanswered(spell, spell.compartment in working))
        else:
            used.add(hit["finding"])
            rows.append(_answered(spell, hit))
    silent = findings[(findings["outcome"] == "failed") & ~findings["finding"].isin(used)]
    rows += [_unwarned(f) for f in silent.itertuples()]
    out = typed(rows, "record")
    out["_when"] = out["alarm_on"].fillna(out["found_on"])
    return out.sort_values(["_when", "compartment"], kind="stable").drop(columns="_when").reset_index(drop=True)


def _whole_cost(known: Fleet, findings: pd.DataFrame) -> pd.Series:
    place = known.compartments.merge(known.machines[["machine", "site"]], on="machine").merge(
        known.sites, on="site", how="left"
    )
    hour = place.set_index("compartment")["downtime_cost_per_h"].reindex(findings["compartment"]).fillna(0).to_numpy()
    return findings["cost"].fillna(0) + findings["downtime_h"].fillna(0) * hour


def _answer(spell: Any, findings: list[dict[str, Any]]) -> dict[str, Any] | None:
    """The first of its compartment's findings after the alarm was known and before it was closed some other way."""
    until = spell.closed_on if pd.notna(spell.closed_on) else spell.known_on + pd.Timedelta(days=_WARNED_WITHIN_D)
    last = min(until, spell.known_on + pd.Timedelta(days=_WARNED_WITHIN_D))
    return next((f for f in findings if spell.known_on <= f["found_on"] <= last), None)


def _base(spell: Any) -> dict[str, Any]:
    return {
        name: getattr(spell, name)
        for name in ("compartment", "alarm_on", "known_on", "sample", "run_h", "analytes", "bottles")
    }


_FOUND = {
    "defect": "confirmed",
    "failed": "failed before it was looked into",
    "no defect": "looked into, nothing wrong found",
}
_CLOSED = {
    "clear bottles": "went away by itself",
    "normal repeat": "the repeat bottle was normal",
    "fluid change": "fluid changed, and the bottle since was normal",
    "steady since": "wears faster than before, but steadily",
    "new component": "component changed, nothing recorded about the old one",
    "replace": "component changed, nothing recorded about the old one",
}


def _answered(spell: Any, hit: dict[str, Any]) -> dict[str, Any]:
    days, ahead = (hit["found_on"] - spell.alarm_on).days, (hit["found_on"] - spell.known_on).days
    lead = max(hit["run_h"] - spell.run_h, 0.0) * (ahead / days if days else 0.0)
    return _base(spell) | {
        "finding": hit["finding"],
        "found_on": hit["found_on"],
        "outcome": hit["outcome"],
        "cause": hit["cause"],
        "lead_h": lead,
        "cost": hit["all_cost"],
        "words": _FOUND[hit["outcome"]],
    }


def _unanswered(spell: Any, working: bool) -> dict[str, Any]:
    """An alarm nobody looked into, or not after its result had come."""
    nothing = {"finding": "", "found_on": pd.NaT, "cause": "", "lead_h": np.nan, "cost": np.nan}
    if pd.isna(spell.closed_on) and working:
        return _base(spell) | nothing | {"outcome": "waiting", "words": "nobody has looked yet"}
    if pd.isna(spell.closed_on):
        words = "machine retired, nothing recorded about what was found"
    elif spell.closed_on < spell.known_on:
        words = f"its result came only after the {spell.closed_by} of {spell.closed_on:%Y-%m-%d}"
    else:
        words = _CLOSED.get(spell.closed_by, f"closed by a {spell.closed_by}, nothing recorded about what was found")
    return _base(spell) | nothing | {"outcome": "not looked into", "words": words}


def _unwarned(f: Any) -> dict[str, Any]:
    return {
        "compartment": f.compartment,
        "alarm_on": pd.NaT,
        "known_on": pd.NaT,
        "sample": "",
        "run_h": f.run_h,
        "analytes": "",
        "bottles": 0,
        "finding": f.finding,
        "found_on": f.found_on,
        "outcome": "failed",
        "cause": f.cause,
        "lead_h": np.nan,
        "cost": f.all_cost,
        "words": "failed while no alarm stood",
    }
