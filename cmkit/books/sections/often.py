"""How often is sampling worth it? Today's interval and the advised one, with the curve behind them."""

import numpy as np
import pandas as pd

from cmkit.books.book import Book
from cmkit.books.figures.curves import cost_curves
from cmkit.books.markup import Column, Html, folded, nothing, paragraph, table
from cmkit.books.show import Item, Shown, shown
from cmkit.books.wording import hours, money, plain, sentence

CURVES_SHOWN = 3
SHOWN_ROWS = 12


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
    """Advice by family or compartment where it differs from today's, and the cost curves of those where it matters most."""
    rows = advice_rows(book)
    if not len(rows):
        return shown(nothing("No advice on intervals yet: too little is known of defects, findings and costs."))
    other = ~np.isclose(rows["advised_h"], rows["today_h"])
    change = rows[other & (rows["saving"] > 0)]
    total, sure = float(change["saving"].sum()), int((change["saving_low"] > 0).sum())
    lead = paragraph(
        f"For {len(change):,} of {len(rows):,}, another interval than today's is expected to cost less: together about "
        f"{money(total, book.currency)} per 1,000 machine hours. For {sure:,} the saving is likely to be real (all of its 90 % interval is above nothing); "
        "for the rest today's interval lies on the flat stretch of the curve, and changing it hardly matters."
    )
    out: list[Item] = [lead]
    if len(change):
        caption = f"Where another interval is expected to cost less; saving per 1,000 machine hours, {book.currency}, largest first"
        out.append(_table(book, change.head(SHOWN_ROWS), caption))
    rest = rows.drop(index=change.index[:SHOWN_ROWS])
    if len(rest):
        words = f"{len(rest):,} more: today's interval is as good, or the saving is small"
        out.append(folded(words, _short(rest)))
    return shown(*out, *_curves(book, change if len(change) else rows))


def _table(book: Book, rows: pd.DataFrame, caption: str) -> Html:
    columns = ["For", Column("Today", True), Column("Advised", True), Column("Saving", True), "9 in 10 between", "What binds", "Why, and what would change it"]  # fmt: skip
    cells = [_advice(r) for r in rows.rename(columns={"name": "name_"}).itertuples()]
    return table(columns, cells, caption, class_="cards text")


def _short(rows: pd.DataFrame) -> Html:
    """The rows nobody needs to act on, without their reasons (these are in the table `intervals`)."""
    heads = ["For", Column("Today", True), Column("Best by cost", True), Column("Saving", True), Column("Flat from", True), Column("to", True)]  # fmt: skip
    cells = [
        [r.name_, hours(r.today_h), hours(r.advised_h), money(r.saving, ""), hours(r.flat_low_h), hours(r.flat_high_h)]
        for r in rows.rename(columns={"name": "name_"}).itertuples()
    ]
    return table(
        heads, cells, "The other intervals: today's, the best by cost, and the stretch over which it hardly matters"
    )


def _advice(row) -> list[object]:
    """Cells of one family's or compartment's advice."""
    advised = hours(row.advised_h) if pd.notna(row.advised_h) else "does not pay"
    spread = f"{money(row.saving_low, '')} and {money(row.saving_high, '')}"
    why = sentence(plain(row.words))
    if getattr(row, "changes", ""):
        why += f" Would be: {row.changes}."
    return [row.name_, hours(row.today_h), advised, money(row.saving, ""), spread, row.binds or "-", why]


def _curves(book: Book, rows: pd.DataFrame) -> list[Item]:
    """Cost curves of the first rows that have one."""
    if not len(book.tables.curves):
        return []
    named = _named(book, book.tables.curves)
    names = [n for n in rows["name"] if n in set(named["name"])][:CURVES_SHOWN]
    if not names:
        return []
    kept = named[named["name"].isin(names)]
    kept = kept.assign(_at=kept["name"].map({n: i for i, n in enumerate(names)})).sort_values(["_at", "every_h"])
    return [cost_curves(kept, rows, book.currency)]
