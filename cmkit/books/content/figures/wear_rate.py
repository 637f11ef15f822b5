"""The wear rate of one compartment over time, with its interval."""

from typing import Any

import pandas as pd
import plotly.graph_objects as go

from cmkit.books.content.figures.panels import band, limit_line, line, rounded, stacked
from cmkit.books.content.theme import figure
from cmkit.books.content.wording import analyte_name, number, short_day
from cmkit.records.constants import HALF_NINETY

PER_1000_H = 1000.0


def rate_over_time(history: pd.DataFrame, limits: pd.DataFrame, where: str) -> go.Figure:
    """Wear rate, ppm per 1,000 h, with its 90 % interval and the family's limits.

    history: analyte, drawn_on, hours, rate, rate_sd (ppm/h), in order of hours; limits: analyte, alarm (ppm/h), named.
    """
    analytes = list(dict.fromkeys(history["analyte"]))
    layout = stacked([f"{analyte_name(a)}, ppm per 1,000 h" for a in analytes], "machine hours, h")
    data: list[dict[str, Any]] = []
    said = []
    for i, analyte in enumerate(analytes):
        own = history[history["analyte"] == analyte]
        rate, half = PER_1000_H * own["rate"], PER_1000_H * HALF_NINETY * own["rate_sd"]
        x = rounded(own["hours"], 6)
        hover = "%{x:,} h: %{y:,} ppm per 1,000 h"
        data += [
            band(x, rounded((rate - half).clip(lower=0), 3), rounded(rate + half, 3), i, "interval"),
            line(x, rounded(rate), i, hover),
        ]
        for limit in limits[limits["analyte"] == analyte].itertuples():
            limit_line(layout, i, PER_1000_H * limit.alarm, limit.named, float((rate + half).max()))
        said.append(
            f"{analyte_name(analyte)} now {number(rate.iloc[-1])}, 90 % interval {number(max(rate.iloc[-1] - half.iloc[-1], 0))} to {number(rate.iloc[-1] + half.iloc[-1])}"
        )
    caption = (
        f"Wear rate in {where}, ppm per 1,000 machine hours at full charge, with fluid changes and top-ups allowed for. "
        "Shaded: 90 % interval. Dashed: what 1 in 40 of its family exceed."
    )
    return figure(
        data, layout, caption, f"Line charts of wear rate in ppm per 1,000 h: {'; '.join(said)}.", _rate_table(history)
    )


def _rate_table(history: pd.DataFrame) -> dict[str, Any]:
    rows = [
        [short_day(r.drawn_on), analyte_name(r.analyte), *(number(PER_1000_H * v) for v in (r.rate, max(r.rate - HALF_NINETY * r.rate_sd, 0), r.rate + HALF_NINETY * r.rate_sd))]
        for r in history.sort_values(["hours", "analyte"], ascending=[False, True]).itertuples()
    ]  # fmt: skip
    return {"columns": ["Bottle of", "Result", "Rate, ppm per 1,000 h", "from", "to (90 % interval)"], "rows": rows}
