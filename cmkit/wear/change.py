"""Change of rate: the generalised likelihood ratio of a step in the wear rate some intervals ago, and when to believe
it.

For each onset k = 0..3 intervals ago the *signature* e = (level, rate) is carried: what the state would still be wrong
by, per unit of step, after the updates since. Idea: Willsky and Jones 1976; the state is corrected by the jump
estimate. Recursion derived for this filter.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cmkit.records.constants import constant

Floats = NDArray[np.float64]

DEPTH = 4  # onsets kept: 0..3 intervals ago
CLIP = constant("wear", "result_clip")
ACCEPT_RISE = constant("wear", "change_rise")
ACCEPT_Z = constant("wear", "change_last_z")
OTHER_WAY = constant("wear", "change_other_way")


# across a missing result two onsets fit equally well: the later one counts, so that one result alone is never two
_TIE = 1e-9 * np.arange(DEPTH, 0, -1)[:, None]


@dataclass
class Watch:
    """Running sums of B series; rows 0..DEPTH-1 are onsets k intervals ago. Changed in place by
    `advance` and `clear`.
    """

    level: Floats
    rate: Floats
    num: Floats
    raw: Floats
    den: Floats
    past_z: Floats

    @classmethod
    def start(cls, size: int) -> "Watch":
        """No onset yet for `size` series."""
        level, rate, num, raw, den = np.zeros((5, DEPTH, size))
        return cls(level, rate, num, raw, den, np.zeros((DEPTH + 1, size)))


def advance(
    watch: Watch,
    phi: Floats,
    psi: Floats,
    nu: Floats,
    s: Floats,
    *,
    z: Floats,
    gain: tuple[Floats, Floats],
    weight: Floats,
) -> Floats:
    """One sample of every series; returns GLR per onset, shape (DEPTH, B), 0 where an onset has no evidence yet.

    nu, s: innovation and its variance; gain: of level and rate; weight: information of the result against an exact one
    (1; less for a censored result; 0 where there is none).
    """
    for rows in (watch.level, watch.rate, watch.num, watch.raw, watch.den, watch.past_z):
        rows[1:] = rows[:-1]
    watch.level[0], watch.rate[0] = 0.0, 1.0
    watch.num[0] = watch.raw[0] = watch.den[0] = 0.0
    watch.past_z[0] = z
    moved = phi * watch.level + psi * watch.rate
    per_s = moved * ((weight > 0) / s)
    bound = CLIP * np.sqrt(s)
    watch.num += per_s * np.clip(nu, -bound, bound)
    watch.raw += per_s * nu
    watch.den += moved * moved * (weight / s)
    watch.level = moved - moved * (gain[0] * weight)
    watch.rate = watch.rate - moved * (gain[1] * weight)
    return watch.num / np.sqrt(np.where(watch.den > 0, watch.den, np.inf))


def jump(watch: Watch, glr: Floats, scale: Floats) -> tuple[NDArray[np.int64], Floats, Floats, Floats]:
    """Series whose change is believed, with the size of the step, its variance and the signature (2, hits) of that
    onset.

    Believed only when the likeliest onset leaves two samples or more, with |GLR| > 3.5, the last |z| > 1.5 with the
    same sign, and no departure beyond 2 the other way in the sample before the window. scale: prior standard deviation
    of a step is sqrt(2) * scale (B,), ppm/h.
    """
    best = np.argmax(np.abs(glr) + _TIE, axis=0)
    here = np.arange(glr.shape[1])
    top, z = glr[best, here], watch.past_z[0]
    sign = np.sign(top)
    believed = (best >= 1) & (np.abs(top) > ACCEPT_RISE) & (z * sign > ACCEPT_Z)
    believed &= watch.past_z[best + 1, here] * sign >= -OTHER_WAY
    hit = np.flatnonzero(believed)
    k = best[hit]
    variance = 1 / (watch.den[k, hit] + 1 / (2 * scale[hit] ** 2))
    return hit, watch.raw[k, hit] * variance, variance, np.stack([watch.level[k, hit], watch.rate[k, hit]])


def clear(watch: Watch, hit: NDArray[np.int64]) -> None:
    """Forget all onsets of the series in `hit`: their state has been corrected."""
    for rows in (watch.level, watch.rate, watch.num, watch.raw, watch.den, watch.past_z):
        rows[:, hit] = 0.0
