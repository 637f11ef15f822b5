"""An invented fleet with known truth, from a recipe: the records an office would hold, and beside them what was really
so.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.analytes import above, analyte_register, below
from cmkit.simulate.balance import CARRIED, INDEX, METALS
from cmkit.simulate.bottle import as_reported
from cmkit.simulate.life import begin, live
from cmkit.simulate.parts import build_parts, lognormal, stream
from cmkit.simulate.recipe import Machine, Recipe, Site
from cmkit.simulate.state import Life
from cmkit.simulate.workshop import close_open_faults
from cmkit.tables.records import TABLES

_PAIRS = {"left": "right", "front": "rear"}
_TRUE_METALS = tuple(a for a in METALS if a not in ("Ti_ppm", "Ag_ppm", "Mn_ppm", "V_ppm"))
BOOKS = ("services", "meters", "findings", "decisions")


def simulate_fleet(recipe: Recipe, seed: int | None = None) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """(tables, truth) of an invented fleet, as its office holds it on the recipe's last day.

    tables: the tables of `tables.records` by name; `samples` also has every analyte of the register (float64) and its
    flags `<analyte>_below`, `<analyte>_above`, and may hold two issues of one bottle. truth: `rates` (a life of a
    component, ppm/h at full charge), `samples` (true compartment, hours, make-up, drawing, content and rates at each
    bottle), `faults`, `topups`, `money`. seed: instead of the recipe's.
    """
    if seed is not None:
        recipe = replace(recipe, seed=seed)
    lives = live([begin(recipe, m, bias_of(recipe, m)) for m in recipe.fleet()])
    for life in lives:
        close_open_faults(life)
        _exchange_labels(life)
    issues = [row for life in lives for row in issues_of(life, life.books["samples"], issue_stream(life))]
    books = {name: table(name, [row for life in lives for row in life.books[name]]) for name in BOOKS}
    books |= {"samples": sample_table(issues), "corrections": corrections_of(lives)}
    return registers(recipe) | known_by(books, recipe.end), truth_of(recipe, lives)


def registers(recipe: Recipe) -> dict[str, pd.DataFrame]:
    """Sites, machines and compartments as the office lists them."""
    return {
        "sites": table("sites", [_site_row(s) for s in recipe.sites]),
        "machines": table("machines", [_machine_row(recipe, m) for m in recipe.fleet()]),
        "compartments": table("compartments", [row for m in recipe.fleet() for row in _compartment_rows(recipe, m)]),
    }


def known_by(books: dict[str, pd.DataFrame], day: date) -> dict[str, pd.DataFrame]:
    """Tables of events with the rows that reached the office by the end of `day`."""
    when = {name: TABLES[name].known_on[0] for name in books}
    return {name: rows[rows[when[name]] <= pd.Timestamp(day)].reset_index(drop=True) for name, rows in books.items()}


def table(name: str, rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Rows as a table of `tables.records` with its columns and types; text that nobody wrote is NaN."""
    frame = pd.DataFrame(rows, columns=TABLES[name].names)
    for column in TABLES[name].columns:
        if column.kind == "text":
            texts = frame[column.name].astype(object)
            frame[column.name] = texts.where(texts.notna() & (texts != ""), None).astype("str")
        else:
            frame[column.name] = frame[column.name].astype(column.dtype)
    return frame


def bias_of(recipe: Recipe, machine: Machine) -> dict[str, float]:
    """The lean of the laboratory that analyses a machine's bottles, analyte by analyte, as factors."""
    site = next(s for s in recipe.sites if s.site == machine.site)
    rng = stream(recipe.seed, "laboratory", site.laboratory)
    names = list(analyte_register().index)
    factors = lognormal(rng, recipe.noise.laboratory_bias_cv, len(names))
    return dict(zip(names, factors.tolist(), strict=True))


def _exchange_labels(life: Life) -> None:
    """Bottles of a pair of compartments drawn on one day sometimes get one another's label; not those that led to a
    look.
    """
    rng = stream(life.recipe.seed, life.machine.machine, "labels")
    prompted = {row["prompted_by"] for row in life.books["findings"]}
    for first, second in pairs_of_bottles(life, life.books["samples"]):
        if rng.random() > first["crew"].exchanged or {first["sample"], second["sample"]} & prompted:
            continue
        exchange(life, first, second, rng)


