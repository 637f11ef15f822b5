"""The site at a glance: machines down, compartments across, the state by glyph, word and shade."""

from typing import Any

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.markup import Html, join, link, nothing, paragraph, scrolling, state_mark, tag
from cmkit.books.content.wording import GLYPHS, STATES, natural_key


def glance(book: Book) -> Shown:
    """One grid for each kind of machine, since kinds have different compartments."""
    if not len(book.tables.verdicts):
        return shown(nothing("No compartment is on record yet."))
    verdicts = book.tables.verdicts[["compartment", "state", "reason"]].merge(
        book.places.reset_index(drop=True), on="compartment"
    )
    grids = [_grid(book, str(kind), rows) for kind, rows in verdicts.groupby("machine_kind", sort=True)]
    return shown(_legend(verdicts), tag("div", *grids, class_="grids"))


def _legend(verdicts: pd.DataFrame) -> Html:
    counts = verdicts["state"].value_counts()
    marks = [tag("span", state_mark(s), f" {counts.get(s, 0)}", class_="key") for s in STATES if s in counts]
    words = "Clear: the newest bottle shows nothing of what its tests watch. What no test watches: "
    of_what = paragraph(words, link("the programme", "#the-programme"), ".", class_="note")
    return tag("p", *marks, class_="legend") + (of_what if "clear" in counts else Html(""))


def _grid(book: Book, kind: str, rows: pd.DataFrame) -> Html:
    """Rows: machines; columns: compartments of that kind of machine, in one order for all."""
    places = sorted(rows["name"].unique(), key=natural_key)
    machines = sorted(rows["machine"].unique(), key=natural_key)
    cells: dict[tuple[str, str], list[Any]] = {}
    for r in rows.rename(columns={"name": "name_"}).itertuples():
        cells.setdefault((r.machine, r.name_), []).append(r)
    head = join(
        [tag("th", "Machine", scope="col"), *(tag("th", tag("span", p), scope="col", class_="tall") for p in places)]
    )
    body = [
        tag("tr", tag("th", m, scope="row"), *(_cell(book, cells.get((m, p), [])) for p in places), data_machine=m)
        for m in machines
    ]
    caption = f"{kind}, state of every compartment"
    made = tag("table", tag("caption", caption), tag("thead", tag("tr", head)), tag("tbody", *body), class_="grid")
    return scrolling(made, caption)


def _cell(book: Book, rows: list[Any]) -> Html:
    """The mark of a compartment, or of several of one name; empty where the machine has none."""
    if not rows:
        return tag("td", class_="none")
    paged = book.paged_set
    marks = [
        link(_mark(r.state), "#" + book.address(r.compartment)) if r.compartment in paged else _mark(r.state)
        for r in rows
    ]
    return tag("td", *marks)


def _mark(state: str) -> Html:
    """A state's mark whose word the style hides where the grid is narrow (screen readers still have it)."""
    return tag(
        "span",
        tag("i", GLYPHS[state], aria_hidden="true"),
        tag("span", state, class_="word"),
        class_=f"state {state.replace(' ', '-')}",
    )
