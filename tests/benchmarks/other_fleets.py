"""Test fleets by another route: fleet folders as a user would have them, with the truth beside, and a switch for each
broken assumption.

    python tests/benchmarks/other_fleets.py FOLDER SEED [WORDS OF A BREAKAGE]

Shares nothing with cmkit: numpy and pandas only. Where cmkit.simulate integrates in steps, the balance here is exact
over a day (fluid lost at the content of the day, wear constant over the day, top-ups in lumps); wear wanders as a
stationary process or as a random walk; faults act as a step, a ramp or an exponential, with gamma delays; signatures,
kinds, sizes and habits are its own. Everything is invented: shape only, no field fact. Nobody acts on any result; the
share FOUND of the faults is found by the workshop by chance.

Truth (folder truth/): `samples` (true compartment, run hour, drawing, exchange, cause and share of the way, level and
rate of every balanced analyte), `faults`, `topups`, in the columns of the demo's truth, so that one scoring reads both.
"""

import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from other_balance import after_change, after_top_up, after_work, strength
from other_kinds import BREAKAGES, KINDS, MACHINE_KINDS, PATTERNS, Breakage, Pattern

Array = np.ndarray
BALANCED = [*(f"{m}_ppm" for m in ("Fe", "Cr", "Cu", "Pb", "Sn", "Al", "Si", "Na", "K")), "ferrous_index", "soot_pct"]
AT = {name: n for n, name in enumerate(BALANCED)}
METALS = slice(0, 9)
START = pd.Timestamp("2023-03-01")
FOUND = 0.15
_ROUND_H = 250.0
_DELAY_SHAPE = 4.0  # gamma
_STRETCH_D, _LITRES_AN_HOUR = 50, 22.0


@dataclass
class Fault:
    """A fault to come or under way: from running hour onset_h on, failing delay_h later unless found at found_h."""

    cause: str
    onset_h: float
    delay_h: float
    found_h: float
    opened_on: pd.Timestamp | None = None


@dataclass
class World:
    """All compartments of a fleet while it is lived through, as arrays in the order of `places`; the records and the
    truth in `books`.
    """

    breakage: Breakage
    rng: np.random.Generator
    places: pd.DataFrame
    base: Array
    fresh: Array
    laboratory: Array
    wander: Array
    content: Array
    volume: Array
    load: Array
    faults: list[Fault]
    run_h: Array
    life_h: Array
    fluid_h: Array
    since_h: Array
    makeup_l: Array
    life: Array
    change_on: Array
    next_round_h: Array
    books: dict[str, list[dict]]
    effort: Array
    fuel_l: Array
    rate: Array = field(default_factory=lambda: np.empty(0))


def build_places(machines: int) -> pd.DataFrame:
    """One row a compartment: names, machine, site, kind, size."""
    rows = []
    for m in range(machines):
        kind = list(MACHINE_KINDS)[m % 2]
        for name in MACHINE_KINDS[kind][1]:
            part, _, side = name.partition("/")
            machine = f"{kind[:2].upper()}{m + 1:02d}"
            rows.append(
                {
                    "compartment": f"{machine}/{name}",
                    "machine": machine,
                    "machine_no": m,
                    "machine_kind": kind,
                    "site": f"site {1 + m * 2 // machines}",
                    "kind": part,
                    "position": side,
                }
            )
    return pd.DataFrame(rows)  # fmt: skip


