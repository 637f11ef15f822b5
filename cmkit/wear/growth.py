"""A rate that grows steadily, beside the wear filter: is a path speeding up, and by how much?

The filter takes the rate for a random walk without a trend, so it follows a path that speeds up late. Let the rate grow
by g (ppm/h per h) besides. What filter and truth then differ by is linear in g, e = (level, rate) per unit of g:

    before a result  u1 = phi e1 + psi e2 + psi d/2,  u2 = e2 + d      (d hours, psi effective hours of the interval)
    after it         e = (u1, u2) - K u1              (K: the filter's own gain)

and the innovation nu has mean u1 g, so that g has precision sum u1^2/S and mean sum u1 nu/S over it: with a normal
prior of mean 0 the two-stage form of the filter of level, rate and g together (Friedland 1969, Treatment of bias in
recursive filtering, IEEE Transactions on Automatic Control 14, from memory), equal to it where the noise does not
depend on the state. A believed change of rate (`wear.change`) begins anew.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cmkit.records.constants import constant
from cmkit.wear.change import CLIP

Floats = NDArray[np.float64]
PRIOR = constant("wear", "growth_share") / 1000  # of the rate, per hour


@dataclass
class Growth:
    """Running sums of B series: e of level (h^2) and rate (h), and sums of u1 nu/S and u1^2/S. Changed in place."""

    level: Floats
    rate: Floats
    num: Floats
    den: Floats

    @classmethod
    def start(cls, size: int) -> "Growth":
        """Nothing seen yet of `size` series."""
        return cls(*np.zeros((4, size)))

    def rows(self, part: slice) -> "Growth":
        """Some of the series, on the same arrays."""
        return Growth(self.level[part], self.rate[part], self.num[part], self.den[part])

    def advance(
        self,
        interval: tuple[Floats, Floats, Floats],
        nu: Floats,
        s: Floats,
        *,
        gain: tuple[Floats, Floats],
        weight: Floats,
    ) -> None:
        """One sample of every series; interval: phi (NaN after a series' last sample), psi and hours since the sample
        before (NaN at the first); the rest as in `wear.change.advance`.
        """
        phi, psi, hours = interval
        d = np.nan_to_num(hours)
        moved = phi * self.level + psi * (self.rate + d / 2)
        per_s = moved * ((weight > 0) / s)
        bound = CLIP * np.sqrt(s)
        live = np.isfinite(moved)
        after = (
            moved - moved * (gain[0] * weight),
            self.rate + d - moved * (gain[1] * weight),
            self.num + per_s * np.clip(nu, -bound, bound),
            self.den + moved * moved * (weight / s),
        )
        for own, new in zip((self.level, self.rate, self.num, self.den), after, strict=True):
            np.copyto(own, new, where=live)

    def clear(self, hit: NDArray[np.int64]) -> None:
        """Forget what was seen of the series in `hit`: their rate has changed."""
        for own in (self.level, self.rate, self.num, self.den):
            own[hit] = 0.0

    def found(self, rate: Floats) -> tuple[Floats, Floats]:
        """Mean g (ppm/h per h) and variance for paths that speed up; 0 and 0 where g is not above 0: a path that slows
        down is not carried on.

        rate: what g is measured by, ppm/h (B,): its prior sd is a share of the rate per hour.
        """
        variance = 1 / (self.den + 1 / (PRIOR * np.maximum(rate, 1e-12)) ** 2)
        up = self.num > 0
        return np.where(up, variance * self.num, 0.0), np.where(up, variance, 0.0)
