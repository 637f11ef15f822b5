"""What a sampling interval costs per operating hour: chance that a defect is caught in time, and renewal reward around
it.

A defect starts after an exponential healthy time; samples fall on a fixed grid of operating hours; a sample may raise
an alarm; the result and the repair come `turnaround_h` later; a defect that fails before then is a failure. Either way
the compartment is as new. Hours are operating hours throughout, never calendar hours.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.optimize import brentq

from cmkit.intervals.delay import Array
from cmkit.intervals.detection import steady_filter, typical_levels
from cmkit.intervals.follow import chunks, follow


@dataclass(frozen=True)
class Case:
    """One compartment, or N of them: any field may be a number or an array of shape (N,).

    Defects: defect_rate_per_h (1/h, > 0), delay_mean_h (h, > 0) and delay_shape (Weibull; <= 0 fixed) from start to
    failure.
    Trend: base_rate (ppm/h), rate_multiple (>= 1; times the base rate reached at failure), growth (> 0; power of age /
    delay).
    Bottle and filter: noise_floor (ppm), noise_share, load_share, drift_share as in `wear.rates`; level (ppm; NaN:
    typical of the fluid life), change_every_h (h), residual (share left at a change, 0..1), z_alarm, acted_share (0..1;
    share of alarms acted on), metals (>= 1; that rise alike).
    chance: for another technique, a constant chance (0..1) that one sample finds a present defect; NaN: from the trend.
    Money: sample_cost, inspect_cost (a false alarm), planned_cost, failure_cost, downtime included; false_alarm (share
    of samples).
    turnaround_h: operating hours from drawing to repair (>= 0).
    """

    defect_rate_per_h: float | Array
    delay_mean_h: float | Array
    delay_shape: float | Array = 2.0
    base_rate: float | Array = np.nan
    rate_multiple: float | Array = np.nan
    growth: float | Array = 1.0
    noise_floor: float | Array = 0.5
    noise_share: float | Array = 0.1
    load_share: float | Array = 0.12
    drift_share: float | Array = 0.20
    level: float | Array = np.nan
    change_every_h: float | Array = np.inf
    residual: float | Array = 0.1
    z_alarm: float | Array = 3.0
    acted_share: float | Array = 0.95
    metals: float | Array = 1.0
    chance: float | Array = np.nan
    sample_cost: float | Array = 0.0
    inspect_cost: float | Array = 0.0
    planned_cost: float | Array = 0.0
    failure_cost: float | Array = 0.0
    false_alarm: float | Array = 0.0
    turnaround_h: float | Array = 0.0

    def __post_init__(self) -> None:
        for name, low, high in _BOUNDS:
            value = np.asarray(getattr(self, name), float)
            if np.any((value < low) | (value > high)):
                bad = value[(value < low) | (value > high)].flat[0]
                raise ValueError(f"{name}: found {bad:g}, wanted a value between {low:g} and {high:g}.")
        trend = np.isnan(np.asarray(self.chance, float))
        if np.any(trend & (np.isnan(self.base_rate) | np.isnan(self.rate_multiple))):
            raise ValueError("base_rate and rate_multiple are needed unless chance is given: a trend needs a slope.")

    @property
    def shape(self) -> tuple[int, ...]:
        return np.broadcast_shapes(*(np.shape(getattr(self, f.name)) for f in fields(self)))

    def columns(self) -> dict[str, Array]:
        """Every field as a float array of shape (N,), N = 1 for a single compartment."""
        size = self.shape or (1,)
        return {f.name: np.broadcast_to(np.asarray(getattr(self, f.name), float), size) for f in fields(self)}

    def take(self, rows: Array) -> "Case":
        """The compartments at these positions, as arrays."""
        return Case(**{name: column[rows] for name, column in self.columns().items()})


_TINY = np.finfo(float).tiny
_BOUNDS = (
    ("defect_rate_per_h", _TINY, np.inf),
    ("delay_mean_h", _TINY, np.inf),
    ("base_rate", _TINY, np.inf),
    ("rate_multiple", 1.0, np.inf),
    ("growth", _TINY, np.inf),
    ("noise_floor", 0.0, np.inf),
    ("noise_share", 0.0, np.inf),
    ("residual", 0.0, 0.999),
    ("acted_share", 0.0, 1.0),
    ("metals", 1.0, np.inf),
    ("chance", 0.0, 1.0),
    ("sample_cost", 0.0, np.inf),
    ("inspect_cost", 0.0, np.inf),
    ("planned_cost", 0.0, np.inf),
    ("failure_cost", 0.0, np.inf),
    ("false_alarm", 0.0, 1.0),
    ("turnaround_h", 0.0, np.inf),
)
OUTCOME_FIELDS = (
    "delay_mean_h",
    "delay_shape",
    "base_rate",
    "rate_multiple",
    "growth",
    "noise_floor",
    "noise_share",
    "load_share",
    "drift_share",
    "level",
    "change_every_h",
    "residual",
    "z_alarm",
    "acted_share",
    "metals",
    "chance",
    "turnaround_h",
)


@dataclass(frozen=True)
class Outcome:
    """What becomes of a defect: caught (share found and repaired in time), gained_h (mean hours by which repair cuts
    its life short).
    """

    caught: Array
    gained_h: Array


@dataclass(frozen=True)
class IntervalCost:
    """Per compartment (if several) and interval (if several), in that order of axes.

    cost_per_h: money per operating hour; p_caught, p_fail: share of defects; warning_h: mean hours between repair and
    the failure it prevents (NaN when none is caught); defect_h: mean hours a defect lives until repair or failure.
    """

    every_h: float | Array
    cost_per_h: Array
    p_caught: Array
    p_fail: Array
    warning_h: Array
    defect_h: Array


def interval_cost(
    case: Case, every_h: float | Array, *, fine: bool | None = None, restarted: bool = False
) -> IntervalCost:
    """Cost per operating hour of sampling every `every_h` hours; inf means no sampling.

    every_h: one interval or a grid (h, > 0). fine: finer integration (cost to 3e-4; default for a single compartment).
    restarted: the grid starts again at each repair instead of running on (the phase of the first sample is then not
    uniform). Renewal reward: C = c_s/T + [c_p P + c_f (1-P)]/(1/lam + E W) + (c_i alpha/T)(1/lam)/(1/lam + E W).
    """
    grid = np.atleast_1d(np.asarray(every_h, float))
    if np.any(~(grid > 0)):
        raise ValueError(f"every_h: found {grid[~(grid > 0)][0]:g}, wanted hours above zero (inf for no sampling).")
    outcome = outcomes(case, grid, fine=case.shape == () if fine is None else fine, restarted=restarted)
    c = {name: column[:, None] for name, column in case.columns().items()}
    result = cost_of_outcome(c, grid, outcome)
    shape = case.shape + np.shape(every_h)
    flat = {f.name: np.reshape(getattr(result, f.name), shape) for f in fields(IntervalCost) if f.name != "every_h"}
    return IntervalCost(every_h=every_h, **flat)


def cost_of_outcome(c: dict[str, Array], grid: Array, outcome: Outcome) -> IntervalCost:
    """Renewal reward from the outcome of a defect; columns `c` of a Case broadcast against the outcome's arrays."""
    per_hour = 1 / grid
    healthy = 1 / c["defect_rate_per_h"]
    defect = c["delay_mean_h"] - outcome.gained_h
    cycle = healthy + defect
    repair = c["planned_cost"] * outcome.caught + c["failure_cost"] * (1 - outcome.caught)
    false = c["inspect_cost"] * c["false_alarm"] * per_hour * healthy / cycle
    warning = np.divide(
        outcome.gained_h, outcome.caught, out=np.full(outcome.caught.shape, np.nan), where=outcome.caught > 1e-12
    )
    cost = c["sample_cost"] * per_hour + repair / cycle + false
    return IntervalCost(grid, cost, outcome.caught, 1 - outcome.caught, warning, defect)


