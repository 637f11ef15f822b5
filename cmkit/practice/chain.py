"""The bottle chain: bottles that were planned and not drawn, or drawn and have no result yet, where each one is, and
which count as lost.
"""

from typing import Any

import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.records.turnaround import constant, reported_bottles, sites_of, unknown_bound
from cmkit.tables.frames import empty, names, typed

CHAIN = names("chain")
NOT_DRAWN = "not drawn"
AT_SITE, ON_THE_WAY, AT_LABORATORY, LOST = "at the site", "on the way", "at the laboratory", "lost"


def bottle_chain(known: Fleet, turnaround: pd.DataFrame) -> pd.DataFrame:
    """One row per bottle without a result (columns CHAIN), by compartment and day; a bottle is known of by its field
    sheet or receipt.

    known: records of a day; turnaround: frame of `learn_turnaround`. stage: `not drawn` where the row of its round's
    sheet came back empty in the last year and the number has not come in since; `at the site` where the site's
    field sheets say when bottles are sent and this one's does not, `on the way` until the laboratory says that
    it received it, `at the laboratory` until it reports, `lost` once it has waited longer than bound_days. replaced_by:
    the next bottle of the same compartment, drawn later. Where a field sheet names no laboratory, the one with most of
    the site's bottles is taken.
    """
    rows = pd.concat([_not_drawn(known), _drawn(known, turnaround)], ignore_index=True)
    return rows.sort_values(["compartment", "drawn_on", "planned_on", "sample"], ignore_index=True)


def _not_drawn(known: Fleet) -> pd.DataFrame:
    """Bottles whose row on a round's sheet came back empty in the last year, each once, by its newest sheet."""
    since = known.date - pd.Timedelta(days=constant("turnaround_window_days"))
    rows = known.not_drawn[known.not_drawn["returned_on"] > since].sort_values("returned_on", kind="stable")
    seen = [known.samples["sample"], *([] if known.unreported is None else [known.unreported["sample"]])]
    rows = rows[~rows["sample"].isin(pd.concat(seen))].drop_duplicates("sample", keep="last").reset_index(drop=True)
    if not len(rows):
        return empty("chain")
    drawn = pd.concat([reported_bottles(known), *([] if known.unreported is None else [known.unreported])])
    rows["site"] = sites_of(known, rows["compartment"])
    wanted = rows["planned_on"].fillna(rows["returned_on"])
    rows["replaced_by"] = _next(rows.assign(drawn_on=wanted), drawn, same_day=True)
    rows["waited_days"] = (known.date - wanted).dt.days.astype(float)
    rows["words"] = [_not_drawn_words(r) for r in rows.itertuples()]
    none = {"lab": "", "sampler": "", "bound_days": float("nan"), "stage": NOT_DRAWN}
    days = dict.fromkeys(["drawn_on", "sent_on", "received_on"], pd.NaT)
    return typed(rows.assign(**none, **days)[CHAIN], "chain")


def _not_drawn_words(r: Any) -> str:
    planned = f"planned for {r.planned_on:%Y-%m-%d}, its" if pd.notna(r.planned_on) else "its"
    why = f": {r.note}" if isinstance(r.note, str) and r.note else ", without a reason"
    then = f"bottle {r.replaced_by} has been drawn since" if r.replaced_by else "ask why, and draw it on the next round"
    return f"{planned} row came back empty on {r.returned_on:%Y-%m-%d}{why}; {then}"


def _drawn(known: Fleet, turnaround: pd.DataFrame) -> pd.DataFrame:
    """Bottles that were drawn and have no result."""
    rows = known.unreported
    if rows is None or not len(rows):
        return empty("chain")
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
    rows["replaced_by"] = _next(rows, pd.concat([reported_bottles(known), rows]))
    rows["words"] = [_words(r) for r in rows.itertuples()]
    return typed(rows[CHAIN], "chain")


def _next(rows: pd.DataFrame, drawn: pd.DataFrame, same_day: bool = False) -> pd.Series:
    """The next bottle of `drawn` of the compartment after each row's day, or from that day on; empty for none."""
    others = drawn[["sample", "compartment", "drawn_on"]].sort_values("drawn_on", kind="stable")
    left = rows[["compartment", "drawn_on"]].reset_index(names="at").sort_values("drawn_on", kind="stable")
    found = pd.merge_asof(
        left, others, on="drawn_on", by="compartment", direction="forward", allow_exact_matches=same_day
    )
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
    alive = chain[~chain["stage"].isin([LOST, NOT_DRAWN])].sort_values("drawn_on", kind="stable")
    return alive.drop_duplicates("compartment", keep="last")[["compartment", "drawn_on"]]
