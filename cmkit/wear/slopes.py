"""Readable estimators of a wear rate: what a person looks at beside the filter, one series or many at once.

Weighted least squares (standard errors as in any text on regression), Huber's and Theil and Sen's robust slopes, the
median of corrected pair slopes, and variances moderated across like series (Smyth 2004). They agree with the filter
where its additions are switched off.
"""

import itertools
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from scipy.special import digamma, polygamma

from cmkit.records.censoring import sides_of
from cmkit.records.constants import HALF_NINETY, constant
from cmkit.wear.filter import beyond_limit

Floats = NDArray[np.float64]

HUBER = constant("wear", "huber")
_MAD = 0.6744897501960817  # of a standard normal distribution


@dataclass(frozen=True)
class Lines:
    """Straight lines y = intercept + slope x of groups (rows) and columns: coefficients, standard errors, n, residual
    sd and weighted SSE.
    """

    slope: Floats
    intercept: Floats
    se_slope: Floats
    se_intercept: Floats
    n: NDArray[np.int64]
    scale: Floats
    sse: Floats


def weighted_slopes(
    x: ArrayLike, y: ArrayLike, groups: ArrayLike, weights: ArrayLike | None = None, block: int = 16384
) -> Lines:
    """Weighted least squares of every column of y on x within every group; results have shape (groups, columns).

    x: (N,); y: (N,) or (N, A), NaN where missing; groups: (N,), equal values adjacent; weights: (N,), positive,
    proportional to 1/variance, None for equal. Standard errors use the residual variance SSE/(n - 2): NaN for n < 3;
    slopes are NaN where x does not vary. x and y are centred within the group before anything is squared. Raises
    ValueError when lengths differ.
    """
    x, groups = np.asarray(x, float), np.asarray(groups)
    y = np.asarray(y, float).reshape(len(x), -1)
    w = np.ones_like(x) if weights is None else np.asarray(weights, float)
    if not len(x) == len(groups) == len(w):
        raise ValueError(f"x, groups and weights have {len(x)}, {len(groups)} and {len(w)} rows; wanted the same")
    starts = np.r_[0, np.flatnonzero(groups[1:] != groups[:-1]) + 1, len(x)] if len(x) else np.zeros(1, np.int64)
    out = np.empty((6, len(starts) - 1, y.shape[1]))
    count = np.empty(out.shape[1:], np.int64)
    edges = [0]
    while edges[-1] < len(starts) - 1:
        fits = int(np.searchsorted(starts, starts[edges[-1]] + block, side="right")) - 1
        edges.append(max(fits, edges[-1] + 1))

    def work(part: slice) -> None:
        rows = slice(starts[part.start], starts[part.stop])
        bounds = starts[part.start : part.stop + 1] - starts[part.start]
        _block_lines(x[rows], y[rows], w[rows], bounds, out[:, part], count=count[part])

    _each(work, [slice(a, b) for a, b in itertools.pairwise(edges)])
    slope, intercept, se_slope, se_intercept, scale, sse = out
    return Lines(slope, intercept, se_slope, se_intercept, count, scale, sse)


def _each(work: Callable[[slice], None], parts: list[slice]) -> None:
    """Blocks one after another, or on all processors at once: numpy and the sparse product let go of the interpreter
    while they count.
    """
    if len(parts) < 3:
        for part in parts:
            work(part)
        return
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        list(pool.map(work, parts))


def _parts(count: int, step: int) -> list[slice]:
    return [slice(start, min(start + step, count)) for start in range(0, count, step)]


def _block_lines(
    x: Floats, y: Floats, w: Floats, starts: NDArray[np.int64], out: Floats, *, count: NDArray[np.int64]
) -> None:
    """Weighted sums over each group as products with sparse matrices, then the closed form, written into `out` (6,
    groups, columns).
    """
    size = np.diff(starts)
    group = np.repeat(np.arange(len(size)), size)
    middle = np.add.reduceat(x, starts[:-1]) / size
    x = x - middle[group]
    seen = np.isfinite(y)
    # 0 where missing: a mask of bits, since choosing between two numbers value by value takes twice as long
    y = (y.view(np.int64) & -seen.astype(np.int64)).view(float)
    seen = seen.astype(float)
    wx = w * x
    n, sw, sx, sxx = _sums([np.ones_like(w), w, wx, wx * x], starts, seen)
    level = _sums([np.ones_like(w)], starts, y)[0] / np.maximum(n, 1)
    y -= level[group]
    y *= seen
    sy, sxy = _sums([w, wx], starts, y)
    (syy,) = _sums([w], starts, np.multiply(y, y, out=y))
    count[:] = n
    _closed_form((n, sw, sx, sxx, sy, sxy, syy), middle[:, None], level, out)


