"""One number of a whole kind of compartment from the pooled likelihood of its series on a grid of values: what is
believed of it, and how much the likelihood is worth.

Metals of one bottle share errors (the bottle, the load, a change), so the pooled likelihood claims too much. Its
curvature H is set against the scatter J of its slope between compartments: what it says is weighted by H/J where that
is below 1 (composite likelihood and its sandwich variance; Varin, Reid and Firth 2011, Statistica Sinica 21, from
memory).
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_FINE = 201  # points of the grid on which the posterior is summed


def worth(
    scores: tuple[Floats, Floats, Floats], near: float, kind: NDArray[np.int64], place: NDArray[np.object_]
) -> Floats:
    """Per kind 0..K-1: curvature of the likelihood over the scatter of its slope between compartments, 0 to 1.

    scores: log likelihood of each series (S,) at a step `near` below, at and above the likeliest value; kind, place: of
    each series its kind's number and its compartment.
    """
    down, here, up = scores
    count = int(kind.max(initial=-1)) + 1
    slope = pd.Series((up - down) / (2 * near)).groupby([kind, place]).sum().groupby(level=0)
    scatter = (slope.var() * slope.size()).reindex(range(count)).to_numpy()
    curvature = -np.bincount(kind, (up - 2 * here + down) / near**2, count)
    says = (scatter > 0) & (curvature > 0)
    return np.where(says, np.minimum(curvature / np.where(says, scatter, 1.0), 1.0), 0.0)


def posterior(tried: Floats, log_likelihood: Floats, sd: float) -> tuple[float, float]:
    """Mean and sd of a number under a normal prior of mean 0 and spread `sd`, by quadrature on a fine grid (polynomial
    of fourth degree through the values tried).
    """
    x = np.linspace(tried[0], tried[-1], _FINE)
    y = np.polynomial.Polynomial.fit(tried, log_likelihood, 4)(x) - 0.5 * (x / sd) ** 2
    weight = np.exp(y - y.max())
    mean = float((weight * x).sum() / weight.sum())
    return mean, float(np.sqrt((weight * (x - mean) ** 2).sum() / weight.sum()))
