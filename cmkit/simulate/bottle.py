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
    sheet = _sheet(
        tuple(part.kind.reports), tuple(noise.other_own.items()), tuple(noise.other_floor.items()), noise.floor_ppm
    )
    value = content[sheet.carried]
    for n, analyte in sheet.others:
        value[n] = counts[analyte] if analyte in counts else _expected(analyte, content, part)
    lean = np.array([bias.get(analyte, 1.0) for analyte in part.kind.reports])
    measured = _measured(sheet, value, factor, own=noise.own, bias=lean, rng=rng)
    reported = {a: as_reported(a, v) for a, v in zip(part.kind.reports, measured.tolist(), strict=True)}
    below = frozenset(a for a, (_, censored) in reported.items() if censored)
    return Result({a: v for a, (v, _) in reported.items()}, below, drawing, factor)


@dataclass(frozen=True)
class _Sheet:
    """The analytes that a kind of compartment has reported, A of them, with what a laboratory adds to each.

    carried: place of each in balance.CARRIED, any where it is none; others: number and name of those that follow from
    what is carried. metal: the bottle's factor counts; counted: particles, whose noise is in the counts; share, floor:
    of the noise of the rest.
    """

    carried: np.ndarray
    others: tuple[tuple[int, str], ...]
    metal: np.ndarray
    counted: np.ndarray
    share: np.ndarray
    floor: np.ndarray


@cache
def _sheet(
    reports: tuple[str, ...],
    shares: tuple[tuple[str, float], ...],
    floors: tuple[tuple[str, float], ...],
    floor_ppm: float,
) -> _Sheet:
    """shares: relative noise by group of the register; floors: by analyte, floor_ppm for other results in ppm."""
    groups, share, floor = [_reporting(a)[0] for a in reports], dict(shares), dict(floors)
    metal = [a in INDEX and bool(IS_METAL[INDEX[a]]) and g != "coolant" for a, g in zip(reports, groups, strict=True)]
    least = [floor.get(a, floor_ppm if a.endswith("_ppm") else 0.0) for a in reports]
    return _Sheet(
        np.array([INDEX.get(a, 0) for a in reports]),
        tuple((n, a) for n, a in enumerate(reports) if a not in INDEX),
        np.array(metal),
        np.array([g == "cleanliness" for g in groups]) & ~np.array(metal),
        np.array([share.get(g, share["contamination"]) for g in groups]),
        np.where(metal, floor_ppm, least),
    )


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
    sheet: _Sheet, value: np.ndarray, factor: float, *, own: float, bias: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """What the instruments say of values (A,). own: relative noise of one metal; bias: the laboratory's (A,)."""
    draws, additive = rng.standard_normal((len(value), 2)).T
    times = np.where(sheet.metal, factor * bias * np.exp(own * draws), bias * (1 + sheet.share * draws))
    return np.where(sheet.counted, value, value * times + sheet.floor * additive)
