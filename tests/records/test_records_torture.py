"""Files of invented laboratories, each ugly in its own way: proposed layout, the analyst's own edits, then the rows
that must come out.

Every case goes the whole way a user goes: match the unknown file, edit the proposal where it says so, load the fleet.
"""

import io
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

import pandas as pd
import pytest
import xlsxwriter
from chemicals.viscosity import viscosity_converter

from cmkit.errors import RecordsError, WriteError, WrongFile
from cmkit.records.analytes import analyte_register
from cmkit.records.reading.layouts import parse_layout
from cmkit.records.reading.load import load_fleet
from cmkit.records.reading.match import Proposal, propose_layout
from cmkit.records.reading.proposal import match_report, proposal_toml
from cmkit.records.reading.proposing import write_layout

TODAY = date(2026, 1, 31)
ENGINE, LEFT, RIGHT = "WL-01/engine", "WL-01/final drive/left", "WL-01/final drive/right"


def book(
    rows: list[list], sheet: str = "Results", merges: tuple[tuple[int, int, int, int, str], ...] = (), extra: str = ""
) -> bytes:
    """A spreadsheet; a merge is (first row, first column, last row, last column, text); `extra` is another sheet before
    it.
    """
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(
        buffer, {"in_memory": True, "strings_to_formulas": False, "default_date_format": "yyyy-mm-dd"}
    ) as out:
        if extra:
            out.add_worksheet(extra).write(0, 0, "Nothing to read here")
        page = out.add_worksheet(sheet)
        for i, row in enumerate(rows):
            for j, cell in enumerate(row):
                if cell not in ("", None):
                    page.write(i, j, cell)
        for merge in merges:
            page.merge_range(*merge[:4], merge[4])
    return buffer.getvalue()


@dataclass(frozen=True)
class Case:
    """content: the file; rows: (sample, compartment, {column: value, '<limit', '>limit' or None}); aside: (row, column,
    start of the reason).

    edits: what the analyst changes in the proposed layout (old text -> new text), because the file alone cannot tell.
    """

    name: str
    content: bytes
    rows: list[tuple[str, str, dict]]
    aside: list[tuple[int, str, str]] = field(default_factory=list)
    edits: dict[str, str] = field(default_factory=dict)


def saybolt(seconds: float) -> float:
    return viscosity_converter(seconds, "saybolt universal", "kinematic viscosity") * 1e6


PLACE = {
    "[columns]": '[words.compartment]\n"WL01 ENG" = "WL-01/engine"\n"WL01 FD LH" = "WL-01/final drive/left"\n"WL01 FD '
    'RH" = "WL-01/final drive/right"\n[columns]'
}
AB = [("A1", ENGINE, {"Fe_ppm": 21}), ("A2", LEFT, {"Fe_ppm": 60})]

