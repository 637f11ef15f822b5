"""An invented fleet whose office follows orders: what a way of judging is worth, measured by doing what it says.

A policy is a plain function of the records so far and the day; it returns orders. The office carries them out as crews
do: most of them, within some days. Every policy meets the same faults (kind, onset in running hours, delay) and the
same chance on the same day: each compartment and each machine has a stream of its own for every day, so that an extra
bottle or a look shifts nothing that comes later. A fault that would begin while another is still there does not come; a
repaired or new component meets the next one of the list.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from tomllib import loads
from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import with_families
from cmkit.records.settings import Settings, parse_settings
from cmkit.simulate.faults import faults_to_come
from cmkit.simulate.invented_fleet import (
    BOOKS,
    corrections_of,
    exchange,
    issue_stream,
    issues_of,
    known_by,
    pairs_of_bottles,
    registers,
    sample_table,
    table,
    truth_of,
)
from cmkit.simulate.life import begin, live_day
from cmkit.simulate.parts import stream
from cmkit.simulate.recipe import Recipe
from cmkit.simulate.state import Letter, Life, Sump, Yard
from cmkit.simulate.workshop import LOOK_DOWNTIME_H, close_open_faults, plan_look
from cmkit.tables.frames import empty

LOOK, REPEAT, SOONER, CHANGE, EVERY = (
    "look inside",
    "repeat bottle",
    "sample sooner",
    "change the fluid",
    "sample every",
)
ACTS = (LOOK, REPEAT, SOONER, CHANGE, EVERY)
_HOURS = (SOONER, EVERY)  # acts whose value is operating hours
ORDERS = ["compartment", "act", "by_day", "sample", "value"]
_WITHIN_DAYS = {LOOK: 6, REPEAT: 4, SOONER: 1, CHANGE: 10, EVERY: 1}  # invented: a crew comes to it within so many days
_RECENT = 60  # rows of a machine's book, newest last, that can still be on their way
_CHANGE_DOWNTIME_H = 2.0  # as in the demo's service records

Policy = Callable[[Fleet, pd.Timestamp], pd.DataFrame]


@dataclass(frozen=True)
class ClosedLoop:
    """What came of a policy.

    outcome: one row a compartment from the first decision on: years at work, failures, looks_in_vain (nothing found),
    of which missed (a fault had begun), repairs (planned, after a look that a bottle prompted), noticed (planned, after
    an operator's word), bottles, repeats, changes (ordered), downtime_h, cost (money at the recipe's mean prices, lost
    production in). orders: every order with given_on and carried_out.
    tables, truth: records and truth on the last day, as of `simulate_fleet`.
    """

    outcome: pd.DataFrame
    orders: pd.DataFrame
    tables: dict[str, pd.DataFrame]
    truth: dict[str, pd.DataFrame]


def no_orders() -> pd.DataFrame:
    """An empty frame of orders."""
    return pd.DataFrame(columns=ORDERS).astype({"by_day": "datetime64[us]", "value": "float64"})


def run_closed_loop(recipe: Recipe, policy: Policy, *, first_on: date, every_days: int = 7) -> ClosedLoop:
    """Run the fleet of `recipe`; from day first_on on, every every_days days (>= 1), the office does what `policy`
    orders.

    policy(fleet, day) gets the records that reached the office by `day` and returns a frame of compartment, act (one of
    ACTS), and where wanted by_day (last day for it), sample (the bottle that prompts it; the newest known one by
    default) and value (hours between samples, for `sample every`; hours from the last bottle to the next one, once, for
    `sample sooner`). Before first_on nobody acts on a result. ValueError when the frame asks for what cannot be done.
    """
    loop = _begin_loop(recipe)
    days = loop.yard.days
    decide = set(range((first_on - days[0]).days, len(days), every_days))
    for n in range(len(days)):
        for life in loop.lives:
            _own_streams(life, n)
        live_day(loop.yard, n, _nobody_reads)
        for life in loop.lives:
            _exchange_today(life)
        if n in decide:
            known = loop.records(days[n])
            _give(loop, policy(known, pd.Timestamp(days[n])), days[n])
    for life in loop.lives:
        close_open_faults(life)
    return ClosedLoop(
        outcome=_outcome(loop, first_on),
        orders=pd.DataFrame(loop.orders, columns=["given_on", *ORDERS, "carried_out"]),
        tables=loop.tables(days[-1]),
        truth=truth_of(recipe, loop.lives),
    )


@dataclass
class _Loop:
    """All machines of the fleet under way. `books` holds every row written so far, `issues` each machine's stream of
    corrected results.
    """

    recipe: Recipe
    settings: Settings
    yard: Yard
    place: dict[str, tuple[Life, Sump]]
    issues: dict[str, np.random.Generator]
    registers: dict[str, pd.DataFrame]
    books: dict[str, pd.DataFrame] = field(default_factory=dict)
    read: dict[tuple[str, str], int] = field(default_factory=dict)
    orders: list[dict[str, Any]] = field(default_factory=list)

    @property
    def lives(self) -> list[Life]:
        return self.yard.lives

    def tables(self, day: date) -> dict[str, pd.DataFrame]:
        """The office's tables by `day`; only rows written since the last call are made into a frame."""
        for name in ("samples", *BOOKS):
            rows = [row for life in self.lives for row in self._new_rows(life, name)]
            new = sample_table(rows) if name == "samples" else table(name, rows)
            old = self.books.get(name)
            if old is None or len(new):
                self.books[name] = new if old is None else pd.concat([old, new], ignore_index=True)
        places = self.registers["compartments"]
        every = np.array([self.place[name][1].every_h for name in places["compartment"]], float)
        known = known_by(self.books | {"corrections": corrections_of(self.lives)}, day)
        return self.registers | {"compartments": places.assign(sample_every_h=every)} | known

    def _new_rows(self, life: Life, name: str) -> list[dict[str, Any]]:
        machine = life.machine.machine
        rows = life.books[name][self.read.get((machine, name), 0) :]
        self.read[(machine, name)] = len(life.books[name])
        return issues_of(life, rows, self.issues[machine]) if name == "samples" else rows

    def records(self, day: date) -> Fleet:
        """The same as a Fleet."""
        tables = self.tables(day)
        tables["compartments"] = with_families(tables["compartments"], tables["machines"])
        whole = tables["samples"].copy()  # in one block: it is read on every day of decision
        tables["samples"] = whole.assign(file="samples", row=np.arange(len(whole)) + 2)
        return Fleet(
            settings=self.settings,
            **tables,
            set_aside=empty("set_aside"),
            repairs=empty("repairs"),
            counts=empty("counts"),
        )


