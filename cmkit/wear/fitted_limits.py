"""Percentile limits of many families at once, on arrays: trimmed and censored lognormal fits, each leaning on its
compartment kind (guide how_it_is_computed, C).
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from cmkit.records.censoring import sides_of
from cmkit.records.constants import constant
from cmkit.records.settings import Alarm
from cmkit.wear.family import paule_mandel
from cmkit.wear.percentiles import (
    EXACT,
    LEFT,
    RIGHT,
    CensoredFit,
    Floats,
    censored_normal,
    correlation,
    intraclass,
    shrink,
    spread_ties,
    tolerance_factor,
    trim_top,
)

# Own choices, all about when not to speak.
MIN_EFFECTIVE = constant("wear", "limit_min_effective")
TOLERANCE_BELOW = constant("wear", "limit_tolerance_below")
TRIM = constant("wear", "limit_trim")
_UNIT_FACTOR = constant("wear", "limit_unit_factor")
_KIND_FACTOR = constant("wear", "limit_kind_factor")
_LEAST_SPREAD = constant("wear", "limit_least_spread")
_USUALLY_SICK, _SICK_WORTH = constant("wear", "limit_sick_share"), constant("wear", "limit_sick_worth")
_SICK = np.log([2.0, 10.0])  # times above sound bottles: own choice
_SICK_ROUNDS, _EM_STEPS, _LEAST_SOUND = 2, 20, 0.1
# Compartments, and the distance of two groups in their own spread that 1 of 100 normal families of so many exceeds
# (40 000 simulated).
_TWO_GROUPS = (
    [6, 7, 8, 9, 10, 12, 14, 16, 20, 24, 32, 40, 60, 100],
    [11.4, 9.3, 8.1, 7.2, 6.7, 5.8, 5.4, 5.0, 4.6, 4.3, 4.0, 3.8, 3.5, 3.2],
)


@dataclass(frozen=True)
class FamilyFits:
    """What the results of each family 0..F-1 say on log scale, before shrinkage. Arrays of length F.

    mu, s with variances (clustering allowed for); n results, n_below of them reported below a limit, n_aside left out
    as another unit; compartments; n_eff; groups: how many times higher the upper of two groups of compartments lies,
    NaN where there is one group.
    """

    mu: Floats
    s: Floats
    var_mu: Floats
    var_log_s: Floats
    n: Floats
    n_below: Floats
    n_aside: Floats
    compartments: Floats
    n_eff: Floats
    groups: Floats


def fit_families(
    x: Floats,
    side: NDArray[Any],
    family: NDArray[Any],
    parent: NDArray[Any],
    compartment: NDArray[Any],
    *,
    resolution: float = 0.0,
    trim: float = TRIM,
) -> FamilyFits:
    """Trimmed censored lognormal per family. x [N] > 0 (the limit where side is not 0: LEFT below it, RIGHT above it;
    flags are taken as below), family, compartment [N] integers, parent [F] integers.

    The intraclass correlation is pooled over the families of a parent (compartment kind). var(mu) grows by 1 + (m - 1)
    icc, var(log s) by 1 + (m - 1) icc^2, with m the mean bottles per compartment, weighted by bottles (guide
    how_it_is_computed, C).
    """
    count, side = len(parent), sides_of(side)
    keep = ~_other_unit(x, family, count)
    n_aside = np.bincount(family[~keep], minlength=count).astype(float)
    x, side, family, compartment = x[keep], side[keep], family[keep], compartment[keep]
    spread = np.where(side != EXACT, x, spread_ties(x, family, resolution))
    logs = np.log(spread)
    y, status = trim_top(logs, side, family, trim)
    fit = _fit_sound((logs, y, status), side, family, parent, count)
    sums = [_pad(v, count, 0.0) for v in intraclass(y, family, compartment)]
    pooled = [np.bincount(parent, v)[parent] for v in sums]
    icc = correlation(*pooled)
    n = np.bincount(family, minlength=count).astype(float)
    _, first, size = np.unique(compartment, return_index=True, return_counts=True)
    home = family[first]
    with np.errstate(invalid="ignore", divide="ignore"):
        m = np.bincount(home, size.astype(float) ** 2, count) / n
        n_eff = n / (1 + (m - 1) * icc)
    return FamilyFits(
        fit["mu"],
        np.maximum(fit["s"], _LEAST_SPREAD),
        fit["var_mu"] * (1 + (m - 1) * icc),
        fit["var_log_s"] * (1 + (m - 1) * icc**2),
        n,
        np.bincount(family[side == LEFT], minlength=count).astype(float),
        n_aside,
        np.bincount(home, minlength=count).astype(float),
        np.nan_to_num(n_eff),
        two_groups(np.log(x), family, compartment, count),
    )


def _fit_sound(
    values: tuple[Floats, Floats, NDArray[Any]],
    side: NDArray[Any],
    family: NDArray[Any],
    parent: NDArray[Any],
    count: int,
) -> dict[str, Floats]:
    """The censored fit of sound bottles. values: logs, and the same trimmed with their states.

    A share e of the bottles of a kind comes from sick machines, whose results lie d above the sound ones, d spread
    evenly over log 2 to log 10. They stand in the trimmed top, which so counts for what is sound of it: n_top - e n
    instead of n_top bottles. e is the mean chance of being sick over all bottles of the kind, by steps of expectation
    and maximisation (Dempster, Laird and Rubin 1977), e itself leaning on few sick. How many of a family's own n
    bottles are sick is not known: a binomial number, sd sqrt(n e (1 - e)). What mu and log s move by per sd is added to
    their variances (propagation of error).
    """
    logs, y, status = values
    top, share = status == RIGHT, np.zeros(len(parent))
    n = np.maximum(np.bincount(family, minlength=count), 1)
    n_top = np.maximum(np.bincount(family[top], minlength=count), 1)

    def counted(off: float = 0.0) -> dict[str, Floats]:
        sick = share * n + off * np.sqrt(n * share * (1 - share))
        sound = np.clip(1 - sick / n_top, _LEAST_SOUND, 1.0)
        return _padded(censored_normal(y, status, family, np.where(top, sound[family], 1.0)), count)

    for _ in range(_SICK_ROUNDS):
        share = _sick_share(logs, side, family, parent, counted())
    fit, fewer, more = counted(), counted(-1.0), counted(1.0)
    fit["var_mu"] += ((more["mu"] - fewer["mu"]) / 2) ** 2
    fit["var_log_s"] += (np.log(more["s"] / fewer["s"]) / 2) ** 2
    return fit


def _sick_share(
    logs: Floats, side: NDArray[Any], family: NDArray[Any], parent: NDArray[Any], fit: dict[str, Floats]
) -> Floats:
    """Share of bottles of sick machines in the kind of each family, by what the families' fits say of its bottles."""
    mu, s = (fit[name][family] for name in ("mu", "s"))
    use = np.isfinite(mu) & (side == EXACT)
    z, kind, width = (logs - mu)[use] / s[use], parent[family[use]], s[use]
    sound = np.exp(-z * z / 2) / np.sqrt(2 * np.pi) / width
    sick = (ndtr(z - _SICK[0] / width) - ndtr(z - _SICK[1] / width)) / (_SICK[1] - _SICK[0])
    size = int(parent.max(initial=-1)) + 1
    e = np.full(size, _USUALLY_SICK)
    n = np.bincount(kind, minlength=size)
    for _ in range(_EM_STEPS):
        both = e[kind] * sick + (1 - e[kind]) * sound
        chance = np.where(both > 0, e[kind] * sick / np.where(both > 0, both, 1.0), z > 0)
        e = (np.bincount(kind, chance, size) + _USUALLY_SICK * _SICK_WORTH) / (n + _SICK_WORTH)
    return np.asarray(np.where(n > 0, e, 0.0)[parent], float)


