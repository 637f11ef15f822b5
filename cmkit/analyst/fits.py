"""One wear rate by four methods, and the day on which it changed: always on effective hours, never on hours of the
clock or the meter.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.analyst.asked import one_of, unit_of
from cmkit.analyst.one_series import numbers_of, wear_series
from cmkit.assessment import Assessment
from cmkit.records.constants import HALF_NINETY
from cmkit.wear.slopes import corrected_median_slope, wear_rate

Floats = NDArray[np.float64]
METHODS = ("wls", "huber", "theil-sen", "filter")


@dataclass(frozen=True)
class Fit:
    """A wear rate by one method. rate, low, high in the analyte's unit per 1,000 h (90 % interval), level in its unit
    at the first bottle.

    data: the series it rests on (columns of `series`), with fitted (unit) and residual (in laboratory standard
    deviations).
    """

    compartment: str
    analyte: str
    method: str
    rate: float
    low: float
    high: float
    level: float
    n: int
    unit: str
    data: pd.DataFrame

    @property
    def words(self) -> str:
        """The fit in one sentence."""
        return (
            f"{self.compartment}, {self.analyte}, {self.method}: {self.rate:.3g} {self.unit} per 1,000 h, 90 % "
            f"interval {self.low:.3g} to "
            f"{self.high:.3g}, from {self.n} results on effective hours"
        )

    @property
    def row(self) -> dict[str, object]:
        """The fit as a row of a frame: `pd.DataFrame([refit(...).row, ...])`."""
        names = ("compartment", "analyte", "method", "rate", "low", "high", "n")
        return {name: getattr(self, name) for name in names} | {"unit": f"{self.unit} per 1,000 h"}

    def __repr__(self) -> str:
        return self.words


def refit(
    a: Assessment, compartment: str, analyte: str = "Fe_ppm", method: str = "wls", *, bottles: int | None = 12
) -> Fit:
    """The wear rate of one compartment's newest `bottles` results by one method, changes and top-ups allowed for
    (:class:`Fit`).

    method: `wls`, weighted least squares on effective hours, weights from the family's laboratory noise; `huber`, the
    same with robust weights; `theil-sen`, the median of corrected slopes of all pairs, with Sen's interval from
    Kendall's variance (it takes all results for equally sure, which they are not: of simulated series of 12 bottles it
    holds the truth in 8 of 10, the others in 9); `filter`, the books' own estimate at the newest bottle, its family and
    all earlier bottles included. Rates in unit per 1,000 h, not below what the method gives (least squares may go below
    0). bottles: 3 or more; None for the whole life of the component. Raises ParameterError for names that are not
    known, an analyte without a wear rate, or fewer than three results. Sources: `cmkit.wear.slopes`,
    `cmkit.wear.filter`; Sen 1968.

    >>> cmkit.refit(a, "WL-04/engine", "Fe_ppm", "wls")
    WL-04/engine, Fe_ppm, wls: 8... ppm per 1,000 h, 90 % interval 7... to 8..., from 12 results on effective hours
    """
    one_of("method", method, METHODS)
    data = wear_series(a, compartment, analyte, bottles)
    noise = numbers_of(a, compartment, analyte)
    rate, low, high, level = _BY[method](data, noise)
    fitted = data["expected"] if method == "filter" else level * data["phi"] + rate * data["psi"] + data["chi"]
    sd = data["expected_sd"] if method == "filter" else _sd(fitted.to_numpy(float), noise)
    data = data.assign(fitted=fitted, residual=(data["value"] - fitted) / sd)
    per = 1000.0
    return Fit(
        compartment, analyte, method, per * rate, per * low, per * high, level, len(data), unit_of(a, analyte), data
    )


def _least_squares(robust: bool) -> Callable[[pd.DataFrame, pd.Series], tuple[float, float, float, float]]:
    def fit(data: pd.DataFrame, noise: pd.Series) -> tuple[float, float, float, float]:
        cut = data["above"].to_numpy(np.int8) - data["below"].to_numpy(np.int8)
        found = wear_rate(
            data["value"],
            data["phi"],
            data["psi"],
            data["chi"],
            censored=cut if cut.any() else None,
            noise_floor=noise["noise_floor"],
            noise_share=noise["noise_share"],
            prior=_flat(data) if (cut == 0).sum() < 2 else None,
            robust=robust,
            rounds=30,
        )
        return found.rate, found.low, found.high, found.level

    return fit


def _flat(data: pd.DataFrame) -> tuple[float, float, float, float]:
    """Next to no knowledge beforehand: what lets a series of results below a limit be fitted at all."""
    top = max(float(data["value"].max()), 1.0)
    return 0.0, top, 0.0, 10 * top


def _pairs(data: pd.DataFrame, _: pd.Series) -> tuple[float, float, float, float]:
    """Median of corrected pair slopes; interval: the order statistics that Kendall's variance gives (Sen 1968)."""
    phi, psi = (data[c].to_numpy(float) for c in ("phi", "psi"))
    y = (data["value"] - data["chi"]).to_numpy(float)
    rate = corrected_median_slope(y, phi, psi)
    slopes = np.sort(pair_slopes(y, phi, psi))
    n, count = len(y), len(slopes)
    reach = HALF_NINETY * np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first, last = max(round((count - reach) / 2) - 1, 0), min(round((count + reach) / 2), count - 1)
    level = float(np.median((y - rate * psi) / phi)) if count else np.nan
    low, high = (slopes[first], slopes[last]) if count else (np.nan, np.nan)
    return rate, float(low), float(high), level


def pair_slopes(y: Floats, phi: Floats, psi: Floats) -> Floats:
    """Rates (unit/h) between each two of n bottles, exposure allowed for; pairs without exposure between them are left
    out.
    """
    i, j = np.triu_indices(len(y), 1)
    kept = phi[j] / phi[i]
    span = psi[j] - psi[i] * kept
    usable = np.isfinite(span) & (span > 0)
    return (y[j] - y[i] * kept)[usable] / span[usable]


def _filter(data: pd.DataFrame, _: pd.Series) -> tuple[float, float, float, float]:
    last = data.iloc[-1]
    half = HALF_NINETY * last["rate_sd"]
    return float(last["rate"]), float(max(last["rate"] - half, 0.0)), float(last["rate"] + half), float(last["level"])


_BY = {"wls": _least_squares(False), "huber": _least_squares(True), "theil-sen": _pairs, "filter": _filter}


def _sd(fitted: Floats, noise: pd.Series) -> Floats:
    """Laboratory standard deviation of a result at each fitted level."""
    return np.asarray(np.sqrt(noise["noise_floor"] ** 2 + (noise["noise_share"] * np.maximum(fitted, 0.0)) ** 2))
