"""What it may be: each hypothesis about a compartment or its newest bottle, its chance, and the results for and against
it.
"""

from typing import Any

import numpy as np
import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.compartment_data import LEAST_ODDS, speaking_for
from cmkit.books.content.markup import Column, Html, bullets, join, nothing, paragraph, table, tag
from cmkit.books.content.wording import chance, plain, sentence
from cmkit.judge.faults import fault, harmless, severity_of
from cmkit.judge.words import odds_text

LEAST_CHANCE = 0.02  # own choice: rarer ones are not named
MOST_NAMED = 4
_MOST_FOR, _MOST_AGAINST = 5, 3
_HANDLING = "the results of one bottle move together, so together they weigh less"


def hypotheses(book: Book, compartment: str) -> Html:
    """The table, the likeliest first; what is left of the chance is that all is well."""
    head = tag("h3", "What it may be")
    own = book.of("hypotheses", compartment)
    rows = own[(own["hypothesis"] != "good") & (own["chance"] >= LEAST_CHANCE)]
    rows = rows.sort_values("chance", ascending=False).head(MOST_NAMED)
    if not len(rows):
        return join([head, nothing(_none(book, compartment))])
    kind = str(book.places.loc[compartment, "kind"])
    cells = [
        [_said(kind, r), chance(r.chance), _how_far(r), _for(book, compartment, r), _against(book, compartment, r)]
        for r in rows.itertuples()
    ]
    caption = "Chances after the newest bottle; a chance is a reason to look, not a finding"
    heads = ["That", Column("Chance", True), "How far", "Speaks for it", "Speaks against it"]
    note = (
        "In brackets, over the bottles of the present alarm or alert: what speaks for it is so many times likelier if "
        "it is so than if all is well; what speaks against it, so many times less likely."
    )
    return join([head, table(heads, cells, caption, class_="text"), paragraph(f"{_well(own)} {note}", class_="note")])


def _none(book: Book, compartment: str) -> str:
    """Why nothing is named: the results fit what is usual, and a limit alone speaks."""
    p = book.of("verdicts", compartment)["chance"]
    known = p.notna().any()
    return (
        f"No fault has a chance worth naming; that something is wrong has {chance(float(p.iloc[0]))}."
        if known
        else "No bottle could be judged."
    )


def _well(own: pd.DataFrame) -> str:
    """What is left: the chance that the compartment has no fault at all."""
    left = 1 - float(own.loc[own["about"] == "compartment", "chance"].sum())
    return f"That the compartment has no fault: {chance(min(max(left, 1e-6), 1 - 1e-6))}."


def _said(kind: str, row: Any) -> str:
    words = fault(kind, row.hypothesis).said
    return f"{sentence(words).rstrip('.')}{' (no work by itself)' if row.hypothesis in harmless() else ''}"


def _how_far(row: Any) -> str:
    """`early`, `moderate` or `severe` of a fault: its clear phase is not called so, since a clear compartment has
    none.
    """
    if row.about != "compartment":
        return "-"
    said = severity_of(row.p_early, row.p_clear, row.p_severe)
    return "moderate" if said == "clear" else said


def _for(book: Book, compartment: str, row: Any) -> Html | str:
    if row.about == "bottle":
        return _of_bottle(book, compartment)
    own = speaking_for(book, compartment, row.hypothesis).head(_MOST_FOR)
    return bullets([_weighed(r) for r in own.itertuples()]) if len(own) else "-"


def _against(book: Book, compartment: str, row: Any) -> Html | str:
    own = book.of("reasons", compartment)
    own = own[(own["hypothesis"] == row.hypothesis) & (own["log_odds"] <= -LEAST_ODDS)]
    own = own.sort_values("log_odds", kind="stable").head(_MOST_AGAINST)
    return bullets([_weighed(r) for r in own.itertuples()]) if len(own) else "-"


def _weighed(reason: Any) -> str:
    words = plain(reason.words) if reason.analyte else _HANDLING
    return f"{words} ({odds_text(float(np.abs(reason.log_odds)))})"


def _of_bottle(book: Book, compartment: str) -> Html | str:
    """What screening found about the newest bottle."""
    doubts = book.of("doubts", compartment)
    newest = book.of("verdicts", compartment)["sample"]
    own = doubts[doubts["sample"].isin(newest)] if len(doubts) else doubts
    return bullets([sentence(plain(r)) for r in dict.fromkeys(own["reason"])]) if len(own) else "-"
