"""What was published stays as it was said: an append-only record, read back as written."""

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cmkit.assess import assess
from cmkit.assessment import Assessment
from cmkit.errors import RecordsError
from cmkit.learnt import Learnt
from cmkit.practice.published import (
    FILE,
    PUBLISHED,
    append_published,
    first_said,
    published_alarms,
    published_outcomes,
    read_published,
    said_in,
    said_otherwise,
    unpublished_alarms,
)
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import names, typed
from tests.lengths import short_or_full


def said(
    month: str = "2026-06",
    state: str = "alarm",
    chance: float = 0.62,
    work: str = "Pressure test.",
    place: str = "M/engine",
) -> pd.DataFrame:
    verdicts = pd.DataFrame({"compartment": [place], "state": [state], "chance": [chance], "cause": ["coolant leak"],
        "severity": ["clear"], "sample": ["s1"]})  # fmt: skip
    orders = pd.DataFrame(
        {"compartment": [place], "work": [work], "group": ["pressure test"], "due_on": [pd.Timestamp("2026-07-05")]}
    )
    waiting = pd.DataFrame({"compartment": [place], "cost_of_waiting": [1234.5]})
    return said_in(month, pd.Timestamp("2026-06-30"), verdicts, orders, waiting)


def test_a_month_is_read_back_as_it_was_said(tmp_path: Path) -> None:
    assert append_published(tmp_path, said(), pd.Timestamp("2026-07-02 14:00")) == 1
    row = read_published(tmp_path).iloc[0]
    assert row[["month", "compartment", "state", "chance", "cause", "work"]].tolist() == ["2026-06", "M/engine",
    "alarm", 0.62, "coolant leak", "Pressure test."]  # fmt: skip
    assert row["published_on"] == pd.Timestamp("2026-07-02")
    assert row["cost_of_waiting"] == 1234.0  # rounded half to even


def test_nothing_published_is_an_empty_table(tmp_path: Path) -> None:
    out = read_published(tmp_path)
    assert out.columns.tolist() == PUBLISHED
    assert len(out) == 0


def test_the_same_again_adds_nothing_and_another_word_keeps_both(tmp_path: Path) -> None:
    append_published(tmp_path, said(), pd.Timestamp("2026-07-02"))
    before = (tmp_path / FILE).read_bytes()
    assert append_published(tmp_path, said(), pd.Timestamp("2026-07-09")) == 0
    assert (tmp_path / FILE).read_bytes() == before
    assert append_published(tmp_path, said(state="alert", chance=0.3), pd.Timestamp("2026-07-09")) == 1
    assert (tmp_path / FILE).read_bytes().startswith(before)
    assert read_published(tmp_path)["state"].tolist() == ["alarm", "alert"]
    assert first_said(read_published(tmp_path))["state"].tolist() == ["alarm"]


def test_what_is_said_again_after_a_change_is_kept_too(tmp_path: Path) -> None:
    for day, state in (("2026-07-02", "alarm"), ("2026-07-03", "alert"), ("2026-07-04", "alarm")):
        append_published(tmp_path, said(state=state), pd.Timestamp(day))
    assert read_published(tmp_path)["state"].tolist() == ["alarm", "alert", "alarm"]


def test_reckoned_anew_it_is_said_what_differs(tmp_path: Path) -> None:
    append_published(tmp_path, said(), pd.Timestamp("2026-07-02"))
    out = said_otherwise(read_published(tmp_path), said(state="clear"))
    assert out[["field", "said", "now"]].to_numpy().tolist() == [["state", "alarm", "clear"]]
    assert len(said_otherwise(read_published(tmp_path), said())) == 0