def begin(breakage: Breakage, seed: int, machines: int) -> World:
    """A fleet on its first day, every fluid somewhere within its interval."""
    rng = np.random.default_rng([seed, 77])
    places = build_places(machines)
    kinds = [KINDS[k] for k in places["kind"]]
    n, a = len(places), len(BALANCED)
    typical = np.array([[k.rates.get(x, 0.0) for x in BALANCED] for k in kinds])
    shared = 0.28 * rng.standard_normal((n, 1))
    fresh = np.zeros((n, a))
    fresh[:, [AT["Fe_ppm"], AT["Si_ppm"], AT["Na_ppm"]]] = [0.5, 3.0, 2.0]
    other = (places["machine_no"] // 2 % 2 == 1).to_numpy()  # both kinds of machine have it
    fresh[other, AT["Si_ppm"]] += breakage.fresh_si
    fresh[other, AT["Cu_ppm"]] += breakage.fresh_cu
    base = typical * np.exp(shared + 0.28 * rng.standard_normal((n, a)))
    age = rng.uniform(0, 1, n) * np.array([k.change_h for k in kinds])
    world = World(
        breakage, rng, places, base, fresh, np.exp(breakage.lab_sd * rng.standard_normal(a)), np.zeros((n, a)),
        fresh + base * age[:, None],
        np.array([k.litres for k in kinds]), np.ones(n), [], np.zeros(n), rng.uniform(0, 6000, n), age,
        rng.uniform(0, 250, n), np.zeros(n),
        np.ones(n, int), np.full(n, -1), rng.uniform(20, 250, machines),
        {"samples": [], "services": [], "meters": [], "findings": [], "true": [], "faults": [], "topups": []},
        np.ones(machines), np.zeros(machines),
    )  # fmt: skip
    world.wander = 0.0 if breakage.random_walk else breakage.wander * rng.standard_normal((n, a))
    world.faults = [next_fault(world, c, 0.0) for c in range(n)]
    return world


def next_fault(world: World, c: int, run_h: float) -> Fault:
    """The next fault of compartment c after running hour run_h; onset far away when the fleet has none."""
    rng, kind = world.rng, world.places["kind"].iloc[c]
    causes = [name for name, p in PATTERNS.items() if kind in p.where]
    per_h = 3e-5 * world.breakage.faults_times
    gap, delay = rng.exponential(), max(rng.gamma(_DELAY_SHAPE, 1400 / _DELAY_SHAPE), 150.0)
    onset = run_h + gap / per_h if per_h > 0 else np.inf
    found = onset + delay * (rng.uniform(0.5, 1.0) if rng.random() < FOUND else np.inf)
    return Fault(str(rng.choice(causes)), onset, delay, found)


def live(world: World, days: int) -> None:
    """Day after day: work, faults, visits with bottles, changes, top-ups, meter readings."""
    per_day = np.array([MACHINE_KINDS[k][0] for k in world.places.drop_duplicates("machine")["machine_kind"]])
    machine = world.places["machine_no"].to_numpy()
    stretches = np.random.default_rng(len(machine)).standard_normal((days // _STRETCH_D + 1, len(per_day)))
    for d in range(days):
        day = START + pd.Timedelta(days=d)
        works = day.day_of_week < 6
        hours = per_day * np.clip(1 + 0.15 * world.rng.standard_normal(len(per_day)), 0.3, 1.5) * works
        world.effort = np.exp(world.breakage.effort * stretches[d // _STRETCH_D])
        world.fuel_l += _LITRES_AN_HOUR * world.effort * hours
        work(world, day, hours[machine])
        end_faults(world, day)
        if works:
            visit(world, day, d, hours)
        for c in np.flatnonzero(world.change_on == d):
            change(world, int(c), day)
        if d % 7 == 4:
            weekly(world, day)


def work(world: World, day: pd.Timestamp, hours: Array) -> None:
    """A day's wear, by the exact balance."""
    b, places = world.breakage, world.places
    step = world.rng.standard_normal(world.base.shape)
    if b.random_walk:
        world.wander = world.wander + b.wander * np.sqrt(hours / 1000)[:, None] * step
    else:
        memory = np.exp(-hours / 1500)[:, None]
        world.wander = memory * world.wander + b.wander * np.sqrt(1 - memory**2) * step
    season = 1 + b.season * np.sin(2 * np.pi * day.day_of_year / 365.25)
    speed = 1 + b.speeding * (world.life_h / 1000) ** 2
    rate = world.base * np.exp(world.wander) * season * speed[:, None]
    loss = np.array([KINDS[k].loss for k in places["kind"]]) * np.array([KINDS[k].litres for k in places["kind"]])
    for c, fault in enumerate(world.faults):
        if way_of(world, c) > 0:
            rate[c] = with_fault(rate[c], PATTERNS[fault.cause], grown_to(world, c))
            loss[c] += leak(world, c)
            fault.opened_on = fault.opened_on or day
    world.rate = rate
    full = np.array([KINDS[k].litres for k in places["kind"]])
    effort = 1 + b.by_fuel * (world.effort[places["machine_no"].to_numpy()] - 1)
    wear = rate * world.load[:, None] * (effort * full)[:, None]
    world.content, world.volume = after_work(world.content, world.volume, wear, loss, hours)
    for clock in (world.run_h, world.life_h, world.fluid_h, world.since_h):
        clock += hours


def way_of(world: World, c: int) -> float:
    """Share of its way to failure of the fault of compartment c, 0 before it began."""
    fault = world.faults[c]
    return max(0.0, float(world.run_h[c] - fault.onset_h) / fault.delay_h)


def grown_to(world: World, c: int) -> float:
    """Strength of the fault of compartment c today, 0 before it began; a weak signature grows to less than 1."""
    return strength(PATTERNS[world.faults[c].cause].shape, way_of(world, c)) * world.breakage.signature


def with_fault(rate: Array, pattern: Pattern, grown: float) -> Array:
    """Rates of one compartment as its fault, grown to the strength `grown`, makes them."""
    out = rate.copy()
    for analyte, times in pattern.times.items():
        out[AT[analyte]] *= 1 + (times - 1) * grown
    for analyte, amount in pattern.adds.items():
        out[AT[analyte]] += amount * grown
    return out


def leak(world: World, c: int) -> float:
    """Litres an hour the fault of compartment c lets out; none below 60 % of the charge."""
    pattern, full = PATTERNS[world.faults[c].cause], KINDS[world.places["kind"].iloc[c]].litres
    return pattern.loss * full * grown_to(world, c) if world.volume[c] > 0.6 * full else 0.0


def end_faults(world: World, day: pd.Timestamp) -> None:
    """Faults that fail today, or that the workshop finds: work, a finding, fresh fluid, and the next fault."""
    for c, fault in enumerate(world.faults):
        failed, found = world.run_h[c] >= fault.onset_h + fault.delay_h, world.run_h[c] >= fault.found_h
        if not (failed or found):
            continue
        note_fault(world, c, day, "failed" if failed else "caught")
        row = {"compartment": name(world, c), "found_on": day, "meter_h": round(meter(world, c)),
            "outcome": "failed" if failed else "defect",
               "cause": fault.cause, "recorded_on": day + pd.Timedelta(days=3)}  # fmt: skip
        world.books["findings"].append(row | {"finding": f"F{len(world.books['findings']) + 1:04d}"})
        service(world, c, day, "replace" if failed else "repair", None)
        if failed:
            typical = np.array([KINDS[world.places["kind"].iloc[c]].rates.get(x, 0.0) for x in BALANCED])
            world.base[c] = typical * np.exp(0.4 * world.rng.standard_normal(len(BALANCED)))
            world.life[c], world.life_h[c] = world.life[c] + 1, 0.0
        change(world, c, day)
        world.faults[c] = next_fault(world, c, float(world.run_h[c]))


def note_fault(world: World, c: int, day: pd.Timestamp, how: str) -> None:
    """A fault that ended (failed, caught) or was open at the end of the records, in the truth."""
    fault = world.faults[c]
    world.books["faults"].append(
        {"compartment": name(world, c), "cause": fault.cause, "planted": False, "opened_on": fault.opened_on,
        "onset_h": fault.onset_h,
         "delay_h": fault.delay_h, "ended_on": day, "ended_h": float(world.run_h[c]), "how": how}
    )  # fmt: skip


def name(world: World, c: int) -> str:
    """Name of compartment c."""
    return str(world.places["compartment"].iloc[c])


def meter(world: World, c: int) -> float:
    """What the machine's meter shows: its running hours from 4,000 on."""
    return 4000 + 500 * int(world.places["machine_no"].iloc[c]) + float(world.run_h[c])


def service(world: World, c: int, day: pd.Timestamp, kind: str, litres: float | None) -> None:
    """A line in the services."""
    of = KINDS[world.places["kind"].iloc[c]]
    row = {
        "compartment": name(world, c),
        "done_on": day,
        "meter_h": round(meter(world, c)),
        "kind": kind,
        "recorded_on": day + pd.Timedelta(days=2),
    }
    filled = {"volume_l": round(litres, 1), "fluid": of.fluid, "grade": of.grade} if litres is not None else {}
    world.books["services"].append(row | filled | {"service": f"S{len(world.books['services']) + 1:05d}"})


def change(world: World, c: int, day: pd.Timestamp) -> None:
    """Drain and fill."""
    of = KINDS[world.places["kind"].iloc[c]]
    kept = min(of.residual * world.breakage.residual_times * float(np.exp(0.15 * world.rng.standard_normal())), 0.9)
    world.content[c] = after_change(world.content[c], kept * world.volume[c] / of.litres, world.fresh[c])
    world.volume[c], world.fluid_h[c], world.change_on[c] = of.litres, 0.0, -1
    service(world, c, day, "change", of.litres * (1 - kept))


def weekly(world: World, day: pd.Timestamp) -> None:
    """Unsealed compartments below 96 % are filled up; every machine's meter is read."""
    for c, kind in enumerate(world.places["kind"]):
        litres = KINDS[kind].litres - float(world.volume[c])
        if not KINDS[kind].sealed and litres > 0.04 * KINDS[kind].litres:
            top_up(world, c, day, litres)
    for c in world.places.drop_duplicates("machine").index:
        row = {"machine": world.places["machine"].iloc[c], "read_on": day, "meter_h": round(meter(world, c))}
        burnt = {"fuel_l": round(world.fuel_l[world.places["machine_no"].iloc[c]])} if world.breakage.effort else {}
        world.books["meters"].append(row | burnt)


def top_up(world: World, c: int, day: pd.Timestamp, litres: float) -> None:
    """Fill up, with or without a record."""
    content, volume = after_top_up(world.content[[c]], world.volume[[c]], np.array([litres]), world.fresh[[c]])
    world.content[c], world.volume[c] = content[0], volume[0]
    world.makeup_l[c] += litres
    recorded = bool(world.rng.random() >= world.breakage.topups_missing)
    if recorded:
        service(world, c, day, "top-up", litres)
    world.books["topups"].append(
        {"compartment": name(world, c), "done_on": day, "litres": litres, "recorded": recorded}
    )


def visit(world: World, day: pd.Timestamp, d: int, hours: Array) -> None:
    """Machines whose hours have come: bottles from the compartments that are due, and changes planned."""
    for m in np.flatnonzero(hours > 0):
        own = np.flatnonzero(world.places["machine_no"].to_numpy() == m)
        if world.run_h[own[0]] < world.next_round_h[m]:
            continue
        world.next_round_h[m] = world.run_h[own[0]] + _ROUND_H * world.rng.uniform(0.92, 1.08)
        due = [int(c) for c in own if world.since_h[c] > KINDS[world.places["kind"].iloc[c]].sample_h - 0.5 * _ROUND_H]
        labels = exchanged(world, due)
        for c in due:
            bottle(world, c, day, labels.get(c, c))
            of = KINDS[world.places["kind"].iloc[c]]
            if world.fluid_h[c] > of.change_h - 0.5 * _ROUND_H and world.change_on[c] < 0:
                world.change_on[c] = d + world.breakage.change_days


def exchanged(world: World, due: list[int]) -> dict[int, int]:
    """Whose label stands on whose bottle, where the two sides of one machine were exchanged."""
    sides = [c for c in due if world.places["position"].iloc[c] in ("left", "right")]
    if len(sides) == 2 and world.rng.random() < world.breakage.exchanged:
        return {sides[0]: sides[1], sides[1]: sides[0]}
    return {}


def bottle(world: World, c: int, day: pd.Timestamp, label: int) -> None:
    """Draw, analyse and report one bottle of compartment c under the label of another (usually its own)."""
    rng, of, b = world.rng, KINDS[world.places["kind"].iloc[c]], world.breakage
    number = f"B{len(world.books['samples']) + 1:05d}"
    drawing = str(
        rng.choice(
            ["good", "bottom", "dirty pump"],
            p=[0.985, 0.0 if of.pressurised else 0.010, 0.005 + (0.010 if of.pressurised else 0.0)],
        )
    )
    factor = float(np.exp(0.06 * noise(world, 1)[0]))
    second = b.lab_sd > 0 and world.places["site"].iloc[c] == "site 2" and day > START + pd.Timedelta(days=365)
    results = analyse(world, c, drawing, factor * (world.laboratory if second else 1.0))
    low = world.volume[c] < 0.9 * of.litres
    seen = {"sample": number, "compartment": name(world, label), "drawn_on": day, "meter_h": round(meter(world, label)),
        "fluid_h": round(float(world.fluid_h[label])),
            "method": "probe" if of.pressurised else "pump", "sampler": f"fitter {1 + c % 3}",
            "fluid_level": "low" if low else "full", "lab": "laboratory B" if second else "laboratory A",
            "reported_on": day + pd.Timedelta(days=b.post_days + int(rng.integers(0, 3)))}  # fmt: skip
    world.books["samples"].append(seen | results)
    way = way_of(world, c)
    true = {"sample": number, "compartment": name(world, c), "label": name(world, label), "drawing": drawing,
        "bottle_factor": factor, "slip": False, "run_h": float(world.run_h[c]),
            "fluid_h": float(world.fluid_h[c]), "life": int(world.life[c]), "makeup_l": float(world.makeup_l[c]),
            "volume_l": float(world.volume[c]),
            "share_of_way": way, "cause": world.faults[c].cause if way > 0 else ""}  # fmt: skip
    both = {"level": world.content[c], "rate": world.rate[c]}
    levels = {f"{x}_{what}": float(values[AT[x]]) for what, values in both.items() for x in BALANCED}
    world.books["true"].append(true | levels)
    world.since_h[c], world.makeup_l[c] = 0.0, 0.0
    world.load[c] = np.exp(0.10 * rng.standard_normal())
    if of.sealed and low:
        top_up(world, c, day, of.litres - float(world.volume[c]))


def noise(world: World, size: int) -> Array:
    """Standard noise of unit variance: normal, or t with the breakage's degrees of freedom."""
    k = world.breakage.tails
    return world.rng.standard_t(k, size) / np.sqrt(k / (k - 2)) if k else world.rng.standard_normal(size)


def analyse(world: World, c: int, drawing: str, factor: Any) -> dict[str, Any]:
    """The laboratory's cells of one bottle: balanced analytes, then conditions and additives, rounded and censored."""
    rng, of = world.rng, KINDS[world.places["kind"].iloc[c]]
    content = world.content[c].copy()
    if drawing == "bottom":
        content[METALS] *= rng.uniform(1.6, 3.2)
        content[AT["ferrous_index"]] *= rng.uniform(2.0, 5.0)
    elif drawing == "dirty pump":
        content[[AT["Si_ppm"], AT["Al_ppm"]]] += rng.uniform(10, 30) * np.array([1.0, 0.3])
    value = content * factor * (1 + 0.06 * noise(world, len(BALANCED))) + 0.5 * noise(world, len(BALANCED)) * (
        np.arange(len(BALANCED)) < AT["soot_pct"]
    )
    step = world.breakage.step_ppm
    cells = {x: cell(float(value[AT[x]]), step, 0) for x in BALANCED[METALS]}
    cells |= {"ferrous_index": cell(float(value[AT["ferrous_index"]]), 1.0, 0)} if "ferrous_index" in of.rates else {}
    cells |= {"soot_pct": cell(float(value[AT["soot_pct"]]), 0.1, 1)} if "soot_pct" in of.rates else {}
    return cells | conditions(world, c)


def conditions(world: World, c: int) -> dict[str, Any]:
    """Viscosity, water, fuel, acid and base numbers, additives: they scatter, age with the fluid, move with a fault."""
    rng, of, age = world.rng, KINDS[world.places["kind"].iloc[c]], float(world.fluid_h[c])
    pattern, grown = PATTERNS[world.faults[c].cause], grown_to(world, c)
    fuel = max(0.0, 0.6 + pattern.fuel_pct * grown + 0.25 * rng.standard_normal()) if of.fluid == "engine oil" else 0.0
    water = 120 * np.exp(0.3 * rng.standard_normal()) + pattern.water_ppm * grown
    thick = (1 + 0.02 * age / of.change_h) * np.exp(-0.04 * fuel) * (1 + 0.012 * rng.standard_normal())
    out: dict[str, Any] = {"visc40_cSt": f"{of.visc40 * thick:.1f}", "water_ppm": cell(float(water), 10.0, 0, 50.0)}
    out["TAN_mgKOH_g"] = f"{(1.2 + 0.5 * age / of.change_h) * (1 + 0.05 * rng.standard_normal()):.2f}"
    if of.fluid == "engine oil":
        out |= {
            "fuel_pct": cell(fuel, 0.1, 1, 0.3),
            "TBN_mgKOH_g": f"{(9.5 - 3.5 * age / of.change_h) * (1 + 0.04 * rng.standard_normal()):.1f}",
        }
    return out | {a: f"{max(v * (1 + 0.05 * rng.standard_normal()), 0):.0f}" for a, v in of.fresh.items()}


def cell(value: float, step: float, decimals: int, limit: float | None = None) -> str:
    """A value as reported: rounded to `step`; below the limit (the step where none is given) as "<limit"."""
    least = step if limit is None else limit
    rounded = round(value / step) * step
    return f"<{least:.{decimals}f}" if rounded < least else f"{rounded:.{decimals}f}"


def other_fleet(
    breakage: Breakage, seed: int, machines: int = 16, months: int = 30
) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """(tables of cells, truth) of a fleet; machines even, half of either kind, five compartments each."""
    return lived_through(begin(breakage, seed, machines), months)


def lived_through(world: World, months: int) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """(tables of cells, truth) of a world after these months."""
    end = START + pd.DateOffset(months=months) - pd.Timedelta(days=1)
    live(world, (end - START).days + 1)
    for c in range(len(world.faults)):
        if way_of(world, c) > 0:
            note_fault(world, c, end, "open")
    books = {key: pd.DataFrame(rows) for key, rows in world.books.items()}
    known = {"samples": "reported_on", "services": "recorded_on", "findings": "recorded_on"}
    tables = {key: books[key][books[key][day] <= end] if len(books[key]) else books[key] for key, day in known.items()}
    tables |= registers(world.places) | {"meters": books["meters"]}
    true = books["true"]
    pair = true.merge(true, left_on=["compartment", "run_h"], right_on=["label", "run_h"], suffixes=("", "_other"))
    pair = pair[pair["sample"] != pair["sample_other"]].set_index("sample")["sample_other"]
    true["exchanged_with"] = [pair.get(sample, "") for sample in true["sample"]]
    faults = (
        books["faults"]
        if len(books["faults"])
        else pd.DataFrame(
            columns=["compartment", "cause", "planted", "opened_on", "onset_h", "delay_h", "ended_on", "ended_h", "how"]
        )
    )
    return tables, {"samples": true, "faults": faults, "topups": books["topups"]}


def registers(places: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Sites, machines and compartments as a user lists them."""
    machines = places.drop_duplicates("machine")
    kinds = [KINDS[k] for k in places["kind"]]
    compartments = places[["compartment", "machine", "kind", "position"]].assign(
        capacity_l=[k.litres for k in kinds], pressurised=["true" if k.pressurised else "false" for k in kinds],
        fluid=[k.fluid for k in kinds],
        grade=[k.grade for k in kinds], sample_every_h=[k.sample_h for k in kinds],
        change_every_h=[k.change_h for k in kinds],
    )  # fmt: skip
    return {
        "sites": pd.DataFrame({"site": ["site 1", "site 2"], "time_zone": "Etc/UTC",
        "downtime_cost_per_h": [300, 300]}),
        "machines": pd.DataFrame({"machine": machines["machine"], "site": machines["site"],
        "kind": machines["machine_kind"], "size_class": "medium", "in_service_on": "2021-01-04"}),
        "compartments": compartments,
    }  # fmt: skip


def write_other_fleet(folder: Path, breakage: Breakage, seed: int, machines: int = 16, months: int = 30) -> None:
    """The fleet as a folder: fleet.toml, a CSV a table, and truth/."""
    write_tables(folder, *other_fleet(breakage, seed, machines, months))


def write_tables(folder: Path, tables: dict[str, pd.DataFrame], truth: dict[str, pd.DataFrame]) -> None:
    """Tables and truth of a fleet as a folder."""
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    (folder / "fleet.toml").write_text('name = "Another fleet"\ncurrency = "EUR"\n', encoding="utf-8")
    for key, frame in tables.items():
        if len(frame):
            frame.to_csv(folder / f"{key}.csv", index=False, date_format="%Y-%m-%d")
    for key, frame in truth.items():
        frame.to_csv(folder / "truth" / f"{key}.csv", index=False, date_format="%Y-%m-%d", float_format="%.6g")


def main(folder: str, seed: str, *words: str) -> None:
    """FOLDER SEED [WORDS]: writes the fleet of the breakage of that name ("nothing broken" by default)."""
    write_other_fleet(Path(folder), BREAKAGES[" ".join(words) or "nothing broken"], int(seed))


if __name__ == "__main__":
    main(*sys.argv[1:])
