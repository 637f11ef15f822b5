"""The measures of the programme over the last twelve months, one line each."""

from typing import Any

import pandas as pd
import plotly.graph_objects as go

from cmkit.books.content.figures.panels import line, rounded, stacked
from cmkit.books.content.theme import figure
from cmkit.books.content.wording import number

# column of the months: panel's title, what multiplies it
_LINES = {
    "kept": ("plan kept, %", 100),
    "believed": ("bottles believed, %", 100),
    "days": ("days from drawing to result, middle", 1),
    "per_100": ("new alarms per 100 compartments", 1),
}


def months_lines(months: pd.DataFrame) -> go.Figure:
    """Four panels over the months. months: name (`Jun 2026`), kept and believed (shares), days, per_100; in order of
    time, NaN where there was nothing to count."""
    layout = stacked([title for title, _ in _LINES.values()], "month")
    names = months["name"].tolist()
    data: list[dict[str, Any]] = []
    said = []
    for i, (column, (title, scale)) in enumerate(_LINES.items()):
        values = rounded(scale * months[column])
        own = {"type": "category", "tickformat": "", "nticks": 12, "categoryorder": "array", "categoryarray": names}
        layout["xaxis" + ("" if i == 0 else str(i + 1))] |= own
        data.append(line(names, values, i, "%{x}: %{y:,}"))
        known = [(name, value) for name, value in zip(names, values, strict=True) if value is not None]
        if known:
            said.append(f"{title}: {number(known[0][1])} in {known[0][0]}, {number(known[-1][1])} in {known[-1][0]}")
    caption = (
        "The programme by month: the share of bottles drawn within the tolerance of their interval, the share "
        "more likely good than not, the days a bottle takes to its result, and new alarms per 100 compartments by "
        "today's numbers. A gap is a month with nothing to count."
    )
    rows = [
        [r["name"], *(number(scale * r[column]) for column, (_, scale) in _LINES.items())]
        for r in months.iloc[::-1].to_dict("records")
    ]
    table = {"columns": ["Month", *(title for title, _ in _LINES.values())], "rows": rows}
    return figure(data, layout, caption, f"Line charts by month. {'; '.join(said)}.", table)