CASES = [
    Case("plain.csv", b"Sample No,Compartment,Date "
    b"Sampled,Hours,Fe,Cu\nA1,WL-01/engine,2025-03-01,1000,21,<1\nA2,WL-01/final drive/left,2025-03-01,1000,60,3\n",
         [("A1", ENGINE, {"Fe_ppm": 21, "Cu_ppm": "<1", "meter_h": 1000}), ("A2", LEFT, {"Fe_ppm": 60, "Cu_ppm": 3})]),
    Case("semicolon_comma.csv", "Probe;Messstelle;Entnahmedatum;Eisen (mg/kg);Wasser "
    "(%)\nA1;WL-01/engine;01.03.2025;21,5;0,05\nA2;WL-01/final drive/left;01.03.2025;1.060,0;n.n.\n".encode("latin-1"),
         [("A1", ENGINE, {"Fe_ppm": 21.5, "water_ppm": 500}), ("A2", LEFT, {"Fe_ppm": 1060, "water_ppm": "<100"})]),
    Case("latin.csv", "Muestra;Punto;Fecha;Hierro mg/kg;Observaciones\nA1;WL-01/engine;15/03/2025;21;sin "
    "año\nA2;WL-01/final drive/left;16/03/2025;60;\n".encode("latin-1"),
         [("A1", ENGINE, {"Fe_ppm": 21, "note": "sin año"}), ("A2", LEFT, {"Fe_ppm": 60})]),
    Case("utf16.txt", "Bottle\tPoint\tDrawn\tIron ppm\nA1\tWL-01/engine\t2025-03-01\t21\nA2\tWL-01/final "
    "drive/left\t2025-03-01\t60\n".encode("utf-16"), AB),
    Case("utf16_no_mark.txt", "Bottle\tPoint\tDrawn\tIron ppm\nA1\tWL-01/engine\t2025-03-01\t21\nA2\tWL-01/final "
    "drive/left\t2025-03-01\t60\n".encode("utf-16-le"), AB),
    Case("bom_bar.csv", "\ufeffBottle|Point|Drawn|Iron ppm\nA1|WL-01/engine|2025-03-01|21\nA2|WL-01/final "
    "drive/left|2025-03-01|60\n".encode(), AB),
    Case("title_rows.csv", b"Fluid report March\nClient: pit 7\n\nSample,Point,Date drawn,Fe (ppm),Si "
    b"(ppm)\nA1,WL-01/engine,2025-03-01,21,8\nA2,WL-01/final drive/left,2025-03-01,60,12\n\nEnd of report\n",
         [("A1", ENGINE, {"Fe_ppm": 21, "Si_ppm": 8}), ("A2", LEFT, {"Fe_ppm": 60, "Si_ppm": 12})],
         [(8, "drawn_on", "no drawn_on recorded")]),
    Case("unit_row.csv",
    b"Sample,Point,Drawn,Fe,Water,Oxidation,TBN\n,,,ppm,%,A/0.1mm,mgKOH/g\nA1,WL-01/engine,2025-03-01,21,0.05,0.12,9.5\nA2,WL-01/final drive/left,2025-03-01,60,<0.01,,\n",
         [("A1", ENGINE, {"Fe_ppm": 21, "water_ppm": 500, "oxidation_Acm": 12, "TBN_mgKOH_g": 9.5}),
         ("A2", LEFT, {"Fe_ppm": 60, "water_ppm": "<100"})]),
    Case("us_dates.csv", b"Sample,Point,Date Taken,Report "
    b"Date,Fe\nA1,WL-01/engine,3/1/2025,3/14/2025,21\nA2,WL-01/final drive/left,3/1/2025,3/15/2025,60\n",
         [("A1", ENGINE, {"Fe_ppm": 21, "drawn_on": "2025-03-01", "reported_on": "2025-03-14"}),
         ("A2", LEFT, {"reported_on": "2025-03-15"})]),
    Case("unclear_dates.csv", b"Sample,Point,Date Taken,Fe\nA1,WL-01/engine,3/1/2025,21\nA2,WL-01/final "
    b"drive/left,4/1/2025,60\n",
         [("A1", ENGINE, {"drawn_on": "2025-03-01"}), ("A2", LEFT, {"drawn_on": "2025-04-01"})], edits={'dates = '
         '"%d/%m/%Y"': 'dates = "%m/%d/%Y"'}),
    Case("month_names.csv", b"Sample,Point,Drawn,Fe\nA1,WL-01/engine,01-Mar-2025,21\nA2,WL-01/final "
    b"drive/left,12-Mar-2025,60\n",
         [("A1", ENGINE, {"drawn_on": "2025-03-01", "Fe_ppm": 21}), ("A2", LEFT, {"drawn_on": "2025-03-12"})]),
    Case("two_digit_years.csv", b"Sample,Point,Drawn,Fe\nA1,WL-01/engine,25.03.25,21\nA2,WL-01/final "
    b"drive/left,01.04.25,60\n",
         [("A1", ENGINE, {"drawn_on": "2025-03-25"}), ("A2", LEFT, {"drawn_on": "2025-04-01"})]),
    Case("long.csv", b"Lab no,Bottle No,Point,Sample "
    b"Date,Test,Result,Units\n1,A1,WL-01/engine,2025-03-01,Iron,21,mg/kg\n1,A1,WL-01/engine,2025-03-01,Water,0.05,%\n2,A2,WL-01/final drive/left,2025-03-01,Iron,60,mg/kg\n2,A2,WL-01/final drive/left,2025-03-01,Colour,brown,\n",
         [("A1", ENGINE, {"Fe_ppm": 21, "water_ppm": 500}), ("A2", LEFT, {"Fe_ppm": 60})],
         [(5, "Test", "layouts/l.toml leaves this test out")]),
    Case("long_no_unit.txt",
    b"Flasche;Messstelle;Gezogen;Parameter;Wert\nA1;WL-01/engine;01.03.2025;Eisen;21,0\nA1;WL-01/engine;01.03.2025;Kupfer;<1\nA2;WL-01/final drive/left;01.03.2025;Eisen;60\nA2;WL-01/final drive/left;01.03.2025;Eisen;61\n",
         [("A1", ENGINE, {"Fe_ppm": 21, "Cu_ppm": "<1"}), ("A2", LEFT, {"Fe_ppm": 60})], [(5, "Wert", "a second "
         "result of the same test")]),
    Case("book.xlsx", book([["Fluid laboratory"], [], ["Sample", "Point", "Date drawn", "Fe ppm", "Cu ppm"],
    ["A1", ENGINE, datetime(2025, 3, 1), 21, "<1"], ["A2", LEFT, datetime(2025, 3, 1), 60, 3.5]]),
         [("A1", ENGINE, {"Fe_ppm": 21, "Cu_ppm": "<1", "drawn_on": "2025-03-01"}), ("A2", LEFT, {"Cu_ppm": 3.5})]),
    Case("merged.xlsx", book([["Report"], ["Sample", "Point", "Drawn", "", "", "", ""],
    ["", "", "", "Fe", "Cu", "40 C", "100 C"], ["A1", ENGINE, datetime(2025, 3, 1), 21, 2, 110.5, 14.2],
    ["A2", LEFT, datetime(2025, 3, 1), 60, 3, 220, 19]],
                             merges=((1, 3, 1, 4, "Metals ppm"), (1, 5, 1, 6, "Viscosity at"))),
         [("A1", ENGINE, {"Fe_ppm": 21, "Cu_ppm": 2, "visc40_cSt": 110.5, "visc100_cSt": 14.2}),
         ("A2", LEFT, {"visc40_cSt": 220})]),
    Case("two_sheets.xlsx", book([["Sample", "Point", "Drawn", "Iron"], ["A1", ENGINE, "2025-03-01", 21],
    ["A2", LEFT, "2025-03-01", 60]], extra="Cover"), AB),
    Case("numbers_as_text.xlsx", book([["Sample", "Point", "Drawn", "Iron", "Hours"], [1001.0, ENGINE, "2025-03-01",
    "21", "1 250"], [1002.0, LEFT, "2025-03-01", "60", "1,250"]]),
         [("1001", ENGINE, {"Fe_ppm": 21, "meter_h": 1250}), ("1002", LEFT, {"Fe_ppm": 60, "meter_h": 1250})]),
    Case("day_numbers.xlsx", book([["Sample", "Point", "Drawn on", "Iron"], ["A1", ENGINE, 45717, 21],
    ["A2", LEFT, 45718, 60]]),
         [("A1", ENGINE, {"drawn_on": "2025-03-01"}), ("A2", LEFT, {"drawn_on": "2025-03-02"})]),
    Case("parts.csv", b"Bottle,Unit No,Component,Side,Sampled,Fe\nA1,WL-01,engine,,2025-03-01,21\nA2,WL-01,Final "
    b"Drive,LEFT,2025-03-01,60\n", AB),
    Case("unit_and_compartment.csv",
    b"Bottle,Unit,Compartment,Sampled,Fe\nA1,WL-01,Engine,2025-03-01,21\nA2,WL-01,Final Drive / "
    b"Left,2025-03-01,60\nA3,WL-02,Engine,2025-03-01,19\n",
         AB, [(4, "compartment", "not in compartments")]),
    Case("full_name_and_unit.csv",
    b"Bottle,Site,Unit,Compartment,Sampled,Fe\nA1,North,WL-01,WL-01/engine,2025-03-01,21\nA2,North,WL-01,WL-01/final "
    b"drive/left,2025-03-01,60\n", AB),
    Case("unit_compartment_side.csv",
    b"Bottle;Unit;Compartment;Side;Sampled;Fe\nA1;WL-01;engine;;2025-03-01;21\nA2;WL-01;final "
    b"drive;left;2025-03-01;60\nA3;WL-02;final drive;right;2025-03-01;60\n",
         AB, [(4, "compartment", "not in compartments")]),
    Case("both_decimals.csv", b"Bottle;Report;Point;Sampled;Hrs;Fe;Water "
    b"(%)\nA1;9001;WL-01/engine;2025-03-01;1000,5;21.5;0,05\nA2;9002;WL-01/final "
    b"drive/left;2025-03-01;1000.5;60.25;0.1\n",
         [("A1", ENGINE, {"Fe_ppm": 21.5, "meter_h": 1000.5, "water_ppm": 500}),
         ("A2", LEFT, {"Fe_ppm": 60.25, "meter_h": 1000.5, "water_ppm": 1000})]),
    Case("own_words.csv", b"Bottle,Point,Sampled,Fe\nA1,WL01 ENG,2025-03-01,21\nA2,WL01 FD LH,2025-03-01,60\nA3,WL02 "
    b"FD LH,2025-03-01,60\n", AB, [(4, "compartment", "not in compartments")], PLACE),
    Case("particles.csv", b"Bottle,Point,Sampled,>4um (per 100ml),>6um (per 100ml),>14um (per "
    b"100ml)\nA1,WL-01/engine,2025-03-01,130000,32000,2500\nA2,WL-01/final drive/left,2025-03-01,250000,64000,4000\n",
         [("A1", ENGINE, {"p4_per_ml": 1300, "p6_per_ml": 320, "p14_per_ml": 25}), ("A2", LEFT, {"p4_per_ml": 2500})]),
    Case("iso_codes.csv", b"Lab No,Point,Sampled,Recd,Alum,Potass.,Phos,Moly,Magnes,Kin. visc. 100,PQ,ISO "
    b"4406,SMR,Glycol\nA1,WL-01/engine,2025-03-01,2025-03-04,5,2,900,60,12,14.1,15,21/18/15,1000,N/D\nA2,WL-01/engine,2025-04-01,2025-04-04,6,>1000,910,61,12,14.0,18,-/18/13,1200,trace\nA3,WL-01/engine,2025-05-01,2025-05-04,6,3,910,61,12,14.0,18,>28/22/16,1300,0.1\nA4,WL-01/engine,2025-05-09,2025-05-14,6,3,910,61,12,14.0,18,dirty,1400,0.1\n",
         # ISO 4406:2021: code 21 is more than 10,000 up to 20,000 per ml, 18 more than 1,300 up to 2,500;
         # the geometric middle of each
         [("A1", ENGINE, {"Al_ppm": 5, "K_ppm": 2, "P_ppm": 900, "Mo_ppm": 60, "Mg_ppm": 12, "visc100_cSt": 14.1,
         "ferrous_index": 15, "meter_h": 1000, "received_on": "2025-03-04", "glycol_pct": "<0.1",
         "p4_per_ml": (1e4 * 2e4) ** 0.5, "p6_per_ml": (1300 * 2500) ** 0.5}),
          ("A2", ENGINE, {"p6_per_ml": (1300 * 2500) ** 0.5, "K_ppm": ">1000", "p6_code": 18, "p4_code": None,
          "p4_per_ml": None}), ("A3", ENGINE, {"p4_per_ml": ">2500000", "p4_code": 28, "p6_code": 22}),
          ("A4", ENGINE, {})],
         [(5, "p14_code", "not a number"), (5, "p4_code", "not a number"), (5, "p6_code", "not a number")]),
    Case("code_columns.csv", b"Bottle;Point;Sampled;Fe;ISO 4;ISO 6;ISO 14;Water "
    b"(ppm)\nA1;WL-01/engine;2025-03-01;21;21;18;15;>1000\nA2;WL-01/engine;2025-04-01;>500;>28;-;0;<50\n",
         # ISO 4406:2021: code 15 is more than 160 up to 320 per ml, 0 up to 0.01
         [("A1", ENGINE, {"p4_code": 21, "p14_per_ml": (160 * 320) ** 0.5, "water_ppm": ">1000"}),
         ("A2", ENGINE, {"Fe_ppm": ">500", "p4_per_ml": ">2500000", "p6_per_ml": None, "p14_per_ml": "<0.01",
         "water_ppm": "<50"})]),
    Case("coolant.csv", "Bottle,Point,Sampled,pH,Freeze point (°F),Glycol (vol %),Nitrite (ppm),Conductivity "
    "(mS/cm)\nA1,WL-01/engine,2025-03-01,8.4,-34,50,800,2.5\nA2,WL-01/engine,2025-04-01,8.2,-31,48,ND,2.4\n".encode(),
         [("A1", ENGINE, {"pH": 8.4, "freeze_C": -36.6667, "glycol_vol_pct": 50, "nitrite_ppm": 800,
         "conductivity_uS": 2500}), ("A2", ENGINE, {"nitrite_ppm": "<10"})]),
    Case("saybolt.csv", b"Bottle,Point,Sampled,Viscosity at 40 (SUS @ 104 "
    b"F),Fe\nA1,WL-01/engine,2025-03-01,500,21\nA2,WL-01/final drive/left,2025-03-01,1000,60\n",
         # the library chemicals at 100 F, and 1 + 0.000061 for each degree above (ASTM D2161, from memory)
         [("A1", ENGINE, {"visc40_cSt": saybolt(500 / 1.000244)}),
         ("A2", LEFT, {"visc40_cSt": saybolt(1000 / 1.000244)})]),
    Case("thousand_fold.csv", b"Bottle,Point,Sampled,Iron (%),Copper "
    b"(%)\nA1,WL-01/engine,2025-03-01,0.0021,0.0003\nA2,WL-01/final drive/left,2025-03-01,0.0060,0.0004\n",
         [("A1", ENGINE, {"Fe_ppm": 21, "Cu_ppm": 3}), ("A2", LEFT, {"Fe_ppm": 60, "Cu_ppm": 4})]),
    Case("re_issue.csv",
    b"Bottle,Point,Sampled,Reported,Fe\nA1,WL-01/engine,2025-03-01,2025-03-05,21\nA1,WL-01/engine,2025-03-01,2025-03-09,23\nA2,WL-01/final drive/left,2025-03-01,2025-03-05,60\n",
         [("A1", ENGINE, {"Fe_ppm": 21}), ("A1", ENGINE, {"Fe_ppm": 23}), ("A2", LEFT, {"Fe_ppm": 60})]),
    Case("spoiled.csv", b"Bottle,Point,Sampled,Hours,Fe,Cr\nA1,WL-01/engine,2025-03-01,-5,21,-1\nA2,WL-01/final "
    b"drive/left,2025-03-01,1000,60,\xff?\nA3,WL-01/engine,2031-03-01,1,2,3\nA4,WL-01/engine,no "
    b"date,1,2,3\nA5,WL-01/engine,2025-03-02,1,2,3,4,5\n",
         AB, [(2, "Cr_ppm", "negative"), (2, "meter_h", "negative"), (3, "Cr_ppm", "not a number"),
         (4, "drawn_on", "a date in the future"), (5, "drawn_on", "not a date"), (6, "", "more cells than headings")]),
    Case("hostile.csv",
    b'Bottle,Point,Sampled,Fe,"<script>alert(1)</script>","=HYPERLINK(""x"")"\nA1,WL-01/engine,2025-03-01,21,<b>,=1+1\n"../../A2",WL-01/final drive/left,2025-03-01,60,x,y\n',
         [("../../A2", LEFT, {"Fe_ppm": 60}), ("A1", ENGINE, {"Fe_ppm": 21})]),
    Case("quoted.csv", b'"Bottle","Point","Sampled","Fe","Remarks"\r\n"A1","WL-01/engine","2025-03-01","21","seen '
    b'""metal"", look"\r\n"A2","WL-01/final drive/left","2025-03-01","60","two\r\nlines"\r\n',
         [("A1", ENGINE, {"note": 'seen "metal", look'}), ("A2", LEFT, {"Fe_ppm": 60})]),
    Case("doubled.csv", b"Bottle,Point,Sampled,Fe,Fe\nA1,WL-01/engine,2025-03-01,21,22\nA2,WL-01/final "
    b"drive/left,2025-03-01,60,61\n", AB),
]  # fmt: skip


