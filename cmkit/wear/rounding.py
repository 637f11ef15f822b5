"""The step a laboratory rounds its results to, learnt from the results: it sets how much of their scatter is rounding
alone.

A result rounded to a step s is off by an error spread evenly over -s/2..s/2, variance s^2/12 (moments of the uniform
distribution).
"""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cmkit.records.censoring import flags
from cmkit.records.constants import constant

_TIMES = (100, 50, 20, 10, 5, 2, 1)  # steps tried, times the unit of the register's decimals
_HARMONICS = 50
_NOTHING = 40.0  # a harmonic that has fallen by exp(-40) adds nothing to the sum
_NEARLY_ALL = constant("wear", "rounding_share")
_FEWEST, _LEAST_STEPS = int(constant("wear", "rounding_fewest")), int(constant("wear", "rounding_least_steps"))


def rounding_step(values: np.ndarray, unit: float) -> float:
    """Largest step of 1, 2, 5, 10, ... times `unit` of which nearly all results (> 0) are whole multiples; NaN where
    too few say so.
    """
    values = values[np.isfinite(values) & (values > 0)]
    if len(values) < _FEWEST:
        return float("nan")
    for times in _TIMES:
        whole = np.round(values / (times * unit))
        exact = np.abs(values - whole * times * unit) <= 1e-6 * unit * times
        if exact.mean() >= _NEARLY_ALL and len(np.unique(whole[exact])) >= _LEAST_STEPS:
            return times * unit
    return float("nan")


def repeated_error(step: ArrayLike, sd: ArrayLike) -> NDArray[np.float64]:
    """Variance (ppm^2) of the part of a rounding error that repeats whenever the level does, for results rounded to
    `step` (ppm) with scatter `sd` (ppm) before they are rounded; shapes broadcast.

    Scatter spreads the error over the steps: with normal scatter the k-th harmonic of the error, s/(pi k), falls by
    exp(-2 pi^2 k^2 sd^2/s^2), so the variance that is left is sum s^2/(2 pi^2 k^2) exp(-4 pi^2 k^2 sd^2/s^2): s^2/12
    without scatter, nearly none from sd = s/2 on (statistical theory of quantization, Widrow 1956; from memory).
    """
    s, scatter = np.broadcast_arrays(np.asarray(step, float), np.asarray(sd, float))
    ratio = np.divide(scatter, s, out=np.zeros(s.shape), where=s > 0)
    fall = 4 * np.pi**2 * np.ravel(ratio) ** 2
    total, left = np.zeros(fall.size), np.arange(fall.size)
    for k in range(1, _HARMONICS + 1):
        left = left[k * k * fall[left] < _NOTHING]
        total[left] += np.exp(-k * k * fall[left]) / (k * k)
    return np.asarray(s**2 / (2 * np.pi**2) * total.reshape(s.shape))


def bottle_steps(samples: pd.DataFrame, analytes: list[str], register: pd.DataFrame) -> pd.DataFrame:
    """The step behind each result: rows of `samples`, columns `analytes`; learnt for each laboratory and analyte.

    An analyte with too few results above its reporting limit has the middle step of the laboratory's other analytes of
    as many decimals.
    """
    lab = (samples["lab"] if "lab" in samples else pd.Series(index=samples.index, dtype="str")).fillna("")
    unit = pd.Series({a: float(10.0 ** -np.nan_to_num(register.loc[a, "decimals"])) for a in analytes}, dtype=float)
    limits = flags(samples, analytes, "below") | flags(samples, analytes, "above")
    exact = {a: samples[a].mask(limits[:, i]).groupby(lab) for i, a in enumerate(analytes)}
    found = pd.DataFrame({a: {k: rounding_step(v.to_numpy(float), unit[a]) for k, v in exact[a]} for a in analytes})
    usual = found.T.groupby(unit).transform("median").T.reindex(columns=analytes)
    steps = found.fillna(usual).fillna(unit)
    return steps.reindex(lab).set_axis(samples.index).astype(float)
