"""Condition of a fluid in use: reserve of base against acid, remaining life, water, and ratios that
tell sources apart.
"""

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import theilslopes

from cmkit.fluids.answer import Answer, undefined


def remaining_life(fluid_h: ArrayLike, value: ArrayLike, limit: float, direction: str = "down") -> Answer:
    """Operating hours from the newest of one fluid's results until a straight trend meets `limit`; 0 when it is there
    already.

    fluid_h [n]: hours on the fluid, distinct; value [n]: base number, acid number, ... in its unit, missing results
    left out; direction: the way that is bad. Slope: median of pairwise slopes (Theil-Sen, scipy). Undefined with fewer
    than three results, or when the trend does not go the bad way.
    """
    h, v = np.asarray(fluid_h, float), np.asarray(value, float)
    keep = np.isfinite(h) & np.isfinite(v)
    h, v = h[keep], v[keep]
    if len(np.unique(h)) < 3:
        return undefined(f"{len(np.unique(h))} result(s) of this fluid at different hours; a trend wants three")
    sign = -1.0 if direction == "down" else 1.0
    slope, intercept = _robust_line(h, sign * v)
    now = intercept + slope * h.max()
    if now >= sign * limit:
        return Answer(0.0)
    if slope <= 0:
        return undefined("the trend does not lead to the limit")
    return Answer(float((sign * limit - now) / slope))


def _robust_line(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Median of pairwise slopes (Theil-Sen) and the median of what is left: one wild result moves neither."""
    slope = float(theilslopes(y, x)[0])
    return slope, float(np.median(y - slope * x))


def acid_base_crossing(fluid_h: ArrayLike, base: ArrayLike, acid: ArrayLike) -> Answer:
    """Hours on the fluid at which the acid number meets the base number, both as straight trends (common practice:
    change by then).

    fluid_h, base, acid [n]: hours, mg KOH/g, mg KOH/g of one fluid's bottles. A crossing already seen is placed between
    its two bottles; otherwise the trends (Theil-Sen) are carried on. Undefined with fewer than two bottles, or when
    they do not approach.
    """
    h, gap = np.asarray(fluid_h, float), np.asarray(base, float) - np.asarray(acid, float)
    keep = np.isfinite(h) & np.isfinite(gap)
    order = np.argsort(h[keep], kind="stable")
    h, gap = h[keep][order], gap[keep][order]
    if len(np.unique(h)) < 2:
        return undefined("wants base and acid number of two bottles of this fluid at different hours")
    if gap[0] <= 0:
        return undefined("the acid number was at or above the base number from the first bottle on")
    crossed = np.flatnonzero(gap <= 0)
    if len(crossed):
        i = crossed[0]
        return Answer(float(h[i - 1] + (h[i] - h[i - 1]) * gap[i - 1] / (gap[i - 1] - gap[i])))
    slope, intercept = _robust_line(h, gap)
    if slope >= 0:
        return undefined("base and acid number do not approach one another")
    return Answer(float(-intercept / slope))


def water_ppm_from_percent(percent: ArrayLike) -> np.ndarray:
    """Water in ppm (mg/kg) from per cent by mass: 0.1 % = 1000 ppm."""
    return np.asarray(percent, float) * 10_000.0


def water_percent_from_ppm(ppm: ArrayLike) -> np.ndarray:
    """Water in per cent by mass from ppm (mg/kg)."""
    return np.asarray(ppm, float) / 10_000.0


def litres_of_water(ppm: float, charge_l: float, density_kg_l: float = 0.88) -> Answer:
    """Litres of water in a charge: what a result means in the sump. density of the oil in kg/l (0.88: common practice
    for mineral oil).
    """
    if not (math.isfinite(ppm) and ppm >= 0 and math.isfinite(charge_l) and charge_l > 0):
        return undefined(f"water {ppm:g} ppm in {charge_l:g} l; wanted a result and a charge")
    return Answer(ppm * 1e-6 * charge_l * density_kg_l)


def ratio(top: float, bottom: float, least: float = 1.0) -> Answer:
    """top / bottom of two results in one unit, such as Si:Al. Undefined while the bottom is below `least` (a ratio of
    traces is noise).
    """
    if not (math.isfinite(top) and math.isfinite(bottom)):
        return undefined("a result is missing")
    if bottom < least:
        return undefined(f"the lower result is {bottom:g}, below {least:g}; a ratio of traces says nothing")
    return Answer(top / bottom)
