"""Medians of many groups at once, on arrays."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def medians_by(group: NDArray[np.int64], values: Floats, size: int) -> tuple[Floats, NDArray[np.int64]]:
    """Median (NaN where there is none) and number of the finite values of each of `size` groups."""
    seen = np.isfinite(values)
    group, values = group[seen], values[seen]
    in_order = values[np.lexsort((values, group))]
    count = np.bincount(group, minlength=size)
    first = np.cumsum(count) - count
    out, some = np.full(size, np.nan), count > 0
    low, high = (in_order[(first + half)[some]] for half in ((count - 1) // 2, count // 2))
    out[some] = (low + high) / 2
    return out, count
