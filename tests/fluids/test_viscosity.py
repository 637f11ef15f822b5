"""Viscosity formulas against ASTM D2270 examples, the library chemicals as peer, derived D341 values and ISO 3448
limits.
"""

import math

import numpy as np
import pandas as pd
import pytest
from chemicals.viscosity import viscosity_index as peer_index
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from cmkit.fluids.viscosity import (
    at_40_and_100,
    foreign_share,
    grade_viscosity,
    index_reference,
    iso_grade,
    mixed_viscosity,
    reported_index,
    viscosity_at,
    viscosity_index,
    walther,
)


@pytest.mark.parametrize(
    ("kv40", "kv100", "unrounded", "reported"),
    [
        (73.30, 8.86, 92.4296, 92),  # ASTM D2270, example of procedure A; unrounded by chemicals 1.5.2
        (22.83, 5.05, 156.4235, 156),  # ASTM D2270, example 1 of procedure B; the standard rounds H and prints 156
        (53.47, 7.80, 111.3070, 111),  # ASTM D2270, example 2 of procedure B (result from memory)
        (32, 5.4, 102.2127, 102),  # this and below: chemicals 1.5.2
        (46, 6.8, 101.6085, 102),
        (100, 11.4, 100.2646, 100),
        (105, 14.3, 139.1011, 139),
        (5000, 75, 15.1624, 15),  # beyond the table: the standard's equations
    ],
)
def test_viscosity_index_of_known_oils(kv40: float, kv100: float, unrounded: float, reported: int) -> None:
    assert viscosity_index(kv40, kv100).value == pytest.approx(unrounded, abs=1e-3)
    assert reported_index(kv40, kv100).value == reported


def test_intermediate_values_of_the_standard() -> None:
    """ASTM D2270: L 119.94 and H 69.48 at 8.86 mm2/s, H 28.97 at 5.05, H 57.31 at 7.80 (printed to two places)."""
    np.testing.assert_allclose(index_reference(8.86), (119.94, 69.48), atol=0.006)
    assert index_reference(5.05)[1] == pytest.approx(28.97, abs=0.006)
    assert index_reference(7.80)[1] == pytest.approx(57.31, abs=0.006)


def test_table_is_the_standards(design_data) -> None:
    table = pd.read_csv(design_data / "d2270_table1_LH.csv")
    got = np.array([index_reference(y) for y in table["kv100"]])
    np.testing.assert_allclose(got, table[["L", "H"]], rtol=1e-12)
    assert index_reference(70.0) == (4905.0, 1558.0)
    np.testing.assert_allclose(index_reference(70.0000001), (4903.87, 1557.66), rtol=1e-5)


@settings(deadline=None)
@given(st.floats(2.0, 200), st.floats(1.5, 40))
def test_viscosity_index_equals_the_peer_everywhere(kv100: float, ratio: float) -> None:
    kv40 = kv100 * ratio
    own, peer = viscosity_index(kv40, kv100).value, peer_index(kv40 * 1e-6, kv100 * 1e-6)
    assume(math.isfinite(peer))
    assert own == pytest.approx(peer, rel=1e-6, abs=1e-3)


@pytest.mark.parametrize("kv100", [2.0, 5.05, 33.3, 70.0, 120.0])
def test_an_oil_with_viscosity_h_has_index_100_by_both_procedures(kv100: float) -> None:
    high = index_reference(kv100)[1]
    assert viscosity_index(high, kv100).value == pytest.approx(100, abs=1e-9)
    assert viscosity_index(high * (1 - 1e-9), kv100).value == pytest.approx(100, abs=1e-5)


@pytest.mark.parametrize(
    ("kv40", "kv100", "why"),
    [
        (7, 1.9, "defined from 2"),  # ASTM D2270: undefined below 2 mm2/s
        (10, 12, "exchanged"),
        (-1, 5, "above zero"),
        (math.nan, 5, "above zero"),
        (math.inf, 5, "above zero"),
    ],
)
def test_undefined_index_is_a_reason_and_no_number(kv40: float, kv100: float, why: str) -> None:
    for answer in (viscosity_index(kv40, kv100), reported_index(kv40, kv100)):
        assert not answer.known
        assert why in answer.reason


@pytest.mark.parametrize(
    ("kv40", "kv100", "a", "b", "at"),
    [  # derived from the double-logarithm form of ASTM D341, tolerance 1e-4
        (46, 6.8, 9.417993, 3.684441, {0: 577.32, 20: 133.838, 50: 29.9730, 60: 20.6227, 80: 11.1026, 130: 3.8511}),
        (100, 11.4, 9.059321, 3.509015, {0: 1719.49, 20: 334.280, 50: 61.5068, 60: 40.2170, 80: 19.8916, 130: 5.9906}),
    ],
)
def test_viscosity_temperature(kv40: float, kv100: float, a: float, b: float, at: dict[int, float]) -> None:
    np.testing.assert_allclose(walther(40, kv40, 100, kv100), (a, b), atol=2e-6)
    np.testing.assert_allclose([viscosity_at(t, kv40, kv100).value for t in at], list(at.values()), rtol=1e-4)
    np.testing.assert_allclose([viscosity_at(t, kv40, kv100).value for t in (40, 100)], (kv40, kv100), rtol=1e-12)
    np.testing.assert_allclose(walther(100, kv100, 40, kv40), (a, b), atol=2e-6)
    assert (np.diff([viscosity_at(t, kv40, kv100).value for t in range(-20, 140, 5)]) < 0).all()


