"""Who owns it? The owner of every alarm and order, and what came of what was decided."""

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.markup import Html, nothing, table
from cmkit.books.content.wording import count, plain, sentence, short_day

NOBODY = "nobody yet"
MOST_ROWS = 40


def owner(book: Book, compartment: str) -> str:
    """`A. Smith, accepted on 14 Jun 2026, known for 16 days` or `nobody yet, known for 16 days`; empty where nothing
    stands.
    """
    rows = book.of("open_work", compartment)
    if not len(rows):
        return ""
    r = next(rows.itertuples())
    old = "" if pd.isna(r.age_days) else f", known for {count(round(r.age_days), 'day')}"
    if not r.owner:
        return f"{NOBODY}{old}"
    late = f", was due on {short_day(r.due_on)}" if r.late else ""
    return f"{plain(r.owner)}, {r.decided} on {short_day(r.decided_on)}{late}{old}"


def owner_brief(book: Book, compartment: str) -> str:
    """`owner: A. Smith, was due on 20 Jun 2026` or `no owner for 16 days`, for one line; empty where nothing stands."""
    rows = book.of("open_work", compartment)
    if not len(rows):
        return ""
    r = next(rows.itertuples())
    if not r.owner:
        return "no owner yet" if pd.isna(r.age_days) else f"no owner for {count(round(r.age_days), 'day')}"
    return f"owner: {plain(r.owner)}" + (f", was due on {short_day(r.due_on)}" if r.late else "")


def owner_line(book: Book, compartment: str) -> str:
    """The same as a sentence, with the reason where something was decided."""
    rows = book.of("open_work", compartment)
    if not len(rows):
        return ""
    r = next(rows.itertuples())
    why = f": {plain(r.why)}" if r.why else ""
    stands = "; the alarm stands until a look or clear bottles" if r.closed and r.about == "alarm" else ""
    return f"Owner: {owner(book, compartment)}{why}{stands}"


def closed(book: Book) -> set[str]:
    """Compartments whose order a decision has closed."""
    work = book.tables.open_work
    return set(work.loc[work["closed"], "compartment"])


def decisions_table(book: Book) -> Html:
    """Every decision, the newest first, with what its alarm came to: an overruled one keeps its reason beside what was
    found.
    """
    rows = book.tables.decided
    if not len(rows):
        return nothing("No decision is written down yet: `cmkit decide`, or the desk's review, does it.")
    cells = [
        [
            book.linked(r.compartment),
            short_day(r.alarm_on) if pd.notna(r.alarm_on) else "no alarm",
            f"{r.decided} on {short_day(r.decided_on)}",
            plain(r.owner),
            plain(r.why),
            short_day(r.due_on) if pd.notna(r.due_on) else "-",
            sentence(plain(r.became)).rstrip("."),
        ]
        for r in rows.head(MOST_ROWS).itertuples()
    ]
    more = f", the newest {MOST_ROWS} of {len(rows)}" if len(rows) > MOST_ROWS else ""
    heads = ["Compartment", "Bottle of", "Decided", "Owner", "Why", "Due", "What came of the alarm"]
    return table(heads, cells, f"Decisions{more}", class_="text")
