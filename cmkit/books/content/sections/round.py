"""Where do I go with the bottles? What is due, by machine in walking order, how each is drawn, what to bring."""

from typing import Any

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.display import Item, Shown, shown
from cmkit.books.content.markup import (
    Column,
    Html,
    bullets,
    folded,
    grouped_table,
    join,
    nothing,
    paragraph,
    state_mark,
    tag,
)
from cmkit.books.content.wording import count, hours, natural_key, number, short_day
from cmkit.practice.drawing import NO_DRAWING
from cmkit.practice.rounds import AHEAD_DAYS, what_to_bring


def due_rows(book: Book) -> pd.DataFrame:
    """The round's cards in walking order, with name, state, overdue and overdue_h of each compartment."""
    due = book.tables.due[["compartment", "overdue", "overdue_h"]]
    out = book.tables.cards.merge(due, on="compartment", how="left")
    out = out.merge(book.tables.verdicts[["compartment", "state"]], on="compartment", how="left")
    out = out.assign(
        name=[book.places.loc[c, "name"] for c in out["compartment"]], state=out["state"].fillna("not known")
    )
    keys = {
        i: (natural_key(m), natural_key(c))
        for i, m, c in zip(out.index, out["machine"], out["compartment"], strict=True)
    }
    return out.loc[sorted(out.index, key=lambda i: keys[i])].reset_index(drop=True)


def next_round(book: Book) -> Shown:
    """What to bring, how to draw, and the bottles in walking order; what is past the crew's capacity is folded."""
    if not len(book.tables.cards):
        return shown(nothing(f"Nothing falls due within {AHEAD_DAYS} days."))
    rows = due_rows(book)
    later = rows["later"].astype(bool)
    now, rest = rows[~later], rows[later]
    lead = (
        f"{count(len(now), 'bottle')} to draw within {AHEAD_DAYS} days, {int(now['overdue'].sum()):,} of them overdue."
    )
    more = (
        f" {count(len(rest), 'more')} are due too, but past what the crews can draw in that time." if len(rest) else ""
    )
    out: list[Item] = [
        paragraph(lead + more.replace("mores", "more")),
        _bring(now),
        _how(),
        _list(book, now, "Bottles in walking order, machine by machine; hours are what the machine's meter will show"),
    ]
    if len(rest):
        out.append(
            folded(f"{len(rest):,} due, but past the crews' capacity", _list(book, rest, "Due too, when there is room"))
        )
    return shown(*out)


def _bring(cards: pd.DataFrame) -> Html:
    """What to bring, a tenth to spare."""
    items = [f"{r.item}: {number(r.number)} {r.unit}".strip() for r in what_to_bring(cards).itertuples()]
    return join([tag("h3", "To bring"), bullets(items, class_="bring")])


def _how() -> Html:
    return paragraph(
        "Probe: only at a valve made for it; in hydraulics only where the register records the point as low-pressure; the dead volume runs off first. Pump: fluid warm and mixed, tube "
        "half way between the fluid's surface and the bottom, never to the bottom and never from the drain stream. Coolant: never from a hot system, except at a valve rated for "
        "it. A pump or probe of its own for each fluid. Left and right are as seen from the operator's seat, facing forward.",
        class_="note",
    )


def _list(book: Book, rows: pd.DataFrame, caption: str) -> Html:
    """One table, a group of rows a machine."""
    columns = ["Compartment", "State", "Draw by", Column("Due at meter", True), "Due on", Column("Past due", True), "Why"]  # fmt: skip
    groups = []
    for machine, own in rows.rename(columns={"name": "name_"}).groupby("machine", sort=False):
        title = join([machine, tag("span", f" {count(len(own), 'bottle')}", class_="small")])
        groups.append((title, [_bottle(book, r) for r in own.itertuples()]))
    return grouped_table(columns, groups, caption, "blocks")


def _bottle(book: Book, row: Any) -> list[object]:
    """Cells of one bottle's row."""
    past = hours(row.overdue_h) if row.overdue and row.overdue_h > 0 else "-"
    when = "now" if row.overdue else short_day(row.due_on)
    return [
        book.linked(row.compartment, row.name_),
        state_mark(row.state),
        _draw(row),
        hours(row.due_meter_h),
        when,
        past,
        row.why,
    ]


def _draw(row: Any) -> str:
    """`pump at the fill plug, 350 mm of tube`."""
    where = f" at the {row.access}" if row.access and row.access not in ("probe valve",) else ""
    tube = f", {row.tube_mm:,.0f} mm of tube" if pd.notna(row.tube_mm) else ", tube to measure on site"
    if row.method == NO_DRAWING:
        return "not yet: name a low-pressure sampling point first"
    return f"{row.tool}{where}{tube}" if row.method == "pump" else f"{row.tool}{where}"
