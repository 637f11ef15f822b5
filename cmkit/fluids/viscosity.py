"""Kinematic viscosity: index, change with temperature, grades, mixing. All viscosities in mm2/s (= cSt), temperatures
in degrees C.
"""

import math
import re
from functools import cache

import numpy as np
import pandas as pd

from cmkit.fluids.answer import Answer, not_positive, undefined
from cmkit.fluids.standard_tables import standard_table

_GEAR_FROM = 70  # SAE J306 gear grades are 70W and above, J300 engine grades 60 and below


def index_reference(kv100: float) -> tuple[float, float]:
    """L and H of ASTM D2270 for a viscosity at 100 C of 2 mm2/s or more: viscosities at 40 C of oils of index 0 and
    100.

    Table 1 with linear interpolation up to 70 mm2/s, the standard's equations above. NaN below 2.
    """
    if not kv100 >= 2:
        return math.nan, math.nan
    if kv100 > 70:
        return 0.8353 * kv100**2 + 14.67 * kv100 - 216, 0.1684 * kv100**2 + 11.85 * kv100 - 97
    table = standard_table("d2270_table1")
    return float(np.interp(kv100, table["kv100"], table["L"])), float(np.interp(kv100, table["kv100"], table["H"]))


def viscosity_index(kv40: float, kv100: float) -> Answer:
    """Viscosity index, unrounded, of an oil of viscosity `kv40` at 40 C and `kv100` at 100 C (ASTM D2270, ISO 2909).

    Procedure A (up to 100): 100 (L - U)/(L - H). Procedure B (above): (10^N - 1)/0.00715 + 100, N = (log H - log U)/log
    Y. Undefined below 2 mm2/s at 100 C, and when the oil does not thin from 40 to 100 C.
    """
    bad = not_positive(viscosity_at_40_C=kv40, viscosity_at_100_C=kv100)
    if bad:
        return undefined(bad)
    if kv100 >= kv40:
        return undefined(f"{kv100:g} mm2/s at 100 C is not below {kv40:g} at 40 C; exchanged, or one of them is wrong")
    if kv100 < 2:
        return undefined(f"{kv100:g} mm2/s at 100 C; the index is defined from 2 mm2/s (ASTM D2270)")
    low, high = index_reference(kv100)
    if kv40 >= high:
        return Answer(100 * (low - kv40) / (low - high))
    n = math.log(high / kv40) / math.log(kv100)
    return Answer((10**n - 1) / 0.00715 + 100)


def reported_index(kv40: float, kv100: float) -> Answer:
    """Viscosity index as reported: whole number, a tie to the even one (ASTM D2270, 5.1.3)."""
    index = viscosity_index(kv40, kv100)
    return Answer(float(round(index.value))) if index.known else index


def walther(temperature_1: float, kv_1: float, temperature_2: float, kv_2: float) -> tuple[float, float]:
    """A and B of log log(v + 0.7) = A - B log T through two points, T in kelvin (ASTM D341; base-10 logarithms, v above
    2 mm2/s).

    Raises ValueError when a viscosity is not above 2, the temperatures are equal, or the oil does not thin with
    temperature.
    """
    for kv in (kv_1, kv_2):
        if not kv > 2:
            raise ValueError(f"viscosity {kv:g} mm2/s; this form of ASTM D341 holds above 2")
    if temperature_1 == temperature_2 or (kv_1 - kv_2) * (temperature_1 - temperature_2) >= 0:
        raise ValueError(
            f"{kv_1:g} mm2/s at {temperature_1:g} C and {kv_2:g} at {temperature_2:g} C; wanted two temperatures, "
            f"thinner at the higher"
        )
    x1, x2 = (math.log10(t + 273.15) for t in (temperature_1, temperature_2))
    y1, y2 = (math.log10(math.log10(v + 0.7)) for v in (kv_1, kv_2))
    b = (y1 - y2) / (x2 - x1)
    return y1 + b * x1, b


def viscosity_at(temperature: float, kv40: float, kv100: float) -> Answer:
    """Viscosity at `temperature`, from those at 40 and 100 C (ASTM D341, first form).

    Undefined where a viscosity is not above 2 mm2/s, the oil does not thin, or the answer falls below 2 (the form does
    not hold there).
    """
    bad = not_positive(viscosity_at_40_C=kv40, viscosity_at_100_C=kv100)
    if bad:
        return undefined(bad)
    try:
        a, b = walther(40.0, kv40, 100.0, kv100)
    except ValueError as error:
        return undefined(str(error))
    if not temperature > -273.15:
        return undefined(f"{temperature:g} C is no temperature")
    inner = 10 ** (a - b * math.log10(temperature + 273.15))
    if inner > 12:
        return undefined(f"at {temperature:g} C the formula gives more than 10^12 mm2/s; far outside its range")
    v = 10**inner - 0.7
    return (
        Answer(v)
        if v >= 2
        else undefined(f"at {temperature:g} C the oil is below 2 mm2/s, where this form of ASTM D341 ends")
    )


def at_40_and_100(temperature_1: float, kv_1: float, temperature_2: float, kv_2: float) -> tuple[Answer, Answer]:
    """Viscosities at 40 and 100 C from any two temperatures, such as a laboratory's 100 F and 210 F (ASTM D341)."""
    try:
        a, b = walther(temperature_1, kv_1, temperature_2, kv_2)
    except ValueError as error:
        return undefined(str(error)), undefined(str(error))
    return tuple(Answer(10**10 ** (a - b * math.log10(t + 273.15)) - 0.7) for t in (40.0, 100.0))  # type: ignore[return-value]


