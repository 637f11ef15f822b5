"""Files of an invented firm: a plant register, two laboratories, a workshop log and meter sheets, with planted faults.

Written by its own physics and its own headings: it knows nothing of cmkit's tables and imports none of it. A
compartment's metals follow
a mass balance: they grow with the hours, a change leaves a residual share, a top-up dilutes; a bottle adds noise.
"""

import csv
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import xlsxwriter

START, WEEKS = date(2024, 1, 1), 104
SITES = ("Quartz Ridge", "Lower Pit")
# class, model size, components: (name at laboratory A, at laboratory B, in the workshop, litres, iron ppm/h, bottle
# every h, change every h)
PARTS = {
    "eng": ("Engine", "ENG", "engine", 40.0, 0.060, 250, 500),
    "trn": ("Transmission", "TRANS", "trans", 50.0, 0.020, 500, 1000),
    "fdl": ("FD LH", "L/H F/Drive", "LH final drive", 20.0, 0.050, 500, 2000),
    "fdr": ("FD RH", "R/H F/Drive", "RH final drive", 20.0, 0.050, 500, 2000),
    "hyd": ("Hydraulics", "HYD TANK", "hyd", 180.0, 0.008, 500, 4000),
}
RESIDUAL = {"eng": 0.10, "trn": 0.15, "fdl": 0.08, "fdr": 0.08, "hyd": 0.35}
CLASSES = (("rigid hauler", "60 t", 6), ("wheel loader", "12 t", 6))
OTHER = {"Cu": 0.20, "Cr": 0.08, "Al": 0.10, "Pb": 0.06, "Si": 0.25}  # rates as shares of iron's


@dataclass(frozen=True)
class Truth:
    """faults: (machine, part) -> what was planted; rates: (machine, part) -> iron in ppm/h over the last bottles."""

    faults: dict[tuple[str, str], str]
    rates: dict[tuple[str, str], float]


@dataclass
class _Bottle:
    machine: str
    site: str
    part: str
    day: date
    meter: int
    fluid_h: int
    metals: dict[str, float]


