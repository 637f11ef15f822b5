"""How likely a bottle's results are in every state, and what a good bottle teaches about level, rate and usual value.

Metals: mean(change, bottle) = (carried + gained e^change) times the bottle's factor, plus dust; variance from the
filter's two states, load, drift, and the laboratory. Other results: mean = own mean + unit x change. Noise is Student's
t with 5 degrees of freedom; a result below or above its limit, or in the range of a code, counts by the chance of lying
there; a result not measured counts 1.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
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
Level = tuple[Floats, Floats, Floats, Floats, Floats]  # level, rate, their covariances P11, P12, P22: each (C, M)
_PEAK = np.float32(8 / (3 * np.sqrt(3) * np.pi))
_LEAST = np.float32(1e-30)
_LEAST_SD = 0.03  # own choice: of the rate, as a share of the family's, so that the filter never stops learning
_KEPT_GAIN = 0.9  # own choice: share of a good bottle's departure the level follows under a fault


@dataclass(frozen=True)
class Forecast:
    """Of metals before a bottle, each (n, M), ppm and ppm^2: carried over, gained if sound; variance v0 + v1 e^d + v2
    e^2d of a change d; and the state moved to the bottle: expected level, rate, covariances a11, a12, a22.
    """

    carried: Floats
    gained: Floats
    v0: Floats
    v1: Floats
    v2: Floats
    expected: Floats
    rate: Floats
    a11: Floats
    a12: Floats
    a22: Floats

    def rows(self, at: Rows) -> "Forecast":
        """The forecast of some compartments."""
        return Forecast(*(getattr(self, f.name)[at] for f in fields(self)))


def start_levels(b: Bottles) -> list[Floats]:
    """Level and rate of every compartment before its first bottle: its family's."""
    g = b.numbers
    none = np.zeros(g["rate_mean"].shape)
    return [g["level_mean"].copy(), g["rate_mean"].copy(), g["level_var"].copy(), none, g["rate_sd"] ** 2]


def filter_numbers(b: Bottles, at: Rows) -> Numbers:
    """The filter's numbers of some compartments (n, M)."""
    return Numbers(**{name.removesuffix("_ppm"): values[at] for name, values in b.numbers.items()})


def forecast_metals(b: Bottles, i: int, at: Rows, level: list[Floats]) -> Forecast:
    """Forecast of bottle i of the compartments `at` from their levels and rates before it (each (n, M)). A first bottle
    of unknown fluid is held against the family's usual level.
    """
    numbers = filter_numbers(b, at)
    c, beta, p11, p12, p22 = level
    phi, psi, chi, sd_phi, sd_psi, hours = (
        b.steps[k][at, i][:, None] for k in ("phi", "psi", "chi", "sd_phi", "sd_psi", "hours")
    )
    expected, (_, _, a11, a12, a22) = predict((c, beta, p11, p12, p22), [phi, psi, chi, sd_phi, sd_psi, hours], numbers)
    rate = np.maximum(beta, constant("least_rate") * numbers.rate_mean)
    gained, carried = psi * rate, phi * c + chi * numbers.fresh
    load = a11 - phi * (phi * p11 + psi * p12) - psi * (phi * p12 + psi * p22) - sd_phi**2 * (c * c + p11)
    v0 = phi * phi * p11 + sd_phi**2 * (c * c + p11)
    v1, v2 = 2 * phi * psi * p12, psi * psi * p22 + np.maximum(load, 0)
    unplaced = b.first[at, i] & ~b.placed[at, i]
    if unplaced.any():
        u = unplaced[:, None]
        carried, gained = np.where(u, 0.0, carried), np.where(u, c, gained)
        v0, v1, v2 = np.where(u, p11, v0), np.where(u, 0.0, v1), np.where(u, 0.0, v2)
    return Forecast(carried, gained, v0, v1, v2, expected, beta, a11, a12, a22)


