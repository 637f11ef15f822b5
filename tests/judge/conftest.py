"""Made courses: compartments of every kind whose bottles follow a mass balance of their own, with faults set by hand.
INVENTED figures, shape only.

Nothing here is read by the judge, and nothing is taken from its tables or from `cmkit.simulate`: usual values and
multiples are general engineering.
"""

import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd
import pytest

from cmkit.judge.judge import Judged, judge_bottles
from cmkit.judge.learning import learn_judgement
from cmkit.judge.measures import ToJudge
from cmkit.records.analytes import analyte_register, below
from cmkit.records.fleet import Fleet
from cmkit.wear.exposure import sample_exposure
from cmkit.wear.family import family_numbers
from cmkit.wear.rates import run_filter
from tests.judge.stories import Story, told

REGISTER = analyte_register()
METALS = ("Fe", "Cr", "Ni", "Al", "Cu", "Pb", "Sn", "Si")
# ppm released in 1,000 h, other values when all is well, hours between bottles, bottles to a fluid, share left at a
# change, charge (l)
USUAL = {
    "engine": ((55, 5, 3, 11, 12, 9, 4, 19), {"Na": 4, "K": 2, "Ca": 2500, "Mg": 90, "Zn": 1200, "P": 1080, "B": 70,
    "Mo": 55, "visc40": 107, "visc100": 14.4, "TBN": 8.5, "TAN": 2.4, "water": 90, "fuel": 0.4, "glycol": 0.02,
    "soot": 0.8, "oxidation": 11, "nitration": 8, "sulfation": 20}, 250, 2, 0.1, 40),
    "final drive": ((85, 5, 4, 10, 6, 3, 2, 24), {"Na": 3, "K": 2, "Ca": 3300, "Mg": 15, "Zn": 1050, "P": 950, "B": 6,
    "visc40": 205, "visc100": 18.5, "TAN": 1.4, "water": 110, "oxidation": 5, "ferrous": 25}, 500, 4, 0.08, 30),
    "swing drive": ((55, 4, 3, 6, 8, 3, 2, 15), {"Na": 2, "K": 1, "Ca": 22, "Mg": 5, "Zn": 15, "P": 1350, "B": 170,
    "visc40": 144, "visc100": 14.6, "TAN": 2.2, "water": 110, "oxidation": 4, "ferrous": 22}, 500, 2, 0.08, 10),
    "transmission": ((24, 2, 1, 9, 42, 9, 4, 13), {"Na": 3, "K": 2, "Ca": 3200, "Mg": 12, "Zn": 1080, "P": 960, "B": 5,
    "visc40": 95, "visc100": 10.8, "TAN": 1.4, "water": 90, "oxidation": 6, "ferrous": 12}, 500, 2, 0.15, 60),
    "hydraulic": ((7, 2, 0, 3, 11, 2, 1, 6), {"Na": 2, "K": 1, "Ca": 55, "Mg": 3, "Zn": 430, "P": 340, "B": 1,
    "visc40": 46, "visc100": 6.8, "TAN": 0.7, "water": 90, "oxidation": 4, "p4": 1300, "p6": 350, "p14": 28}, 500, 8,
    0.35, 180),
    "coolant": ((1.6, 0, 0, 1.4, 1.1, 0.5, 0, 0), {"Si": 210, "Na": 3100, "K": 900, "B": 410, "Mo": 190, "P": 310,
    "pH": 9.0, "freeze": -37, "nitrite": 1000, "glycol_vol": 50, "conductivity": 2700}, 500, 8, 0.15, 50),
}  # fmt: skip
COLUMN = {
    "visc40": "visc40_cSt", "visc100": "visc100_cSt", "TBN": "TBN_mgKOH_g", "TAN": "TAN_mgKOH_g", "fuel": "fuel_pct",
    "glycol": "glycol_pct",
    "soot": "soot_pct", "oxidation": "oxidation_Acm", "nitration": "nitration_Acm", "sulfation": "sulfation_Acm",
    "ferrous": "ferrous_index",
    "p4": "p4_per_ml", "p6": "p6_per_ml", "p14": "p14_per_ml", "pH": "pH", "freeze": "freeze_C",
    "glycol_vol": "glycol_vol_pct",
    "conductivity": "conductivity_uS",
}  # fmt: skip
NOISE = {"visc": 0.012, "p": 0.25, "pH": 0.01, "Ca": 0.04, "Mg": 0.04, "Zn": 0.04, "P": 0.04, "B": 0.05, "Mo": 0.05,
    "glycol_vol": 0.02,
         "freeze": 0.03, "conductivity": 0.03, "nitrite": 0.04}  # fmt: skip