def loaded(write: Callable[..., Path], case: Case) -> tuple[pd.DataFrame, pd.DataFrame, pd.Series]:
    """(samples of the file, what was set aside, its line of counts)."""
    folder = write({f"inbox/{case.name}": case.content})
    text = proposal_toml(propose_layout(folder / "inbox" / case.name))
    for old, new in case.edits.items():
        assert old in text, text
        text = text.replace(old, new, 1)
    (folder / "layouts").mkdir()
    (folder / "layouts" / "l.toml").write_text(text, encoding="utf-8")
    fleet = load_fleet(folder, TODAY)
    file = f"inbox/{case.name}"
    counts = fleet.counts.set_index("file").loc[file]
    return fleet.samples[fleet.samples["file"] == file], fleet.set_aside, counts


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_the_way_from_an_unknown_file_to_rows(write: Callable[..., Path], case: Case) -> None:
    samples, aside, counts = loaded(write, case)
    assert samples[["sample", "compartment"]].values.tolist() == [[s, c] for s, c, _ in case.rows]
    for (_, row), (_, _, wanted) in zip(samples.iterrows(), case.rows, strict=True):
        for column, value in wanted.items():
            if value is None:
                assert row[column] != row[column], column
            elif isinstance(value, str) and value.startswith(("<", ">")):
                flag = f"{column}_{'below' if value[0] == '<' else 'above'}"
                assert (row[column], row[flag]) == (float(value[1:]), True), column
            elif isinstance(value, str):
                assert (str(row[column].date()) if column.endswith("_on") else row[column]) == value
            else:
                assert row[column] == pytest.approx(value, rel=2e-4), column
                assert not row.get(f"{column}_below", False)
    got = [(r, c, why) for r, c, why in aside[["row", "column", "reason"]].values.tolist()]
    assert [(r, c) for r, c, _ in got] == [(r, c) for r, c, _ in case.aside]
    assert all(why.startswith(start) for (_, _, why), (_, _, start) in zip(got, case.aside, strict=True))
    assert counts["read"] == counts["used"] + counts["set_aside"]


