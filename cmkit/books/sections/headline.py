"""Where do we stand? One sentence, and the few facts behind it."""

import pandas as pd

from cmkit.books.book import Book
from cmkit.books.markup import Html, facts, paragraph
from cmkit.books.show import Shown, shown
from cmkit.books.wording import NBSP, chance, count, day, listed, money, month_name


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
    first = (
        f"{count(counts['alarm'], 'compartment')} {'needs' if counts['alarm'] == 1 else 'need'} action"
        if counts["alarm"]
        else "no compartment needs action"
    )
    others = [f"{counts['alert']:,} {'is' if counts['alert'] == 1 else 'are'} watched"] if counts["alert"] else []
    others += [f"{count(overdue, 'sample')} {'is' if overdue == 1 else 'are'} overdue"] if overdue else []
    text = listed([first, *others])
    text = text[0].upper() + text[1:] + "."
    return text + (
        f" Waiting for the next results, instead of acting now, is expected to cost {money(cost, book.currency)}."
        if cost > 0
        else ""
    )


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
    believed = chance(float((recent["believed"] >= 0.5).mean())) + f" of {len(recent):,}" if len(recent) else "-"
    return facts(
        [
            ("Known as of", day(book.as_of)),
            ("Newest sample", day(newest)),
            ("Bottles believed, last 12 months", believed),
            ("Compartments", f"{sum(counts.values()):,}: {', '.join(f'{n:,}{NBSP}{state}' for state, n in counts.items() if n)}"),
        ]
    )  # fmt: skip
