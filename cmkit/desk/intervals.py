"""The widgets an analyst uses in a notebook: what they show is computed by plain functions, so that a test can read it
without a screen.
"""

from dataclasses import dataclass, replace

import ipywidgets as widgets
import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray

from cmkit.analyst.asked import one_of
from cmkit.assessment import Assessment
from cmkit.books.content.figures.curves import cost_curves
from cmkit.books.content.wording import money
from cmkit.desk.shown import WRAPPED, Panel, Shown, button, number_box, picture, redrawn, words
from cmkit.errors import ParameterError
from cmkit.intervals.advise import case_of, curve_grid, hours_words, what_changes
from cmkit.intervals.cost import Case, interval_cost
from cmkit.intervals.tune import FLAT, Draws, Uncertainty, draw_factors, flat_stretch, interval_uncertainty


@dataclass(frozen=True)
class IntervalView:
    """What the interval desk shows: the curve with its band, the advice as the books' figure wants it, and sentences,
    which are worked out when they are asked for.
    """

    curve: pd.DataFrame
    advice: pd.DataFrame
    currency: str
    case: Case
    spread: Uncertainty
    allowed: NDArray[np.bool_]

    def figure(self) -> go.Figure:
        return cost_curves(self.curve, self.advice, self.currency)

    def words(self) -> tuple[str, ...]:
        """What is advised, what it costs and saves, and what would change it."""
        spread, grid, row = self.spread, self.spread.grid_h, self.advice.iloc[0]
        at, now = int(np.flatnonzero(grid == spread.every_h)[0]), int(np.flatnonzero(grid == row["today_h"])[0])
        expected = 1000 * spread.expected
        caught = interval_cost(self.case, grid[[now, at]], fine=False).p_caught

        def cost(value: float) -> str:
            return money(value, self.currency)

        return (
            _advised(row["advised_h"], float(spread.best_low_h), float(spread.best_high_h)),
            f"{cost(expected[at])} per 1,000 h, {cost(expected[now])} with today's {row['today_h']:,.0f} h, "
            f"{cost(expected[-1])} without samples",
            f"saving {cost(expected[now] - expected[at])} per 1,000 h; nine in ten between "
            f"{cost(1000 * spread.saving_low[at])} and {cost(1000 * spread.saving_high[at])}",
            f"defects caught in time: {caught[1]:.0%}, today {caught[0]:.0%}",
            f"within 5 % of the least: {row['flat_low_h']:,.0f} to {row['flat_high_h']:,.0f} h; choosing so costs "
            f"{spread.regret:.1%} more than knowing the truth",
            f"what would change it: {what_changes(self.case, grid[self.allowed], np.array([grid[at]]))[0]}",
        )


def interval_view(
    case: Case,
    service_h: tuple[float, ...],
    today_h: float,
    draws: Draws,
    currency: str = "money",
    *,
    name: str = "this compartment",
) -> IntervalView:
    """Cost against the interval for one compartment, the interval of least expected cost on the service grid, and what
    would change it.

    case, service_h, today_h: as in `interval_desk`. draws: what is not known, drawn at random
    (`cmkit.intervals.tune.draw_factors`). Raises ParameterError for an interval that is not above 0.

    >>> import numpy as np
    >>> from cmkit.intervals.cost import Case
    >>> from cmkit.intervals.tune import draw_factors
    >>> drive = Case(1 / 8000, 700, chance=0.6, sample_cost=40, planned_cost=9000, failure_cost=60_000)
    >>> draws = draw_factors(np.random.default_rng(0), 200, rate_events=2.0, delay_sd=0.7, growth_sd=0.4)
    >>> cmkit.desk.interval_view(drive, (250.0, 500.0, 1000.0), 500.0, draws).words()[0]
    'sample every 250 h (were the truth known it would be 250 h to 250 h in nine of ten cases)'
    """
    _check_hours(service_h, today_h)
    grid = curve_grid(np.array(service_h), today_h)
    allowed = np.isin(grid, service_h) | np.isinf(grid)
    spread = interval_uncertainty(case, grid, draws, today_h, allowed)
    expected = 1000 * spread.expected
    low, high = flat_stretch(
        grid[:-1], spread.expected[None, :-1], spread.expected[:-1].min(keepdims=True) * (1 + FLAT)
    )
    advised = float(spread.every_h) if np.isfinite(spread.every_h) else np.nan
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
    return IntervalView(curve.assign(name=name), advice, currency, case, spread, allowed)


def _check_hours(service_h: tuple[float, ...], today_h: float) -> None:
    for hours in (*service_h, today_h):
        if not hours > 0:
            raise ParameterError(f"service_h, today_h: found {hours:g}, wanted operating hours above 0.")