def _sums(weights: list[Floats], starts: NDArray[np.int64], y: Floats) -> Floats:
    """Sums of weights (R,) times y (R, A) over each of G groups of rows, by each of k weights: (k, G, A)."""
    k, rows, groups = len(weights), len(y), len(starts) - 1
    ends = np.concatenate([[0], *(starts[1:] + i * rows for i in range(k))])
    adder = csr_array((np.concatenate(weights), np.tile(np.arange(rows), k), ends), shape=(k * groups, rows))
    return np.asarray(adder @ y).reshape(k, groups, -1)


def _closed_form(sums: tuple[Floats, ...], middle: Floats, level: Floats, out: Floats) -> None:
    """Slopes, intercepts, their standard errors, residual sd and SSE from the sums of x less its middle and y less its
    level.
    """
    n, sw, sx, sxx, sy, sxy, syy = sums
    slope, intercept, se_slope, se_intercept, scale, sse = out
    with np.errstate(invalid="ignore", divide="ignore"):
        of_weight = 1 / sw
        mx, my = sx * of_weight, sy * of_weight
        spread = sxx - sx * mx
        of_spread = 1 / np.where(spread > 1e-14 * sxx, spread, np.nan)  # one x alone leaves only rounding
        at_zero = mx + middle
        crossed = sxy - mx * sy
        np.multiply(crossed, of_spread, out=slope)
        intercept[:] = level + my - slope * at_zero
        np.maximum((syy - my * sy) - slope * crossed, 0.0, out=sse)
        np.sqrt(sse / np.where(n >= 3, n - 2, np.nan), out=scale)
        np.multiply(scale, np.sqrt(of_spread), out=se_slope)
        np.multiply(scale, np.sqrt(of_weight + at_zero**2 * of_spread), out=se_intercept)


