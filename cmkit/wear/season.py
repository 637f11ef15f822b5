"""The time of the year in the wear of a site: dust and load that come back every year.

Where it is seen the wear of a compartment at time t is beta g(t), g(t) = 1 + a sin(w t) + b cos(w t), w = 2 pi / 365.25
days (the first harmonic of a year; further ones would need more years than fleets have). beta, the rate of a mean day
of the year, is what the filter follows: the effective hours of an interval count with the mean of g over its days,

    G(t0, t1) = 1 + [a (cos w t0 - cos w t1) + b (sin w t1 - sin w t0)] / (w (t1 - t0))

a and b are one pair for a kind of compartment at a site: two Newton steps on the pooled robust likelihood of the
filter's forecasts with a normal prior (`wear.group_fit`), weighted by what it is worth (`wear.profile`), and believed
where they gain enough of it over bottles of a year and a half or more.
"""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cmkit.records.analytes import by_rule
from cmkit.records.constants import constant
from cmkit.tables.frames import empty, typed
from cmkit.wear.family import fit_kinds
from cmkit.wear.group_fit import CONSTANTS, chosen_series
from cmkit.wear.profile import worth
from cmkit.wear.series_arrays import panel
from cmkit.wear.tried_hours import TriedHours

Floats = NDArray[np.float64]
_YEAR_D = 365.25
_W = 2 * np.pi / _YEAR_D
_SD, _GAIN = constant("wear", "season_sd"), constant("wear", "season_log_likelihood")
_LEAST_D, _MOST = constant("wear", "season_least_years") * _YEAR_D, constant("wear", "season_most")
_STEP = 0.08  # over which derivatives are taken
_SWEEPS, _NEWTON = 3, 2


def harmonics(start: ArrayLike, end: ArrayLike) -> Floats:
    """Means of sin and cos of the time of the year from `start` to `end` (days since 1970, end >= start), (2, ...);
    their values where both are one day.
    """
    t0, t1 = np.asarray(start, float), np.asarray(end, float)
    half = _W * np.maximum(t1 - t0, 0.0) / 2
    middle, flat = _W * (t0 + t1) / 2, np.sinc(half / np.pi)
    return np.stack([np.sin(middle) * flat, np.cos(middle) * flat])


def days_of(dates: pd.Series) -> Floats:
    """Days since 1970-01-01 of dates."""
    return np.asarray((dates - pd.Timestamp(0)) / pd.Timedelta(days=1), float)


def season_factor(rows: pd.DataFrame, seasons: pd.DataFrame, start: ArrayLike, end: ArrayLike) -> Floats:
    """G(start, end) of each row (columns kind, site); 1 where nothing is learnt. start, end: days since 1970."""
    found = rows[["kind", "site"]].merge(seasons, on=["kind", "site"], how="left")[["sin_share", "cos_share"]]
    shares = found.fillna(0.0).to_numpy(float).T
    return np.asarray(1 + (shares * np.nan_to_num(harmonics(start, end))).sum(axis=0))


def with_season(exposure: pd.DataFrame, seasons: pd.DataFrame) -> pd.DataFrame:
    """`exposure` (`wear.exposure`) whose effective hours count by the time of the year; column season: g on the day of
    the bottle.
    """
    if seasons.empty:
        return exposure
    start, end = _interval(exposure)
    times = season_factor(exposure, seasons, start, end)
    season = season_factor(exposure, seasons, end, end)
    return exposure.assign(psi=exposure["psi"] * times, sd_psi=exposure["sd_psi"] * times, season=season)


def _interval(exposure: pd.DataFrame) -> tuple[Floats, Floats]:
    """Days of the bottle before and of the bottle; a whole year for the first bottle of a life."""
    end = days_of(exposure["drawn_on"])
    before = exposure.groupby(["compartment", "life"])["drawn_on"].shift()
    return np.where(before.isna(), end - _YEAR_D, days_of(before)), end


