"""Particle codes against the tables of ISO 4406:2021, SAE AS4059 E and NAS 1638, at the boundaries where a logarithm is
wrong.
"""

import numpy as np
import pandas as pd
import pytest

from cmkit.fluids.cleanliness import (
    as4059_classes,
    difference_class,
    iso_code,
    iso_codes,
    nas1638_classes,
    parse_iso_code,
)


@pytest.mark.parametrize(
    ("counts", "code"),
    [  # boundaries of ISO 4406:2021, upper bounds inclusive
        ((12345, 2345, 87), "21/18/14"),
        ((5000, 1300, 160), "19/17/14"),
        ((5001, 1301, 161), "20/18/15"),
        ((2_500_001, 10, 1), ">28/10/7"),
        ((np.nan, 1300, 160), "-/17/14"),
        ((0, 0, 0), "0/0/0"),
    ],
)
def test_iso_code(counts: tuple[float, float, float], code: str) -> None:
    assert iso_code(*counts).text == code


@pytest.mark.parametrize(
    ("count", "table", "logarithm"), [(1.29, 7, 8), (1.30, 7, 8), (645, 17, 16), (1305, 18, 17), (2550, 19, 18)]
)
def test_the_table_decides_where_a_logarithm_is_wrong(count: float, table: int, logarithm: int) -> None:
    assert iso_codes(count) == table
    assert np.ceil(np.log2(count / 0.01)) == logarithm


def test_every_row_of_the_table(design_data) -> None:
    table = pd.read_csv(design_data / "iso4406_codes.csv")
    upper = table["up_to_and_including_per_ml"].to_numpy()
    np.testing.assert_array_equal(iso_codes(upper), table["code"])
    np.testing.assert_array_equal(iso_codes(upper * (1 + 1e-9)), table["code"] + 1)
    np.testing.assert_array_equal(iso_codes([-1, np.nan, np.inf, 0]), [np.nan, np.nan, np.nan, 0])


def test_per_100_ml_is_another_unit() -> None:
    """130,000 per 100 ml are 1300 per ml: code 17, not 24."""
    assert iso_codes(130_000 / 100) == 17
    assert iso_codes(130_000) == 24


@pytest.mark.parametrize(
    ("counts", "why"),
    [((100, 200, 10), "rise with size"), ((100, np.nan, 200), "rise with size"), ((-1, 0, 0), "negative"),
    ((np.nan,) * 3, "no counts")],
)  # fmt: skip
def test_no_code_for_impossible_counts(counts: tuple[float, float, float], why: str) -> None:
    answer = iso_code(*counts)
    assert answer.text == ""
    assert why in answer.reason


def test_parse_gives_the_ranges() -> None:
    got = [(r.low, r.high) for r in parse_iso_code("22/18/13")]
    assert got == [(20_000, 40_000), (1300, 2500), (40, 80)]


def test_parse_marks() -> None:
    """`*` too many to count, `-` not required, `>=` raw count below 20 (ISO 4406, from memory); two numbers:
    microscope.
    """
    assert [r.mark for r in parse_iso_code("*/18/13")] == ["*", "", ""]
    assert [r.mark for r in parse_iso_code("-/18/13")] == ["-", "", ""]
    few = parse_iso_code("14/12/>=7")[2]
    assert (few.mark, few.low, few.high) == (">=", 0.64, 1.3)
    assert len(parse_iso_code("18/13")) == 2
    assert parse_iso_code(">28/20/10")[0].high == np.inf


@pytest.mark.parametrize(
    "text", ["37/18/13", "18", "18/16/13/10", "a/b/c", "", "18/16/-3", "13/16/18", "18/１６/13", "18.5/16/13"]
)
def test_parse_refuses(text: str) -> None:
    with pytest.raises(ValueError, match="ISO 4406 code"):
        parse_iso_code(text)


def test_parse_and_code_turn_round() -> None:
    for code in ("21/18/14", "28/20/0", ">28/28/28"):
        top = [min(r.high, 3e6) for r in parse_iso_code(code)]
        assert iso_code(*top).text == code


def test_as4059_class_six_and_one_particle_more() -> None:
    """SAE AS4059 E, unrounded edition: these counts per 100 ml are the upper limits of class 6."""
    counts = [50_000, 19_462, 3462, 612, 106, 16]
    assert as4059_classes(counts) == ("6A", "6B", "6C", "6D", "6E", "6F")
    counts[2] += 1
    assert as4059_classes(counts) == ("6A", "6B", "7C", "6D", "6E", "6F")
    assert as4059_classes([0, 1e9, np.nan]) == ("000A", ">12B", "")


def test_as4059_every_row(design_data) -> None:
    table = pd.read_csv(design_data / "as4059e_cumulative_per_100ml.csv", dtype={"class": "str"}).set_index("class")
    for _, row in table.iterrows():
        got = as4059_classes(row.tolist())
        # tiny upper limits repeat between classes (1 particle of 70 um is the limit of 1F and 2F): the
        # cleaner class is named
        cleanest = tuple(str(table.index[(table[c] == v).argmax()]) + c[0] for c, v in row.items())
        assert got == cleanest


def test_older_classes_are_differences_of_as4059(design_data) -> None:
    """NAS 1638 (from memory) equals differences of neighbouring AS4059 E columns in every cell."""
    cumulative = pd.read_csv(design_data / "as4059e_cumulative_per_100ml.csv", dtype={"class": "str"}).set_index(
        "class"
    )
    older = pd.read_csv(design_data / "nas1638_differential_per_100ml.csv", dtype={"class": "str"}).set_index("class")
    sizes = cumulative.columns[1:]
    both = cumulative.loc[older.index, sizes].astype(float)
    difference = (both - both.shift(-1, axis=1).fillna(0.0)).to_numpy()
    np.testing.assert_allclose(difference, older.astype(float), atol=1)


def test_older_class() -> None:
    assert nas1638_classes([16_000, 2850, 506, 90, 16]) == ("6",) * 5
    assert difference_class([16_000, 2850, 507, 90, 16]).value == 7
    assert difference_class([125, 22, 4, 1, 0]).value == -1
    assert not difference_class([2e6, 0, 0, 0, 0]).known
    assert not difference_class([np.nan] * 5).known
    with pytest.raises(ValueError, match="negative"):
        nas1638_classes([-1, 0, 0, 0, 0])
