"""A compartment that wears or carries over otherwise than before and stays so: a steady change that is no fault.

A new component, more fluid left at a change, another duty: some results step to a new usual and stay there, where a
fault grows. The hypothesis "sound, with usual values of its own anew" runs beside sound and the faults with a forecast
of its own. In the bottle it begins with, each result moves with some chance by as much as compartments of its family
differ; from then on it must be forecast as narrowly as any. A fault's size is open in every bottle, so bottles that
stay where the first was speak for the steady change, and bottles that grow on speak for the fault. Once it is more
likely than not, its usual values become the compartment's.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cmkit.judge.bottles import GOOD, Grid
from cmkit.judge.constants import constant
from cmkit.judge.densities import (
    Forecast,
    forecast_metals,
    learn_levels,
    learn_means,
    low_level,
    mixed_levels,
    start_levels,
    still_density,
    usual_density,
)
from cmkit.judge.measures import Bottles

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]


@dataclass
class Anew:
    """Chance of a steady change (C), and levels (5, C, M) and usual values (mean, variance; (C, Q)) under it."""

    chance: Floats
    levels: Floats
    means: tuple[Floats, Floats]


@dataclass(frozen=True)
class Weighed:
    """What bottle i says of some compartments (at, n) under a steady change: log of likelihood times chance before, of
    one that stood (0) and one that begins (1) with it (n, 2); forecast under the first; what moved in the second (n, M)
    and (n, Q); the bottle's factor (n).
    """

    at: Rows
    log: Floats
    stood: Forecast
    moved: tuple[Floats, Floats]
    factor: Floats


@dataclass(frozen=True)
class Usual:
    """What is usual of sound compartments before a bottle: levels (5, C, M), other results (means, variance), and
    the forecast of the metals by these levels.
    """

    levels: Floats
    means: tuple[Floats, Floats]
    forecast: Forecast


def nothing_anew(b: Bottles) -> Anew:
    """No steady change in any compartment."""
    none = np.zeros((len(b.row), len(b.others)))
    return Anew(np.zeros(len(b.row)), start_levels(b), (none, none.copy()))


def weigh(
    b: Bottles, i: int, at: Rows, anew: Anew, *, usual: Usual, sound: Floats, grid: Grid, good: Floats, low: Floats
) -> Weighed:
    """Weigh a steady change in the compartments `at` by bottle i, if it is a good one.

    sound, good: chance that they are sound and log chance that the bottle is good, before it (n); low: chance of a low
    level of sound ones.
    """
    moves, temper = constant("anew_moves"), constant("temper")
    # what the fluid itself is (viscosity, additives) moves with another fluid: that is no steady change of the machine
    others = np.where(np.array(b.ways) == "~", 0.0, moves)
    some = grid.oddity == GOOD
    shares = grid.share[some]
    stood, begins = forecast_metals(b, i, at, anew.levels[:, at]), usual.forecast.rows(at)
    wide = (b.numbers["rate_sd"][at] * b.steps["psi"][at, i][:, None]) ** 2 + _level_var(usual, at)
    p = still_density(b, i, at, ((stood, 0.0), (begins, 0.0), (begins, wide)), grid=grid)
    q = usual_density(b, i, at, ((anew.means, 0.0), (usual.means, 0.0), (usual.means, b.tau**2)))
    mixed, other = (1 - moves) * p[1] + moves * p[2], (1 - moves) * q[1] + others * q[2]
    noted = low_level(b.low[at, i], low)[:, 0]
    by_times = [temper * np.log(x).sum(axis=1) + np.log(shares) for x in (p[0], mixed)]
    log = [
        np.logaddexp.reduce(t, axis=1) + temper * (np.log(o) @ b.exponent + noted) + good
        for t, o in zip(by_times, (q[0], other), strict=True)
    ]
    before = np.log(np.maximum([anew.chance[at], constant("anew_share") * sound], 1e-30))
    weight = np.exp(by_times[1] - np.logaddexp.reduce(by_times[1], axis=1, keepdims=True))
    moved = np.einsum("nmb,nb->nm", moves * p[2] / mixed, weight), others * q[2] / other
    return Weighed(
        at,
        np.array(log).T + before.T,
        stood,
        moved,
        np.exp((weight * np.log(begins.times(grid)[:, some])).sum(axis=1) * begins.of_bottle),
    )


def learn_anew(b: Bottles, i: int, w: Weighed, anew: Anew, *, usual: Usual, good: Floats, odd: Floats) -> None:
    """Levels and usual values under a steady change after a bottle, in place; no rate and no usual value is further
    from what is usual than a steady change goes.

    good: chances that it stood and that it begins, with a good bottle (n, 2); odd: with one that is not (n).
    """
    at, total = w.at, np.maximum(good.sum(axis=1) + odd, 1e-12)
    sure, begun = good.sum(axis=1) / total, good[:, 1] / total
    moved = mixed_levels(w.stood.moved, _widened(b, i, w, usual), 1 - begun)
    after = learn_levels(b, i, at, moved, factor=w.factor, sound=sure, fault=np.zeros(len(at)))
    most = constant("anew_most")
    after[1] = np.minimum(after[1], most * np.maximum(usual.levels[1][at], b.numbers["rate_mean"][at]))
    anew.levels[:, at] = after
    share, stood = begun[:, None], tuple(m[at] for m in anew.means)
    mean, spread = usual.means[0][at], usual.means[1][at] + w.moved[1] * b.tau**2
    anew.means[0][at] = (1 - share) * stood[0] + share * mean
    anew.means[1][at] = (1 - share) * stood[1] + share * spread + share * (1 - share) * (stood[0] - mean) ** 2
    learn_means(b, i, at, anew.means, sure)
    anew.means[0][at] = np.clip(anew.means[0][at], mean - most * b.tau, mean + most * b.tau)


def _widened(b: Bottles, i: int, w: Weighed, usual: Usual) -> Floats:
    """The forecast's state by what is usual, as open as a change that begins leaves the rate and the level."""
    at, out = w.at, usual.forecast.moved[:, w.at]
    rate = w.moved[0] * b.numbers["rate_sd"][at] ** 2
    psi, sd_psi = (b.steps[name][at, i][:, None] for name in ("psi", "sd_psi"))
    out[2] += (psi * psi + sd_psi * sd_psi) * rate + w.moved[0] * _level_var(usual, at)
    out[3] += psi * rate
    out[4] += rate
    return out


def settle_anew(anew: Anew, sound: Floats, levels: Floats, means: tuple[Floats, Floats]) -> None:
    """Where a steady change is likely enough its chance becomes the sound state's (`sound`, C) and what is usual under
    it the compartment's own levels (5, 2, C, M) and means, in place.
    """
    at = np.flatnonzero(anew.chance >= constant("anew_settles"))
    if not len(at):
        return
    sound[at] += anew.chance[at]
    anew.chance[at] = 0.0
    levels[:, :, at] = anew.levels[:, None, at]
    for own, new in zip(means, anew.means, strict=True):
        own[at] = new[at]


def _level_var(usual: Usual, at: Rows) -> Floats:
    """Variance (ppm^2) by which more of the fluid before may have stayed in."""
    return np.asarray((constant("anew_level") * usual.levels[0][at]) ** 2)
