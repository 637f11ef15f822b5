"""Did past alarms help? Alarms against what was found, failures without warning, lead time and money."""

import pandas as pd
from scipy.stats import beta

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.markup import Column, facts, nothing, paragraph, table
from cmkit.books.content.wording import NBSP, analyte_name, chance, hours, listed, money, short_day

MOST_ROWS = 25


def share_with_interval(hits: int, of: int) -> str:
    """`7 of 9, 78 % (90 % interval 51 to 94 %)`; Jeffreys' interval of a proportion (Brown, Cai and DasGupta 2001, from memory)."""
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
            f"{len(alarms):,}: {len(looked):,} looked into, {waiting:,} waiting, {len(alarms) - len(looked) - waiting:,} closed without a look",
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
    """Facts first, then every alarm and failure, newest first."""
    rows = book.tables.record
    if not len(rows):
        return shown(nothing("No alarm and no failure is on record yet."))
    note = paragraph("Each alarm counts from the day its result reached the office, judged on what was known then. An alarm nobody looked into says nothing for or against, so it is left out of the shares.", class_="note")  # fmt: skip
    newest = rows.assign(_on=rows["alarm_on"].fillna(rows["found_on"])).sort_values(
        ["_on", "compartment"], ascending=[False, True]
    )
    cells = [
        [book.linked(r.compartment), short_day(r.alarm_on) if pd.notna(r.alarm_on) else "no alarm", _analytes(r.analytes), r.words + (f": {r.cause}" if r.cause else ""),
         short_day(r.found_on), hours(r.lead_h), money(r.cost, book.currency)]
        for r in newest.head(MOST_ROWS).itertuples()
    ]  # fmt: skip
    more = f", the newest {MOST_ROWS} of {len(rows)}" if len(rows) > MOST_ROWS else ""
    columns = ["Compartment", "Alarm of", "On", "What came of it", "Found", Column("Lead", True), Column("Cost", True)]
    return shown(facts(record_facts(book)), note, table(columns, cells, f"Alarms and failures{more}", class_="text"))


def _analytes(names: str) -> str:
    words = [analyte_name(a) for a in str(names).split(", ") if a]
    return listed(words, 4) or "-"
