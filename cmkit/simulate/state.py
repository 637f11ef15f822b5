"""What is known and what is true of one machine while it is lived through: its compartments, its books, its truth."""

from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from typing import Any

import numpy as np

from cmkit.simulate.balance import CARRIED, IS_METAL, drain_and_fill
from cmkit.simulate.faults import Fault, growth
from cmkit.simulate.office import Card
from cmkit.simulate.parts import Part
from cmkit.simulate.recipe import Crew, Laboratory, Machine, Recipe, Site

ROUND_H = 250.0  # machines are visited on a grid of this many hours


@dataclass(frozen=True)
class Letter:
    """A result on its way: when it reaches the office (index of the day), for which compartment, and what the label
    said.
    """

    day: int
    n: int
    sample: str
    values: dict[str, float]
    low: bool
    run_h: float
    age_h: float


@dataclass
class Sump:
    """What changes in one compartment. Days are indices into the run's days; -1: nothing planned.

    every_h: today's sampling interval. once_h: hours after the last bottle at which the office wants one bottle, once.
    new_at_h: running hour at which its component was new.
    coming: the faults that arrive whatever anybody does, in order of onset; None: drawn as life goes.
    """

    part: Part
    card: Card
    loss: float
    load: float
    fault: Fault | None
    rng: np.random.Generator
    every_h: float
    coming: tuple[Fault, ...] | None = None
    age_h: float = 0.0
    new_at_h: float = -np.inf
    sampled_h: float = 0.0
    added: float = 0.0
    told: float = 0.0
    life: int = 1
    eased: float = 1.0
    change_on: int = -1
    bottle_on: int = -1
    bottle_at_h: float = np.inf
    once_h: float = np.inf
    look_on: int = -1
    look_for: str = ""
    again: str = ""
    unsampled_until: date | None = None
    last: Letter | None = None
    gains: dict[str, list[float]] = field(default_factory=dict)


@dataclass
class Life:
    """One machine's state and what was written down about it. `books` are the records, `truth` what nobody wrote down.

    rates, wander (state of the slow drift) and amount have shape (compartments, carried analytes), in the order of
    `sumps`.
    """

    recipe: Recipe
    machine: Machine
    site: Site
    crews: list[Crew]
    lab: Laboratory
    bias: dict[str, float]
    days: list[date]
    hours: np.ndarray
    worked: np.ndarray
    rng: np.random.Generator
    sumps: list[Sump]
    rates: np.ndarray
    wander: np.ndarray
    amount: np.ndarray
    volume: np.ndarray
    today: int = 0
    run_h: float = 0.0
    shift_h: float = 0.0
    next_round_h: float = 0.0
    down_until: int = -1
    post: list[Letter] = field(default_factory=list)
    books: dict[str, list[dict[str, Any]]] = field(
        default_factory=lambda: {"samples": [], "services": [], "meters": [], "findings": [], "decisions": []}
    )
    truth: dict[str, list[dict[str, Any]]] = field(default_factory=lambda: {"rates": [], "faults": [], "topups": []})

    @property
    def day(self) -> date:
        return self.days[self.today]

    @cached_property
    def opens(self) -> int:
        """Index of the first day of its records."""
        return (max(self.recipe.start, self.machine.since) - self.days[0]).days

    @property
    def recording(self) -> bool:
        return self.today >= self.opens

    @property
    def meter_h(self) -> float:
        return self.run_h + self.shift_h


def drifting(life: Life, rates: np.ndarray, wander: np.ndarray) -> np.ndarray:
    """Rates with the slow drift of the metals' ones, a lognormal factor of mean 1."""
    sd = np.sqrt(np.log1p(life.recipe.spread.drift_cv**2))
    out = rates.copy()
    out[..., IS_METAL] *= np.exp(sd * wander[..., IS_METAL] - 0.5 * sd**2)
    return out


def with_fault(sump: Sump, rates: np.ndarray, run_h: float) -> np.ndarray:
    """Release rates as the compartment's fault makes them at running hour run_h."""
    if sump.fault is None or run_h <= sump.fault.onset_h:
        return rates
    strength = growth(sump.fault, run_h)
    return rates * (1 + (sump.fault.times - 1) * strength) + sump.fault.adds * strength


def with_running_in(life: Life, sump: Sump, rates: np.ndarray, run_h: float) -> np.ndarray:
    """Release rates with the extra metal of a new component; as they are where the recipe has none."""
    spread = life.recipe.spread
    if not spread.running_in or not np.isfinite(sump.new_at_h):
        return rates
    extra = spread.running_in * np.exp(-max(run_h - sump.new_at_h, 0.0) / spread.running_in_h)
    return rates * np.where(IS_METAL, 1 + extra, 1.0)


def rates_now(life: Life, n: int) -> np.ndarray:
    """True release rate per hour at full charge: drift, running-in and fault in, the load of the interval left out."""
    rates = with_running_in(life, life.sumps[n], drifting(life, life.rates[n], life.wander[n]), life.run_h)
    return with_fault(life.sumps[n], rates, life.run_h)


def note_life(life: Life, n: int) -> None:
    """Write the true rates of a component that begins its life (or the records) today into the truth."""
    sump = life.sumps[n]
    rates = {
        a: float(r)
        for a, r, normal, metal in zip(CARRIED, life.rates[n], sump.part.normal, IS_METAL, strict=True)
        if metal and normal > 0
    }
    row = {"compartment": sump.part.compartment, "life": sump.life, "from_on": life.day, "run_h": life.run_h}
    life.truth["rates"].append(row | {"loss_l_per_h": sump.loss} | rates)


def service(life: Life, sump: Sump, kind: str, litres: float | None) -> None:
    """Write a service into the books; litres: filled in, None for work without fluid."""
    if not life.recording:
        return
    money = life.recipe.money
    fluid = litres is not None
    cost = (litres or 0) * money.fluid_per_l + (money.change if kind == "change" else 0)
    life.books["services"].append(
        {
            "service": f"{life.machine.machine}-S{len(life.books['services']) + 1:05d}",
            "compartment": sump.part.compartment,
            "done_on": life.day,
            "meter_h": round(life.meter_h) if life.rng.random() > 0.05 else None,
            "kind": kind,
            "volume_l": round(litres, 1) if litres is not None else None,
            "fluid": sump.part.fluid.fluid if fluid else "",
            "grade": sump.part.fluid.grade if fluid else "",
            "cost": round(cost, 0) if cost > 0 else None,
            "downtime_h": 2.0 if kind == "change" else None,
            "recorded_on": life.day + timedelta(days=int(life.rng.integers(0, 4))),
        }
    )


def refill(life: Life, n: int, kept: float) -> None:
    """Drain compartment n down to the share `kept` of its charge and fill it up with its own fluid."""
    sump = life.sumps[n]
    life.amount[n], life.volume[n] = drain_and_fill(
        life.amount[n], life.volume[n], kept, sump.part.fresh, sump.part.capacity_l
    )
    sump.age_h = 0.0


def meter_row(life: Life, new: bool) -> dict[str, Any]:
    """A row of the meters table for today."""
    return {"machine": life.machine.machine, "read_on": life.day, "meter_h": round(life.meter_h), "new_meter": new}