LIMITS = {"water_ppm": 60.0, "fuel_pct": 0.5, "soot_pct": 0.1, "glycol_pct": 0.1}


@dataclass(frozen=True)
class Course:
    """One compartment: multiples of release (metals) and of values (others), values added, per bottle from `start` on
    with strength 0..1.

    strengths: of the bottles from `start` on, the last held. bottle: bottle number -> (multiple of its metals, silicon
    added). low: level found low.
    """

    kind: str
    times: dict[str, float] = field(default_factory=dict)
    adds: dict[str, float] = field(default_factory=dict)
    start: int = 8
    strengths: tuple[float, ...] = (1.0,)
    bottles: int = 10
    noise: float = 1.0
    low: bool = False
    odd: dict[int, tuple[float, float]] = field(default_factory=dict)
    repeat_after: tuple[int, ...] = ()
    missing: tuple[str, ...] = ()


def _strength(course: Course, i: int) -> float:
    k = i - course.start
    return 0.0 if k < 0 else course.strengths[min(k, len(course.strengths) - 1)]


def _values(course: Course, rng: np.random.Generator) -> tuple[list[dict], list[dict]]:
    """Rows of results and of services of one compartment, drawn every so many hours."""
    release, usual, every, per_fluid, left, _ = USUAL[course.kind]
    own = np.exp(0.35 * rng.standard_normal()) * np.exp(0.2 * rng.standard_normal(len(METALS)))
    rates = np.array(release) * own / 1000
    bases = {k: v * np.exp(_sd(k) * rng.standard_normal()) for k, v in usual.items()}
    level, hours, rows, services = np.zeros(len(METALS)), 0.0, [], []
    gaps = [every * rng.uniform(0.95, 1.05) for _ in range(course.bottles)]
    for i, gap in enumerate(gaps):
        again = i in course.repeat_after
        gap = 12.0 if again else gap
        s = _strength(course, i)
        if i and i % per_fluid == 0 and not again:
            services.append({"kind": "change", "meter_h": hours + 1})
            level = level * left
        times = np.array([1 + (course.times.get(m, 1.0) - 1) * s for m in METALS])
        level = level + rates * times * gap * np.exp(0.1 * rng.standard_normal())
        hours += gap
        factor, dust = course.odd.get(i, (1.0, 0.0))
        bottle = np.exp(0.06 * rng.standard_normal()) * factor
        noisy = np.exp(course.noise * 0.07 * rng.standard_normal(len(METALS)))
        seen = level * bottle * noisy + np.array([dust * (m == "Si") + 0.3 * dust * (m == "Al") for m in METALS])
        row = {f"{m}_ppm": v for m, v in zip(METALS, seen, strict=True) if m not in usual}
        for name, base in bases.items():
            value = base * (1 + (course.times.get(name, 1.0) - 1) * s) + course.adds.get(name, 0.0) * s
            row[COLUMN.get(name, f"{name}_ppm")] = value * np.exp(
                course.noise * 0.7 * _sd(name) * rng.standard_normal()
            )
        rows.append(
            {**{k: v for k, v in row.items() if k not in course.missing}, "meter_h": hours, "low": course.low and s > 0}
        )
    return rows, services


def _sd(name: str) -> float:
    return NOISE.get(
        name, NOISE["visc"] if name.startswith("visc") else NOISE["p"] if name in ("p4", "p6", "p14") else 0.12
    )


