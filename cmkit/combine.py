"""Third step: parts of a fleet, assessed one by one, become the fleet; what only the whole can say is said here."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from cmkit.assessment import Assessment, table_names
from cmkit.errors import CmkitError
from cmkit.intervals.advise import within_capacity
from cmkit.practice.programme import as_one
from cmkit.practice.rounds import on_days
from cmkit.practice.technique import crew_technique
from cmkit.records.fleet import Fleet, newest_set_aside
from cmkit.records.settings import Sampling

_WHOLE = ("repairs", "counts", "corrections")  # each part carries them whole
_UNORDERED = (
    "set_aside",
    "samples",
    "services",
    "meters",
    "findings",
    "decisions",
    "baselines",
    "not_drawn",
    "hours",
)  # in the order of the files
_SHARED = ("numbers", "limits", "fresh", "turnaround", "laboratory_pairs")  # parts may share families and sites


def combine(parts: Sequence[Assessment], reading: Fleet | None = None) -> Assessment:
    """One assessment of all parts: crews compared, and intervals and the next round within what crew and laboratory can
    do together.

    parts: of the same day and the same learnt numbers, no machine in two of them. reading: what is known on that day of
    reading the files, and the corrections, where the parts do not carry them. Raises CmkitError when they are not of
    one day, when a machine is in two of them, or when there is none.

    >>> parts = [a.for_site("quarry"), a.for_site("harbour")]
    >>> cmkit.combine(parts).sites["site"].tolist()
    ['harbour', 'quarry']
    """
    _refuse_unlike(parts)
    notes = parts[0] if reading is None else reading
    tables = {name: _joined(name, [getattr(part, name) for part in parts]) for name in table_names()}
    tables |= {name: getattr(notes, name) for name in _WHOLE}
    if reading is not None:
        tables["set_aside"] = _joined("set_aside", [reading.set_aside, *(part.set_aside for part in parts)])
    tables["counts"] = _counted(notes, tables["set_aside"])
    tables["programme"] = as_one(tables["programme"])
    whole = Assessment(_about(parts, reading), **tables)
    technique = crew_technique(
        whole.factors, whole.samples, whole.compartments, whole.machines, whole.about["trust"]["bottle_factor_sd"]
    )
    sampling, pace = Sampling(**whole.about["sampling"]), whole.about["intervals"]["usual_h_per_day"]
    intervals = within_capacity(whole.intervals, whole.curves, whole.use, sampling, pace)
    cards = on_days(whole.cards, whole.due, whole.use, date=whole.as_of, rule=sampling)
    return replace(whole, technique=technique, intervals=intervals, cards=cards)


def _refuse_unlike(parts: Sequence[Assessment]) -> None:
    if not parts:
        raise CmkitError("nothing to combine: found no part, wanted at least one assessment.")
    days = sorted({part.about["as_of"] for part in parts})
    if len(days) > 1:
        raise CmkitError(f"parts of different days, {', '.join(days)}: assess all of them as of one day.")
    machines = pd.concat([part.machines["machine"] for part in parts])
    if machines.duplicated().any():
        raise CmkitError(f"machine {machines[machines.duplicated()].iloc[0]!r} is in two parts; wanted each in one.")


_ORDER = {
    "fresh": (["site", "fluid", "grade", "analyte"], True),
    "record": (["_when", "compartment"], True),
    "decided": (["decided_on", "decision"], False),
    "duplicates": (["drawn_on", "sample"], [False, True]),
    "batches": (["delivered_on", "site", "fluid", "grade", "batch"], [False, True, True, True, True]),
    "missed": (["found_on", "compartment"], [False, True]),
    "waiting": (["saved", "compartment"], [False, True]),
}  # tables that are not simply in order of their first column, or of the compartment


def _joined(name: str, frames: list[pd.DataFrame]) -> pd.DataFrame:
    """One table of the parts' tables, in the order the table has for a whole fleet."""
    if name in _WHOLE or len(frames) == 1:
        return frames[0]
    out = pd.concat([f for f in frames if len(f)] or frames[:1], ignore_index=True)
    if name in _SHARED or name == "set_aside":
        out = out.drop_duplicates(ignore_index=True)
    if name in _UNORDERED:
        return out
    if name == "record":
        out["_when"] = out["alarm_on"].fillna(out["found_on"])
    first = "compartment" if "compartment" in out else out.columns[0]
    by, ascending = _ORDER.get(name, ([first], True))
    out = out.sort_values(by, ascending=ascending, kind="stable", ignore_index=True)
    return out.drop(columns="_when", errors="ignore")


def _counted(first: Assessment | Fleet, set_aside: pd.DataFrame) -> pd.DataFrame:
    """Rows read, used and set aside by file: those of the first, and what only the others set aside."""
    rows, own = (t.loc[t["what"] == "row", "file"].value_counts() for t in (set_aside, first.set_aside))
    more = first.counts["file"].map(rows.sub(own, fill_value=0)).fillna(0).astype("int64")
    return first.counts.assign(used=first.counts["used"] - more, set_aside=first.counts["set_aside"] + more)


def _about(parts: Sequence[Assessment], reading: Fleet | None) -> dict[str, Any]:
    kinds = {name: kind for part in parts for name, kind in part.about["kinds"].items()}
    sources = parts[0].about["sources"] if reading is None else dict(sorted(reading.sources.items()))
    about = {**parts[0].about, "kinds": dict(sorted(kinds.items())), "sources": sources}
    return about if reading is None else about | {"newest_set_aside": newest_set_aside(reading)}
