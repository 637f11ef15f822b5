"""What was delivered? The register of fresh-fluid batches: what differs first, then every batch and where it went."""

from typing import Any

import numpy as np
import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.markup import Column, Html, folded, join, long_table, nothing, paragraph, tag
from cmkit.books.content.wording import analyte_name, analyte_unit, count, listed, plain, quantity, sentence, short_day
from cmkit.practice.batches import ALONE, CHANGED, DIFFERS, NO_RESULT, OFF_GRADE, UNREGISTERED, USUAL

_ASK = (OFF_GRADE, DIFFERS, CHANGED, NO_RESULT, UNREGISTERED)
_MOST_PLACES = 6


def deliveries(book: Book) -> Html:
    """The register of fresh fluids of the book's sites."""
    rows, title = book.tables.batches, tag("h3", "What was delivered?")
    if not len(rows):
        advice = (
            "No bottle of fresh fluid is on record. One from each delivery, in the table baselines, shows a wrong or "
        )
        return join([title, nothing(f"{advice}changed fluid before it is filled.")])
    ask = rows[rows["found"].isin(_ASK)]
    parts = [title, paragraph(_lead(rows))]
    if len(ask):
        ask = ask.assign(_first=ask["found"].map(_ASK.index)).sort_values("_first", kind="stable")
        parts.append(_table(book, ask, "Batches of fresh fluid that ask for something"))
    else:
        parts.append(nothing("No batch asks for anything."))
    rest = rows[~rows["found"].isin(_ASK)]
    if len(rest):
        made = _table(book, rest, "Batches of fresh fluid as usual, or with nothing to compare them with")
        parts.append(folded(f"The other batches: {len(rest):,}", made))
    return join(parts)


def _lead(rows: pd.DataFrame) -> str:
    registered = rows[rows["found"] != UNREGISTERED]
    numbers = {found: int((rows["found"] == found).sum()) for found in (OFF_GRADE, DIFFERS, CHANGED, USUAL, ALONE)}
    said = {
        OFF_GRADE: "not their grade",
        DIFFERS: "unlike the ones before",
        CHANGED: "of a fluid that has changed",
        USUAL: "as usual",
        ALONE: "with nothing to compare",
    }
    words = [f"{n:,} {said[found]}" for found, n in numbers.items() if n]
    measured = int((registered["bottles"] > 0).sum())
    lead = f"{count(len(registered), 'batch', 'batches')} on record, {measured:,} with a result"
    return f"{lead}: {listed(words)}." if words else f"{lead}."


def _table(book: Book, rows: pd.DataFrame, caption: str) -> Html:
    cells = [
        [
            f"{r.fluid} {r.grade}".strip() + ("" if book.site else f", {book.site_names.get(r.site, r.site)}"),
            r.batch,
            short_day(r.delivered_on) if pd.notna(r.delivered_on) else "-",
            r.found,
            sentence(_why(r)),
            _went(book, r),
            sentence(plain(r.words.rpartition("; ")[2])),
        ]
        for r in rows.itertuples()
    ]
    heads = [Column("Fluid"), "Batch", "Delivered", "What it comes to", "Why we say so", "Filled from it", "What to do"]
    return long_table(heads, cells, caption, "text")


def _why(r: Any) -> str:
    """The result that decides, beside what is usual or what the grade asks for."""
    if r.found == UNREGISTERED:
        return "A service names it"
    if not r.analyte:
        return f"{count(r.bottles, 'bottle')} with a result" if r.bottles else "No bottle of it has a result"
    unit = analyte_unit(r.analyte)
    name = analyte_name(r.analyte).removesuffix("_ppm")
    ends = f"{quantity(r.low, unit)} to {quantity(r.high, unit)}"
    beside = f"the grade asks for {ends}" if r.found == OFF_GRADE else f"usual {ends}"
    if r.found == USUAL:
        return f"Furthest off: {name} {quantity(r.value, unit)}, {beside}"
    others = [analyte_name(a).removesuffix("_ppm") for a in r.others.split()]
    also = f"; also {listed(others)}" if others else ""
    return f"{name} {quantity(r.value, unit)}, {beside}{also}. {_luck(r.by_luck)}"


def _luck(chance: float) -> str:
    if not np.isfinite(chance):
        return ""
    if chance < 1e-4:
        return "Chance alone makes fewer than 1 in 10,000 clean batches look so."
    return f"Chance alone makes 1 in {1 / chance:,.0f} clean batches look so."


def _went(book: Book, r: Any) -> str:
    places = [p for p in r.compartments.split("; ") if p]
    if not places:
        return "-"
    return f"{listed([book.place_name(p) for p in places], _MOST_PLACES)}, from {short_day(r.first_filled_on)} on"