def iso_grade(kv40: float) -> Answer:
    """ISO 3448 viscosity grade (2..3200) of an oil by its viscosity at 40 C: within 10 % of the grade's midpoint,
    limits included.
    """
    bad = not_positive(viscosity_at_40_C=kv40)
    if bad:
        return undefined(bad)
    table = standard_table("iso3448_vg")
    slack = 1e-9 * kv40
    hit = table[(table["low"] <= kv40 + slack) & (kv40 <= table["high"] + slack)]
    if len(hit):
        return Answer(float(hit["grade"].iloc[0]))
    return undefined(f"{kv40:g} mm2/s at 40 C lies between the grades of ISO 3448")


def grade_viscosity(grade: str) -> tuple[str, Answer]:
    """What a grade's name says of the fresh fluid: the column it speaks of and the middle of the grade, mm2/s.

    `ISO VG 46` -> visc40_cSt, 46. `SAE 15W-40` -> visc100_cSt, middle of J300 grade 40; `SAE 80W-90` the same by J306.
    Fluids of one grade differ by a tenth and more from its middle; what was learnt from fresh bottles is better.
    """
    column, ends, reason = _named_grade(grade)
    return column, Answer(float(np.mean(ends))) if ends else undefined(reason)


def grade_range(grade: str) -> tuple[str, float, float]:
    """The column a grade's name speaks of and its lowest and highest viscosity, mm2/s (ISO 3448; SAE J300 and J306 at
    100 C); an empty column and NaN where the name says nothing.
    """
    column, ends, _ = _named_grade(grade)
    return (column, *ends) if ends else ("", math.nan, math.nan)


@cache
def _named_grade(grade: str) -> tuple[str, tuple[float, float] | None, str]:
    """Column, lowest and highest viscosity of a grade by its name, or the reason why there are none."""
    text = grade.upper()
    iso = re.search(r"\bVG\s*(\d+)", text)
    if iso:
        table = standard_table("iso3448_vg")
        hit = table[table["grade"] == int(iso.group(1))]
        return "visc40_cSt", _ends(hit), f"ISO 3448 has no grade {iso.group(1)}"
    sae = re.search(r"(?:(\d+)\s*W)?[\s/-]*\b(\d+)\b\s*$", text)
    if sae is None or "SAE" not in text:
        return "", None, f"the grade {grade!r} names no viscosity; wanted a form such as ISO VG 46 or SAE 15W-40"
    winter, summer = int(sae.group(1) or 0), int(sae.group(2))
    table = standard_table("sae_grades")
    use = "gear" if max(winter, summer) >= _GEAR_FROM else "engine"
    hit = table[(table["use"] == use) & (table["grade"] == summer)]
    return "visc100_cSt", _ends(hit), f"no SAE {use} grade {summer}"


def _ends(hit: pd.DataFrame) -> tuple[float, float] | None:
    return (float(hit["low"].iloc[0]), float(hit["high"].iloc[0])) if len(hit) else None


def mixed_viscosity(kv_1: float, share_1: float, kv_2: float) -> Answer:
    """Viscosity of a mixture at the temperature of both: loglog(v + 0.7) is mixed by volume share (the blending rule
    behind ASTM D7152).

    share_1: volume share of the first fluid, 0..1. Both above 0.3 mm2/s. An estimate: mineral oils of one kind to a few
    per cent.
    """
    bad = not_positive(first_viscosity=kv_1, second_viscosity=kv_2)
    if bad or not 0 <= share_1 <= 1:
        return undefined(bad or f"share {share_1:g}; wanted 0 to 1")
    if min(kv_1, kv_2) <= 0.3:
        return undefined("a viscosity of 0.3 mm2/s or less has no double logarithm here")
    inner = [math.log10(math.log10(v + 0.7)) for v in (kv_1, kv_2)]
    return Answer(10**10 ** (share_1 * inner[0] + (1 - share_1) * inner[1]) - 0.7)


def foreign_share(kv_found: float, kv_own: float, kv_foreign: float) -> Answer:
    """Share of a foreign fluid that would explain a viscosity, by :func:`mixed_viscosity` turned round; all at one
    temperature.

    Undefined when the result does not lie between the two fluids: then mixing these two cannot explain it.
    """
    bad = not_positive(viscosity_found=kv_found, own_viscosity=kv_own, foreign_viscosity=kv_foreign)
    if bad:
        return undefined(bad)
    if min(kv_found, kv_own, kv_foreign) <= 0.3:
        return undefined("a viscosity of 0.3 mm2/s or less has no double logarithm here")
    found, own, foreign = (math.log10(math.log10(v + 0.7)) for v in (kv_found, kv_own, kv_foreign))
    if own == foreign:
        return undefined("both fluids are equally thick; viscosity cannot tell them apart")
    share = (found - own) / (foreign - own)
    if not -1e-9 <= share <= 1 + 1e-9:
        return undefined(
            f"{kv_found:g} mm2/s does not lie between {kv_own:g} and {kv_foreign:g}; mixing these two cannot explain it"
        )
    return Answer(min(max(share, 0.0), 1.0))
