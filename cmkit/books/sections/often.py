"""How often is sampling worth it? Today's interval and the advised one, with the curve behind them."""

import pandas as pd

from cmkit.books.book import Book
from cmkit.books.figures.curves import cost_curves
from cmkit.books.markup import Column, nothing, paragraph, table
from cmkit.books.show import Item, Shown, shown
from cmkit.books.wording import chance, hours, money, sentence

CURVES_SHOWN = 4
MOST_ROWS = 40


def advice_rows(book: Book) -> pd.DataFrame:
    """Intervals with a name to show (the family's, or the compartment's), largest saving first."""
    rows = book.tables.intervals
    if not len(rows):
        return rows
    return _named(book, rows).sort_values(["saving", "name"], ascending=[False, True]).reset_index(drop=True)


def _named(book: Book, rows: pd.DataFrame) -> pd.DataFrame:
    """`name`: the compartment's where the row speaks of one, the family's otherwise."""
    if "compartment" in rows:
        own = rows["compartment"].fillna("").astype("str")
        family = rows["family"].astype("str") if "family" in rows else own
        return rows.assign(name=[book.place_name(c) if c else f for c, f in zip(own, family, strict=True)])
    return rows.assign(name=rows["family"].astype("str"))


def how_often(book: Book) -> Shown:
    """Advice by family or compartment, and the cost curves of those where it matters most."""
    rows = advice_rows(book)
    if not len(rows):
        return shown(nothing("No advice on intervals yet: too little is known of defects, findings and costs."))
    total = float(rows["saving"].clip(lower=0).sum())
    lead = paragraph(f"Where the advised interval differs from today's, following it is expected to save about {money(total, book.currency)} per 1,000 machine hours, summed over the rows below. The advice changes with costs, with how fast defects grow, and with what a bottle can show; a wide spread means it may not pay to change.")  # fmt: skip
    columns = ["For", Column("Today", True), Column("Advised", True), Column("Cost today", True), Column("Cost advised", True), Column("Saving", True),
               Column("9 in 10 between", True), "What binds", "Weight of assumptions", "In words"]  # fmt: skip
    cells = [
        [r.name_, hours(r.today_h), hours(r.advised_h) if pd.notna(r.advised_h) else "does not pay", money(r.cost_today, book.currency), money(r.cost_advised, book.currency),
         money(r.saving, book.currency), f"{money(r.saving_low, book.currency)} and {money(r.saving_high, book.currency)}", r.binds or "-", chance(r.prior_weight), sentence(r.words)]
        for r in rows.rename(columns={"name": "name_"}).head(MOST_ROWS).itertuples()
    ]  # fmt: skip
    out: list[Item] = [
        lead,
        table(
            columns,
            cells,
            "Sampling intervals, cost per 1,000 machine hours, largest saving first",
            class_="cards text",
        ),
    ]
    curves = book.tables.curves
    if len(curves):
        named = _named(book, curves)
        names = [n for n in rows["name"] if n in set(named["name"])][:CURVES_SHOWN]
        if names:
            kept = named[named["name"].isin(names)]
            kept = kept.assign(_at=kept["name"].map({n: i for i, n in enumerate(names)})).sort_values(
                ["_at", "every_h"]
            )
            out.append(cost_curves(kept, rows, book.currency))
    return shown(*out)
