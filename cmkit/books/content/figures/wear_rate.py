"""The wear rate of one compartment over time, with its interval, and where it is going before the next bottle."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from cmkit.books.content.figures.panels import axis, band, limit_line, line, rounded, rows_as_lists, stacked
from cmkit.books.content.theme import ACCENT, figure
from cmkit.books.content.wording import analyte_name, chance, hours, listed, number, sentence, short_day
from cmkit.records.constants import HALF_NINETY

PER_1000_H = 1000.0
NO_NEWEST: Mapping[str, tuple[float, float]] = MappingProxyType({})


def rate_over_time(
    history: pd.DataFrame,
    limits: pd.DataFrame,
    where: str,
    newest: Mapping[str, tuple[float, float]] = NO_NEWEST,
) -> go.Figure:
    """Wear rate, ppm per 1,000 h, with its 90 % interval and the family's limits.

    history: analyte, drawn_on, hours, rate, rate_sd (ppm/h), in order of hours; limits: analyte, alarm (ppm/h), named;
    newest: analyte -> rate by the last two bottles alone and its standard deviation (ppm/h), for what a fault moves:
    the line, which weighs all bottles, follows such a rate late.
    """
    analytes = list(dict.fromkeys(history["analyte"]))
    layout = stacked([f"{analyte_name(a)}, ppm per 1,000 h" for a in analytes], "machine hours, h")
    data: list[dict[str, Any]] = []
    said, alones = [], []
    for i, analyte in enumerate(analytes):
        own = history[history["analyte"] == analyte]
        rate, half = PER_1000_H * own["rate"], PER_1000_H * HALF_NINETY * own["rate_sd"]
        x = rounded(own["hours"], 6)
        hover = "%{x:,} h: %{y:,} ppm per 1,000 h"
        data += [
            band(x, rounded((rate - half).clip(lower=0), 3), rounded(rate + half, 3), i, "interval"),
            line(x, rounded(rate), i, hover),
        ]
        top = float((rate + half).max())
        words = f"{analyte_name(analyte)} now {_interval(rate.iloc[-1], half.iloc[-1])}"
        if analyte in newest:
            alone, spread = PER_1000_H * newest[analyte][0], PER_1000_H * HALF_NINETY * newest[analyte][1]
            data.append(_alone(own["hours"].iloc[-1], alone, spread, i))
            top = max(top, alone + spread)
            alones.append(f"{analyte_name(analyte)} {_interval(alone, spread)}")
            words += f", since the bottle before {number(alone)}"
        for alarm, named in rows_as_lists(limits[limits["analyte"] == analyte], ["alarm", "named"]):
            limit_line(layout, i, PER_1000_H * alarm, named, top)
        said.append(words)
    caption = (
        f"Wear rate in {where}, ppm per 1,000 machine hours at full charge, with fluid changes and top-ups allowed "
        f"for. "
        "Shaded: 90 % interval. Dashed: what 1 in 40 of its family exceed."
    )
    if alones:
        caption += (
            f" The line weighs all bottles and follows late while a fault grows. Open dot: the last two bottles alone, "
            f"with the 90 % interval of the laboratory's scatter: {listed(alones)}."
        )
    return figure(
        data, layout, caption, f"Line charts of wear rate in ppm per 1,000 h: {'; '.join(said)}.", _rate_table(history)
    )


def _interval(rate: float, half: float) -> str:
    """`71 (57 to 85)`: a rate and its 90 % interval, which does not go below nothing."""
    return f"{number(rate)} (90 % interval {number(max(rate - half, 0))} to {number(rate + half)})"


def _alone(at: float, rate: float, half: float, panel: int) -> dict[str, Any]:
    """An open dot with its bar, at machine hours `at`."""
    low = min(half, max(rate, 0.0))
    bar = {"type": "data", "symmetric": False, "array": rounded([half]), "arrayminus": rounded([low])}
    marker = {"color": "#fff", "size": 8, "line": {"color": ACCENT, "width": 2}}
    said = f"last two bottles alone: {number(rate)}"
    bar |= {"color": ACCENT, "thickness": 1.5, "width": 4}
    return line(rounded([at], 6), rounded([rate]), panel, said, mode="markers", marker=marker, error_y=bar)


def forecast_fan(past: pd.DataFrame, ahead: pd.DataFrame, where: str) -> go.Figure:
    """Level now, and the fan of what the next bottle may show.

    past: analyte, hours, value, level, level_sd (ppm); ahead: analyte, hours_ahead, next_mean, next_sd, limit, chance,
    hours_to_limit_p10, _p50, _p90.
    """
    analytes = [a for a in ahead["analyte"] if a in set(past["analyte"])]
    layout = stacked([f"{analyte_name(a)}, ppm" for a in analytes], "machine hours, h")
    data: list[dict[str, Any]] = []
    said = []
    for i, analyte in enumerate(analytes):
        own, row = past[past["analyte"] == analyte].tail(6), ahead[ahead["analyte"] == analyte].iloc[0]
        data += [*_fan(own.iloc[-1], row, i), line(rounded(own["hours"], 6), rounded(own["value"]), i)]
        top = float(max(own["value"].max(), row["next_mean"] + HALF_NINETY * row["next_sd"]))
        limit_line(layout, i, float(row["limit"]), "alarm", top)
        said.append(
            f"{sentence(analyte_name(analyte))[:-1]}: {chance(row['chance'])} chance of passing "
            f"{number(row['limit'])} ppm within {hours(row['hours_ahead'])}" + _when(row)
        )
    caption = (
        f"Where {listed([analyte_name(a) for a in analytes])} in {where} is going before the next bottle. Dots: "
        f"results. Dark and light fan: half and 9 in 10 of "
        f"what may come. {'. '.join(said)}."
    )
    return figure(data, layout, caption, f"Line charts with forecast fans. {'. '.join(said)}.", _fan_table(ahead))


def _rate_table(history: pd.DataFrame) -> dict[str, Any]:
    newest_first = history.sort_values(["hours", "analyte"], ascending=[False, True])
    rows = []
    for drawn, analyte, rate, sd in rows_as_lists(newest_first, ["drawn_on", "analyte", "rate", "rate_sd"]):
        half = HALF_NINETY * sd
        numbers = (number(PER_1000_H * v) for v in (rate, max(rate - half, 0), rate + half))
        rows.append([short_day(drawn), analyte_name(analyte), *numbers])
    return {"columns": ["Bottle of", "Result", "Rate, ppm per 1,000 h", "from", "to (90 % interval)"], "rows": rows}


def _fan_table(ahead: pd.DataFrame) -> dict[str, Any]:
    rows = [
        [
            analyte_name(r.analyte),
            number(r.hours_ahead, 4),
            number(r.next_mean),
            number(max(r.next_mean - HALF_NINETY * r.next_sd, 0)),
            number(r.next_mean + HALF_NINETY * r.next_sd),
            number(r.limit),
            chance(r.chance),
        ]
        for r in ahead.itertuples()
    ]
    return {
        "columns": [
            "Result",
            "Hours ahead, h",
            "Expected, ppm",
            "from",
            "to (9 in 10)",
            "Alarm limit, ppm",
            "Chance of passing it",
        ],
        "rows": rows,
    }


def _when(row: pd.Series) -> str:
    if not np.isfinite(row["hours_to_limit_p50"]):
        return ", not reached on this trend"
    late = f" to {hours(row['hours_to_limit_p90'])}" if np.isfinite(row["hours_to_limit_p90"]) else " or more"
    early = hours(row["hours_to_limit_p10"]) if np.isfinite(row["hours_to_limit_p10"]) else hours(0)
    return f", reached in {early}{late}, most likely about {hours(row['hours_to_limit_p50'])}"


def _fan(last: pd.Series, row: pd.Series, panel: int) -> list[dict[str, Any]]:
    """Two bands and a middle line from the level now to the next bottle."""
    x = rounded([last["hours"], last["hours"] + row["hours_ahead"]], 6)
    middle = np.array([last["level"], row["next_mean"]], float)
    sd = np.array([last["level_sd"], row["next_sd"]], float)
    bands = [
        band(x, rounded((middle - k * sd).clip(min=0)), rounded(middle + k * sd), panel, "fan")
        for k in (HALF_NINETY, 0.674)
    ]
    path = {
        "type": "scatter",
        "mode": "lines",
        "x": x,
        "y": rounded(middle),
        "line": {"color": ACCENT, "width": 1.6},
        "hoverinfo": "skip",
    }
    return [*bands, path | {"xaxis": axis("x", panel), "yaxis": axis("y", panel)}]
