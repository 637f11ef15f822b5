"""Parts the figures share: stacked panels with one x axis, bands, limit lines, and the words on them."""

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.books.content.theme import ACCENT, BAND, INK, LINE, SOFT
from cmkit.books.content.wording import figure_text, number

PANEL_PX = 132
_GAP_PX = 34
_OFF_SCALE = 2.2  # a limit this many times above the largest value would flatten the results


def rounded(values: Any, digits: int = 4) -> list[float | None]:
    """Numbers as a figure carries them: `digits` significant figures, whole ones without a decimal point, None where
    missing; keeps a page small."""
    short = (float(f"{v:.{digits}g}") if math.isfinite(v) else None for v in np.asarray(values, float).tolist())
    return [int(v) if v is not None and v.is_integer() else v for v in short]


def rows_as_lists(frame: pd.DataFrame, columns: list[str]) -> Iterator[tuple[Any, ...]]:
    """Rows of a few columns as plain values; itertuples of a wide frame takes ten times as long."""
    return zip(*(frame[name].tolist() for name in columns), strict=True)


Columns = dict[str, NDArray[Any]]  # columns of a table, as arrays of one length


def columns_of(frame: pd.DataFrame, names: Sequence[str]) -> Columns:
    """Columns of a table as arrays: a figure picks rows of them many times, and of a table that takes thirty times as
    long.
    """
    return {name: frame[name].to_numpy() for name in names}


def picked(columns: Columns, rows: NDArray[Any]) -> Columns:
    """These rows, by place or by mask."""
    return {name: column[rows] for name, column in columns.items()}


def axis(kind: str, panel: int) -> str:
    """Name of a panel's axis in a trace (`x`, `y2`)."""
    return kind if panel == 0 else f"{kind}{panel + 1}"


def stacked(titles: list[str], x_title: str) -> dict[str, Any]:
    """Layout of one panel a title, top to bottom, all on one x axis."""
    n = len(titles)
    total = n * PANEL_PX + (n - 1) * _GAP_PX
    layout: dict[str, Any] = {"height": total + 78, "annotations": [], "shapes": []}
    for i, title in enumerate(titles):
        top = 1 - i * (PANEL_PX + _GAP_PX) / total
        bottom = max(0.0, top - PANEL_PX / total)
        layout["xaxis" + ("" if i == 0 else str(i + 1))] = {
            "anchor": axis("y", i),
            "matches": None if i == 0 else "x",
            "showticklabels": i == n - 1,
            "title": {"text": figure_text(x_title) if i == n - 1 else ""},
            "separatethousands": True,
            "nticks": 6,
            "tickformat": ",d",
        }
        layout["yaxis" + ("" if i == 0 else str(i + 1))] = {
            "anchor": axis("x", i),
            "domain": [bottom, min(top, 1.0)],
            "nticks": 5,
            "separatethousands": True,
        }
        layout["annotations"].append(
            {
                "text": f"<b>{figure_text(title)}</b>",
                "xref": "paper",
                "x": 0,
                "xanchor": "left",
                "yref": "paper",
                "y": min(top, 1.0),
                "yanchor": "bottom",
            }
        )
    return layout


def band(x: list[Any], low: list[Any], high: list[Any], panel: int, label: str) -> dict[str, Any]:
    """A shaded band between two lines; gaps where either is missing are closed over."""
    keep = [i for i in range(len(x)) if x[i] is not None and low[i] is not None and high[i] is not None]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": [x[i] for i in keep] + [x[i] for i in reversed(keep)],
        "fill": "toself",
        "fillcolor": BAND,
        "y": [high[i] for i in keep] + [low[i] for i in reversed(keep)],
        "line": {"width": 0},
        "hoverinfo": "skip",
        "name": label,
        "xaxis": axis("x", panel),
        "yaxis": axis("y", panel),
    }


def line(x: list[Any], y: list[Any], panel: int, hover: str = "", **style: Any) -> dict[str, Any]:
    """Points joined by a line; `hover` is plotly's pattern of one line a point (`%{x}`, `%{y}`), its plain text
    escaped.
    """
    own: dict[str, Any] = {
        "type": "scatter",
        "mode": "lines+markers",
        "x": x,
        "y": y,
        "xaxis": axis("x", panel),
        "yaxis": axis("y", panel),
    }
    own |= {"hovertemplate": f"{hover}<extra></extra>"} if hover else {"hoverinfo": "skip"}
    return own | {"line": {"color": INK, "width": 1.2}, "marker": {"color": INK, "size": 6}} | style


def limit_line(
    layout: dict[str, Any], panel: int, value: float, name: str, biggest: float, *, right: bool = False
) -> None:
    """A limit as a dashed line with its name and number; one far above the data is named at the top instead of drawn.

    right: the words stand at the right end, so that they do not cover a newest result at the left.
    """
    if not np.isfinite(value):
        return
    words = f"{name} {number(value)}"
    x, y = axis("x", panel), axis("y", panel)
    note: dict[str, Any] = {
        "font": {"size": 11, "color": SOFT},
        "bgcolor": "rgba(255,255,255,.75)",
        "borderpad": 0,
        "xref": f"{x} domain",
        "yanchor": "bottom",
    }
    main = not name.startswith("alert")
    if value > _OFF_SCALE * biggest:
        if main:
            words += ", above this scale"
            layout["annotations"].append(
                note | {"text": words, "x": 1, "xanchor": "right", "yref": f"{y} domain", "y": 1}
            )
        return
    line = {"color": ACCENT, "width": 1.4, "dash": "dash" if main else "dot"}
    across = {"type": "line", "xref": f"{x} domain", "x0": 0, "x1": 1, "yref": y, "y0": value, "y1": value}
    layout["shapes"].append(across | {"line": line})
    # at the left, where the past is: the newest results stand at the right
    side: dict[str, Any] = {"x": 0.99, "xanchor": "right"} if right else {"x": 0.01, "xanchor": "left"}
    side |= {} if main else {"yanchor": "top"}
    layout["annotations"].append(note | {"text": words, "yref": y, "y": value} | side)


def vertical_lines(xs: list[Any], span: tuple[float, float], panel: int) -> dict[str, Any]:
    """Thin upright lines over a span of the scale, such as fluid changes, as one trace with gaps."""
    x = [v for at in xs for v in (at, at, None)]
    y = [v for _ in xs for v in (*rounded(span), None)]
    return line(x, y, panel, mode="lines", line={"color": LINE, "width": 1, "dash": "dot"}, marker={})
