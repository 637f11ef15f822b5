"""A new fleet folder can be read at once, and all it shows in comments and examples is right."""

import re
import shutil
import tomllib
from dataclasses import fields
from datetime import date
from pathlib import Path

import pytest

from cmkit.errors import WriteError
from cmkit.records.analytes import analyte_register
from cmkit.records.reading.layouts import parse_layout
from cmkit.records.reading.load import load_fleet
from cmkit.records.reading.start import read_me, start_fleet
from cmkit.records.settings import COSTS, Alarm, Judge, Sampling, Settings, default_judge, default_trust, parse_settings
from cmkit.tables.records import TABLES


def uncommented(text: str) -> str:
    """The file with every commented line of settings in force."""
    return re.sub(r'^# (?=\[|[\w"]+ = )', "", text, flags=re.MULTILINE)


def test_a_new_folder_is_read_at_once(tmp_path: Path) -> None:
    written = start_fleet(tmp_path / "new")
    assert all(p.is_file() for p in written)
    fleet = load_fleet(tmp_path / "new")
    assert fleet.set_aside[["file", "what"]].values.tolist() == []
    assert [len(getattr(fleet, t)) for t in TABLES] == [0] * len(TABLES)


def test_the_examples_are_right(tmp_path: Path) -> None:
    start_fleet(tmp_path / "new")
    for path in (tmp_path / "new" / "examples").iterdir():
        shutil.copy(path, tmp_path / "new" / path.name)
    fleet = load_fleet(tmp_path / "new", date(2026, 6, 30))
    assert fleet.set_aside.empty
    assert fleet.repairs.empty
    assert [len(getattr(fleet, t)) > 0 for t in TABLES] == [True] * len(TABLES)


def test_the_settings_shown_are_the_defaults_and_all_of_them(tmp_path: Path) -> None:
    start_fleet(tmp_path / "new")
    text = (tmp_path / "new" / "fleet.toml").read_text()
    shown = tomllib.loads(uncommented(text))
    settings = parse_settings(shown, "fleet.toml")
    assert (settings.sampling, settings.alarm, settings.trust) == (Sampling(), Alarm(), default_trust())
    for block, cls in (("sampling", Sampling), ("alarm", Alarm)):
        assert set(shown[block]) == {f.name for f in fields(cls)}
    assert settings.judge == default_judge()
    assert set(shown["judge"]) == {f.name for f in fields(Judge)}
    assert set(shown) >= {f.name for f in fields(Settings)} - {"given_costs"}  # follows from [costs] and [kinds]
    assert set(shown["costs"]) == set(COSTS)


def test_the_layout_shown_is_right_wide_and_long(tmp_path: Path) -> None:
    start_fleet(tmp_path / "new")
    text = (tmp_path / "new" / "layouts" / "example.txt").read_text()
    assert parse_layout(tomllib.loads(text), "example", analyte_register()).join["compartment"] == (
        "unit",
        "component",
        "side",
    )
    assert parse_layout(tomllib.loads(uncommented(text)), "example", analyte_register()).long is not None


def test_every_column_is_explained_in_short_lines() -> None:
    text = read_me()
    assert max(map(len, text.splitlines())) <= 100
    for table in TABLES.values():
        for column in table.columns:
            assert f" {column.name} " in text
    assert all(f" {a} " in text for a in analyte_register().index)


def test_nothing_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "something").write_text("x")
    with pytest.raises(WriteError, match="holds something, and nothing is written over"):
        start_fleet(tmp_path)
