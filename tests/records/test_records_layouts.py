"""A laboratory's own files under our names: wide and long, its units, its words. The laboratories are invented."""

import re
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from cmkit.errors import SettingsError
from cmkit.records.analytes import analyte_register
from cmkit.records.fleet import Fleet
from cmkit.records.reading.layouts import parse_layout
from cmkit.records.reading.load import load_fleet, load_registers
from cmkit.records.reading.match import propose_layout

WIDE = """
lab = "Hill laboratory"
files = "hill_*.csv"
separator = "semicolon"
encoding = "latin-1"
decimal = ","
dates = "%d.%m.%Y"
skip_rows = 1
heading_rows = 2
not_detected = ["n.n."]
ignore = ["Bemerkung"]
[columns]
"Probe" = "sample"
"Gezogen" = "drawn_on"
"Bericht" = "reported_on"
"Stand / h" = { to = "meter_h", unit = "h" }
"Metalle / Fe / mg/kg" = { to = "Fe_ppm", unit = "mg/kg" }
"Metalle / Cu / mg/kg" = "Cu_ppm"
"Wasser / %" = { to = "water_ppm", unit = "%" }
"Stand Öl" = "fluid_level"
[join]
compartment = ["Maschine", "Bauteil", "Seite"]
[words.compartment]
"WL-01/Achse/L" = "WL-01/final drive/left"
"WL-01/Motor" = "WL-01/engine"
[words.fluid_level]
"voll" = "full"
"""
WIDE_FILE = """Prüfbericht 4711;;;;;;;;;;;
Probe;Gezogen;Bericht;Maschine;Bauteil;Seite;Stand;Metalle;;Wasser;Stand Öl;Bemerkung
;;;;;;h;Fe / mg/kg;Cu / mg/kg;%;;
H1;01.02.2025;05.02.2025;WL-01;Achse;L;1.250,5;60,5;n.n.;0,05;voll;grün
H2;01.02.2025;05.02.2025;WL-01;Motor;;1250,5;<1;3;0,2;niedrig;
"""
LONG = """
lab = "Lake laboratory"
files = "lake_*"
ignore = ["Remarks", "Colour"]
[columns]
"Bottle" = "sample"
"Drawn" = "drawn_on"
"Point" = "compartment"
[long]
test = "Test"
value = "Result"
unit = "Unit"
[tests]
"Iron" = "Fe_ppm"
"Water" = { to = "water_ppm", unit = "ppm" }
"Viscosity 100" = "visc100_cSt"
"""
LONG_FILE = """Bottle,Drawn,Point,Test,Result,Unit,Remarks
L1,2025-05-01,WL-01/engine,Iron,21,mg/kg,
L2,2025-05-01,WL-01/final drive/left,Iron,<1,ppm,
L1,2025-05-01,WL-01/engine,Water,0.05,%,
L1,2025-05-01,WL-01/engine,Water,0.06,%,
L1,2025-05-01,WL-01/engine,Colour,brown,,
L2,2025-05-01,WL-01/final drive/left,Water,-1,ppm,
L2,2025-05-01,WL-01/final drive/left,Irn,2,ppm,
L2,2025-05-01,WL-01/final drive/left,Viscosity 100,14,miles,
L3,2025-05-01,WL-09/engine,Iron,5,ppm,
L3,2025-05-01,WL-09/engine,Water,5,ppm,
"""


def test_a_wide_file(load: Callable[..., Fleet]) -> None:
    fleet = load({"layouts/hill.toml": WIDE, "inbox/hill_feb.csv": WIDE_FILE.encode("latin-1")})
    got = fleet.samples[fleet.samples["lab"] == "Hill laboratory"].set_index("sample")
    assert got["compartment"].tolist() == ["WL-01/final drive/left", "WL-01/engine"]
    assert got[["meter_h", "Fe_ppm", "Cu_ppm", "water_ppm"]].values.tolist() == [
        [1250.5, 60.5, 1, 500],
        [1250.5, 1, 3, 2000],
    ]
    assert got[["Fe_ppm_below", "Cu_ppm_below"]].values.tolist() == [[False, True], [True, False]]
    assert got["reported_on"].tolist() == [pd.Timestamp("2025-02-05")] * 2
    assert fleet.set_aside[["file", "row", "column", "value"]].values.tolist() == [
        ["inbox/hill_feb.csv", 5, "fluid_level", "niedrig"]
    ]
    assert fleet.repairs[["row", "column", "value", "used"]].values.tolist() == [[4, "Cu_ppm", "n.n.", "<1"]]


