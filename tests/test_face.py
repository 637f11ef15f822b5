"""The public face: what `import cmkit` offers, what it costs, how an assessment shows itself, and which days can be
asked for.
"""

import datetime
import json
import subprocess
import sys
from dataclasses import replace

import pandas as pd
import pyarrow.parquet as pq
import pytest

import cmkit
from cmkit.errors import CmkitError, ParameterError
from cmkit.tables.judge import STATES
from cmkit.tables.records import EVENTS


def fresh(code: str) -> str:
    """What a new Python prints for `code`."""
    return subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout


def test_importing_cmkit_loads_next_to_nothing() -> None:
    code = "import sys; before = set(sys.modules); import cmkit, json; print(*sorted(set(sys.modules) - before))"
    assert not [
        m
        for m in fresh(code).split()
        if m.startswith("cmkit.") or m.split(".")[0] in ("numpy", "pandas", "pyarrow", "scipy")
    ]


def test_every_public_name_is_there_and_listed() -> None:
    assert set(cmkit.__all__) <= set(dir(cmkit))
    for name in cmkit.__all__:
        assert getattr(cmkit, name).__name__.rpartition(".")[2] == name
    assert {e.__name__ for e in every(CmkitError)} <= set(cmkit.__all__)
    with pytest.raises(AttributeError, match="module 'cmkit' has no attribute 'asess'"):
        _ = cmkit.asess


def every(error: type) -> set[type]:
    return {error, *(found for child in error.__subclasses__() for found in every(child))}


@pytest.mark.parametrize(
    "first", ["from cmkit.assess import last_month_end", "import cmkit.assess", "from cmkit import assess"]
)
def test_a_function_wins_over_the_module_of_its_name_whoever_came_first(first) -> None:
    code = (
        f"{first}\nimport cmkit, inspect\nfrom cmkit.assess import assess as "
        f"own\nprint(inspect.isfunction(cmkit.assess), cmkit.assess is own)"
    )
    assert fresh(code).split() == ["True", "True"]


@pytest.fixture(scope="module")
def result(small_assessed):
    return small_assessed("2026-06-30")


def test_an_assessment_says_in_a_few_lines_what_it_is(small, result) -> None:
    lines = repr(result).splitlines()
    assert len(lines) == 9
    assert lines[0] == f"Assessment of {small.settings.name} as of 2026-06-30 (cmkit {result.about['cmkit']})"
    for state in STATES:
        assert f"{(result.verdicts['state'] == state).sum()} {state}" in lines[1]
    assert f"history {len(result.history)}x{result.history.shape[1]}" in repr(result)
    assert len(repr(small)) < 300
    assert f"{len(small.samples):,} samples" in repr(small)


def test_what_a_notebook_shows_is_one_screen_and_escaped(result) -> None:
    site = "<b onmouseover=alert(1)>pit"
    named = replace(result, about=result.about | {"fleet": "<script>"}, verdicts=result.verdicts.assign(site=site))
    page = named._repr_html_()
    assert "<script>" not in page
    assert "&lt;script&gt;" in page
    assert site not in page
    assert len(page) < 5000
    many = pd.concat([result.verdicts.assign(site=f"site {n:02}") for n in range(40)], ignore_index=True)
    crowd = replace(result, verdicts=many)._repr_html_()
    assert "and 28 more sites" in crowd
    assert crowd.count("<tr>") == 13


@pytest.mark.parametrize("day", ["lately", "2026-06", "2026-02-30", "", 20260630, None, True, pd.NaT])
def test_a_word_is_no_day(small, day) -> None:
    with pytest.raises(ParameterError, match=r"as_of: found .*; wanted a day such as 2026-06-30\."):
        small.as_of(day)


@pytest.mark.parametrize(
    "day",
    ["2026-03-31", "2026-03-31 17:20", datetime.date(2026, 3, 31), pd.Timestamp("2026-03-31 08:00", tz="Etc/UTC")],
)
def test_a_day_may_be_text_or_a_date(small, day) -> None:
    assert small.as_of(day).date == pd.Timestamp("2026-03-31")


@pytest.mark.parametrize("day", ["1999-12-31", "2062-06-30"])
def test_a_day_outside_the_records_is_refused_with_the_days_that_are_not(small, day) -> None:
    first, last = small.days()
    with pytest.raises(
        ParameterError,
        match=f"found {day}, outside the records; the first became known on {first:%Y-%m-%d}, the newest on "
        f"{last:%Y-%m-%d}",
    ):
        cmkit.assess_fleet(small, day)
    assert small.checked_day(f"{first:%Y-%m-%d}") == first.normalize()
    assert small.checked_day(last + pd.Timedelta(days=366)) == (last + pd.Timedelta(days=366)).normalize()
    nothing = replace(small, **{n: getattr(small, n).iloc[:0] for n in EVENTS})
    assert nothing.days() is None
    assert nothing.checked_day(day) == pd.Timestamp(day)


def test_a_saved_table_says_what_its_columns_are(result, tmp_path) -> None:
    result.save(tmp_path)
    schema = pq.read_schema(tmp_path / "wear.parquet")
    field = schema.field("rate_high").metadata
    assert field[b"unit"] == b"of the analyte/h"
    assert b"90 % interval" in field[b"meaning"]
    assert schema.metadata[b"one_row_is"].startswith(b"a compartment and an analyte today")
    assert json.loads(schema.metadata[b"pandas"])["columns"]
