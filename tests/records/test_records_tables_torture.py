"""Registers, workshop logs, meter sheets and findings of invented firms, each its own way: matched, edited where said,
then loaded.

Every case goes the way a user goes: match the unknown file, edit the proposal where the file alone cannot tell, load
the fleet.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

import pandas as pd
import pytest

from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.records.reading.proposing import propose

from .test_records_torture import book

TODAY = date(2026, 1, 31)
ENGINE, LEFT, RIGHT = "WL-01/engine", "WL-01/final drive/left", "WL-01/final drive/right"


@dataclass(frozen=True)
class Case:
    """rows: table -> the rows that must come out of the file (column -> value; None: not recorded), in order; aside:
    (row, column, start of the reason). edits: what the analyst changes in the proposed layout, because the file alone
    cannot tell."""

    name: str
    content: bytes
    rows: dict[str, list[dict]]
    aside: list[tuple[int, str, str]] = field(default_factory=list)
    edits: dict[str, str] = field(default_factory=dict)
    names: str = ""


US_GAL = 3.785411784  # litres: 231 cubic inches, by definition
IMPERIAL_GAL = 4.54609  # litres, by definition

CASES = [
    # registers
    Case("machines_only.csv", b"Unit No,Type,Model,Site,Commissioned\nHT-07,rigid hauler,90 "
    b"t,North,2022-05-01\nHT-08,rigid hauler,90 t,South,2023-01-15\n",
         {"machines": [{"machine": "HT-07", "kind": "rigid hauler", "size_class": "90 t", "site": "North",
         "in_service_on": "2022-05-01"}, {"machine": "HT-08", "site": "South"}],
          "sites": [{"site": "South"}], "compartments": []}),
    Case("component_columns.csv", b"Plant list of the pit,,,,,\nAs of June,,,,,\nFleet No;Category;Engine (l);Trans "
    b"(l);FD LH (l);FD RH (l)\nEX-1;excavator;42;;8,5;8,5\nHT-9;rigid hauler;68;61;20;20\n".replace(b",,,,,", b";;;;;"),
         {"compartments": [{"compartment": "EX-1/engine", "capacity_l": 42},
         {"compartment": "EX-1/final drive/left", "capacity_l": 8.5},
         {"compartment": "EX-1/final drive/right", "capacity_l": 8.5, "position": "right"},
                           {"compartment": "HT-9/engine", "capacity_l": 68, "kind": "engine", "fluid": "engine oil"},
                           {"compartment": "HT-9/final drive/left"}, {"compartment": "HT-9/final drive/right"},
                           {"compartment": "HT-9/transmission", "capacity_l": 61}],
          "machines": [{"machine": "EX-1", "kind": "excavator", "site": "Site"}, {"machine": "HT-9"}]}),
    Case("imperial_gallons.csv", b"Asset,Class,Engine oil (gal),Hyd tank (gal)\nEX-1,excavator,10,50\n",
         {"compartments": [{"compartment": "EX-1/engine", "capacity_l": 10 * IMPERIAL_GAL},
         {"compartment": "EX-1/hydraulic", "capacity_l": 50 * IMPERIAL_GAL}]},
         edits={'gallon = ""': 'gallon = "imperial"'}),
    Case("components_down.csv", b"Machine,Type,Component,Side,Capacity L,Oil,Grade,Drain interval\nWL-5,wheel "
    b"loader,ENG,,32,engine oil,SAE 15W-40,500\n,,F/Drive,L/H,11,gear oil,SAE 50,2000\n,,F/Drive,R/H,11,gear oil,SAE "
    b"50,2000\nWL-6,wheel loader,ENG,,n/a,engine oil,SAE 15W-40,500\n",
         {"compartments": [{"compartment": "WL-5/engine", "capacity_l": 32, "grade": "SAE 15W-40",
         "change_every_h": 500}, {"compartment": "WL-5/final drive/left", "capacity_l": 11},
         {"compartment": "WL-5/final drive/right", "position": "right"},
         {"compartment": "WL-6/engine", "capacity_l": None}],
          "machines": [{"machine": "WL-5", "kind": "wheel loader"}, {"machine": "WL-6"}]}),
    Case("there_or_not.xlsx", book([["Equipment register"], ["Unit", "Unit type", "Location", "Engine", "Hydraulics",
    "Swing", "Coolant"], ["EX-2", "excavator", "South", "x", "x", "x", "x"],
    ["GR-1", "grader", "North", "x", "x", "-", "x"]]),
         {"compartments": [{"compartment": "EX-2/coolant", "fluid": "coolant"}, {"compartment": "EX-2/engine"},
         {"compartment": "EX-2/hydraulic"}, {"compartment": "EX-2/swing drive", "kind": "swing drive"},
         {"compartment": "GR-1/coolant"}, {"compartment": "GR-1/engine"}, {"compartment": "GR-1/hydraulic"}]}),
    Case("merged_register.xlsx", book([["", "", "", "", ""], ["Unit", "Type", "", "", ""], ["", "", "Engine", "FD LH",
    "FD RH"], ["DZ-1", "dozer", 28, 14, 14]], merges=((1, 2, 1, 4, "Capacity litres"),)),
         {"compartments": [{"compartment": "DZ-1/engine", "capacity_l": 28},
         {"compartment": "DZ-1/final drive/left", "capacity_l": 14},
         {"compartment": "DZ-1/final drive/right", "capacity_l": 14}]}),
    # workshop logs
    Case("free_text_log.csv", b"Date,Unit,Component,Work done,Hours\n2025-03-01,WL-01,Engine,oil "
    b"chg,1000\n2025-03-09,WL-01,Engine,topped up 4 l,1040\n2025-03-20,WL-01,FD LH,replaced "
    b"oil,1100\n2025-03-21,WL-01,Cab,fixed light,1102\n",
         {"services": [{"compartment": ENGINE, "kind": "change", "done_on": "2025-03-01", "meter_h": 1000,
         "note": "oil chg"}, {"compartment": ENGINE, "kind": "top-up", "volume_l": 4},
         {"compartment": LEFT, "kind": "change"}]},
         [(5, "", "work that layouts/l.toml leaves out")]),
    Case("quarts_and_gallons.csv", b"WO,Date,Machine,Comp,Description,Qty\n71,3/1/2025,WL 01,ENGINE,Engine oil & "
    b"filter change,\n72,3/14/2025,WL 01,ENGINE,Added 2 qts oil,\n73,3/20/2025,WL 01,ENGINE,Added 1 gal,\n",
         {"services": [{"service": "71", "kind": "change", "done_on": "2025-03-01", "volume_l": None},
         {"service": "72", "kind": "top-up", "volume_l": US_GAL / 2}, {"service": "73", "volume_l": US_GAL}]},
         edits={'gallon = ""': 'gallon = "US"'}),
    Case("place_in_the_text.csv", b"Job;Datum;Maschine;Arbeit\nA1;01.03.2025;WL-01;Oelwechsel "
    b"Motor\nA2;15.03.2025;WL-01;LH final drive oil changed\nA3;16.03.2025;WL-01;500 h service\n",
         {"services": [{"service": "A1", "compartment": ENGINE, "kind": "change", "done_on": "2025-03-01"},
         {"service": "A2", "compartment": LEFT, "kind": "change"}]},
         [(4, "compartment", "not in compartments")]),
    Case("unit_above.csv", b"Unit,Date,Component,Task\nWL-01,2025-03-01,Eng,oil change\n,2025-03-01,FD R,oil change\n",
         {"services": [{"compartment": ENGINE, "kind": "change"}, {"compartment": RIGHT, "kind": "change"}]},
         edits={'decimal = "."': 'decimal = "."\nfill_down = ["Unit"]'}),
    Case("unknown_work.csv", b"Date,Unit,Component,Work\n2025-03-01,WL-01,Engine,PM 500\n2025-03-05,WL-01,Engine,PM "
    b"500\n2025-03-02,WL-01,Engine,brought to shop\n",
         {"services": [{"service": "WL-01 Engine 2025-03-01 PM 500", "kind": "change", "done_on": "2025-03-01"},
         {"kind": "change", "done_on": "2025-03-05"}]},
         [(4, "kind", "not one of change")], edits={'# "PM 500" = ""': '"pm 500" = "change"'}),
    Case("renamed.csv", b"Date,Unit,Component,Work\n2025-03-01,OLD 9,Engine,oil change\n2025-03-01,WL-01,Port "
    b"drive,oil change\n2025-03-01,WL-77,Engine,oil change\n",
         {"services": [{"compartment": ENGINE, "kind": "change"}, {"compartment": LEFT, "kind": "change"}]},
         [(4, "compartment", "not in compartments")],
         names="said,means,name\nOLD 9,machine,WL-01\nPort drive,component,final drive/left\n"),
    # meters
    Case("weekly_matrix.csv", b"Meter "
    b"readings\nUnit,05/01/2025,12/01/2025,19/01/2025,26/01/2025\nWL-01,1000,1060,-,1190\nWL-99,5,6,7,8\n",
         {"meters": [{"machine": "WL-01", "read_on": "2025-01-05", "meter_h": 1000},
         {"read_on": "2025-01-12", "meter_h": 1060}, {"read_on": "2025-01-26", "meter_h": 1190}]},
         [(4, "machine", "not in machines")] * 4),
    Case("american_matrix.csv", b"Equipment,1/6/2025,1/13/2025,1/20/2025\nWL 1,\"1,000\",\"1,060\",\"1,115\"\n",
         {"meters": [{"machine": "WL-01", "read_on": "2025-01-06", "meter_h": 1000}, {"read_on": "2025-01-13"},
         {"read_on": "2025-01-20", "meter_h": 1115}]}),
    Case("matrix_book.xlsx", book([["Unit", datetime(2025, 1, 6), datetime(2025, 1, 13), datetime(2025, 1, 20)],
    ["WL-01", 1000, "", 1110.5]]),
         {"meters": [{"machine": "WL-01", "read_on": "2025-01-06", "meter_h": 1000},
         {"read_on": "2025-01-20", "meter_h": 1110.5}]}),
    Case("long_meters.csv", b"Date Read;Asset "
    b"No;SMU\n06.01.2025;WL-01;1.000,5\n13.01.2025;WL-01;broken\n20.01.2025;WL-01;1.110\n",
         {"meters": [{"read_on": "2025-01-06", "meter_h": 1000.5}, {"read_on": "2025-01-20", "meter_h": 1110}]},
         [(3, "meter_h", "not a usable number")]),
    Case("changed_meter.csv", b"Unit,Date Read,SMU,Meter "
    b"changed\nWL-01,2025-01-06,9000,\nWL-01,2025-01-13,9060,\nWL-01,2025-01-20,25,yes\nWL-01,2025-01-27,80,no\n",
         {"meters": [{"read_on": "2025-01-06", "meter_h": 9000, "new_meter": None}, {"meter_h": 9060},
         {"read_on": "2025-01-20", "meter_h": 25, "new_meter": True}, {"meter_h": 80, "new_meter": False}]}),
    # findings
    Case("strip_downs.csv", b"Report no,Unit,Component,Date inspected,Condition found,Root cause,Cost\nR1,WL-01,FD "
    b"LH,2025-04-01,bearing spalled,bearing fatigue,1200\nR2,WL-01,Engine,2025-04-02,no fault found,,150\n",
         {"findings": [{"finding": "R1", "compartment": LEFT, "outcome": "defect", "cause": "bearing fatigue",
         "cost": 1200}, {"finding": "R2", "compartment": ENGINE, "outcome": "no defect"}]}),
]  # fmt: skip


def loaded(write: Callable[..., Path], case: Case) -> Fleet:
    folder = write({f"inbox/{case.name}": case.content, "names.csv": case.names or None})
    proposed = propose(folder / "inbox" / case.name, folder)
    text = proposed.toml
    for old, new in case.edits.items():
        assert old in text, text
        text = text.replace(old, new, 1)
    (folder / "layouts").mkdir()
    (folder / "layouts" / "l.toml").write_text(text, encoding="utf-8")
    return load_fleet(folder, TODAY)


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_the_way_from_an_unknown_sheet_to_rows(write: Callable[..., Path], case: Case) -> None:
    fleet = loaded(write, case)
    file = f"inbox/{case.name}"
    for table, wanted in case.rows.items():
        key = {"sites": "site", "machines": "machine", "compartments": "compartment"}.get(table)
        frame = getattr(fleet, table)
        if key:
            frame = frame[~frame[key].str.startswith(("WL-01", "North"))]
        assert len(frame) == len(wanted), frame.to_string()
        for (_, row), values in zip(frame.iterrows(), wanted, strict=True):
            for column, value in values.items():
                got = row[column]
                if value is None:
                    assert pd.isna(got), (column, got)
                elif isinstance(value, bool):
                    assert bool(got) is value, column
                elif isinstance(value, str):
                    assert (str(got.date()) if column.endswith("_on") else got) == value, column
                else:
                    assert got == pytest.approx(value, rel=1e-9), column
    aside = fleet.set_aside[fleet.set_aside["file"] == file]
    got = aside[["row", "column", "reason"]].values.tolist()
    assert [(r, c) for r, c, _ in got] == [(r, c) for r, c, _ in case.aside], got
    assert all(why.startswith(start) for (_, _, why), (_, _, start) in zip(got, case.aside, strict=True)), got
    counts = fleet.counts[fleet.counts["file"] == file]
    assert (counts["read"] == counts["used"] + counts["set_aside"]).all()
    assert len(counts)


def test_there_are_enough_of_them() -> None:
    assert sum("findings" not in case.rows for case in CASES) >= 15