def not_read(fleet: Fleet) -> str:
    """Why the one file of inbox/ was not read; the fleet's own tables were."""
    files = fleet.set_aside[fleet.set_aside["what"] == "file"]
    assert len(fleet.samples)
    return f"{files['file'].item()}: {files['reason'].item()}"


def test_a_file_without_a_layout_is_told_the_command_that_makes_one(write: Callable[..., Path]) -> None:
    """And that command works although the file lies in inbox/ already."""
    folder = write({"inbox/new lab.csv": "Bottle,Unit,Compartment,Sampled,Fe\nA1,WL-01,Engine,2025-03-01,21\n"})
    said = not_read(load_fleet(folder))
    assert re.search(r"cmkit match '.*inbox/new lab\.csv' --fleet .* --out .*/layouts/NAME\.toml", said)
    names = load_registers(folder).compartments["compartment"].tolist()
    assert propose_layout(folder / "inbox" / "new lab.csv", names).join == ("Unit", "Compartment")


def test_a_long_file_is_counted_by_its_own_rows(load: Callable[..., Fleet]) -> None:
    fleet = load({"layouts/lake.toml": LONG, "inbox/lake_may.csv": LONG_FILE})
    got = fleet.samples[fleet.samples["lab"] == "Lake laboratory"].set_index("sample")
    assert got[["Fe_ppm", "water_ppm", "row"]].fillna(-1).values.tolist() == [[21, 500, 2], [1, -1, 3]]
    assert got["Fe_ppm_below"].tolist() == [False, True]
    assert fleet.counts.set_index("file").loc["inbox/lake_may.csv"].tolist() == ["samples", 10, 4, 6]
    assert [
        (r, c, w, why.split(";")[0])
        for r, c, w, why in fleet.set_aside[["row", "column", "what", "reason"]].values.tolist()
    ] == [
        (5, "Result", "row", "a second result of the same test of this sample"),
        (6, "Test", "row", "layouts/lake.toml leaves this test out"),
        (7, "water_ppm", "value", "negative, which this cannot be"),
        (8, "Test", "row", "a test that layouts/lake.toml does not know"),
        (9, "Test", "row", "a unit that does not fit"),
        (10, "compartment", "row", "not in compartments"),
        (11, "compartment", "row", "not in compartments"),
    ]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"Fe_ppm", unit = "mg/kg"', '"Fe_pm", unit = "mg/kg"', r"layouts/hill.toml: \[columns\] 'Metalle / Fe / "
        r"mg/kg': unknown column 'Fe_pm'. Did you mean 'Fe_ppm'\?"),
        ('unit = "mg/kg"', 'unit = "mg/kgg"', r"unknown unit 'mg/kgg' for Fe_ppm. Did you mean 'mg/kg'\?"),
        ('unit = "h"', 'unit = "miles"', r"meter_h is in h; values in 'miles' cannot be converted into it. Hours and "
        r"distances are never converted"),
        ('"Probe" = "sample"', "", r"nothing is mapped to sample"),
        ("decimal =", "decimals =", r"unknown key 'decimals'. Did you mean 'decimal'\?"),
        ('decimal = ","', 'decimal = "komma"', r"decimal 'komma'; wanted '.' or ','"),
        ("skip_rows = 1", "skip_rows = -1", r"skip_rows: found -1, wanted 0 to 10000"),
        ("[words.fluid_level]", "[words.fluid_lvl]",
        r"\[words\]: unknown key 'fluid_lvl'. Did you mean 'fluid_level'\?"),
        ('lab = "Hill', 'lab = Hill', r"layouts/hill.toml: not readable as TOML"),
    ],
)  # fmt: skip
def test_a_wrong_layout_is_one_clear_error(load: Callable[..., Fleet], old: str, new: str, words: str) -> None:
    assert old in WIDE
    with pytest.raises(SettingsError, match=words):
        load({"layouts/hill.toml": WIDE.replace(old, new), "inbox/hill_feb.csv": WIDE_FILE.encode("latin-1")})


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("Cu / mg/kg", "Cu neu / mg/kg", r"inbox/hill_feb.csv: heading 'Metalle / Cu neu / mg/kg' is not in "
        r"layouts/hill.toml. Did you mean 'Metalle / Cu / mg/kg'\?"),
        ("Probe;", "Bemerkung;", r"no heading 'Probe', which layouts/hill.toml needs; found Bemerkung"),
        ("Seite;", "Bemerkung;", r"no heading 'seite', which layouts/hill.toml needs"),
    ],
)  # fmt: skip
def test_a_file_that_does_not_fit_its_layout(load: Callable[..., Fleet], old: str, new: str, words: str) -> None:
    text = WIDE_FILE.replace(old, new, 1)
    assert re.search(words, not_read(load({"layouts/hill.toml": WIDE, "inbox/hill_feb.csv": text.encode("latin-1")})))


