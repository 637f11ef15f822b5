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
    columns = [
        "For",
        Column("Today", True),
        Column("Advised", True),
        Column("Saving", True),
        "9 in 10 between",
        "What binds",
        "Why",
    ]
    cells = [_advice(book, r) for r in rows.rename(columns={"name": "name_"}).head(MOST_ROWS).itertuples()]
    out: list[Item] = [
        lead,
        table(
            columns,
            cells,
            f"Sampling intervals and the saving per 1,000 machine hours, {book.currency}; largest first",
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


def _advice(book: Book, row) -> list[object]:
    """Cells of one family's or compartment's advice."""
    advised = hours(row.advised_h) if pd.notna(row.advised_h) else "does not pay"
    weight = f" {chance(row.prior_weight)} of this rests on assumptions." if pd.notna(row.prior_weight) else ""
    spread = f"{money(row.saving_low, '')} and {money(row.saving_high, '')}"
    return [
        row.name_,
        hours(row.today_h),
        advised,
        money(row.saving, ""),
        spread,
        row.binds or "-",
        sentence(row.words) + weight,
    ]
