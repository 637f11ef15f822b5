"""Where do we stand? One sentence, and the few facts behind it."""

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.markup import Html, facts, paragraph
from cmkit.books.content.wording import NBSP, chance, count, day, listed, money, month_name


def state_counts(book: Book) -> dict[str, int]:
    """How many compartments are in each state."""
    found = book.tables.verdicts["state"].value_counts()
    return {state: int(found.get(state, 0)) for state in ("alarm", "alert", "not known", "clear")}


def headline_words(book: Book) -> str:
    """The sentence: how many need action, how many are watched, how many bottles are overdue, what waiting is expected to cost."""
    counts, overdue = state_counts(book), int(book.tables.due["overdue"].sum())
    cost = float(book.tables.waiting["cost_of_waiting"].sum())
    if not len(book.tables.verdicts):
        return "There is nothing to judge yet: no compartment of a working machine is on record."
    parts = [_standing(counts)]
    parts += [f"{counts['alert']:,} {_is(counts['alert'])} watched"] if counts["alert"] else []
    parts += (
        [f"{counts['not known']:,} cannot be judged"]
        if counts["not known"] < sum(counts.values()) and counts["not known"]
        else []
    )
    parts += [f"{count(overdue, 'sample')} {_is(overdue)} overdue"] if overdue else []
    text = listed(parts)
    text = text[0].upper() + text[1:] + "."
    return text + (
        f" Waiting for the next results, instead of acting now, is expected to cost {money(cost, book.currency)}."
        if cost > 0
        else ""
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
    """The opening of a book: the sentence, and how far it can be believed."""
    parts = [paragraph(headline_words(book), class_="headline"), _facts(book)]
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
    counts = state_counts(book)
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
            ("Compartments", _states(counts)),
        ]
    )  # fmt: skip


def _states(counts: dict[str, int]) -> str:
    """`21: 2 alarm, 19 clear`, or `21, all clear`."""
    there = {state: n for state, n in counts.items() if n}
    total = f"{sum(counts.values()):,}"
    if len(there) == 1:
        return f"{total}, all {next(iter(there))}"
    return f"{total}: {', '.join(f'{n:,}{NBSP}{state}' for state, n in there.items())}"