def _begin_loop(recipe: Recipe) -> _Loop:
    """Every machine on its first day, with the faults that will come."""
    yard = begin(recipe, recipe.fleet())
    for life in yard.lives:
        until_h = float(yard.hours[:, life.at].sum())
        for sump in life.sumps:
            rng = stream(recipe.seed, sump.part.compartment, "faults")
            sump.coming = faults_to_come(recipe, sump.part, until_h, rng)
    return _Loop(
        recipe=recipe,
        settings=parse_settings(loads(recipe.fleet_toml), "the recipe's fleet_toml"),
        yard=yard,
        place={sump.part.compartment: (life, sump) for life in yard.lives for sump in life.sumps},
        issues={life.machine.machine: issue_stream(life) for life in yard.lives},
        registers=registers(recipe),
    )


def _own_streams(life: Life, n: int) -> None:
    """Chance of day n, the same whatever happened before."""
    life.rng = stream(life.recipe.seed, life.machine.machine, "day", str(n))
    for sump in life.sumps:
        sump.rng = stream(life.recipe.seed, sump.part.compartment, "day", str(n))


def _nobody_reads(letter: Letter) -> None:
    """The machine's own office does nothing here: orders come from the policy."""


def _exchange_today(life: Life) -> None:
    """Labels exchanged among the bottles drawn today."""
    today = [row for row in life.books["samples"][-2 * len(life.sumps) :] if row["drawn_on"] == life.day]
    for first, second in pairs_of_bottles(life, today):
        rng = stream(life.recipe.seed, life.machine.machine, "labels", str(life.today), first["compartment"])
        if rng.random() <= first["crew"].exchanged:
            exchange(life, first, second, rng)


