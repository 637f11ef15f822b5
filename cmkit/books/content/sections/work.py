"""The acts in full: the month's work, ranked by what acting now is expected to save."""

from typing import Any

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.markup import (
    Column,
    Html,
    bullets,
    folded,
    join,
    link,
    nothing,
    paragraph,
    state_mark,
    table,
    tag,
)
from cmkit.books.content.sections.headline import bottles_words
from cmkit.books.content.sections.owners import owner, owner_line
from cmkit.books.content.wording import count, hours, money, plain, sentence, short_day

SHOWN_AT_ONCE = 12


def work_rows(book: Book) -> pd.DataFrame:
    """Alarms and alerts, most money saved by acting first, with what to do, why, by when and how sure."""
    return book.ranked[book.ranked["state"].isin(["alarm", "alert"])].reset_index(drop=True)


def do_this_month(book: Book) -> Shown:
    """The ranked list; every entry leads to the compartment's own page."""
    rows = work_rows(book)
    parts: list[Html] = []
    if len(rows):
        parts.append(
            paragraph(
                "In order of what acting now is expected to save: the cost of waiting for the next result, less the "
                "cost of the work.",
                class_="note",
            )
        )
        parts.append(tag("ol", *(job(book, row) for row in rows.head(SHOWN_AT_ONCE).itertuples()), class_="jobs"))
    else:
        unknown = int((book.tables.verdicts["state"] == "not known").sum())
        words = (
            "No compartment that can be judged is in alarm or alert; the others come first in the sampling round."
            if unknown
            else "No compartment is in alarm or alert: nothing to do but the sampling round."
        )
        parts.append(nothing(words))
    if len(rows) > SHOWN_AT_ONCE:
        rest = rows.iloc[SHOWN_AT_ONCE:]
        alarms = int((rest["state"] == "alarm").sum())
        words = f"{count(len(rest), 'more compartment')}{f', {alarms:,} in alarm' if alarms else ' to watch'}"
        parts.append(folded(words, _rest(book, rest), class_="printed"))
    parts.append(_also(book))
    return shown(*parts)


def job(book: Book, row: Any, where: str = "") -> Html:
    """One entry (`where`: its site, in a fleet book): what to do in large, why in one line, then by when, how sure, and
    the money.
    """
    head = tag(
        "div",
        state_mark(row.state),
        " ",
        tag("b", book.linked(row.compartment)),
        tag("span", where, class_="small") if where else Html(""),
        tag("span", money_words(book, row)) if pd.notna(row.money_at_stake) else Html(""),
        class_="where",
    )
    todo = tag("div", _todo(plain(row.todo)), class_="todo")
    why = tag("div", sentence(plain(row.reason)), class_="why")
    small = [act_by(row, book.as_of), *([plain(row.how_sure)] if row.how_sure else [])]
    machine = book.machine_of(row.compartment) or None
    lines = [
        tag("div", words, class_="small") for words in (" · ".join(small), owner_line(book, row.compartment)) if words
    ]
    return tag("li", head, todo, why, *lines, data_machine=machine)


def money_words(book: Book, row: Any) -> str:
    """`at stake about 6,800 EUR; the work about 300 EUR (assumed)`."""
    act = f"; the work about {money(row.cost_of_act, book.currency)}" if pd.notna(row.cost_of_act) else ""
    return f"at stake about {money(row.money_at_stake, book.currency)}{act}{' (assumed costs)' if row.assumed else ''}"


def act_by(row: Any, today: pd.Timestamp) -> str:
    """`By 4 Jul 2026, within 250 h of work`, `Due since 16 May 2026`; for the next bottle its meter reading."""
    if pd.isna(row.act_on):
        return sentence(f"with the next bottle, {by_when(row.due_meter_h, row.due_on, row.overdue)}").rstrip(".")
    hours_too = f", within {hours(row.within_h)} of work" if pd.notna(row.within_h) and row.within_h > 0 else ""
    day = f"due since {short_day(row.act_on)}" if row.act_on < today else f"by {short_day(row.act_on)}"
    return f"{sentence(day).rstrip('.')}{hours_too}"


def _todo(text: str) -> Html:
    """The order itself, to be seen at once; how to go about it after it in lighter type."""
    cut = next((i for i, mark in enumerate(text) if mark in ".:;" and i > 15), len(text) - 1)
    return join([text[: cut + 1], tag("span", text[cut + 1 :], class_="more")])


def by_when(meter_h: float, on: pd.Timestamp, overdue: bool) -> str:
    """`by 12,340 h on the meter, about 3 Jul 2026`; says so when that is past."""
    if overdue:
        return f"now: the next bottle was due at {hours(meter_h)}" if pd.notna(meter_h) else "now"
    date = f", about {short_day(on)}" if pd.notna(on) else ", no date while the machine is idle"
    return f"by {hours(meter_h)} on the meter{date}" if pd.notna(meter_h) else f"by {short_day(on)}"


def _rest(book: Book, rows: pd.DataFrame) -> Html:
    columns = ["Compartment", "State", "Why", "What to do", "By", "Owner", Column("At stake", True)]
    cells = [
        [
            book.linked(r.compartment),
            state_mark(r.state),
            sentence(plain(r.reason)),
            plain(r.todo),
            act_by(r, book.as_of),
            owner(book, r.compartment),
            money(r.money_at_stake, book.currency),
        ]
        for r in rows.itertuples()
    ]
    caption = "The rest of the list, by what acting is expected to save"
    return table(columns, cells, caption, class_="text", machines=book.machines_of(rows["compartment"]))


def _also(book: Book) -> Html:
    """Bottles that have to be drawn, and what is not known."""
    items: list[object] = []
    wanted = bottles_words(book)
    if wanted:
        items.append(join([f"{wanted} See the ", link("next round", "#next-round"), "."]))
    unknown = int((book.tables.verdicts["state"] == "not known").sum())
    if unknown:
        items.append(
            f"{count(unknown, 'compartment')} cannot be judged until a bottle is drawn; that is not the same as clear."
        )
    return bullets(items, class_="also") if items else Html("")