def several_modes(cases: list[Case], every_h: float | Array) -> Array:
    """Cost per hour (money/h) when several failure modes share the same samples: sampling and false alarms are paid
    once.
    """
    costs = [interval_cost(case, every_h).cost_per_h for case in cases]
    free = [replace(case, sample_cost=0.0, inspect_cost=0.0) for case in cases[1:]]
    return costs[0] + sum(interval_cost(case, every_h).cost_per_h for case in free)


def equivalent_chance(case: Case, every_h: float) -> float:
    """Constant chance per sample that catches the same share of defects as the trend does at this interval (one
    compartment).
    """
    wanted = float(np.ravel(interval_cost(case, every_h).p_caught)[0])
    points = [nodes for _, nodes in chunks(replace(case, chance=1.0, level=0.0).columns(), every_h, False, False)]
    count, weight = (
        np.concatenate([part.ravel() for part in parts]) for parts in zip(*(n.samples() for n in points), strict=True)
    )

    def excess(chance: float) -> float:
        return float(weight @ (1 - (1 - chance) ** count)) - wanted

    return float(brentq(excess, 0.0, 1.0, xtol=1e-6)) if excess(1.0) > 0 else 1.0


def outcomes(case: Case, grid: Array, fine: bool = False, restarted: bool = False) -> Outcome:
    """What becomes of a defect in each compartment (N) at each interval (G); equal parameter sets are computed once.

    Money and (unless the grid restarts) the defect rate play no part, so compartments that differ only in those share
    the work.
    """
    columns = case.columns()
    names = (*OUTCOME_FIELDS, "defect_rate_per_h") if restarted else OUTCOME_FIELDS
    first, back = distinct({name: columns[name] for name in names})
    sets = {name: column[first] for name, column in columns.items()}
    caught = np.zeros((len(first), grid.size))
    gained = np.zeros((len(first), grid.size))
    for g, every in enumerate(grid):
        if np.isfinite(every):
            caught[:, g], gained[:, g] = _one_interval(sets, float(every), fine, restarted)
    return Outcome(caught[back], gained[back])


