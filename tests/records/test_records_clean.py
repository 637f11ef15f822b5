"""Numbers, dates and words as people and laboratories write them. Forms of writing are common practice; the values are
plain arithmetic.
"""

import math
from datetime import datetime

import numpy as np
import pandas as pd
import pytest

from cmkit.records.reading.clean import Words, match_words, normal, odd_texts, parse_dates, parse_flags, parse_numbers


def one(text: object, decimal: str = "", limit: float = float("nan")) -> tuple[float, int, str, str]:
    found = parse_numbers(np.array([text], dtype=object), Words(decimal=decimal), limit)
    return float(found.value[0]), int(found.side[0]), str(found.problem[0]), str(found.repair[0])


@pytest.mark.parametrize(
    ("text", "decimal", "value", "side", "repair"),
    [
        ("12.5", "", 12.5, 0, ""),
        (" 12 ", "", 12, 0, ""),
        (".5", "", 0.5, 0, ""),
        ("1e3", "", 1000, 0, ""),
        (12.5, "", 12.5, 0, ""),
        (12, "", 12, 0, ""),
        ("<1", "", 1, -1, ""),
        ("< 0.1", "", 0.1, -1, ""),
        ("≤2", "", 2, -1, ""),
        ("-36", "", -36, 0, ""),
        ("−36", "", -36, 0, ""),
        ("<-36", "", -36, -1, ""),
        ("12,5", "", 12.5, 0, "decimal comma"),
        ("<0,1", "", 0.1, -1, "decimal comma"),
        ("0,125", "", 0.125, 0, "decimal comma"),
        ("1,234.5", "", 1234.5, 0, "comma between thousands"),
        ("1,234,567", "", 1234567, 0, "comma between thousands"),
        ("1.234,5", "", 1234.5, 0, "points between thousands, decimal comma"),
        ("1 234", "", 1234, 0, "space between thousands"),
        ("1\u00a0234", "", 1234, 0, "space between thousands"),
        ("1,234", ".", 1234, 0, "comma between thousands"),
        ("1,234", ",", 1.234, 0, ""),
        ("1.234,5", ",", 1234.5, 0, ""),
        ("12.5", ",", 12.5, 0, "decimal point in a file of decimal commas"),
        ("1,234", "either", 1.234, 0, "decimal comma"),
        (">100", "", 100, 1, ""),
        (">= 1,5", "", 1.5, 1, "decimal comma"),
        ("125*", "", 125, 0, "footnote mark taken off"),
    ],
)
def test_a_number_is_read(text: object, decimal: str, value: float, side: int, repair: str) -> None:
    assert one(text, decimal) == (pytest.approx(value, rel=1e-12), side, "", repair)


@pytest.mark.parametrize(
    "text", ["abc", "12 ppm", "0x1A", "1_000", "inf", "--5", "1.2.3", "=1+1", "<", "<>1", "12..5", "True", "1e999"]
)
def test_what_is_no_number_says_so(text: str) -> None:
    value, side, problem, _ = one(text)
    assert math.isnan(value) or problem
    assert problem.startswith("not a number")
    assert side == 0


def test_a_comma_with_two_meanings_is_never_guessed() -> None:
    value, _, problem, repair = one("1,234")
    assert math.isnan(value)
    assert problem == "a comma with two meanings; 1.234 or 1234? Write it without the comma"
    assert repair == ""


@pytest.mark.parametrize("word", ["ND", "n.d.", "Not Detected", "<LOD", "BDL"])
def test_not_detected_is_the_reporting_limit_and_flagged(word: str) -> None:
    assert one(word, limit=0.1) == (0.1, -1, "", "not detected; used as below the reporting limit")
    assert "no reporting limit" in one(word)[2]


@pytest.mark.parametrize("word", ["", "  ", "n/a", "-", "Not tested", "#N/A"])
def test_not_tested_is_not_recorded_and_never_zero(word: str) -> None:
    value, side, problem, repair = one(word, limit=1)
    assert math.isnan(value)
    assert (side, problem) == (0, "")
    assert bool(repair) is bool(word.strip())


def test_a_column_of_floats_passes_as_it_is() -> None:
    found = parse_numbers(np.array([1.5, np.nan, np.inf]))
    assert found.value[0] == 1.5
    assert np.isnan(found.value[1:]).all()
    assert found.problem.tolist() == ["", "", "not a number"]