def _advised(every: float, low: float, high: float) -> str:
    spread = f"were the truth known it would be {hours_words(low)} to {hours_words(high)} in nine of ten cases"
    return f"no interval pays ({spread})" if np.isnan(every) else f"sample every {every:,.0f} h ({spread})"


_BOXES: tuple[tuple[str, str], ...] = (
    ("delay_mean_h", "delay to failure, h"),
    ("rate_multiple", "rate at failure, times the usual"),
    ("between_h", "hours between defects"),
    ("turnaround_h", "turnaround, operating h"),
    ("sample_cost", "a sample"),
    ("planned_cost", "a planned repair"),
    ("failure_cost", "a failure"),
)
_DRAWS = 200  # own choice: what is not known, drawn so often; the advice of the books draws more


def interval(a: Assessment, name: str = "") -> Panel:
    """:func:`interval_desk` of one compartment; default: the one with most to gain.

    Raises ParameterError for a compartment without advice, and where there is no advice at all.

    >>> panel = cmkit.desk.interval(a, "WL-04/engine")
    >>> [box.description for box in panel.controls.children[0].children][:2]
    ['delay to failure, h', 'rate at failure, times the usual']
    """
    rows = a.intervals[a.intervals["cost_today"].notna()].set_index("compartment")
    if rows.empty:
        raise ParameterError("no compartment of this fleet has advice on its interval yet.")
    name = one_of("compartment", name or rows["saving"].idxmax(), rows.index)
    row = rows.loc[name]
    grid = tuple(a.about["sampling"]["service_grid_h"])
    return interval_desk(
        case_of(row),
        grid,
        float(row["today_h"]),
        a.about["currency"],
        row["rate_events"],
        delay_sd=row["delay_sd"],
        name=name,
    )


def interval_desk(
    case: Case,
    service_h: tuple[float, ...],
    today_h: float,
    currency: str = "money",
    rate_events: float = 2.0,
    *,
    delay_sd: float = 0.7,
    growth_sd: float = 0.4,
    name: str = "this compartment",
) -> Panel:
    """Boxes for delay, growth, turnaround and money of one compartment, and its cost curve, drawn again as they change.
    Nothing is written.

    case: :class:`cmkit.intervals.cost.Case` of one compartment. service_h: intervals that may be chosen, today_h:
    today's (operating hours, above 0). rate_events (above 0), delay_sd, growth_sd (0 or more, of the logarithm): how
    well rate, delay and growth are known (see `cmkit.intervals.tune.draw_factors`). Raises ParameterError for values
    outside these; what is typed into a box and cannot be is shown as a message.

    >>> from cmkit.intervals.cost import Case
    >>> drive = Case(1 / 8000, 700, chance=0.6, sample_cost=40, planned_cost=9000, failure_cost=60_000)
    >>> panel = cmkit.desk.interval_desk(drive, (250.0, 500.0, 1000.0), 500.0)
    >>> "sample every" in panel.parts[1].value
    True
    """
    _check_hours(service_h, today_h)
    if not (rate_events > 0 and delay_sd >= 0 and growth_sd >= 0):
        raise ParameterError(
            f"rate_events, delay_sd, growth_sd: found {rate_events:g}, {delay_sd:g} and {growth_sd:g}; wanted "
            f"the first above 0, the others 0 or more."
        )
    start = {key: float(getattr(case, key)) for key, _ in _BOXES if key != "between_h"}
    start |= {"between_h": 1 / float(case.defect_rate_per_h)}
    boxes = {key: number_box(label, start[key]) for key, label in _BOXES}
    draws = draw_factors(np.random.default_rng(0), _DRAWS, rate_events, delay_sd, growth_sd)
    plot, story = Shown(), Shown()

    def chosen() -> IntervalView:
        values = {key: box.value for key, box in boxes.items()}
        between = values.pop("between_h")
        if between <= 0:
            raise ParameterError(f"hours between defects: found {between:g}, wanted more than 0.")
        try:
            changed = replace(case, defect_rate_per_h=1 / between, **values)
        except ValueError as error:
            raise ParameterError(str(error)) from None
        return interval_view(changed, service_h, today_h, draws, currency, name=name)

    parts = (plot, lambda view: picture(view.figure())), (story, lambda view: words(*view.words()))
    redrawn(list(boxes.values()), chosen, *parts)

    def undo() -> None:
        for key, box in boxes.items():
            box.value = start[key]

    back = button("Back to the start", "every number where it began", undo)
    return Panel([widgets.Box([*boxes.values(), back], layout=WRAPPED)], [plot, story])
