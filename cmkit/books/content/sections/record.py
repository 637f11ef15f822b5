"""Did past alarms help? What was published, as it was said; and by today's numbers alarms against what was found, lead
time and money.
"""

from typing import Any

import pandas as pd
from scipy.stats import beta

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.markup import Column, Html, facts, long_table, nothing, paragraph, tag
from cmkit.books.content.sections.owners import decisions_table
from cmkit.books.content.wording import (
    NBSP,
    analyte_name,
    chance,
    count,
    hours,
    listed,
    money,
    month_name,
    plain,
    sentence,
    short_day,
)
from cmkit.judge.faults import fault
from cmkit.practice.published import published_alarms, published_outcomes, said_in, said_otherwise, unpublished_alarms

MOST_ROWS = 25
_EVEN = 0.5
_BY_CHANCE = 0.15  # own choice: below it an alarm was raised by a limit or the level, not by a chance
_OUTCOMES = {"defect": "defect found", "failed": "failed", "no defect": "nothing wrong found"}
_FIELDS = {"state": "state", "cause": "likeliest fault", "sample": "newest bottle"}


def share_with_interval(hits: int, of: int) -> str:
    """`7 of 9, 78 % (90 % interval 51 to 94 %)`; Jeffreys' interval of a proportion (Brown, Cai and DasGupta 2001, from
    memory).
    """
    if not of:
        return "none to count yet"
    low = 0.0 if hits == 0 else float(beta.ppf(0.05, hits + 0.5, of - hits + 0.5))
    high = 1.0 if hits == of else float(beta.ppf(0.95, hits + 0.5, of - hits + 0.5))
    return f"{hits:,} of {of:,}, {chance(hits / of)} (90{NBSP}% interval {100 * low:.0f} to {100 * high:.0f}{NBSP}%)"


def record_facts(book: Book) -> list[tuple[str, object]]:
    """The record in a few lines: alarms confirmed, failures warned of, lead time, money."""
    rows = book.tables.record
    alarms = rows[rows["alarm_on"].notna()]
    looked = alarms[alarms["outcome"].isin(["defect", "failed", "no defect"])]
    right = looked[looked["outcome"].isin(["defect", "failed"])]
    failures = rows[rows["outcome"] == "failed"]
    warned = failures[failures["alarm_on"].notna()]
    lead = right["lead_h"].dropna()
    waiting = int((alarms["outcome"] == "waiting").sum())
    out: list[tuple[str, object]] = [
        (
            "Alarms raised",
            f"{len(alarms):,}: {len(looked):,} looked into, {waiting:,} waiting, "
            f"{len(alarms) - len(looked) - waiting:,} closed without a look",
        ),
        ("Confirmed, of those looked into", share_with_interval(len(right), len(looked))),
        ("Failures that had a warning", share_with_interval(len(warned), len(failures))),
    ]
    if len(lead):
        out.append(
            (
                "Hours from alarm to finding",
                f"{hours(lead.median())} in the middle, {hours(lead.min())} to {hours(lead.max())}",
            )
        )
    out.append(
        (
            "Cost of what was found",
            money(float(rows["cost"].sum()), book.currency) + ", as recorded, downtime at the site's rate",
        )
    )
    return out


def our_record(book: Book) -> Shown:
    """Alarms as they were published, then by today's numbers the facts and every alarm and failure, newest first."""
    parts = [
        tag("h3", "As published"),
        *_published(book),
        tag("h3", "Decided"),
        decisions_table(book),
        tag("h3", "By today's numbers"),
    ]
    rows = book.tables.record
    if not len(rows):
        return shown(*parts, nothing("No alarm and no failure is on record yet."))
    above = (
        " An alarm that today's numbers would not raise is not counted here: the share as published, above, is the one "
        "to judge us by."
    )
    note = paragraph(
        "What the records known on each day give by the numbers and limits of today, which is not always "
        f"what was published then.{above if len(book.published) else ''} Each alarm counts from the day its result "
        "reached the office. An alarm nobody looked into says nothing for or against, so it is left out of the shares.",
        class_="note",
    )
    newest = rows.assign(_on=rows["alarm_on"].fillna(rows["found_on"])).sort_values(
        ["_on", "compartment"], ascending=[False, True]
    )
    late = unpublished_alarms(rows, book.published)
    marked = {(r.compartment, r.alarm_on): month_name(r.month) for r in late.itertuples()}
    cells = [
        [
            book.linked(r.compartment),
            short_day(r.alarm_on) if pd.notna(r.alarm_on) else "no alarm",
            raised_by(book, r) + _not_in_the_book(marked.get((r.compartment, r.alarm_on), "")),
            sentence(plain(r.words)).rstrip(".") + (f": {r.cause}" if r.cause else ""),
            short_day(r.found_on),
            hours(r.lead_h),
            money(r.cost, book.currency),
        ]
        for r in newest.head(MOST_ROWS).itertuples()
    ]
    more = f", the newest {MOST_ROWS} of {len(rows)}" if len(rows) > MOST_ROWS else ""
    columns = [
        "Compartment",
        "Bottle of",
        "Alarm because of",
        "What came of it",
        "Found",
        Column("Lead", True),
        Column("Cost", True),
    ]
    machines = book.machines_of(newest["compartment"].head(MOST_ROWS))
    made = long_table(columns, cells, f"Alarms and failures{more}", "text", machines=machines)
    return shown(*parts, facts(record_facts(book)), note, made)


