"""From the true state of charges to the results on a laboratory's report: drawing, noise, rounding, censoring.

What chance does to a bottle is drawn when the bottle is, from its compartment's own stream; the results of all bottles
of a day are then worked out together.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from cmkit.records.analytes import analyte_register
from cmkit.simulate.balance import CARRIED, INDEX, METALS
from cmkit.simulate.parts import Part, factors, lognormal, stream
from cmkit.simulate.recipe import Crew, Noise, Recipe

ANALYTES = tuple(analyte_register().index)
AT = {analyte: n for n, analyte in enumerate(ANALYTES)}
_IN_BALANCE = [n for n, a in enumerate(ANALYTES) if a in INDEX]
_BALANCED = [INDEX[a] for a in ANALYTES if a in INDEX]
_COUNTS = [AT[a] for a in ("p4_per_ml", "p6_per_ml", "p14_per_ml")]
_SETTLES = [INDEX["water_ppm"], INDEX["ferrous_index"]]
_DROP_PH, _FULL_PH = 7.4, 1.9  # invented: pH of a coolant without and gain with its whole nitrite reserve
# Invented: bounds of two numbers of chance for each bad way of drawing, and how many times as many particles it brings.
# The numbers: metals and what settles, times; of a dirty pump, dust in ppm of silicon and the share of aluminium to it.
_SPOILT = {
    "bottom": ((1.9, 3.6), (2.0, 5.0), 6.0),
    "drain stream": ((1.3, 2.1), (1.3, 2.5), 3.0),
    "dirty pump": ((10.0, 35.0), (0.2, 0.4), 5.0),
}


@dataclass(frozen=True)
class Result:
    """What came back, over the analytes of the register: values (NaN where not reported) and which of them are below
    the reporting limit; drawing and factor are the truth behind them.
    """

    values: np.ndarray
    below: np.ndarray
    drawing: str
    factor: float


@dataclass(frozen=True)
class Drawn:
    """A bottle as it leaves the machine. content: true, over balance.CARRIED; bias: of the laboratory, by analyte;
    spoilt: the two numbers of a bad
    way of drawing; normals: of the bottle, of its particles (4, where they are
    counted), and two of each analyte reported.
    """

    part: Part
    crew: Crew
    content: np.ndarray
    bias: np.ndarray
    drawing: str
    spoilt: list[float]
    normals: np.ndarray


@dataclass(frozen=True)
class Sheet:
    """What a laboratory adds to each analyte of the register. metal: the bottle's factor counts; counted: particles,
    whose noise is in the counts; share, floor: of the noise of the rest.
    """

    metal: np.ndarray
    counted: np.ndarray
    share: np.ndarray
    floor: np.ndarray


def sheet_of(noise: Noise) -> Sheet:
    """The laboratory's noise by analyte."""
    groups = analyte_register()["group"]
    metal = np.isin(ANALYTES, METALS) & (groups != "coolant").to_numpy()
    shares, floors = noise.other_own, noise.other_floor
    least = [floors.get(a, noise.floor_ppm if a.endswith("_ppm") else 0.0) for a in ANALYTES]
    return Sheet(
        metal=metal,
        counted=(groups == "cleanliness").to_numpy() & ~metal,
        share=np.array([shares.get(g, shares["contamination"]) for g in groups]),
        floor=np.where(metal, noise.floor_ppm, least),
    )


def draw_bottle(part: Part, crew: Crew, content: np.ndarray, bias: np.ndarray, rng: np.random.Generator) -> Drawn:
    """One bottle with what chance does to it and to its analysis."""
    drawing = _drawing(crew, part.kind.pressurised, rng.random())
    spoilt = [rng.uniform(*bounds) for bounds in _SPOILT[drawing][:2]] if drawing in _SPOILT else []
    normals = rng.standard_normal(1 + 4 * bool(part.kind.particles) + 2 * len(part.kind.reports))
    return Drawn(part, crew, content, bias, drawing, spoilt, normals)


def _drawing(crew: Crew, pressurised: bool, u: float) -> str:
    """How the bottle was really drawn. A probe at a valve cannot touch the bottom of the sump."""
    chances = (0.0 if pressurised else crew.bottom, crew.drain_stream, crew.dirty_pump)
    for name, chance in zip(_SPOILT, chances, strict=True):
        if u < chance:
            return name
        u -= chance
    return "good"


