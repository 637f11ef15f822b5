"""Control charts of one series, for what a person looks at: exponentially weighted average and cumulative sum. The
fleet is judged by the filter.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Chart:
    """A statistic per point with its limits, and which points signal. Arrays [n]."""

    statistic: Floats
    lower: Floats
    upper: Floats
    signal: NDArray[np.bool_]


def ewma_chart(y: ArrayLike, target: float, sd: float, weight: float = 0.3, width: float = 3.0) -> Chart:
    """Exponentially weighted moving average about `target` (NIST/SEMATECH e-Handbook 6.3.2.4).

    y [n] in order of time; sd of one value, > 0; weight of the newest, in (0, 1]; width in sd of the statistic. The
    limits are those of point i, narrower at first, not only the ones it settles to. Raises ValueError outside these
    ranges.
    """
    if not (0 < weight <= 1 and sd > 0 and width > 0):
        raise ValueError(
            f"weight {weight:g}, sd {sd:g}, width {width:g}; wanted 0 < weight <= 1 and both others above zero"
        )
    y = np.asarray(y, float)
    value, out = target, np.empty(len(y))
    for i, x in enumerate(y):
        value = weight * x + (1 - weight) * value
        out[i] = value
    shrink = weight / (2 - weight) * (1 - (1 - weight) ** (2 * np.arange(1, len(y) + 1)))
    half = width * sd * np.sqrt(shrink)
    return Chart(out, target - half, target + half, np.abs(out - target) > half)


def cusum_chart(y: ArrayLike, target: float, slack: float, decision: float) -> tuple[Chart, Chart]:
    """Cumulative sums above and below `target` (tabular form, NIST/SEMATECH e-Handbook 6.3.2.3): high side, low side.

    y [n] in order of time; slack: what is let pass per point, half the shift looked for; decision: the sum that
    signals; all in y's unit, slack >= 0, decision > 0. Raises ValueError outside these ranges.
    """
    if not (slack >= 0 and decision > 0):
        raise ValueError(
            f"slack {slack:g}, decision {decision:g}; wanted slack of zero or more and a decision above zero"
        )
    y = np.asarray(y, float)
    return _one_side(y - target - slack, decision), _one_side(target - y - slack, decision)


def _one_side(step: Floats, decision: float) -> Chart:
    total, out = 0.0, np.empty(len(step))
    for i, s in enumerate(step):
        total = max(total + s, 0.0)
        out[i] = total
    n = len(step)
    return Chart(out, np.zeros(n), np.full(n, decision), out > decision)
