"""How likely many series are by the filter's own one-step forecasts, for many tries of the family's numbers: the inner
loop of learning.

The same recursion as :mod:`cmkit.wear.filter`, written for speed: what does not depend on the numbers is arranged once,
a series that has ended is no longer followed, and intermediate arrays are used again. `tests/wear/test_likelihood.py`
holds it equal to the filter.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cmkit.wear.filter import LEAST_RATE, ROBUST, departure_below, true_limit
from cmkit.wear.normal_tail import lower_tail
from cmkit.wear.series_arrays import Panel

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

_BLOCK = 2048  # series followed at once: their arrays stay in a processor's cache
_DOF, _SCALE = 6.0, 0.7  # of the Student form: own choice


@dataclass(frozen=True)
class _Step:
    """One bottle of the first `size` series of a block: exposure, results, which are missing, and of those below or
    above a limit (`cut`) the side (-1 below, 1 above), the true limit and the variance of rounding."""

    size: int
    phi: Floats
    psi: Floats
    chi: Floats | None
    sd_phi: Floats
    sd_psi: Floats
    drift: Floats
    y: Floats
    missing: Rows
    cut: Rows
    side: NDArray[np.int8]
    limit: Floats
    rounded: Floats

    @classmethod
    def of(
        cls, exposure: dict[str, Floats], i: int, y: Floats, censored: NDArray[np.int8], own: tuple[Floats, Floats]
    ) -> "_Step":
        """The i-th bottle of series whose exposure (series, n), i-th results, rounding steps and drift shares (series,)
        are given."""
        unit, wander = own
        phi, psi, chi, sd_phi, sd_psi, hours = (
            np.ascontiguousarray(exposure[name][:, i]) for name in ("phi", "psi", "chi", "sd_phi", "sd_psi", "hours")
        )
        seen = np.isfinite(y) & np.isfinite(phi)
        drift = wander[: len(y)] ** 2 / 1000 * np.where(np.isnan(hours), psi, hours)
        missing, cut = np.flatnonzero(~seen), np.flatnonzero(seen & (censored != 0))
        limits = censored[cut], true_limit(y[cut], unit[cut], censored[cut]), unit[cut] ** 2 / 12
        return cls(len(y), phi, psi, chi if chi.any() else None, sd_phi, sd_psi, drift, y, missing, cut, *limits)


@dataclass(frozen=True)
class _Block:
    """Some of the series: where they stand among all, the level they begin at with its variance, the variance of a
    result that does not depend on the level, the usual level, the content of fresh fluid over the family's, and their
    bottles."""

    part: slice
    level: Floats
    variance: Floats
    own: Floats
    usual: Floats
    fresh: Floats
    steps: tuple[_Step, ...]


@dataclass(frozen=True)
class Series:
    """Results of many series (S,) with their exposure, arranged to be followed again and again."""

    blocks: tuple[_Block, ...]
    count: int

    @classmethod
    def of(cls, data: Panel, life: Rows, rows: Rows, constants: Floats) -> "Series":
        """Series `rows` of a panel, whose lives are `life`; fastest where long series come first, as a panel has them.

        constants: (S, 6), columns level_mean, level_var, noise_floor, unit (the step a laboratory rounds to), usual
        (ppm) and drift_share.
        """
        blocks, own_fresh = [], np.broadcast_to(np.asarray(data.fresh, float), len(data.y))[rows]
        for start in range(0, len(rows), _BLOCK):
            part = slice(start, min(start + _BLOCK, len(rows)))
            level, variance, floor, unit, usual, wander = np.ascontiguousarray(constants[part].T)
            steps = _steps(data, life[part], rows[part], (unit, wander))
            blocks.append(_Block(part, level, variance, floor**2 + unit**2 / 12, usual, own_fresh[part], steps))
        return cls(tuple(blocks), len(rows))

    def log_likelihood(self, theta: Floats) -> Floats:
        """Robust log likelihood of each series' one-step forecasts (..., S).

        theta: (..., S, 5), tries that are followed together; columns log rate_mean, log rate_sd/rate_mean, log
        noise_share, log load_share and fresh content over the usual level.
        Student form with 6 degrees of freedom and squared scale 0.7: -3.5 log(1 + z^2/4.2) - log(S)/2; log Phi for
        censored results.
        """
        total = np.zeros((*theta.shape[:-2], self.count))
        for block in self.blocks:
            _follow(block, theta[..., block.part, :], total[..., block.part])
        return total


def _steps(data: Panel, life: Rows, rows: Rows, own: tuple[Floats, Floats]) -> tuple[_Step, ...]:
    """Every bottle of a block up to its last result. own: rounding step and drift share of each series."""
    y, censored = data.y[rows], data.censored[rows]
    has = np.isfinite(y)
    length = np.where(has.any(axis=1), y.shape[1] - has[:, ::-1].argmax(axis=1), 0)
    longest = int(length.max(initial=0))
    size = [int(np.flatnonzero(length > i)[-1]) + 1 for i in range(longest)]
    exposure = {name: table[life] for name, table in data.exposure.items()}
    return tuple(
        _Step.of({name: table[:n] for name, table in exposure.items()}, i, y[:n, i].copy(), censored[:n, i], own)
        for i, n in enumerate(size)
    )


def _follow(block: _Block, theta: Floats, total: Floats) -> None:
    """Add each series' log likelihood to `total`, bottle by bottle."""
    rate, ratio, share, load = np.exp(np.ascontiguousarray(np.moveaxis(theta[..., :4], -1, 0)))
    level, variance = (np.broadcast_to(part, rate.shape).copy() for part in (block.level, block.variance))
    state = level, rate.copy(), variance, np.zeros(rate.shape), (ratio * rate) ** 2
    fresh = theta[..., 4] * block.usual + block.fresh
    rate *= LEAST_RATE
    load *= load
    for step in block.steps:
        n = step.size
        now = tuple(part[..., :n] for part in state)
        expected = step.phi * now[0]
        expected += step.psi * now[1]
        if step.chi is not None:
            expected += step.chi * fresh[..., :n]
        a11, a12 = _predict(step, now, rate[..., :n], load[..., :n])
        s = np.maximum(expected, 0.0)
        s *= share[..., :n]
        s *= s
        s += block.own[:n]
        s += a11
        total[..., :n] += _update(step, expected, (a11, a12, s), now)


