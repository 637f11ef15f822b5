"""The widgets an analyst uses in a notebook: what they show is computed by plain functions, so that a test can read it without a screen."""

from dataclasses import dataclass, replace
from html import escape
from typing import Any

import ipywidgets as widgets
import numpy as np
import pandas as pd
import plotly.graph_objects as go

from cmkit.books.content.figures.curves import cost_curves
from cmkit.books.content.wording import money
from cmkit.intervals.advise import curve_grid, hours_words, what_changes
from cmkit.intervals.cost import Case, interval_cost
from cmkit.intervals.tune import FLAT, Draws, draw_factors, flat_stretch, interval_uncertainty


@dataclass(frozen=True)
class IntervalView:
    """What the interval desk shows: the curve with its band, the advice as the books' figure wants it, and sentences."""

    curve: pd.DataFrame
    advice: pd.DataFrame
    words: tuple[str, ...]

    def figure(self, currency: str) -> go.Figure:
        return cost_curves(self.curve, self.advice, currency)


def interval_view(
    case: Case,
    service_h: tuple[float, ...],
    today_h: float,
    draws: Draws,
    currency: str = "money",
    name: str = "this compartment",
) -> IntervalView:
    """Cost against the interval for one compartment, the interval of least expected cost on the service grid, and what would change it."""
    grid = curve_grid(np.array(service_h), today_h)
    allowed = np.isin(grid, service_h) | np.isinf(grid)
    spread = interval_uncertainty(case, grid, draws, today_h, allowed)
    at, now = int(np.flatnonzero(grid == spread.every_h)[0]), int(np.flatnonzero(grid == today_h)[0])
    expected = 1000 * spread.expected
    low, high = flat_stretch(
        grid[:-1], spread.expected[None, :-1], spread.expected[:-1].min(keepdims=True) * (1 + FLAT)
    )
    advised = float(grid[at]) if np.isfinite(grid[at]) else np.nan
    curve = pd.DataFrame(
        {
            "every_h": grid[:-1],
            "cost_per_1000h": expected[:-1],
            "low": 1000 * spread.low[:-1],
            "high": 1000 * spread.high[:-1],
        }
    )
    advice = pd.DataFrame(
        [{"name": name, "today_h": today_h, "advised_h": advised, "flat_low_h": low[0], "flat_high_h": high[0]}]
    )
    caught = interval_cost(case, grid[[now, at]], fine=False).p_caught
    words = (
        _advised(advised, spread.best_low_h, spread.best_high_h),
        f"{money(expected[at], currency)} per 1,000 h, {money(expected[now], currency)} with today's {today_h:,.0f} h, {money(expected[-1], currency)} without samples",
        f"saving {money(expected[now] - expected[at], currency)} per 1,000 h; nine in ten between {money(1000 * spread.saving_low[at], currency)} and {money(1000 * spread.saving_high[at], currency)}",
        f"defects caught in time: {caught[1]:.0%}, today {caught[0]:.0%}",
        f"within 5 % of the least: {low[0]:,.0f} to {high[0]:,.0f} h; choosing so costs {spread.regret:.1%} more than knowing the truth",
        f"what would change it: {what_changes(case, grid[allowed], np.array([grid[at]]))[0]}",
    )
    return IntervalView(curve.assign(name=name), advice, words)


def _advised(every: float, low: float, high: float) -> str:
    spread = f"were the truth known it would be {hours_words(low)} to {hours_words(high)} in nine of ten cases"
    return f"no interval pays ({spread})" if np.isnan(every) else f"sample every {every:,.0f} h ({spread})"


_SLIDERS: tuple[tuple[str, str, float, float], ...] = (
    ("delay_mean_h", "delay to failure, h", 100, 4000),
    ("rate_multiple", "rate at failure, times the usual", 1.5, 20),
    ("between_h", "hours between defects", 1000, 100_000),
    ("turnaround_h", "turnaround, operating h", 5, 500),
    ("sample_cost", "a sample", 5, 500),
    ("planned_cost", "a planned repair", 500, 100_000),
    ("failure_cost", "a failure", 1000, 500_000),
)


def interval_desk(
    case: Case,
    service_h: tuple[float, ...],
    today_h: float,
    currency: str = "money",
    rate_events: float = 2.0,
    delay_sd: float = 0.7,
    growth_sd: float = 0.4,
) -> widgets.VBox:
    """Sliders for delay, growth, turnaround and money of one compartment, and its cost curve, redrawn as they move.

    rate_events, delay_sd, growth_sd: how well rate, delay and growth are known (see `intervals.tune.draw_factors`). Nothing is written.
    """
    start = {name: float(getattr(case, name)) for name, *_ in _SLIDERS if name != "between_h"} | {
        "between_h": 1 / float(case.defect_rate_per_h)
    }
    sliders = {name: _slider(words, start[name], low, high) for name, words, low, high in _SLIDERS}
    draws = draw_factors(np.random.default_rng(0), 400, rate_events, delay_sd, growth_sd)
    plot, said = go.FigureWidget(), widgets.HTML()

    def redraw(_: Any = None) -> None:
        values = {name: slider.value for name, slider in sliders.items()}
        changed = replace(case, defect_rate_per_h=1 / values.pop("between_h"), **values)
        view = interval_view(changed, service_h, today_h, draws, currency)
        _put(plot, view.figure(currency))
        said.value = "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in view.words) + "</ul>"

    for slider in sliders.values():
        slider.observe(redraw, names="value")
    redraw()
    back = widgets.Button(description="Back to the start", tooltip="every slider where it began")

    def undo(_: Any) -> None:
        for name, slider in sliders.items():
            slider.value = start[name]

    back.on_click(undo)
    return widgets.VBox(
        [
            widgets.GridBox(
                [*sliders.values(), back], layout={"grid_template_columns": "repeat(2, minmax(300px, 1fr))"}
            ),
            plot,
            said,
        ]
    )


def _slider(words: str, value: float, low: float, high: float) -> widgets.FloatLogSlider:
    """A slider of even steps in the logarithm, wide enough for the value it starts at."""
    ends = np.log10([min(low, value), max(high, value)])
    wide = {"description_width": "200px"}
    return widgets.FloatLogSlider(
        value=value,
        base=10,
        min=ends[0],
        max=ends[1],
        step=0.01,
        description=words,
        readout_format=",.4g",
        style=wide,
        layout={"width": "98%"},
    )


def _put(plot: go.FigureWidget, figure: go.Figure) -> None:
    """Bring a shown figure to the state of a new one without drawing it afresh."""
    with plot.batch_update():
        if not plot.data:
            plot.add_traces(figure.data)
        for shown, new in zip(plot.data, figure.data, strict=True):
            shown.update(new.to_plotly_json())
        plot.layout = figure.layout
