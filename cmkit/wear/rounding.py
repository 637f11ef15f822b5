"""The step a laboratory rounds its results to, learnt from the results: it sets how much of their scatter is rounding
alone.

A result rounded to a step s is off by an error spread evenly over -s/2..s/2, variance s^2/12 (moments of the uniform
distribution).
"""

import numpy as np
import pandas as pd

from cmkit.records.censoring import flags
from cmkit.records.constants import constant

_TIMES = (100, 50, 20, 10, 5, 2, 1)  # steps tried, times the unit of the register's decimals
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