def test_alarms_as_published(tmp_path: Path) -> None:
    for month, day, state in (("2026-01", "2026-02-01", "clear"), ("2026-02", "2026-03-01", "alarm"),
    ("2026-03", "2026-04-01", "alarm"),
                              ("2026-04", "2026-05-01", "alert"), ("2026-05", "2026-06-01", "alarm")):  # fmt: skip
        append_published(tmp_path, said(month, state), pd.Timestamp(day))
    out = published_alarms(read_published(tmp_path))
    assert out["alarm_on"].tolist() == [pd.Timestamp("2026-03-01"), pd.Timestamp("2026-06-01")]
    assert out["until"].tolist() == ["2026-03", "2026-05"]
    assert out["months"].tolist() == [2, 1]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda text: text.replace("month", "moon", 1), "line 1 holds moon"),
        (lambda text: text.replace("0.62", "lots"), "line 2: found chance 'lots', wanted a number"),
        (lambda text: text.replace("2026-07-05", "soon"), "line 2: found due_on 'soon', wanted a date"),
        (lambda text: text + "2026-06,x\n", "line 3: found 2 cells, wanted 13"),
        (lambda text: "", "line 1 holds nothing"),
    ],
)
def test_a_damaged_record_is_refused_with_its_line(tmp_path: Path, change, words: str) -> None:
    append_published(tmp_path, said(), pd.Timestamp("2026-07-02"))
    path = tmp_path / FILE
    path.write_text(change(path.read_text(encoding="utf-8")), encoding="utf-8")
    with pytest.raises(RecordsError, match=words):
        read_published(tmp_path)
    damaged = path.read_bytes()
    with pytest.raises(RecordsError):
        append_published(tmp_path, said("2026-07"), pd.Timestamp("2026-08-02"))
    assert path.read_bytes() == damaged  # nothing is written over a record that cannot be read


@settings(max_examples=30, deadline=None)
@given(st.text(st.characters(blacklist_categories=("Cs",), blacklist_characters="\x00\x1f"), max_size=30))
def test_any_text_comes_back_and_none_is_a_formula(tmp_path_factory, text: str) -> None:
    folder = tmp_path_factory.mktemp("published")
    append_published(folder, said(work=text), pd.Timestamp("2026-07-02"))
    assert read_published(folder)["work"].tolist() == [text]
    assert append_published(folder, said(work=text), pd.Timestamp("2026-07-03")) == 0


@pytest.mark.parametrize("text", ["'=1", "''=1", "'", "'x", "=", "a\rb", "a\nb", "+1"])
def test_awkward_texts_come_back(tmp_path: Path, text: str) -> None:
    append_published(tmp_path, said(work=text), pd.Timestamp("2026-07-02"))
    assert read_published(tmp_path)["work"].tolist() == [text]


def test_a_formula_cell_is_written_as_text(tmp_path: Path) -> None:
    append_published(tmp_path, said(place="=HYPERLINK(1)"), pd.Timestamp("2026-07-02"))
    assert "'=HYPERLINK(1)" in (tmp_path / FILE).read_text(encoding="utf-8")
    assert read_published(tmp_path)["compartment"].tolist() == ["=HYPERLINK(1)"]


def test_months_without_an_alarm_have_no_alarms(tmp_path: Path) -> None:
    """Nothing published, and a month of clear compartments only."""
    assert published_alarms(read_published(tmp_path)).empty
    append_published(tmp_path, said("2026-05", "clear"), pd.Timestamp("2026-06-02"))
    assert published_alarms(read_published(tmp_path)).empty


MONTHS = ["2026-03-31", "2026-04-30", "2026-05-31", "2026-06-30"]


def of_month(day: str, assessment: Assessment) -> pd.DataFrame:
    return said_in(day[:7], pd.Timestamp(day), assessment.verdicts, assessment.orders, assessment.waiting)


def as_rows(alarms: pd.DataFrame) -> set[tuple[object, ...]]:
    """What of an alarm must never change: where, since when, from which records, and what was said of it."""
    return set(alarms[["compartment", "alarm_on", "as_of", "chance", "cause"]].itertuples(index=False, name=None))