def pairs_of_bottles(life: Life, rows: list[dict[str, Any]]) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    """Bottles of the left and right (front and rear) compartments of a kind that were drawn on one day in a round."""
    position = {s.part.compartment: (s.part.kind_name, s.part.position) for s in life.sumps}
    by_day: dict[tuple[date, str, str], dict[str, Any]] = {}
    for row in rows:
        kind, side = position[row["compartment"]]
        if row["note"] == "":
            by_day[(row["drawn_on"], kind, side)] = row
    for (day, kind, side), first in by_day.items():
        second = by_day.get((day, kind, _PAIRS[side])) if side in _PAIRS else None
        if second is not None:
            yield first, second


def exchange(life: Life, first: dict[str, Any], second: dict[str, Any], rng: np.random.Generator) -> None:
    """Two bottles get one another's label; whether somebody finds out and puts it right is chance."""
    first["exchanged_with"], second["exchanged_with"] = second["sample"], first["sample"]
    first["label"], second["label"] = second["compartment"], first["compartment"]
    first["put_right"] = rng.random() < life.recipe.office.confirmed_exchange


def issue_stream(life: Life) -> np.random.Generator:
    """The stream of chance that decides which of a machine's results are corrected later."""
    return stream(life.recipe.seed, life.machine.machine, "issues")


def issues_of(life: Life, rows: list[dict[str, Any]], rng: np.random.Generator) -> list[dict[str, Any]]:
    """Bottles as the laboratory reported them, with an earlier, wrong issue of those that it corrected later; rows in
    order of drawing.
    """
    out = []
    for row in rows:
        values, issue = row["result"].values, row["reported_on"]
        sample = {k: row.get(k) for k in TABLES["samples"].names} | {
            "compartment": row.get("label", row["compartment"])
        }
        late, error, wait = rng.random() < life.lab.reissued, rng.choice(list(values)), int(rng.integers(5, 25))
        if late:
            wrong, flagged = as_reported(error, values[error] * float(rng.choice([10.0, 0.1])))
            out.append(
                sample | values | {below(a): True for a in row["result"].below} | {error: wrong, below(error): flagged}
            )
            issue = issue + timedelta(days=wait)
            row["corrected_analyte"] = error
        note = "corrected result" if late else sample["note"]
        out.append(
            sample | values | {below(a): True for a in row["result"].below} | {"reported_on": issue, "note": note}
        )
    return out