@pytest.mark.parametrize(
    ("text", "form", "day", "repair"),
    [
        ("2026-01-09", "", "2026-01-09", ""),
        ("2026-01-09 14:30", "", "2026-01-09", ""),
        ("2026-01-09T14:30:00", "", "2026-01-09", ""),
        (datetime(2026, 1, 9, 5), "", "2026-01-09", ""),
        ("09.01.2026", "", "2026-01-09", "day.month.year"),
        ("25/12/2025", "", "2025-12-25", "day/month/year"),
        ("12/25/2025", "", "2025-12-25", "month/day/year"),
        ("05/05/2025", "", "2025-05-05", "day/month/year"),
        ("2025/12/25", "", "2025-12-25", "year, month, day"),
        ("09/01/2026", "%d/%m/%Y", "2026-01-09", ""),
        ("01/09/26", "%m/%d/%y", "2026-01-09", ""),
        # day 46031 of a spreadsheet is 9 January 2026: day 1 is 1 January 1900, with the 29 February 1900
        # that never was
        ("46031", "", "2026-01-09", "a spreadsheet's day number"),
    ],
)
def test_a_day_is_read(text: object, form: str, day: str, repair: str) -> None:
    found = parse_dates(np.array([text], dtype=object), Words(dates=form))
    assert (str(found.value[0])[:10], found.problem[0], found.repair[0]) == (day, "", repair)


@pytest.mark.parametrize(
    ("form", "swapped", "texts", "days"),
    [
        ("%d/%m/%Y", "%m/%d/%Y", ["03/04/2026", "03/25/2026", "25/03/2026", "05/05/2026", "2026-03-09"],
        ["", "", "2026-03-25", "2026-05-05", "2026-03-09"]),
        ("%m/%d/%y", "%d/%m/%y", ["03/04/26", "25/03/26"], ["", ""]),
        ("%d.%m.%Y", "%m.%d.%Y", ["03.04.2026", "03.25.2026"], ["", ""]),
        ("%d/%m/%Y", "", ["03/04/2026", "25/03/2026", "03/13/26x", ""], ["2026-04-03", "2026-03-25", "", ""]),
        ("%Y-%m-%d", "", ["2026-03-04", "2026-03-25"], ["2026-03-04", "2026-03-25"]),
    ],
)  # fmt: skip
def test_a_column_that_contradicts_its_declared_form_is_not_read_by_it(
    form: str, swapped: str, texts: list[str], days: list[str]
) -> None:
    """One day that only the form with day and month exchanged can read puts in doubt every day that both can read."""
    found = parse_dates(np.array(texts, dtype=object), Words(dates=form))
    assert [str(day)[:10] if not np.isnat(day) else "" for day in found.value] == days
    assert found.problem[0] == (
        f"day and month could be exchanged: the column is declared {form}, and its {texts[1]} can only be {swapped}; "
        f"correct the layout or the file"
        if swapped
        else ""
    )


@pytest.mark.parametrize(
    ("text", "form", "problem"),
    [
        ("03/04/2025", "", "day and month could be exchanged; wanted a date such as 2026-06-30"),
        ("2026-02-30", "", "no such day; wanted a date such as 2026-06-30"),
        ("yesterday", "", "not a date; wanted a date such as 2026-06-30"),
        ("0001-01-01", "", "a date before 1950"),
        ("09/01/26", "%d.%m.%Y", "not a date; wanted a date in the form %d.%m.%Y"),
        ("99999", "", "a date before 1950"),
    ],
)
def test_an_unclear_day_says_why(text: str, form: str, problem: str) -> None:
    found = parse_dates(np.array([text], dtype=object), Words(dates=form))
    if text == "99999":  # 13 October 2173: readable, and then set aside as future by the loader
        assert str(found.value[0])[:4] == "2173"
    else:
        assert np.isnat(found.value[0])
        assert found.problem[0] == problem


def test_flags_and_words() -> None:
    flags = parse_flags(np.array(["true", "NO", "x", "", "maybe", True, 0.0], dtype=object))
    assert flags.value[[0, 1, 2, 5, 6]].tolist() == [1, 0, 1, 1, 0]
    assert np.isnan(flags.value[[3, 4]]).all()
    assert flags.problem.tolist() == ["", "", "", "", "wanted true or false", "", ""]
    words = match_words(
        np.array(["full", "Drain  Stream", "half", ""], dtype=object), ("full", "drain stream"), "full, drain stream"
    )
    assert words.value.tolist() == ["full", "drain stream", "", ""]
    assert words.repair.tolist() == ["", "spelling", "", ""]
    assert words.problem.tolist() == ["", "", "not one of full, drain stream", ""]


def test_normal_takes_out_case_and_spacing_only() -> None:
    assert normal(" WL-01 /  Final Drive/ Left ") == "wl-01/final drive/left"
    assert normal("left") != normal("right")


def test_typed_days_are_judged_as_written_ones() -> None:
    days = np.array(["1949-12-31T23:00", "1950-01-01T07:30", "NaT", "1969-12-31T23:00"], dtype="datetime64[us]")
    found = parse_dates(days)
    assert found.problem.tolist() == ["a date before 1950", "", "", ""]
    assert np.datetime_as_string(found.value, unit="s").tolist() == [
        "NaT", "1950-01-01T00:00:00", "NaT", "1969-12-31T00:00:00",
    ]  # fmt: skip


def test_texts_that_need_a_look() -> None:
    texts = pd.array(["B 1", " B1", "B1 ", "", None, "B\n1", "Bö", "B1"], dtype="str")
    assert odd_texts(texts).tolist() == [1, 2, 3, 4, 5, 6]
    assert odd_texts(texts[:0]).tolist() == []
