"""Parts the desk's widgets share: labelled controls, safe HTML, and figures as pictures, which need no script and stay when the kernel is gone."""

from collections.abc import Callable
from html import escape
from typing import Any

import ipywidgets as widgets
import pandas as pd
import plotly.graph_objects as go

from cmkit.books.content.theme import figure_bundle
from cmkit.errors import CmkitError

WRAPPED = {"display": "flex", "flex_flow": "row wrap", "width": "100%"}
_LABEL = {"description_width": "initial"}


def picture(figure: go.Figure) -> str:
    """A figure and its caption as HTML."""
    meta = figure.layout.meta or {}
    return f"<figure style='margin:0'>{figure_bundle(figure)['image/svg+xml']}<figcaption>{escape(str(meta.get('caption', '')))}</figcaption></figure>"


def table(frame: pd.DataFrame) -> str:
    """A frame as HTML, every text escaped, wide ones scrolling in their own box."""
    inside = frame.to_html(index=False, border=0, escape=True, na_rep="-", float_format=lambda v: f"{v:,.4g}")
    return f"<div style='overflow-x:auto'>{inside}</div>"


def words(*lines: str) -> str:
    """Lines as a list, escaped."""
    return "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>"


def choice(label: str, options: list, value: Any = None) -> widgets.Dropdown:
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


def redrawn(controls: list, *parts: tuple[widgets.HTML, Callable[[], str]]) -> None:
    """Draw each part now and whenever a control changes, in order, each on screen before the next is begun; a message of ours is shown
    where the picture would be."""

    def again(_: Any = None) -> None:
        for out, draw in parts:
            out.value = said(draw)

    for control in controls:
        control.observe(again, names="value")
    again()


def said(draw: Callable[[], str]) -> str:
    """What a function draws, or the message of the error it raises on purpose."""
    try:
        return draw()
    except CmkitError as error:
        return f"<p role='alert'>{escape(str(error))}</p>"
