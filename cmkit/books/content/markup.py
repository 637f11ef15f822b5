"""The only place where text becomes HTML: every cell and word is escaped here, or was made here.

`Html` marks text that is already safe. Tables have a caption, scoped headings and a named first column.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import repeat
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup, escape

from cmkit.books.content.wording import GLYPHS

AT_ONCE = 12  # rows of a long table that are shown before the rest is asked for
_WORTH_FOLDING = 3  # fewer more are shown with them


class Html(Markup):
    """Safe HTML text, which notebooks show as such. Text added or joined to it is escaped."""

    def _repr_html_(self) -> str:
        return str(self)


def safe(value: object) -> Html:
    """HTML for one value: `Html` as it is, anything else escaped; missing values as a dash."""
    if value is None or value is pd.NaT or (isinstance(value, (float, np.floating)) and np.isnan(value)):
        return Html("-")
    return Html(escape(value))


def tag(name: str, *content: object, **attributes: str | None) -> Html:
    """One element; attribute names with a trailing underscore (`class_`) or inner ones (`data_machine` ->
    `data-machine`).
    """
    given = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    return Html(f"<{name}{given}>{join(content)}</{name}>")


def join(parts: Iterable[object], between: str = "") -> Html:
    """Several pieces as one; `between` is escaped."""
    return Html(str(escape(between)).join([p if isinstance(p, Html) else safe(p) for p in parts]))


def paragraph(*content: object, class_: str | None = None) -> Html:
    """A paragraph."""
    return tag("p", *content, class_=class_)


def nothing(words: str) -> Html:
    """The one line an empty section says."""
    return paragraph(words, class_="empty")


def link(text: object, target: str) -> Html:
    """A link inside the page or to a page of the same month; anything that is not such an address is shown as text."""
    plain = target.startswith("#") or not any(mark in target.split("/")[0] for mark in (":", "\\"))
    return tag("a", text, href=target) if plain and not target.startswith("/") else safe(text)


def state_mark(state: str, word: bool = True) -> Html:
    """Glyph, word and shade of a state; the word stays for screen readers when `word` is false."""
    glyph = tag("i", GLYPHS.get(state, "?"), aria_hidden="true")
    return tag(
        "span", glyph, state if word else tag("span", state, class_="quiet"), class_=f"state {state.replace(' ', '-')}"
    )


@dataclass(frozen=True)
class Column:
    """A table's column: heading and whether its cells are numbers (set flush right, tabular figures)."""

    title: str
    numeric: bool = False


def table(
    columns: Sequence[Any],
    rows: Iterable[Sequence[object]],
    caption: str,
    class_: str = "",
    *,
    hide_caption: bool = False,
    machines: Sequence[str] = (),
) -> Html:
    """A table whose first column names its rows; columns are headings or `Column`s. Every cell is escaped unless it is
    `Html`.

    machines: whose each row is, so that a reader can have one machine's rows only; empty for a table that is not about
    machines.
    """
    heads = [c if isinstance(c, Column) else Column(c) for c in columns]
    whose: Iterable[str | None] = machines or repeat(None)
    body = join(_row(heads, row, bool(class_), machine) for row, machine in zip(rows, whose, strict=bool(machines)))
    parts = [
        tag("caption", caption, class_="quiet" if hide_caption else None),
        _head(heads),
        tag("tbody", body),
    ]
    return scrolling(tag("table", *parts, class_=class_ or None), caption)


def long_table(
    columns: Sequence[Any],
    rows: Sequence[Sequence[object]],
    caption: str,
    class_: str = "",
    *,
    machines: Sequence[str] = (),
) -> Html:
    """A table of which the rows past the first AT_ONCE are folded away, under a line that counts them; on paper all of
    them print.
    """
    if len(rows) <= AT_ONCE + _WORTH_FOLDING:
        return table(columns, rows, caption, class_, machines=machines)
    first = table(columns, rows[:AT_ONCE], caption, class_, machines=machines[:AT_ONCE])
    rest = table(
        columns, rows[AT_ONCE:], f"{caption}: the rest", class_, hide_caption=True, machines=machines[AT_ONCE:]
    )
    return first + folded(f"{len(rows) - AT_ONCE:,} more rows", rest, class_="printed")


def grouped_table(
    columns: Sequence[Any],
    groups: Iterable[tuple[object, Iterable[Sequence[object]]]],
    caption: str,
    class_: str = "",
    *,
    machines: Sequence[str] = (),
) -> Html:
    """A table of several groups of rows under one set of headings; each group has a heading of its own across the
    table. machines: whose each group is, as in `table`."""
    heads = [c if isinstance(c, Column) else Column(c) for c in columns]
    whose: Iterable[str | None] = machines or repeat(None)
    bodies = []
    for (title, rows), machine in zip(groups, whose, strict=bool(machines)):
        first = tag("tr", tag("th", title, scope="rowgroup", colspan=str(len(heads)), class_="group"))
        bodies.append(tag("tbody", first, *(_row(heads, row, bool(class_)) for row in rows), data_machine=machine))
    made = tag("table", tag("caption", caption), _head(heads), *bodies, class_=class_ or None)
    return scrolling(made, caption)


def scrolling(made: Html, name: str) -> Html:
    """A table in a named group of its own that scrolls, by keyboard too, where a long name makes it too wide."""
    return tag("div", made, class_="wide", role="group", tabindex="0", aria_label=name)


def _head(heads: list[Column]) -> Html:
    return tag("thead", tag("tr", *(tag("th", c.title, scope="col", class_="n" if c.numeric else None) for c in heads)))


def _row(heads: list[Column], row: Sequence[object], blocks: bool, machine: str | None = None) -> Html:
    """One row; machine: whose it is; blocks: it becomes a block where the page is narrow, without its empty cells."""
    first, *rest = row
    cells = [tag("th", first, scope="row")]
    for head, cell in zip(heads[1:], rest, strict=True):
        kind = ("n " if head.numeric else "") + ("nil" if blocks and cell in ("-", "") else "")
        cells.append(tag("td", cell, class_=kind.strip() or None))
    return tag("tr", *cells, data_machine=machine)


def facts(pairs: Iterable[tuple[str, object]], class_: str = "facts") -> Html:
    """Short names and values, as a description list."""
    return tag("dl", *(tag("div", tag("dt", name), tag("dd", value)) for name, value in pairs), class_=class_)


def bullets(items: Iterable[object], class_: str | None = None) -> Html:
    """A plain list."""
    return tag("ul", *(tag("li", item) for item in items), class_=class_)


def folded(summary: object, *content: object, id_: str | None = None, class_: str | None = None) -> Html:
    """Something a reader opens when wanted."""
    return tag("details", tag("summary", summary), tag("div", *content), id=id_, class_=class_)