def test_there_are_enough_of_them() -> None:
    assert len(CASES) >= 30


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (
            "unclear_dates.csv",
            "%d/%m/%Y and %m/%d/%Y both fit every date; which is day and which is month does not show here",
        ),
        ("spoiled.csv", "not understood: "),
        ("both_decimals.csv", "both '1000,5' and '1000.5' stand in this file; each is read as it can only be meant"),
    ],
)
def test_what_the_file_cannot_tell_is_a_doubt(write: Callable[..., Path], name: str, words: str) -> None:
    case = next(c for c in CASES if c.name == name)
    folder = write({f"inbox/{name}": case.content})
    proposal = propose_layout(folder / "inbox" / name)
    assert any(words in d for d in proposal.doubts), proposal.doubts
    assert words in " ".join(match_report(proposal).split())
    assert "# LOOK: " in proposal_toml(proposal)


def test_a_unit_that_is_a_thousand_fold_off_is_a_doubt(write: Callable[..., Path]) -> None:
    """Iron of 2 % by weight in an oil is a slip of the unit, whatever the heading says (common practice)."""
    text = b"Bottle,Point,Sampled,Iron (%),Water (ppm)\n" + b"".join(
        b"A%d,WL-01/engine,2025-03-01,%d,0.05\n" % (i, i + 20) for i in range(9)
    )
    folder = write({"inbox/x.csv": text})
    doubts = " ".join(propose_layout(folder / "inbox" / "x.csv").doubts)
    assert "Iron (%): the middle value 240000 ppm is unusual; 240 would be usual: is the unit right?" in doubts
    assert "Water (ppm): the middle value 0.05 ppm is unusual; 50 would be usual: is the unit right?" in doubts