def test_a_result_at_98_9_C_is_brought_to_100_before_the_index() -> None:
    """Some laboratories report at 210 F = 98.89 C (unit identity)."""
    at_210f = viscosity_at(98.889, 100, 11.4).value
    assert at_210f > 11.4
    kv40, kv100 = at_40_and_100(40, 100, 98.889, at_210f)
    np.testing.assert_allclose((kv40.value, kv100.value), (100, 11.4), rtol=1e-9)


@pytest.mark.parametrize(
    ("temperature", "kv40", "kv100", "why"),
    [(200, 46, 6.8, "below 2"), (20, 46, 1.5, "above 2"), (20, 6.8, 46, "thinner"), (-300, 46, 6.8, "no temperature"),
    (20, 0, 6.8, "above zero")],
)  # fmt: skip
def test_viscosity_outside_the_formula_is_a_reason(temperature: float, kv40: float, kv100: float, why: str) -> None:
    answer = viscosity_at(temperature, kv40, kv100)
    assert not answer.known
    assert why in answer.reason


@pytest.mark.parametrize(
    ("kv40", "grade"),
    # ISO 3448: +-10 %
    [(50.6, 46), (41.4, 46), (61.2, 68), (2.2, 2), (3.2, 3), (4.6, 5), (6.8, 7), (1.98, 2), (3520, 3200), (32, 32)],
)  # fmt: skip
def test_iso_grade(kv40: float, grade: int) -> None:
    assert iso_grade(kv40).value == grade


@pytest.mark.parametrize("kv40", [50.7, 41.3, 1.9, 4000, 0, math.nan])
def test_between_the_grades_there_is_none(kv40: float) -> None:
    answer = iso_grade(kv40)
    assert not answer.known
    assert answer.reason


def test_iso_grades_are_the_standards(design_data) -> None:
    for row in pd.read_csv(design_data / "iso3448_vg.csv").itertuples():
        assert [iso_grade(v).value for v in (row.min, row.mid_mm2_s_40C, row.max)] == [row.iso_vg] * 3


@pytest.mark.parametrize(
    ("grade", "column", "value"),
    [
        ("ISO VG 46", "visc40_cSt", 46),
        ("VG 5", "visc40_cSt", 4.6),
        ("SAE 15W-40", "visc100_cSt", 14.4),  # SAE J300 (from memory): 12.5 to 16.3
        ("SAE 10W/30", "visc100_cSt", 10.9),
        ("SAE 30", "visc100_cSt", 10.9),
        ("SAE 80W-90", "visc100_cSt", 16.0),  # SAE J306 (from memory): 13.5 to 18.5
        ("sae 50", "visc100_cSt", 19.1),
    ],
)
def test_grade_names(grade: str, column: str, value: float) -> None:
    name, answer = grade_viscosity(grade)
    assert (name, answer.value) == (column, pytest.approx(value))


@pytest.mark.parametrize("grade", ["", "long life", "ISO VG 47", "SAE 35", "50/50 premix", "40"])
def test_a_grade_that_says_nothing(grade: str) -> None:
    answer = grade_viscosity(grade)[1]
    assert not answer.known
    assert answer.reason


@settings(deadline=None)
@given(st.floats(5, 500), st.floats(5, 500), st.floats(0.02, 0.98))
def test_mixing_lies_between_and_turns_round(one: float, other: float, share: float) -> None:
    assume(abs(one - other) > 0.5)
    mixed = mixed_viscosity(one, 1 - share, other).value
    assert min(one, other) <= mixed <= max(one, other)
    assert foreign_share(mixed, one, other).value == pytest.approx(share, abs=1e-6)


def test_mixing_cannot_explain_what_lies_outside() -> None:
    assert "cannot explain" in foreign_share(60, 100, 68).reason
    assert "equally thick" in foreign_share(60, 68, 68).reason
    assert "0 to 1" in mixed_viscosity(10, 1.2, 20).reason


def test_fuel_thins_as_a_handbook_blend() -> None:
    """Equal parts of 10 and 1000 mm2/s: the double logarithm gives about 64 (hand computed), far below the geometric
    mean of 100.
    """
    hand = 10**10 ** ((math.log10(math.log10(10.7)) + math.log10(math.log10(1000.7))) / 2) - 0.7
    assert mixed_viscosity(10, 0.5, 1000).value == pytest.approx(hand, rel=1e-12)
    assert hand < 100
