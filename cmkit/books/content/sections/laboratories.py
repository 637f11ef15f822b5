"""Can the laboratories be believed? What blind duplicates say of each, and of one against another."""

import json
from typing import Any

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.markup import Column, Html, folded, join, nothing, paragraph, table, tag
from cmkit.books.content.wording import (
    NBSP,
    analyte_name,
    analyte_unit,
    chance,
    count,
    number,
    plain,
    quantity,
    sentence,
    short_day,
)
from cmkit.practice.laboratories import BIASED, FEW, WIDE
from cmkit.records.turnaround import constant

_MOST_PAIRS = 25


def laboratories(book: Book) -> Html:
    """What was found first, then every result compared, then the pairs of the last year."""
    rows, title = book.tables.laboratory_pairs, tag("h3", "Do the laboratories agree?")
    if not len(rows):
        return join([title, nothing(_none_yet()), _accepted(book)])
    found = rows[rows["found"].isin([BIASED, WIDE])].sort_values("found", kind="stable")
    lead = paragraph(_lead(rows))
    named = table(
        ["Result", "Laboratory", "What the pairs say"],
        [[sentence(analyte_name(r.analyte)).rstrip("."), _whose(r), sentence(plain(r.words))] for r in
        found.itertuples()],
        "Biases and scatter worth a call to the laboratory",
        class_="text",
    )  # fmt: skip
    parts = [title, lead, named if len(found) else nothing("Nothing beyond chance was found.")]
    return join([*parts, _accepted(book), _to_accept(rows), _all(rows), _pairs(book)])


def _none_yet() -> str:
    share = constant("duplicate_share")
    return (
        "No two bottles of one draw are on record, so nothing can be said of the laboratories by pairs. Plan blind "
        f"duplicates: duplicate_share = {share:g} under [sampling] in fleet.toml gives {chance(share)} of a round a "
        "second bottle; where there are two laboratories, send some of them to the other one."
    )


def _lead(rows: pd.DataFrame) -> str:
    biased, wide = (rows[rows["found"] == word] for word in (BIASED, WIDE))
    judged = rows[rows["found"] != FEW]
    words = f"{count(int(rows['n'].max()), 'pair')} at most of one result; {count(len(judged), 'comparison')} judged"
    words += f", {count(len(biased), 'bias', 'biases')} found" + (
        f", {count(len(wide), 'result')} that {'scatters' if len(wide) == 1 else 'scatter'} more than published"
        if len(wide)
        else ""
    )
    return (
        f"{words}. Looked at every month, one clean fleet in {1 / constant('bias_false_calls'):.0f} at most would ever "
        "be accused. No result on record is changed because of it, unless the lead accepts a factor. Wear rates are "
        "compared on one scale, as learnt from all bottles of each laboratory."
    )


def _accepted(book: Book) -> Html:
    """Factors in use: of which laboratory and result, since when, by whose decision, how many results carry it."""
    rows = book.tables.factored_results
    if not len(rows):
        return Html("")
    keys = ["lab", "analyte", "factor", "from_on", "accepted_on", "accepted_by", "reason"]
    cells = [
        [sentence(analyte_name(a)).rstrip("."), lab, number(factor), short_day(start), f"{len(own):,}",
         f"{plain(who)}, {short_day(day)}", sentence(plain(why))]
        for (lab, a, factor, start, day, who, why), own in rows.groupby(keys, sort=True)
    ]  # fmt: skip
    factor, changed = Column("Factor", True), Column("Results changed", True)
    heads = ["Result", "Laboratory", factor, "Reports from", changed, "Accepted by", "Why"]
    made = table(heads, cells, "Accepted factors: what these results are multiplied by", class_="text")
    undo = "Take its lines out of [laboratory_factors] in fleet.toml, and the results are as reported again."
    return join([made, paragraph(undo, class_="note")])


def _to_accept(rows: pd.DataFrame) -> Html:
    """Of biases whose laboratory a third one tells: the lines that would accept a correction, which nothing but the
    lead's hand puts there."""
    named = rows[(rows["found"] == BIASED) & (rows["suspect"] != "")]
    lines = []
    for r in named.itertuples():
        factor = 1 / (1 + r.bias) if r.suspect == r.other_lab else 1 + r.bias
        lines.append(
            f"[laboratory_factors.{json.dumps(r.suspect)}]\n{r.analyte} = {{ factor = {factor:.3g}, "
            f'from_on = "{r.since:%Y-%m-%d}", accepted_on = "...", accepted_by = "...", reason = "..." }}'
        )
    if not lines:
        return Html("")
    words = "After a reference material has confirmed it, the lead may accept a correction by these lines in fleet.toml"
    return folded(f"{words}: {len(lines)}", tag("pre", "\n".join(lines), tabindex="0"))


def _whose(r: Any) -> str:
    return r.lab if r.lab == r.other_lab else f"{r.lab} and {r.other_lab}"


def _all(rows: pd.DataFrame) -> Html:
    """Every comparison with its interval and the published precision."""
    cells = [
        [
            sentence(analyte_name(r.analyte)).rstrip("."),
            _whose(r),
            f"{r.n:,}",
            quantity(r.level, analyte_unit(r.analyte)),
            _with_interval(r.bias, r.bias_low, r.bias_high, signed=True),
            _with_interval(r.spread, r.spread_low, r.spread_high),
            chance(r.published),
            r.found,
        ]
        for r in rows.itertuples()
    ]
    heads = ["Result", "Laboratory", Column("Pairs", True), Column("Middle level", True), "Second over first",
             "Scatter of one result", "Published", "Found"]  # fmt: skip
    caption = (
        "Results compared: bias and scatter with 90 % intervals; published: standard deviation by the method's "
        "precision at that level, from memory where reference/precision.csv says so"
    )
    return folded(f"All comparisons: {len(rows):,}", table(heads, cells, caption, class_="text narrow"))


def _with_interval(value: float, low: float, high: float, signed: bool = False) -> str:
    if pd.isna(value):
        return "-"
    form = "+.0f" if signed else ".0f"
    return f"{100 * value:{form}}{NBSP}% ({100 * low:{form}} to {100 * high:{form}})"


def _pairs(book: Book) -> Html:
    rows = book.tables.duplicates
    if not len(rows):
        return nothing("No pair was drawn in the last year.")
    cells = [
        [f"{r.sample} and {r.other}", book.linked(r.compartment), short_day(r.drawn_on), sentence(plain(r.words))]
        for r in rows.head(_MOST_PAIRS).itertuples()
    ]
    more = f", the newest {_MOST_PAIRS} of {len(rows)}" if len(rows) > _MOST_PAIRS else ""
    made = table(
        ["Bottles", "Compartment", "Drawn", "What they show"], cells, f"Pairs of one draw{more}", class_="text"
    )
    return folded(f"Pairs of the last year: {len(rows):,}", made)