@short_or_full("months", MONTHS[-2:], MONTHS)
def test_replaying_the_demo_no_published_alarm_changes_its_date_or_vanishes(
    small: Fleet,
    small_assessed: Callable[[str], Assessment],
    small_learnt: Callable[[str], Learnt],
    tmp_path: Path,
    months: list[str],
) -> None:
    """Five machines of the demo fleet, month by month; then the first again with what June has taught. Alarms as published
    keep every word, and whatever that month would now say otherwise is marked as said by today's numbers.
    """
    before: set[tuple[object, ...]] = set()
    for day in months:
        append_published(tmp_path, of_month(day, small_assessed(day)), pd.Timestamp(day) + pd.Timedelta(days=2))
        now = published_alarms(read_published(tmp_path))
        assert before <= as_rows(now)
        assert set(now.loc[~now["compartment"].isin([a[0] for a in before]), "as_of"]) <= {pd.Timestamp(day)}
        before = as_rows(now)
    assert before
    first = read_published(tmp_path)
    anew = of_month(months[0], assess(small, months[0], small_learnt(months[-1])))
    append_published(tmp_path, anew, pd.Timestamp("2026-07-03"))
    assert as_rows(published_alarms(read_published(tmp_path))) == before
    earliest = first[first["month"] == months[0][:7]].merge(anew, on="compartment", suffixes=("", "_now"))
    moved = set(earliest.loc[earliest["state"] != earliest["state_now"], "compartment"])
    marked = said_otherwise(first, anew)
    assert set(marked.loc[marked["field"] == "state", "compartment"]) == moved


def test_an_alarm_of_later_numbers_that_no_book_showed_while_it_stood_is_marked(tmp_path: Path) -> None:
    """By hand: a waiting alarm of 10 March under a March book that said clear is marked with that month; one the book
    showed, one looked into before the month's end and one known after the last book are not."""
    for month, state in (("2026-03", "clear"), ("2026-04", "alarm")):
        for place in "abcd":
            shown = "alarm" if place == "b" else state
            as_of = pd.Timestamp(f"{month}-01") + pd.offsets.MonthEnd(0)
            rows = said(month, shown, place=place).assign(as_of=as_of)
            append_published(tmp_path, rows, as_of + pd.Timedelta(days=2))
    known = {"a": "2026-03-10", "b": "2026-03-10", "c": "2026-03-10", "d": "2026-05-02"}
    record = typed(
        [dict.fromkeys(names("record"), "") | {
            "compartment": place, "alarm_on": pd.Timestamp(day), "known_on": pd.Timestamp(day), "run_h": 1.0, "bottles": 1,
            "found_on": pd.Timestamp("2026-03-20") if place == "c" else pd.NaT, "lead_h": 1.0, "cost": 0.0,
            "outcome": "defect" if place == "c" else "waiting",
        } for place, day in known.items()],
        "record",
    )  # fmt: skip
    published = read_published(tmp_path)
    out = unpublished_alarms(record, published)
    assert out[["compartment", "month"]].to_numpy().tolist() == [["a", "2026-03"]]
    assert unpublished_alarms(record.iloc[:0], published).empty
    assert unpublished_alarms(record, published.iloc[:0]).empty


def test_what_came_of_published_alarms_whatever_todays_numbers_say() -> None:
    """Worked by hand: a defect while it stood, a look in vain after its last book, a finding too late to answer it,
    one before its first book, and none.
    """
    day = pd.Timestamp
    alarms = pd.DataFrame(
        {
            "compartment": list("abcde"),
            "alarm_on": day("2026-02-02"),
            "as_of": day("2026-01-31"),
            "until": "2026-02",
            "last_as_of": day("2026-02-28"),
            "months": 2,
            "chance": 0.8,
            "cause": "dirt entry",
        }
    )
    findings = pd.DataFrame(
        {
            "finding": ["1", "2", "3", "4", "5"],
            "compartment": ["a", "a", "b", "c", "d"],
            "found_on": [day("2026-02-10"), day("2026-02-20"), day("2026-03-31"), day("2026-04-01"), day("2026-01-30")],
            "outcome": ["defect", "no defect", "no defect", "failed", "defect"],
            "cause": ["bearing fatigue", "", "", "pump wear", "seal leak"],
        }
    )
    out = published_outcomes(alarms, findings).set_index("compartment")
    assert out["outcome"].to_dict() == {"a": "defect", "b": "no defect", "c": "waiting", "d": "waiting", "e": "waiting"}
    assert out.loc["a", ["finding", "found"]].tolist() == ["1", "bearing fatigue"]
    assert out["found_on"].isna().sum() == 3
