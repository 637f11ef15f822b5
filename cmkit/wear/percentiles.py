"""Percentiles of a family of compartments from few, clustered, partly censored results. Arrays in, arrays out; log
scale.

Lognormal maximum likelihood with left-censoring ("<1") and a trimmed top (guide how_it_is_computed, C), for many
families at once; one-sided tolerance factors; distribution-free order statistics; shrinkage of families to their
parent.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import binom, nct, norm

from cmkit.wear.normal_tail import lower_tail

Floats = NDArray[np.float64]
LEFT, EXACT, RIGHT = -1, 0, 1
_MIN_EXACT = 3  # own choice: fewer results inside the fitted range say nothing of the spread
_LOG_ROOT_2PI = 0.5 * math.log(2 * math.pi)


@dataclass(frozen=True)
class CensoredFit:
    """Normal (of logs) fitted per group: mean mu, spread s, their variances from the observed information, log
    likelihood.

    NaN where the group has fewer than three uncensored results or these are all equal. `log_lik` is that of the logs
    (add -sum(log x) of the uncensored results for that of the results themselves).
    """

    mu: Floats
    s: Floats
    var_mu: Floats
    var_log_s: Floats
    log_lik: Floats


def censored_normal(
    y: ArrayLike, status: ArrayLike, group: ArrayLike | None = None, weight: ArrayLike = 1.0
) -> CensoredFit:
    """Maximum likelihood mean and spread of a censored normal, one fit per group 0..G-1.

    y [N]: value, or the bound where censored; status [N]: -1 below y, 0 equal to y, +1 at or above y; group [N]:
    integers; weight [N]: how often each censored value counts. Newton steps in (1/s, mu/s), where the log likelihood is
    concave (Olsen 1978, Econometrica 46), with halving; all groups at once. Raises ValueError when the lengths differ
    or a value is not finite.
    """
    y, status = np.asarray(y, float), np.asarray(status)
    group = np.zeros(len(y), int) if group is None else np.asarray(group)
    if not len(y) == len(status) == len(group):
        raise ValueError(f"found {len(y)} values, {len(status)} states, {len(group)} groups; wanted as many of each")
    if not np.isfinite(y).all():
        raise ValueError("found a value that is not finite; leave missing results out before fitting")
    count = int(group.max()) + 1 if len(group) else 0
    return _fit_groups(y, status, group, count, np.broadcast_to(np.asarray(weight, float), y.shape))


def _fit_groups(y: Floats, status: NDArray[Any], group: NDArray[Any], count: int, weight: Floats) -> CensoredFit:
    exact = status == EXACT
    n = np.bincount(group[exact], minlength=count)
    with np.errstate(invalid="ignore", divide="ignore"):
        centre = np.bincount(group[exact], y[exact], count) / n
        scale = np.sqrt(np.bincount(group[exact], (y[exact] - centre[group[exact]]) ** 2, count) / n)
        good = (n >= _MIN_EXACT) & (scale > 1e-9 * np.maximum(1.0, np.abs(centre)))
    keep = good[group]
    number = np.cumsum(good) - 1
    z = (y[keep] - centre[group[keep]]) / scale[group[keep]]
    problem = _Problem.of(z, status[keep], number[group[keep]], int(good.sum()), weight[keep])
    g, d = problem.solve()
    hgg, hgd, hdd = problem.slopes(g, d)[2:]
    det = hgg * hdd - hgd**2
    vg, vd, vgd = -hdd / det, -hgg / det, hgd / det
    out = {k: np.full(count, np.nan) for k in ("mu", "s", "var_mu", "var_log_s", "log_lik")}
    c, w = centre[good], scale[good]
    out["mu"][good], out["s"][good] = c + w * d / g, w / g
    out["var_mu"][good] = w**2 * (vd / g**2 - 2 * d * vgd / g**3 + d**2 * vg / g**4)
    out["var_log_s"][good] = vg / g**2
    out["log_lik"][good] = problem.value(g, d) - problem.n * (np.log(w) + _LOG_ROOT_2PI)
    return CensoredFit(**out)


@dataclass(frozen=True)
class _Problem:
    """Censored normal likelihoods of several groups: sufficient statistics of the exact part, bounds of the censored
    parts.
    """

    n: Floats
    sum1: Floats
    sum2: Floats
    bound: Floats
    sign: Floats
    group: NDArray[Any]
    weight: Floats

    @classmethod
    def of(cls, z: Floats, status: NDArray[Any], group: NDArray[Any], count: int, weight: Floats) -> "_Problem":
        e = status == EXACT
        n, sum1, sum2 = (np.bincount(group[e], w, count).astype(float) for w in (np.ones(e.sum()), z[e], z[e] ** 2))
        return cls(n, sum1, sum2, z[~e], np.where(status[~e] == LEFT, 1.0, -1.0), group[~e], weight[~e])

    def value(self, g: Floats, d: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            own = self.n * np.log(g) - 0.5 * (g**2 * self.sum2 - 2 * g * d * self.sum1 + self.n * d**2)
        tail = lower_tail(self.sign * (g[self.group] * self.bound - d[self.group]))[0]
        return np.asarray(own + np.bincount(self.group, self.weight * tail, len(g)), float)

    def slopes(self, g: Floats, d: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """First and second derivatives: by g, d, gg, gd, dd."""
        t = self.sign * (g[self.group] * self.bound - d[self.group])
        mills = lower_tail(t)[1]
        curve = mills * (t + mills)

        def total(weights: Floats) -> Floats:
            return np.asarray(np.bincount(self.group, self.weight * weights, len(g)), float)

        by_g = self.n / g - g * self.sum2 + d * self.sum1 + total(self.sign * self.bound * mills)
        by_d = g * self.sum1 - self.n * d - total(self.sign * mills)
        gg = -self.n / g**2 - self.sum2 - total(self.bound**2 * curve)
        return by_g, by_d, gg, self.sum1 + total(self.bound * curve), -self.n - total(curve)

    def solve(self) -> tuple[Floats, Floats]:
        g, d = np.ones(len(self.n)), np.zeros(len(self.n))
        best = self.value(g, d)
        for _ in range(100):
            by_g, by_d, gg, gd, dd = self.slopes(g, d)
            det = gg * dd - gd**2
            dg, dd_ = -(dd * by_g - gd * by_d) / det, -(gg * by_d - gd * by_g) / det
            step = np.where(dg < 0, np.minimum(1.0, 0.9 * g / np.maximum(-dg, 1e-300)), 1.0)
            for _ in range(40):
                now = self.value(g + step * dg, d + step * dd_)
                worse = now < best - 1e-12 * np.abs(best)
                if not worse.any():
                    break
                step = np.where(worse, step / 2, step)
            g, d, best = g + step * dg, d + step * dd_, now
            if len(g) == 0 or np.max(np.abs(dg) + np.abs(dd_)) < 1e-11:
                break
        return g, d


def trim_top(y: ArrayLike, status: ArrayLike, group: ArrayLike, share: float = 0.90) -> tuple[Floats, NDArray[Any]]:
    """Values and states with each group's top marked "known only to be at or above u" (guide how_it_is_computed, C):
    takes away the leverage of sick machines.

    u is the group's order statistic number ceil((n - 1) share) counted from zero (numpy's "higher" rule); results
    reported as below a limit count with that limit and stay as they are, those reported as above one are cut like any
    other. Groups of fewer than five results are left whole.
    """
    y, status, group = np.asarray(y, float).copy(), np.asarray(status).copy(), np.asarray(group)
    if len(y) == 0:
        return y, status
    order = np.lexsort((y, group))
    n = np.bincount(group)
    first = np.cumsum(n) - n
    rank = np.minimum(first + np.ceil((n - 1) * share - 1e-9).astype(int), len(y) - 1)
    u = y[order][rank]
    top = (y >= u[group]) & (status != LEFT) & (n[group] >= 5)
    y[top], status[top] = u[group][top], RIGHT
    return y, status


def spread_ties(x: ArrayLike, group: ArrayLike, resolution: float) -> Floats:
    """Results rounded to `resolution`, ties within a group spread evenly over their rounding cell, in the order given.

    Whole ppm of 1, 1, 1, 2 have no spread a likelihood can use; their cells have. Values apart by more than the cell do
    not move past one another. Non-positive values and resolution 0 are returned unchanged.
    """
    x, group = np.asarray(x, float).copy(), np.asarray(group)
    if resolution <= 0 or len(x) == 0:
        return x
    order = np.lexsort((x, group))
    new = np.r_[True, (np.diff(x[order]) != 0) | (np.diff(group[order]) != 0)]
    start = np.flatnonzero(new)
    size = np.diff(np.r_[start, len(x)])
    place = np.arange(len(x)) - np.repeat(start, size)
    shift = resolution * ((place + 0.5) / np.repeat(size, size) - 0.5)
    x[order] += np.where(x[order] >= resolution, shift, 0.0)
    return x


def intraclass(
    y: ArrayLike, family: ArrayLike, compartment: ArrayLike
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Sums for the intraclass correlation of results within compartments, per family 0..F-1.

    Returns between sum of squares and its degrees of freedom, within sum of squares and its degrees of freedom, and the
    degrees of freedom times n0 (the effective bottles per compartment), so that families can be pooled by adding.
    """
    y, family, compartment = np.asarray(y, float), np.asarray(family), np.asarray(compartment)
    count = int(family.max()) + 1 if len(family) else 0
    own, unit = np.unique(compartment, return_inverse=True)
    home = np.zeros(len(own), int)
    home[unit] = family
    n = np.bincount(unit).astype(float)
    mean = np.bincount(unit, y) / n
    total = np.bincount(family, minlength=count).astype(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        grand = np.bincount(family, y, count) / total
        between = np.bincount(home, n * (mean - grand[home]) ** 2, count).astype(float)
        within = np.bincount(family, (y - mean[unit]) ** 2, count).astype(float)
        units = np.bincount(home, minlength=count).astype(float)
        n0 = total - np.bincount(home, n**2, count) / total
    return between, np.maximum(units - 1, 0), within, np.maximum(total - units, 0), np.where(total > 0, n0, 0.0)


def correlation(between: ArrayLike, df_b: ArrayLike, within: ArrayLike, df_w: ArrayLike, n0_df: ArrayLike) -> Floats:
    """Intraclass correlation (one-way analysis of variance) from the sums of :func:`intraclass`, clipped to 0..0.99.

    Where there are no two compartments or no repeats it cannot be known: 1 is returned, so that a compartment counts
    once.
    """
    between, df_b, within, df_w, n0_df = (np.asarray(v, float) for v in (between, df_b, within, df_w, n0_df))
    with np.errstate(invalid="ignore", divide="ignore"):
        msb, msw, n0 = between / df_b, within / df_w, n0_df / df_b
        icc = np.clip((msb - msw) / (msb + (n0 - 1) * msw), 0.0, 0.99)
    return np.where((df_b > 0) & (df_w > 0) & np.isfinite(icc), icc, 1.0)


def shrink(
    estimate: ArrayLike, variance: ArrayLike, tau2: float, mean: float, var_mean: float
) -> tuple[Floats, Floats]:
    """Estimates drawn to the parent's mean and their variances, the mean's own uncertainty included; a missing estimate
    gets the parent's.

    tau2, mean, var_mean: between-family variance (`wear.family.paule_mandel`), the parent's mean and its variance.
    """
    b, v = np.asarray(estimate, float), np.asarray(variance, float)
    known = np.isfinite(b) & np.isfinite(v)
    own = np.where(known, tau2 / np.where(known, tau2 + v, 1.0), 0.0)
    drawn = mean + own * (np.where(known, b, mean) - mean)
    spread = np.where(known, own * np.where(known, v, 0.0), tau2)
    return drawn, spread + (1 - own) ** 2 * var_mean


def tolerance_factor(n: ArrayLike, p: float, conf: float) -> Floats:
    """One-sided normal tolerance factor k: mean + k sd covers share `p` with confidence `conf`, n results (n > 1, need
    not be whole).

    Exact, by the noncentral t distribution (NIST/SEMATECH e-Handbook 7.2.6.3). NaN for n <= 1.
    """
    n = np.asarray(n, float)
    out, good = np.full(n.shape, np.nan), n > 1
    m = n[good]
    out[good] = nct.ppf(conf, m - 1, norm.ppf(p) * np.sqrt(m)) / np.sqrt(m)
    return out


def order_index(n: int, p: float, conf: float) -> int | None:
    """Rank (1..n, from the smallest) of the result that bounds share `p` from above with confidence `conf`; None: no
    such result.

    Distribution-free. r = binomial quantile(conf; n, p) + 1; none when r > n.
    """
    rank = int(binom.ppf(conf, n, p)) + 1
    return rank if rank <= n else None


def samples_needed(p: float, conf: float) -> int:
    """Results needed before the largest bounds share `p` with confidence `conf`: ln(1 - conf) / ln p, rounded up.
    Distribution-free.
    """
    return math.ceil(math.log(1 - conf) / math.log(p) - 1e-9)
