"""How likely a bottle's results are in every state, and what a good bottle teaches about level, rate and usual value.

Metals: mean(change, bottle) = (carried + gained e^change) times the bottle's factor, plus dust; variance from the
filter's two states, load, drift, and the laboratory. Other results: mean = own mean + unit x change. Noise is Student's
t with 5 degrees of freedom; a result below or above its limit, or in the range of a code, counts by the chance of lying
there; a result not measured counts 1.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cmkit.judge.bottles import DIRT, GOOD, RICH, Grid, student_cdf
from cmkit.judge.constants import constant
from cmkit.judge.hypotheses import BOTH_WAYS, UP, States
from cmkit.judge.measures import Bottles
from cmkit.wear.filter import ROBUST, Numbers, beyond_limit, noise, predict, true_limit

Floats = NDArray[np.float64]
Rows = slice | NDArray[np.int64]
_PEAK = np.float32(8 / (3 * np.sqrt(3) * np.pi))
_LEAST = np.float32(1e-30)
_LEAST_SD = 0.03  # own choice: of the rate, as a share of the family's, so that the filter never stops learning
_STEP = ("phi", "psi", "chi", "sd_phi", "sd_psi", "hours")
_NOT_BY_LOAD = frozenset({"coolant"})  # its metals come of corrosion, each by its own, and not of the machine's load
_KEPT_GAIN = 0.9  # own choice: share of a good bottle's departure the level follows under a fault


@dataclass(frozen=True)
class Forecast:
    """Of metals before a bottle. of_result (5, ..., n, M), ppm and ppm^2: carried over, gained if sound, and v0, v1, v2
    of the variance v0 + v1 e^d + v2 e^2d under a change d. moved (5, ..., n, M): the filter's state moved to the
    bottle: expected level, rate, covariances a11, a12, a22.
    """

    of_result: Floats
    moved: Floats
    shared: Floats

    def rows(self, at: Any) -> "Forecast":
        """The forecast of some compartments, or one of several forecasts."""
        return Forecast(self.of_result[:, at], self.moved[:, at], self.shared[at])

    def times(self, grid: Grid) -> Floats:
        """By what the metals of a bottle may be multiplied together, by way of the bottle (n, B)."""
        steps = np.log(grid.times)
        wider = (self.shared / constant("bottle_factor_sd"))[:, None]
        return np.asarray(np.exp(np.where(grid.oddity == GOOD, wider * steps, steps)))

    @property
    def of_bottle(self) -> Floats:
        """How much of what a good bottle's metals share is the bottle's own and not the interval's (n), 0..1."""
        return (constant("bottle_factor_sd") / self.shared) ** 2

    @property
    def sound(self) -> tuple[Floats, Floats]:
        """Mean (ppm) and variance (ppm^2) of a sound compartment's result."""
        carried, gained, v0, v1, v2 = self.of_result
        return carried + gained, np.maximum(v0 + v1 + v2, 1e-6)


def start_levels(b: Bottles) -> Floats:
    """Level, rate and their covariances P11, P12, P22 of every compartment before its first bottle: its family's
    (5, C, M).
    """
    g = b.numbers
    return np.stack([g["level_mean"], g["rate_mean"], g["level_var"], np.zeros_like(g["rate_mean"]), g["rate_sd"] ** 2])


def filter_numbers(b: Bottles, at: Rows) -> Numbers:
    """The filter's numbers of some compartments (n, M)."""
    return Numbers(**{name.removesuffix("_ppm"): values[at] for name, values in b.numbers.items()})


