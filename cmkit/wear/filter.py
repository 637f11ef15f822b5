"""The two-state filter of level and wear rate, for many series at once (one series = one compartment life and one
analyte).

State (C, beta) with C_i = phi C_{i-1} + beta psi + chi c_f. A linear Gaussian filter with three additions: noise that
grows with the level, a robust update (a result far off moves the state little at first), and a moment match for results
reported as below or above a limit. With the additions switched off and no drift it is the best linear unbiased
predictor of the whole history. Derivation: guide how_it_is_computed, B2; censored update: moments of a truncated normal
distribution.
"""

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, DTypeLike, NDArray

from cmkit.records.censoring import sides_of
from cmkit.records.constants import constant
from cmkit.wear import change
from cmkit.wear.growth import Growth
from cmkit.wear.normal_tail import lower_tail

Floats = NDArray[np.float64]
Values = Floats | float

ROBUST = constant("wear", "robust_z")
DRIFT_SHARE = constant("wear", "drift_share")
LEAST_RATE = constant("wear", "least_rate_share")


@dataclass(frozen=True)
class Numbers:
    """What is assumed of each series before its own results; arrays of shape (S,) or one number for all.

    rate_mean, rate_sd: mean and sd of the wear rate in the family (ppm/h); level_mean, level_var: mean (ppm) and
    variance of the level before the first interval; noise_floor (ppm), noise_share: measurement sd = sqrt(noise_floor^2
    + (noise_share C)^2); load_share: load, share of the rate from interval to interval; drift_share: drift, share per
    sqrt(1000 h); fresh, fresh_sd: ppm in fresh fluid and what is not known of it; unit: step the laboratory rounds to
    (ppm).
    """

    rate_mean: Values
    rate_sd: Values
    level_mean: Values = 0.0
    level_var: Values = 0.0
    noise_floor: Values = 0.5
    noise_share: Values = 0.1
    load_share: Values = 0.1
    drift_share: Values = DRIFT_SHARE
    fresh: Values = 0.0
    unit: Values = 1.0
    fresh_sd: Values = 0.0

    def rows(self, at: Any) -> "Numbers":
        """The numbers of some series only (numbers that hold for all stay as they are)."""
        values = {f.name: np.asarray(getattr(self, f.name), float) for f in fields(self)}
        return Numbers(**{name: v[at] if v.ndim else v for name, v in values.items()})


@dataclass(frozen=True)
class Track:
    """The filter's story, arrays of shape (S, n).

    expected, expected_sd: forecast of each result before it was seen (ppm); z: departure in sd (of a censored result
    the mean departure);
    rise: largest likelihood ratio of a rate rise begun change_k = 0..3 intervals ago (-1: none); rate, rate_sd (ppm/h),
    level, level_sd (ppm), cov: state after the result. Where there was no result expected and state are carried, z and
    rise are NaN. growth: of each series after its last sample (`wear.growth`).
    """

    expected: Floats
    expected_sd: Floats
    z: Floats
    rise: Floats
    rate: Floats
    rate_sd: Floats
    level: Floats
    level_sd: Floats
    cov: Floats
    change_k: NDArray[np.int8]
    growth: Growth


def wear_rates(
    y: ArrayLike,
    censored: ArrayLike | None,
    phi: ArrayLike,
    psi: ArrayLike,
    chi: ArrayLike,
    *,
    sd_phi: ArrayLike,
    hours: ArrayLike,
    numbers: Numbers,
    sd_psi: ArrayLike = 0.0,
    exposure_of: NDArray[np.int64] | None = None,
    accept: bool = True,
    robust: bool = True,
    block: int = 8192,
    dtype: DTypeLike = np.float64,
) -> Track:
    """Filter S series of n samples, in blocks that stay in cache.

    y: results (S, n), ppm; NaN where not measured. censored: -1 where y is the limit of a result reported below it, 1
    above it, else 0; flags are taken as below. phi, psi (h), chi, sd_phi, sd_psi, hours (since the sample before; NaN
    at the first): exposure, (S, n), broadcastable, or (E, n) with `exposure_of` giving each series' row; phi NaN after
    a series' last sample. accept: correct the state for believed changes of rate. robust: weigh results down
    beyond 2.5 sd. dtype: of the stored results (float32 halves the memory). Raises ValueError when shapes do not fit.
    """
    y = np.atleast_2d(np.asarray(y))
    flags = np.zeros(y.shape, np.int8) if censored is None else np.atleast_2d(sides_of(censored))
    size = (len(np.atleast_2d(np.asarray(phi))) if exposure_of is not None else len(y), y.shape[1])
    if flags.shape != y.shape:
        raise ValueError(f"censored has shape {flags.shape}, wanted that of y {y.shape}")
    shared = [np.broadcast_to(np.asarray(v), size) for v in (phi, psi, chi, sd_phi, sd_psi, hours)]
    track = _empty_track(y.shape, dtype)
    for start in range(0, len(y), block):
        part = slice(start, min(start + block, len(y)))
        source = part if exposure_of is None else exposure_of[part]
        steps = [np.ascontiguousarray(v[source].T, dtype=float) for v in shared]
        results = np.ascontiguousarray(y[part].T, dtype=float)
        _run(
            results,
            np.ascontiguousarray(flags[part].T),
            steps,
            numbers.rows(part),
            options=(accept, robust),
            track=track,
            part=part,
        )
    return track


