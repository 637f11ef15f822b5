"""Units at the door: what a laboratory writes, into the unit of our own column. Hours and distances never mix.

ppm is mg/kg (mass); cSt is mm2/s. Base and acid numbers (mg of KOH per g) and percent by volume have dimensions of
their own, so that they cannot pass for a mass fraction. Saybolt universal seconds become mm2/s by the published
equation, inverted.
"""

import difflib
import re
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pint

from cmkit.errors import SettingsError


@dataclass(frozen=True)
class Conversion:
    """value_in_our_unit = scale * value + offset, or Saybolt universal seconds at `saybolt_C` to mm2/s where that is a
    number.
    """

    scale: float = 1.0
    offset: float = 0.0
    saybolt_C: float = float("nan")

    @property
    def nothing(self) -> bool:
        return self.scale == 1.0 and self.offset == 0.0 and np.isnan(self.saybolt_C)

    def apply(self, values: np.ndarray) -> np.ndarray:
        """Values in our unit; NaN stays NaN."""
        if not np.isnan(self.saybolt_C):
            return saybolt_to_mm2_s(values, self.saybolt_C)
        return values if self.nothing else values * self.scale + self.offset


# Ways of writing a unit, as laboratories do; left side without spaces and in lower case.
_WRITTEN = {
    "ppm": "mg/kg",
    "ppmw": "mg/kg",
    "ppm(m/m)": "mg/kg",
    "ppmm": "mg/kg",
    "mg/kg": "mg/kg",
    "µg/g": "mg/kg",
    "μg/g": "mg/kg",
    "ug/g": "mg/kg",
    "g/kg": "g/kg",
    "g/100g": "percent_mass",
    "%": "percent_mass",
    "wt%": "percent_mass",
    "wt.%": "percent_mass",
    "%wt": "percent_mass",
    "mass%": "percent_mass",
    "%m/m": "percent_mass",
    "%(m/m)": "percent_mass",
    "w%": "percent_mass",
    "%w/w": "percent_mass",
    "percent": "percent_mass",
    "pct": "percent_mass",
    "vol%": "percent_volume",
    "%vol": "percent_volume",
    "v%": "percent_volume",
    "%v/v": "percent_volume",
    "vol.%": "percent_volume",
    "%(v/v)": "percent_volume",
    "cst": "mm**2/s",
    "mm2/s": "mm**2/s",
    "mm²/s": "mm**2/s",
    "mm^2/s": "mm**2/s",
    "m2/s": "m**2/s",
    "st": "cm**2/s",
    "mgkoh/g": "mg*koh/g",
    "mg(koh)/g": "mg*koh/g",
    "mg/gkoh": "mg*koh/g",
    "a/cm": "absorbance/cm",
    "abs/cm": "absorbance/cm",
    "abs./cm": "absorbance/cm",
    "a/0.1mm": "absorbance/tenth_mm",
    "abs/0.1mm": "absorbance/tenth_mm",
    "abs./0.1mm": "absorbance/tenth_mm",
    "a/mm": "absorbance/mm",
    "1/ml": "1/ml",
    "/ml": "1/ml",
    "perml": "1/ml",
    "p/ml": "1/ml",
    "counts/ml": "1/ml",
    "particles/ml": "1/ml",
    "#/ml": "1/ml",
    "1/100ml": "1/hundred_ml",
    "/100ml": "1/hundred_ml",
    "per100ml": "1/hundred_ml",
    "counts/100ml": "1/hundred_ml",
    "particles/100ml": "1/hundred_ml",
    "#/100ml": "1/hundred_ml",
    "c": "degC",
    "°c": "degC",
    "degc": "degC",
    "ºc": "degC",
    "f": "degF",
    "°f": "degF",
    "degf": "degF",
    "ºf": "degF",
    "k": "kelvin",
    "us/cm": "uS/cm",
    "µs/cm": "uS/cm",
    "μs/cm": "uS/cm",
    "ms/cm": "mS/cm",
    "ms/m": "mS/m",
    "h": "h",
    "hr": "h",
    "hrs": "h",
    "hours": "h",
    "hour": "h",
    "smu": "h",
    "min": "min",
    "d": "day",
    "days": "day",
    "km": "km",
    "mi": "mile",
    "mile": "mile",
    "miles": "mile",
    "kms": "km",
    "l": "l",
    "litre": "l",
    "litres": "l",
    "liter": "l",
    "liters": "l",
    "ltr": "l",
    "ml": "ml",
    "usgal": "gallon",
    "usgallon": "gallon",
    "usgallons": "gallon",
    "us.gal": "gallon",
    "gal(us)": "gallon",
    "impgal": "imperial_gallon",
    "imp.gal": "imperial_gallon",
    "impgallon": "imperial_gallon",
    "impgallons": "imperial_gallon",
    "imperialgallon": "imperial_gallon",
    "imperialgallons": "imperial_gallon",
    "gal(imp)": "imperial_gallon",
    "gal(uk)": "imperial_gallon",
    "ukgal": "imperial_gallon",
    "qt": "quart",
    "qts": "quart",
    "quart": "quart",
    "quarts": "quart",
    "lt": "l",
    "lts": "l",
    "ltrs": "l",
    "mm": "mm",
    "cm": "cm",
    "m": "m",
    "in": "inch",
    "inch": "inch",
    "1": "one",
    "": "one",
    "index": "one",
    "ph": "one",
    "phunits": "one",
    "none": "one",
}
_GALLONS = ("gal", "gals", "gallon", "gallons", "galls")  # US or imperial is not said
_OURS = {
    "ppm": "mg/kg",
    "%": "percent_mass",
    "vol %": "percent_volume",
    "mg KOH/g": "mg*koh/g",
    "A/cm": "absorbance/cm",
    "1/ml": "1/ml",
    "degC": "degC",
    "uS/cm": "uS/cm",
    "mm2/s": "mm**2/s",
    "1": "one",
    "h": "h",
    "l": "l",
    "mm": "mm",
    "money": "one",
    "money/h": "one",
}
_SAYBOLT = re.compile(r"(?:sus|ssu)(?:@|at)?(\d+(?:\.\d+)?)?(°?[cf]|deg[cf])?")