def learn_seasons(
    exposure: pd.DataFrame, samples: pd.DataFrame, register: pd.DataFrame, steps: pd.DataFrame
) -> pd.DataFrame:
    """Per kind and site whose wear follows the year: sin_share, cos_share (a, b) and the log likelihood they gain.

    exposure: `sample_exposure`; samples: wide results; steps: `wear.family.rate_steps`.
    """
    day = exposure.groupby(["kind", "site"])["drawn_on"].agg(["min", "max"])
    long = day.index[day["max"] - day["min"] >= pd.Timedelta(days=_LEAST_D)]
    exposure = exposure[pd.MultiIndex.from_frame(exposure[["kind", "site"]]).isin(long)].reset_index(drop=True)
    if exposure.empty:
        return empty("seasons")
    data = panel(exposure, samples, [a for a in by_rule(register, "rate") if a in samples])
    site = exposure.drop_duplicates("compartment").set_index("compartment")["site"]
    series = data.series.join(data.lives[["compartment", "kind", "family"]], on="life_row")
    series["site"] = series["compartment"].map(site)
    groups, theta, _ = fit_kinds(data, series, register, steps.reindex(exposure["sample"]), sweeps=_SWEEPS)
    number, rows = chosen_series(series, "kind", groups)
    kept = series.iloc[rows]
    of, keys = pd.factorize(pd.MultiIndex.from_frame(kept[["kind", "site"]]))
    hours = TriedHours(data, rows, groups[CONSTANTS].to_numpy(float)[number], theta[number])
    tried = _Tried(hours, hours.of_bottles(harmonics(*_interval(exposure)), otherwise=0.0))
    shares, gain = _newton(tried, of, kept["compartment"].to_numpy(), len(keys))
    out = pd.DataFrame(list(keys), columns=["kind", "site"]).assign(
        sin_share=shares[:, 0], cos_share=shares[:, 1], log_likelihood=gain
    )
    return typed(out[out["log_likelihood"] >= _GAIN].sort_values(["kind", "site"], ignore_index=True), "seasons")


class _Tried:
    """Series of a panel whose effective hours are tried with other seasons."""

    def __init__(self, hours: TriedHours, waves: Floats) -> None:
        """waves: means of sin and cos over the interval before each bottle (2, S, n)."""
        self.hours, self.waves = hours, waves

    def score(self, a: Floats, b: Floats) -> Floats:
        """Log likelihood of each series with its own a and b."""
        return self.hours.score(1 + a[:, None] * self.waves[0] + b[:, None] * self.waves[1])


def _newton(tried: _Tried, of: NDArray[np.int64], place: NDArray[np.object_], count: int) -> tuple[Floats, Floats]:
    """(a, b) of each group (count, 2) and the log likelihood they gain, as far as it is worth. of, place: group and
    compartment of each series.
    """
    x, weight = np.zeros((count, 2)), np.zeros(count)
    for _ in range(_NEWTON):
        here, up, down, both = _around(tried, x[of])
        weight = np.minimum(*(worth((down[k], here, up[k]), _STEP, of, place) for k in (0, 1)))
        slope, bend = np.zeros((count, 2)), np.zeros((count, 2, 2))
        for k in (0, 1):
            slope[:, k] = np.bincount(of, (up[k] - down[k]) / (2 * _STEP), count)
            bend[:, k, k] = np.bincount(of, (up[k] - 2 * here + down[k]) / _STEP**2, count)
        bend[:, 0, 1] = bend[:, 1, 0] = np.bincount(of, (both - up[0] - up[1] + here) / _STEP**2, count)
        precise = weight[:, None, None] * -bend + np.eye(2) / _SD**2
        x += np.linalg.solve(precise, (weight[:, None] * slope - x / _SD**2)[..., None])[..., 0]
        x *= np.minimum(1.0, _MOST / np.maximum(np.hypot(*x.T), 1e-9))[:, None]
    none = np.zeros(len(of))
    gained = tried.score(*x[of].T) - tried.score(none, none)
    return x, weight * np.bincount(of, gained, count)


def _around(tried: _Tried, x: Floats) -> tuple[Floats, list[Floats], list[Floats], Floats]:
    """Scores at x (S, 2), a step up and down in either direction, and up in both."""
    a, b = x.T
    up = [tried.score(a + _STEP, b), tried.score(a, b + _STEP)]
    down = [tried.score(a - _STEP, b), tried.score(a, b - _STEP)]
    return tried.score(a, b), up, down, tried.score(a + _STEP, b + _STEP)
