"""Where do I go with the bottles? What is due, by machine in walking order, how each is drawn, what to bring."""

from collections.abc import Sequence
from itertools import accumulate
from typing import Any

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.display import Item, Shown, shown
from cmkit.books.content.markup import (
    AT_ONCE,
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
from cmkit.books.content.wording import NBSP, count, hours, listed, natural_key, number, sentence, short_day, weekday
from cmkit.practice.card_texts import card_words
from cmkit.practice.drawing import NO_DRAWING
from cmkit.practice.rounds import AHEAD_DAYS, what_to_bring
from cmkit.tables.practice import DUPLICATE


def due_rows(book: Book) -> pd.DataFrame:
    """The round's cards by day and in walking order, the cleanest system first, with name, state, overdue and overdue_h
    of each.
    """
    due = book.tables.due[["compartment", "overdue", "overdue_h"]]
    out = book.tables.cards.merge(due, on="compartment", how="left")
    out = out.merge(book.tables.verdicts[["compartment", "state"]], on="compartment", how="left")
    out = out.assign(
        name=[book.places.loc[c, "name"] for c in out["compartment"]], state=out["state"].fillna("not known")
    )
    out["overdue"] &= out["visit"] == 1
    days = out["plan_on"].fillna(pd.Timestamp.max)
    keys = {i: (d, natural_key(m), i) for i, d, m in zip(out.index, days, out["machine"], strict=True)}
    return out.loc[sorted(out.index, key=keys.__getitem__)].reset_index(drop=True)


def next_round(book: Book) -> Shown:
    """What to bring, how to draw, and the bottles day by day; what is past the crew's capacity is folded."""
    if not len(book.tables.cards):
        return shown(nothing(f"Nothing falls due within {AHEAD_DAYS} days."))
    rows = due_rows(book)
    later, unsafe = rows["later"].astype(bool), rows["method"] == NO_DRAWING
    now, rest, without = rows[~later & ~unsafe], rows[later], rows[unsafe]
    out: list[Item] = [paragraph(_lead(now, rest)), *_unsafe(without), _bring(now), _how(), *_plan(book, now)]
    if len(rest):
        machines = list(_together(rest, ["machine"]).items())
        words = f"{len(rest):,} due, but past the crews' capacity"
        out.append(folded(words, _list(book, machines, "Due too, when there is room")))
    return shown(*out)


def _lead(now: pd.DataFrame, rest: pd.DataFrame) -> str:
    """How many bottles, on how many days, and why they are due: routine ones late, repeats, sooner after an alarm or
    alert, never sampled.
    """
    repeats, sooner = (now["why"].str.startswith(word) for word in ("repeat", "sooner"))
    never = now["why"] == "never sampled"
    late = now["overdue"] & ~repeats & ~never & ~sooner
    twice = int((now["why"] == DUPLICATE).sum())
    again = int((now["visit"] > 1).sum()) - twice
    parts = [count(int(repeats.sum()), "repeat asked for", "repeats asked for")] if repeats.any() else []
    parts += [f"{count(int(late.sum()), 'routine bottle')} late"] if late.any() else []
    parts += [f"{int(sooner.sum()):,} due sooner after an alarm or alert"] if sooner.any() else []
    parts += [f"{count(int(never.sum()), 'compartment')} never sampled"] if never.any() else []
    parts += (
        [f"{count(again, 'second or later bottle')} of a compartment whose interval is shorter than the round"]
        if again
        else []
    )
    parts += [count(twice, "blind duplicate")] if twice else []
    lead = f"{count(len(now), 'bottle')} to draw within {AHEAD_DAYS} days, on {count(now['plan_on'].nunique(), 'day')}"
    lead += f": {listed(parts)} among them." if parts else "."
    return lead + (
        f" {len(rest):,}{NBSP}more {'is' if len(rest) == 1 else 'are'} due too, but past what the crews can draw in "
        f"that time."
        if len(rest)
        else ""
    )


def _unsafe(rows: pd.DataFrame) -> list[Item]:
    """The request to name a safe sampling point."""
    if not len(rows):
        return []
    words = card_words(NO_DRAWING, "", coolant=False, values={})[0][2]
    names = listed([f"{r.machine} {r.name_}" for r in rows.rename(columns={"name": "name_"}).itertuples()])
    return [paragraph(tag("strong", f"{sentence(names)} "), words, class_="caution")]


def _bring(cards: pd.DataFrame) -> Html:
    """What to bring, a tenth to spare."""
    items = [
        f"{r.item}: {number(r.number)} {r.unit}".strip() + (f" ({r.why})" if r.why else "")
        for r in what_to_bring(cards).itertuples()
    ]
    return join([tag("h3", "To bring"), bullets(items, class_="bring")])


def _how() -> Html:
    return paragraph(
        "Probe: only at a valve made for it; in hydraulics only where the register records the point as low-pressure; "
        "the dead volume runs off first. Pump: fluid warm and mixed, tube "
        "half way between the fluid's surface and the bottom, never to the bottom and never from the drain stream. "
        "Coolant: never from a hot system, except at a valve rated for "
        "it. A pump or probe of its own for each fluid. Left and right are as seen from the operator's seat, facing "
        "forward.",
        class_="note",
    )


def _plan(book: Book, rows: pd.DataFrame) -> list[Item]:
    """The plan: a group of rows a day and machine."""
    note = paragraph(
        "Urgent bottles come first; a machine's bottles are drawn together where they are due near one another. Days "
        "are Monday to Friday.",
        class_="note",
    )
    together = _together(rows, ["plan_on", "machine"])
    groups = [(f"{weekday(pd.Timestamp(day))}: {machine}", own) for (day, machine), own in together.items()]
    before = [0, *accumulate(len(own) for _, own in groups)]
    first = next((n for n, drawn in enumerate(before) if drawn >= AT_ONCE), len(groups))
    caption = "Bottles by day and machine; hours are what the machine's meter will show"
    out: list[Item] = [tag("h3", "Day by day"), note, _list(book, groups[:first], caption)]
    if rest := groups[first:]:
        words = f"{count(before[-1] - before[first], 'more bottle')}, from {rest[0][0].split(':')[0]} on"
        out.append(folded(words, _list(book, rest, f"{caption}: the rest"), class_="printed"))
    return out


def _together(rows: pd.DataFrame, by: list[str]) -> dict[Any, list[Any]]:
    """Rows with the same values in the columns `by` (one: that value, several: a tuple), in order of their first."""
    found: dict[Any, list[Any]] = {}
    for row in rows.rename(columns={"name": "name_"}).itertuples():
        key = tuple(getattr(row, c) for c in by)
        found.setdefault(key if len(by) > 1 else key[0], []).append(row)
    return found


def _list(book: Book, groups: Sequence[tuple[object, list[Any]]], caption: str) -> Html:
    """One table, a group of rows for each of `groups` (title, rows of one machine)."""
    columns = ["Compartment", "State", "Draw by", Column("Due at meter", True), "Due", "Why"]
    made = []
    for name, own in groups:
        title = join([name, tag("span", f" {count(len(own), 'bottle')}", class_="small")])
        made.append((title, [_bottle(book, r) for r in own]))
    machines = book.machines_of(own[0].compartment for _, own in groups)
    return grouped_table(columns, made, caption, "blocks", machines=machines)


def _bottle(book: Book, row: Any) -> list[object]:
    """Cells of one bottle's row."""
    asked = str(row.why).startswith("repeat")  # asked for at once: it has no meter hours to be past
    past = f", {hours(row.overdue_h)} past" if row.overdue and row.overdue_h > 0 and not asked else ""
    when = f"now{past}" if row.overdue else short_day(row.due_on)
    return [
        book.linked(row.compartment, row.name_),
        state_mark(row.state),
        _draw(row),
        "-" if asked and row.overdue else hours(row.due_meter_h),
        when,
        row.why if row.visit == 1 or row.why == DUPLICATE else f"{row.why}, bottle {row.visit} of this round",
    ]


def _draw(row: Any) -> str:
    """`pump for gear oil at the fill plug, 350 mm of tube`."""
    where = f" at the {row.where}" if row.where and row.access not in ("", "probe valve") else ""
    tube = f", {row.tube_mm:,.0f} mm of tube" if pd.notna(row.tube_mm) else ", tube to measure on site"
    return f"{row.tool}{where}{tube if row.method == 'pump' else ''}"
