"""From cost curves to a choice: the best interval, how sure it is, what would change it, and how to share too few
samples.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.polynomial.chebyshev import chebvander

from cmkit.intervals.cost import OUTCOME_FIELDS, Case, Outcome, cost_of_outcome, distinct, interval_cost, outcomes
from cmkit.intervals.delay import Array
from cmkit.intervals.detection import typical_levels

FLAT = 0.05  # own choice: intervals that cost at most 5 % more than the best are as good as the best
_REACH = 2.33  # draws further out than this many standard deviations are brought back to it


@dataclass(frozen=True)
class BestInterval:
    """The interval of least cost of one compartment (numbers, words) or N (arrays, a tuple of words).

    every_h: NaN when no sampling is cheapest; cost_per_h: at that choice; none_per_h: with no sampling; flat_low_h,
    flat_high_h: intervals that cost at most 5 % more; at_edge: the curve still falls at the end of what was allowed.
    """

    every_h: float | Array
    cost_per_h: float | Array
    none_per_h: float | Array
    flat_low_h: float | Array
    flat_high_h: float | Array
    at_edge: bool | Array
    words: str | tuple[str, ...]


def best_interval(case: Case, allowed_h: Array | Sequence[float] | None = None, flat: float = FLAT) -> BestInterval:
    """Interval of least cost per operating hour among `allowed_h` (rising, h), or any interval when it is None.

    Doing without samples is always an alternative. When it is cheapest, every_h is NaN and the words say why, never the
    end of the search.
    """
    free = allowed_h is None
    means = case.columns()["delay_mean_h"]
    grid = np.geomspace(means.min() / 40, means.max() * 8, 56) if free else np.asarray(allowed_h, float)
    cost = interval_cost(case, np.append(grid, np.inf), fine=False).cost_per_h.reshape(-1, len(grid) + 1)
    curve, none = cost[:, :-1], cost[:, -1]
    at = curve.argmin(axis=1)
    every, least = grid[at], curve[np.arange(len(at)), at]
    if free:
        every, least = _vertex(np.log(grid), curve, at)
    pays = least < none * (1 - 1e-9)
    edge = pays & ((at == len(grid) - 1) | (at == 0)) & (len(grid) > 1)
    low, high = flat_stretch(grid, curve, least * (1 + flat))
    words = tuple(_why(case, i, every[i], least=least[i], none=none[i], pays=bool(pays[i])) for i in range(len(at)))
    out = [np.where(pays, x, np.nan) for x in (every, low, high)]
    values = [out[0], np.where(pays, least, none), none, out[1], out[2], edge]
    if case.shape == ():
        values = [v[0].item() for v in values]
    return BestInterval(*values, words=words[0] if case.shape == () else words)  # type: ignore[misc]


def _vertex(log_grid: Array, curve: Array, at: Array) -> tuple[Array, Array]:
    """Least point of a parabola through the lowest point of each curve and its neighbours, on an even log grid."""
    i = np.clip(at, 1, len(log_grid) - 2)
    rows = np.arange(len(at))
    y0, y1, y2 = curve[rows, i - 1], curve[rows, i], curve[rows, i + 1]
    bend = y0 - 2 * y1 + y2
    shift = np.where(bend > 0, 0.5 * (y0 - y2) / np.where(bend > 0, bend, 1.0), 0.0)
    inside = (np.abs(shift) <= 1) & (i == at)
    shift = np.where(inside, shift, at - i)
    step = log_grid[1] - log_grid[0]
    least = np.where(inside, y1 - 0.25 * (y0 - y2) * shift, curve[rows, at])
    return np.exp(log_grid[i] + shift * step), least


def flat_stretch(grid: Array, curve: Array, bound: Array) -> tuple[Array, Array]:
    """Shortest and longest interval (h) around the least of each curve (N, G) that cost no more than `bound` (N,),
    linear in log h.
    """
    x, dense = np.log(grid), np.linspace(np.log(grid[0]), np.log(grid[-1]), 12 * len(grid) + 1)
    dense = np.union1d(x, dense)
    low, high = np.empty(len(curve)), np.empty(len(curve))
    for n, row in enumerate(curve):
        within = np.interp(dense, x, row) <= bound[n]
        best = np.searchsorted(dense, x[row.argmin()])
        outside = np.flatnonzero(~within)
        left, right = outside[outside < best], outside[outside > best]
        low[n] = dense[left[-1] + 1] if left.size else dense[0]
        high[n] = dense[right[0] - 1] if right.size else dense[-1]
    return np.round(np.exp(low), 6), np.round(np.exp(high), 6)


def _why(case: Case, i: int, every: float, *, least: float, none: float, pays: bool) -> str:
    c = {name: column[min(i, len(column) - 1)] for name, column in case.columns().items()}
    if pays:
        return (
            f"sample every {every:,.0f} h: {1000 * least:,.0f} per 1,000 h against {1000 * none:,.0f} without samples"
        )
    if c["failure_cost"] <= c["planned_cost"]:
        return (
            "no interval pays: a failure costs no more than a planned repair, so there is nothing to gain by "
            "finding a defect early"
        )
    if np.isnan(c["chance"]) and c["rate_multiple"] <= 1:
        return "no interval pays: the defect does not raise the wear rate, so a sample cannot show it"
    return (
        f"no interval pays: the samples would cost more than they save; {1000 * none:,.0f} per 1,000 h without samples"
    )


@dataclass(frozen=True)
class Draws:
    """Equally likely values of what is not known, as factors on a Case: defect rate, mean delay, and rate multiple less
    one.
    """

    rate: Array
    delay: Array
    growth: Array


def draw_factors(rng: np.random.Generator, n: int, rate_events: float, delay_sd: float, growth_sd: float) -> Draws:
    """n draws: defect rate Gamma with the weight of `rate_events` events (mean 1); delay and growth log-normal with
    median 1.

    rate_events > 0: prior events plus own events; delay_sd, growth_sd >= 0: standard deviations of the logarithms.
    """
    if not rate_events > 0:
        raise ValueError(f"rate_events: found {rate_events:g}, wanted more than zero (prior events plus own events).")
    z = np.clip(rng.standard_normal((2, n)), -_REACH, _REACH)
    return Draws(rng.gamma(rate_events, 1 / rate_events, n), np.exp(delay_sd * z[0]), np.exp(growth_sd * z[1]))


@dataclass(frozen=True)
class Uncertainty:
    """Cost of each interval when parameters are uncertain; leading axis N when the case has several compartments.

    expected, low, high: mean and 5-95 % of cost per hour (.., G); every_h: interval of least expected cost (inf: none),
    the one to choose; best_low_h, best_high_h: 5-95 % of the interval that would be best if the truth were known;
    regret: expected extra cost of the choice against knowing the truth (share); saving_low, saving_high: 5-95 % of what
    each interval saves against today's (.., G).
    """

    grid_h: Array
    expected: Array
    low: Array
    high: Array
    every_h: Array
    best_low_h: Array
    best_high_h: Array
    regret: Array
    saving_low: Array
    saving_high: Array


def interval_uncertainty(
    case: Case, grid_h: Array, draws: Draws, today_h: float | Array = np.nan, allowed: Array | None = None
) -> Uncertainty:
    """Spread of cost and of the best interval over `draws`, and the interval of least expected cost.

    grid_h: intervals (h, rising; inf allowed for none); today_h: today's interval, one of the grid (NaN: savings are
    NaN); allowed: which of the grid may be chosen (default all). The outcome of a defect is computed on a 7 x 5 mesh of
    delay and growth and interpolated.
    """
    grid = np.asarray(grid_h, float)
    may = np.ones(len(grid), bool) if allowed is None else np.asarray(allowed, bool)
    columns = case.columns() | {"today": np.broadcast_to(np.asarray(today_h, float), case.shape or (1,))}
    rows, whose = distinct(columns)
    columns = {name: column[rows] for name, column in columns.items()}
    first, own = distinct({name: columns[name] for name in OUTCOME_FIELDS})
    found = _outcomes_of_draws(case.take(rows[first]), grid, draws)
    out = []
    for n, at in enumerate(own):
        c = {name: column[n] for name, column in columns.items()}
        c |= {"defect_rate_per_h": c["defect_rate_per_h"] * draws.rate[:, None]}
        c |= {"delay_mean_h": c["delay_mean_h"] * draws.delay[:, None]}
        outcome = Outcome(found.caught[at], found.gained_h[at] * c["delay_mean_h"])
        out.append(_spread(cost_of_outcome(c, grid, outcome).cost_per_h, grid, columns["today"][n], may))
    values = [np.array(v)[whose] for v in zip(*out, strict=True)]
    values = [v[0] for v in values] if case.shape == () else values
    return Uncertainty(grid, *values)


def prepare_outcomes(case: Case, grid_h: Array, draws: Draws) -> None:
    """Compute the outcomes :func:`interval_uncertainty` will want of these compartments, all at once, and keep them in
    memory.

    Kinds that share the spread of what is not known are faster together than one after another.
    """
    rows, _ = distinct({name: column for name, column in case.columns().items() if name in OUTCOME_FIELDS})
    _outcomes_of_draws(case.take(rows), grid_h, draws)


def _outcomes_of_draws(case: Case, grid: Array, draws: Draws) -> Outcome:
    """Share caught and gain per hour of mean delay, (N, draws, G): computed on the mesh and
    interpolated to each draw.
    """
    factors, weights = _mesh(draws)
    c = case.columns()
    levels = typical_levels(c["base_rate"], c["change_every_h"], c["residual"])
    # one level where two would be averaged: half the work, and the share caught differs by .02 at most
    c |= {"level": np.where(np.isnan(c["level"]), levels.mean(axis=-1), c["level"])}
    found = _on_mesh(np.column_stack([c[name] for name in OUTCOME_FIELDS]), np.asarray(grid, float), factors)
    return Outcome(*(np.clip(weights @ part, 0, 1) for part in found))


_MOST_KNOWN = 4096  # cases whose outcome is kept in memory, 8 kB each
_known: dict[bytes, Array] = {}


def _on_mesh(cases: Array, grid: Array, factors: Array) -> Array:
    """Share caught, and gain per hour of mean delay, of each case at the points of the mesh: (2, N, 35, G).

    cases: (N, fields) in the order of OUTCOME_FIELDS; factors: (2, 35) of delay and growth. A case computed before in
    this process, for another site, is not computed again. Rounded so that it says the same to the last bit whichever
    cases are computed beside it.
    """
    shared = grid.tobytes() + factors.tobytes()
    keys = [row.tobytes() + shared for row in cases]
    new = [n for n, key in enumerate(keys) if key not in _known]
    if len(_known) + len(new) > _MOST_KNOWN:
        _known.clear()
        new = list(range(len(keys)))
    if new:
        found = _outcomes_on_mesh(cases[new], grid, factors)
        _known.update(zip((keys[n] for n in new), found, strict=True))
    return np.stack([_known[key] for key in keys], axis=1)


def _outcomes_on_mesh(cases: Array, grid: Array, factors: Array) -> Array:
    """(N, 2, 35, G), as :func:`_on_mesh` gives them."""
    size = factors.shape[1]
    c = dict(zip(OUTCOME_FIELDS, np.repeat(cases, size, axis=0).T, strict=True))
    delay, growth = np.tile(factors, len(cases))
    c |= {"delay_mean_h": c["delay_mean_h"] * delay, "rate_multiple": 1 + (c["rate_multiple"] - 1) * growth}
    found = outcomes(Case(defect_rate_per_h=1.0, **c), grid)  # how often defects start plays no part
    both = np.stack([found.caught, found.gained_h / c["delay_mean_h"][:, None]])
    return np.round(both.reshape(2, len(cases), size, len(grid)), 6).swapaxes(0, 1)


def _mesh(draws: Draws) -> tuple[Array, Array]:
    """Factors of delay and growth at the mesh points (2, 35), and weights (draws, 35) that interpolate to each draw in
    the logarithms.
    """
    parts, points = [], []
    for values, n in ((np.log(draws.delay), 7), (np.log(draws.growth), 5)):
        half = max(np.abs(values).max(), 1e-9)
        node = np.cos((np.arange(n) + 0.5) * np.pi / n)
        parts.append(chebvander(values / half, n - 1) @ np.linalg.inv(chebvander(node, n - 1)))
        points.append(np.exp(half * node))
    weights = (parts[0][:, :, None] * parts[1][:, None, :]).reshape(len(draws.delay), -1)
    delay, growth = np.meshgrid(*points, indexing="ij")
    return np.stack([delay.ravel(), growth.ravel()]), weights


def _spread(cost: Array, grid: Array, today: float, may: Array) -> tuple[Any, ...]:
    """Fields of :class:`Uncertainty` after the grid, for the costs (draws, G) of one compartment."""
    expected = cost.mean(axis=0)
    choice = np.flatnonzero(may)[expected[may].argmin()]
    least = cost[:, may].min(axis=1)
    best_low, best_high = np.quantile(grid[may][cost[:, may].argmin(axis=1)], [0.05, 0.95], method="nearest")
    low, high = np.quantile(cost, [0.05, 0.95], axis=0)
    regret = (cost[:, choice] - least).mean() / least.mean()
    now = np.flatnonzero(grid == today)
    saving = cost[:, now[:1]] - cost if now.size else np.full(cost.shape, np.nan)
    saved = np.quantile(saving, [0.05, 0.95], axis=0)
    return expected, low, high, grid[choice], best_low, best_high, regret, saved[0], saved[1]


SENSITIVE = (
    "delay_mean_h",
    "rate_multiple",
    "noise_share",
    "failure_cost",
    "planned_cost",
    "sample_cost",
    "defect_rate_per_h",
    "turnaround_h",
    "false_alarm",
    "inspect_cost",
)


def interval_sensitivity(
    case: Case, names: Sequence[str] = SENSITIVE, factors: tuple[float, float] = (0.5, 2.0)
) -> pd.DataFrame:
    """What the best interval of one compartment becomes when one assumption at a time is multiplied by each factor.

    Returns one row per name and factor, widest swing first: name, factor, value, every_h (NaN: no sampling),
    cost_per_h, regret (share lost by keeping today's best), swing_h.
    """
    base = best_interval(case)
    rows = [(name, factor) for name in names for factor in factors]
    size = len(rows)
    changed = {}
    for name in names:
        value = float(getattr(case, name))
        changed[name] = np.array([value * factor if name == row else value for row, factor in rows])
    if "rate_multiple" in changed:
        changed["rate_multiple"] = np.maximum(changed["rate_multiple"], 1.0)
    many = replace(case, **changed)
    best = best_interval(many)
    kept = interval_cost(many, np.inf if np.isnan(base.every_h) else base.every_h, fine=False).cost_per_h
    out = pd.DataFrame(rows, columns=["name", "factor"])
    out["value"] = [changed[name][i] for i, (name, _) in enumerate(rows)]
    out["every_h"], out["cost_per_h"] = best.every_h, best.cost_per_h
    out["regret"] = np.maximum(kept / best.cost_per_h - 1, 0.0) if size else []
    ends = out.groupby("name")["every_h"]
    out["swing_h"] = out["name"].map(ends.max() - ends.min())
    return out.sort_values(["swing_h", "name", "factor"], ascending=[False, True, True], kind="stable").reset_index(
        drop=True
    )


@dataclass(frozen=True)
class Allocation:
    """Which column each compartment gets; price: value of one more unit of load; bound: no plan within the capacity can
    cost less.
    """

    choice: Array
    cost: float
    load: float
    price: float
    bound: float
    words: str


def allocate_samples(cost: Array, load: Array, capacity: float) -> Allocation:
    """Cheapest mix of intervals within a capacity (samples a year of a crew or laboratory): a price per sample, then
    the slack is filled.

    cost, load: (N, G), cost and load per year of each choice; capacity in units of load, inf for no limit. Generalised
    Lagrange multipliers (Everett 1963): each compartment takes its cheapest column at cost + price x load.
    """
    cost, load = np.asarray(cost, float), np.asarray(load, float)
    if cost.shape != load.shape or cost.ndim != 2:
        raise ValueError(
            f"cost {cost.shape} and load {load.shape}: wanted two tables of the same shape (compartments, intervals)."
        )
    rows = np.arange(len(cost))
    least = load.min(axis=1).sum()
    if least > capacity:
        choice = np.lexsort((cost.T, load.T), axis=0)[0] if len(cost) else rows
        words = (
            f"the capacity of {capacity:,.0f} is below the least possible load of {least:,.0f}; every compartment "
            f"gets its longest interval"
        )
        return Allocation(
            choice, float(cost[rows, choice].sum()), float(load[rows, choice].sum()), np.inf, np.inf, words
        )
    price, bound = _price(cost, load, capacity)
    choice = _fill(cost, load, _cheapest(cost, load, price), capacity)
    used, total = float(load[rows, choice].sum()), float(cost[rows, choice].sum())
    words = f"{used:,.0f} of {capacity:,.0f} used" if np.isfinite(capacity) else "no limit"
    words += f"; one more would be worth about {price:,.0f}" if price > 0 else "; the capacity does not bind"
    return Allocation(choice, total, used, price, min(bound, total), words)


def _cheapest(cost: Array, load: Array, price: float) -> Array:
    """Cheapest column at a price, the lighter one where two cost the same."""
    priced = cost + price * load
    ties = priced <= priced.min(axis=1, keepdims=True) + 1e-12 * np.abs(priced).max(initial=1.0)
    return np.where(ties, load, np.inf).argmin(axis=1)


def _price(cost: Array, load: Array, capacity: float) -> tuple[float, float]:
    """Lowest price at which the load fits (bisection) and the bound it proves."""
    rows = np.arange(len(cost))

    def fits(price: float) -> bool:
        return float(load[rows, _cheapest(cost, load, price)].sum()) <= capacity

    if fits(0.0):
        return 0.0, float(cost.min(axis=1).sum())
    low, high = 0.0, 1.0
    while not fits(high):
        low, high = high, 4 * high
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if fits(middle) else (middle, high)
    return high, float((cost + high * load).min(axis=1).sum() - high * capacity)


def _fill(cost: Array, load: Array, choice: Array, capacity: float) -> Array:
    """Use what is left of the capacity: best saving per unit of load first, as long as something fits."""
    rows, choice = np.arange(len(cost)), choice.copy()
    while True:
        saved = cost[rows, choice][:, None] - cost
        more = load - load[rows, choice][:, None]
        left = capacity - load[rows, choice].sum()
        n, g = np.nonzero((saved > 0) & (more <= left))
        if not n.size:
            return choice
        ratio = saved[n, g] / np.maximum(more[n, g], 1e-12)
        moved = np.zeros(len(cost), bool)
        for i in np.argsort(-ratio, kind="stable"):
            if not moved[n[i]] and more[n[i], g[i]] <= left:
                choice[n[i]], left = g[i], left - more[n[i], g[i]]
                moved[n[i]] = True
