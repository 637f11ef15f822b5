"""What an analyst decided by hand, as a book says it: corrections, accepted intervals, frozen numbers, own limits."""

from dataclasses import replace

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.sections.how import decided, how_made
from tests.page_words import words_of

HOSTILE = '<script>alert(1)</script>"><img src=x onerror=alert(1)>{{7*7}}=1+1../../x'


def with_decisions(book: Book, bad: str = "") -> Book:
    """The book with one correction that applies, one without a bottle, an interval, a frozen number and a limit of the
    fleet's own.
    """
    tables = book.tables
    bottle, place = tables.samples["sample"].iloc[0], tables.compartments.iloc[0]
    columns = ["correction", "sample", "field", "value", "decided_on", "decided_by", "reason"]
    rows = [
        ("K1", bottle, "meter_h", "1250" + bad, pd.Timestamp("2026-03-04"), "analyst 1" + bad,
        "read again on site" + bad),
        ("K2", "no such bottle", "compartment", place["compartment"], pd.Timestamp("2026-03-05"), "analyst 2",
        "exchanged"),
    ]  # fmt: skip
    about = tables.about | {
        "accepted_intervals": {place["compartment"]: 400.0, "a kind of another site": 999.0},
        "fixed_limits": [{"where": place["kind"], "analyte": "Fe_ppm" + bad, "alert": 80.0, "alarm": 120.0,
        "direction": "up"}],
    }  # fmt: skip
    numbers = pd.DataFrame(
        {"family": ["a", "b"], "analyte": ["Fe_ppm"] * 2, "frozen_on": pd.to_datetime(["2025-12-31", None])}
    )
    made = replace(tables, about=about, numbers=numbers, corrections=pd.DataFrame(rows, columns=columns))
    return replace(book, tables=made)


def test_what_an_analyst_decided_is_told(book: Book, fleet: Book) -> None:
    text = words_of(decided(with_decisions(book)))
    assert "1 correction applied" in text
    for word in (
        book.tables.samples["sample"].iloc[0],
        "meter hours",
        "1250",
        "analyst 1",
        "4 Mar 2026",
        "read again on site",
    ):
        assert word in text
    assert "no such bottle" not in text
    assert "1 sampling interval accepted" in text
    assert "400 h" in text
    assert "999" not in text
    assert "Family numbers frozen on 31 December 2025: 1 of 2;" in text
    assert "80 / 120 ppm" in text
    assert "1 correction of bottles without a result" in words_of(decided(with_decisions(fleet)))
    assert decided(with_decisions(book)) in how_made(with_decisions(book)).text


def test_one_line_when_an_analyst_decided_nothing(book: Book) -> None:
    assert words_of(decided(book)).strip().startswith("Nothing: no correction")
    assert decided(book).count("<p") == 1


def test_hostile_decisions_stay_text(book: Book) -> None:
    text = decided(with_decisions(book, HOSTILE))
    assert "<script" not in text
    assert "<img" not in text
    assert text.count("&lt;script&gt;") == 4  # value, who, why, and the limit's result
