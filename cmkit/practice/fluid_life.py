"""How fast does a fluid age, and how many hours are left in it? Straight lines from the fresh fluid to a fixed limit,
whose slopes differ between compartments and from charge to charge.

A charge's slope is s = b + c + e: b of the family, c of the compartment, N(0, between), e of the charge, N(0, within).
Moments of the slopes of past charges give all three, as in a meta-analysis of two levels (DerSimonian and Laird 1986).
Check values: guide how_it_is_computed, K.
"""

from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr
from scipy.stats import theilslopes

from cmkit.records.turnaround import constant

Floats = NDArray[np.float64]
ANY = "*"
_MOST = 400  # bottles from which a family's line is drawn: pairwise slopes of more take long and say the same


@cache
def ageing_results(kind: str) -> dict[str, bool]:
    """reference/fluid_life.csv: results by which the fluid of a kind of compartment ages, and whether an extension
    needs them.
    """
    with files("cmkit.reference").joinpath("fluid_life.csv").open(encoding="utf-8") as handle:
        rows = pd.read_csv(handle, keep_default_na=False)
    own = rows[rows["kind"] == kind]
    used = own if len(own) else rows[rows["kind"] == ANY]
    return dict(zip(used["analyte"], used["needed"] == "yes", strict=True))


@dataclass(frozen=True)
class Line:
    """One result's way to its limit in one compartment: hours to it are `reach` / slope.

    reach: from a new charge to the limit in the bad direction, in the result's unit (> 0); now_mean, now_sd: slope of
    the charge that is in; next_mean, next_sd: slope of a charge to come; unit per operating hour of the fluid.
    """

    reach: float
    now_mean: float
    now_sd: float
    next_mean: float
    next_sd: float

    def passed_by(self, fluid_h: Floats, to_come: bool) -> Floats:
        """Chance that the limit is passed by these hours on the fluid (> 0): of the charge that is in, or of one to
        come.
        """
        mean, sd = (self.next_mean, self.next_sd) if to_come else (self.now_mean, self.now_sd)
        return np.asarray(ndtr((mean - self.reach / np.maximum(fluid_h, 1e-9)) / max(sd, 1e-12)))


def charge_numbers(exposure: pd.DataFrame) -> pd.DataFrame:
    """Usable bottles with known hours on their fluid, and charge: which filling of the compartment each belongs to."""
    rows = exposure.sort_values(["compartment", "run_h", "sample"], kind="stable")
    new = rows["changed"].astype(bool) | (rows["life"] != rows.groupby("compartment")["life"].shift())
    rows = rows.assign(charge=new.astype(int).groupby(rows["compartment"]).cumsum())
    return rows[rows["fluid_h"] > 0]


@dataclass(frozen=True)
class Aged:
    """Bottles of one family and result, sorted by compartment and charge: compartment, charge, hours on the fluid
    (> 0) and the result; arrays (n,).
    """

    compartment: NDArray[np.object_]
    charge: NDArray[np.int64]
    fluid_h: Floats
    value: Floats

    def seen(self) -> "Aged":
        """Those with a result."""
        at = np.isfinite(self.value)
        return Aged(*(getattr(self, f.name)[at] for f in fields(self)))


@dataclass(frozen=True)
class _Slopes:
    """Slope of every charge and its variance, and where each compartment's charges begin."""

    slope: Floats
    var: Floats
    first: NDArray[np.int64]

    def sums(self, of: Floats) -> Floats:
        """Sum over the charges of each compartment."""
        return np.asarray(np.add.reduceat(of, self.first))

    @property
    def count(self) -> NDArray[np.int64]:
        """Charges of each compartment."""
        return np.diff(np.append(self.first, len(self.slope)))


def _starts(*keys: NDArray[np.generic]) -> NDArray[np.int64]:
    """Where a run of equal keys begins in sorted arrays (n >= 1,)."""
    new = np.any([key[1:] != key[:-1] for key in keys], axis=0)
    return np.flatnonzero(np.append(True, new))


