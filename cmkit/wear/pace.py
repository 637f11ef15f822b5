"""What the next bottle of a compartment with a growing fault may show, by the pace since the bottle before.

The forecast of the wear filter (`forecast`) is for a compartment that goes on as it was: of results that a fault moves
it holds a quarter where it should hold 8 in 10, since a defect grows. Here the fluid stays in and nothing is done.
"""

from dataclasses import dataclass

import numpy as np

from cmkit.records.constants import constant


@dataclass(frozen=True)
class Newest:
    """A result on the newest bottle, what is left in it of the level at the bottle before (both in the result's unit),
    and the hours that count since then (h), as `exposure` gives them."""

    value: float
    left: float
    hours: float

    @property
    def pace(self) -> float:
        """Rise an hour; NaN without hours."""
        return (self.value - self.left) / self.hours if self.hours > 0 else float("nan")


def next_at_pace(newest: Newest, ahead_h: float, noise_floor: float, noise_share: float) -> tuple[float, float]:
    """Mean and standard deviation of the result after `ahead_h` more hours (h, > 0) on the same fluid; NaN where the
    result did not rise.

    noise_floor (the result's unit), noise_share (1): the laboratory's scatter, sd(v) = hypot(floor, share v). The pace
    is multiplied by `pace_growth` and known to `pace_spread` of it (reference/wear.csv, which says how both were
    chosen). Derived here.
    """
    if not newest.pace > 0:
        return float("nan"), float("nan")
    growth, spread = (constant("wear", name) for name in ("pace_growth", "pace_spread"))
    mean = newest.value + growth * newest.pace * ahead_h
    now, then = (float(np.hypot(noise_floor, noise_share * v)) for v in (newest.value, mean))
    carried = now * (1 + growth * ahead_h / newest.hours)
    return mean, float(np.sqrt(then**2 + carried**2 + (spread * newest.pace * ahead_h) ** 2))
