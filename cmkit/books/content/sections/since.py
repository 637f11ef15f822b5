"""What changed? Each compartment's state as it was known at the end of last month, against now."""

from typing import Any

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.markup import Html, nothing, state_mark, tag
from cmkit.books.content.wording import count, day, plain, short_day
from cmkit.tables.judge import RANK as STATE_RANK

RANK = STATE_RANK | {"not known": 0}
MOST_LINES = 25
TITLES = {
    "raised": "Newly raised",
    "worse": "Got worse",
    "confirmed": "Looked into and confirmed",
    "unfounded": "Looked into, nothing wrong found",
    "cleared": "Cleared",
    "waiting": "Still waiting",
}


def state_then(book: Book) -> pd.Series:
    """State of every compartment as known at the end of last month, `not known` where it was not there yet (index:
    compartment).
    """
    then = book.tables.before.set_index("compartment")["state"]
    return then.reindex(book.tables.verdicts["compartment"]).fillna("not known")


def changes(book: Book) -> pd.DataFrame:
    """One row per compartment that is, or was, raised: compartment, then, now, what (a key of TITLES), words."""
    tables = book.tables
    now = tables.verdicts.set_index("compartment")
    then = state_then(book)
    looks = tables.findings[
        (tables.findings["found_on"] > book.last_month_end) & (tables.findings["found_on"] <= book.as_of)
    ]
    looks = looks.sort_values("found_on").groupby("compartment").tail(1).set_index("compartment")
    rows = []
    for compartment in now.index:
        was, state = then[compartment], now.loc[compartment, "state"]
        what, words = _change(
            was, state, now.loc[compartment], looks.loc[compartment] if compartment in looks.index else None
        )
        if what:
            rows.append({"compartment": compartment, "then": was, "now": state, "what": what, "words": words})
    return pd.DataFrame(rows, columns=["compartment", "then", "now", "what", "words"])


def _change(was: str, state: str, now: pd.Series, look: pd.Series | None) -> tuple[str, str]:
    """What happened to one compartment, and the words for it; empty when nothing did."""
    if look is not None:
        cause = f": {look['cause']}" if pd.notna(look["cause"]) and look["cause"] else ""
        word = {"defect": "defect found", "failed": "failed", "no defect": "nothing wrong found"}[look["outcome"]]
        return (
            "unfounded" if look["outcome"] == "no defect" else "confirmed"
        ), f"{word} on {short_day(look['found_on'])}{cause}"
    if RANK[state] > RANK[was]:
        return ("worse" if was == "alert" else "raised"), f"bottle of {short_day(now['drawn_on'])}"
    settled = plain(now["settled_by"])
    if RANK[was] and state == "clear":
        return "cleared", settled or f"by the bottle of {short_day(now['drawn_on'])}"
    if RANK[was] and state == "not known":
        return "waiting", settled or "its newest bottle is doubted: a repeat is asked for"
    if state == "alarm":
        return "waiting", f"in alarm since {short_day(now['since'])}"
    return ("waiting", f"watched since {short_day(now['since'])}") if state == "alert" else ("", "")


def since_last_month(book: Book) -> Shown:
    """Newly raised, worse, confirmed, cleared and still waiting, each with its compartments."""
    rows = changes(book)
    if not len(rows):
        return shown(nothing(f"Nothing changed since {day(book.last_month_end)}, and nothing was waiting."))
    parts = []
    for what, title in TITLES.items():
        own = rows[rows["what"] == what]
        if len(own):
            items = [_line(book, row) for row in own.head(MOST_LINES).itertuples()]
            if len(own) > MOST_LINES:
                items.append(tag("li", f"and {len(own) - MOST_LINES:,} more", class_="small"))
            parts.append(
                tag(
                    "div",
                    tag("h3", f"{title}: {len(own)}"),
                    tag("ul", *items),
                    class_="change",
                )
            )
    lead = tag(
        "p",
        f"Against what was known on {day(book.last_month_end)}, both judged by today's limits: "
        f"{count(len(rows), 'compartment')} changed or still waiting.",
        class_="note",
    )
    return shown(lead, tag("div", *parts, class_="changes"))


def _line(book: Book, row: Any) -> Html:
    return tag(
        "li",
        state_mark(row.now, word=False),
        " ",
        book.linked(row.compartment),
        tag("span", f" {row.words}{_at(book, row.compartment)}", class_="small"),
        data_machine=book.machine_of(row.compartment) or None,
    )


def _at(book: Book, compartment: str) -> str:
    """In a fleet book, the site's name."""
    return "" if book.site else f", {book.site_names[book.places.loc[compartment, 'site']]}"