def sample_table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Rows of `issues_of` as the samples table: its own columns, every analyte and its flag."""
    analytes = list(analyte_register().index)
    marks = [flag(a) for flag in (below, above) for a in analytes]
    results = pd.DataFrame(rows, columns=[*analytes, *marks])
    flags = results[marks].eq(True)
    frame = pd.concat([table("samples", rows), results[analytes].astype(float), flags], axis=1)
    both = [c for a in analytes for c in (a, below(a), above(a))]
    return frame[[*TABLES["samples"].names, *both]]


def _site_row(site: Site) -> dict[str, Any]:
    return {
        "site": site.site,
        "name": site.name,
        "time_zone": site.time_zone,
        "downtime_cost_per_h": site.downtime_cost_per_h,
    }


def _machine_row(recipe: Recipe, machine: Machine) -> dict[str, Any]:
    new = machine.since >= recipe.start
    return {
        "machine": machine.machine,
        "site": machine.site,
        "kind": machine.kind,
        "size_class": machine.size,
        "in_service_on": machine.since,
        "meter_h_at_start": machine.meter_h if new else 0.0,
        "retired_on": machine.retired_on,
    }


def _compartment_rows(recipe: Recipe, machine: Machine) -> list[dict[str, Any]]:
    new = machine.since >= recipe.start
    return [
        {
            "compartment": part.compartment,
            "machine": machine.machine,
            "kind": part.kind_name,
            "position": part.position,
            "capacity_l": part.capacity_l,
            "pressurised": part.kind.pressurised,
            "access": part.kind.access,
            "sampling_point": "" if part.compartment in recipe.points_not_recorded else part.kind.sampling_point,
            "depth_mm": part.kind.depth_mm or None,
            "surface_mm": part.kind.surface_mm,
            "dead_volume_ml": part.kind.dead_volume_ml,
            "fluid": part.fluid.fluid,
            "grade": part.fluid.grade,
            "sample_every_h": part.kind.sample_every_h,
            "change_every_h": part.kind.change_every_h,
            "fitted_on": machine.since if new else None,
            "fitted_at_h": machine.meter_h if new else None,
        }
        for part in build_parts(recipe, machine)
    ]


def corrections_of(lives: list[Life]) -> pd.DataFrame:
    """Exchanged labels that somebody found out and put right, both bottles of the pair."""
    rows = []
    for life in lives:
        by_name = {row["sample"]: row for row in life.books["samples"]}
        for row in life.books["samples"]:
            if not row.get("put_right"):
                continue
            other = by_name[row["exchanged_with"]]
            decided = max(row["reported_on"], other["reported_on"]) + timedelta(days=21)
            for bottle in (row, other):
                rows.append(
                    {
                        "correction": f"K-{bottle['sample']}",
                        "sample": bottle["sample"],
                        "field": "compartment",
                        "value": bottle["compartment"],
                        "decided_on": decided,
                        "decided_by": "analyst 1",
                        "reason": "labels of the pair exchanged; confirmed with the crew",
                    }
                )
    return table("corrections", rows)


def truth_of(recipe: Recipe, lives: list[Life]) -> dict[str, pd.DataFrame]:
    """What was really so: rates, samples, faults, topups, money."""
    rates = pd.DataFrame([row for life in lives for row in life.truth["rates"]])
    known = [a for a in CARRIED if a in rates.columns]
    faults = [row | {"opened_on": _day_of(life, row["onset_h"])} for life in lives for row in life.truth["faults"]]
    columns = ["compartment", "cause", "planted", "opened_on", "onset_h", "delay_h", "ended_on", "ended_h", "how"]
    money = [
        {
            "kind": name,
            "fault_per_h": k.fault_per_h,
            "delay_mean_h": k.delay_mean_h,
            "planned_cost": k.planned_cost,
            "failure_cost": k.failure_cost,
            "planned_downtime_h": k.planned_downtime_h,
            "failure_downtime_h": k.failure_downtime_h,
            "inspect_cost": k.inspect_cost,
        }
        for name, k in recipe.compartments.items()
    ]
    return {
        "rates": rates[["compartment", "life", "from_on", "run_h", "loss_l_per_h", *known]],
        "samples": pd.DataFrame([_true_bottle(row) for life in lives for row in life.books["samples"]]),
        "faults": pd.DataFrame(faults, columns=columns),
        "topups": pd.DataFrame([row for life in lives for row in life.truth["topups"]]),
        "money": pd.DataFrame(money),
    }


def _day_of(life: Life, run_h: float) -> date:
    """The day on which the machine reached running hour run_h."""
    done = np.cumsum(life.worked)
    return life.days[min(int(np.searchsorted(done, run_h)), len(life.days) - 1)]


def _true_bottle(row: dict[str, Any]) -> dict[str, Any]:
    true = row["true"]
    out = {
        "sample": row["sample"],
        "compartment": row["compartment"],
        "exchanged_with": row.get("exchanged_with", ""),
        "drawing": row["result"].drawing,
        "bottle_factor": row["result"].factor,
        "slip": row["slip"],
        "corrected_analyte": row.get("corrected_analyte", ""),
    }
    out |= {
        k: true[k] for k in ("run_h", "meter_h", "fluid_h", "life", "makeup_l", "volume_l", "share_of_way", "cause")
    }
    out |= {f"{a}_level": float(true["level"][INDEX[a]]) for a in _TRUE_METALS}
    return out | {f"{a}_rate": float(true["rate"][INDEX[a]]) for a in _TRUE_METALS}
