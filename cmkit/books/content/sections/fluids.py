"""What do the fluids need? Changes on condition, cleaning, coolants in their order of work, drums and mixtures."""

from typing import Any

import numpy as np
import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.markup import Column, Html, folded, join, long_table, nothing, paragraph, tag
from cmkit.books.content.sections.deliveries import deliveries
from cmkit.books.content.wording import (
    NBSP,
    analyte_name,
    analyte_unit,
    count,
    hours,
    listed,
    money,
    plain,
    quantity,
    sentence,
    short_day,
)
from cmkit.practice.changes import EXTEND, NOT_JUDGED, NOW, SETTLE, SHORTEN
from cmkit.practice.cleaning import AGAIN, CLEAN, NOT_COUNTED
from cmkit.practice.cleaning import SETTLE as SETTLE_FIRST
from cmkit.practice.coolants import HIGH, LOW, NOT_KNOWN, UNTESTED

CAUTION = (
    "Fluid at work is hot and under pressure, coolant and its additives harm skin and eyes, and used fluid is waste to "
    "be caught. Let machines cool, isolate them by the site's procedure, wear gloves and eye protection, and keep to "
    "the sheet of the fluid. The makers of the machine and of the fluid decide on intervals, doses and mixtures; an "
    "interval is extended with their consent only, as a warranty may hang on it."
)
_ACTS = {NOW: 0, SHORTEN: 1, SETTLE: 2, EXTEND: 3}


def fluid_care(book: Book) -> Shown:
    """Drums, mixtures and deliveries first, as others are at risk by them, then changes, cleaning and coolants."""
    caution = paragraph(CAUTION, class_="caution")
    return shown(join([caution, _wrong(book), deliveries(book), _changes(book), _cleaning(book), _coolants(book)]))


def _wrong(book: Book) -> Html:
    """Wrong drums, grades, top-ups and leaks between compartments."""
    stock, mixed = book.tables.stock, book.tables.mixed_fluids
    title = tag("h3", "Is it the right fluid?")
    if not len(stock) and not len(mixed):
        return join([title, nothing("No wrong drum, grade, top-up or leak between compartments was found.")])
    cells = [
        [f"{r.product}{'' if book.site else f', {book.site_names.get(r.site, r.site)}'}", r.what, short_day(r.since),
         sentence(plain(r.words))]
        for r in stock.itertuples()
    ]  # fmt: skip
    cells += [
        [book.linked(r.compartment), r.what, short_day(r.on), sentence(plain(r.words))]
        for r in mixed.sort_values("on", ascending=False, kind="stable").itertuples()
    ]
    heads = ["Fluid or compartment", "What was found", "Since", "Why, and what to do"]
    return join([title, long_table(heads, cells, "Fluids that are not what they should be", "text")])


def change_rows(book: Book) -> pd.DataFrame:
    """Rows of the table `changes` that ask for something: change now, shorten, settle first, extend; the most urgent
    first.
    """
    rows = book.tables.changes
    rows = rows[rows["advice"].isin(list(_ACTS))]
    order = rows["advice"].map(_ACTS).astype(float)
    return rows.assign(_order=order, _left=rows["left_h"].fillna(np.inf)).sort_values(
        ["_order", "_left", "compartment"]
    )


def _changes(book: Book) -> Html:
    rows, asked = book.tables.changes, change_rows(book)
    title = tag("h3", "When to change it")
    if not len(rows):
        return join([title, nothing("No compartment is at work.")])
    silent = int((rows["advice"] == NOT_JUDGED).sum())
    if silent == len(rows):
        why = "no result that ages them has a fixed limit and bottles enough"
        return join([title, nothing(f"No fluid could be judged: {why}. The intervals stay as they are.")])
    parts = [title, paragraph(_change_lead(book, asked, len(rows), silent))]
    urgent, extend = asked[asked["advice"] != EXTEND], asked[asked["advice"] == EXTEND]
    if len(urgent):
        parts.append(_change_table(book, urgent, "Fluids that do not last their interval, or wait for an alarm"))
    else:
        parts.append(nothing("No fluid that could be judged needs changing before its day."))
    if len(extend):
        made = _change_table(book, extend, "Fluids that would last longer than today's interval")
        parts.append(folded(f"Would last longer: {len(extend):,}", made))
    return join(parts)


