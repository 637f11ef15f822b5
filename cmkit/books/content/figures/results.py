"""Results of one compartment, by the machine's hours and by the hours on the fluid."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from cmkit.books.content.figures.panels import (
    axis,
    band,
    limit_line,
    line,
    rounded,
    rows_as_lists,
    stacked,
    vertical_lines,
)
from cmkit.books.content.theme import ACCENT, INK, LINE, SOFT, figure
from cmkit.books.content.wording import analyte_name, count, figure_text, listed, number, quantity, short_day, with_unit
from cmkit.records.censoring import signed
from cmkit.records.constants import HALF_NINETY

NO_FRESH: Mapping[str, float] = MappingProxyType({})


def results_over_hours(
    points: pd.DataFrame, limits: pd.DataFrame, where: str, fresh: Mapping[str, float] = NO_FRESH
) -> go.Figure:
    """Results by the machine's hours, one panel a result, against what was expected and the limits.

    points: analyte, drawn_on, hours, fluid_h, value, below, above, expected, expected_sd, believed, changed, unit;
    limits: analyte, direction, alert, alarm (level, in the result's unit); where: the compartment's name; fresh:
    analyte -> what it is in the fresh fluid, for results whose scale is drawn about that and not from nothing.
    """
    analytes = list(dict.fromkeys(points["analyte"]))
    layout = stacked([with_unit(a) for a in analytes], "machine hours, h")
    data: list[dict[str, Any]] = []
    for i, analyte in enumerate(analytes):
        own = points[points["analyte"] == analyte]
        data += [*_expected(own, i), _results(own, "hours", i)]
        newest_value(layout, i, own)
        changed = own[own["changed"]]
        if len(changed):
            top = rounded([own["value"].max()])[0] or 1.0
            bottom = 0.0 if analyte not in fresh else own["value"].min()
            data.insert(0, vertical_lines(rounded(changed["hours"] - changed["since_change"], 6), (bottom, top), i))
        _scale(layout, i, own, limits[limits["analyte"] == analyte], fresh.get(analyte))
    names = listed([analyte_name(a) for a in analytes])
    caption = (
        f"{names[:1].upper()}{names[1:]} in {where} by machine hours. Dots: results (triangle down or up: reported as "
        f"below or above a limit; cross: bottle doubted). "
        "Shaded: where 9 in 10 results were expected, from its own past with changes and top-ups allowed for, up to a "
        "suspected fault; bar: what was then expected of the newest. Dashed: alarm limit or its family's limit, "
        "dotted: alert limit. Vertical lines: fluid changes."
        + (" A thin line: the fresh fluid." if any(np.isfinite(v) for v in fresh.values()) else "")
    )
    return figure(data, layout, caption, _alt(points, limits, analytes, where), _table(points, analytes))


def results_over_fluid(
    points: pd.DataFrame, limits: pd.DataFrame, where: str, fresh: Mapping[str, float] = NO_FRESH
) -> go.Figure:
    """The same results by hours on the fluid: this charge in ink, earlier ones in grey. Columns as in
    `results_over_hours`, plus charge.
    """
    analytes = list(dict.fromkeys(points["analyte"]))
    layout = stacked([with_unit(a) for a in analytes], "hours on the fluid, h")
    data: list[dict[str, Any]] = []
    for i, analyte in enumerate(analytes):
        own = points[points["analyte"] == analyte]
        old = own["charge"] < points["charge"].max()
        data += [*_earlier(own[old], i), _results(own[~old].sort_values("fluid_h"), "fluid_h", i, size=8)]
        _scale(layout, i, own, limits[limits["analyte"] == analyte], fresh.get(analyte))
    charges = points["charge"].nunique()
    caption = (
        f"The same results by hours on the fluid: filled dots are the charge in {where} now"
        + (f", open dots its {charges - 1} earlier charge{'s' if charges > 2 else ''}." if charges > 1 else ".")
        + " A line that climbs above the earlier ones at the same fluid hours means faster wear, not older fluid."
    )
    newest = points[points["charge"] == points["charge"].max()]
    alt = (
        f"Line charts of {listed([analyte_name(a) for a in analytes])} against hours on the fluid; "
        f"{count(newest['drawn_on'].nunique(), 'result')} on the present charge."
    )
    return figure(data, layout, caption, alt, _table(points, analytes))


def newest_value(layout: dict[str, Any], panel: int, own: pd.DataFrame) -> None:
    """The newest result written beside its dot."""
    last = own.iloc[-1]
    words = f"<b>{figure_text(_result(last))}</b>"
    layout["annotations"].append(
        {
            "text": words,
            "xref": axis("x", panel),
            "x": rounded([last["hours"]], 6)[0],
            "yref": axis("y", panel),
            "y": float(last["value"]),
            "xanchor": "left",
            "xshift": 5,
            "yanchor": "middle",
            "font": {"size": 12, "color": ACCENT},
        }
    )


def _result(row: Any) -> str:
    """A result with `<` or `>` where it is a limit."""
    return signed(row.value, row.below, row.above) + number(row.value)


def _expected(own: pd.DataFrame, panel: int) -> list[dict[str, Any]]:
    """The band of forecasts, and a bar where there is an expectation without one."""
    known, bare = (
        own[own["expected_sd"].notna() & own["expected"].notna()],
        own[own["expected"].notna() & own["expected_sd"].isna()],
    )
    out: list[dict[str, Any]] = []
    if len(known) >= 2:
        half = HALF_NINETY * known["expected_sd"]
        low = (known["expected"] - half).clip(lower=0)
        out.append(
            band(rounded(known["hours"], 6), rounded(low, 3), rounded(known["expected"] + half, 3), panel, "expected")
        )
    if len(bare):
        bar = {"color": ACCENT, "size": 16, "symbol": "line-ew", "line": {"color": ACCENT, "width": 3}}
        out.append(
            line(
                rounded(bare["hours"], 6),
                rounded(bare["expected"]),
                panel,
                "expected %{y:,}",
                mode="markers",
                marker=bar,
            )
        )
    return out


def _results(own: pd.DataFrame, x: str, panel: int, size: int = 6) -> dict[str, Any]:
    """Results in ink; a triangle for one reported as below (down) or above (up) a limit, a cross
    for a doubted bottle.
    """
    symbols = np.select(
        [own["believed"] < 0.5, own["below"], own["above"]], ["x", "triangle-down", "triangle-up"], "circle"
    ).tolist()
    marker = {"color": INK, "size": size} | ({"symbol": symbols} if set(symbols) - {"circle"} else {})
    hover = "%{customdata}: %{y:,} " + figure_text(own["unit"].iloc[0] if len(own) else "")
    days = [short_day(drawn) for drawn in own["drawn_on"]]
    return line(rounded(own[x], 6), rounded(own["value"]), panel, hover, marker=marker, customdata=days)


def _earlier(own: pd.DataFrame, panel: int) -> list[dict[str, Any]]:
    """Earlier charges as one grey trace, a gap between each and the next."""
    x: list[float | None] = []
    y: list[float | None] = []
    for _, part in own.sort_values(["charge", "fluid_h"]).groupby("charge"):
        x += [*rounded(part["fluid_h"], 6), None]
        y += [*rounded(part["value"]), None]
    marker = {"color": "#fff", "size": 5, "line": {"color": SOFT, "width": 1}}
    return [line(x, y, panel, line={"color": LINE, "width": 1.2}, marker=marker)] if x else []


def _scale(layout: dict[str, Any], panel: int, own: pd.DataFrame, limits: pd.DataFrame, fresh: float | None) -> None:
    """A panel's limits, and where a result is held against the fresh fluid (`fresh` is not None) a scale about that,
    not from nothing.
    """
    if fresh is None:
        _limit_lines(layout, panel, own, limits)
        return
    values = own["value"].to_numpy(float)
    beyond = (limits["direction"] == "up") & (values.max() >= limits["alert"]) | (limits["direction"] == "down") & (
        values.min() <= limits["alert"]
    )
    ends = np.concatenate(
        [values, [fresh], limits["alert"].to_numpy(float), limits.loc[beyond, "alarm"].to_numpy(float)]
    )
    low, high = float(np.nanmin(ends)), float(np.nanmax(ends))
    room = 0.08 * ((high - low) or abs(high) or 1.0)
    layout["yaxis" + ("" if panel == 0 else str(panel + 1))]["range"] = rounded([low - room, high + room])
    shown = limits.assign(alarm=limits["alarm"].where(limits["alarm"].between(low, high)))
    _limit_lines(layout, panel, own, shown)
    if np.isfinite(fresh):
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


def _limit_lines(layout: dict[str, Any], panel: int, own: pd.DataFrame, limits: pd.DataFrame) -> None:
    biggest = float(np.nanmax(np.append(own["value"].to_numpy(float), 1e-9)))
    for direction, named, alarm, alert in rows_as_lists(limits, ["direction", "named", "alarm", "alert"]):
        below = " (low)" if direction == "down" else ""
        limit_line(layout, panel, alarm, f"{named}{below}", biggest)
        limit_line(layout, panel, alert, f"alert{below}", biggest)


def _alt(points: pd.DataFrame, limits: pd.DataFrame, analytes: list[str], where: str) -> str:
    """What the picture shows, from its numbers."""
    said = []
    for analyte in analytes:
        at = np.flatnonzero((points["analyte"] == analyte) & points["value"].notna())
        if not at.size:
            continue
        columns = ("value", "unit", "drawn_on", "expected", "below", "above")
        value, unit, drawn, expected, under, over = (points[c].iloc[at[-1]] for c in columns)
        words = (
            f"{analyte_name(analyte)} last {signed(value, under, over)}{quantity(value, unit)} on {short_day(drawn)}"
        )
        if pd.notna(expected):
            words += f" where {quantity(expected, '')} was expected"
        bound = np.flatnonzero((limits["analyte"] == analyte) & limits["alarm"].notna())[:1]
        said.append(
            words + "".join(f", {limits['named'].iloc[i]} limit {number(limits['alarm'].iloc[i])}" for i in bound)
        )
    return f"Line charts of {count(points['drawn_on'].nunique(), 'bottle')} from {where}: {'; '.join(said)}."


def _table(points: pd.DataFrame, analytes: list[str]) -> dict[str, Any]:
    """The numbers behind the figure, newest bottle first."""
    keys = points.drop_duplicates("sample").sort_values("hours", ascending=False)
    shown = rows_as_lists(points, ["sample", "analyte", "value", "below", "above"])
    values = {(sample, a): signed(value, under, over) + number(value) for sample, a, value, under, over in shown}
    rows = [
        [short_day(drawn), number(hours, 6), number(fluid_h, 4), *(values.get((sample, a), "-") for a in analytes)]
        for sample, drawn, hours, fluid_h in rows_as_lists(keys, ["sample", "drawn_on", "hours", "fluid_h"])
    ]
    return {
        "columns": ["Drawn", "Machine hours, h", "Hours on the fluid, h", *(with_unit(a) for a in analytes)],
        "rows": rows,
    }
