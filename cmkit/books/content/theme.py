"""How figures look: ink on white, one accent, system fonts; told apart by form and shade, never by colour alone."""

from typing import Any

import plotly.graph_objects as go

INK = "#16202b"
SOFT = "#5b6673"
LINE = "#c9d0d7"
FAINT = "#e9edf0"
ACCENT = "#1b4f8f"
BAND = "rgba(27,79,143,0.16)"
FONT = 'system-ui, -apple-system, "Segoe UI", Roboto, "Helvetica Neue", Arial, sans-serif'

_AXIS: dict[str, Any] = {
    "showgrid": True, "gridcolor": FAINT, "zeroline": False, "showline": True, "linecolor": LINE, "ticks": "outside", "ticklen": 4,
    "tickcolor": LINE, "automargin": True, "fixedrange": True, "title": {"font": {"size": 12, "color": SOFT}, "standoff": 6},
}  # fmt: skip

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


def figure(data: list[dict], layout: dict, caption: str, alt: str, table: dict | None = None) -> go.Figure:
    """A figure in our look. caption can be understood alone; alt says what the picture shows; table holds its numbers for readers.

    plotly does not check what it is given here, which takes four times as long as all else of a figure; the tests do.
    """
    meta = {"caption": caption, "alt": alt} | ({"table": table} if table else {})
    return go.Figure({"data": data, "layout": {"template": TEMPLATE, "meta": meta, **layout}}, _validate=False)
