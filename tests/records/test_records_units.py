"""Units at the door. Factors follow from the definitions of the SI and of percent; Saybolt seconds are checked against
a library.
"""

import numpy as np
import pytest
from chemicals.viscosity import viscosity_converter

from cmkit.errors import SettingsError
from cmkit.records.analytes import analyte_register
from cmkit.records.reading.units import conversion, knows_unit, mm2_s_to_saybolt, saybolt_to_mm2_s


@pytest.mark.parametrize(
    ("written", "ours", "value", "wanted"),
    [
        ("ppm", "ppm", 7, 7),
        ("mg/kg", "ppm", 7, 7),
        ("µg/g", "ppm", 7, 7),
        ("%", "ppm", 0.05, 500),
        ("mass %", "ppm", 0.05, 500),
        ("ppm", "%", 2500, 0.25),
        ("cSt", "mm2/s", 14.2, 14.2),
        ("mm²/s", "mm2/s", 14.2, 14.2),
        ("m2/s", "mm2/s", 1e-5, 10),
        ("A/cm", "A/cm", 12, 12),
        ("A/0.1 mm", "A/cm", 0.12, 12),
        ("Abs/0.1mm", "A/cm", 0.12, 12),
        ("A/mm", "A/cm", 1.2, 12),
        ("per 100 ml", "1/ml", 130000, 1300),
        ("counts/ml", "1/ml", 1300, 1300),
        ("°F", "degC", -34, (-34 - 32) / 1.8),
        ("°C", "degC", -37, -37),
        ("K", "degC", 273.15, 0),
        ("%", "vol %", 50, 50),
        ("mS/cm", "uS/cm", 2.5, 2500),
        ("mg KOH/g", "mg KOH/g", 9.5, 9.5),
        ("US gal", "l", 1, 3.785411784),
        ("min", "h", 90, 1.5),
        ("", "ppm", 3, 3),
    ],
)
def test_values_become_ours(written: str, ours: str, value: float, wanted: float) -> None:
    got = conversion(written, ours, "column", "here").apply(np.array([value]))
    np.testing.assert_allclose(got, [wanted], rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize(
    ("written", "ours", "words"),
    [
        ("mg/kgg", "ppm", "Did you mean 'mg/kg'"),
        ("miles", "h", "Hours and distances are never converted"),
        ("km", "h", "Hours and distances are never converted"),
        ("mg KOH/g", "ppm", "cannot be converted"),
        ("vol %", "ppm", "cannot be converted"),
        ("ppm", "1", "cannot be converted"),
        ("SUS", "mm2/s", "need their temperature"),
        ("SUS @ 100 F", "ppm", "Saybolt seconds are a viscosity"),
        ("mg/kg", "my unit", "a unit of your own"),
    ],
)
def test_a_unit_that_does_not_fit_is_one_clear_error(written: str, ours: str, words: str) -> None:
    with pytest.raises(SettingsError, match=words) as error:
        conversion(written, ours, "meter_h", "layouts/a.toml: [columns] 'X'")
    assert str(error.value).startswith("layouts/a.toml: [columns] 'X': ")


def test_every_unit_of_the_register_is_known() -> None:
    units = set(analyte_register()["unit"])
    assert [u for u in units if not conversion(u, u, "x", "x").nothing] == []
    assert knows_unit("mm²/s")
    assert not knows_unit("furlong")


def test_saybolt_seconds_against_an_independent_library() -> None:
    """Kinematic viscosity to Saybolt universal seconds at 100 F: the function of the library `chemicals` (its source:
    ASTM D2161).
    """
    viscosity = np.array([2, 5, 10, 20, 43, 65, 100, 400.0])
    theirs = [viscosity_converter(v * 1e-6, "kinematic viscosity", "saybolt universal") for v in viscosity]
    np.testing.assert_allclose(mm2_s_to_saybolt(viscosity, 100 / 1.8 - 32 / 1.8), theirs, rtol=2e-6)


@pytest.mark.parametrize("celsius", [37.78, 40.0, 98.89])
def test_saybolt_seconds_come_back(celsius: float) -> None:
    viscosity = np.geomspace(2, 2000, 50)
    np.testing.assert_allclose(saybolt_to_mm2_s(mm2_s_to_saybolt(viscosity, celsius), celsius), viscosity, rtol=1e-6)
    assert np.isnan(saybolt_to_mm2_s(np.array([31.0, np.nan]), celsius)).all()


def test_saybolt_unit_with_its_temperature() -> None:
    """From memory of common tables: 200 s at 100 F is about 43 mm2/s."""
    got = conversion("SUS @ 100 F", "mm2/s", "visc40_cSt", "here").apply(np.array([200.0]))
    np.testing.assert_allclose(got, [42.9], atol=0.3)