def _empty_track(shape: tuple[int, ...], dtype: DTypeLike) -> Track:
    values: dict[str, Any] = {f.name: np.full(shape, np.nan, dtype) for f in fields(Track)}
    return Track(**values | {"change_k": np.full(shape, -1, np.int8), "growth": Growth.start(shape[0])})


State = tuple[Floats, Floats, Floats, Floats, Floats]  # C, beta, P11, P12, P22


def _run(
    y: Floats,
    censored: NDArray[np.int8],
    steps: list[Floats],
    numbers: Numbers,
    *,
    options: tuple[bool, bool],
    track: Track,
    part: slice,
) -> None:
    """One block, sample by sample; writes its columns of `track`."""
    size = y.shape[1]
    accept, robust = options
    state = start_state(numbers, size)
    watch, growth = change.Watch.start(size), track.growth.rows(part)
    last = int(np.flatnonzero(np.isfinite(steps[0]).any(axis=1)).max(initial=-1)) + 1
    for i in range(last):
        here = [v[i] for v in steps]
        expected, moved = predict(state, here, numbers)
        s = moved[2] + noise(expected, numbers)
        state, (nu, z, k1, k2, weight) = update(moved, expected, s, y[i], censored[i], numbers=numbers, robust=robust)
        glr = change.advance(watch, here[0], here[1], nu, s, z=z, gain=(k1, k2), weight=weight)
        growth.advance((here[0], here[1], here[5]), nu, s, gain=(k1, k2), weight=weight)
        if accept:
            growth.clear(_correct(state, watch, glr, numbers))
        _write(
            track, part, i, expected=expected, s=s, z=np.where(weight > 0, z, np.nan), glr=glr, watch=watch, state=state
        )


def start_state(numbers: Numbers, size: int) -> State:
    """Level and rate before the first sample: the family's."""
    c, beta, p11, tau = (
        np.full(size, v, float) for v in (numbers.level_mean, numbers.rate_mean, numbers.level_var, numbers.rate_sd)
    )
    return c, beta, p11, np.zeros(size), tau * tau


def predict(state: State, step: list[Floats], numbers: Numbers) -> tuple[Floats, State]:
    """Expected level after an interval, and the state moved to it (its covariance includes load, drift and doubtful
    exposure).
    """
    c, beta, p11, p12, p22 = state
    phi, psi, chi, sd_phi, sd_psi, hours = step
    expected = phi * c + psi * beta + chi * numbers.fresh
    base = np.maximum(beta, LEAST_RATE * numbers.rate_mean)
    dt = np.where(np.isnan(hours), psi, hours)
    drift = (numbers.drift_share * base) ** 2 * (dt / 1000)
    a12 = phi * p12 + psi * p22
    doubt = (sd_phi * c + sd_psi * base) ** 2 + sd_phi * sd_phi * p11 + sd_psi * sd_psi * p22
    if np.any(numbers.fresh_sd):
        doubt = doubt + (chi * numbers.fresh_sd) ** 2
    load = (numbers.load_share * base) ** 2 + drift / 3
    a11 = phi * (phi * p11 + psi * p12) + psi * a12 + load * psi * psi + doubt
    return expected, (expected, beta, a11, a12 + drift * psi / 2, p22 + drift)


def noise(expected: Floats, numbers: Numbers) -> Floats:
    """Variance of one result about the level (ppm^2): floor, share of the level, rounding to whole units."""
    share = numbers.noise_share * np.maximum(expected, 0.0)
    return np.asarray(numbers.noise_floor) ** 2 + share * share + np.asarray(numbers.unit) ** 2 / 12


