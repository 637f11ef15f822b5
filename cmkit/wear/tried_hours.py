"""Series of the wear filter whose effective hours are tried otherwise: how likely they are when each interval counts
more or less than it does.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cmkit.wear.likelihood import Series
from cmkit.wear.series_arrays import Panel

Floats = NDArray[np.float64]


class TriedHours:
    """Some series of a panel, by the numbers fitted for their groups."""

    def __init__(self, data: Panel, rows: NDArray[np.int64], constants: Floats, theta: Floats) -> None:
        """rows: the S series; constants, theta: of each of them (`wear.group_fit`)."""
        self._life = data.series["life_row"].to_numpy()[rows]
        own = {name: table[self._life] for name, table in data.exposure.items()}
        fresh = np.broadcast_to(np.asarray(data.fresh, float), len(data.y))[rows]
        self._data = replace(data, exposure=own, y=data.y[rows], censored=data.censored[rows], fresh=fresh)
        self._bottle, self._constants, self._theta = data.bottle[self._life], constants, theta

    def of_bottles(self, values: Floats, otherwise: float) -> Floats:
        """Values (..., bottles) of the exposure's rows as (..., S, n): each series' own, `otherwise` where there is no
        bottle and where a value is not known.
        """
        own = np.where(self._bottle >= 0, values[..., self._bottle], otherwise)
        return np.where(np.isnan(own), otherwise, own)

    def score(self, times: Floats) -> Floats:
        """Log likelihood of each series (S,) with its effective hours times `times` (S, n)."""
        psi = self._data.exposure["psi"] * times
        at = replace(self._data, exposure=self._data.exposure | {"psi": psi})
        every = np.arange(len(self._theta))
        return Series.of(at, every, every, self._constants).log_likelihood(self._theta)