def _change_lead(book: Book, asked: pd.DataFrame, n: int, silent: int) -> str:
    words = [
        f"{int((asked['advice'] == a).sum()):,} to {a}" for a in (NOW, SHORTEN, EXTEND) if (asked["advice"] == a).any()
    ]
    lead = f"Of {count(n, 'fluid')}, {listed(words) if words else 'none asks for another interval'}"
    lead += (
        f"; {silent:,} could not be judged, as nothing that ages them has a fixed limit and bottles enough"
        if silent
        else ""
    )
    late = asked[(asked["advice"] == EXTEND) & asked["saving"].notna()]
    if len(late):
        low, middle, high = (late[c].sum() for c in ("saving_low", "saving", "saving_high"))
        each = f"{money(middle / len(late), book.currency)} per 1,000{NBSP}h of work and compartment"
        lead += (
            f". Extending all of the {len(late):,} saves {each} in the mean, by what changes cost on record (90{NBSP}% "
            f"interval {money(low / len(late), '')} to {money(high / len(late), book.currency)})"
        )
    return lead + "."


def _change_table(book: Book, rows: pd.DataFrame, caption: str) -> Html:
    cells = [
        [
            book.linked(r.compartment),
            r.advice,
            hours(r.fluid_h),
            _left(r),
            f"{hours(r.change_every_h)} today, {hours(r.allowed_h) if r.allowed_h > 0 else 'none'} by its results",
            f"{money(r.saving, book.currency)} ({money(r.saving_low, '')} to {money(r.saving_high, '')})"
            if pd.notna(r.saving)
            else "-",
            sentence(plain(r.words)),
        ]
        for r in rows.itertuples()
    ]
    heads = ["Compartment", "What to do", Column("On it now", True), Column("Hours left, 90 % interval", True),
             "Interval", Column("Saved per 1,000 h", True), "Why"]  # fmt: skip
    return long_table(heads, cells, caption, "text", machines=book.machines_of(rows["compartment"]))


def _left(r: Any) -> str:
    if not np.isfinite(r.left_h):
        return f"more than {hours(max(r.left_low_h, 0))}" if np.isfinite(r.left_low_h) else "far from its limit"
    if r.left_h <= 0:
        return "most likely past its limit"
    high = hours(r.left_high_h) if np.isfinite(r.left_high_h) else "longer"
    return f"{hours(max(r.left_h, 0))} ({max(r.left_low_h, 0):,.0f} to {high})"


def _cleaning(book: Book) -> Html:
    rows = book.tables.cleanliness
    title = tag("h3", "Is it clean enough?")
    if not len(rows):
        return join([title, nothing("No compartment here has a cleanliness target.")])
    counted = rows[rows["advice"] != NOT_COUNTED]
    if not len(counted):
        return join([title, nothing("No compartment with a cleanliness target has a believed particle count.")])
    ask = counted[counted["advice"].isin([CLEAN, AGAIN, SETTLE_FIRST]) | counted["worked"].isin(["no cleaner"])]
    over = int((counted["over"] > 0).sum())
    lie = "lies" if over == 1 else "lie"
    lead = f"{over:,} of {count(len(counted), 'compartment')} with particle counts {lie} over the target"
    lead += f"; {len(rows) - len(counted):,} with a target have no believed count" if len(rows) > len(counted) else ""
    if not len(ask):
        return join([title, paragraph(f"{lead}."), nothing("None asks for cleaning.")])
    order = ask.assign(_first=~ask["advice"].isin([CLEAN, SETTLE_FIRST])).sort_values(
        ["_first", "over"], ascending=[True, False], kind="stable"
    )
    cells = [
        [book.linked(r.compartment), r.advice, r.code, r.target, f"{r.bottles_over:,}", sentence(plain(r.words))]
        for r in order.itertuples()
    ]
    heads = ["Compartment", "What to do", "Newest code", "Target", Column("Bottles over it running", True), "Why"]
    caption = "Cleanliness by ISO 4406 against the target of each compartment"
    return join([title, paragraph(f"{lead}."), long_table(heads, cells, caption, "text")])