def forecast_metals(b: Bottles, i: int, at: Rows, level: Floats) -> Forecast:
    """Forecast of bottle i of the compartments `at` from their levels and rates before it (5, n, M), or from several
    such (5, ..., n, M). A first bottle of unknown fluid is held against the family's usual level.
    """
    numbers = filter_numbers(b, at)
    c, beta, p11, p12, p22 = level
    phi, psi, chi, sd_phi, sd_psi, hours = (b.steps[k][at, i][:, None] for k in _STEP)
    _, moved = predict((c, beta, p11, p12, p22), [phi, psi, chi, sd_phi, sd_psi, hours], numbers)
    rate = np.maximum(beta, constant("least_rate") * numbers.rate_mean)
    doubt = sd_phi**2 * (c * c + p11)
    load = moved[2] - phi * (phi * p11 + psi * p12) - psi * (phi * p12 + psi * p22) - doubt
    out = np.empty_like(level)
    out[0], out[1] = phi * c + chi * numbers.fresh, psi * rate
    own_doubt = doubt - constant("shared_fluid") * sd_phi**2 * c * c
    common = 0.0 if b.kind in _NOT_BY_LOAD else constant("shared_load")
    own_load = np.maximum(load - common * (psi * numbers.load_share * rate) ** 2, 0)
    out[2], out[3], out[4] = phi * phi * p11 + own_doubt, 2 * phi * psi * p12, psi * psi * p22 + own_load
    unplaced = np.flatnonzero(b.first[at, i] & ~b.placed[at, i])
    if len(unplaced):
        out[:, ..., unplaced, :] = 0.0
        out[1][..., unplaced, :], out[2][..., unplaced, :] = c[..., unplaced, :], p11[..., unplaced, :]
    level = np.maximum(out[0] + out[1], 1e-9)
    of_fluid = (sd_phi * c / level).mean(axis=-1) ** 2
    of_load = (numbers.load_share * out[1] / level).mean(axis=-1) ** 2
    shared = constant("bottle_factor_sd") ** 2 + constant("shared_fluid") * of_fluid + common * of_load
    return Forecast(out, np.stack(moved), np.minimum(np.sqrt(shared), constant("shared_most")))


@dataclass(frozen=True)
class ByRole:
    """Log likelihood of each metal by way of the bottle and role: without dust (n, clean ways, M, R), and of the metals
    that dust adds to, `dusty`, in the ways with dust (n, the other ways, metals, R). The other metals of a bottle with
    dust are as in a good one that is neither rich nor poor (way `plain`).
    """

    clean: NDArray[Any]
    dirty: NDArray[Any]
    dusty: Rows
    plain: int

    def total(self, to_state: NDArray[np.float32]) -> NDArray[Any]:
        """Summed over the metals, by way and state (n, B, S)."""
        n, k, metals, roles = self.clean.shape
        clean = (self.clean.reshape(n * k, metals * roles) @ to_state).reshape(n, k, to_state.shape[1])
        more = self.dirty - self.clean[:, self.plain][:, None, self.dusty]
        rows = to_state.reshape(metals, roles, to_state.shape[1])[self.dusty]
        rows = rows.reshape(more.shape[2] * roles, to_state.shape[1])
        dust = (more.reshape(n * more.shape[1], len(rows)) @ rows).reshape(n, more.shape[1], rows.shape[1])
        dirty = clean[:, self.plain, None] + dust
        return np.concatenate([clean, dirty], axis=1)

    def mean(self, at: Rows, weight: Floats) -> NDArray[Any]:
        """Mean over the ways of some bottles by their weights (n, B), each of sum 1: (n, M, R)."""
        k = self.clean.shape[1]
        own, dirty = weight[:, :k].astype(np.float32), weight[:, k:].astype(np.float32)
        own[:, self.plain] += dirty.sum(axis=1)
        out = np.einsum("nb,nbmr->nmr", own, self.clean[at])
        more = self.dirty[at] - self.clean[at, self.plain][:, None, self.dusty]
        out[:, self.dusty] += np.einsum("nb,nbmr->nmr", dirty, more)
        return np.asarray(out)