@cache
def _registry() -> pint.UnitRegistry[Any]:
    """pint's registry with our own dimensions: mass fraction, volume fraction, base and acid number, absorbance, plain
    number.
    """
    units: pint.UnitRegistry[Any] = pint.UnitRegistry()
    units.define("koh = [koh]")
    units.define("one = [plain_number]")
    units.define("absorbance = [absorbance]")
    units.define("tenth_mm = 0.1 * mm")
    units.define("hundred_ml = 100 * ml")
    units.define("percent_mass = 0.01")
    units.define("percent_volume = 0.01 * volume_part")
    units.define("volume_part = [volume_fraction]")
    return units


def plain_unit(written: str) -> str:
    """A unit as written, without spaces and case."""
    return re.sub(r"\s+", "", written).casefold().replace("mgkoh.g-1", "mgkoh/g").replace("mm2s-1", "mm2/s")


def knows_unit(written: str) -> bool:
    """True where :func:`conversion` knows what is written, or would ask which gallons are meant."""
    return plain_unit(written) in (*_WRITTEN, *_GALLONS) or _SAYBOLT.fullmatch(plain_unit(written)) is not None


@cache
def conversion(written: str, ours: str, column: str, where: str) -> Conversion:
    """How values written in `written` become values in the unit `ours` of `column`.

    `where` names the file and place in errors. Raises SettingsError where the unit is not known (with the nearest known
    one) or cannot be converted (hours and miles, a mass and a volume fraction, ...). Percent is taken as percent by
    volume where ours is by volume.
    """
    if not written.strip():
        return Conversion()
    key = plain_unit(written)
    if ours not in _OURS:
        if key == plain_unit(ours):
            return Conversion()
        raise SettingsError(
            f"{where}: {column} is in {ours!r}, a unit of your own; values in {written!r} cannot be converted."
        )
    if saybolt := _SAYBOLT.fullmatch(key):
        return _saybolt(saybolt, ours, column, where)
    if key in _GALLONS and ours == "l":
        raise SettingsError(
            f'{where}: {column} in gallons: US (3.785 l) or imperial (4.546 l)? Write gallon = "US" or gallon = '
            f'"imperial" into the layout.'
        )
    if key not in _WRITTEN:
        near = difflib.get_close_matches(key, _WRITTEN, n=1, cutoff=0.5)
        hint = f"Did you mean '{near[0]}'?" if near else f"Wanted a unit of the same kind as '{ours}'."
        raise SettingsError(f"{where}: unknown unit {written!r} for {column}. {hint}")
    source, target = _WRITTEN[key], _OURS[ours]
    if source == "percent_mass" and target == "percent_volume":
        source = target
    units = _registry()
    try:
        at = [units.Quantity(x, source).to(target).magnitude for x in (0.0, 1.0)]
    except pint.DimensionalityError:
        extra = " Hours and distances are never converted into one another." if ours == "h" else ""
        raise SettingsError(
            f"{where}: {column} is in {ours}; values in {written!r} cannot be converted into it.{extra}"
        ) from None
    scale = at[1] - at[0]
    return Conversion(float(f"{scale:.12g}"), float(f"{at[0]:.12g}"))


def _saybolt(match: re.Match[str], ours: str, column: str, where: str) -> Conversion:
    if ours != "mm2/s":
        raise SettingsError(f"{where}: Saybolt seconds are a viscosity; {column} is in {ours}.")
    if match[1] is None:
        raise SettingsError(f"{where}: Saybolt seconds need their temperature, such as 'SUS @ 100 F', for {column}.")
    fahrenheit = match[2] is None or match[2].endswith("f")
    degrees = float(match[1])
    return Conversion(saybolt_C=(degrees - 32) / 1.8 if fahrenheit else degrees)


def mm2_s_to_saybolt(viscosity: np.ndarray, temperature_C: float) -> np.ndarray:
    """Saybolt universal seconds of a kinematic viscosity (mm2/s, 1 and more) at a temperature.

    Source: the equation of ASTM D2161 (SI form), from memory; checked in the tests against an independent library's.
    """
    v = np.asarray(viscosity, dtype=float)
    at_100f = 4.6324 * v + (1.0 + 0.03264 * v) / ((3930.2 + 262.7 * v + 23.97 * v**2 + 1.646 * v**3) * 1e-5)
    return at_100f * (1 + 0.000061 * ((temperature_C * 1.8 + 32) - 100))


def saybolt_to_mm2_s(seconds: np.ndarray, temperature_C: float) -> np.ndarray:
    """Kinematic viscosity (mm2/s) of Saybolt universal seconds at a temperature: Newton's method on
    :func:`mm2_s_to_saybolt`.

    Below 32 s (about 2 mm2/s) the method is not defined: NaN.
    """
    t = np.asarray(seconds, dtype=float)
    v = np.maximum(t / 4.6324, 1.0)
    for _ in range(60):
        slope = (mm2_s_to_saybolt(v * 1.0001, temperature_C) - mm2_s_to_saybolt(v, temperature_C)) / (v * 1e-4)
        v = np.maximum(v - (mm2_s_to_saybolt(v, temperature_C) - t) / slope, 0.5)
    return np.where(t >= 32, v, np.nan)
