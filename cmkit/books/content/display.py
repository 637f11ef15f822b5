"""What a notebook cell shows: safe HTML, figures, and folds around them, in order.

A figure travels as plotly's own JSON, which the book's template draws, and as a picture for every other reader of
notebooks. A fold is a pair of outputs with metadata `{"cmkit": {"fold": "open"}}` and `{"cmkit": {"fold": "close"}}`;
the exporter makes one `<details>` of what lies between, its summary being the opening output's HTML. In JupyterLab the
same outputs simply follow one another.
"""

from dataclasses import dataclass
from typing import Any, TypeAlias

import plotly.graph_objects as go
from IPython.display import display

from cmkit.books.content.markup import Html
from cmkit.books.content.theme import figure_bundle


@dataclass(frozen=True)
class Fold:
    """A part a reader opens: what its closed line says, its address, what it holds, whether it prints even when closed,
    and whose it is.
    """

    summary: Html
    id: str
    items: tuple[Any, ...]  # Html, go.Figure or Fold
    prints: bool = False
    machine: str = ""


Item: TypeAlias = "Html | go.Figure | Fold"


@dataclass(frozen=True)
class Shown:
    """What one cell shows, top to bottom."""

    items: tuple[Item, ...]

    def _ipython_display_(self) -> None:
        for item in self.items:
            show(item)

    @property
    def text(self) -> str:
        """All HTML of it, without figures; for tests and digests."""
        return "".join(_text(item) for item in self.items)

    @property
    def figures(self) -> list[go.Figure]:
        """All figures of it, in order."""
        return [figure for item in self.items for figure in _figures(item)]


def shown(*items: Item) -> Shown:
    """What a section returns."""
    return Shown(tuple(items))


def show(item: Item) -> None:
    """Send one item to the notebook."""
    if isinstance(item, Fold):
        about = {"fold": "open", "id": item.id, "prints": item.prints, "machine": item.machine}
        display({"text/html": item.summary, "text/plain": item.id}, raw=True, metadata={"cmkit": about})
        for inner in item.items:
            show(inner)
        display({"text/html": "", "text/plain": ""}, raw=True, metadata={"cmkit": {"fold": "close"}})
    elif isinstance(item, go.Figure):
        display(figure_bundle(item), raw=True)
    else:
        display({"text/html": item, "text/plain": ""}, raw=True)


def _text(item: Item) -> str:
    if isinstance(item, Fold):
        return item.summary + "".join(_text(inner) for inner in item.items)
    return item if isinstance(item, Html) else ""


def _figures(item: Item) -> list[go.Figure]:
    if isinstance(item, Fold):
        return [figure for inner in item.items for figure in _figures(inner)]
    return [item] if isinstance(item, go.Figure) else []
