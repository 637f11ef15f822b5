"""A new fleet folder: empty tables under their headings, settings and a layout in comments, and what every column
means.
"""

import textwrap
from importlib.resources import files
from pathlib import Path

from cmkit.files import write_file, written_folder
from cmkit.records.analytes import analyte_register
from cmkit.tables.column import Column, Table
from cmkit.tables.records import NAMES, TABLES

_EXAMPLES: dict[str, list[str]] = {
    "sites": ["site,name,time_zone,downtime_cost_per_h", "North,North pit,Etc/UTC,900"],
    "machines": [
        "machine,site,kind,size_class,in_service_on,meter_h_at_start,retired_on",
        "WL-01,North,wheel loader,large,2024-02-01,12,",
    ],
    "compartments": [
        "compartment,machine,kind,position,capacity_l,pressurised,access,sampling_point,depth_mm,surface_mm,dead_volume_ml,fluid,grade,sample_every_h,change_every_h",
        "WL-01/engine,WL-01,engine,,34,true,probe valve,,,,20,engine oil,SAE 15W-40,250,500",
        "WL-01/hydraulic,WL-01,hydraulic,,140,true,probe valve,low-pressure,,,30,hydraulic oil,ISO VG 46,500,4000",
        "WL-01/final drive/left,WL-01,final drive,left,12,false,fill plug,,160,0,,gear oil,SAE 50,500,2000",
        "WL-01/final drive/right,WL-01,final drive,right,12,false,fill plug,,160,0,,gear oil,SAE 50,500,2000",
    ],
    "samples": [
        "sample,compartment,drawn_on,meter_h,fluid_h,makeup_l,method,sampler,fluid_level,lab,reported_on,Fe_ppm,Cu_ppm,Si_ppm,visc100_cSt,water_ppm,note",
        "B-0001,WL-01/engine,2026-03-02,4120,250,2,probe,crew A,full,Example laboratory,2026-03-09,21,<1,8,14.2,<100,",
        "B-0002,WL-01/final drive/left,2026-03-02,4120,500,,pump,crew A,low,Example "
        "laboratory,2026-03-09,64,3,12,19.1,,level low: leak?",
    ],
    "services": [
        "service,compartment,done_on,meter_h,kind,volume_l,fluid,grade,cost,downtime_h,note",
        "W-0001,WL-01/engine,2026-03-02,4120,change,34,engine oil,SAE 15W-40,310,2,",
        "W-0002,WL-01/engine,2026-03-20,4230,top-up,2,engine oil,SAE 15W-40,,,",
    ],
    "meters": ["machine,read_on,meter_h,new_meter", "WL-01,2026-03-20,4230,"],
    "findings": [
        "finding,compartment,found_on,meter_h,outcome,cause,prompted_by,cost,downtime_h,note",
        "F-0001,WL-01/final drive/left,2026-03-15,4205,defect,seal leak,B-0002,1800,9,",
    ],
    "corrections": [
        "correction,sample,field,value,decided_on,decided_by,reason",
        "C-0001,B-0002,compartment,WL-01/final drive/right,2026-03-10,analyst,labels exchanged",
    ],
    "decisions": [
        "decision,compartment,alarm_on,owner,decided_on,decided,why,due_on",
        "D-0001,WL-01/final drive/left,,workshop lead,2026-03-11,accepted,plug and filter looked at in the next "
        "service,2026-03-20",
    ],
    "baselines": [
        "baseline,batch,site,fluid,grade,delivered_on,drawn_on,lab,reported_on,note,visc40_cSt,visc100_cSt,Ca_ppm,Si_ppm",
        "N-0001,D-2291,North,engine oil,SAE 15W-40,2026-02-20,2026-02-21,own lab,2026-02-27,,105,14.2,2400,4",
    ],
    "not_drawn": [
        "sample,compartment,planned_on,returned_on,note",
        "A7KQ2M9XB,WL-01/final drive/left,2026-03-12,2026-03-14,machine was away",
    ],
}


_NAMES = [
    "said,means,name,note",
    "Big loader,machine,WL-01,what the workshop calls it",
    "Port drive,component,final drive/left,on any machine",
    "L1 motor,compartment,WL-01/engine,",
]


def start_fleet(folder: str | Path) -> list[Path]:
    """Write a new fleet folder and return its files. Raises WriteError where the folder holds anything: nothing is
    written over.

    The tables hold headings only, so that it can be read at once; examples/ shows each of them filled in.
    """
    folder = Path(folder)
    texts = {
        "fleet.toml": _template("fleet.toml"),
        "READ_ME.txt": read_me(),
        "layouts/example.txt": _template("layout.toml"),
    }
    texts["names.csv"] = ",".join(NAMES.names) + "\n"
    texts["examples/names.csv"] = "\n".join(_NAMES) + "\n"
    for name, table in TABLES.items():
        texts[f"{name}.csv"] = ",".join(_headings(table)) + "\n"
        texts[f"examples/{name}.csv"] = "\n".join(_EXAMPLES[name]) + "\n"
    with written_folder(folder) as aside:
        (aside / "inbox").mkdir()
        for name, text in texts.items():
            write_file(aside / name, text)
    return [folder / name for name in texts]


def _template(name: str) -> str:
    return files("cmkit.reference").joinpath(f"start_{name}").read_text(encoding="utf-8")


def _headings(table: Table) -> list[str]:
    """Every column of a table; for samples also every result."""
    return table.names + (list(analyte_register().index) if table.results else [])


def read_me() -> str:
    """What every table and column of a fleet folder means, as plain text of at most 100 columns."""
    lines = [
        "A FLEET FOLDER",
        "",
        *textwrap.wrap(
            "Each table is a CSV file here (or .xlsx, .parquet, or a folder of such files with the table's name). "
            "Dates are 2026-06-30, "
            "hours are meter hours, volumes litres, money is in the fleet's one currency. An empty cell means not "
            "recorded, never zero. "
            "Columns marked * must be filled; any other column may be left out. examples/ shows each table filled in.",
            98,
        ),
        "",
        *textwrap.wrap(
            "Put the files you have into inbox/: laboratories' results, the register of machines, the workshop's log, "
            "meter readings. "
            "`cmkit match FOLDER/inbox` proposes a layout for each in layouts/: read and correct them. Without a "
            "register, "
            "`cmkit draft-register FOLDER` drafts one from the results. Or fill sites, machines, compartments and "
            "samples by hand. "
            "`cmkit check FOLDER` says what was read and what was not, and why, and what to type next. names.csv "
            "holds what files call "
            "the fleet's machines and components, for all of them at once.",
            98,
        ),
        "",
    ]
    for table in (*TABLES.values(), NAMES):
        lines += [f"{table.name}.csv", *(_explained(c) for c in table.columns), ""]
    lines += ["Results, columns of samples.csv; '<1' is kept as below 1, an empty cell is not tested"]
    for row in analyte_register().itertuples():
        lines.append(
            f"    {row.analyte:<18} {row.name}, {row.unit}" if row.unit != "1" else f"    {row.analyte:<18} {row.name}"
        )
    return "\n".join(lines) + "\n"


def _explained(column: Column) -> str:
    words = column.meaning
    if column.one_of:
        words += f": {', '.join(column.one_of)}"
    elif column.kind == "date":
        words += " (date)"
    elif column.kind == "flag":
        words += " (true or false)" if "true" not in words else ""
    elif column.unit and not column.unit.startswith("money"):
        words += f" ({column.unit})"
    mark = "*" if column.required else " "
    return "\n".join(textwrap.wrap(f"  {mark} {column.name:<18} {words}", 98, subsequent_indent=" " * 23))
