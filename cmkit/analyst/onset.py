"""When did a wear rate change? One step in the rate, at an unknown hour, by weighted least squares
on effective hours.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.analyst.asked import unit_of
from cmkit.analyst.one_series import numbers_of, wear_series
from cmkit.assessment import Assessment
from cmkit.errors import ParameterError
from cmkit.records.constants import constant

Floats = NDArray[np.float64]
LEAST = 5  # results: two on either side and one to judge the scatter by
_STEPS = 8  # moments looked at within each interval
_SURE = constant("desk", "onset_ratio")


@dataclass(frozen=True)
class Onset:
    """When one rate gave way to another: run_h with its 90 % interval (h), the same as days, rates before and after
    (unit per 1,000 h).

    ratio: twice the gain in log likelihood of a change over none; believed: it is larger than chance would give in one
    series of twenty. moments: run_h and weight of each moment looked at, weights summing to 1.
    """

    compartment: str
    analyte: str
    run_h: float
    low_h: float
    high_h: float
    on: pd.Timestamp
    low_on: pd.Timestamp
    high_on: pd.Timestamp
    rate_before: float
    rate_after: float
    ratio: float
    believed: bool
    unit: str
    moments: pd.DataFrame

    @property
    def words(self) -> str:
        """The finding in one sentence."""
        if not self.believed:
            return (
                f"{self.compartment}, {self.analyte}: no change of rate beyond what chance gives (twice the log "
                f"likelihood ratio {self.ratio:.1f}, wanted {_SURE:g})"
            )
        return (
            f"{self.compartment}, {self.analyte}: the rate changed from {self.rate_before:.3g} to "
            f"{self.rate_after:.3g} {self.unit} per 1,000 h, "
            f"most likely about {self.on:%Y-%m-%d} (9 in 10: {self.low_on:%Y-%m-%d} to {self.high_on:%Y-%m-%d})"
        )

    def __repr__(self) -> str:
        return self.words


def onset(a: Assessment, compartment: str, analyte: str = "Fe_ppm", *, bottles: int | None = 30) -> Onset:
    """When the wear rate of one compartment changed, in its newest `bottles` results, with an interval
    (:class:`Onset`).

    One step in the rate at an unknown running hour, every hour equally likely before the data; scatter of the
    laboratory and the family's load from interval to interval, widened where the results scatter more than that.
    Changes and top-ups are allowed for. bottles: 5 or more; None for the whole life of the component. Raises
    ParameterError for names not known, an analyte without a wear rate, or fewer than five results. Source: least
    squares with one change point, Seber and Lee 2003 ch. 9 (from memory); the threshold is the 5 % point of the largest
    such ratio (Andrews 1993, one parameter; from memory).

    >>> cmkit.onset(a, "EX-01/hydraulic", "Cu_ppm")
    EX-01/hydraulic, Cu_ppm: the rate changed from ... to ... ppm per 1,000 h, most likely about 2026-... (9 in 10: ...)
    """
    data = wear_series(a, compartment, analyte, bottles)
    if len(data) < LEAST:
        raise ParameterError(f"compartment {compartment!r}: {len(data)} results of {analyte}; wanted {LEAST} or more.")
    noise = numbers_of(a, compartment, analyte)
    found = change_point(data, noise)
    day = dict(zip(("on", "low_on", "high_on"), _days(data, found.hours), strict=True))
    hours = dict(zip(("run_h", "low_h", "high_h"), map(float, found.hours), strict=True))
    moments = pd.DataFrame({"run_h": found.run_h, "weight": found.weight})
    before, after = 1000 * found.rates
    return Onset(
        compartment,
        analyte,
        **hours,
        **day,
        rate_before=float(before),
        rate_after=float(after),
        ratio=found.ratio,
        believed=found.ratio >= _SURE,
        unit=unit_of(a, analyte),
        moments=moments,
    )


@dataclass(frozen=True)
class ChangePoint:
    """hours: middle, low, high (h); rates before and after (unit/h); ratio; run_h and weight of the
    moments looked at.
    """

    hours: Floats
    rates: Floats
    ratio: float
    run_h: Floats
    weight: Floats


def change_point(data: pd.DataFrame, noise: pd.Series) -> ChangePoint:
    """The step in rate that fits best, of rows of `series`; noise: noise_floor, noise_share,
    load_share of the family.
    """
    run_h, y = data["run_h"].to_numpy(float), (data["value"] - data["chi"]).to_numpy(float)
    phi, psi, kept, step = (data[c].to_numpy(float) for c in ("phi", "psi", "kept", "effective_h"))
    whiten = _whitening(data, noise)
    flat = _rss(np.column_stack([phi, psi]), y, whiten)[0]
    places = [(i, f) for i in range(2, len(y) - 1) for f in (np.arange(_STEPS) + 0.5) / _STEPS]
    fits = [
        _rss(np.column_stack([phi, psi - late, late]), y, whiten)
        for late in (_after(kept, step, i, f) for i, f in places)
    ]
    rss = np.array([fit[0] for fit in fits])
    scatter = max(1.0, float(rss.min()) / max(len(y) - 4, 1))
    hours = np.array([run_h[i - 1] + f * (run_h[i] - run_h[i - 1]) for i, f in places])
    width = np.array([(run_h[i] - run_h[i - 1]) / _STEPS for i, _ in places])
    weight = width * np.exp(-(rss - rss.min()) / (2 * scatter))
    weight /= weight.sum()
    best = int(np.argmin(rss))
    spread = np.interp([0.5, 0.05, 0.95], np.cumsum(weight) - weight / 2, hours)
    return ChangePoint(spread, fits[best][1][1:], float((flat - rss.min()) / scatter), hours, weight)


def _after(kept: Floats, step: Floats, i: int, share: float) -> Floats:
    """Effective hours after a moment `share` of the way through the interval before bottle i, as
    seen by each bottle.
    """
    late = np.zeros_like(step)
    late[i] = (1 - share) * step[i]
    for k in range(i + 1, len(step)):
        late[k] = late[k - 1] * kept[k] + step[k]
    return late


def _whitening(data: pd.DataFrame, noise: pd.Series) -> Floats:
    """Inverse square root of the covariance of the results: laboratory scatter, and load that stays in the fluid until
    it is changed.
    """
    kept, step = data["kept"].to_numpy(float), data["effective_h"].to_numpy(float)
    usual = max(float(np.nanmean(data["rate"])), float(noise["rate_mean"]))
    covariance = np.zeros((len(kept), len(kept)))
    for i in range(1, len(kept)):
        covariance[i, :i] = covariance[:i, i] = kept[i] * covariance[i - 1, :i]
        covariance[i, i] = kept[i] ** 2 * covariance[i - 1, i - 1] + (noise["load_share"] * usual * step[i]) ** 2
    level = np.maximum(data["expected"].fillna(data["value"]).to_numpy(float), 0.0)
    laboratory = noise["noise_floor"] ** 2 + (noise["noise_share"] * level) ** 2
    return np.linalg.inv(np.linalg.cholesky(covariance + np.diag(laboratory)))


def _rss(design: Floats, y: Floats, whiten: Floats) -> tuple[float, Floats]:
    """Weighted residual sum of squares of a linear fit, and its coefficients."""
    x, t = whiten @ design, whiten @ y
    found, *_ = np.linalg.lstsq(x, t, rcond=None)
    return float(((t - x @ found) ** 2).sum()), np.asarray(found, float)


def _days(data: pd.DataFrame, hours: Floats) -> list[pd.Timestamp]:
    """Days of running hours, between the bottles."""
    days = data["drawn_on"].astype("datetime64[s]").astype("int64").to_numpy(float)
    at = np.interp(hours, data["run_h"].to_numpy(float), days)
    return [pd.Timestamp(int(second), unit="s").normalize() for second in at]
