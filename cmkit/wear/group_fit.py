"""Numbers of groups of compartments (kinds, families) found together: penalised likelihood of the wear filter's own
one-step forecasts, every group at once.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.records.constants import constant
from cmkit.wear.likelihood import Series
from cmkit.wear.series_arrays import Panel

Floats = NDArray[np.float64]
_MOST_SERIES = int(constant("wear", "family_most_series"))
# fitted together: log rate_mean, log rate_sd/rate_mean, log noise_share, log load_share, and the content of fresh
# fluid as a share of the usual level
LOOSE = np.array([1.5, 0.5, 0.5, 0.5, 0.5])  # sd of the penalties: own choice
FRESH = 4
_CONTRAST = constant("wear", "fresh_contrast")
_CLEARLY = constant("wear", "fresh_log_likelihood")
SWEEPS = 8
# of a group, as `log_likelihood` wants them
CONSTANTS = ["level_mean", "level_var", "noise_floor", "unit", "usual", "drift_share"]


def fit_groups(
    data: Panel,
    series: pd.DataFrame,
    by: str,
    groups: pd.DataFrame,
    lean: tuple[Floats, Floats],
    *,
    start: Floats | None = None,
    free: tuple[int, ...] = tuple(range(FRESH + 1)),
    sweeps: int = SWEEPS,
) -> tuple[Floats, Floats]:
    """Best parameters of every group at once and what they cost, by sweeps of one-dimensional parabola steps, each kept
    only if better (a parabola may step over a content of fresh fluid that is worth reporting: then the step beside is).

    Rows are groups, columns log rate_mean, log rate_sd/rate_mean, log noise_share, log load_share and fresh content
    over the usual level.
    lean: centre and spread of the penalties; start: where to begin (the centre); free: columns that may move.
    """
    centre, spread = lean
    group, rows = chosen_series(series, by, groups)
    life = series["life_row"].to_numpy()[rows]
    spread = np.tile(spread, (len(groups), 1))
    held = (groups["contrast"].fillna(0) < _CONTRAST).to_numpy()  # fresh content cannot be told from wear
    spread[held, FRESH] = 1e-6
    whole = _Cost.of(data, (group, life, rows), groups, (centre, spread), held | ~held)
    rest = _Cost.of(data, (group, life, rows), groups, (centre, spread), ~held) if FRESH in free else whole
    theta, step = (centre if start is None else start).copy(), np.full(centre.shape, 0.4)
    best = whole(theta)
    for p in free * sweeps:
        part = rest if p == FRESH else whole
        theta[part.at], best[part.at], step[part.at, p] = part.step(theta[part.at], best[part.at], step[part.at, p], p)
    return theta, best


@dataclass(frozen=True)
class _Cost:
    """Cost of some groups, number by number: their series, the group of each series, and the penalties. at: their
    numbers among all groups.
    """

    at: NDArray[np.int64]
    group: NDArray[np.int64]
    series: Series
    least: Floats  # content of fresh fluid that a laboratory would report, over the usual level
    centre: Floats
    spread: Floats

    @classmethod
    def of(
        cls,
        data: Panel,
        chosen: tuple[NDArray[np.int64], ...],
        groups: pd.DataFrame,
        lean: tuple[Floats, Floats],
        at: NDArray[np.bool_],
    ) -> "_Cost":
        """chosen: group, life and row of every series of all groups; lean: centre and spread; at: which groups."""
        group, life, rows = (part[at[chosen[0]]] for part in chosen)
        series = Series.of(data, life, rows, groups[CONSTANTS].to_numpy(float)[group])
        least = (groups["unit"] / 2 / groups["usual"]).to_numpy(float)[at]
        return cls(np.flatnonzero(at), (np.cumsum(at) - 1)[group], series, least, *(part[at] for part in lean))

    def __call__(self, theta: Floats) -> Floats:
        """Cost of every group (..., G) at theta (..., G, 5)."""
        fit = -self.series.log_likelihood(theta[..., self.group, :])
        content = theta[..., FRESH]
        some = np.where(content >= self.least, _CLEARLY, np.where(content > 0, np.inf, 0.0))
        penalty = 0.5 * (((theta - self.centre) / self.spread) ** 2).sum(axis=-1)
        by_group = np.zeros(penalty.shape)
        for tried in np.ndindex(penalty.shape[:-1]):
            by_group[tried] = np.bincount(self.group, fit[tried], len(self.at))
        return np.asarray(by_group + penalty + some)

    def step(self, theta: Floats, best: Floats, step: Floats, p: int) -> tuple[Floats, Floats, Floats]:
        """One parabola step in column p: where each group now is, what that costs, and its next step."""
        up, down = self(np.stack([_moved(theta, p, step), _moved(theta, p, -step)]))
        there = _moved(theta, p, step * _vertex(down, best, up))
        reached = self(there)
        beside = up < np.minimum(reached, best)
        there[beside], reached[beside] = _moved(theta, p, step)[beside], up[beside]
        gains = reached < best
        size = np.abs(there[:, p] - theta[:, p])
        after = np.clip(np.where(gains, size, step / 2), 0.02, 0.8)
        return np.where(gains[:, None], there, theta), np.where(gains, reached, best), after


def _moved(theta: Floats, p: int, by: Floats) -> Floats:
    out = theta.copy()
    out[:, p] += by
    out[:, FRESH] = np.maximum(out[:, FRESH], 0.0)
    return out


def _vertex(down: Floats, here: Floats, up: Floats) -> Floats:
    """Lowest point of the parabola through three costs at -1, 0, 1; two steps downhill where it bends the wrong way."""
    up, down = np.where(np.isfinite(up), up, here + 1e6), np.where(np.isfinite(down), down, here + 1e6)
    bend = up + down - 2 * here
    found = np.where(bend > 0, 0.5 * (down - up) / np.where(bend > 0, bend, 1.0), 2 * np.sign(down - up))
    return np.clip(found, -2, 2)


def chosen_series(series: pd.DataFrame, by: str, groups: pd.DataFrame) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Group number and row of the series used in the fit: all of them, or evenly spaced ones of a large group.

    groups: every group of `series`, in order of name and analyte.
    """
    keys = series.groupby([by, "analyte"], sort=True)
    number, place = keys.ngroup().to_numpy(), keys.cumcount().to_numpy()
    size = groups["n_series"].to_numpy()[number]
    keep = (place * _MOST_SERIES) // np.maximum(size, _MOST_SERIES) != ((place - 1) * _MOST_SERIES) // np.maximum(
        size, _MOST_SERIES
    )
    rows = np.flatnonzero(keep | (size <= _MOST_SERIES))
    return number[rows], rows