def test_words_of_a_laboratory_get_the_nearest_compartment(write: Callable[..., Path]) -> None:
    case = next(c for c in CASES if c.name == "own_words.csv")
    folder = write({"inbox/own_words.csv": case.content.replace(b"WL01 FD LH", b"WL-01 FD LH")})
    proposal = propose_layout(folder / "inbox" / "own_words.csv", [ENGINE, LEFT, RIGHT])
    assert proposal.places == (("WL01 ENG", ENGINE), ("WL-01 FD LH", LEFT), ("WL02 FD LH", ""))
    text = proposal_toml(proposal)
    assert '# "WL-01 FD LH" = "WL-01/final drive/left"' in text, "proposed, never applied"


ROWS = [("A1", "North", "HT-07", "Engine"), ("A2", "North", "HT-08", "Engine"), ("A3", "South", "HT-07", "Gearbox"),
    ("A4", "North", "HT-07", "Gearbox")]  # fmt: skip


def proposed(tmp_path: Path, headings: str, rows: list[tuple[str, ...]], names: list[str] | None = None) -> Proposal:
    """The proposal for a file of these identity columns, with a day and an iron result."""
    text = "\n".join([f"{headings},Sampled,Fe", *(",".join((*row, "2025-03-01", "21")) for row in rows)])
    (tmp_path / "x.csv").write_text(text + "\n")
    return propose_layout(tmp_path / "x.csv", names)


