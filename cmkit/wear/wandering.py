"""How far wear rates wander, learnt for each kind of compartment: the drift share eta of the wear filter, whose rate
moves by eta beta sqrt(hours/1000) between bottles (a random walk).

One series hardly tells drift from the load of an interval; all metals of a kind together do. eta is the mean of the
pooled robust likelihood of the filter's forecasts (`wear.group_fit`) on a grid, times a log-normal prior about the
usual share (`wear.profile`), and not below a least share: in short records slow wandering passes for load, and a rate
that is held too fast is believed too much. Spread of rates, laboratory scatter and load are fitted anew at each share
tried.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.records.constants import constant
from cmkit.wear.filter import DRIFT_SHARE
from cmkit.wear.group_fit import CONSTANTS, LOOSE, chosen_series, fit_groups
from cmkit.wear.likelihood import Series
from cmkit.wear.profile import posterior, worth
from cmkit.wear.series_arrays import Panel

Floats = NDArray[np.float64]
_LOG_SD = constant("wear", "drift_log_sd")
_LEAST, _MOST = constant("wear", "drift_least"), constant("wear", "drift_most")
_TRIED = np.linspace(np.log(_LEAST / DRIFT_SHARE), np.log(_MOST / DRIFT_SHARE), 6)  # log(eta / usual)
_NEAR = 0.3
_FREE = (1, 3, 2)  # columns of the parameters fitted at each share tried


def drift_of_kinds(data: Panel, series: pd.DataFrame, groups: pd.DataFrame, theta: Floats, centre: Floats) -> pd.Series:
    """Drift share (per sqrt(1000 h)) by kind, from `wear.family.fit_kinds`' facts, parameters and centre of kinds and
    analytes.
    """
    costs, thetas = [], []
    for x in _TRIED:
        at = groups.assign(drift_share=DRIFT_SHARE * np.exp(x))
        best, cost = fit_groups(data, series, "kind", at, (centre, LOOSE), start=theta, free=_FREE, sweeps=1)
        costs.append(pd.Series(cost).groupby(groups["kind"]).sum())
        thetas.append(best)
    cost = pd.concat(costs, axis=1)
    kind = pd.Index(cost.index).get_indexer(groups["kind"])
    nearest = np.clip(cost.to_numpy().argmin(axis=1), 1, len(_TRIED) - 2)
    own = np.array(thetas)[nearest[kind], np.arange(len(groups))]
    counts = _worth(data, series, groups, own, (kind, _TRIED[nearest]))
    said = [posterior(_TRIED, -c * w, _LOG_SD)[0] for c, w in zip(cost.to_numpy(), counts, strict=True)]
    return pd.Series(DRIFT_SHARE * np.exp(said), index=cost.index)


def _worth(
    data: Panel, series: pd.DataFrame, groups: pd.DataFrame, theta: Floats, likeliest: tuple[NDArray[np.int64], Floats]
) -> Floats:
    kind, best = likeliest
    number, rows = chosen_series(series, "kind", groups)
    life = series["life_row"].to_numpy()[rows]
    scores = []
    for step in (-_NEAR, 0.0, _NEAR):
        at = groups.assign(drift_share=DRIFT_SHARE * np.exp(best[kind] + step))
        scores.append(Series.of(data, life, rows, at[CONSTANTS].to_numpy(float)[number]).log_likelihood(theta[number]))
    place = data.lives["compartment"].to_numpy()[life]
    return worth((scores[0], scores[1], scores[2]), _NEAR, kind[number], place)
