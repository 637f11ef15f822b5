"""Delay from a detectable defect to functional failure: its distribution, and where to put quadrature points on it.

The delay is Weibull with a shape and a mean (shape 1: exponential); a shape of zero or less means a fixed delay.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.polynomial.legendre import leggauss
from scipy.special import gamma

_BEYOND = (
    7.0  # own choice: quick rules lump delays exceeded with chance e^-7; share caught to .0002 (rms) of a fine rule
)
Array = Any  # a float array, or a number where one compartment is meant: everything here broadcasts


def delay_scale(mean_h: Array, shape: Array) -> Array:
    """Weibull scale (h) of a delay with this mean (h > 0) and shape (> 0): mean / Gamma(1 + 1/shape)."""
    return mean_h / gamma(1 + 1 / shape)


def delay_survival(h: Array, mean_h: Array, shape: Array) -> Array:
    """Chance that the delay exceeds h hours (h >= 0); shape <= 0 is a fixed delay. Arrays broadcast."""
    fixed = np.asarray(shape) <= 0
    safe = np.where(fixed, 1.0, shape)
    weibull = np.exp(-((np.maximum(h, 0) / delay_scale(mean_h, safe)) ** safe))
    return np.where(fixed, np.asarray(h) < mean_h, weibull)


def delay_reach(mean_h: Array, shape: Array, exponent: float) -> Array:
    """Delay (h) that is exceeded with chance exp(-exponent)."""
    return delay_scale(mean_h, shape) * exponent ** (1 / shape)


def raised(x: Array, power: Array) -> Array:
    """x to a power; the usual ones, 1 and 2, without a logarithm. Arrays broadcast."""
    for usual in (1, 2):
        if np.all(power == usual):
            return x * x if usual == 2 else +x
    return x**power


@cache
def gauss(points: int) -> tuple[Array, Array]:
    """Gauss-Legendre points and weights on (-1, 1)."""
    return leggauss(points)


@dataclass(frozen=True)
class Rule:
    """How finely to integrate one group of compartments.

    phase: points over the time from the start of a defect to the first sample; intervals: sampling intervals in one
    panel of delay (more than one where they are short beside the delay); parts and points: Gauss rules in each panel;
    exponent: delays beyond the one that is exceeded with chance exp(-exponent) are lumped into the last panel.
    """

    phase: int
    intervals: int
    parts: int
    points: int
    exponent: float

    def delay_points(self) -> tuple[Array, Array]:
        """Points in (0, 1) and weights that add up to 1: Gauss-Legendre on each of `parts` equal parts."""
        x, w = gauss(self.points)
        left = np.arange(self.parts)[:, None]
        return ((left + (x + 1) / 2) / self.parts).ravel(), np.tile(w / 2 / self.parts, self.parts)

    def phase_points(self) -> tuple[Array, Array]:
        """Gauss-Legendre points in (0, 1) and weights that add up to 1."""
        x, w = gauss(self.phase)
        return (x + 1) / 2, w / 2


def integration_rule(ratio_class: int, fine: bool) -> Rule:
    """Rule for intervals of up to 2**ratio_class spreads of the delay (see :func:`ratio_class`); `fine` costs about ten
    times more.
    """
    ratio = 2.0**ratio_class
    parts = max(1, int(np.ceil(ratio / 0.5)))
    if fine:
        return Rule(int(np.clip(10 * ratio + 10, 10, 40)), 1, 2 * parts, 5, 20.0)
    if ratio < 0.1:
        return Rule(2, max(1, round(1 / 12 / ratio)), 1, 1, _BEYOND)
    points = 2 if ratio < 0.3 else 3 if ratio <= 0.5 else 4
    return Rule(int(np.clip(np.ceil(3 + 6 * ratio), 3, 14)), 1, parts, points, _BEYOND)


def ratio_class(every_h: float, mean_h: Array, shape: Array) -> Array:
    """Intervals as a power of two of the delay's spread, rounded up and kept within -9..5: compartments of one class
    share a rule.

    The spread is the mean delay up to shape 2 and shrinks as 2/shape beyond, as the density gets narrower.
    """
    spread = mean_h * np.minimum(1.0, 2 / shape)
    return np.clip(np.ceil(np.log2(every_h / spread)), -9, 5).astype(int)


def weibull_nodes(edges: Array, width: Array, rule: Rule, mean_h: Array, shape: Array) -> tuple[Array, Array]:
    """Delays and weights on the panels that begin at `edges` (J, M), each `width` (M,) long; the last one reaches to
    infinity.

    Weights of a panel add up to the exact probability of the panel, so that coarse rules keep the mass right. mean_h,
    shape: (M,). Returns h and weight of shape (J, points, M).
    """
    x, w = rule.delay_points()
    scale = delay_scale(mean_h, shape)
    h = edges[:, None] + width * x[:, None]
    power = raised(h / scale, shape)
    weight = w[:, None] * power / h * np.exp(-power)
    survival = np.exp(-raised(edges / scale, shape))
    mass = survival.copy()
    mass[:-1] -= survival[1:]
    total = weight.sum(axis=1)
    safe = np.where(total > 0, total, 1.0)
    share = np.where((total > 0)[:, None], weight / safe[:, None], w[:, None])
    return h, mass[:, None] * share