def family_lines(bottles: Aged, limits: dict[str, float], up: bool, noise: tuple[float, float]) -> dict[str, Line]:
    """The way of one result to its limit in every compartment of a family that has a bottle of it.

    limits: limit in the result's unit, by compartment; up: whether it grows towards its limit; noise: floor and share
    of the laboratory's scatter. Empty with fewer than `life_charges` charges.
    """
    rows = bottles.seen()
    h = rows.fluid_h
    if len(h) < 2 or h.min() == h.max():
        return {}
    charges = _starts(rows.compartment, rows.charge)
    if len(charges) < constant("life_charges"):
        return {}
    sign = 1.0 if up else -1.0
    y = sign * rows.value
    some = np.arange(len(h))[:: max(1, len(h) // _MOST)]
    start = float(np.median(y - float(theilslopes(y[some], h[some])[0]) * h))
    weight = 1 / (noise[0] ** 2 + (noise[1] * y) ** 2)
    moved, known = np.add.reduceat(weight * h * (y - start), charges), np.add.reduceat(weight * h * h, charges)
    places = rows.compartment[charges]
    slopes = _Slopes(moved / known, 1 / known, _starts(places))
    usual = _moments(slopes)
    out = {}
    for first, count in zip(slopes.first, slopes.count, strict=True):
        reach = sign * limits.get(places[first], np.nan) - start
        if reach > 0:
            own = slice(first, first + count)
            out[str(places[first])] = _line(slopes.slope[own], slopes.var[own], reach, usual)
    return out


def _moments(slopes: _Slopes) -> tuple[float, float, float]:
    """Variance of slopes between compartments and between charges of one, and their mean.

    Few charges can look alike by chance, so both lean on usual variances (`life_between`, `life_within`, as shares of
    the mean slope) with the weight of `life_weight` compartments or charges.
    """
    n = slopes.count
    middle, left = slopes.sums(slopes.slope) / n, np.repeat(1 - 1 / n, n)
    spread = float(((slopes.slope - np.repeat(middle, n)) ** 2).sum())
    noise, free = float((left * slopes.var).sum()), float(left.sum())
    usual = float(slopes.slope.mean()) ** 2
    within = _leaning(spread - noise, free, usual * constant("life_within") ** 2)
    own = (within * n + slopes.sums(slopes.var)) / n**2
    apart = float(((middle - middle.mean()) ** 2).sum() - (1 - 1 / len(middle)) * own.sum())
    between = _leaning(apart, len(middle) - 1.0, usual * constant("life_between") ** 2)
    weight = 1 / (between + own + 1e-30)
    return between, within, float((weight * middle).sum() / weight.sum())


def _leaning(total: float, free: float, usual: float) -> float:
    """A variance from a sum of squares over `free` degrees of freedom, leaning on a usual one."""
    return (max(0.0, total) + constant("life_weight") * usual) / (free + constant("life_weight"))


def _line(slope: Floats, var: Floats, reach: float, usual: tuple[float, float, float]) -> Line:
    """Slopes of the charge that is in and of the next, from the family (:func:`_moments`) and this compartment's
    charges.
    """
    between, within, mean = usual
    centre, centre_var = _combined(mean, between, slope[:-1], var[:-1] + within)
    now, now_var = _combined(centre, centre_var + within, slope[-1:], var[-1:])
    ahead, ahead_var = _combined(mean, between, slope, var + within)
    return Line(reach, now, float(np.sqrt(now_var)), ahead, float(np.sqrt(ahead_var + within)))


def _combined(mean: float, var: float, seen: Floats, seen_var: Floats) -> tuple[float, float]:
    """Normal prior and normal observations: mean and variance after."""
    if var <= 0 or not len(seen):
        return mean, var
    weight = 1 / var + float(np.sum(1 / seen_var))
    return (mean / var + float(np.sum(seen / seen_var))) / weight, 1 / weight


def any_passed_by(lines: list[Line], fluid_h: Floats, to_come: bool) -> Floats:
    """Chance that any of several results has passed its limit by these hours on the fluid."""
    kept = np.ones_like(fluid_h)
    for line in lines:
        kept *= 1 - line.passed_by(fluid_h, to_come)
    return 1 - kept
