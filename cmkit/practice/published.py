"""What each month's books said, kept as it was said: an append-only table beside the published months
(`published.csv`).

A month is never written over. When a month is published again and says something else, both are kept, each with the day
it was published; the record of what was said counts the first.
"""

from pathlib import Path

import pandas as pd

from cmkit.practice.ledger import as_text, from_text, read_ledger, write_ledger
from cmkit.tables.frames import empty, names, typed

PUBLISHED = names("published")
CHANGES = names("published_changes")
FILE = "published.csv"
_NEXT_BOOK_D = 31  # days from one month's books to the next
_NUMBERS, _DATES = ("chance", "cost_of_waiting"), ("published_on", "as_of", "due_on")
_SAID = ["compartment", "state", "chance", "cause", "severity", "work", "group", "due_on", "sample", "cost_of_waiting"]
_COMPARED = ("state", "cause", "severity", "work", "sample")


def said_in(
    month: str, as_of: pd.Timestamp, verdicts: pd.DataFrame, orders: pd.DataFrame, waiting: pd.DataFrame
) -> pd.DataFrame:
    """What a month's books say of every compartment (columns PUBLISHED without published_on). month: `2026-06`.

    verdicts: compartment, state, chance, cause, severity, sample; orders: compartment, work, group, due_on; waiting:
    compartment, cost_of_waiting. A cause is kept where something is raised. Chances are rounded to 4 decimals and money
    to whole units, as they are kept.
    """
    out = verdicts[["compartment", "state", "chance", "cause", "severity", "sample"]]
    out = out.merge(orders[["compartment", "work", "group", "due_on"]], on="compartment", how="left")
    out = out.merge(waiting[["compartment", "cost_of_waiting"]], on="compartment", how="left")
    out = out.assign(
        month=month, as_of=as_of, chance=out["chance"].round(4), cost_of_waiting=out["cost_of_waiting"].round(0)
    )
    text = [c for c in PUBLISHED if c not in (*_NUMBERS, *_DATES)]
    out = out.assign(published_on=pd.NaT, **{c: out[c].fillna("") for c in text})
    return from_text(out, "published").drop(columns="published_on").sort_values("compartment", ignore_index=True)


def read_published(folder: Path) -> pd.DataFrame:
    """What was published so far (columns PUBLISHED), in the order it was; empty where nothing was.

    Raises RecordsError when the file is not as cmkit wrote it, naming the file, the line and what to do.
    """
    return read_ledger(folder / FILE, "published")


def append_published(folder: Path, said: pd.DataFrame, published_on: pd.Timestamp) -> int:
    """Add what a month's books say to the record in `folder`; returns how many rows were added.

    said: frame of `said_in`. A row that says what the newest row of its month and compartment says is not added again;
    one that says something else is added with its own day, and the older one stays. The file is replaced whole, so a
    reader never sees half of it.
    """
    before = read_published(folder)
    rows = from_text(said.assign(published_on=pd.Timestamp(published_on).normalize()), "published")
    newest = before.drop_duplicates(["month", "compartment"], keep="last")
    kept = _lines(newest, _SAID_KEY).to_numpy() if len(newest) else []
    new = rows[~_lines(rows, _SAID_KEY).isin(list(kept))]
    if len(new):
        whole = pd.concat([before, new], ignore_index=True) if len(before) else new
        write_published(folder, whole)
    return len(new)


_SAID_KEY = ["month", *_SAID]


def _lines(frame: pd.DataFrame, names: list[str]) -> pd.Series:
    """Each row as one text, to compare rows as they are written."""
    cells = as_text(frame, "published")
    return pd.Series(
        ["\x1f".join(row) for row in cells[names].itertuples(index=False, name=None)], index=frame.index, dtype="str"
    )


def write_published(folder: Path, frame: pd.DataFrame) -> None:
    """The whole record as a file of `folder`, replaced in one step. frame: columns PUBLISHED."""
    write_ledger(folder / FILE, frame, "published")


def first_said(published: pd.DataFrame) -> pd.DataFrame:
    """What each month's first books said: one row per month and compartment, later issues of a month left out."""
    return published.drop_duplicates(["month", "compartment"], keep="first").reset_index(drop=True)


