"""Results of one compartment, by the machine's hours and by the hours on the fluid."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from cmkit.books.content.figures.panels import (
    Columns,
    axis,
    band,
    columns_of,
    limit_line,
    line,
    picked,
    rounded,
    stacked,
    vertical_lines,
)
from cmkit.books.content.theme import ACCENT, INK, LINE, SOFT, figure
from cmkit.books.content.wording import analyte_name, count, figure_text, listed, number, quantity, short_day, with_unit
from cmkit.records.censoring import signed
from cmkit.records.constants import HALF_NINETY


@dataclass(frozen=True)
class Ahead:
    """What the next bottle may show. hours: to it, h; low to high: between which 8 in 10 results lie (in the result's
    unit).
    """

    hours: float
    low: float
    high: float


NO_FRESH: Mapping[str, float] = MappingProxyType({})
NO_AHEAD: Mapping[str, Ahead] = MappingProxyType({})


def results_over_hours(
    points: pd.DataFrame,
    limits: pd.DataFrame,
    where: str,
    fresh: Mapping[str, float] = NO_FRESH,
    ahead: Mapping[str, Ahead] = NO_AHEAD,
) -> go.Figure:
    """Results by the machine's hours, one panel a result, against what was expected and the limits.

    points: analyte, drawn_on, hours, fluid_h, value, below, above, expected, expected_sd, believed, changed, unit;
    limits: analyte, direction, alert, alarm (level, in the result's unit); where: the compartment's name; fresh:
    analyte -> what it is in the fresh fluid, for results whose scale is drawn about that and not from nothing; ahead:
    analyte -> what its next bottle may show, for results that tell what is wrong.
    """
    every, bounds = columns_of(points, _OF_POINTS), columns_of(limits, _OF_LIMITS)
    analytes = list(dict.fromkeys(every["analyte"].tolist()))
    layout = stacked([with_unit(a) for a in analytes], "machine hours, h")
    data: list[dict[str, Any]] = []
    for i, analyte in enumerate(analytes):
        own = picked(every, every["analyte"] == analyte)
        coming = ahead.get(analyte)
        data += [*_expected(own, i), *(_fan(own, coming, i) if coming else ()), _results(own, "hours", i)]
        newest_value(layout, i, own)
        changed = own["changed"].astype(bool)
        if changed.any():
            top = rounded([np.nanmax(own["value"])])[0] or 1.0
            bottom = 0.0 if analyte not in fresh else float(np.nanmin(own["value"]))
            at = (own["hours"] - own["since_change"])[changed]
            data.insert(0, vertical_lines(rounded(at, 6), (bottom, top), i))
        bound, most = picked(bounds, bounds["analyte"] == analyte), coming.high if coming else 0.0
        _scale(layout, i, own, bound, fresh.get(analyte), most=most)
    names = listed([analyte_name(a) for a in analytes])
    caption = (
        f"{names[:1].upper()}{names[1:]} in {where} by machine hours. Dots: results (triangle down or up: reported as "
        f"below or above a limit; cross: bottle doubted). "
        "Shaded: where 9 in 10 results were expected, from its own past with changes and top-ups allowed for, up to a "
        "suspected fault; bar: what was then expected of the newest. Dashed: alarm limit or its family's limit, "
        "dotted: alert limit. Vertical lines: fluid changes."
        + (" A thin line: the fresh fluid." if any(np.isfinite(v) for v in fresh.values()) else "")
        + _coming_words(ahead, analytes)
    )
    return figure(data, layout, caption, _alt(every, bounds, analytes, where), _table(every, analytes))


def results_over_fluid(
    points: pd.DataFrame, limits: pd.DataFrame, where: str, fresh: Mapping[str, float] = NO_FRESH
) -> go.Figure:
    """The same results by hours on the fluid: this charge in ink, earlier ones in grey. Columns as in
    `results_over_hours`, plus charge.
    """
    every, bounds = columns_of(points, (*_OF_POINTS, "charge")), columns_of(limits, _OF_LIMITS)
    analytes = list(dict.fromkeys(every["analyte"].tolist()))
    layout = stacked([with_unit(a) for a in analytes], "hours on the fluid, h")
    data: list[dict[str, Any]] = []
    newest = every["charge"].max()
    for i, analyte in enumerate(analytes):
        own = picked(every, every["analyte"] == analyte)
        old, now = picked(own, own["charge"] < newest), picked(own, own["charge"] == newest)
        now = picked(now, now["fluid_h"].argsort(kind="stable"))
        data += [*_earlier(old, i), _results(now, "fluid_h", i, size=8)]
        early = float(now["fluid_h"].max(initial=0.0)) < float(np.nanmax(own["fluid_h"])) / 2
        bound = picked(bounds, bounds["analyte"] == analyte)
        _scale(layout, i, own, bound, fresh.get(analyte), right=early)
    charges = len(set(every["charge"].tolist()))
    caption = (
        f"The same results by hours on the fluid: filled dots are the charge in {where} now"
        + (f", open dots its {charges - 1} earlier charge{'s' if charges > 2 else ''}." if charges > 1 else ".")
        + " A line that climbs above the earlier ones at the same fluid hours means faster wear, not older fluid."
    )
    bottles = len(set(every["drawn_on"][every["charge"] == newest].tolist()))
    alt = (
        f"Line charts of {listed([analyte_name(a) for a in analytes])} against hours on the fluid; "
        f"{count(bottles, 'result')} on the present charge."
    )
    return figure(data, layout, caption, alt, _table(every, analytes))


_OF_POINTS = (
    "sample",
    "analyte",
    "unit",
    "drawn_on",
    "hours",
    "fluid_h",
    "value",
    "below",
    "above",
    "expected",
    "expected_sd",
    "believed",
    "changed",
    "since_change",
)
_OF_LIMITS = ("analyte", "direction", "named", "alert", "alarm")


def newest_value(layout: dict[str, Any], panel: int, own: Columns) -> None:
    """The newest result written beside its dot; own: hours, value, below, above."""
    hours, value, under, over = (own[c][-1] for c in ("hours", "value", "below", "above"))
    words = f"<b>{figure_text(signed(value, under, over) + number(value))}</b>"
    layout["annotations"].append(
        {
            "text": words,
            "xref": axis("x", panel),
            "x": rounded([hours], 6)[0],
            "yref": axis("y", panel),
            "y": float(value),
            "xanchor": "left",
            "xshift": 5,
            "yanchor": "middle",
            "font": {"size": 12, "color": ACCENT},
        }
    )


def _expected(own: Columns, panel: int) -> list[dict[str, Any]]:
    """The band of forecasts, and a bar where there is an expectation without one."""
    given, spread = ~np.isnan(own["expected"]), ~np.isnan(own["expected_sd"])
    known, bare = picked(own, given & spread), picked(own, given & ~spread)
    out: list[dict[str, Any]] = []
    if len(known["value"]) >= 2:
        half = HALF_NINETY * known["expected_sd"]
        low, high = np.maximum(known["expected"] - half, 0), known["expected"] + half
        out.append(band(rounded(known["hours"], 6), rounded(low, 3), rounded(high, 3), panel, "expected"))
    if len(bare["value"]):
        bar = {"color": ACCENT, "size": 16, "symbol": "line-ew", "line": {"color": ACCENT, "width": 3}}
        x, y = rounded(bare["hours"], 6), rounded(bare["expected"])
        out.append(line(x, y, panel, "expected %{y:,}", mode="markers", marker=bar))
    return out


def _fan(own: Columns, coming: Ahead, panel: int) -> list[dict[str, Any]]:
    """A fan from the newest result to what the next bottle may show, with a bar at its end."""
    now, level = float(own["hours"][-1]), float(own["value"][-1])
    x, low, high = rounded([now, now + coming.hours], 6), rounded([level, coming.low]), rounded([level, coming.high])
    said = f"next bottle {number(coming.low)} to {number(coming.high)}"
    style = {"color": ACCENT, "width": 3}
    bar = line([x[1], x[1]], [low[1], high[1]], panel, said, mode="lines", line=style, marker={})
    return [band(x, low, high, panel, "next bottle"), bar]


def _coming_words(ahead: Mapping[str, Ahead], analytes: list[str]) -> str:
    """What the fan at the right is, with its numbers; empty where there is none."""
    said = [f"{analyte_name(a)} {number(ahead[a].low)} to {number(ahead[a].high)}" for a in analytes if a in ahead]
    if not said:
        return ""
    hours = number(next(ahead[a].hours for a in analytes if a in ahead), 3)
    return (
        f" Fan at the right: where 8 in 10 results will lie {hours} h on, if nothing is done and the fluid stays in, "
        f"by the pace since the bottle before and how faults grow: {listed(said)}."
    )


def _results(own: Columns, x: str, panel: int, size: int = 6) -> dict[str, Any]:
    """Results in ink; a triangle for one reported as below (down) or above (up) a limit, a cross
    for a doubted bottle.
    """
    doubted, under, over = own["believed"] < 0.5, own["below"].astype(bool), own["above"].astype(bool)
    symbols = np.select([doubted, under, over], ["x", "triangle-down", "triangle-up"], "circle").tolist()
    marker = {"color": INK, "size": size} | ({"symbol": symbols} if set(symbols) - {"circle"} else {})
    hover = "%{customdata}: %{y:,} " + figure_text(own["unit"][0] if len(own["unit"]) else "")
    days = [short_day(pd.Timestamp(drawn)) for drawn in own["drawn_on"]]
    return line(rounded(own[x], 6), rounded(own["value"]), panel, hover, marker=marker, customdata=days)


def _earlier(own: Columns, panel: int) -> list[dict[str, Any]]:
    """Earlier charges as one grey trace, a gap between each and the next."""
    x: list[float | None] = []
    y: list[float | None] = []
    own = picked(own, np.lexsort((own["fluid_h"], own["charge"])))
    for charge in dict.fromkeys(own["charge"].tolist()):
        part = picked(own, own["charge"] == charge)
        x += [*rounded(part["fluid_h"], 6), None]
        y += [*rounded(part["value"]), None]
    marker = {"color": "#fff", "size": 5, "line": {"color": SOFT, "width": 1}}
    return [line(x, y, panel, line={"color": LINE, "width": 1.2}, marker=marker)] if x else []


def _scale(
    layout: dict[str, Any],
    panel: int,
    own: Columns,
    limits: Columns,
    fresh: float | None,
    *,
    most: float = 0.0,
    right: bool = False,
) -> None:
    """A panel's limits, and where a result is held against the fresh fluid (`fresh` is not None) a scale about that,
    not from nothing. most: how far up what is drawn beside the results reaches; right: limits are named at the right.
    """
    if fresh is None:
        _limit_lines(layout, panel, max(float(np.nanmax(own["value"])), most, 1e-9), limits, right)
        return
    values, alarm, alert = (c.astype(float) for c in (own["value"], limits["alarm"], limits["alert"]))
    up, down = limits["direction"] == "up", limits["direction"] == "down"
    beyond = up & (values.max() >= alert) | down & (values.min() <= alert)
    ends = np.concatenate([values, [fresh], alert, alarm[beyond]])
    low, high = float(np.nanmin(ends)), float(np.nanmax(ends))
    room = 0.08 * ((high - low) or abs(high) or 1.0)
    layout["yaxis" + ("" if panel == 0 else str(panel + 1))]["range"] = rounded([low - room, high + room])
    shown = limits | {"alarm": np.where((alarm >= low) & (alarm <= high), alarm, np.nan)}
    _limit_lines(layout, panel, max(float(np.nanmax(values)), 1e-9), shown, right)
    if np.isfinite(fresh):
        _fresh_line(layout, panel, fresh)


def _fresh_line(layout: dict[str, Any], panel: int, fresh: float) -> None:
    """A thin line at what the result is in the fresh fluid."""
    x, y = axis("x", panel), axis("y", panel)
    across = {"type": "line", "xref": f"{x} domain", "x0": 0, "x1": 1, "yref": y, "y0": fresh, "y1": fresh}
    layout["shapes"].append(across | {"line": {"color": SOFT, "width": 0.8}})
    layout["annotations"].append(
        {
            "text": f"fresh {number(fresh)}",
            "xref": f"{x} domain",
            "x": 0.01,
            "xanchor": "left",
            "yref": y,
            "y": fresh,
            "yanchor": "bottom",
            "font": {"size": 11, "color": SOFT},
            "bgcolor": "rgba(255,255,255,.75)",
        }
    )


def _limit_lines(layout: dict[str, Any], panel: int, biggest: float, limits: Columns, right: bool) -> None:
    columns = (limits[c].tolist() for c in ("direction", "named", "alarm", "alert"))
    for direction, named, alarm, alert in zip(*columns, strict=True):
        below = " (low)" if direction == "down" else ""
        limit_line(layout, panel, alarm, f"{named}{below}", biggest, right=right)
        limit_line(layout, panel, alert, f"alert{below}", biggest, right=right)


def _alt(points: Columns, limits: Columns, analytes: list[str], where: str) -> str:
    """What the picture shows, from its numbers."""
    said = []
    for analyte in analytes:
        at = np.flatnonzero((points["analyte"] == analyte) & ~np.isnan(points["value"]))
        if not at.size:
            continue
        columns = ("value", "unit", "drawn_on", "expected", "below", "above")
        value, unit, drawn, expected, under, over = (points[c][at[-1]] for c in columns)
        words = (
            f"{analyte_name(analyte)} last {signed(value, under, over)}{quantity(value, unit)} on "
            f"{short_day(pd.Timestamp(drawn))}"
        )
        if np.isfinite(expected):
            words += f" where {quantity(expected, '')} was expected"
        said.append(words + _nearest_limit(limits, analyte, float(value)))
    bottles = len(set(points["drawn_on"].tolist()))
    return f"Line charts of {count(bottles, 'bottle')} from {where}: {'; '.join(said)}."


def _nearest_limit(limits: Columns, analyte: str, value: float) -> str:
    """The limit a result has passed or, where it has passed none, the one it is nearest to: `, alarm limit 7.99`."""
    alarm = np.where(limits["analyte"] == analyte, limits["alarm"].astype(float), np.nan)
    if np.isnan(alarm).all():
        return ""
    up = limits["direction"] == "up"
    i = int(np.nanargmin(np.where(up, alarm - value, value - alarm)))
    return f", {limits['named'][i]} limit {number(alarm[i])}{'' if up[i] else ' (low)'}"


def _table(points: Columns, analytes: list[str]) -> dict[str, Any]:
    """The numbers behind the figure, newest bottle first."""
    names = ("sample", "analyte", "value", "below", "above")
    shown = zip(*(points[c].tolist() for c in names), strict=True)
    values = {(sample, a): signed(value, under, over) + number(value) for sample, a, value, under, over in shown}
    firsts = np.array(list({s: n for n, s in reversed(list(enumerate(points["sample"].tolist())))}.values()), int)
    rows = []
    for n in firsts[np.argsort(-points["hours"][firsts], kind="stable")]:
        sample, drawn, hours, fluid_h = (points[c][n] for c in ("sample", "drawn_on", "hours", "fluid_h"))
        results = (values.get((sample, a), "-") for a in analytes)
        rows.append([short_day(pd.Timestamp(drawn)), number(hours, 6), number(fluid_h, 4), *results])
    return {
        "columns": ["Drawn", "Machine hours, h", "Hours on the fluid, h", *(with_unit(a) for a in analytes)],
        "rows": rows,
    }
