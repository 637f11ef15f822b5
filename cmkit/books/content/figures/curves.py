"""Cost of sampling against the interval, and sites side by side."""

import math
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from cmkit.books.content.figures.panels import band, line, rounded, stacked
from cmkit.books.content.theme import ACCENT, INK, LINE, SOFT, figure
from cmkit.books.content.wording import GLYPHS, figure_text, hours, listed, number

_HOURS = [125 * 2**n for n in range(7)]
_DOUBLINGS = {"type": "log", "tickvals": _HOURS, "ticktext": [f"{h:,.0f}" for h in _HOURS]}


def cost_curves(curves: pd.DataFrame, advice: pd.DataFrame, currency: str) -> go.Figure:
    """Expected cost per 1,000 h against the sampling interval, one panel a family, with today's and the advised
    interval.

    curves: name, every_h, cost_per_1000h, low, high; advice: name, today_h, advised_h, flat_low_h, flat_high_h.
    """
    names = list(dict.fromkeys(curves["name"]))
    layout = stacked([f"{n}: {currency} per 1,000 h" for n in names], "sampling interval, h (logarithmic)")
    for i in range(len(names)):
        layout["xaxis" + ("" if i == 0 else str(i + 1))] |= _DOUBLINGS
    data: list[dict[str, Any]] = []
    said = []
    for i, name in enumerate(names):
        own, row = curves[curves["name"] == name].sort_values("every_h"), advice[advice["name"] == name].iloc[0]
        x = rounded(own["every_h"], 6)
        hover = "every %{x:,} h: %{y:,.0f} per 1,000 h"
        data += [
            band(x, rounded(own["low"]), rounded(own["high"]), i, "spread"),
            line(x, rounded(own["cost_per_1000h"]), i, hover, mode="lines"),
        ]
        _mark(layout, i, row["today_h"], "today", SOFT)
        _mark(layout, i, row["advised_h"], "advised", ACCENT)
        said.append(
            f"{name}: today {hours(row['today_h'])}, "
            + (f"advised {hours(row['advised_h'])}" if np.isfinite(row["advised_h"]) else "no interval pays")
        )
    caption = (
        f"Expected cost per 1,000 machine hours of sampling, looking, repairing and failing, by sampling interval, "
        f"for {listed(names)}. "
        "Shaded: spread from what is not known about defects. Vertical lines: today's interval and the advised one; "
        "where the curve is flat the choice hardly matters."
    )
    return figure(data, layout, caption, f"Cost curves. {'; '.join(said)}.", _curve_table(curves))


def _curve_table(curves: pd.DataFrame) -> dict[str, Any]:
    rows = [
        [
            r.name_,
            number(r.every_h, 4) if np.isfinite(r.every_h) else "no sampling",
            number(r.cost_per_1000h),
            number(r.low),
            number(r.high),
        ]
        for r in curves.rename(columns={"name": "name_"}).itertuples()
    ]
    return {"columns": ["For", "Every, h", "Cost per 1,000 h", "from", "to (90 % interval)"], "rows": rows}


def _mark(layout: dict[str, Any], panel: int, at: float, word: str, colour: str) -> None:
    if not np.isfinite(at):
        return
    x, y = ("x", "y") if panel == 0 else (f"x{panel + 1}", f"y{panel + 1}")
    dash = "dot" if word == "today" else "solid"
    layout["shapes"].append(
        {
            "type": "line",
            "xref": x,
            "x0": at,
            "x1": at,
            "yref": f"{y} domain",
            "y0": 0,
            "y1": 1,
            "line": {"color": colour, "width": 1.4, "dash": dash},
        }
    )
    top = 1 if word == "advised" else 0.86
    layout["annotations"].append(
        {
            "text": f" {word} {number(at, 4)} h",
            "xref": x,
            "x": math.log10(
                at
            ),  # plotly takes a note's place on a logarithmic scale as its logarithm, a line's as the value
            "xanchor": "left",
            "yref": f"{y} domain",
            "y": top,
            "yanchor": "top",
            "font": {"size": 11, "color": colour},
        }
    )


def sites_side_by_side(sites: pd.DataFrame) -> go.Figure:
    """Compartments of each site by state, as stacked bars told apart by shade and by the number written in them.

    sites: name, alarm, alert, not known, clear (counts).
    """
    shades = {"alarm": INK, "alert": SOFT, "not known": LINE, "clear": "#fff"}
    data = [
        {
            "type": "bar",
            "orientation": "h",
            "y": [figure_text(n) for n in sites["name"]],
            "x": sites[s].astype(int).tolist(),
            "name": s,
            "marker": {
                "color": shade,
                "line": {"color": INK, "width": 1},
                **(
                    {"pattern": {"shape": "/", "fgcolor": SOFT, "bgcolor": "#fff", "size": 9, "solidity": 0.12}}
                    if s == "not known"
                    else {}
                ),
            },
            "text": [f"{GLYPHS[s]} {n}" if n else "" for n in sites[s].astype(int)],
            "textposition": "inside",
            "insidetextanchor": "middle",
            "textangle": 0,
            "textfont": {"color": "#fff" if s in ("alarm", "alert") else INK},
            "hoverinfo": "text",
            "hovertext": [f"{n} {s}" for n in sites[s].astype(int)],
        }
        for s, shade in shades.items()
    ]
    most = sites[list(shades)].to_numpy().sum(axis=1).max() if len(sites) else 0
    ticks = {"dtick": 1} if most <= 10 else {}  # whole compartments only
    layout = {
        "barmode": "stack",
        "height": 90 + 44 * len(sites),
        "xaxis": {"title": {"text": "compartments"}, "rangemode": "tozero", **ticks},
        "yaxis": {"type": "category", "autorange": "reversed", "showgrid": False},
        "uniformtext": {"mode": "hide", "minsize": 10},
    }
    alt = (
        "Stacked bars. "
        + "; ".join(
            f"{r['name']}: {r['alarm']} alarm, {r['alert']} alert, {r['not known']} not known, {r['clear']} clear"
            for r in sites.to_dict("records")
        )
        + "."
    )
    table = {
        "columns": ["Site", *shades],
        "rows": [[r["name"], *(int(r[s]) for s in shades)] for r in sites.to_dict("records")],
    }
    return figure(
        data,
        layout,
        "Compartments of each site by state: ● alarm black, ◐ alert grey, ? not known hatched, ○ clear white.",
        alt,
        table,
    )
