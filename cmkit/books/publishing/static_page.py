"""Pages without a notebook behind them: the list of months, a book that could not be made."""

from collections.abc import Sequence
from functools import cache
from importlib.metadata import version
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from cmkit.books.publishing.export import TEMPLATE, security_policy
from cmkit.books.publishing.labels import with_headings


@cache
def _template() -> Template:
    environment = Environment(autoescape=True, undefined=StrictUndefined, loader=FileSystemLoader(TEMPLATE))
    return environment.get_template("plain.html.j2")


def link(text: str, href: str) -> dict[str, str]:
    """A cell or list entry that is a link."""
    return {"text": text, "href": href}


def plain_page(
    title: str,
    paragraphs: Sequence[str],
    *,
    details: str = "",
    heads: Sequence[str] = (),
    rows: Sequence[Sequence[Any]] = (),
    links: Sequence[dict[str, str]] = (),
    long_cells: bool = False,
) -> str:
    """A page of words, perhaps a table (first cell of a row names it; a cell may be a `link`) and links. All text is
    escaped. long_cells: cells hold sentences, so that on a phone each has lines of its own.
    """
    page = _template().render(
        title=title,
        paragraphs=paragraphs,
        details=details,
        heads=heads,
        rows=[
            [{"href": "", "text": ""} | c if isinstance(c, dict) else {"href": "", "text": c} for c in row]
            for row in rows
        ],
        links=links,
        long_cells=long_cells,
        style=Markup((TEMPLATE / "style.css").read_text(encoding="utf-8")),  # our own file
        security_policy=security_policy(charts=False),
        version=version("cmkit"),
    )
    return with_headings(page)
