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

from cmkit.judge.bottles import Grid, student_cdf
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
_KEPT_GAIN = 0.9  # own choice: share of a good bottle's departure the level follows under a fault


@dataclass(frozen=True)
class Forecast:
    """Of metals before a bottle. of_result (5, ..., n, M), ppm and ppm^2: carried over, gained if sound, and v0, v1, v2
    of the variance v0 + v1 e^d + v2 e^2d under a change d. moved (5, ..., n, M): the filter's state moved to the
    bottle: expected level, rate, covariances a11, a12, a22.
    """

    of_result: Floats
    moved: Floats

    def rows(self, at: Any) -> "Forecast":
        """The forecast of some compartments, or one of several forecasts."""
        return Forecast(self.of_result[:, at], self.moved[:, at])

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
    out[2], out[3], out[4] = phi * phi * p11 + doubt, 2 * phi * psi * p12, psi * psi * p22 + np.maximum(load, 0)
    unplaced = np.flatnonzero(b.first[at, i] & ~b.placed[at, i])
    if len(unplaced):
        out[:, ..., unplaced, :] = 0.0
        out[1][..., unplaced, :], out[2][..., unplaced, :] = c[..., unplaced, :], p11[..., unplaced, :]
    return Forecast(out, np.stack(moved))


def metal_likelihood(
    b: Bottles, i: int, at: Rows, f: Forecast, *, grid: Grid, s: States
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Log likelihood of the metals by bottle and state (n, B, S), and by role (n, B, M, R), float32."""
    y, e, (dust, dust_sd) = b.y[at, i], np.exp(UP).astype(np.float32), _dust(tuple(b.metals), grid)
    carried, gained, v0, v1, v2 = f.of_result.astype(np.float32)[..., None]
    times = grid.times.astype(np.float32)[:, None, None]
    mean = (carried + gained * e)[:, None] * times + dust[..., None]
    variance = np.maximum(v0 + v1 * e + v2 * e * e, 1e-6)[:, None] * (times * times)
    own = mean * mean
    own *= b.own_noise[at].astype(np.float32)[:, None, :, None]
    variance += own
    variance += (b.fixed_noise[at].astype(np.float32)[:, None] + dust_sd * dust_sd)[..., None]
    # by result first, as the results are, in memory by way of the bottle first, as the product below wants it
    mean, variance = mean.swapaxes(1, 2), variance.swapaxes(1, 2)
    p = _density(y, b.y_below[at, i], mean, variance, b.numbers["unit"][at])
    in_range(p, _above(y, b.y_above[at, i], b.numbers["unit"][at]), mean, variance)
    p = p.swapaxes(1, 2)
    by_role = (p.reshape(-1, len(UP)) @ s.up.T.astype(np.float32)).reshape(*p.shape[:3], -1)
    np.log(np.maximum(by_role, _LEAST, out=by_role), out=by_role)
    n, k = by_role.shape[:2]
    return (by_role.reshape(n * k, -1) @ s.metal_map).reshape(n, k, -1), by_role


def still_density(
    b: Bottles, i: int, at: Rows, cases: Sequence[tuple[Forecast, Floats | float]], *, times: Floats
) -> NDArray[Any]:
    """Density of each metal of good bottles (K, n, M, B) where no fault changes it, in K cases: a forecast, and the
    variance added to it (n, M), ppm^2; times: factors of a bottle (B).
    """
    k, sound = len(cases), [f.sound for f, _ in cases]
    level = np.stack([mean for mean, _ in sound])
    spread = np.stack([variance + more for (_, variance), (_, more) in zip(sound, cases, strict=True)])
    mean = (level[..., None] * times).astype(np.float32)
    variance = spread[..., None] * times**2 + b.own_noise[at][..., None] * mean * mean
    variance = (variance + b.fixed_noise[at][..., None]).astype(np.float32)
    y, under, over, unit = (
        np.concatenate([v] * k) for v in (b.y[at, i], b.y_below[at, i], b.y_above[at, i], b.numbers["unit"][at])
    )
    rows = (len(y), *mean.shape[2:])
    p = _density(y, under, mean.reshape(rows), variance.reshape(rows), unit)
    in_range(p, _above(y, over, unit), mean.reshape(rows), variance.reshape(rows))
    return np.asarray(np.maximum(p, _LEAST)).reshape(k, len(y) // k, *p.shape[1:])


def usual_density(
    b: Bottles, i: int, at: Rows, cases: Sequence[tuple[tuple[Floats, Floats], Floats | float]]
) -> NDArray[Any]:
    """Density of each other result (K, n, Q) where no fault changes it, exponents not applied, in K cases: usual values
    with their variance, and variance added.
    """
    k, own = len(cases), b.sd**2 + b.doubt[at, i] ** 2
    mean = np.concatenate([m[0][at] for m, _ in cases]).astype(np.float32)
    variance = np.concatenate([m[1][at] + own + more for m, more in cases]).astype(np.float32)
    v, under, low, high = (np.concatenate([g[at, i]] * k) for g in (b.v, b.v_below, b.v_low, b.v_high))
    p = _density(v, under, mean, variance)
    in_range(p, (low, high), mean, variance)
    return np.asarray(np.maximum(p, _LEAST)).reshape(k, len(v) // k, p.shape[1])


@cache
def _dust(metals: tuple[str, ...], grid: Grid) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Dust added to each metal in each bottle and its sd (B, M), ppm."""
    share = np.array([1.0 if m == "Si_ppm" else constant("dirt_aluminium") if m == "Al_ppm" else 0.0 for m in metals])
    added = np.outer(grid.dust, share)
    return added.astype(np.float32), (constant("dirt_sd") * added).astype(np.float32)


def _density(
    y: NDArray[Any], under: NDArray[Any], mean: NDArray[Any], variance: NDArray[Any], unit: NDArray[Any] | float = 0.0
) -> NDArray[Any]:
    """Student density of y [n, A] about mean [n, A, ...], float32; the chance of lying below the limit where `under`; 1
    where y is missing.
    """
    more = (..., *(None,) * (mean.ndim - 2))
    x = y.astype(np.float32)[more] - mean
    x *= x
    x /= 3 * variance
    x += 1
    out = x * x
    out *= x
    out *= np.sqrt(variance)
    np.divide(_PEAK, out, out=out)
    missing = np.isnan(y)
    out[missing] = 1.0
    n, a = np.nonzero(under & ~missing)
    if len(n):
        limit = true_limit(y[n, a], np.broadcast_to(unit, y.shape)[n, a]).astype(np.float32)
        out[n, a] = student_cdf((limit.reshape(-1, *(1,) * (mean.ndim - 2)) - mean[n, a]) / np.sqrt(variance[n, a]))
    return np.asarray(out)


def _above(y: NDArray[Any], over: NDArray[Any], unit: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Ends of the range of results above their limit, NaN for others."""
    none = np.broadcast_to(np.nan, y.shape)
    if not over.any():
        return none, none
    limit = true_limit(y, np.broadcast_to(unit, y.shape), 1)
    return np.where(over, limit, np.nan), np.where(over, np.inf, np.nan)


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
    p = _density(b.v[:n, i], b.v_below[:n, i], mean, variance)
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
    y, side = b.y[at, i] / factor[:, None], b.y_above[at, i].astype(np.int8) - b.y_below[at, i]
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
