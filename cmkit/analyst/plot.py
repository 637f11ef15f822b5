"""Figures of one compartment or one question, plain plotly: change them as you like, show them in a notebook, keep them
as a file.

Each carries its caption and alternative text in `figure.layout.meta`.
"""

from collections.abc import Sequence
from typing import Any

import pandas as pd
import plotly.graph_objects as go

from cmkit.analyst.asked import kept, known_analyte, one_of, place_of, rows_of
from cmkit.analyst.compare import compare as compared
from cmkit.analyst.fits import Fit
from cmkit.analyst.one_series import series
from cmkit.assessment import Assessment
from cmkit.books.content.book import Book, open_book
from cmkit.books.content.compartment_data import BOTTLES, result_points, telling, with_hours
from cmkit.books.content.compartment_figures import by_fluid, by_hours, by_rate
from cmkit.books.content.figures.curves import cost_curves
from cmkit.books.content.figures.panels import limit_line, line, rounded, stacked
from cmkit.books.content.figures.wear_rate import forecast_fan
from cmkit.books.content.theme import ACCENT, INK, SOFT, figure
from cmkit.books.content.wording import count, figure_text, number, with_unit
from cmkit.errors import ParameterError

_LINES = {"wls": "dash", "huber": "dot", "theil-sen": "dashdot", "filter": "solid"}


def _opened(a: Assessment, compartment: str) -> Book:
    place_of(a, compartment)
    return _book(a)


@kept
def _book(a: Assessment) -> Book:
    """The tables as figures read them, opened once."""
    return open_book(a, fleet=True)


def _chosen(book: Book, compartment: str, analytes: str | Sequence[str] | None) -> list[str]:
    """The results asked for, or those that tell the compartment's story."""
    given = [analytes] if isinstance(analytes, str) else list(analytes or telling(book, compartment))
    for name in given:
        known_analyte(book.tables, name)
    return given or ["Fe_ppm"]


def results(
    a: Assessment, compartment: str, analytes: str | Sequence[str] | None = None, *, bottles: int = BOTTLES
) -> go.Figure:
    """Results by machine hours, a panel each, with what was expected, the limits and the fluid changes.

    analytes: default those that tell the story. ParameterError for unknown names or no result.
    """
    book = _opened(a, compartment)
    return by_hours(book, compartment, _points(book, compartment, analytes, bottles))


def fluid(
    a: Assessment, compartment: str, analytes: str | Sequence[str] | None = None, *, bottles: int = BOTTLES
) -> go.Figure:
    """The same results by hours on the fluid, the present charge against earlier ones. Parameters as `results`."""
    book = _opened(a, compartment)
    return by_fluid(book, compartment, _points(book, compartment, analytes, bottles))


def _points(book: Book, compartment: str, analytes: Any, bottles: int) -> pd.DataFrame:
    points = result_points(book, compartment, _chosen(book, compartment, analytes), bottles)
    if not len(points):
        raise ParameterError(f"compartment {compartment!r}: no result of {analytes or 'any analyte'} to draw.")
    return points


def rate(a: Assessment, compartment: str, analytes: str | Sequence[str] | None = None) -> go.Figure:
    """Wear rate over time, unit per 1,000 h, with its 90 % interval and the family's limits. ParameterError where there
    is no rate.
    """
    book = _opened(a, compartment)
    own = _rated(book, compartment, analytes)
    return by_rate(book, compartment, own, result_points(book, compartment, own["analyte"].unique().tolist()))


def _rated(book: Book, compartment: str, analytes: Any) -> pd.DataFrame:
    """The history of the results asked for; the first with a rate where none was asked for and the telling ones have
    none.
    """
    own = rows_of(book.tables.history, compartment)
    wanted = [n for n in _chosen(book, compartment, analytes) if n in set(own["analyte"])]
    if not wanted and analytes is None:
        wanted = own["analyte"].unique().tolist()[:1]
    if not wanted:
        raise ParameterError(f"compartment {compartment!r}: no wear rate of {analytes or 'any analyte'} to draw.")
    return with_hours(book, own[own["analyte"].isin(wanted)], compartment)


