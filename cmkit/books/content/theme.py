"""How figures look: ink on white, one accent, system fonts; told apart by form and shade, never by colour alone."""

from typing import Any

import plotly.graph_objects as go
from IPython.display import display

from cmkit.books.content.figures.svg import as_svg

INK = "#16202b"
SOFT = "#5b6673"
LINE = "#c9d0d7"
FAINT = "#e9edf0"
ACCENT = "#1b4f8f"
BAND = "rgba(27,79,143,0.16)"
FONT = 'system-ui, -apple-system, "Segoe UI", Roboto, "Helvetica Neue", Arial, sans-serif'

_AXIS: dict[str, Any] = {
    "showgrid": True,
    "gridcolor": FAINT,
    "zeroline": False,
    "showline": True,
    "linecolor": LINE,
    "ticks": "outside",
    "ticklen": 4,
    "tickcolor": LINE,
    "automargin": True,
    "fixedrange": True,
    "title": {"font": {"size": 12, "color": SOFT}, "standoff": 6},
}

TEMPLATE = go.layout.Template(
    layout={
        "font": {"family": FONT, "size": 12, "color": INK},
        "colorway": [INK, ACCENT, SOFT],
        "paper_bgcolor": "#fff",
        "plot_bgcolor": "#fff",
        "margin": {"l": 8, "r": 12, "t": 26, "b": 8},
        "showlegend": False,
        "hovermode": "closest",
        "hoverlabel": {"bgcolor": "#fff", "bordercolor": LINE, "font": {"color": INK}},
        "xaxis": _AXIS,
        "yaxis": _AXIS | {"rangemode": "tozero"},
        "annotationdefaults": {"showarrow": False, "font": {"size": 12, "color": INK}},
    }
)


PLOTLY = "application/vnd.plotly.v1+json"
CONFIG = {"responsive": True, "displaylogo": False, "displayModeBar": False}


class Figure(go.Figure):
    """A plotly figure that a notebook shows in every form a reader of it may know: plotly's own, a picture (SVG), and
    words.
    """

    def _repr_mimebundle_(self, *_: Any, **__: Any) -> dict[str, Any]:
        return figure_bundle(self)

    def _ipython_display_(self) -> None:
        display(figure_bundle(self), raw=True)


def figure_bundle(figure: go.Figure) -> dict[str, Any]:
    """The forms a figure travels in: plotly's own, which a book and JupyterLab draw; a picture for everything else; its
    alternative text.
    """
    plain = figure.to_plotly_json()
    meta = plain.get("layout", {}).get("meta") or {}
    words = f"{meta.get('caption', '')}\n{meta.get('alt', '')}".strip() or "Figure"
    return {PLOTLY: plain | {"config": CONFIG}, "image/svg+xml": as_svg(plain), "text/plain": words}


def figure(
    data: list[dict[str, Any]], layout: dict[str, Any], caption: str, alt: str, table: dict[str, Any] | None = None
) -> Figure:
    """A figure in our look. caption can be understood alone; alt says what the picture shows; table holds its numbers
    for readers.

    plotly does not check what it is given here, which takes four times as long as all else of a figure; the tests do.
    """
    meta = {"caption": caption, "alt": alt} | ({"table": table} if table else {})
    return Figure({"data": data, "layout": {"template": TEMPLATE, "meta": meta, **layout}}, _validate=False)