def test_wrong_encoding_and_two_layouts(load: Callable[..., Fleet]) -> None:
    wrong = {"layouts/hill.toml": WIDE.replace("latin-1", "utf-8"), "inbox/hill_feb.csv": WIDE_FILE.encode("latin-1")}
    assert "not readable as utf-8" in not_read(load(wrong))
    with pytest.raises(
        SettingsError, match=r"inbox/hill_feb.csv: fits more than one layout \(layouts/hill.toml, layouts/other.toml\)"
    ):
        load(
            {
                "layouts/hill.toml": WIDE,
                "layouts/other.toml": LONG.replace("lake_*", "*"),
                "inbox/hill_feb.csv": WIDE_FILE.encode("latin-1"),
            }
        )


def test_long_needs_tests_and_tests_need_long() -> None:
    base = {"files": "x", "columns": {"a": "sample", "b": "compartment", "c": "drawn_on"}}
    with pytest.raises(SettingsError, match=r"\[long\] needs \[tests\]"):
        parse_layout({**base, "long": {"test": "t", "value": "v"}}, "x.toml", analyte_register())
    with pytest.raises(SettingsError, match=r"\[tests\] needs \[long\]"):
        parse_layout({**base, "tests": {"Iron": "Fe_ppm"}}, "x.toml", analyte_register())


def test_other_files_in_the_inbox(load: Callable[..., Fleet]) -> None:
    fleet = load(
        {
            "inbox/report.pdf": "x",
            "inbox/.hidden": "x",
            "inbox/~$open.xlsx": "x",
            "inbox/own.csv": "sample,compartment,drawn_on\nN1,WL-01/engine,2025-01-01\n",
        }
    )
    assert fleet.set_aside[["file", "what"]].values.tolist() == [["inbox/report.pdf", "file"]]
    assert "N1" in fleet.samples["sample"].tolist()


def test_a_layout_may_serve_another_table(load: Callable[..., Fleet]) -> None:
    layout = (
        'files = "work*.csv"\ntable = "services"\n[columns]\n"Order" = "service"\n"Unit" = "compartment"\n"Done" '
        '= "done_on"\n"What" = "kind"\n"Gallons" = { to = "volume_l", unit = "US gal" }\n'
    )
    fleet = load(
        {
            "layouts/w.toml": layout,
            "inbox/work1.csv": "Order,Unit,Done,What,Gallons\nO1,WL-01/engine,2025-01-11,change,10\n",
        }
    )
    assert fleet.services["volume_l"].tolist() == pytest.approx(
        [37.85411784], rel=1e-12
    )  # 1 US gallon = 231 cubic inches