def _pad(values: Floats, count: int, fill: float) -> Floats:
    return np.asarray(np.r_[values, np.full(count - len(values), fill)])


def _padded(fit: CensoredFit, count: int) -> dict[str, Floats]:
    """Fits with NaN for families at the end that have no result."""
    return {k: _pad(getattr(fit, k), count, np.nan) for k in ("mu", "s", "var_mu", "var_log_s")}


def _other_unit(x: Floats, family: NDArray[Any], count: int) -> NDArray[Any]:
    """Results so far off their family's middle that another unit is likelier than another machine."""
    if len(x) == 0:
        return np.zeros(0, bool)
    y = np.log(x)
    off = np.abs(y - _medians(y, family, count)[family])
    wide = _medians(off, family, count) * 1.4826
    return np.asarray(off > np.maximum(np.log(_UNIT_FACTOR), 6 * wide[family]))


def _medians(values: Floats, group: NDArray[Any], count: int) -> Floats:
    """Median of each group's values (count,); NaN where there is none."""
    ordered, n = values[np.lexsort((values, group))], np.bincount(group, minlength=count)
    first, seen = np.cumsum(n) - n, np.flatnonzero(n)
    out = np.full(count, np.nan)
    low, high = (ordered[first[seen] + k[seen]] for k in ((n - 1) // 2, n // 2))
    out[seen] = (low + high) / 2
    return out


def two_groups(y: Floats, family: NDArray[Any], compartment: NDArray[Any], count: int) -> Floats:
    """Ratio between two groups of compartments of a family where their means (of logs) split clearly, else NaN.

    Split at the widest gap with at least a fifth, and two, of six or more compartments on either side. Clear: means
    apart by a factor of two or more, and by more of the groups' own spread than 99 of 100 normal families are
    (simulated, by the number of compartments).
    """
    out = np.full(count, np.nan)
    if len(y) == 0:
        return out
    unit, inverse = np.unique(compartment, return_inverse=True)
    home = np.zeros(len(unit), int)
    home[inverse] = family
    means = np.bincount(inverse, y) / np.bincount(inverse)
    at = np.lexsort((means, home))
    home, v = home[at], means[at]
    n = np.bincount(home, minlength=count)
    v = v - (np.bincount(home, v, count) / np.maximum(n, 1))[home]
    low = _widest_gap(v, home, n)
    f = np.flatnonzero((low > 0) & (n >= 6))
    first = np.cumsum(n) - n
    sums = np.array([np.r_[0.0, np.cumsum(v)], np.r_[0.0, np.cumsum(v**2)]])
    below, whole = (sums[:, first[f] + k] - sums[:, first[f]] for k in (low[f], n[f]))
    above, k, m = whole - below, low[f], n[f] - low[f]
    within = np.sqrt(np.maximum(whole[1] - below[0] ** 2 / k - above[0] ** 2 / m, 0.0) / n[f])
    apart = above[0] / m - below[0] / k
    clear = apart > np.maximum(np.log(2), np.interp(n[f], *_TWO_GROUPS) * within)
    out[f[clear]] = np.exp(apart[clear])
    return out


def _widest_gap(v: Floats, home: NDArray[Any], n: NDArray[Any]) -> NDArray[Any]:
    """How many of each family's sorted values lie below its widest gap, keeping a fifth, and two, on either side; 0: no
    such gap.
    """
    first = np.cumsum(n) - n
    below = np.arange(len(v)) - first[home] + 1
    edge = np.maximum(2, np.ceil(0.2 * n).astype(int))[home]
    gap = np.where((below >= edge) & (below <= n[home] - edge), np.diff(v, append=np.inf), -np.inf)
    order = np.lexsort((gap, home))
    last = order[np.cumsum(n)[n > 0] - 1]
    out = np.zeros(len(n), int)
    out[n > 0] = np.where(np.isfinite(gap[last]), below[last], 0)
    return out


@dataclass(frozen=True)
class Percentiles:
    """Limits of families from their fits, in the results' own unit (arrays of length F): alert, alarm, its bounds,
    method.
    """

    alert: Floats
    alarm: Floats
    low: Floats
    high: Floats
    method: NDArray[Any]
    far: Floats


def shrunk_percentiles(fits: FamilyFits, parent: NDArray[Any], alarm: Alarm) -> Percentiles:
    """Percentile limits of every family, each leaning on its parent as far as the families of that parent are alike
    (guide how_it_is_computed, C).

    far: how many times the family lies off its parent where that is beyond belief (another unit?), else NaN; such a
    family stands alone.
    """
    za, zb, zc = ndtri([alarm.alert_share, alarm.alarm_share, alarm.confidence])
    mu, log_s = fits.mu.copy(), np.log(fits.s)
    var_mu, var_ls = fits.var_mu.copy(), fits.var_log_s.copy()
    bears = np.isfinite(mu) & (fits.n_eff >= 2)
    far = np.full(len(mu), np.nan)
    leaning = np.zeros(len(mu), bool)
    for p in np.unique(parent):
        at = np.flatnonzero(parent == p)
        middle = np.median(mu[at][bears[at]]) if bears[at].any() else np.nan
        off = np.abs(mu[at] - middle) > np.log(_KIND_FACTOR)
        far[at] = np.where(off, np.exp(mu[at] - middle), np.nan)
        use = at[bears[at] & ~off]
        if len(use) < 3:
            continue
        lean = at[~off]
        for value, var in ((mu, var_mu), (log_s, var_ls)):
            tau2, mean, se, _ = paule_mandel(value[use], var[use])
            value[lean], var[lean] = shrink(value[lean], var[lean], tau2, mean, se**2)
        leaning[lean] = True
    s = np.exp(log_s)
    top = mu + zb * s
    width = zc * np.sqrt(var_mu + (zb * s) ** 2 * var_ls)
    method = np.where(leaning, np.where(fits.n_eff >= MIN_EFFECTIVE, "trimmed and shrunk", "parent"), "trimmed")
    own = Percentiles(mu + za * s, top, top - width, top + width, method, far)
    return _logged_back(_quote_tolerance(own, fits, leaning, alarm))


def _quote_tolerance(own: Percentiles, fits: FamilyFits, leaning: NDArray[Any], alarm: Alarm) -> Percentiles:
    """Few results: the tolerance bound is the upper bound, and without a parent the limit itself; too few: nothing."""
    few = fits.n_eff < TOLERANCE_BELOW
    usable = np.where(few & (fits.n_eff >= MIN_EFFECTIVE), fits.n_eff, np.nan)
    bound = fits.mu + tolerance_factor(usable, alarm.alarm_share, alarm.confidence) * fits.s
    watch = fits.mu + tolerance_factor(usable, alarm.alert_share, alarm.confidence) * fits.s
    high = np.where(few, np.fmax(own.high, bound), own.high)
    alone = few & ~leaning
    told = np.isfinite(np.where(alone, bound, own.alarm))
    method = np.where(told, np.where(alone, "tolerance", own.method), "not judged")

    def only(values: Floats) -> Floats:
        return np.where(told, values, np.nan)

    return Percentiles(
        only(np.where(alone, watch, own.alert)),
        only(np.where(alone, bound, own.alarm)),
        only(own.low),
        only(high),
        method,
        own.far,
    )


def _logged_back(p: Percentiles) -> Percentiles:
    return replace(p, alert=np.exp(p.alert), alarm=np.exp(p.alarm), low=np.exp(p.low), high=np.exp(p.high))


def percentiles(
    x: Floats,
    side: NDArray[Any],
    family: NDArray[Any],
    parent: NDArray[Any],
    compartment: NDArray[Any],
    *,
    alarm: Alarm,
    resolution: float = 0.0,
) -> tuple[FamilyFits, Percentiles]:
    """Fits and limits of every family; one that cannot be judged by itself gets the number of its kind, fitted as one
    family, if it has one.
    """
    fits = fit_families(x, side, family, parent, compartment, resolution=resolution)
    own = shrunk_percentiles(fits, parent, alarm)
    silent = own.method == "not judged"
    if not silent.any() or not len(x):
        return fits, own
    kinds = np.arange(parent.max() + 1)
    kind = shrunk_percentiles(
        fit_families(x, side, parent[family], kinds, compartment, resolution=resolution), kinds, alarm
    )
    lent = silent & (kind.method[parent] != "not judged")
    values = {
        name: np.where(lent, getattr(kind, name)[parent], getattr(own, name))
        for name in ("alert", "alarm", "low", "high")
    }
    return fits, replace(own, **values, method=np.where(lent, "parent", own.method))