def _coolants(book: Book) -> Html:
    rows = book.tables.coolants
    title = tag("h3", "The coolants")
    if not len(rows):
        return join([title, nothing("No coolant is on record.")])
    off = rows[rows["found"].isin([LOW, HIGH])]
    unknown = rows.loc[rows["chemistry"] == NOT_KNOWN, "compartment"].nunique()
    untested = sorted(
        set(rows.loc[rows["found"] == UNTESTED, "result"]) - set(rows.loc[rows["found"] != UNTESTED, "result"])
    )
    whole = count(rows["compartment"].nunique(), "coolant")
    wrong = off["compartment"].nunique()
    lead = f"{wrong:,} of {whole} out of range" if wrong else f"{whole} judged, none out of range"
    lead += (
        f". The name of {unknown:,} does not say its chemistry, so only strength and pH are judged" if unknown else ""
    )
    lead += f". Tested nowhere: {listed([_result(a) for a in untested], 9)}" if untested else ""
    if not len(off):
        none = nothing("By these ranges nothing is to be dosed.")
        return join([title, paragraph(f"{lead}."), none, _coolants_in_alarm(book)])
    cells = [
        [
            book.linked(r.compartment),
            f"{r.turn}",
            f"{_result(r.result)} {r.found}",
            _value(r),
            _range(r),
            sentence(r.act),
        ]
        for r in off.sort_values(["compartment", "turn"]).itertuples()
    ]
    heads = [
        "Coolant",
        Column("Turn", True),
        "What is off",
        Column("Found", True),
        "In range",
        "What to do, in this order",
    ]
    made = long_table(heads, cells, "Coolants out of range, by order of work", "text")
    return join([title, paragraph(f"{lead}."), made, _coolants_in_alarm(book)])


def _coolants_in_alarm(book: Book) -> Html:
    """Which coolants have an order of their own, so that "none out of range" is not read as all is well."""
    own = book.tables.verdicts
    standing = own.loc[(own["kind"] == "coolant") & (own["state"] == "alarm"), "compartment"]
    if not len(standing):
        return Html("")
    links = join([book.linked(c) for c in standing], ", ")
    return paragraph("In alarm, whatever these ranges say, so its order comes first: ", links, ".")


def _result(result: str) -> str:
    return {"nitrite_to_nitrate": "nitrite to nitrate"}.get(result, analyte_name(result).removesuffix("_ppm"))


def _value(r: Any) -> str:
    return quantity(r.value, analyte_unit(r.result))


def _range(r: Any) -> str:
    low, high = (quantity(v, analyte_unit(r.result)) if pd.notna(v) else "" for v in (r.low, r.high))
    return f"{low} to {high}" if low and high else f"{low} or more" if low else f"{high} at most"


def left_against_right(book: Book) -> Shown:
    """Compartments that give off more metal than their twin or sisters, then how many were compared."""
    rows = book.tables.twins
    if not len(rows):
        return shown(nothing("No compartment has a twin or sisters with bottles enough to be compared."))
    called = rows[rows["called"]].sort_values("statistic", ascending=False, kind="stable")
    give = "give" if len(called) > 1 else "gives"
    lead = (
        f"{count(len(rows), 'compartment')} compared with a twin on the same machine or sisters at the same site, "
        f"which share its load, dust and season; {len(called) or 'none'} of them {give} off more metal than theirs. "
        "Chance alone makes about one bottle in 930 say so."
    )
    if not len(called):
        return shown(paragraph(lead), nothing("Nothing to look at."))
    cells = [
        [book.linked(r.compartment), f"{r.ratio:.2f} ({r.ratio_low:.2f} to {r.ratio_high:.2f})", short_day(r.since),
         sentence(plain(r.words))]
        for r in called.itertuples()
    ]  # fmt: skip
    heads = ["Compartment", Column("Times its twin, 90 % interval", True), "Since", "Why"]
    machines = book.machines_of(called["compartment"])
    made = long_table(
        heads,
        cells,
        "More metal than the twin or the sisters, against what was forecast for each",
        "text",
        machines=machines,
    )
    return shown(paragraph(lead), made)
