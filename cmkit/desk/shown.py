"""Parts the desk's panels share: labelled controls, safe HTML, and figures as pictures, which need no script and stay
when the kernel is gone.
"""

import re
from collections.abc import Callable, Sequence
from functools import partial
from html import escape, unescape
from typing import Any, TypeVar
from uuid import uuid4

import ipywidgets as widgets
import pandas as pd
import plotly.graph_objects as go
from IPython.display import display, update_display

from cmkit.books.content.figures.svg import as_svg
from cmkit.books.content.wording import number
from cmkit.errors import CmkitError

WRAPPED = {"display": "flex", "flex_flow": "row wrap", "width": "100%"}
T = TypeVar("T")
_LABEL = {"description_width": "initial"}


class Shown:
    """What a panel shows under its controls: an ordinary output of the cell, replaced as `value` (HTML) is set, so that
    a saved notebook keeps it without a kernel and nbconvert prints it."""

    def __init__(self, value: str = "") -> None:
        self._value, self._name, self._on_screen = value, uuid4().hex, False

    @property
    def value(self) -> str:
        return self._value

    @value.setter
    def value(self, new: str) -> None:
        self._value = new
        if self._on_screen:
            update_display(self._bundle(), raw=True, display_id=self._name)

    def _ipython_display_(self) -> None:
        self._on_screen = True
        display(self._bundle(), raw=True, display_id=self._name)

    def _bundle(self) -> dict[str, str]:
        return {"text/html": self._value, "text/plain": unescape(_TAG.sub(" ", self._value))}


_TAG = re.compile(r"<[^>]*>")


class Panel:
    """Controls, and what they show under them. controls: a widget, to be put into a layout of your own; parts: what is
    shown.
    """

    def __init__(self, controls: Sequence[widgets.Widget], parts: Sequence[Shown]) -> None:
        self.controls = widgets.VBox(list(controls))
        self.parts = tuple(parts)

    def _ipython_display_(self) -> None:
        display(self.controls)
        for part in self.parts:
            display(part)


_WIDTH = 480  # px; own choice: a pane of 360 px still shows the words of the picture, a wide one need not scroll


def picture(figure: go.Figure) -> str:
    """A figure and its caption as HTML."""
    plain = figure.to_plotly_json()
    drawn = as_svg(plain | {"layout": plain["layout"] | {"width": _WIDTH}})
    caption = (figure.layout.meta or {}).get("caption", "")
    return f"<figure style='margin:0'>{drawn}<figcaption>{escape(str(caption))}</figcaption></figure>"


_LONG = 40  # letters; a column of longer text makes the table as wide as text is read easily


def table(frame: pd.DataFrame, name: str) -> str:
    """A frame as HTML, every text escaped, wide ones scrolling in their own box; name: what a screen reader calls it,
    which no other table on the page may have.
    """
    inside = frame.to_html(index=False, border=0, escape=True, na_rep="-", float_format=number)
    long = [c for c in frame.select_dtypes(["object", "string"]) if frame[c].astype(str).str.len().max() > _LONG]
    if long:
        inside = inside.replace("<table", '<table style="min-width:44rem"', 1)
    return f'<div style="overflow-x:auto" tabindex="0" role="region" aria-label="{escape(name)}">{inside}</div>'


def words(*lines: str) -> str:
    """Lines as a list, escaped."""
    return "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>"


def choice(label: str, options: list[Any], value: Any = None) -> widgets.Dropdown:
    """A labelled list to choose from."""
    return widgets.Dropdown(
        description=label,
        options=options,
        **({} if value is None else {"value": value}),
        style=_LABEL,
        layout={"width": "auto", "max_width": "100%"},
    )


def number_box(label: str, value: float | None, low: float = 0.0) -> widgets.BoundedFloatText:
    """A labelled box for a number, taken exactly as typed."""
    return widgets.BoundedFloatText(
        description=label,
        value=value or 0.0,
        min=low,
        max=1e12,
        style=_LABEL,
        layout={"width": "auto", "min_width": "240px"},
    )


def text_box(label: str, value: str = "") -> widgets.Text:
    """A labelled box for a line of text; what is typed counts when it is left."""
    return widgets.Text(
        description=label,
        value=value,
        continuous_update=False,
        style=_LABEL,
        layout={"width": "auto", "min_width": "240px"},
    )


def button(label: str, tooltip: str, act: Callable[[], None]) -> widgets.Button:
    """A button that does one thing."""
    made = widgets.Button(description=label, tooltip=tooltip, layout={"width": "auto"})
    made.on_click(lambda _: act())
    return made


def redrawn(controls: list[Any], chosen: Callable[[], T], *parts: tuple[Shown, Callable[[T], str]]) -> None:
    """Draw each part now and whenever a control changes, in order, each on screen before the next is begun.

    chosen: what the controls say, worked out once for all parts. A message of ours is shown where the picture would be,
    and nothing below it.
    """

    def again(_: Any = None) -> None:
        try:
            what = chosen()
        except CmkitError as error:
            for n, (out, _draw) in enumerate(parts):
                out.value = "" if n else _message(error)
            return
        for out, draw in parts:
            out.value = said(partial(draw, what))

    for control in controls:
        control.observe(again, names="value")
    again()


def said(draw: Callable[[], str]) -> str:
    """What a function draws, or the message of the error it raises on purpose."""
    try:
        return draw()
    except CmkitError as error:
        return _message(error)


def _message(error: CmkitError) -> str:
    return f"<p role='alert'>{escape(str(error))}</p>"
