"""An invented fleet of two sites and six machines, with made-up results and four planted faults, assessed by cmkit as
any fleet is: for tests of the pages.
"""

import numpy as np
import pandas as pd

from cmkit.assess import assess_fleet
from cmkit.assessment import Assessment
from cmkit.records.analytes import analyte_register, below
from cmkit.records.fleet import Fleet
from cmkit.records.settings import parse_settings
from cmkit.tables.frames import empty, typed
from cmkit.tables.records import TABLES

BOTTLES = 12
CHANGED_AT = 5660.0  # hours on the meter at which every fluid was changed
# result: level in a new charge, rise per hour (same unit); invented
RISES = {
    "Fe_ppm": (4, 0.04),
    "Cr_ppm": (0.5, 0.004),
    "Cu_ppm": (2, 0.02),
    "Pb_ppm": (1, 0.006),
    "Si_ppm": (4, 0.012),
    "Al_ppm": (1, 0.008),
}
STEADY = {"Na_ppm": 4.0, "K_ppm": 1.0, "water_ppm": 120.0}
PLACES = {
    "wheel loader": [("engine", ""), ("transmission", ""), ("differential", "front"), ("differential", "rear"),
    ("final drive", "front left"),
                     ("final drive", "front right"), ("final drive", "rear left"), ("final drive", "rear right"),
                     ("hydraulic", ""), ("coolant", "")],
    "excavator": [("engine", ""), ("hydraulic", ""), ("swing drive", ""), ("travel drive", "left"),
    ("travel drive", "right"), ("coolant", "")],
}  # fmt: skip
MACHINES = [("WL-1", "north pit", "wheel loader"), ("WL-2", "north pit", "wheel loader"),
    ("WL-10", "north pit", "wheel loader"),
            ("EX-1", "north pit", "excavator"), ("EX-2", "south quarry", "excavator"),
            ("WL-3", "south quarry", "wheel loader")]  # fmt: skip
AS_OF = pd.Timestamp("2026-06-30")
# compartment: bottles it shows in, and what each of them adds, times their number so far
FAULTS = {
    "WL-1/final drive/front right": (3, {"Fe_ppm": 90.0, "Cr_ppm": 9.0, "Cu_ppm": 12.0}),
    "WL-2/engine": (2, {"Na_ppm": 60.0, "K_ppm": 30.0, "water_ppm": 500.0, "Cu_ppm": 8.0}),
    "EX-1/swing drive": (1, {"Fe_ppm": 120.0, "Cr_ppm": 10.0}),
    "WL-3/hydraulic": (2, {"Cu_ppm": 45.0, "Fe_ppm": 30.0}),
}


def blank(name: str, rows: list[dict]) -> pd.DataFrame:
    """A frame with every column of a table of records, typed."""
    frame = pd.DataFrame(rows, columns=TABLES[name].names)
    for column in TABLES[name].columns:
        if column.kind == "date":
            frame[column.name] = frame[column.name].astype("datetime64[us]")
        elif column.kind == "number":
            frame[column.name] = frame[column.name].astype(float)
        elif column.kind == "text":
            frame[column.name] = frame[column.name].astype(object).fillna("").astype("str")
    return frame