def _give(loop: _Loop, orders: pd.DataFrame, day: date) -> None:
    """Hand the orders to the crews and note what becomes of each."""
    _check_orders(loop, orders)
    for order in orders.reindex(columns=ORDERS).to_dict("records"):
        life, sump = loop.place[order["compartment"]]
        carried = _carry_out(life, sump, order)
        loop.orders.append({"given_on": day, **order, "carried_out": carried})


def _check_orders(loop: _Loop, orders: pd.DataFrame) -> None:
    missing = {"compartment", "act"} - set(orders.columns)
    if missing:
        raise ValueError(
            f"orders: no column {', '.join(sorted(missing))}; a policy returns compartment, act and, where wanted, "
            f"by_day, sample, value."
        )
    if len(odd := orders[~orders["act"].isin(ACTS)]):
        raise ValueError(
            f"orders: found act '{odd['act'].iloc[0]}' for {odd['compartment'].iloc[0]}; known: {', '.join(ACTS)}."
        )
    if len(odd := orders[~orders["compartment"].isin(list(loop.place))]):
        raise ValueError(f"orders: compartment '{odd['compartment'].iloc[0]}' is not in the fleet.")
    hours = orders.reindex(columns=["act", "value"])[orders["act"].isin(_HOURS)]
    if len(odd := hours[~(hours["value"].astype(float) > 0)]):
        raise ValueError(f"orders: '{odd['act'].iloc[0]}' needs a value of more than 0 operating hours.")


def _carry_out(life: Life, sump: Sump, order: dict[str, Any]) -> bool:
    """Plan the work of one order; False when it is in hand already, the machine is gone, or nobody gets round to it."""
    act = order["act"]
    rng = stream(life.recipe.seed, sump.part.compartment, act, str(life.today))
    gone = life.machine.retired_on is not None and life.day > life.machine.retired_on
    if gone or not life.recording or _in_hand(life, sump, act) or rng.random() > life.recipe.office.acted:
        return False
    on = _planned_day(life, order, int(rng.integers(1, _WITHIN_DAYS[act] + 1)))
    if act == LOOK:
        plan_look(sump, on, _prompt(life, sump, order))
    elif act == REPEAT:
        sump.bottle_on = on
    elif act == SOONER:
        sump.once_h = float(order["value"])
    elif act == CHANGE:
        sump.change_on = on
    else:
        sump.every_h = float(order["value"])
    return True


def _in_hand(life: Life, sump: Sump, act: str) -> bool:
    """Whether such work is planned, or done and not yet in the records: a bottle in the post, a finding on somebody's
    desk.
    """
    planned = {LOOK: sump.look_on, REPEAT: sump.bottle_on, CHANGE: sump.change_on}.get(act, -1)
    name, day = sump.part.compartment, life.day
    post = any(r["reported_on"] > day for r in life.books["samples"][-_RECENT:] if r["compartment"] == name)
    desk = any(r["recorded_on"] > day for r in life.books["findings"][-_RECENT:] if r["compartment"] == name)
    asked = np.isfinite(sump.once_h) or sump.bottle_on >= 0 or post
    return planned >= 0 or (act == REPEAT and post) or (act == LOOK and desk) or (act == SOONER and asked)


def _planned_day(life: Life, order: dict[str, Any], wait: int) -> int:
    """Index of the day, tomorrow at the earliest and by_day at the latest."""
    if pd.notna(order["by_day"]):
        wait = min(wait, (pd.Timestamp(order["by_day"]).date() - life.day).days)
    return life.today + max(wait, 1)