def forecast(a: Assessment, compartment: str, analytes: str | Sequence[str] | None = None) -> go.Figure:
    """Level now, and the fan of what the next bottle may show. ParameterError where there is no forecast."""
    book = _opened(a, compartment)
    past = _rated(book, compartment, analytes)
    ahead = rows_of(a.forecast, compartment)
    ahead = ahead[ahead["analyte"].isin(past["analyte"])]
    if ahead.empty:
        raise ParameterError(f"compartment {compartment!r}: no forecast to draw; it needs a limit and a wear rate.")
    return forecast_fan(past, ahead, book.place_name(compartment))


def fit(fits: Fit | Sequence[Fit]) -> go.Figure:
    """Results and the fits through them (`refit`), on machine hours. ParameterError for fits of more than one series,
    or for none.
    """
    own = _same_series(fits)
    data, first = own[0].data, own[0]
    x = rounded(data["run_h"], 6)
    lines = [
        line(
            x,
            rounded(f.data["fitted"]),
            0,
            f"{f.method} %{{y:,}}",
            mode="lines",
            name=f.method,
            line={"color": ACCENT, "width": 2, "dash": _LINES[f.method]},
        )
        for f in own
    ]
    marks = line(
        x, rounded(data["value"]), 0, "result %{y:,}", mode="markers", marker={"size": 8, "color": INK}, name="result"
    )
    layout = stacked([with_unit(first.analyte)], "running hours, h") | {
        "height": 360,
        "showlegend": len(own) > 1,
        "legend": {"orientation": "h", "y": -0.25},
    }
    said = "; ".join(f"{f.method} {number(f.rate)} ({number(f.low)} to {number(f.high)})" for f in own)
    caption = (
        f"{with_unit(first.analyte)} in {first.compartment}: {first.n} results, and one wear rate for all of "
        f"them with changes and top-ups allowed for, in {first.unit} per 1,000 h (90 % interval): {said}."
    )
    return figure([*lines, marks], layout, caption, f"Results and fitted lines. {said}.")


def _same_series(fits: Fit | Sequence[Fit]) -> list[Fit]:
    own = [fits] if isinstance(fits, Fit) else list(fits)
    if len({(f.compartment, f.analyte, f.n) for f in own}) != 1:
        raise ParameterError(
            f"fits: found {len(own)} of {len({(f.compartment, f.analyte) for f in own})} series; wanted one or more "
            f"fits of one series."
        )
    return own


def residuals(fits: Fit | Sequence[Fit]) -> go.Figure:
    """What each fit leaves over, in laboratory standard deviations, a panel a method. ParameterError as `fit`."""
    own = _same_series(fits)
    layout = stacked([f"{f.method}, sd" for f in own], "running hours, h")
    for axis in [k for k in layout if k.startswith("yaxis")]:
        layout[axis] |= {"rangemode": "normal", "zeroline": True, "zerolinecolor": SOFT}
    data = [line(rounded(f.data["run_h"], 6), rounded(f.data["residual"], 3), i, "%{y}") for i, f in enumerate(own)]
    worst = "; ".join(f"{f.method} {number(f.data['residual'].abs().max())}" for f in own)
    caption = (
        f"What the fit leaves over in {own[0].compartment}, {with_unit(own[0].analyte)}, in standard deviations "
        f"of the laboratory. Largest: {worst}. A row on one side of 0 means that the rate changed."
    )
    return figure(data, layout, caption, f"Residuals by machine hours; largest {worst}.")