def distinct(columns: dict[str, Array]) -> tuple[Array, Array]:
    """Positions of the first compartment of each distinct set of values, and for every compartment which set is its
    own.
    """
    values = np.ascontiguousarray(np.column_stack(list(columns.values())) + 0.0)  # no zero has a sign
    known: dict[bytes, int] = {}
    back = np.array([known.setdefault(row.tobytes(), len(known)) for row in values], np.int64)
    return np.unique(back, return_index=True)[1], back


def _one_interval(sets: dict[str, Array], every: float, fine: bool, restarted: bool) -> tuple[Array, Array]:
    """Share caught and mean hours gained of each parameter set at one interval."""
    caught, gained = np.zeros(len(sets["chance"])), np.zeros(len(sets["chance"]))
    for rows, level in _by_level(sets):
        part = {name: column[rows] for name, column in sets.items()} | {"level": level}
        if np.isnan(part["chance"]).any():
            part |= _filters(part, every)
        for chunk, nodes in chunks(part, every, fine, restarted):
            c = {name: column[chunk] for name, column in part.items()}
            p, w = follow(c, every, nodes, fine)
            np.add.at(caught, rows[chunk], p)
            np.add.at(gained, rows[chunk], w)
    halves = np.where(np.isnan(sets["level"]) & np.isnan(sets["chance"]), 2.0, 1.0)
    return np.clip(caught / halves, 0, 1), gained / halves


def _filters(part: dict[str, Array], every: float) -> dict[str, Array]:
    """Columns of the steady filter, computed once for parameter sets that differ only in their defects."""
    first, back = distinct({name: part[name] for name in ("base_rate", *_OF_FILTER)})
    steady = steady_filter(every, part["base_rate"][first], **{name: part[name][first] for name in _OF_FILTER})
    return {name: column[back] for name, column in vars(steady).items()}


_OF_FILTER = ("noise_floor", "noise_share", "load_share", "drift_share", "level")


def _by_level(sets: dict[str, Array]) -> Iterator[tuple[Array, Array]]:
    """Rows with the level to use: the one given, or both typical levels of a fluid life (half of the weight each)."""
    given = ~np.isnan(sets["level"]) | ~np.isnan(sets["chance"])
    if given.any():
        yield np.flatnonzero(given), np.nan_to_num(sets["level"][given])
    rows = np.flatnonzero(~given)
    if rows.size:
        levels = typical_levels(sets["base_rate"][rows], sets["change_every_h"][rows], sets["residual"][rows])
        yield np.repeat(rows, 2), levels.ravel()