def update(
    moved: State, expected: Floats, s: Floats, y: Floats, censored: NDArray[np.int8], *, numbers: Numbers, robust: bool
) -> tuple[State, tuple[Floats, Floats, Floats, Floats, Floats]]:
    """State after a result; also its innovation, z, the two gains and its weight (0: no result)."""
    _, beta, a11, a12, a22 = moved
    seen = np.isfinite(y) & np.isfinite(expected)
    root = np.sqrt(s)
    nu = np.where(seen, y - expected, 0.0)
    z = nu / root
    weight = seen.astype(float)
    wide = s * np.maximum(1.0, np.abs(z) / ROBUST) if robust else s
    cut = np.flatnonzero(seen & (censored != 0))
    if len(cut):
        unit = np.broadcast_to(np.asarray(numbers.unit, float), s.shape)[cut]
        own = np.sqrt(s[cut] - unit**2 / 12)  # rounding has had its say in the true limit
        z[cut], weight[cut] = beyond_limit(true_limit(y[cut], unit, censored[cut]), expected[cut], own, censored[cut])
        nu[cut] = z[cut] * own
        wide = np.where(censored != 0, s, wide)
        wide[cut] = own**2
    k1, k2 = a11 / wide, a12 / wide
    kept1, kept2 = k1 * weight, k2 * weight
    after = (
        expected + k1 * nu,
        beta + k2 * nu,
        a11 - kept1 * a11,
        a12 - kept1 * a12,
        a22 - kept2 * a12,
    )
    return after, (nu, z, k1, k2, weight)


def true_limit(limit: Floats, unit: Floats, side: NDArray[Any] | int = -1) -> Floats:
    """Level below (side -1) or above (1) which a result is reported so when the laboratory rounds to `unit` before it
    compares.
    """
    return np.where(np.asarray(side) > 0, limit + unit / 2, np.maximum(limit - unit / 2, limit / 2))


def beyond_limit(limit: Floats, expected: Floats, root: Floats, side: NDArray[Any]) -> tuple[Floats, Floats]:
    """:func:`below_limit`, and for side 1 its mirror image: a result known only to lie above its limit."""
    z, weight = below_limit(-side * limit, -side * expected, root)
    return -side * z, weight


def below_limit(limit: Floats, expected: Floats, root: Floats) -> tuple[Floats, Floats]:
    """Mean standardised departure of a result known only to lie below `limit`, and the share of an exact result's
    information it has.
    """
    below = (limit - expected) / root
    return departure_below(below, lower_tail(below)[1])


def departure_below(below: Floats, mills: Floats) -> tuple[Floats, Floats]:
    """:func:`below_limit` from the standardised limit and Mills' ratio at it (`wear.normal_tail`)."""
    return -mills, np.minimum(np.maximum(mills * (below + mills), 1e-12), 1.0)


def _correct(state: State, watch: change.Watch, glr: Floats, numbers: Numbers) -> NDArray[np.int64]:
    """Where a change of rate is believed: move the state by the estimated step and widen it, in place. Returns which
    series.
    """
    c, beta, p11, p12, p22 = state
    hit, step, variance, (e1, e2) = change.jump(watch, glr, np.maximum(beta, numbers.rate_mean))
    if not len(hit):
        return hit
    c[hit] += e1 * step
    beta[hit] += e2 * step
    p11[hit] += e1 * e1 * variance
    p12[hit] += e1 * e2 * variance
    p22[hit] += e2 * e2 * variance
    change.clear(watch, hit)
    return hit


def _write(
    track: Track,
    part: slice,
    i: int,
    *,
    expected: Floats,
    s: Floats,
    z: Floats,
    glr: Floats,
    watch: change.Watch,
    state: State,
) -> None:
    c, beta, p11, p12, p22 = state
    best = np.argmax(glr, axis=0)
    top = glr[best, np.arange(len(best))]
    rows = (
        expected,
        np.sqrt(s),
        z,
        np.where(np.isnan(z), np.nan, top),
        beta,
        np.sqrt(np.maximum(p22, 0)),
        c,
        np.sqrt(np.maximum(p11, 0)),
        p12,
    )
    for name, row in zip(fields(Track), rows, strict=False):
        getattr(track, name.name)[part, i] = row
    track.change_k[part, i] = np.where(top > 0, best, -1)