def cost(a: Assessment, names: str | Sequence[str] | None = None) -> go.Figure:
    """Expected cost per 1,000 h against the sampling interval, one panel a compartment; default: the one with most to
    gain.

    ParameterError for a compartment without advice.
    """
    rows = a.intervals.set_index("compartment", drop=False)
    if names is None and not rows["saving"].notna().any():
        raise ParameterError("names: no compartment of this fleet has advice on its interval yet.")
    chosen = [names] if isinstance(names, str) else list(names or [rows["saving"].idxmax()])
    for name in chosen:
        one_of("compartment", name, a.curves["compartment"].unique())
    curves = a.curves[a.curves["compartment"].isin(chosen)]
    return cost_curves(
        curves.assign(name=curves["compartment"]), rows.loc[chosen].assign(name=chosen), str(a.about["currency"])
    )


def limits(a: Assessment, family: str, analyte: str = "Fe_ppm") -> go.Figure:
    """Every result of a family by hours on the fluid, with its limits of level. ParameterError for a family or analyte
    not known.
    """
    one_of("family", family, a.compartments["family"].unique())
    known_analyte(a, analyte)
    places = a.compartments.loc[a.compartments["family"] == family, "compartment"]
    parts = [series(a, name, analyte) for name in places]
    own = pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)
    own = own[own["fluid_h"].notna()]
    if own.empty:
        raise ParameterError(f"family {family!r}: no result of {analyte} with known fluid hours to draw.")
    layout = stacked([with_unit(analyte)], "hours on the fluid, h") | {"height": 360}
    bounds = a.limits[
        (a.limits["family"] == family) & (a.limits["analyte"] == analyte) & (a.limits["measure"] == "level")
    ]
    for bound in bounds.itertuples():
        limit_line(layout, 0, bound.alarm, "alarm", float(own["value"].max()))
        limit_line(layout, 0, bound.alert, "alert", float(own["value"].max()))
    marks = line(
        rounded(own["fluid_h"], 6),
        rounded(own["value"]),
        0,
        "%{y:,}",
        mode="markers",
        marker={"size": 5, "color": INK, "opacity": 0.6},
    )
    said = bounds["words"].iloc[0] if len(bounds) else "no limit of level"
    caption = (
        f"{with_unit(analyte)} of {count(len(own), 'bottle')} of the family {figure_text(family)} by hours on "
        f"the fluid. Dashed: alarm limit, dotted: alert limit; {figure_text(said)}."
    )
    return figure([marks], layout, caption, f"Scatter of {count(len(own), 'result')} with limits.")


def compare(
    a: Assessment,
    one: str,
    other: str,
    analytes: Sequence[str] = ("Fe_ppm", "Cu_ppm", "Cr_ppm"),
    *,
    by: str = "compartment",
) -> go.Figure:
    """Ratio of the wear rates of two things, a row an analyte, with its 90 % interval; names as in `cmkit.compare`."""
    rows = pd.concat(
        [compared(a, one, other, name, by) for name in ([analytes] if isinstance(analytes, str) else analytes)]
    )
    names = [with_unit(n).split(",")[0] for n in rows["analyte"]]
    spans = [
        line([low, high], [name, name], 0, mode="lines", line={"color": ACCENT, "width": 3})
        for low, high, name in zip(rounded(rows["ratio_low"], 3), rounded(rows["ratio_high"], 3), names, strict=True)
    ]
    marks = line(rounded(rows["ratio"], 3), names, 0, "ratio %{x}", mode="markers", marker={"size": 9, "color": INK})
    upright = {
        "type": "line",
        "xref": "x",
        "x0": 1,
        "x1": 1,
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "line": {"color": SOFT, "width": 1, "dash": "dot"},
    }
    layout = {
        "height": 130 + 40 * len(rows),
        "shapes": [upright],
        "yaxis": {"type": "category", "autorange": "reversed"},
        "xaxis": {"title": {"text": figure_text(f"wear rate of {one}, times that of {other}")}, "type": "log"},
    }
    caption = f"Wear rate of {one} over that of {other}, with 90 % intervals: {'; '.join(rows['words'])}."
    return figure([*spans, marks], layout, caption, caption)


__all__ = ["compare", "cost", "fit", "fluid", "forecast", "limits", "rate", "residuals", "results"]