def _reported(row: dict) -> dict:
    """As a laboratory reports: rounded, below its limit flagged."""
    out = {}
    for name, value in row.items():
        decimals = int(REGISTER.loc[name, "decimals"])
        limit = LIMITS.get(name, 1.0 if name.endswith("_ppm") else 0.0)
        out[name], out[below(name)] = (limit, True) if value < limit else (round(float(value), decimals), False)
    return out


@pytest.fixture(scope="session")
def given(make_fleet: Callable[..., Fleet]) -> Callable[..., tuple]:
    """`given({"name": Course, ...})` -> what the judge is given (fleet as of its last day, results, exposure, numbers,
    forecasts), with `beside` sound compartments of every kind concerned (`sound N kind`).
    """

    def build(courses: dict[str, Course], seed: int = 1, findings: list[dict] = (), beside: int = 24) -> tuple:
        kinds = sorted({c.kind for c in courses.values()})
        every = courses | {f"sound {n} {kind}": Course(kind) for kind in kinds for n in range(beside)}
        rows = {"machines": [], "compartments": [], "samples": [], "services": []}
        for name, course in every.items():
            _put(rows, name, course, np.random.default_rng([seed, zlib.crc32(name.encode())]))
        return _given(make_fleet(sites=[{"site": "S"}], findings=list(findings), **rows))

    return build


@pytest.fixture(scope="session")
def judge_courses(given: Callable[..., tuple]) -> Callable[..., Judged]:
    """`judge_courses({"name": Course, ...})` -> Judged, by what these compartments and the sound ones beside them
    teach.
    """

    def run(*args, **options) -> Judged:
        made = given(*args, **options)
        of_it = ToJudge(*made, REGISTER)
        return judge_bottles(of_it, learn_judgement(of_it))

    return run


def _given(fleet: Fleet) -> tuple:
    """From a fleet in memory whose meter hours are running hours, as of its last day."""
    known = fleet.as_of(fleet.samples["reported_on"].max())
    hours, services = _as_written(known.samples, "sample"), _as_written(known.services, "service")
    exposure = sample_exposure(known, hours, services)
    numbers = family_numbers(exposure, known.samples, REGISTER)
    expected = run_filter(exposure, known.samples, numbers, REGISTER, accept_changes=False).history
    return known, known.samples, exposure, numbers, expected


def _put(rows: dict[str, list], name: str, course: Course, rng: np.random.Generator) -> None:
    start = pd.Timestamp("2025-01-01")
    results, services = _values(course, rng)
    rows["machines"].append(
        {"machine": name, "site": "S", "kind": "loader", "in_service_on": start, "meter_h_at_start": 0}
    )
    rows["compartments"].append(
        {
            "compartment": name,
            "machine": name,
            "kind": course.kind,
            "family": course.kind,
            "capacity_l": USUAL[course.kind][5],
            "fluid": course.kind,
        }
    )
    for i, row in enumerate(results):
        day = start + pd.Timedelta(days=int(row["meter_h"] / 12))
        made = _reported({k: v for k, v in row.items() if k not in ("meter_h", "low")})
        level = "low" if row["low"] else "full"
        rows["samples"].append(
            {"sample": f"{name} {i}", "compartment": name, "drawn_on": day, "reported_on": day,
            "meter_h": row["meter_h"], "method": "probe", "lab": "L",
             "fluid_level": level, "makeup_l": 0.0, **made}
        )  # fmt: skip
    for i, work in enumerate(services):
        rows["services"].append(
            {
                "service": f"{name} w{i}",
                "compartment": name,
                "done_on": start + pd.Timedelta(days=int(work["meter_h"] / 12)),
                **work,
            }
        )


def _as_written(frame: pd.DataFrame, key: str) -> pd.DataFrame:
    out = frame[[key, "compartment", "meter_h"]].copy()
    return out.assign(run_h=frame["meter_h"], sd_h=0.0, usable=frame["meter_h"].notna(), reason="")


@pytest.fixture(scope="session")
def course() -> type[Course]:
    """The class of a made course."""
    return Course


@pytest.fixture
def story(make_fleet: Callable[..., Fleet]) -> Story:
    """`story([bottle(...), ...])`: :func:`tests.judge.stories.told`."""
    return partial(told, make_fleet)
