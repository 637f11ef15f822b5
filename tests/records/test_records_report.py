"""What `cmkit check` prints."""

from collections.abc import Callable
from pathlib import Path

from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.records.reading.reading_report import reading_report
from cmkit.records.reading.start import start_fleet


def test_the_report_of_a_clean_fleet(load: Callable[..., Fleet]) -> None:
    text = reading_report(load())
    assert text.splitlines() == [
        "Fleet: Small fleet",
        "4 files, 8 rows read: 8 used, 0 set aside.",
        "",
        "file              table         rows read       used  set aside",
        "compartments.csv  compartments          3          3          -",
        "machines.csv      machines              1          1          -",
        "samples.csv       samples               3          3          -",
        "sites.csv         sites                 1          1          -",
        "",
        "1 site, 1 machine, 3 compartments, 3 bottles, drawn 2025-01-10 to 2025-02-10.",
        "",
        "Nothing was set aside and nothing had to be repaired.",
    ]


def test_a_folder_just_begun_is_told_what_to_do(tmp_path: Path) -> None:
    start_fleet(tmp_path / "new")
    lines = reading_report(load_fleet(tmp_path / "new")).splitlines()
    assert lines[:2] == ["Fleet: Our fleet", "No rows yet: every table is empty."]
    assert "Fill sites, machines and compartments first" in lines[2]
    assert not any(line.startswith("file ") for line in lines)
    assert max(map(len, lines)) <= 100


def test_reasons_come_with_their_number_and_first_examples(samples: Callable[..., Fleet]) -> None:
    rows = [f"S{i},WL-0{i}/engine,2025-01-10,,,,,," for i in range(2, 9)]
    text = reading_report(samples(*rows, 'S9,WL-01/engine,2025-01-10,"12,5",,,-3,,'))
    assert "Rows set aside (the whole row is not used): 7\n     7  not in compartments\n" in text
    assert "          samples.csv row 2, compartment: 'WL-02/engine' (the nearest name is 'WL-01/engine')\n" in text
    assert "          ... and 4 more\n" in text
    assert "     1  negative, which this cannot be\n          samples.csv row 9, Fe_ppm: '-3'" in text
    assert "     1  decimal comma\n          samples.csv row 9, meter_h: '12,5' -> 12.5" in text


def test_lines_stay_short_and_carry_no_control_characters(load: Callable[..., Fleet]) -> None:
    long = "x" * 300
    fleet = load(
        {
            "samples.csv": f'sample,compartment,drawn_on\n"S\x1b[31m",{long},2025-01-01\nS2,"a\x07b",2025-01-01\n',
            f"inbox/{'y' * 120}.pdf": "x",
        }
    )
    text = reading_report(fleet)
    assert max(map(len, text.splitlines())) <= 100
    assert all(c.isprintable() or c == "\n" for c in text)