def theil_sen_slopes(x: ArrayLike, y: ArrayLike, block: int = 200_000) -> tuple[Floats, Floats]:
    """Median of all pair slopes, and median(y) - slope median(x), of G series of n points: x, y (G, n) -> (G,), (G,).

    Pairs with the same x or with NaN are left out; NaN where none is left. Sources: Theil 1950, Sen 1968. block: pairs
    worked on at a time.
    """
    x, y = (np.atleast_2d(np.asarray(v, float)) for v in (x, y))
    n = x.shape[1]
    pairs = n * (n - 1) // 2
    slope = np.full(len(x), np.nan)

    def work(part: slice) -> None:
        some_x, some_y = x[part], y[part]
        of_pairs, done = np.empty((len(some_x), pairs)), 0
        with np.errstate(divide="ignore", invalid="ignore"):
            for lag in range(1, n):
                dx, dy = some_x[:, lag:] - some_x[:, :-lag], some_y[:, lag:] - some_y[:, :-lag]
                np.divide(dy, dx, out=of_pairs[:, done : done + n - lag])
                done += n - lag
        if (same := np.isinf(of_pairs)).any():
            of_pairs[same] = np.nan
        slope[part] = _median_of(of_pairs)

    if pairs:
        _each(work, _parts(len(x), max(1, block // pairs)))
    gone = np.isnan(x) | np.isnan(y)
    return slope, _median_of(np.where(gone, np.nan, y)) - slope * _median_of(np.where(gone, np.nan, x))


def _median_of(values: Floats) -> Floats:
    """Row medians of values (G, n), n >= 1, leaving NaN out; NaN where a row has nothing else. Puts
    `values` in order.
    """
    values.sort(axis=1)  # NaN comes last
    short = np.flatnonzero(np.isnan(values[:, -1]))
    n = np.full(len(values), values.shape[1])
    n[short] = np.count_nonzero(~np.isnan(values[short]), axis=1)
    low, high = (np.take_along_axis(values, k[:, None], axis=1)[:, 0] for k in (np.maximum(n - 1, 0) // 2, n // 2))
    return (low + high) / 2


def huber_slopes(x: ArrayLike, y: ArrayLike, steps: int = 50, block: int = 60_000) -> Lines:
    """Huber's M-estimate of G straight lines of n points each, x, y (G, n) -> Lines with results (G,).

    Iterative reweighting with weights min(1, 1.345/|r/s|), s the median |residual|/0.6745, started from least squares;
    a series stops when its slope and intercept move by less than 1e-9 of their size. Standard errors: Huber's first
    covariance form (Huber 1981, ch. 7.6). Source of the weights: Huber 1964.
    block: points worked on at a time.
    """
    x, y = (np.atleast_2d(np.asarray(v, float)) for v in (x, y))
    out = np.empty((6, len(x)))

    def work(part: slice) -> None:
        out[:, part] = _huber_block(x[part], y[part], steps)

    _each(work, _parts(len(x), max(1, block // max(x.shape[1], 1))))
    slope, intercept, se_slope, se_intercept, scale, sse = out
    return Lines(slope, intercept, se_slope, se_intercept, np.full(len(x), x.shape[1]), scale, sse)


def _huber_block(x: Floats, y: Floats, steps: int) -> Floats:
    middle = x.mean(axis=1, keepdims=True)
    x = x - middle
    slope, at_middle = _line(x, y, np.ones_like(x))
    live, now_x, now_y = np.arange(len(x)), x, y
    for _ in range(steps):
        r = np.abs(now_y - at_middle[live, None] - slope[live, None] * now_x)
        s = _median_of(r.copy())[:, None] / _MAD
        weights = np.where(s > 0, HUBER * s / np.maximum(r, 1e-300), 1.0)
        b, a = _line(now_x, now_y, np.minimum(weights, 1.0, out=weights))
        moved = np.abs(b - slope[live]) > 1e-9 * np.abs(b)
        moved |= np.abs(a - at_middle[live]) > 1e-9 * np.abs(a)
        slope[live], at_middle[live] = b, a
        moved &= s[:, 0] > 0
        if not moved.any():
            break
        if not moved.all():
            live, now_x, now_y = live[moved], now_x[moved], now_y[moved]
    r = y - at_middle[:, None] - slope[:, None] * x
    scale = _median_of(np.abs(r)) / _MAD
    return np.stack([slope, at_middle - slope * middle[:, 0], *_huber_errors(x, r, scale, middle[:, 0])])


def _line(x: Floats, y: Floats, w: Floats) -> tuple[Floats, Floats]:
    """Weighted line of each row: slope and value at x = 0."""
    sw = w.sum(axis=1)
    mx, my = (np.einsum("ij,ij->i", w, v) / sw for v in (x, y))
    dx = x - mx[:, None]
    wdx = w * dx
    spread = np.einsum("ij,ij->i", wdx, dx)
    slope = np.einsum("ij,ij->i", wdx, y - my[:, None]) / np.where(spread > 0, spread, np.nan)
    return slope, my - slope * mx


def _huber_errors(x: Floats, r: Floats, scale: Floats, middle: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Standard errors, scale and SSE: K^2 [sum psi^2/(n-2)]/[mean psi']^2 (X'X)^-1 with K = 1 + (2/n)
    var(psi')/mean(psi')^2.
    """
    n = x.shape[1]
    bound = HUBER * scale[:, None]
    inside = (np.abs(r) <= bound).astype(float)
    share = inside.mean(axis=1)
    correction = 1 + 2 / n * inside.var(axis=1) / share**2
    psi2 = (np.clip(r, -bound, bound) ** 2).sum(axis=1) / (n - 2 if n > 2 else np.nan)
    variance = correction**2 * psi2 / share**2
    spread = (x * x).sum(axis=1)
    se = np.sqrt(variance / np.where(spread > 0, spread, np.nan))
    return se, np.sqrt(variance / n + (se * middle) ** 2), scale, (r * r).sum(axis=1)


@dataclass(frozen=True)
class Wear:
    """One series' readable estimate: rate (ppm/h) with standard error and 90 % interval, level at the start (ppm),
    standardised residuals.
    """

    rate: float
    se: float
    low: float
    high: float
    level: float
    residuals: Floats


def wear_rate(
    y: ArrayLike,
    phi: ArrayLike,
    psi: ArrayLike,
    chi: ArrayLike = 0.0,
    censored: ArrayLike | None = None,
    *,
    noise_floor: float = 0.5,
    noise_share: float = 0.1,
    prior: tuple[float, float, float, float] | None = None,
    robust: bool = False,
    rounds: int = 3,
) -> Wear:
    """Weighted least squares of y - chi on [phi, psi], exposure counted from the start of the series (cumulative, not
    interval form).

    y (n,) ppm; weights 1/(noise_floor^2 + (noise_share fitted)^2), refitted `rounds` times; the noise is taken as
    known, so the interval is normal. censored: -1 where y is a limit the result lay below, 1 above, else 0 (flags:
    below); such a result enters by scoring steps of its normal likelihood (give `rounds` 30 or more). prior:
    (rate_mean, rate_sd, level_mean, sd of level_mean) of the family, as two further observations. robust: Huber weights
    min(1, 1.5/|standardised residual|). Raises ValueError for fewer than two results that are no limit and no prior, or
    for no result at all.
    """
    y, phi, psi = (np.atleast_1d(np.asarray(v, float)) for v in (y, phi, psi))
    side = np.zeros(len(y), np.int8) if censored is None else np.atleast_1d(sides_of(censored))
    exact = int(np.sum(side == 0))
    if len(y) < 1 or (prior is None and exact < 2):
        raise ValueError(f"{exact} result(s) not below or above a limit; wanted two or more, or one and a prior")
    design, known = np.column_stack([phi, psi]), (np.zeros((2, 2)), np.zeros(2))
    if prior is not None:
        m, tau, c0, sd0 = prior
        known = np.diag([1 / sd0**2, 1 / tau**2]), np.array([c0 / sd0**2, m / tau**2])
    fitted = np.where(side < 0, y / 2, y)
    for _ in range(rounds + 1):
        noise = np.sqrt(noise_floor**2 + (noise_share * np.maximum(fitted, 0.0)) ** 2)
        target, weight = _working(y, fitted, noise, side, robust)
        inverse = np.linalg.inv((design.T * weight) @ design + known[0])
        level, rate = inverse @ (design.T @ (weight * (target - np.asarray(chi, float))) + known[1])
        fitted = design @ [level, rate] + np.asarray(chi, float)
    se = float(np.sqrt(inverse[1, 1]))
    residuals = np.where(side != 0, target - fitted, y - fitted) / noise
    return Wear(
        float(rate), se, float(rate - HALF_NINETY * se), float(rate + HALF_NINETY * se), float(level), residuals
    )


def _working(y: Floats, fitted: Floats, noise: Floats, side: NDArray[np.int8], robust: bool) -> tuple[Floats, Floats]:
    """What each result says of the level and with which weight: itself, or for a censored one the scoring step of its
    likelihood.
    """
    share = np.minimum(1.0, 1.5 * noise / np.maximum(np.abs(y - fitted), 1e-12)) if robust else np.ones_like(y)
    step, information = beyond_limit(y, fitted, noise, np.where(side > 0, 1, -1))
    target = np.where(side != 0, fitted + noise * step / information, y)
    return target, np.where(side != 0, information, share) / noise**2


def corrected_median_slope(y: ArrayLike, phi: ArrayLike, psi: ArrayLike) -> float:
    """Median over pairs i < j of (y_j - y_i phi_j/phi_i)/(psi_j - psi_i phi_j/phi_i): Theil and Sen's idea with
    exposure allowed for (ppm/h).

    phi, psi cumulative since the start of the series. Pairs without exposure between them are left out; NaN when none
    is left.
    """
    y, phi, psi = (np.asarray(v, float) for v in (y, phi, psi))
    i, j = np.triu_indices(len(y), 1)
    kept = phi[j] / phi[i]
    span = psi[j] - psi[i] * kept
    usable = np.isfinite(span) & (span > 0)
    slopes = (y[j] - y[i] * kept)[usable] / span[usable]
    return float(np.median(slopes)) if len(slopes) else float("nan")


def moderated_variances(s2: ArrayLike, df: ArrayLike) -> tuple[Floats, float, float]:
    """Residual variances shrunk towards what is usual: (d0 s0^2 + df s2)/(d0 + df), prior degrees of freedom d0, prior
    variance s0^2.

    s2 > 0 with df > 0 degrees of freedom, two or more, else ValueError. d0, s0^2 from mean and variance of log s2
    through digamma and trigamma; d0 is infinite when the variances differ no more than chance. Use t with d0 + df
    degrees of freedom. Source: Smyth 2004.
    """
    s2, df = np.asarray(s2, float), np.broadcast_to(np.asarray(df, float), np.shape(s2))
    if s2.size < 2 or not ((s2 > 0) & (df > 0)).all():
        raise ValueError("wanted two or more positive variances with positive degrees of freedom")
    e = np.log(s2) - digamma(df / 2) + np.log(df / 2)
    spread = float(np.var(e, ddof=1) - np.mean(polygamma(1, df / 2)))
    if spread <= 0:
        usual = float(np.exp(e.mean()))
        return np.full(s2.shape, usual), float("inf"), usual
    d0 = 2 * _inverse_trigamma(spread)
    usual = float(np.exp(e.mean() + digamma(d0 / 2) - np.log(d0 / 2)))
    return (d0 * usual + df * s2) / (d0 + df), d0, usual


def _inverse_trigamma(value: float) -> float:
    """x with trigamma(x) = value, by Newton steps on 1/trigamma (convex, monotone)."""
    x = 0.5 + 1 / value
    for _ in range(50):
        t = float(polygamma(1, x))
        x += t * (1 - t / value) / float(polygamma(2, x))
    return x