def made_records(hostile: str = "") -> Fleet:
    """The records. `hostile` is put into every free text, and into the name of the first machine."""
    rng = np.random.default_rng(7)
    machines, compartments, samples, services, findings = [], [], [], [], []
    for machine, site, kind in MACHINES:
        name = machine + (hostile if machine == "WL-1" else "")
        machines.append(
            {"machine": name, "site": site, "kind": kind, "size_class": "large", "in_service_on": "2024-01-01"}
        )
        for place, position in PLACES[kind]:
            key = "/".join(p for p in (name, place, position) if p)
            probe = place in ("engine", "transmission", "hydraulic", "coolant")
            compartments.append({"compartment": key, "machine": name, "kind": place, "position": position,
            "capacity_l": 40.0, "pressurised": probe,
            "sampling_point": {"hydraulic": "low-pressure", "coolant": "hot coolant valve"}.get(place, ""),
                                 "access": "probe valve" if probe else "fill plug", "depth_mm": 400.0,
                                 "fluid": "engine oil", "grade": "SAE 15W-40",
                                 "sample_every_h": 250.0, "family": f"{kind} large {place}"})  # fmt: skip
            for i in range(BOTTLES):
                meter = 4000 + 250.0 * i
                drawn = pd.Timestamp("2025-03-10") + pd.Timedelta(days=int(40 * i + rng.integers(0, 9)))
                samples.append({"sample": f"B{len(samples):04d}", "compartment": key, "drawn_on": drawn,
                "meter_h": meter, "fluid_h": meter - (CHANGED_AT if meter > CHANGED_AT else 3800.0),
                "method": "probe" if probe else "pump",
                                "sampler": "crew A" + hostile,
                                "fluid_level": "low" if key == "EX-1/travel drive/left" and i == BOTTLES - 1 else "full", "lab": "laboratory 1",
                                "reported_on": drawn + pd.Timedelta(days=9), "note": hostile})  # fmt: skip
            services.append(
                {
                    "service": f"S{len(services):03d}",
                    "compartment": key,
                    "done_on": "2025-12-01",
                    "meter_h": CHANGED_AT,
                    "kind": "change",
                    "note": hostile,
                }
            )
    findings.append({"finding": "F1", "compartment": "WL-2/engine", "found_on": "2026-01-20", "outcome": "no defect",
    "cause": hostile, "cost": 350.0,
                     "downtime_h": 3.0, "recorded_on": "2026-01-22",
                     "note": "pan dropped, nothing found" + hostile})  # fmt: skip
    findings.append({"finding": "F2", "compartment": "WL-3/hydraulic", "found_on": "2026-06-20", "outcome": "defect",
    "cause": "dirt entry", "cost": 2100.0,
                     "downtime_h": 9.0, "recorded_on": "2026-06-21", "note": "breather torn"})  # fmt: skip
    findings.append({"finding": "F3", "compartment": "EX-2/engine", "found_on": "2026-02-11", "outcome": "failed",
    "cause": "bearing fatigue", "cost": 52000.0,
                     "downtime_h": 90.0, "recorded_on": "2026-02-12"})  # fmt: skip
    frame = blank("samples", samples).assign(corrected="")
    for analyte in analyte_register()["analyte"]:
        frame[analyte] = np.nan
        frame[below(analyte)] = False
    meters = [{"machine": m["machine"], "read_on": "2026-06-28", "meter_h": 6968.0} for m in machines]
    sites = [
        {"site": s, "name": s.title() + hostile, "time_zone": "Etc/UTC", "downtime_cost_per_h": 200.0}
        for s in ("north pit", "south quarry")
    ]
    aside = {
        "file": "samples/2026-05.csv",
        "row": 17,
        "column": "Fe_ppm",
        "value": "-4" + hostile,
        "reason": "negative result",
        "table": "samples",
        "what": "value",
    }
    counts = {
        "file": "samples/2026-05.csv",
        "table": "samples",
        "read": len(samples) + 1,
        "used": len(samples),
        "set_aside": 1,
    }
    settings = parse_settings({"name": "Made-up fleet" + hostile, "currency": "credits"}, "made")
    return Fleet(settings=settings, sites=blank("sites", sites), machines=blank("machines", machines),
        compartments=blank("compartments", compartments),
                 samples=with_results(frame, hostile), services=blank("services", services),
                 meters=blank("meters", meters).assign(new_meter=False), findings=blank("findings", findings),
                 corrections=blank("corrections", []), set_aside=typed([aside | {"known_on": AS_OF}], "set_aside"),
                 repairs=empty("repairs"), counts=typed([counts], "counts"),
                 sources={"samples.csv": "ab" * 32})  # fmt: skip


def with_results(samples: pd.DataFrame, hostile: str) -> pd.DataFrame:
    """Samples with results: what rises with the fluid's hours, what is steady, and what the planted faults add to the
    last bottles.
    """
    rng = np.random.default_rng(3)
    out = samples.copy()
    key = out["compartment"].str.replace(f"WL-1{hostile}/", "WL-1/", regex=False)
    number = out.groupby("compartment").cumcount()
    for analyte, (start, rise) in (RISES | {a: (v, 0.0) for a, v in STEADY.items()}).items():
        level = (start + rise * out["fluid_h"]) * rng.lognormal(0, 0.08, len(out))
        for compartment, (late, more) in FAULTS.items():
            since = (number - (BOTTLES - 1 - late)).clip(lower=0)
            level = level + np.where(key == compartment, since * more.get(analyte, 0.0), 0.0)
        out[analyte] = np.round(level).clip(1)
        out[below(analyte)] = out[analyte] <= 1
    return out


def made_assessment(hostile: str = "") -> Assessment:
    """The whole bundle, as `assess_fleet` makes it of the invented records."""
    return assess_fleet(made_records(hostile), AS_OF)