@pytest.mark.parametrize(
    ("names", "join", "between"),
    [
        (["HT-07/engine", "HT-08/engine", "HT-07/gearbox"], ("Unit", "Component"), "/"),
        (["HT-07 Engine", "HT-08 Engine"], ("Unit", "Component"), " "),
        (["North-HT-07-engine", "North-HT-08-engine", "South-HT-07-Gearbox"], ("Site", "Unit", "Component"), "-"),
        (["engine", "gearbox"], ("Component",), "/"),
        (None, ("Site", "Unit", "Component"), "/"),
    ],
)
def test_names_in_three_columns_are_joined_as_the_fleet_has_them(tmp_path, names, join, between) -> None:
    """HT-07 works at two sites in this file: without a fleet's names all three columns are needed."""
    proposal = proposed(tmp_path, "Bottle,Site,Unit,Component", ROWS, names)
    assert (proposal.join, proposal.join_with) == (join, between)
    layout = parse_layout(tomllib.loads(proposal_toml(proposal)), "l", analyte_register())
    assert layout.join_with == between


def test_a_repeated_name_is_joined_and_the_reason_said(tmp_path: Path) -> None:
    rows = [("A1", "HT-07", "Engine"), ("A2", "HT-08", "Engine")]
    report = match_report(proposed(tmp_path, "Bottle,Unit,Compartment", rows), 160)
    assert (
        "compartment: joined from Unit + Compartment with '/' between; 'Engine' stands with more than one machine"
        in report
    )
    checked = proposed(tmp_path, "Bottle,Unit,Compartment", rows, ["HT-07/engine", "HT-09/engine"])
    assert checked.join_why == "1 of 2 names so made are the fleet's, such as 'HT-07/Engine'"
    assert checked.places == (("HT-08/Engine", ""),), "another number is another machine"