def _prompt(life: Life, sump: Sump, order: dict[str, Any]) -> str:
    """The bottle that an order for a look goes back to: the one it names, else the newest reported under this name."""
    if isinstance(order["sample"], str) and order["sample"]:
        return order["sample"]
    name = sump.part.compartment
    told = [
        r for r in life.books["samples"] if r.get("label", r["compartment"]) == name and r["reported_on"] <= life.day
    ]
    return str(told[-1]["sample"]) if told else ""


def _outcome(loop: _Loop, first_on: date) -> pd.DataFrame:
    """Failures, looks, repairs, bottles, hours lost and money of every compartment from first_on on."""
    changes = [order["compartment"] for order in loop.orders if order["act"] == CHANGE and order["carried_out"]]
    return pd.DataFrame(
        [_one_outcome(loop, life, sump, first_on, changes) for life in loop.lives for sump in life.sumps]
    )


def _one_outcome(loop: _Loop, life: Life, sump: Sump, first_on: date, changes: list[str]) -> dict[str, Any]:
    name, kind = sump.part.compartment, sump.part.kind
    found = [r for r in life.books["findings"] if r["compartment"] == name and r["found_on"] >= first_on]
    drawn = [r for r in life.books["samples"] if r["compartment"] == name and r["drawn_on"] >= first_on]
    failures = sum(r["outcome"] == "failed" for r in found)
    vain = [r for r in found if r["outcome"] == "no defect"]
    repairs = [r for r in found if r["outcome"] == "defect"]
    ordered = changes.count(name)
    lost = failures * kind.failure_downtime_h + len(repairs) * kind.planned_downtime_h
    lost += len(vain) * LOOK_DOWNTIME_H + ordered * _CHANGE_DOWNTIME_H
    money = loop.recipe.money
    cost = failures * kind.failure_cost + len(repairs) * kind.planned_cost + len(vain) * kind.inspect_cost
    cost += ordered * (money.change + money.fluid_per_l * sump.part.capacity_l)
    cost += len(drawn) * loop.settings.kind(sump.part.kind_name).sample_cost + lost * life.site.downtime_cost_per_h
    last = min(life.machine.retired_on or loop.yard.days[-1], loop.yard.days[-1])
    years = max((last - max(first_on, life.machine.since) + timedelta(days=1)).days, 0) / 365.25
    return {
        "compartment": name,
        "machine": life.machine.machine,
        "site": life.machine.site,
        "kind": sump.part.kind_name,
        "years": years,
        "failures": failures,
        "looks_in_vain": len(vain),
        "missed": _missed(life, name, vain),
        "repairs": sum(r["prompted_by"] != "" for r in repairs),
        "noticed": sum(r["prompted_by"] == "" for r in repairs),
        "bottles": len(drawn),
        "repeats": sum(r["note"] == "repeat bottle" for r in drawn),
        "changes": ordered,
        "downtime_h": lost,
        "cost": cost,
    }


def _missed(life: Life, name: str, vain: list[dict[str, Any]]) -> int:
    """Looks that showed nothing although a fault had begun."""
    done = np.cumsum(life.worked)
    count = 0
    for row in vain:
        run_h = done[(row["found_on"] - life.yard.days[0]).days]
        spans = [f for f in life.truth["faults"] if f["compartment"] == name]
        count += any(f["onset_h"] < run_h <= f["ended_h"] for f in spans)
    return count


def smaller(recipe: Recipe, machines: list[str]) -> Recipe:
    """The recipe with these machines only, without faults set by hand, wrong cans and typing mistakes: a fleet for the
    closed loop.
    """
    kept = [m for m in recipe.machines if m.machine in machines]
    return replace(recipe, machines=kept, planted=[], wrong_fluid=[], mistakes=[], text="")