def _predict(step: _Step, state: tuple[Floats, ...], least: Floats, load2: Floats) -> tuple[Floats, Floats]:
    """Variance of the level after an interval and its covariance with the rate; p22 of the state is moved in place."""
    c, beta, p11, p12, p22 = state
    base = np.maximum(beta, least)
    doubt = step.sd_phi * c
    doubt += step.sd_psi * base
    doubt *= doubt
    doubt += step.sd_phi * step.sd_phi * p11
    doubt += step.sd_psi * step.sd_psi * p22
    base *= base
    drift = step.drift * base
    base *= load2
    base += drift / 3
    base *= step.psi
    base *= step.psi
    a12 = step.phi * p12
    a12 += step.psi * p22
    a11 = step.phi * p11
    a11 += step.psi * p12
    a11 *= step.phi
    a11 += step.psi * a12
    a11 += base
    a11 += doubt
    p22 += drift
    drift *= step.psi
    drift *= 0.5
    a12 += drift
    return a11, a12


def _update(step: _Step, expected: Floats, moved: tuple[Floats, ...], state: tuple[Floats, ...]) -> Floats:
    """State after the results, in place, and the score of each. moved: variances of the level, its covariance with the
    rate, and of the result.
    """
    a11, a12, s = moved
    c, beta, p11, p12, p22 = state
    nu = step.y - expected
    nu[..., step.missing] = 0.0
    z = np.sqrt(s)
    np.divide(nu, z, out=z)
    wide = np.abs(z)
    wide /= ROBUST
    np.maximum(wide, 1.0, out=wide)
    wide *= s
    score = z * z
    score /= _DOF * _SCALE
    np.log1p(score, out=score)
    score *= -(_DOF + 1) / 2
    np.log(s, out=z)
    z *= 0.5
    score -= z
    weight = _at_limits(step, expected, (s, nu, wide, score))
    k1, k2 = a11 / wide, a12 / wide
    np.multiply(k1, nu, out=c)
    c += expected
    beta += k2 * nu
    if weight is not None:
        k1 *= weight
        k2 *= weight
    np.subtract(a11, k1 * a11, out=p11)
    p22 -= k2 * a12
    np.subtract(a12, k1 * a12, out=p12)
    return score


def _at_limits(step: _Step, expected: Floats, parts: tuple[Floats, ...]) -> Floats | None:
    """Results below or above a limit and missing ones: innovation, variance and score in place; weights where not all
    are 1.
    """
    if not (len(step.cut) or len(step.missing)):
        return None
    s, nu, wide, score = parts
    weight, cut = np.ones(s.shape), step.cut
    if len(cut):
        variance = s[..., cut] - step.rounded  # rounding has had its say in the true limit
        own = np.sqrt(variance)
        inside = -step.side * (step.limit - expected[..., cut]) / own
        chance, mills = lower_tail(inside)
        departure, weight[..., cut] = departure_below(inside, mills)
        nu[..., cut] = -step.side * departure * own
        wide[..., cut] = variance
        score[..., cut] = chance
    weight[..., step.missing], score[..., step.missing] = 0.0, 0.0
    return weight
