"""Machines as built: their compartments with true rates, their hours of work day by day, and the streams of chance."""

import zlib
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cache

import numpy as np

from cmkit.simulate.balance import CARRIED, INDEX, IS_METAL, vector
from cmkit.simulate.recipe import CompartmentKind, Fluid, Machine, Recipe, Site

_MOST_H = 22.0  # no machine works more hours a day


@dataclass(frozen=True)
class Part:
    """One compartment as built. normal: the recipe's release rate for its size; fresh, removal:
    over balance.CARRIED.
    """

    compartment: str
    kind_name: str
    position: str
    capacity_l: float
    kind: CompartmentKind
    fluid: Fluid
    fresh: np.ndarray = field(repr=False)
    normal: np.ndarray = field(repr=False)
    removal: np.ndarray = field(repr=False)


def stream(seed: int, *names: str) -> np.random.Generator:
    """A stream of chance of its own for each name, so that adding a machine changes nothing elsewhere."""
    return np.random.default_rng([seed, *(zlib.crc32(name.encode()) for name in names)])


def lognormal(rng: np.random.Generator, cv: float, size: int | None = None) -> np.ndarray:
    """Factors of mean 1 and the given coefficient of variation."""
    return factors(rng.standard_normal(size), cv)


def factors(normals: float | np.ndarray, cv: float) -> np.ndarray:
    """Standard normal numbers as lognormal factors of mean 1 and the given coefficient of variation."""
    sd = _log_sd(cv)
    return np.asarray(np.exp(sd * normals - 0.5 * sd**2))


@cache
def _log_sd(cv: float) -> float:
    return float(np.sqrt(np.log1p(cv**2)))


def content(fluid: Fluid) -> np.ndarray:
    """What a litre of fresh fluid carries, over balance.CARRIED."""
    out = vector(fluid.fresh)
    out[INDEX["log_visc40"]], out[INDEX["log_visc100"]] = np.log(fluid.visc40_cSt), np.log(fluid.visc100_cSt)
    return out


def build_parts(recipe: Recipe, machine: Machine) -> list[Part]:
    """The machine's compartments in the order of its kind."""
    times_volume, times_rate = recipe.sizes[machine.size]
    out = []
    for kind_name, position, *litres in recipe.machine_kinds[machine.kind].compartments:
        kind = recipe.compartments[kind_name]
        fluid = recipe.fluids[kind.fluid]
        name = "/".join(p for p in (machine.machine, kind_name, position) if p)
        capacity = round((litres[0] if litres else kind.capacity_l) * times_volume, 1)
        normal = vector(kind.rate) * np.where(IS_METAL, times_rate, 1.0)
        removal = vector(kind.removal)
        out.append(Part(name, kind_name, position, capacity, kind, fluid, content(fluid), normal, removal))
    return out


def draw_rates(recipe: Recipe, part: Part, rng: np.random.Generator) -> np.ndarray:
    """True release rates of one life of a component, per hour at full charge: lognormal about normal, metals
    correlated.
    """
    spread = recipe.spread
    sd = np.sqrt(np.log1p(np.where(IS_METAL, spread.machine_cv, 0.5 * spread.machine_cv) ** 2))
    rho = np.where(IS_METAL, spread.machine_correlation, 0.0)
    shared = rng.standard_normal()
    own = rng.standard_normal(len(CARRIED))
    return np.asarray(part.normal * np.exp(sd * (np.sqrt(rho) * shared + np.sqrt(1 - rho) * own) - 0.5 * sd**2))


def daily_hours(recipe: Recipe, machine: Machine, site: Site, first: date, days: int) -> np.ndarray:
    """Hours of work on each of `days` days from `first` on: working days, season, idle spells, a life from `since` to
    `retired_on`.
    """
    rng = stream(recipe.seed, machine.machine, "use")
    base = recipe.machine_kinds[machine.kind].h_per_day * site.use * lognormal(rng, 0.06)
    hours = base * lognormal(rng, 0.18, days)
    spells = rng.random(days) < 1 / 240
    lengths = rng.integers(3, 13, days)
    for n in np.flatnonzero(spells).tolist():
        hours[n : n + lengths[n]] = 0.0
    day = np.datetime64(first) + np.arange(days)
    works = ((day.astype(int) + 3) % 7 < site.days_a_week) & (day >= np.datetime64(machine.since))  # Monday is 0
    if machine.retired_on is not None:
        works &= day <= np.datetime64(machine.retired_on)
    if machine.idle:
        works &= (day < np.datetime64(machine.idle[0])) | (day > np.datetime64(machine.idle[1]))
    season = np.array(site.season)[day.astype("datetime64[M]").astype(int) % 12]
    return np.asarray(np.minimum(np.where(works, hours * season, 0.0), _MOST_H))


def all_days(recipe: Recipe) -> list[date]:
    """Every day from the start of the warm-up to the end of the records."""
    first = recipe.start - timedelta(days=recipe.warm_up_days)
    return [first + timedelta(days=n) for n in range((recipe.end - first).days + 1)]
