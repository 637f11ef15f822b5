"""Every number that fleet.toml may set is in force once it is set, and is recorded with what was made from it."""

from dataclasses import asdict, fields, replace
from typing import Any

import pandas as pd
import pytest

from cmkit.assess import assess_fleet
from cmkit.records.constants import constants
from cmkit.records.fleet import Fleet
from cmkit.records.settings import Alarm, Intervals, Judge, Sampling, Settings, Trust, parse_settings
from tests.conftest import only_places

SECTIONS = {"sampling": Sampling, "alarm": Alarm, "trust": Trust, "intervals": Intervals, "judge": Judge}
KEYS = [(section, field.name) for section, cls in SECTIONS.items() for field in fields(cls)]


def another(value: Any) -> Any:
    """A value near this one, of the same type, that lies in the range of every key."""
    if isinstance(value, tuple):
        return [*value, 2 * value[-1]]
    if isinstance(value, int):
        return value + 1
    return value + 0.01 if value < 0.5 else value - 0.01


@pytest.fixture(scope="module")
def one(small: Fleet) -> Fleet:
    """One compartment of the demo fleet."""
    return only_places(small, small.compartments["compartment"] == "EX-02/engine")


@pytest.mark.parametrize(("section", "key"), KEYS)
def test_a_key_of_a_section_is_read(section: str, key: str) -> None:
    package = getattr(Settings("x", kinds={}), section)
    value = another(getattr(package, key))
    read = getattr(parse_settings({"name": "x", section: {key: value}}, "fleet.toml"), section)
    assert asdict(read) == asdict(replace(package, **{key: tuple(value) if isinstance(value, list) else value}))


def test_an_assessment_records_every_key(one: Fleet) -> None:
    given = {s: {k: another(getattr(getattr(one.settings, s), k)) for s_, k in KEYS if s_ == s} for s in SECTIONS}
    settings = parse_settings({"name": "x", **given}, "fleet.toml")
    about = assess_fleet(replace(one, settings=settings), pd.Timestamp("2026-06-30")).about
    recorded = {s: {k: list(v) if isinstance(v, tuple) else v for k, v in about[s].items()} for s in SECTIONS}
    assert recorded == given


@pytest.mark.parametrize("chapter", ["trust", "intervals"])
def test_every_constant_of_a_chapter_is_a_key_with_a_range(chapter: str) -> None:
    rows = constants(chapter)
    assert rows.index.tolist() == [field.name for field in fields(SECTIONS[chapter])]
    assert ((rows["low"] <= rows["value"]) & (rows["value"] <= rows["high"])).all()