def test_codes_of_their_own_are_names(tmp_path: Path) -> None:
    proposal = proposed(tmp_path, "Bottle,Unit,Compartment", [("A1", "HT-07", "C-001"), ("A2", "HT-08", "C-002")])
    assert proposal.join == ()
    assert [g.to for g in proposal.columns][:3] == ["sample", "", "compartment"]
    one = proposed(tmp_path, "Bottle,Unit,Compartment", [("A1", "HT-07", "Engine"), ("A2", "HT-07", "Gearbox")])
    assert one.join == ()
    assert "one machine only in this file" in " ".join(one.doubts)


def test_words_of_joined_parts_get_the_nearest_compartment(tmp_path: Path) -> None:
    rows = [("A1", "HT-07", "FD LH"), ("A2", "HT-08", "FD LH")]
    names = ["HT-07/final drive/left", "HT-07/final drive/right", "HT-08/final drive/left"]
    proposal = proposed(tmp_path, "Bottle,Unit,Compartment", rows, names)
    assert proposal.join == ("Unit", "Compartment")
    assert proposal.places == (("HT-07/FD LH", names[0]), ("HT-08/FD LH", names[2]))


@pytest.mark.parametrize("width", [60, 80, 120, 200])
def test_reasons_are_whole_at_any_width(tmp_path: Path, width: int) -> None:
    rows = [("A1", "HT-07", "Engine", "no"), ("A2", "HT-08", "Engine", "yes")]
    proposal = proposed(
        tmp_path, "Bottle,Unit,Compartment,Was this bottle drawn by the laboratory's own courier?", rows
    )
    lines = match_report(proposal, width).splitlines()
    assert max(map(len, lines)) <= width
    said = " ".join(" ".join(lines).split())
    assert "Was this bottle draw" in said
    assert said.count("the heading says 'Compartment'") == 1
    assert "so it is no name by itself" in said


