"""What must be done, and where do we stand? The acts first, then a sentence of state and the few facts behind it."""

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.markup import Html, facts, paragraph
from cmkit.books.content.sections.acts import MOST_LINES, acts
from cmkit.books.content.wording import chance, count, day, listed, money, month_name, sentence
from cmkit.records.reading.advice import LARGE
from cmkit.tables.practice import DUE_AS

NEVER, REPEAT, LATE, _ = DUE_AS
SOONER = "asked for sooner"
_FLEET_LINES = 3  # of one kind of urgency, in a fleet book


def state_counts(book: Book) -> dict[str, int]:
    """How many compartments are in each state."""
    found = book.tables.verdicts["state"].value_counts()
    return {state: int(found.get(state, 0)) for state in ("alarm", "alert", "not known", "clear")}


def due_counts(book: Book) -> dict[str, int]:
    """Bottles that are wanted now, by why: late by the routine, asked for sooner and due, repeats asked for, never
    sampled.
    """
    due = book.tables.due
    late, sooner = due["due_as"] == LATE, due["why"].str.startswith("sooner")
    counts = {
        LATE: late & ~sooner,
        SOONER: late & sooner,
        REPEAT: due["due_as"] == REPEAT,
        NEVER: due["due_as"] == NEVER,
    }
    return {why: int(rows.sum()) for why, rows in counts.items()}


def headline_words(book: Book) -> str:
    """How many need action, are watched or cannot be judged; which bottles are wanted; what waiting is expected to
    cost.
    """
    if not len(book.tables.verdicts):
        return "There is nothing to judge yet: no compartment of a working machine is on record."
    counts = state_counts(book)
    parts = [_standing(counts)]
    parts += [f"{counts['alert']:,} {_is(counts['alert'])} watched"] if counts["alert"] else []
    parts += (
        [f"{counts['not known']:,} cannot be judged"]
        if counts["not known"] < sum(counts.values()) and counts["not known"]
        else []
    )
    return " ".join(
        p for p in (sentence(listed(parts)), bottles_words(book), _cost_words(book), _aside_words(book)) if p
    )


def _aside_words(book: Book) -> str:
    """That much of what came in lately is not in this book, where it is much."""
    share = float(book.tables.about.get("newest_set_aside", 0.0))
    return (
        (
            f"{chance(share)} of the whole fleet's rows of the newest quarter could not be used and are not in this "
            f"book: see what was not judged."
        )
        if share > LARGE
        else ""
    )


def bottles_words(book: Book) -> str:
    """`Bottles wanted: 2 late by the routine and 5 asked for again.`; empty when none is."""
    n = due_counts(book)
    parts = [
        f"{n[LATE]:,} late by the routine" if n[LATE] else "",
        f"{n[SOONER]:,} due sooner after an alarm or alert" if n[SOONER] else "",
        f"{n[REPEAT]:,} asked for again" if n[REPEAT] else "",
        f"{n[NEVER]:,} from {'a compartment' if n[NEVER] == 1 else 'compartments'} never sampled" if n[NEVER] else "",
    ]
    wanted = [p for p in parts if p]
    return f"Bottles wanted: {listed(wanted)}." if wanted else ""


def _cost_words(book: Book) -> str:
    """What waiting is expected to cost against acting, over all alarms and alerts."""
    waiting = book.tables.waiting
    cost = float(waiting["cost_of_waiting"].sum())
    if cost <= 0:
        return ""
    act = f"; acting on them costs {money(float(waiting['cost_of_act'].sum()), book.currency)}"
    words = (
        f"Waiting for the next results of these, instead of acting now, is expected to cost "
        f"{money(cost, book.currency)}{act}"
    )
    assumed = int(waiting["assumed"].astype(bool).sum())
    return words + (
        f" ({'all' if assumed == len(waiting) else f'{assumed:,} of {len(waiting):,}'} by assumed costs)."
        if assumed
        else "."
    )


def _standing(counts: dict[str, int]) -> str:
    """How many need action; never that none does where nothing is known."""
    if counts["alarm"]:
        return f"{count(counts['alarm'], 'compartment')} {'needs' if counts['alarm'] == 1 else 'need'} action"
    if counts["not known"] == sum(counts.values()):
        return (
            f"none of the {counts['not known']:,} compartments can be judged yet"
            if counts["not known"] > 1
            else "its one compartment cannot be judged yet"
        )
    return "no compartment that can be judged needs action" if counts["not known"] else "no compartment needs action"


def _is(n: int) -> str:
    return "is" if n == 1 else "are"


def headline(book: Book) -> Shown:
    """The opening of a book: the acts, the sentence of state, and how far it can be believed."""
    parts = [acts(book, MOST_LINES if book.site else _FLEET_LINES)] if len(book.tables.verdicts) else []
    parts += [paragraph(headline_words(book), class_="headline"), _facts(book)]
    month_end = book.last_month_end + pd.offsets.MonthEnd(1)
    if book.as_of != month_end:
        parts.append(
            paragraph(
                f"The book of {month_name(book.month)}, made from what was known on {day(book.as_of)}.", class_="note"
            )
        )
    return shown(*parts)


def _facts(book: Book) -> Html:
    samples, trust = book.tables.samples, book.tables.trust
    newest = samples["drawn_on"].max() if len(samples) else pd.NaT
    year = samples["drawn_on"] > book.as_of - pd.Timedelta(days=365)
    recent = trust[trust["sample"].isin(samples.loc[year, "sample"])]
    believed = (
        chance(float((recent["believed"] >= 0.5).mean())) + f" of {len(recent):,}" if len(recent) else "none drawn"
    )
    return facts(
        [
            ("Newest sample", day(newest) if pd.notna(newest) else "none yet"),
            ("Bottles believed, last 12 months", believed),
            ("Compartments", _states(state_counts(book))),
        ]
    )


def _states(counts: dict[str, int]) -> str:
    """`21: 2 alarm, 19 clear of what their tests watch`, or `21, all not known`."""
    there = {state: n for state, n in counts.items() if n}
    total, of_what = f"{sum(counts.values()):,}", " of what their tests watch" if counts["clear"] else ""
    if len(there) == 1:
        return f"{total}, all {next(iter(there))}{of_what}"
    return f"{total}: {', '.join(f'{n:,} {state}' for state, n in there.items())}{of_what}"
