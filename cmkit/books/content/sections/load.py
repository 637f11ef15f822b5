"""Are hours the right measure of work? Wear by the hour beside wear by fuel burnt or tonnes moved."""

from typing import Any

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.markup import Column, Html, folded, join, nothing, paragraph, table, tag
from cmkit.books.content.wording import NBSP, analyte_name, count, family_name, number, sentence
from cmkit.practice.load import BY_HOURS, BY_LOAD, FEW

_UNIT = {"fuel": "litres of fuel", "tonnes": "tonnes moved"}
_SAYS = {
    BY_LOAD: "wear goes by {unit} more than by hours: machines that work harder wear faster than their hours say",
    FEW: "too few intervals or machines to say",
    BY_HOURS: "wear goes by hours more than by {unit}: hours are the right measure",
}


def by_load(book: Book) -> Html:
    """What each family's record says, then the rates both ways; nothing where no such counter is on record."""
    rows = book.tables.load_rates
    if not len(rows):
        return Html("")
    whole = rows.drop_duplicates(["site", "family", "load"])
    lead = (
        "Where meter readings carry a counter of fuel or tonnes, wear between two bottles is held against it. Power: 0 "
        "where wear goes by the hour whatever the load, 1 where it goes by the load. Spread: of the rate within "
        "compartments, the smaller the better the measure. Where a kind of compartment shows it clearly over the whole "
        "fleet, its rates count hours at each machine's usual work, and its page says so; else all hours alike."
    )
    told = whole[whole["found"] != FEW]
    few = len(whole) - len(told)
    silent = nothing(f"{sentence(_SAYS[FEW]).rstrip('.')}: {count(few, 'family', 'families')}.") if few else Html("")
    title = tag("h3", "By the hour or by the load?")
    if not len(told):
        return join([title, silent])
    cells = [
        [
            _place(book, r),
            _UNIT[r.load],
            f"{r.n:,} on {count(r.machines, 'machine')}",
            "-" if pd.isna(r.power) else f"{r.power:.2f} ({r.power_low:.2f} to {r.power_high:.2f})",
            _percent(r.spread_hours),
            _percent(r.spread_load),
            sentence(_SAYS.get(r.found, r.found).format(unit=_UNIT[r.load])),
        ]
        for r in told.itertuples()
    ]
    figures = ("Intervals", "Power, 90 % interval", "Spread by hours", "Spread by load")
    heads = ["Family", "Against", *(Column(text, True) for text in figures), "What it says"]
    made = table(heads, cells, "Hours or load", class_="text narrow", hide_caption=True)
    return join([title, paragraph(lead), made, silent, _each(book, rows)])


def _place(book: Book, row: Any) -> str:
    name = family_name(row.family)
    return name if book.site else f"{name}, {book.site_names.get(row.site, row.site)}"


def _percent(spread: float) -> str:
    return "-" if pd.isna(spread) else f"{100 * spread:.0f}{NBSP}%"


def _each(book: Book, rows: pd.DataFrame) -> Html:
    """Rates of every metal both ways, of families with enough on record."""
    rows = rows[rows["found"] != FEW]
    if not len(rows):
        return Html("")
    cells = [
        [
            f"{sentence(analyte_name(r.analyte)).rstrip('.')}, {_place(book, r)}",
            *(f"{number(rate)} ppm" for rate in (r.rate_by_hours, r.rate_by_load)),
            _UNIT[r.load],
        ]
        for r in rows.itertuples()
    ]
    heads = ["Metal and family", Column("Per 1,000 h", True), Column("Per 1,000 of the load", True), "Load"]
    return folded(f"Rates both ways: {len(cells):,}", table(heads, cells, "Middle rates", class_="text narrow"))
