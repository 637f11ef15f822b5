"""Who sees to an alarm and what was decided: an append-only table beside the fleet's records (`decisions.csv`), and the alarms still open.

A decision closes an order, never an alarm or a finding: only a look, a repair or clear bottles do. One that overrules an alarm stays
visible with its reason for as long as the alarm stands.
"""

from pathlib import Path
from typing import Any

import pandas as pd

from cmkit.errors import RecordsError
from cmkit.practice.ledger import read_ledger, write_ledger
from cmkit.tables.frames import names, typed
from cmkit.tables.practice import DECIDED

DECISIONS = names("decisions")
OPEN_ALARMS = names("open_alarms")
FILE = "decisions.csv"


def read_decisions(folder: Path) -> pd.DataFrame:
    """What was decided so far (columns DECISIONS), in the order it was; empty where nothing was.

    Raises RecordsError when the file is not as cmkit wrote it, naming the file, the line and what to do.
    """
    return read_ledger(folder / FILE, "decisions")


def add_decision(folder: Path, decision: dict[str, Any], record: pd.DataFrame) -> None:
    """Add one decision (DECISIONS as keys; due_on may be left out) about an alarm of `record` (frame of `alarm_record`).

    Raises RecordsError where there is no such alarm, no owner or reason, a word that is not known, a day before the alarm was known, or a
    due day before the decision. Nothing is written then.
    """
    row = {"due_on": pd.NaT, **decision}
    row |= {name: pd.to_datetime(row.get(name), errors="coerce") for name in ("alarm_on", "decided_on", "due_on")}
    wrong = _wrong(row, record)
    if wrong:
        raise RecordsError(
            f"decision about {row.get('compartment', '')!r}: {wrong}. Nothing was written; put it right and add it again."
        )
    before = read_decisions(folder)
    new = typed([{name: row[name] for name in DECISIONS}], "decisions")
    write_ledger(folder / FILE, pd.concat([before, new], ignore_index=True) if len(before) else new, "decisions")


def _wrong(row: dict[str, Any], record: pd.DataFrame) -> str:
    """What is wrong with a decision, in words; empty for nothing."""
    missing = [n for n in ("compartment", "owner", "why", "decided") if not str(row.get(n) or "").strip()]
    if missing:
        return f"found no {missing[0]}; wanted {', '.join(DECISIONS[:-1])}"
    if row["decided"] not in DECIDED:
        return f"found {row['decided']!r} as decided; wanted one of {', '.join(DECIDED)}"
    if pd.isna(row["decided_on"]):
        return "found no day of the decision; wanted a date such as 2026-06-30 as decided_on"
    own = record[(record["compartment"] == row["compartment"]) & record["alarm_on"].notna()]
    its = own[own["alarm_on"] == row["alarm_on"]]
    if not len(its):
        days = ", ".join(f"{day:%Y-%m-%d}" for day in own["alarm_on"]) or "none"
        said = "no day" if pd.isna(row["alarm_on"]) else f"{row['alarm_on']:%Y-%m-%d}"
        return f"found {said} as alarm_on; its alarms began on: {days}"
    if row["decided_on"] < its["known_on"].iloc[0]:
        return (
            f"decided on {row['decided_on']:%Y-%m-%d}, before the alarm was known on {its['known_on'].iloc[0]:%Y-%m-%d}"
        )
    if row["due_on"] < row["decided_on"]:
        return f"due on {row['due_on']:%Y-%m-%d}, before it was decided on {row['decided_on']:%Y-%m-%d}"
    return ""


def open_alarms(record: pd.DataFrame, decisions: pd.DataFrame, as_of: pd.Timestamp) -> pd.DataFrame:
    """One row per alarm that waits on the day `as_of` (columns OPEN_ALARMS), the oldest without an owner first.

    record: frame of `alarm_record` of that day; decisions: frame of `read_decisions`, of which those up to the day count, the newest first.
    """
    rows = record.loc[record["outcome"] == "waiting", ["compartment", "alarm_on", "known_on"]]
    if not len(rows):
        return typed([], "open_alarms")
    known = decisions[decisions["decided_on"] <= as_of].sort_values("decided_on", kind="stable")
    newest = known.drop_duplicates(["compartment", "alarm_on"], keep="last")
    out = rows.merge(newest, on=["compartment", "alarm_on"], how="left")
    for name in ("owner", "decided", "why"):
        out[name] = out[name].fillna("")
    out["age_days"] = (as_of - out["known_on"]).dt.days.astype(float)
    out["late"] = out["due_on"] < as_of
    out["words"] = [_words(r) for r in out.itertuples()]
    order = out.assign(_owned=out["owner"] != "").sort_values(["_owned", "known_on", "compartment"], kind="stable")
    return typed(order[OPEN_ALARMS], "open_alarms").reset_index(drop=True)


def _words(r: Any) -> str:
    age = f"known for {r.age_days:.0f} days"
    if not r.owner:
        return f"{age}; nobody has taken it on"
    due = f", due on {r.due_on:%Y-%m-%d}{' and late' if r.late else ''}" if pd.notna(r.due_on) else ""
    return f"{age}; {r.decided} by {r.owner} on {r.decided_on:%Y-%m-%d}{due}: {r.why}"