def test_nothing_is_written_over_and_nothing_applied(write: Callable[..., Path]) -> None:
    case = CASES[0]
    folder = write({f"inbox/{case.name}": case.content})
    proposal = propose_layout(folder / "inbox" / case.name)
    assert not (folder / "layouts").exists()
    path = write_layout(proposal_toml(proposal), folder / "layouts" / "a.toml")
    with pytest.raises(WriteError, match="there already, and nothing is written over"):
        write_layout(proposal_toml(proposal), path)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("empty.csv", b"", "the file is empty"),
        ("prose.txt", b"Dear customer,\nyour results will follow.\n", "found no row of headings"),
        ("numbers.csv", b"1,2,3\n4,5,6\n", "found no row of headings"),
        ("not.xlsx", b"hello", "not a spreadsheet"),
    ],
)
def test_no_table_is_said_in_words(write: Callable[..., Path], name: str, content: bytes, words: str) -> None:
    folder = write({f"inbox/{name}": content})
    with pytest.raises(WrongFile, match=words):
        propose_layout(folder / "inbox" / name)


def test_a_proposal_without_what_is_needed_does_not_load(write: Callable[..., Path]) -> None:
    folder = write({"inbox/x.csv": b"Bottle,Fe,Cu\nA1,1,2\n"})
    proposal = propose_layout(folder / "inbox" / "x.csv")
    assert [d for d in proposal.doubts if "drawn_on" in d]
    write_layout(proposal_toml(proposal), folder / "layouts" / "x.toml")
    with pytest.raises(RecordsError, match="nothing is mapped to compartment, drawn_on"):
        load_fleet(folder, TODAY)
