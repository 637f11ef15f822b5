"""How often is sampling worth it? Today's interval and the advised one, with the curve behind them."""

from typing import Any

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.display import Item, Shown, shown
from cmkit.books.content.figures.curves import cost_curves
from cmkit.books.content.markup import Column, Html, bullets, folded, join, nothing, paragraph, table, tag
from cmkit.books.content.wording import family_name, hours, listed, money, plain, sentence
from cmkit.intervals.advice_report import worth_changing

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
        return rows.assign(name=[book.place_name(c) if c else family_name(f) for c, f in zip(own, family, strict=True)])
    return rows.assign(name=[family_name(f) for f in rows["family"]])


def grouped_advice(book: Book, rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of one family with the same advice as one: savings summed (the same unknowns move them together), names
    listed.
    """
    keys = ["family", "today_h", "advised_h"]
    out = rows.groupby(keys, sort=False, dropna=False).agg(
        names=("compartment", list) if "compartment" in rows else ("name", list),
        saving=("saving", "sum"),
        saving_low=("saving_low", "sum"),
        saving_high=("saving_high", "sum"),
        binds=("binds", "first"),
        words=("words", "first"),
        changes=("changes", "first") if "changes" in rows else ("words", lambda w: ""),
        first=("name", "first"),
    )
    out = out.assign(names=[_places(book, names) for names in out["names"]])
    return out.reset_index().sort_values("saving", ascending=False).reset_index(drop=True)


def _places(book: Book, names: list[str]) -> str:
    """`transmission: RH-02, RH-04 and 3 more`; names that are no compartments stay as they are."""
    known = [book.places.loc[n] for n in names if n in book.places.index]
    kinds = {str(p["kind"]) for p in known}
    if len(known) < len(names) or len(kinds) != 1:
        return listed(names, 4)
    spots = [" ".join(filter(None, (p["machine"], p["position"]))) for p in known]
    return f"{kinds.pop()}: {listed(spots, 4)}"


def how_often(book: Book) -> Shown:
    """Advice where it differs from today's by more than chance of the curve, and the cost curves of those where it
    matters most.
    """
    rows = advice_rows(book)
    if not len(rows):
        return shown(nothing("No advice on intervals yet: too little is known of defects, findings and costs."))
    change = rows[worth_changing(rows)]
    lead = paragraph(
        f"Of {len(rows):,}, {len(rows) - len(change):,} are best left as they are: today's interval is the best one, "
        f"or lies on the flat stretch of the cost curve "
        f"where the choice hardly matters. For {len(change):,} another interval is expected to cost less, together "
        f"about {money(float(change['saving'].sum()), book.currency)} per 1,000 machine hours."
    )
    out: list[Item] = [lead]
    if len(change):
        groups = grouped_advice(book, change).head(SHOWN_ROWS)
        out += [_sure(change), _table(book, groups), _learnt(change), *_curves(book, change, groups["first"].tolist())]
    rest = rows[~worth_changing(rows)]
    if len(rest):
        out.append(folded(f"{len(rest):,} best left as they are", _short(rest)))
    return shown(*out)


def _sure(change: pd.DataFrame) -> Html:
    """How far the saving can be relied on."""
    sure = int((change["saving_low"] > 0).sum())
    if sure:
        return paragraph(
            f"For {sure:,} of them all of the 90 % interval of the saving lies above zero; for the others it reaches "
            f"below zero.",
            class_="note",
        )
    return paragraph(
        "None of these savings is sure: each 90 % interval reaches below zero, for too few defects have been seen. "
        "Try one where sampling more often is easy.",
        class_="note",
    )


def _table(book: Book, rows: pd.DataFrame) -> Html:
    columns = [
        "For",
        Column("Today", True),
        Column("Advised", True),
        Column("Saving", True),
        Column("90 % interval", True),
        "Why",
        "What would change it",
    ]
    cells = [_advice(r) for r in rows.itertuples()]
    caption = (
        f"Where another interval is expected to cost less; saving in {book.currency} per 1,000 machine hours, "
        f"largest first"
    )
    return table(columns, cells, caption, class_="blocks text")


def _advice(row: Any) -> list[object]:
    """Cells of the advice to one family's compartments."""
    advised = hours(row.advised_h) if pd.notna(row.advised_h) else "does not pay"
    binds = f" Bound by: {row.binds}." if row.binds else ""
    spread = f"{money(row.saving_low, '')} to {money(row.saving_high, '')}"
    return [
        row.names,
        hours(row.today_h),
        advised,
        money(row.saving, ""),
        spread,
        sentence(plain(row.words)) + binds,
        plain(row.changes) or "-",
    ]


def _learnt(rows: pd.DataFrame) -> Html:
    """What the advice rests on, said once for each kind of compartment."""
    if "learnt" not in rows:
        return Html("")
    kinds = rows[rows["learnt"] != ""].drop_duplicates("kind").sort_values("kind")
    said = [join([tag("b", r.kind), f": {plain(r.learnt)}."]) for r in kinds.itertuples()]
    return (
        join([paragraph("What this advice rests on:", class_="note"), bullets(said, class_="also")])
        if said
        else Html("")
    )


def _short(rows: pd.DataFrame) -> Html:
    """The rows nobody needs to act on, without their reasons (these are in the table `intervals`)."""
    heads = [
        "For",
        Column("Today", True),
        Column("Best by cost", True),
        Column("Saving", True),
        Column("Flat from", True),
        Column("to", True),
    ]
    cells = [
        [r.name_, hours(r.today_h), hours(r.advised_h), money(r.saving, ""), hours(r.flat_low_h), hours(r.flat_high_h)]
        for r in rows.rename(columns={"name": "name_"}).itertuples()
    ]
    return table(
        heads, cells, "The other intervals: today's, the best by cost, and the stretch over which it hardly matters"
    )


def _curves(book: Book, rows: pd.DataFrame, wanted: list[str]) -> list[Item]:
    """Cost curves of the first of the names wanted that have one."""
    if not len(book.tables.curves):
        return []
    named = _named(book, book.tables.curves)
    names = [n for n in wanted if n in set(named["name"])][:CURVES_SHOWN]
    if not names:
        return []
    kept = named[named["name"].isin(names)]
    kept = kept.assign(_at=kept["name"].map({n: i for i, n in enumerate(names)})).sort_values(["_at", "every_h"])
    return [cost_curves(kept, rows, book.currency)]