def metal_likelihood(b: Bottles, i: int, at: Rows, f: Forecast, *, grid: Grid, s: States) -> ByRole:
    """Log likelihood of the metals of bottle i of the compartments `at` by their forecast."""
    dirt, dust = grid.oddity == DIRT, _dust(tuple(b.metals))
    dusty = np.flatnonzero(dust)
    spread = np.where(grid.oddity == RICH, constant("rich_spread") ** 2, 0.0)[:, None]
    none = np.zeros((1, len(dust)))
    clean = _by_role(b, i, (at, slice(None)), f, s, times=f.times(grid)[:, ~dirt], spread=spread[~dirt], dust=none)
    added = np.outer(grid.dust[dirt], dust[dusty])
    dirty = _by_role(b, i, (at, dusty), f, s, times=grid.times[None, dirt], spread=spread[dirt], dust=added)
    return ByRole(clean, dirty, dusty, int((grid.oddity == GOOD).sum()) // 2)


def _by_role(
    b: Bottles,
    i: int,
    rows: tuple[Rows, Rows],
    f: Forecast,
    s: States,
    *,
    times: Floats,
    spread: Floats,
    dust: Floats,
) -> NDArray[Any]:
    """Log likelihood (n, B, m, R) of some compartments and metals, `rows`, by way and role, float32. times (n, B):
    common multiple; spread (B, 1): square of the share by which metals go apart; dust (B, m): added, ppm.

    All is divided by the multiple, so that what the forecast says is the same for every way.
    """
    at, metals = rows
    e, many = np.exp(UP).astype(np.float32), times.astype(np.float32)[:, :, None, None]
    carried, gained, v0, v1, v2 = f.of_result[:, :, metals].astype(np.float32)[..., None]
    mean = (carried + gained * e)[:, None]
    if dust.any():
        mean = mean + dust.astype(np.float32)[..., None] / many
    square = mean * mean
    known = np.maximum(v0 + v1 * e + v2 * e * e, 1e-6)[:, None] + square * _wide(b.own_noise[at][:, metals])
    fixed = b.fixed_noise[at][:, None, metals] + (constant("dirt_sd") * dust) ** 2
    variance = known + fixed.astype(np.float32)[..., None] / (many * many)
    apart = np.flatnonzero(spread)
    if len(apart):
        variance[:, apart] += square * spread[apart].astype(np.float32)[..., None]
    y, unit, side = b.y[at, i][:, metals], b.numbers["unit"][at][:, metals], b.side[at, i][:, metals]
    p = _density(_wide(y) / many, mean, variance)
    p /= many
    by_result = [v.swapaxes(1, 2)[None] for v in (p, mean, variance, many)]
    _beside_numbers(by_result, y, np.where(side, true_limit(y, unit, side), y), side)
    by_role = (p.reshape(-1, len(UP)) @ s.up.T.astype(np.float32)).reshape(*p.shape[:3], len(s.up))
    return np.asarray(np.log(np.maximum(by_role, _LEAST, out=by_role), out=by_role))


def _wide(values: Floats) -> NDArray[np.float32]:
    """Numbers of each compartment and metal (n, m) as (n, 1, m, 1), float32."""
    return values.astype(np.float32)[:, None, :, None]


def still_density(
    b: Bottles, i: int, at: Rows, cases: Sequence[tuple[Forecast, Floats | float]], *, grid: Grid
) -> NDArray[Any]:
    """Density of each metal of good bottles (K, n, M, B) where no fault changes it, in K cases: a forecast, and the
    variance added to it (n, M), ppm^2; B: the good ways of the grid.
    """
    sound = [f.sound for f, _ in cases]
    level = np.stack([mean for mean, _ in sound])
    spread = np.stack([variance + more for (_, variance), (_, more) in zip(sound, cases, strict=True)])
    times = np.stack([f.times(grid)[:, None, grid.oddity == GOOD] for f, _ in cases])
    mean = (level[..., None] * times).astype(np.float32)
    variance = spread[..., None] * times**2 + b.own_noise[at][..., None] * mean * mean
    variance = (variance + b.fixed_noise[at][..., None]).astype(np.float32)
    y, side = b.y[at, i], b.side[at, i]
    p = _density(y.astype(np.float32)[..., None], mean, variance)
    limit = np.where(side, true_limit(y, b.numbers["unit"][at], side), y)
    _beside_numbers([p, mean, variance, np.ones((1, 1, 1, 1))], y, limit, side)
    return np.asarray(np.maximum(p, _LEAST))


def usual_density(
    b: Bottles, i: int, at: Rows, cases: Sequence[tuple[tuple[Floats, Floats], Floats | float]]
) -> NDArray[Any]:
    """Density of each other result (K, n, Q) where no fault changes it, exponents not applied, in K cases: usual values
    with their variance, and variance added.
    """
    own = b.sd**2 + b.doubt[at, i] ** 2
    mean = np.stack([m[0][at] for m, _ in cases]).astype(np.float32)
    variance = np.stack([m[1][at] + own + more for m, more in cases]).astype(np.float32)
    v, p = b.v[at, i], _density(b.v[at, i].astype(np.float32), mean, variance)
    _beside_numbers([p, mean, variance, np.ones((1, 1, 1))], v, v, b.v_side[at, i])
    if b.ranged:
        for case in zip(p, mean, variance, strict=True):
            in_range(case[0], (b.v_low[at, i], b.v_high[at, i]), *case[1:])
    return np.asarray(np.maximum(p, _LEAST))


@cache
def _dust(metals: tuple[str, ...]) -> Floats:
    """Metal per silicon of dust in the bottle (M)."""
    return np.array([1.0 if m == "Si_ppm" else constant("dirt_aluminium") if m == "Al_ppm" else 0.0 for m in metals])


def _density(y: NDArray[Any], mean: NDArray[Any], variance: NDArray[Any]) -> NDArray[Any]:
    """Student density of y about mean, float32; shapes broadcast. NaN where y is missing."""
    x = y - mean
    x *= x
    wide = 3 * variance
    x += wide
    share = np.divide(wide, x, out=x)  # (1 + z^2 / 3)^-1 of the standardised departure z
    out = share * share
    out *= share
    out *= _PEAK / np.sqrt(variance)
    return np.asarray(out)


def _beside_numbers(
    by_result: Sequence[NDArray[Any]], y: NDArray[Any], limit: NDArray[Any], side: NDArray[np.int8]
) -> None:
    """Put into the densities of results [K, n, A, ...] of K cases what a result that is no number says, in place: 1
    where y [n, A] is missing, the chance of lying below (side -1) or above (1) its limit. by_result: densities, means,
    variances, and what the limit is divided by [1, 1 or n, 1, ...].
    """
    p, mean, variance, scale = by_result
    missing = np.isnan(y)
    p[:, missing] = 1.0
    n, a = np.nonzero((side != 0) & ~missing)
    if not len(n):
        return
    more = (slice(None), *(None,) * (p.ndim - 3))
    over = scale[:, n, 0] if scale.shape[1] > 1 else scale[:, :1, 0]
    z = (limit[n, a].astype(np.float32)[more] / over - mean[:, n, a]) / np.sqrt(variance[:, n, a])
    p[:, n, a] = np.maximum(student_cdf(-side[n, a].astype(np.float32)[more] * z), _LEAST)


def in_range(
    p: NDArray[Any], ends: tuple[NDArray[Any], NDArray[Any]], mean: NDArray[Any], variance: NDArray[Any]
) -> None:
    """Put the chance of lying between the ends [n, A] into p [n, A, ...], in place, where a result is a range."""
    n, a = np.nonzero(np.isfinite(ends[0]))
    if not len(n):
        return
    root = np.sqrt(variance[n, a])
    low, high = (e[n, a].astype(np.float32).reshape(-1, *(1,) * (mean.ndim - 2)) for e in ends)
    top = student_cdf((high - mean[n, a]) / root)
    p[n, a] = np.maximum(top - student_cdf((low - mean[n, a]) / root), _LEAST)


def other_likelihood(
    b: Bottles, i: int, n: int, s: States, means: tuple[Floats, Floats]
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Log likelihood of everything else by oddity (good, rich, dirt: 3, n, S), and by role (n, Q, R), exponents not yet
    applied.
    """
    low = low_level(b.low[:n, i], s.low)
    if not b.others:
        return np.broadcast_to(low, (3, *low.shape)), np.zeros((n, 0, len(s.both)))
    mu, spread = means[0][:n], means[1][:n]
    mean = (mu[:, :, None] + b.unit[:, None] * BOTH_WAYS).astype(np.float32)
    variance = (spread + b.sd**2 + b.doubt[:n, i] ** 2)[:, :, None].astype(np.float32)
    v = b.v[:n, i]
    p = _density(v.astype(np.float32)[..., None], mean, variance)
    _beside_numbers([p[None], mean[None], variance[None], np.ones((1, 1, 1, 1))], v, v, b.v_side[:n, i])
    if b.ranged:
        in_range(p, (b.v_low[:n, i], b.v_high[:n, i]), mean, variance)
    by_role = np.log(np.maximum(p.reshape(-1, len(BOTH_WAYS)) @ s.both.T.astype(np.float32), _LEAST))
    total = (by_role.reshape(n, -1) @ s.other_map).reshape(n, 3, -1).swapaxes(0, 1)
    return total + low, by_role.reshape(n, len(b.others), -1)


def low_level(low: Floats, chance: Floats) -> Floats:
    """Log chance of what was noted of the fluid level (n, S); 0 where nothing was."""
    noted = np.where(low[:, None] == 1, np.log(chance), np.log1p(-chance))
    return np.where(np.isnan(low)[:, None], 0.0, noted)


def mixed_levels(taken: Floats, left: Floats, share: Floats) -> Floats:
    """Two forecasts' states (`moved`) as one, by the chance (n) that the bottle before was taken; their distance widens
    the level.
    """
    w = share[:, None]
    out = w * taken + (1 - w) * left
    out[2] += w * (1 - w) * (taken[0] - left[0]) ** 2
    return out


def learn_levels(
    b: Bottles, i: int, at: Rows, moved: Floats, *, factor: Floats, sound: Floats, fault: Floats
) -> Floats:
    """Level, rate and covariances (5, n, M) of the compartments `at` after a good bottle; moved: see
    :class:`Forecast`. factor: of the bottle; sound, fault: chances (n) by which sound and faulty wear made the results:
    the rate learns from the first only, the level from both.
    """
    expected, rate, a11, a12, a22 = moved
    y, side = b.y[at, i] / factor[:, None], b.side[at, i]
    s = a11 + noise(expected, filter_numbers(b, at))
    root, seen = np.sqrt(s), np.isfinite(y)
    nu = np.where(seen, y - expected, 0.0)
    cut = np.nonzero(seen & (side != 0))
    if len(cut[0]):
        limit = true_limit(b.y[at, i][cut], b.numbers["unit"][at][cut], side[cut])
        nu[cut] = beyond_limit(limit, expected[cut], root[cut], side[cut])[0] * root[cut]
    wide = s * np.maximum(1.0, np.abs(nu) / root / ROBUST)
    k1, k2 = a11 / wide * seen, a12 / wide * seen
    ws, wf = sound[:, None], fault[:, None]
    follow = np.maximum(k1, _KEPT_GAIN) * seen
    out = np.empty_like(moved)
    out[0], out[1] = expected + (ws * k1 + wf * follow) * nu, rate + ws * k2 * nu
    p11 = (
        (1 - (ws + wf) * seen) * a11
        + ws * seen * (1 - k1) * a11
        + wf * seen * ((1 - follow) ** 2 * a11 + follow**2 * (s - a11))
    )
    out[2] = np.maximum(p11 + ws * wf * ((follow - k1) * nu) ** 2, 1e-9)
    out[4] = np.maximum(a22 - ws * k2 * a12, (_LEAST_SD * b.numbers["rate_mean"][at]) ** 2)
    bound = 0.98 * np.sqrt(out[2] * out[4])
    out[3] = np.clip(a12 * (1 - ws * k1 - wf * follow), -bound, bound)
    return out


def learn_means(b: Bottles, i: int, at: Rows, means: tuple[Floats, Floats], sound: Floats) -> None:
    """Usual values of the other results of the compartments `at` after a bottle, in place; `sound`: chance (n) that it
    was good and its compartment sound.
    """
    mu, spread = means[0][at], means[1][at]
    v, under = b.v[at, i], b.v_below[at, i]
    seen = np.isfinite(v)
    total = spread + b.sd**2 + b.doubt[at, i] ** 2
    nu = np.where(seen, v - mu, 0.0)
    nu = np.where(under, np.minimum(nu, 0.0), nu)
    nu = np.where(np.isposinf(b.v_high[at, i]), np.maximum(nu, 0.0), nu)
    gain = spread / (total * np.maximum(1.0, np.abs(nu) / np.sqrt(total) / ROBUST)) * seen * sound[:, None]
    means[0][at] = mu + gain * nu
    means[1][at] = np.minimum(spread * (1 - gain) + (b.drift * b.sd) ** 2, b.tau**2)
