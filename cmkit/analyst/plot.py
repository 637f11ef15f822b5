"""Figures of one compartment or one question, plain plotly: change them as you like, show them in a notebook, keep them
as a file.

Each carries its caption and alternative text in `figure.layout.meta` (keys `caption`, `alt`).
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
from cmkit.books.content.wording import (
    analyte_name,
    count,
    family_name,
    figure_text,
    number,
    plain,
    sentence,
    with_unit,
)
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

    analytes: one name or several; default those that tell the story. bottles: the newest so many (1 or more). Raises
    ParameterError for unknown names or no result.

    >>> figure = cmkit.plot.results(a, "WL-04/engine", "Fe_ppm")
    >>> figure.layout.meta["caption"]
    "Iron in WL-04, engine by machine hours. ..."
    """
    book = _opened(a, compartment)
    return by_hours(book, compartment, _points(book, compartment, analytes, bottles))


def fluid(
    a: Assessment, compartment: str, analytes: str | Sequence[str] | None = None, *, bottles: int = BOTTLES
) -> go.Figure:
    """The same results by hours on the fluid, the present charge against earlier ones.

    Parameters and ParameterError as in `results`.

    >>> cmkit.plot.fluid(a, "WL-04/engine", "Fe_ppm").layout.meta["caption"]
    'The same results by hours on the fluid: ...'
    """
    book = _opened(a, compartment)
    return by_fluid(book, compartment, _points(book, compartment, analytes, bottles))


def _points(book: Book, compartment: str, analytes: Any, bottles: int) -> pd.DataFrame:
    points = result_points(book, compartment, _chosen(book, compartment, analytes), bottles)
    if not len(points):
        raise ParameterError(f"compartment {compartment!r}: no result of {analytes or 'any analyte'} to draw.")
    return points


def rate(a: Assessment, compartment: str, analytes: str | Sequence[str] | None = None) -> go.Figure:
    """Wear rate over time, unit per 1,000 h, with its 90 % interval and the family's limits.

    analytes: one name or several with a wear rate; default those that tell the story. Raises ParameterError for unknown
    names, and where there is no rate.

    >>> cmkit.plot.rate(a, "WL-04/engine", "Fe_ppm").layout.meta["caption"]
    'Wear rate in WL-04, engine, ppm per 1,000 machine hours ... Shaded: 90 % interval. ...'
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
    """Level now, and the fan of what the next bottle may show.

    analytes: as in `rate`. Raises ParameterError for unknown names, and where there is no forecast.

    >>> cmkit.plot.forecast(a, "WL-04/engine", "Fe_ppm").layout.meta["caption"]
    'Where iron in WL-04, engine is going before the next bottle. ...'
    """
    book = _opened(a, compartment)
    past = _rated(book, compartment, analytes)
    ahead = rows_of(a.forecast, compartment)
    ahead = ahead[ahead["analyte"].isin(past["analyte"])]
    if ahead.empty:
        raise ParameterError(f"compartment {compartment!r}: no forecast to draw; it needs a limit and a wear rate.")
    return forecast_fan(past, ahead, book.place_name(compartment))


def fit(fits: Fit | Sequence[Fit]) -> go.Figure:
    """Results and the fits through them (`cmkit.refit`), on machine hours.

    Raises ParameterError for fits of more than one series, or for none.

    >>> both = [cmkit.refit(a, "WL-04/engine", "Fe_ppm", method) for method in ("wls", "theil-sen")]
    >>> [trace.name for trace in cmkit.plot.fit(both).data]
    ['wls', 'theil-sen', 'result']
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
        f"{count(first.n, 'result')} of {analyte_name(first.analyte)} in {first.compartment}, and one wear rate for "
        f"all of them with changes and top-ups allowed for, in {first.unit} per 1,000 h (90 % interval): {said}."
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
    """What each fit leaves over, in laboratory standard deviations, a panel a method.

    Raises ParameterError for fits of more than one series, or for none.

    >>> cmkit.plot.residuals(cmkit.refit(a, "WL-04/engine")).layout.meta["caption"]
    'What the fit leaves over in WL-04/engine, iron, ppm, in standard deviations of the laboratory. Largest: wls ...'
    """
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
    """Expected cost per 1,000 h against the sampling interval (h), one panel a compartment.

    names: one compartment or several; default: the one with most to gain. Raises ParameterError for a compartment
    without advice.

    >>> cmkit.plot.cost(a, "WL-04/engine").layout.meta["caption"]
    "Expected cost per 1,000 machine hours of sampling, looking, repairing and failing, by sampling interval, ..."
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
    """Every result of a family by hours on the fluid, with its limits of level.

    Raises ParameterError for a family or analyte not known, and where no result has known fluid hours.

    >>> family = a.compartments.set_index("compartment").loc["WL-04/engine", "family"]
    >>> cmkit.plot.limits(a, family, "Fe_ppm").layout.meta["caption"]
    'Iron of ... of the family wheel loader medium engine oil by hours on the fluid. ...'
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
        f"{sentence(analyte_name(analyte))[:-1]} of {count(len(own), 'bottle')} of the family "
        f"{figure_text(family_name(family))} by hours on the fluid. Dashed: alarm limit, dotted: alert limit; "
        f"{figure_text(plain(said))}."
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
    """Ratio of the wear rates of two things, a row an analyte, with its 90 % interval.

    one, other, by, and ParameterError: as in `cmkit.compare`.

    >>> pair = ("RH-02/final drive/left", "RH-02/final drive/right")
    >>> cmkit.plot.compare(a, *pair, analytes=("Fe_ppm", "Cr_ppm")).layout.meta["caption"]
    'Wear rate of RH-02/final drive/left over that of RH-02/final drive/right, with 90 % intervals: Fe_ppm: ...'
    """
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