def _not_in_the_book(month: str) -> str:
    return f"; by today's numbers, the book of {month} showed no alarm" if month else ""


def raised_by(book: Book, row: Any) -> str:
    """What an alarm of the record was about: the likeliest fault after its first bottle, with the chance of any where
    its own is below an even one; else the results that raised it.
    """
    if pd.isna(row.alarm_on):
        return "-"
    chances = book.of("bottle_chances", row.compartment)
    own = chances[chances["sample"] == row.sample]
    if len(own) and own["cause"].iloc[0] and own["p_fault"].iloc[0] >= _BY_CHANCE:
        said, alone = fault(own["kind"].iloc[0], own["cause"].iloc[0]).said, own["p_cause"].iloc[0]
        if alone >= _EVEN:
            return f"{chance(alone)} that {said}"
        return f"{chance(own['p_fault'].iloc[0])} that something is wrong; likeliest that {said}"
    words = [analyte_name(a) for a in str(row.analytes).split(", ") if a]
    return listed(words, 4) or "a limit or the fluid level"


def _published(book: Book) -> list[Html]:
    """Alarms that earlier books showed, each with its own day, and what last month's book would say otherwise today."""
    if not len(book.published):
        return [nothing("No earlier book of this fleet is kept beside this one; from now on each month's is.")]
    alarms = published_outcomes(published_alarms(book.published), book.tables.findings)
    months = book.published["month"].nunique()
    lead = paragraph(f"From {count(months, 'earlier book')}, quoted as it was said then.", class_="note")
    if not len(alarms):
        return [lead, nothing("None of them showed an alarm."), *_otherwise(book)]
    newest = alarms.sort_values(["alarm_on", "compartment"], ascending=[False, True], kind="stable")
    cells = [
        [
            book.linked(r.compartment),
            short_day(r.alarm_on),
            _said(book, r),
            f"{r.months:,}, to {month_name(r.until)}",
            _found_since(r),
        ]
        for r in newest.head(MOST_ROWS).itertuples()
    ]
    more = f", the newest {MOST_ROWS} of {len(alarms)}" if len(alarms) > MOST_ROWS else ""
    heads = ["Compartment", "First published", "What was said", "Books it stood in", "Found since"]
    machines = book.machines_of(newest["compartment"].head(MOST_ROWS))
    made = long_table(heads, cells, f"Alarms as published{more}", "text", machines=machines)
    return [lead, facts(_published_facts(alarms)), made, *_otherwise(book)]


def _said(book: Book, alarm: Any) -> str:
    kind = str(book.places.loc[alarm.compartment, "kind"]) if alarm.compartment in book.places.index else ""
    return f"{chance(alarm.chance)} that something is wrong" + (
        f"; likeliest that {fault(kind, alarm.cause).said}" if alarm.cause else ""
    )


def _found_since(alarm: Any) -> str:
    """What answered a published alarm."""
    if alarm.outcome == "waiting":
        return "nothing on record"
    return f"{short_day(alarm.found_on)}: {_OUTCOMES[alarm.outcome]}" + (f", {alarm.found}" if alarm.found else "")


def _published_facts(alarms: pd.DataFrame) -> list[tuple[str, object]]:
    """How many published alarms were looked into, and confirmed: what was said then counts, whatever is known since."""
    looked = alarms[alarms["outcome"] != "waiting"]
    right = looked[looked["outcome"] != "no defect"]
    return [
        ("Alarms published", f"{len(alarms):,}: {len(looked):,} answered by a finding"),
        ("Confirmed, of those", share_with_interval(len(right), len(looked))),
    ]


def _otherwise(book: Book) -> list[Html]:
    """Where last month's book, counted by today's numbers, would have said something else."""
    last = f"{book.last_month_end:%Y-%m}"
    if not (book.published["month"] == last).any():
        return []
    before = book.tables.before
    nothing_ordered = before[["compartment"]].assign(work="", group="", due_on=pd.NaT)
    said = said_in(
        last, book.last_month_end, before, nothing_ordered, before[["compartment"]].assign(cost_of_waiting=float("nan"))
    )
    rows = said_otherwise(book.published, said)
    rows = rows[
        rows["field"].isin(["state", "sample"]) | (rows["field"].eq("cause") & rows["compartment"].isin(book.paged_set))
    ]
    if not len(rows):
        return [
            paragraph(f"By today's numbers the book of {month_name(last)} would show the same states.", class_="note")
        ]
    cells = [
        [book.linked(r.compartment), _FIELDS[r.field], r.said or "none", r.now or "none"]
        for r in rows.head(MOST_ROWS).itertuples()
    ]
    more = f", the first {MOST_ROWS} of {len(rows)}" if len(rows) > MOST_ROWS else ""
    heads = ["Compartment", "What", "As published", "By today's numbers"]
    caption = f"What the book of {month_name(last)} would say otherwise today{more}"
    return [long_table(heads, cells, caption, "text", machines=book.machines_of(rows["compartment"].head(MOST_ROWS)))]
