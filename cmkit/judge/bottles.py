"""What may be wrong with a bottle rather than with its compartment, and how likely its results are if so.

good: all metals share a small factor. rich (bottom of the sump, drain stream): metals times 1.35 to 3.4; water, ferrous
debris and particles say nothing. dirt in the bottle or pump: silicon and aluminium added; particles say nothing. not
this compartment (label, another's bottle): the results of any compartment of the kind, or of the sister drawn on the
same day.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from cmkit.judge.constants import constant
from cmkit.judge.measures import Bottles, student_log_density

Floats = NDArray[np.float64]

GOOD, RICH, DIRT, OTHER = range(4)
ODDITIES = ("good", "drawn from bottom or drain", "dirt in the bottle", "another compartment")
_RICH_TIMES = (1.35, 1.65, 2.05, 2.6, 3.4)
_DUST = (8.0, 16.0, 30.0)  # ppm of silicon
_LEAST = 1e-9  # chance, so that a logarithm stays finite
_OTHER_WIDE = 3.0  # sd of other results of another compartment, in the kind's noise


@dataclass(frozen=True, eq=False)
class Grid:
    """B ways a bottle of this compartment may come: multiple of its metals, dust added (ppm silicon), which oddity,
    share within it.
    """

    times: Floats
    dust: Floats
    oddity: NDArray[np.int64]
    share: Floats


@cache
def bottle_grid() -> Grid:
    """The grid of the three hypotheses that keep the bottle with its compartment."""
    k = int(constant("good_steps"))
    steps = constant("good_step") * np.arange(-k, k + 1)
    bell = np.exp(-0.5 * (steps / constant("bottle_factor_sd")) ** 2)
    rich, dust = np.array(_RICH_TIMES), np.array(_DUST)
    return Grid(
        np.r_[np.exp(steps), rich, np.ones(len(dust))],
        np.r_[np.zeros(len(steps) + len(rich)), dust],
        np.repeat([GOOD, RICH, DIRT], [len(steps), len(rich), len(dust)]),
        np.r_[bell / bell.sum(), np.full(len(rich), 1 / len(rich)), np.full(len(dust), 1 / len(dust))],
    )


@dataclass(frozen=True)
class Shares:
    """Shares of odd bottles: rich by hand pump and at a valve, dirt, not this compartment, exchanged with a sister of
    the same day.
    """

    rich: float
    rich_valve: float
    dirt: float
    other: float
    sister: float


def shipped_shares() -> Shares:
    """The shares of reference/judge.csv, before the fleet's own bottles are counted."""
    names = ("rich_prior", "rich_prior_pressurised", "dirt_prior", "other_prior", "sister_prior")
    return Shares(*(constant(n) for n in names))


def oddity_chances(b: Bottles, shares: Shares) -> Floats:
    """Chance of each oddity before a bottle's results are seen (C, N, 4), sum 1; a drain stream on record joins the
    rich.
    """
    rich = np.where(b.pressurised, shares.rich_valve, shares.rich)
    rich = np.where(b.drain, 1 - (1 - rich) * (1 - constant("rich_prior_drain_stream")), rich)
    dirt = np.full(rich.shape, shares.dirt if "Si_ppm" in b.metals else 0.0)
    other = shares.other + np.where(np.isfinite(b.sister), shares.sister, 0.0)
    return np.stack([1 - rich - dirt - other, rich, dirt, other], axis=-1)


def another_density(b: Bottles, shares: Shares) -> Floats:
    """Log density of each bottle's results if it is of another compartment (C, N): any of the kind, or the sister drawn
    on that day.
    """
    others = np.sqrt((_OTHER_WIDE * b.sd) ** 2 + b.tau**2 + b.doubt**2)
    x = b.v / others
    logs = np.where(b.v_below, np.log(student_cdf(x)), student_log_density(x) - np.log(others)) * b.exponent
    ranged = np.isfinite(b.v_low)
    if ranged.any():
        ends = (student_cdf(e / others) for e in (b.v_high, b.v_low))
        inside = np.log(np.maximum(np.subtract(*ends), _LEAST))
        logs = np.where(ranged, inside * b.exponent, logs)
    conditions = np.nansum(logs, axis=2)
    middle, sd = b.pooled
    z = (np.log(np.maximum(b.y, 0) + 1) - middle) / sd
    density = student_log_density(z) - np.log(sd) - np.log(np.maximum(b.y, 0) + 1)
    beyond = np.where(b.y_above, -z, z)
    pooled = np.nansum(np.where(b.y_below | b.y_above, np.log(student_cdf(beyond)), density), axis=2)
    has = np.isfinite(b.sister)
    own = shares.other / (shares.other + np.where(has, shares.sister, 0.0))
    with np.errstate(divide="ignore"):
        return np.asarray(
            conditions + np.logaddexp(np.log(own) + pooled, np.log1p(-own) + np.where(has, b.sister, -np.inf))
        )


def student_cdf(x: Floats) -> Floats:
    """Chance of a value below x: Student's t with 5 degrees of freedom scaled to unit variance (Abramowitz and Stegun
    26.7.3).
    """
    angle = np.arctan(x / np.sqrt(3.0))
    cos = np.cos(angle)
    inside = angle + np.sin(angle) * (cos + (2 / 3) * cos**3)
    return np.asarray(np.clip(0.5 + inside / np.pi, 1e-9, 1.0))
