"""Results that are not one number: `<1`, `>1000`, ISO 4406 codes. Ranges of the codes: tests/data/iso4406_codes.csv
(ISO 4406:2021, table 1).
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cmkit.fluids.cleanliness import iso_codes
from cmkit.records.analytes import analyte_register
from cmkit.records.censoring import bounds, counts_of_codes, flags, sides_of, signed
from cmkit.records.fleet import Fleet, newest_issue
from cmkit.records.reading.iso_codes import codes_of_texts, filled_from_codes

TABLE = pd.read_csv(Path(__file__).parent.parent / "data" / "iso4406_codes.csv")


def test_every_code_is_its_range_and_its_middle_gives_it_again() -> None:
    codes = TABLE["code"].to_numpy(float)
    low, high = counts_of_codes(codes)
    np.testing.assert_array_equal(low, TABLE["more_than_per_ml"])
    np.testing.assert_array_equal(high, TABLE["up_to_and_including_per_ml"])
    none, exact = np.full(len(codes), np.nan), np.zeros(len(codes), np.int8)
    count, side, kept = filled_from_codes(none, exact, codes, exact)
    np.testing.assert_array_equal(iso_codes(count), codes)
    np.testing.assert_array_equal(kept, codes)
    assert side.tolist() == [-1] + [0] * (len(codes) - 1), "code 0 has no lower end: a count below the upper one"


@pytest.mark.parametrize("wrong", [-1.0, 29.0, 18.5, np.nan])
def test_what_is_no_code_has_no_range(wrong: float) -> None:
    assert np.isnan(counts_of_codes(np.array([wrong]))).all()


def test_a_count_stands_before_a_code_and_a_code_beyond_the_table_is_above() -> None:
    count, side, code = filled_from_codes(np.array([1500.0, np.nan]), np.zeros(2, np.int8), np.array([21.0, 28.0]),
        np.array([0, 1], np.int8))  # fmt: skip
    assert count.tolist() == [1500.0, 2.5e6]
    assert side.tolist() == [0, 1]
    assert np.isnan(code[0])
    assert code[1] == 28


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("21/18/15", ("21", "18", "15")),
        (" 21 / 18 / 15 ", ("21", "18", "15")),
        ("18/13", ("", "18", "13")),
        (">28/22/16", (">28", "22", "16")),
        ("-/18/13", ("", "18", "13")),
        ("*/*/13", ("", "", "13")),
        ("19/16/>=7", ("19", "16", "7")),
        ("~21/18/15", ("21", "18", "15")),
        ("dirty", ("dirty",) * 3),
        ("21/18/15/12", ("21/18/15/12",) * 3),
        ("", ("", "", "")),
    ],
)
def test_a_code_is_cut_into_its_sizes(text: str, codes: tuple[str, ...]) -> None:
    assert tuple(v[0] for v in codes_of_texts(np.array([text], dtype=object)).values()) == codes


ROWS = "sample,compartment,drawn_on,reported_on,Fe_ppm,p4_per_ml,p4_code,p6_code\n"


def test_a_results_range_is_what_was_reported(load: Callable[..., Fleet]) -> None:
    """Our own form: limits, a code in place of a count, a code that is none."""
    fleet = load({"samples.csv": ROWS + "S1,WL-01/engine,2025-01-10,,>1000,,21,\nS2,WL-01/engine,2025-02-10,,<1,12345,19,\nS3,WL-01/engine,2025-03-10,,20,,>28,18.5\n"})  # fmt: skip
    shots = fleet.samples.sort_values("sample", ignore_index=True)
    assert shots["Fe_ppm"].tolist() == [1000, 1, 20]
    low, high = bounds(shots, "Fe_ppm")
    assert low[:2].tolist() == [1000, -np.inf]
    assert high[:2].tolist() == [np.inf, 1]
    assert np.isnan([low[2], high[2]]).all()
    low, high = bounds(shots, "p4_per_ml")
    assert (low[0], high[0], low[2], high[2]) == (10000, 20000, 2.5e6, np.inf)
    assert np.isnan([low[1], high[1]]).all(), "a count is a number, whatever code stands beside it"
    assert np.isnan(shots["p4_code"][1])
    assert fleet.set_aside[["row", "column", "value"]].values.tolist() == [[4, "p6_code", "18.5"]]
    assert "no code of ISO 4406" in fleet.set_aside["reason"][0]
    assert not len(fleet.repairs), "nothing was changed"
    assert flags(shots, ["Fe_ppm", "Cr_ppm"], "above").tolist() == [[True, False], [False, False], [False, False]]


def test_hours_given_as_a_limit_are_used_there_and_said(load: Callable[..., Fleet]) -> None:
    fleet = load({"samples.csv": "sample,compartment,drawn_on,meter_h,Fe_ppm\nS1,WL-01/engine,2025-01-10,>1000,3\n"})
    assert fleet.samples["meter_h"].tolist() == [1000]
    assert fleet.repairs[["column", "value", "used", "reason"]].values.tolist() == [
        ["meter_h", ">1000", "1000", "given as a limit; used at that limit"]
    ]


def test_flags_and_codes_come_from_the_issue_of_their_value(load: Callable[..., Fleet]) -> None:
    """The second issue counts what the first gave as a code, and leaves iron to the first."""
    text = ROWS + "S1,WL-01/engine,2025-01-10,2025-01-12,>1000,,21,18\nS1,WL-01/engine,2025-01-10,2025-01-15,,15000,,\n"
    shots, _ = newest_issue(load({"samples.csv": text}).samples)
    row = shots.iloc[0]
    assert (row["Fe_ppm"], row["Fe_ppm_above"], row["p4_per_ml"]) == (1000, True, 15000)
    assert np.isnan(row["p4_code"])
    assert row["p6_code"] == 18


def test_signs_and_sides() -> None:
    assert [signed(1, True, False), signed(1, False, True), signed(1, False, False),
    signed(np.nan, True, False)] == ["<", ">", "", ""]  # fmt: skip
    assert sides_of(np.array([True, False])).tolist() == [-1, 0]
    assert sides_of([1, 0, -1]).tolist() == [1, 0, -1]


def test_every_analyte_has_both_flags(load: Callable[..., Fleet]) -> None:
    names = load({}).samples.columns
    assert {f"{a}_{f}" for a in analyte_register().index for f in ("below", "above")} <= set(names)
