"""Who sees to an alarm or an order, and what was decided.

A decision closes an order, never an alarm: that stands until a look, a repair or clear bottles settle it. A decision
that overrules an alarm stays visible with its reason for as long as the alarm stands, and beside what was found once it
does not.
"""

from typing import Any

import pandas as pd

from cmkit.tables.frames import names, typed

OPEN_WORK = names("open_work")
BECAME = names("decided")
_CLOSING = ("done", "overruled")
_NOBODY = "nobody has taken it on yet"


def open_work(
    record: pd.DataFrame, orders: pd.DataFrame, verdicts: pd.DataFrame, decisions: pd.DataFrame, as_of: pd.Timestamp
) -> pd.DataFrame:
    """One row per alarm that waits for a look on the day `as_of`, and per order at a compartment without one (columns
    OPEN_WORK).

    record: frame of `alarm_record`; orders, verdicts: of the day; decisions: records, of which those up to the day
    count, the newest of a piece of work first. A decision is about the alarm it names; without one, about what stood
    when it was taken: an alarm from the day its result was known, an order from the first bottle of its run of alerts
    or else its newest bottle's result.
    """
    alarms = record.loc[record["outcome"] == "waiting", ["compartment", "alarm_on", "known_on"]]
    alarms = alarms.assign(about="alarm", begun=alarms["known_on"])
    ordered = orders.loc[~orders["compartment"].isin(alarms["compartment"]), ["compartment"]]
    ordered = ordered.merge(verdicts[["compartment", "known_on", "since"]], on="compartment", how="left")
    ordered = ordered.assign(about="order", alarm_on=pd.NaT, begun=ordered["since"].fillna(ordered["known_on"]))
    parts = [p for p in (alarms, ordered.drop(columns="since")) if len(p)]
    if not parts:
        return typed([], "open_work")
    rows = pd.concat(parts, ignore_index=True).astype({"alarm_on": "datetime64[us]"})
    out = rows.merge(
        _newest(rows, decisions[decisions["decided_on"] <= as_of]), on=["compartment", "about", "alarm_on"], how="left"
    )
    for name in ("decision", "owner", "decided", "why"):
        out[name] = out[name].fillna("").astype("str")
    out["age_days"] = (as_of - out["known_on"]).dt.days.astype(float)
    out["closed"] = out["decided"].isin(_CLOSING)
    out["late"] = (out["due_on"] < as_of) & ~out["closed"]
    out["words"] = [_words(r) for r in out.itertuples()]
    return typed(out.sort_values(["compartment", "alarm_on"], ignore_index=True)[OPEN_WORK], "open_work")


def _newest(work: pd.DataFrame, decisions: pd.DataFrame) -> pd.DataFrame:
    """The newest decision about each piece of work, with its compartment, about and alarm_on."""
    taken = decisions.rename(columns={"alarm_on": "named"})
    both = work[["compartment", "about", "alarm_on", "begun"]].merge(taken, on="compartment")
    its = (both["named"] == both["alarm_on"]) | (both["named"].isna() & (both["decided_on"] >= both["begun"]))
    both = both[its].sort_values(["decided_on", "decision"], kind="stable")
    return both.drop_duplicates(["compartment", "about", "alarm_on"], keep="last").drop(columns=["begun", "named"])


def _words(r: Any) -> str:
    age = f"known for {r.age_days:.0f} days" if pd.notna(r.age_days) else "no bottle yet"
    if not r.owner:
        return f"{age}; {_NOBODY}"
    due = f", due on {r.due_on:%Y-%m-%d}{' and late' if r.late else ''}" if pd.notna(r.due_on) and not r.closed else ""
    rest = "; the alarm stands until a look or clear bottles" if r.closed and r.about == "alarm" else ""
    return f"{age}; {r.decided} by {r.owner} on {r.decided_on:%Y-%m-%d}{due}: {r.why}{rest}"


def what_became(
    decisions: pd.DataFrame, spells: pd.DataFrame, record: pd.DataFrame, findings: pd.DataFrame
) -> pd.DataFrame:
    """One row per decision with what its alarm came to, the newest first (columns BECAME).

    spells: frame of `alarm_spells`; record: frame of `alarm_record`; findings: records. A decision that names no alarm
    is about the newest one that was known and not settled on its day; where there was none, about an order, and the
    first look since says what came of it.
    """
    alarms = spells[["compartment", "alarm_on", "known_on", "closed_on"]]
    both = decisions.rename(columns={"alarm_on": "named"}).merge(alarms, on="compartment", how="left")
    open_then = (both["known_on"] <= both["decided_on"]) & ~(both["closed_on"] < both["decided_on"])
    its = (both["named"] == both["alarm_on"]) | (both["named"].isna() & open_then)
    found = both[its].sort_values("alarm_on").drop_duplicates("decision", keep="last")
    its_alarm = found.set_index("decision")["alarm_on"].reindex(decisions["decision"])
    out = decisions.assign(alarm_on=decisions["alarm_on"].fillna(its_alarm.set_axis(decisions.index)))
    said = record.loc[record["alarm_on"].notna(), ["compartment", "alarm_on", "words"]]
    out = out.merge(said.drop_duplicates(["compartment", "alarm_on"]), on=["compartment", "alarm_on"], how="left")
    ordered = (
        _looked_into(decisions, findings)
        .reindex(out["decision"])
        .set_axis(out.index)
        .fillna("an order without an alarm, nothing found since")
    )
    nothing = pd.Series("no alarm of that day on record", out.index).where(out["alarm_on"].notna(), ordered)
    out = out.assign(became=out["words"].fillna(nothing).astype("str"))
    return typed(out.sort_values(["decided_on", "decision"], ascending=False, ignore_index=True)[BECAME], "decided")


def _looked_into(decisions: pd.DataFrame, findings: pd.DataFrame) -> pd.Series:
    """Number of a decision -> what the first look from its day on showed."""
    both = decisions[["decision", "compartment", "decided_on"]].merge(findings, on="compartment")
    since = both[both["found_on"] >= both["decided_on"]].sort_values("found_on").drop_duplicates("decision")
    words = [
        f"an order without an alarm; looked into on {r.found_on:%Y-%m-%d}: {r.outcome}" for r in since.itertuples()
    ]
    return pd.Series(words, index=since["decision"], dtype=object)
