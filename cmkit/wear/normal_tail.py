"""The lower tail of the normal distribution: logarithm of the chance and mean beyond a bound, both from one evaluation
of the scaled complementary error function.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx

Floats = NDArray[np.float64]
_ROOT_HALF, _ROOT_TWO_OVER_PI = 0.5**0.5, (2 / np.pi) ** 0.5
_SURE = 37.0  # beyond it the chance is 1 to the last bit, and erfcx would soon overflow


def lower_tail(x: Floats) -> tuple[Floats, Floats]:
    """log Phi(x), and Mills' ratio phi(x) / Phi(x); any x, to 2e-13.

    From erfcx(t) = exp(t^2) erfc(t), t = -x / sqrt 2: Phi(x) = exp(-x^2/2) erfcx(t) / 2, so that neither
    underflows (Abramowitz and Stegun 1964, 7.1 and 26.2.29).
    """
    low = np.minimum(x, _SURE)
    scaled = erfcx(-_ROOT_HALF * low)
    return np.minimum(np.log(0.5 * scaled) - 0.5 * low * low, 0.0), _ROOT_TWO_OVER_PI / scaled