def said_otherwise(published: pd.DataFrame, said: pd.DataFrame) -> pd.DataFrame:
    """Where the same month computed again says something else than was published (columns CHANGES), by compartment.

    published: `read_published`; said: frame of `said_in` of that month by today's numbers. Compared: state, cause,
    severity, work, sample.
    """
    old = first_said(published)
    both = old[old["month"].isin(said["month"])].merge(said, on=["month", "compartment"], suffixes=("", "_now"))
    rows = [
        (r["compartment"], r["month"], r["published_on"], name, r[name], r[f"{name}_now"])
        for r in both.to_dict("records")
        for name in _COMPARED
        if r[name] != r[f"{name}_now"]
    ]
    out = typed([dict(zip(CHANGES, row, strict=True)) for row in rows], "published_changes")
    return out.sort_values(["compartment", "month", "field"], kind="stable", ignore_index=True)


def published_alarms(published: pd.DataFrame) -> pd.DataFrame:
    """Alarms as they were published, one row each: compartment, alarm_on (day of the first book that showed it), as_of
    (day of the records it was made from), until (month of the last book in a row), last_as_of (its records' day),
    months, chance and cause (as first said).
    """
    rows = first_said(published).sort_values(["compartment", "month"], kind="stable")
    order = {month: place for place, month in enumerate(sorted(set(rows["month"])))}
    raised = rows[rows["state"] == "alarm"]
    if not len(raised):
        return empty("published_alarms")
    place = raised["month"].map(order)
    starts = (place.groupby(raised["compartment"]).diff() != 1).groupby(raised["compartment"]).cumsum()
    out = (
        raised.assign(spell=starts)
        .groupby(["compartment", "spell"], sort=True)
        .agg(
            alarm_on=("published_on", "first"),
            as_of=("as_of", "first"),
            until=("month", "last"),
            last_as_of=("as_of", "last"),
            months=("month", "size"),
            chance=("chance", "first"),
            cause=("cause", "first"),
        )
    )
    out = out.reset_index().drop(columns="spell")
    return typed(out, "published_alarms")


def published_outcomes(alarms: pd.DataFrame, findings: pd.DataFrame) -> pd.DataFrame:
    """What came of alarms as they were published (frame of `published_alarms`): the same rows with finding, found_on,
    outcome (defect, failed, no defect; waiting where nothing is on record) and found (the cause of the finding).

    An alarm is answered by the first finding at its compartment from the records' day of its first book to a month
    after that of its last one, by when the next book was due. Whatever today's numbers say of it, an alarm that was
    looked into in vain stays in vain.
    """
    out = alarms.reset_index(drop=True)
    rows = findings[["finding", "compartment", "found_on", "outcome", "cause"]].rename(columns={"cause": "found"})
    both = out[["compartment", "as_of", "last_as_of"]].assign(at=out.index).merge(rows, on="compartment")
    late = both["last_as_of"] + pd.Timedelta(days=_NEXT_BOOK_D)
    both = both[(both["found_on"] >= both["as_of"]) & (both["found_on"] <= late)]
    first = both.sort_values(["found_on", "finding"]).drop_duplicates("at").set_index("at")
    out = out.join(first[["finding", "found_on", "outcome", "found"]])
    return out.assign(outcome=out["outcome"].fillna("waiting"), **{c: out[c].fillna("") for c in ("finding", "found")})


def unpublished_alarms(record: pd.DataFrame, published: pd.DataFrame) -> pd.DataFrame:
    """Rows of `record` (frame of `alarm_record`) whose alarm stood when a month's books were published that showed none
    at that compartment, with month: of the first such books. They are said by later numbers only.

    An alarm stands from known_on until it was looked into; one that was never looked into counts while it waits.
    """
    alarms = record[record["alarm_on"].notna() & record["known_on"].notna()].reset_index(drop=True)
    books = first_said(published)[["compartment", "month", "as_of", "state"]].sort_values("as_of", kind="stable")
    if not len(alarms) or not len(books):
        return alarms.iloc[:0].assign(month=pd.Series(dtype="str"))
    alarms = alarms.assign(at=alarms.index).sort_values("known_on", kind="stable")
    both = pd.merge_asof(
        alarms,
        books,
        left_on="known_on",
        right_on="as_of",
        by="compartment",
        direction="forward",
        suffixes=("", "_then"),
    )
    open_then = both["outcome"].eq("waiting") | (both["found_on"] > both["as_of"])
    hit = both["month"].notna() & open_then & (both["state"] != "alarm")
    return both[hit].sort_values("at")[[*record.columns, "month"]].reset_index(drop=True)