def analyse(noise: Noise, sheet: Sheet, drawn: Sequence[Drawn], particles: np.ndarray) -> list[Result]:
    """The results of N bottles. particles (N,): multiple of the healthy count in the charge."""
    content, particles = _as_drawn(drawn, particles)
    factor = np.exp(noise.bottle * np.array([d.crew.spread for d in drawn]) * np.array([d.normals[0] for d in drawn]))
    value = _expected(content, np.array([d.part.fresh for d in drawn]))
    value[:, _COUNTS] = _particle_counts(drawn, particles, noise.other_own["cleanliness"])
    draws = np.zeros((2, len(drawn), len(ANALYTES)))
    reported = np.zeros(draws.shape[1:], bool)
    for n, one in enumerate(drawn):
        at = columns_of(tuple(one.part.kind.reports))
        draws[:, n, at] = one.normals[-2 * len(at) :].reshape(-1, 2).T
        reported[n, at] = True
    bias = np.array([d.bias for d in drawn])
    metal = factor[:, None] * bias * np.exp(noise.own * draws[0])
    times = np.where(sheet.metal, metal, bias * (1 + sheet.share * draws[0]))
    value = np.where(sheet.counted, value, value * times + sheet.floor * draws[1])
    values, below = as_reported(value)
    values[~reported] = np.nan
    below &= reported
    return [Result(v, b, d.drawing, f) for v, b, d, f in zip(values, below, drawn, factor.tolist(), strict=True)]


def bias_of(recipe: Recipe, laboratory: str) -> np.ndarray:
    """The lean of a laboratory, over the analytes of the register, as factors."""
    rng = stream(recipe.seed, "laboratory", laboratory)
    return lognormal(rng, recipe.noise.laboratory_bias_cv, len(ANALYTES))


@cache
def columns_of(analytes: tuple[str, ...]) -> np.ndarray:
    """Places of analytes in the register."""
    return np.array([AT[a] for a in analytes])


@cache
def _reporting() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Reporting limit, power of ten of the decimals, lowest value of every analyte of the register."""
    register = analyte_register()
    power = 10.0 ** register["decimals"].to_numpy(float)
    return register["reporting_limit"].to_numpy(float), power, register["plausible_low"].to_numpy(float)


def as_reported(value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Values (..., analytes of the register) rounded as reported, and whether they are below the reporting limit (then
    the limit is the value).
    """
    limit, power, low = _reporting()
    rounded = np.maximum(np.rint(value * power) / power, low) + 0.0
    below = rounded < limit
    return np.where(below, limit, rounded), below


def _as_drawn(drawn: Sequence[Drawn], particles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Content and particles in the bottles: settled metal and water in a bottom draw, less of them in a drain stream,
    dust from a dirty pump. Dissolved additives stay.
    """
    content, particles = np.array([d.content for d in drawn]), particles.copy()
    for n, one in enumerate(drawn):
        if one.drawing == "good":
            continue
        first, second = one.spoilt
        particles[n] *= _SPOILT[one.drawing][2]
        if one.drawing == "dirty pump":
            content[n, INDEX["Si_ppm"]] += first
            content[n, INDEX["Al_ppm"]] += first * second
        else:
            content[n, : len(METALS)] *= first
            content[n, _SETTLES] *= second
    return content, particles


def _particle_counts(drawn: Sequence[Drawn], particles: np.ndarray, cv: float) -> np.ndarray:
    """Counts at 4, 6 and 14 um(c), (N, 3), 0 where nobody counts; a count never exceeds that of a smaller size."""
    counts = np.zeros((len(drawn), 3))
    for n, one in enumerate(drawn):
        if one.part.kind.particles:
            shared, own = factors(one.normals[1:2], cv), factors(one.normals[2:5], 0.4 * cv)
            counts[n] = np.minimum.accumulate(np.array(one.part.kind.particles) * particles[n] * shared * own)
    return counts


def _expected(content: np.ndarray, fresh: np.ndarray) -> np.ndarray:
    """Values over the register (N, analytes) of contents and fresh fluids over balance.CARRIED; properties that no
    balance carries follow from those it does (invented relations). Particles stay 0.
    """
    value = np.zeros((len(content), len(ANALYTES)))
    value[:, _IN_BALANCE] = content[:, _BALANCED]
    of = dict(zip(CARRIED, content.T, strict=True))
    new = dict(zip(CARRIED, fresh.T, strict=True))
    aged = of["oxidation_Acm"] - new["oxidation_Acm"]
    for analyte, thinning, thickening in (("visc40", 0.045, 0.006), ("visc100", 0.033, 0.004)):
        grown = 1 + thickening * aged + 0.02 * of["soot_pct"]
        value[:, AT[f"{analyte}_cSt"]] = np.exp(of[f"log_{analyte}"] - thinning * of["fuel_pct"]) * grown
    glycol, reserve = of["glycol_vol_pct"], of["nitrite_ppm"] / np.maximum(new["nitrite_ppm"], 1.0)
    strength = glycol / np.maximum(new["glycol_vol_pct"], 1.0)
    value[:, AT["pH"]] = _DROP_PH + _FULL_PH * np.minimum(reserve, 1.0)
    value[:, AT["freeze_C"]] = -(0.0118 * glycol**2 + 0.16 * glycol)
    value[:, AT["conductivity_uS"]] = 2800 * strength * (0.7 + 0.3 * reserve) + 12 * of["Fe_ppm"]
    return value
