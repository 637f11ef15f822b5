"""The bottle chain: bottles that were drawn and have no result yet, where each one is, and which count as lost."""

from typing import Any

import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.records.turnaround import reported_bottles, sites_of, unknown_bound
from cmkit.tables.frames import names, typed

CHAIN = names("chain")
AT_SITE, ON_THE_WAY, AT_LABORATORY, LOST = "at the site", "on the way", "at the laboratory", "lost"


def bottle_chain(known: Fleet, turnaround: pd.DataFrame) -> pd.DataFrame:
    """One row per bottle without a result (columns CHAIN), by compartment and day; a bottle is known of by its field
    sheet or receipt.

    known: records of a day; turnaround: frame of `learn_turnaround`. stage: `at the site` where the site's field sheets
    say when bottles are sent and this one's does not, `on the way` until the laboratory says that it received it, `at
    the laboratory` until it reports, `lost` once it has waited longer than bound_days. replaced_by: the next bottle of
    the same compartment, drawn later. Where a field sheet names no laboratory, the one with most of the site's bottles
    is taken.
    """
    rows = known.unreported
    if rows is None or not len(rows):
        return typed([], "chain")
    rows = rows[["sample", "compartment", "lab", "planned_on", "drawn_on", "sent_on", "received_on", "sampler"]].copy()
    rows["site"] = sites_of(known, rows["compartment"])
    most = turnaround.sort_values(["site", "n"]).drop_duplicates("site", keep="last").set_index("site")["lab"]
    named = rows["lab"].fillna("")
    rows["lab"] = named.where(named != "", rows["site"].map(most)).fillna("").astype("str")
    bounds = turnaround.drop_duplicates("lab").set_index("lab")["bound_days"]
    unknown = unknown_bound(known.settings.sampling.turnaround_days)
    rows["bound_days"] = rows["lab"].map(bounds).astype(float).fillna(unknown)
    rows["waited_days"] = (known.date - rows["drawn_on"]).dt.days.astype(float)
    lost = rows["waited_days"] > rows["bound_days"]
    said = rows["site"].map(turnaround.groupby("site")["kept_days"].max()).notna()
    stage = rows["received_on"].notna().map({True: AT_LABORATORY, False: ON_THE_WAY})
    stage = stage.mask(said & rows["sent_on"].isna() & rows["received_on"].isna(), AT_SITE)
    rows["stage"] = stage.mask(lost, LOST)
    rows["replaced_by"] = _replaced(rows, reported_bottles(known))
    rows["words"] = [_words(r) for r in rows.itertuples()]
    return typed(rows[CHAIN], "chain").sort_values(["compartment", "drawn_on", "sample"], ignore_index=True)


def _replaced(rows: pd.DataFrame, reported: pd.DataFrame) -> pd.Series:
    """The next bottle of the compartment after each row's; empty for none."""
    columns = ["sample", "compartment", "drawn_on"]
    others = pd.concat([reported[columns], rows[columns]]).sort_values("drawn_on", kind="stable")
    left = rows[["compartment", "drawn_on"]].reset_index(names="at").sort_values("drawn_on", kind="stable")
    found = pd.merge_asof(left, others, on="drawn_on", by="compartment", direction="forward", allow_exact_matches=False)
    return found.set_index("at")["sample"].reindex(rows.index).fillna("").astype("str")


def _words(r: Any) -> str:
    where = r.lab or "the laboratory"
    if r.stage == LOST:
        next_ = f"bottle {r.replaced_by} has been drawn since" if r.replaced_by else "draw another one"
        held = (
            f"{where} has had it since {r.received_on:%Y-%m-%d}"
            if pd.notna(r.received_on)
            else f"sent on {r.sent_on:%Y-%m-%d}, no receipt is recorded"
            if pd.notna(r.sent_on)
            else "no receipt is recorded"
        )
        return (
            f"no result after {r.waited_days:.0f} days, {r.bound_days:.0f} at most are usual: {held}; ask {where}, "
            f"{next_}"
        )
    if r.stage == AT_SITE:
        return f"drawn {r.waited_days:.0f} days ago, and its sheet does not say that it was sent: send it"
    if r.stage == AT_LABORATORY:
        return f"received on {r.received_on:%Y-%m-%d}, no result yet"
    sent = f", sent on {r.sent_on:%Y-%m-%d}" if pd.notna(r.sent_on) else ""
    return f"drawn {r.waited_days:.0f} days ago{sent}, no receipt recorded yet"


def in_hand(chain: pd.DataFrame) -> pd.DataFrame:
    """The newest bottle of each compartment that is drawn, not lost and not reported: compartment, drawn_on."""
    alive = chain[chain["stage"] != LOST].sort_values("drawn_on", kind="stable")
    return alive.drop_duplicates("compartment", keep="last")[["compartment", "drawn_on"]]
