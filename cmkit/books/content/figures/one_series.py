"""The guide's figure: one series, the readable fit through it, and what the filter expected of each bottle."""

import pandas as pd
import plotly.graph_objects as go

from cmkit.books.content.figures.panels import band, line, rounded, stacked
from cmkit.books.content.theme import ACCENT, figure
from cmkit.books.content.wording import number, with_unit
from cmkit.records.constants import HALF_NINETY


def readable_fit(series: pd.DataFrame, level: float, rate: float, analyte: str, where: str) -> go.Figure:
    """Results, the least-squares line through effective hours, and the filter's forecast of each bottle with its 90 % band.

    series: run_h, value, phi, psi, chi (from the first bottle), expected, expected_sd; level (ppm) and rate (ppm/h): the fit.
    """
    layout = stacked([with_unit(analyte)], "machine hours, h")
    x = rounded(series["run_h"], 6)
    fitted = level * series["phi"] + rate * series["psi"] + series["chi"]
    half = HALF_NINETY * series["expected_sd"]
    low, high = (series["expected"] - half).clip(lower=0), series["expected"] + half
    data = [
        band(x, rounded(low), rounded(high), 0, "expected by the filter"),
        line(x, rounded(fitted), 0, "fit %{y:,}", line={"color": ACCENT, "width": 2, "dash": "dash"}, mode="lines"),
        line(x, rounded(series["value"]), 0, "result %{y:,}", mode="markers", marker={"size": 8, "color": "#16202b"}),
    ]
    layout |= {"height": 380}
    caption = (
        f"{with_unit(analyte)} in {where}. Dots: results. Dashed: one wear rate for all of them, {number(1000 * rate)} ppm per 1,000 h, with changes and top-ups allowed for. "
        "Shaded: where the filter expected 9 in 10 results, knowing only the bottles before."
    )
    rows = [
        [number(h, 6), number(v), number(f), number(e)]
        for h, v, f, e in zip(series["run_h"], series["value"], fitted, series["expected"], strict=True)
    ]
    table = {"columns": ["Machine hours, h", "Result", "Fit", "Expected by the filter"], "rows": rows}
    return figure(data, layout, caption, f"Line chart of {len(series)} results with a fit and a band.", table)