def write_foreign_fleet(folder: Path, seed: int = 1, missing: float = 0.0) -> Truth:
    """Write the firm's files into `folder`; missing: share of the workshop's changes that were never written down."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    machines = [
        (f"{'RH' if kind.startswith('rigid') else 'WL'} {i:02d}", kind, size, SITES[i % 2])
        for kind, size, n in CLASSES
        for i in range(1, n + 1)
    ]
    faults = {("RH 03", "fdl"): "wear", ("WL 04", "eng"): "coolant"}
    bottles, work, meters, rates = [], [], {}, {}
    for machine, _kind, _, site in machines:
        start = int(rng.integers(2000, 9000))
        weekly = rng.normal(85, 8, WEEKS).clip(40, 120)
        meters[machine] = (site, start + np.concatenate([[0], np.cumsum(weekly)]))
        for part in PARTS:
            rate = PARTS[part][4] * float(np.exp(rng.normal(0, 0.25)))
            shots, done = _life((machine, site, part), meters[machine][1], rate, faults.get((machine, part), ""), rng)
            bottles += shots
            work += done
            rates[machine, part] = rate
    _register(folder / "plant list 2025.xlsx", machines)
    _laboratory_a(folder / "coast results 2025-12.csv", [b for b in bottles if b.site == SITES[0]], rng)
    _laboratory_b(folder / "LabB_export_20251231.xlsx", [b for b in bottles if b.site == SITES[1]], rng)
    _workshop(folder / "workshop log.csv", work, rng, missing)
    _meters(folder / "SMU readings.xlsx", meters)
    return Truth(faults, rates)


def _life(
    place: tuple[str, str, str], run: np.ndarray, rate: float, fault: str, rng: np.random.Generator
) -> tuple[list[_Bottle], list[tuple]]:
    """Bottles and work of one compartment."""
    machine, site, part = place
    _, _, _, litres, _, every, change = PARTS[part]
    metals = (
        {"Fe": rate}
        | {m: rate * s * float(np.exp(rng.normal(0, 0.2))) for m, s in OTHER.items()}
        | {"Na": 0.004, "K": 0.002}
    )
    level = {m: r * rng.uniform(0.2, 0.8) * change for m, r in metals.items()}
    fluid_h, last, due, changes_at = (
        rng.uniform(0.2, 0.8) * change,
        run[0],
        run[0] + every * rng.uniform(0.2, 1.0),
        None,
    )
    changes_at = run[0] + change - fluid_h
    bottles, work = [], []
    for week in range(1, WEEKS + 1):
        hours, late = run[week] - last, week > WEEKS * 0.72
        last = run[week]
        grown = {m: r * (5.0 if fault == "wear" and late and m in ("Fe", "Cr") else 1.0) for m, r in metals.items()}
        if fault == "coolant" and late:
            grown |= {"Na": 0.25, "K": 0.12, "Cu": metals["Cu"] * 2}
        level = {m: level[m] + grown[m] * hours for m in level}
        fluid_h += hours
        day = START + timedelta(weeks=week)
        if run[week] >= due:
            seen = float(np.exp(rng.normal(0, 0.05)))
            bottles.append(_Bottle(machine, site, part, day, round(run[week]), round(fluid_h),
            {m: v * seen * float(np.exp(rng.normal(0, 0.05))) for m, v in level.items()}))  # fmt: skip
            due = run[week] + every * rng.uniform(0.93, 1.07)
        if run[week] >= changes_at:
            level = {m: v * RESIDUAL[part] for m, v in level.items()}
            fluid_h, changes_at = 0.0, run[week] + change
            work.append((day, machine, part, "change", litres, round(run[week])))
        elif part == "eng" and rng.random() < 0.15:
            level = {m: v * (1 - 4.0 / litres) for m, v in level.items()}
            work.append((day, machine, part, "top", 4.0, round(run[week])))
    return bottles, work


def _register(path: Path, machines: list[tuple]) -> None:
    with xlsxwriter.Workbook(str(path)) as book:
        page = book.add_worksheet("Plant")
        page.write(0, 0, "PLANT LIST - all sites")
        heads = [
            "Plant No",
            "Category",
            "Model",
            "Location",
            "Engine (l)",
            "Trans (l)",
            "FD LH (l)",
            "FD RH (l)",
            "Hyd tank (l)",
        ]
        for j, head in enumerate(heads):
            page.write(2, j, head)
        for i, machine in enumerate(machines, 3):
            for j, cell in enumerate([*machine, 40, 50, 20, 20, 180]):
                page.write(i, j, cell)


def _laboratory_a(path: Path, bottles: list[_Bottle], rng: np.random.Generator) -> None:
    with path.open("w", newline="", encoding="latin-1") as handle:
        out = csv.writer(handle, delimiter=";")
        out.writerow(["Results of 2024 and 2025"])
        out.writerow([])
        out.writerow(["Lab No", "Unit No", "Component", "Sampled", "Recd", "Reported", "SMR", "Oil Hrs", "Iron",
        "Copper", "Chrome", "Alum", "Lead", "Silicon", "Sodium", "Potass.", "Water %"])  # fmt: skip
        for i, b in enumerate(sorted(bottles, key=lambda b: b.day)):
            days = [b.day + timedelta(days=n) for n in (0, 3, 6)]
            cells = [
                f"{b.metals[m]:.0f}" if b.metals[m] >= 1 else "<1"
                for m in ("Fe", "Cu", "Cr", "Al", "Pb", "Si", "Na", "K")
            ]
            out.writerow(
                [
                    f"C{10000 + i}",
                    b.machine,
                    PARTS[b.part][0],
                    *(d.strftime("%d/%m/%Y") for d in days),
                    b.meter,
                    b.fluid_h,
                    *cells,
                    "N/D",
                ]
            )


def _laboratory_b(path: Path, bottles: list[_Bottle], rng: np.random.Generator) -> None:
    heads = [
        "Sample ID",
        "Equipment",
        "Compartment",
        "Date Taken",
        "Date Reported",
        "Hours",
        "Hours On Oil",
        "FE",
        "CU",
        "CR",
        "AL",
        "PB",
        "SI",
        "NA",
        "K",
    ]
    with xlsxwriter.Workbook(str(path), {"default_date_format": "yyyy-mm-dd"}) as book:
        page = book.add_worksheet("Data")
        for j, head in enumerate(heads):
            page.write(0, j, head)
        for i, b in enumerate(sorted(bottles, key=lambda b: b.day), 1):
            page.write(i, 0, f"{7_000_000 + i}")
            page.write(i, 1, b.machine.replace(" ", "-"))
            page.write(i, 2, PARTS[b.part][1])
            page.write_datetime(i, 3, b.day)
            page.write_datetime(i, 4, b.day + timedelta(days=7))
            for j, cell in enumerate(
                [b.meter, b.fluid_h, *(round(b.metals[m], 1) for m in ("Fe", "Cu", "Cr", "Al", "Pb", "Si", "Na", "K"))],
                5,
            ):
                page.write(i, j, cell)


def _workshop(path: Path, work: list[tuple], rng: np.random.Generator, missing: float) -> None:
    with path.open("w", newline="") as handle:
        out = csv.writer(handle)
        out.writerow(["Date", "Unit", "Hours", "Work carried out"])
        for day, machine, part, what, litres, meter in sorted(work):
            if what == "change" and rng.random() < missing:
                continue
            name = PARTS[part][2]
            said = (
                f"topped up {name} {litres:.0f} l"
                if what == "top"
                else str(rng.choice([f"{name} oil chg", f"changed oil {name}", f"{name} drain and refill"]))
            )
            unit = "T17" if machine == "RH 02" else machine  # its old number, still painted on the door
            out.writerow([day.strftime("%d/%m/%Y"), unit, meter, said])
        for k in range(30):
            out.writerow(
                [
                    (START + timedelta(weeks=int(3 * k))).strftime("%d/%m/%Y"),
                    "RH 01",
                    "",
                    str(rng.choice(["greased", "replaced tyre", "fixed cab light"])),
                ]
            )


def _meters(path: Path, meters: dict[str, tuple[str, np.ndarray]]) -> None:
    with xlsxwriter.Workbook(str(path)) as book:
        day = book.add_format({"num_format": "dd-mmm-yy"})
        for site in SITES:
            page = book.add_worksheet(site)
            page.write(0, 0, "Unit")
            for week in range(WEEKS + 1):
                page.write_datetime(0, week + 1, START + timedelta(weeks=week), day)
            for i, (machine, (_, run)) in enumerate(((m, v) for m, v in meters.items() if v[0] == site), 1):
                page.write(i, 0, machine)
                for week, hours in enumerate(run):
                    page.write(i, week + 1, round(float(hours), 1))
