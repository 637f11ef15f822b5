"""Files that are wrong by mistake or on purpose: each is said in one message that names it, and stops no other file.

Seconds and memory are measured by `python -m tests.faults.hostile`, not here.
"""

import re
from pathlib import Path

import pytest

from cmkit.errors import SettingsError, WrongFile
from cmkit.records.reading.bounds import Bounds, check_packed
from cmkit.records.reading.load import load_fleet
from cmkit.records.reading.reading_report import reading_report
from tests.faults.hostile import HOSTILE, base_fleet

LONG = {
    "60 MB of separators",
    "40 MB of separators",
    "30 MB of line ends",
    "a part with a false size",
    "300 MB of spaces",
    "wide words in Parquet",
}
SAID = {
    "20,000 digits": "more than 60 characters, which is no number a result can have",
    "digits as a day": "more than 60 characters, which is no date",
    "far corner, unusual part name": "1,048,576 rows by 16,384 columns",
    "far corner, spaced attributes": "1,048,576 rows by 16,384 columns",
    "long Parquet": "20,000,000 rows by 3 columns",
    "bytes that are no text": "holds bytes that are no text",
    "the year 30000": "a date after 2200",
    "repeated cells": "1,048,576 rows by 16,384 columns",
    "a million short rows": "more than half of the first 10,001 rows have fewer cells",
    "a loop of links": "not a file",
}


def test_what_is_to_be_said_is_of_files_that_are_tried() -> None:
    assert set(SAID) <= set(HOSTILE) - LONG


@pytest.mark.parametrize("name", [n for n in HOSTILE if n not in LONG])
def test_a_hostile_file_is_said_and_stops_no_other(tmp_path: Path, name: str) -> None:
    folder = base_fleet(tmp_path / "fleet")
    HOSTILE[name](folder / "inbox")
    fleet = load_fleet(folder)
    assert "GOOD" in set(fleet.samples["sample"])
    notes = fleet.set_aside[
        fleet.set_aside["file"].str.startswith("inbox/x") | fleet.set_aside["file"].eq("inbox/y.csv")
    ]
    read = fleet.counts["file"].str.startswith("inbox/x").any()
    assert len(notes) or read
    assert fleet.set_aside["reason"].str.contains(SAID.get(name, ""), regex=False).sum() >= (name in SAID)
    assert (fleet.set_aside["value"].str.len() <= 201).all()
    assert all(c.isprintable() or c == "\\n" for c in reading_report(fleet).replace("\n", "\\n"))


@pytest.mark.parametrize("name", ["letters in two parts", "marks that cannot be seen", "bytes as ids"])
def test_the_same_name_written_otherwise_is_the_same(tmp_path: Path, name: str) -> None:
    """Canonical equivalence of Unicode (UAX 15): a letter and its accent, as one sign or two, are one text."""
    folder = base_fleet(tmp_path / "fleet")
    HOSTILE[name](folder / "inbox")
    fleet = load_fleet(folder)
    found = set(fleet.samples["sample"])
    assert found & {"H\u00e91", "H1"}
    assert fleet.set_aside.empty


def test_a_part_that_claims_a_false_size_is_counted_as_it_unpacks(tmp_path: Path) -> None:
    HOSTILE["a part with a false size"](tmp_path)
    with pytest.raises(WrongFile, match="more than 1 MB when unpacked"):
        check_packed(tmp_path / "x.xlsx", "x.xlsx", Bounds(10**9, 10**6, 10**6))


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("a = " + "[" * 5000, "nested too deep"),
        ("[sampling]\nturnaround_days = -1", "turnaround_days: found -1, wanted 0 to 365"),
        ("[sampling]\nturnaround_days = nan", "turnaround_days: found nan, wanted 0 to 365"),
        ("[sampling]\nturnaround_days = " + "9" * 5000, "not readable as TOML"),
        ("[sampling]\nturnaround_days = 0x" + "F" * 5000, "turnaround_days: found a value too long to show, wanted a "
        "number"),
        ("[sampling]\nservice_grid_h = [0, 250]", "service_grid_h: found 0, wanted 1 to 100000"),
        ("[kinds.engine]\nsample_every_h = 0", "sample_every_h: found 0, wanted 1 to 100000"),
        ("[kinds.engine]\nsample_every_h = -250", "sample_every_h: found -250"),
        ("[kinds.engine]\nfailure_cost = nan", "failure_cost: found nan, wanted 0 to 1e"),
        ("[kinds.engine]\nfailure_cost = inf", "failure_cost: found inf"),
        ("[kinds.engine]\ndefect_rate_per_h = 0", "defect_rate_per_h: found 0"),
        ("[accepted_intervals]\nengine = 1e-9", "engine: found 1e-09, wanted 1 to 100000"),
        ("[alarm]\nconfidence = 1", "confidence: found 1"),
        ("[trust]\nexchange_prior = 0", "exchange_prior = 0, wanted 1e-06 to 0.999999"),
        ("[limits.engine]\nFe_ppm = { alert = nan, alarm = 5 }", "alert: found nan"),
        ("[analytes.W_ppm]\ndecimals = 1.5", "decimals: found 1.5, wanted a whole number"),
        ("currency = '" + "x" * 500 + "'", "currency: found 500 characters, wanted at most 200"),
    ],
)  # fmt: skip
def test_a_setting_out_of_its_range_is_said(tmp_path: Path, lines: str, words: str) -> None:
    folder = base_fleet(tmp_path / "fleet")
    (folder / "fleet.toml").write_text(f'name = "F"\n{lines}\n')
    with pytest.raises(SettingsError, match=re.escape(words)):
        load_fleet(folder)


def test_all_faults_of_the_settings_are_said_at_once(tmp_path: Path) -> None:
    folder = base_fleet(tmp_path / "fleet")
    (folder / "fleet.toml").write_text(
        'name = 5\ncurency = "x"\n[alarm]\nz = -1\nrise = "high"\n[kinds.engine]\nresidual = 2\n[kinds.winch]\nsealed '
        "= 3\n"
    )
    with pytest.raises(SettingsError) as error:
        load_fleet(folder)
    said = str(error.value).splitlines()
    assert len(said) == 6
    for word in (
        "name: found 5",
        "unknown key 'curency'",
        "z: found -1",
        "rise: found 'high'",
        "residual: found 2",
        "sealed: found 3",
    ):
        assert sum(word in line for line in said) == 1
