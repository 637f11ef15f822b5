"""Series of the wear filter whose effective hours are tried otherwise: how likely they are when each interval counts
more or less than it does.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.records.analytes import by_rule
from cmkit.wear.family import fit_kinds
from cmkit.wear.group_fit import CONSTANTS, chosen_series
from cmkit.wear.likelihood import Series
from cmkit.wear.profile import worth
from cmkit.wear.series_arrays import Panel, panel

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


def fitted_hours(
    exposure: pd.DataFrame, samples: pd.DataFrame, register: pd.DataFrame, steps: pd.DataFrame, *, sweeps: int
) -> tuple[TriedHours, pd.DataFrame]:
    """Series of every kind of `exposure` by the numbers of their families, and their compartment, family and kind.

    samples: wide results; register: analytes; steps: `wear.family.rate_steps`; sweeps: of the fit.
    """
    data = panel(exposure, samples, [a for a in by_rule(register, "rate") if a in samples])
    series = data.series.join(data.lives[["compartment", "kind", "family"]], on="life_row")
    groups, theta, _ = fit_kinds(data, series, register, steps.reindex(exposure["sample"]), sweeps=sweeps)
    number, rows = chosen_series(series, "kind", groups)
    return TriedHours(data, rows, groups[CONSTANTS].to_numpy(float)[number], theta[number]), series.iloc[rows]


def profile_by_kind(
    tried: TriedHours, series: pd.DataFrame, values: Floats, times: Callable[[float], Floats]
) -> tuple[pd.Index, Floats, Floats]:
    """Kinds (K); log likelihood of each where effective hours count times(v), for evenly spaced values v (V, K); and
    what it is worth (K, `wear.profile.worth`). series: of :func:`fitted_hours`.
    """
    of, kinds = pd.factorize(series["kind"])
    scores = np.array([tried.score(times(v)) for v in values])
    total = np.array([np.bincount(of, s, len(kinds)) for s in scores])
    at = np.clip(total.argmax(axis=0), 1, len(values) - 2)
    near = tuple(scores[at[of] + k, np.arange(len(of))] for k in (-1, 0, 1))
    return kinds, total, worth(near, float(values[1] - values[0]), of, series["compartment"].to_numpy(object))
