"""From the true state of a charge to the results on a laboratory's report: drawing, noise, rounding, censoring."""

from dataclasses import dataclass
from functools import cache

import numpy as np

from cmkit.records.analytes import analyte_register
from cmkit.simulate.balance import CARRIED, INDEX, IS_METAL
from cmkit.simulate.parts import Part, lognormal
from cmkit.simulate.recipe import Crew, Noise

_SETTLES = ("water_ppm", "ferrous_index")
_DROP_PH, _FULL_PH = 7.4, 1.9  # invented: pH of a coolant without and gain with its whole nitrite reserve


@dataclass(frozen=True)
class Result:
    """What came back: values and which of them are below the reporting limit; drawing and factor are the truth behind
    them.
    """

    values: dict[str, float]
    below: frozenset[str]
    drawing: str
    factor: float


@cache
def _reporting(analyte: str) -> tuple[str, float, int, float]:
    row = analyte_register().loc[analyte]
    return str(row["group"]), float(row["reporting_limit"]), int(row["decimals"]), float(row["plausible_low"])


def analyse(
    noise: Noise,
    part: Part,
    true: np.ndarray,
    particles: float,
    *,
    crew: Crew,
    bias: dict[str, float],
    rng: np.random.Generator,
) -> Result:
    """One bottle's results. true: content over balance.CARRIED; particles: multiple of the healthy count; bias:
    laboratory's, by analyte.
    """
    drawing = _drawing(crew, part.kind.pressurised, rng)
    content, particles = _as_drawn(true, particles, drawing, rng)
    factor = float(np.exp(noise.bottle * crew.spread * rng.standard_normal()))
    counts = _particle_counts(part, particles, noise, rng)
    values, below = {}, set()
    for analyte in part.kind.reports:
        value = counts[analyte] if analyte in counts else _expected(analyte, content, part)
        value = _measured(analyte, value, factor, noise=noise, bias=bias.get(analyte, 1.0), rng=rng)
        values[analyte], censored = as_reported(analyte, value)
        if censored:
            below.add(analyte)
    return Result(values, frozenset(below), drawing, factor)


def as_reported(analyte: str, value: float) -> tuple[float, bool]:
    """Rounded as reported, and whether the result is below the reporting limit (then the limit is the value)."""
    _, limit, decimals, low = _reporting(analyte)
    rounded = max(round(value, decimals), low) + 0.0
    return (limit, True) if rounded < limit else (rounded, False)


def _drawing(crew: Crew, pressurised: bool, rng: np.random.Generator) -> str:
    """How the bottle was really drawn. A probe at a valve cannot touch the bottom of the sump."""
    chances = {
        "bottom": 0.0 if pressurised else crew.bottom,
        "drain stream": crew.drain_stream,
        "dirty pump": crew.dirty_pump,
    }
    u = rng.random()
    for name, chance in chances.items():
        if u < chance:
            return name
        u -= chance
    return "good"


def _as_drawn(true: np.ndarray, particles: float, drawing: str, rng: np.random.Generator) -> tuple[np.ndarray, float]:
    """Settled metal and water in a bottom draw, less of them in a drain stream, dust from a dirty pump. Dissolved
    additives stay.
    """
    content = true.copy()
    settled = [INDEX[a] for a in _SETTLES]
    if drawing == "bottom":
        content[IS_METAL] *= rng.uniform(1.9, 3.6)
        content[settled] *= rng.uniform(2.0, 5.0)
        return content, particles * 6
    if drawing == "drain stream":
        content[IS_METAL] *= rng.uniform(1.3, 2.1)
        content[settled] *= rng.uniform(1.3, 2.5)
        return content, particles * 3
    if drawing == "dirty pump":
        dust = rng.uniform(10.0, 35.0)
        content[INDEX["Si_ppm"]] += dust
        content[INDEX["Al_ppm"]] += dust * rng.uniform(0.2, 0.4)
        return content, particles * 5
    return content, particles


def _particle_counts(part: Part, particles: float, noise: Noise, rng: np.random.Generator) -> dict[str, float]:
    """Counts at 4, 6 and 14 um(c); a count never exceeds that of a smaller size."""
    if not part.kind.particles:
        return {}
    shared = lognormal(rng, noise.other_own["cleanliness"])
    own = lognormal(rng, 0.4 * noise.other_own["cleanliness"], 3)
    p4, p6, p14 = np.minimum.accumulate(np.array(part.kind.particles) * particles * shared * own)
    return {"p4_per_ml": float(p4), "p6_per_ml": float(p6), "p14_per_ml": float(p14)}


def _expected(analyte: str, content: np.ndarray, part: Part) -> float:
    """The content's value of an analyte; properties that no balance carries follow from those it does (invented
    relations).
    """
    if analyte in INDEX:
        return float(content[INDEX[analyte]])
    of = dict(zip(CARRIED, content.tolist(), strict=True))
    aged = of["oxidation_Acm"] - part.fresh[INDEX["oxidation_Acm"]]
    if analyte in ("visc40_cSt", "visc100_cSt"):
        thinning, thickening = (0.045, 0.006) if analyte == "visc40_cSt" else (0.033, 0.004)
        grown = 1 + thickening * aged + 0.02 * of["soot_pct"]
        return float(np.exp(of["log_" + analyte.removesuffix("_cSt")] - thinning * of["fuel_pct"]) * grown)
    reserve = of["nitrite_ppm"] / max(part.fresh[INDEX["nitrite_ppm"]], 1.0)
    glycol = of["glycol_vol_pct"]
    strength = glycol / max(part.fresh[INDEX["glycol_vol_pct"]], 1.0)
    known = {
        "pH": _DROP_PH + _FULL_PH * min(reserve, 1.0),
        "freeze_C": -(0.0118 * glycol**2 + 0.16 * glycol),
        "conductivity_uS": 2800 * strength * (0.7 + 0.3 * reserve) + 12 * of["Fe_ppm"],
    }
    return float(known[analyte])


def _measured(
    analyte: str, value: float, factor: float, *, noise: Noise, bias: float, rng: np.random.Generator
) -> float:
    group = _reporting(analyte)[0]
    own, additive = rng.standard_normal(2)
    if analyte in INDEX and IS_METAL[INDEX[analyte]] and group != "coolant":
        return float(value * factor * bias * np.exp(noise.own * own) + noise.floor_ppm * additive)
    if group == "cleanliness":  # its noise is in the counts
        return value
    share = noise.other_own.get(group, noise.other_own["contamination"])
    floor = noise.other_floor.get(analyte, noise.floor_ppm if analyte.endswith("_ppm") else 0.0)
    return float(value * bias * (1 + share * own) + floor * additive)