def metal_likelihood(
    b: Bottles, i: int, at: Rows, f: Forecast, *, grid: Grid, s: States
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Log likelihood of the metals by bottle and state (n, B, S), and by role (n, B, M, R), float32."""
    y, under = b.y[at, i], b.y_below[at, i]
    e = np.exp(UP).astype(np.float32)
    carried, gained, v0, v1, v2 = (v.astype(np.float32)[:, :, None] for v in (f.carried, f.gained, f.v0, f.v1, f.v2))
    dust, dust_sd = (d.T[None, :, :, None] for d in _dust(b.metals, grid))
    times = grid.times.astype(np.float32)[None, None, :, None]
    numbers = filter_numbers(b, at)
    fixed = np.asarray(numbers.noise_floor) ** 2 + np.asarray(numbers.unit) ** 2 / 12
    own, still = (v.astype(np.float32)[:, :, None, None] for v in (_own_share(np.asarray(numbers.noise_share)), fixed))
    mean = (carried + gained * e)[:, :, None] * times + dust
    variance = np.maximum(v0 + v1 * e + v2 * e * e, 1e-6)[:, :, None] * times**2
    variance += own * mean * mean + (still + dust_sd**2)
    p = _density(y, under, mean, variance, np.asarray(numbers.unit))
    in_range(p, _above(y, b.y_above[at, i], np.asarray(numbers.unit)), mean, variance)
    by_role = p @ s.up.T.astype(np.float32)
    np.log(np.maximum(by_role, _LEAST, out=by_role), out=by_role)
    by_role = by_role.transpose(0, 2, 1, 3)
    n, k = by_role.shape[:2]
    total = by_role.reshape(n * k, -1) @ s.metal_map
    return total.reshape(n, k, -1), by_role


def _own_share(b: Floats) -> Floats:
    """Square of the share of noise of one metal alone, once the bottle's common factor is apart."""
    return np.maximum(b * b - constant("bottle_factor_sd") ** 2, (0.6 * b) ** 2)


def still_density(
    b: Bottles, i: int, at: Rows, cases: Sequence[tuple[Forecast, Floats | float]], *, times: Floats
) -> NDArray[Any]:
    """Density of each metal of good bottles (K, n, M, B) where no fault changes it, in K cases: a forecast, and the
    variance added to it (n, M), ppm^2; times: factors of a bottle (B).
    """
    numbers, k = filter_numbers(b, at), len(cases)
    level = np.stack([f.carried + f.gained for f, _ in cases])
    spread = np.stack([np.maximum(f.v0 + f.v1 + f.v2, 1e-6) + more for f, more in cases])
    mean = (level[..., None] * times).astype(np.float32)
    fixed = np.asarray(numbers.noise_floor) ** 2 + np.asarray(numbers.unit) ** 2 / 12
    variance = spread[..., None] * times**2 + _own_share(np.asarray(numbers.noise_share))[..., None] * mean * mean
    variance = (variance + fixed[..., None]).astype(np.float32)
    y, under, over, unit = (
        np.tile(v, (k, 1)) for v in (b.y[at, i], b.y_below[at, i], b.y_above[at, i], np.asarray(numbers.unit))
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
    v, under, low, high = (np.tile(g[at, i], (k, 1)) for g in (b.v, b.v_below, b.v_low, b.v_high))
    p = _density(v, under, mean, variance)
    in_range(p, (low, high), mean, variance)
    return np.asarray(np.maximum(p, _LEAST)).reshape(k, len(v) // k, p.shape[1])


def _dust(metals: list[str], grid: Grid) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
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
        limit = true_limit(y, np.broadcast_to(np.asarray(unit, float), y.shape))[n, a].astype(np.float32)
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
    variance = np.broadcast_to(variance, mean.shape)
    p = _density(b.v[:n, i], b.v_below[:n, i], mean, variance)
    in_range(p, (b.v_low[:n, i], b.v_high[:n, i]), mean, variance)
    by_role = np.log(np.maximum(p @ s.both.T.astype(np.float32), _LEAST))
    blank = np.log(p.mean(axis=2)) * b.exponent
    total = by_role.reshape(n, -1) @ s.other_map
    out = [total + low]
    for silent in (b.settles, b.stirred):
        part = by_role[:, silent].reshape(n, -1) @ _rows_of(s, silent)
        out.append(total - part + blank[:, silent].sum(axis=1)[:, None] + low)
    return np.array(out), by_role


def _rows_of(s: States, which: NDArray[np.bool_]) -> NDArray[np.float32]:
    q = len(which)
    return s.other_map.reshape(q, -1, s.other_map.shape[1])[which].reshape(-1, s.other_map.shape[1])


def low_level(low: Floats, chance: Floats) -> Floats:
    """Log chance of what was noted of the fluid level (n, S); 0 where nothing was."""
    noted = np.where(low[:, None] == 1, np.log(chance), np.log1p(-chance))
    return np.where(np.isnan(low)[:, None], 0.0, noted)


def mixed_levels(taken: Forecast, left: Forecast, share: Floats) -> Forecast:
    """The two forecasts as one, by the chance (n) that the bottle before was taken; their distance widens the level."""
    w = share[:, None]
    mixed = [w * getattr(taken, f.name) + (1 - w) * getattr(left, f.name) for f in fields(Forecast)]
    out = dict(zip([f.name for f in fields(Forecast)], mixed, strict=True))
    out["a11"] = out["a11"] + w * (1 - w) * (taken.expected - left.expected) ** 2
    return Forecast(**out)


def learn_levels(
    b: Bottles, i: int, at: Rows, f: Forecast, *, factor: Floats, sound: Floats, fault: Floats
) -> list[Floats]:
    """Level, rate and covariances of the compartments `at` after a good bottle (n, M). factor: of the bottle; sound,
    fault: chances (n) by which sound and faulty wear made the results: the rate learns from the first only, the level
    from both.
    """
    numbers = filter_numbers(b, at)
    y, side = b.y[at, i] / factor[:, None], b.y_above[at, i].astype(np.int8) - b.y_below[at, i]
    s = f.a11 + noise(f.expected, numbers)
    root, seen = np.sqrt(s), np.isfinite(y)
    nu = np.where(seen, y - f.expected, 0.0)
    if side.any():
        cut = seen & (side != 0)
        limit = true_limit(b.y[at, i], np.asarray(numbers.unit), side)
        z, _ = beyond_limit(limit[cut], f.expected[cut], root[cut], side[cut])
        nu[cut] = z * root[cut]
    wide = s * np.maximum(1.0, np.abs(nu) / root / ROBUST)
    k1, k2 = f.a11 / wide * seen, f.a12 / wide * seen
    ws, wf = sound[:, None], fault[:, None]
    follow = np.maximum(k1, _KEPT_GAIN) * seen
    level = f.expected + (ws * k1 + wf * follow) * nu
    p11 = (
        (1 - (ws + wf) * seen) * f.a11
        + ws * seen * (1 - k1) * f.a11
        + wf * seen * ((1 - follow) ** 2 * f.a11 + follow**2 * (s - f.a11))
    )
    p11 = p11 + ws * wf * ((follow - k1) * nu) ** 2
    p22 = np.maximum(f.a22 - ws * k2 * f.a12, (_LEAST_SD * np.asarray(numbers.rate_mean)) ** 2)
    p12 = f.a12 * (1 - ws * k1 - wf * follow)
    bound = 0.98 * np.sqrt(np.maximum(p11, 1e-9) * p22)
    return [level, f.rate + ws * k2 * nu, np.maximum(p11, 1e-9), np.clip(p12, -bound, bound), p22]


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
