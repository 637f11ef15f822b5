"""An invented fleet with known truth, from a recipe: the records an office would hold, and beside them what was really
so.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.analytes import above, below
from cmkit.simulate.balance import CARRIED, INDEX, METALS
from cmkit.simulate.bottle import ANALYTES, Result, as_reported
from cmkit.simulate.life import begin, live
from cmkit.simulate.parts import build_parts, stream
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
    lives = lived(recipe)
    return tables_of(recipe, lives), truth_of(recipe, lives)


def lived(recipe: Recipe) -> list[Life]:
    """The recipe's machines at the end of the records."""
    lives = live(begin(recipe, recipe.fleet()))
    for life in lives:
        close_open_faults(life)
        _exchange_labels(life)
    return lives


def tables_of(recipe: Recipe, lives: list[Life]) -> dict[str, pd.DataFrame]:
    """What the office holds on the recipe's last day, as of :func:`simulate_fleet`."""
    issues = [row for life in lives for row in issues_of(life, life.books["samples"], issue_stream(life))]
    books = {name: table(name, [row for life in lives for row in life.books[name]]) for name in BOOKS}
    books |= {"samples": sample_table(issues), "corrections": corrections_of(lives)}
    return registers(recipe) | known_by(books, recipe.end)


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
    columns = {}
    for column in TABLES[name].columns:
        cells: list[Any] = [row.get(column.name) for row in rows]
        if column.kind == "text":
            cells = [cell or None for cell in cells]
        columns[column.name] = pd.Series(cells, dtype=object).astype("str" if column.kind == "text" else column.dtype)
    return pd.DataFrame(columns)


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
    reports, out = {sump.part.compartment: sump.part.kind.reports for sump in life.sumps}, []
    for row in rows:
        sample = row | {"compartment": row.get("label", row["compartment"])}
        own = reports[row["compartment"]]
        late, error, wait = rng.random() < life.lab.reissued, own[int(rng.integers(len(own)))], int(rng.integers(5, 25))
        if late:
            out.append(sample | {"result": _wrong_issue(row["result"], error, float(rng.choice([10.0, 0.1])))})
            row["corrected_analyte"] = error
            issue = row["reported_on"] + timedelta(days=wait)
            sample |= {"reported_on": issue, "note": "corrected result"}
        out.append(sample)
    return out


def _wrong_issue(result: Result, analyte: str, times: float) -> Result:
    """A result with one value so many times too large."""
    wrong, below_limit = as_reported(result.values * times)
    own = np.array(ANALYTES) == analyte
    return replace(result, values=np.where(own, wrong, result.values), below=np.where(own, below_limit, result.below))


def sample_table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Rows of `issues_of` as the samples table: its own columns, every analyte and its flags."""
    results: list[Result] = [row["result"] for row in rows]
    shape = (len(rows), len(ANALYTES))
    values = np.array([r.values for r in results], float).reshape(shape)
    flags = np.concatenate([np.array([r.below for r in results], bool).reshape(shape), np.zeros(shape, bool)], axis=1)
    marks = [flag(a) for flag in (below, above) for a in ANALYTES]
    frames = [table("samples", rows), pd.DataFrame(values, columns=ANALYTES), pd.DataFrame(flags, columns=marks)]
    both = [c for a in ANALYTES for c in (a, below(a), above(a))]
    return pd.concat(frames, axis=1)[[*TABLES["samples"].names, *both]]


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
    done, days = np.cumsum(life.worked), life.yard.days
    return days[min(int(np.searchsorted(done, run_h)), len(days) - 1)]


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
