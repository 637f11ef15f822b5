"""What is known and what is true of machines while they are lived through: their compartments, books and truth.

What changes every day is kept in arrays of all machines that are run together (`Yard`), so that a day costs about the
same for one machine as for a hundred; what changes now and then is kept with each compartment and machine.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from typing import Any, Generic, TypeVar

import numpy as np

from cmkit.simulate.balance import CARRIED, METALS, drain_and_fill
from cmkit.simulate.bottle import Drawn, Sheet, sheet_of
from cmkit.simulate.faults import Fault, growth
from cmkit.simulate.office import Card
from cmkit.simulate.parts import Part
from cmkit.simulate.recipe import Crew, Laboratory, Machine, Recipe, Site

ROUND_H = 250.0  # machines are visited on a grid of this many hours
_Number = TypeVar("_Number", int, float)


class _Cell(Generic[_Number]):
    """A number of one compartment or machine that lives in the yard's array of that name, at its place `at`."""

    def __set_name__(self, owner: type, name: str) -> None:
        self.name = name

    def __get__(self, own: "Sump | Life", owner: type) -> _Number:
        value: _Number = getattr(own.yard, self.name).item(own.at)
        return value

    def __set__(self, own: "Sump | Life", value: _Number) -> None:
        getattr(own.yard, self.name)[own.at] = value


@dataclass(frozen=True)
class Letter:
    """A result on its way to the office: the bottle's row, its compartment, and what the label said."""

    sump: "Sump"
    row: dict[str, Any]
    low: bool
    run_h: float
    age_h: float

    @property
    def values(self) -> np.ndarray:
        """Results over the analytes of the register, NaN where not reported."""
        values: np.ndarray = self.row["result"].values
        return values


@dataclass
class Yard:
    """Machines of one recipe that are run together, M of them with C compartments in all, and their state in arrays.

    hours, worked (days, M): hours of work planned and done. run_h, next_round_h, down_until, opens (M,): running hours,
    hours of the next round, last day out of order, first day of the records. machine (C,): place of a compartment's
    machine. rates, amount, removal (C, carried analytes), wander (C, metals; state of the slow drift), and the rest
    (C,): see `Sump`. Days are indices into `days`. dated: machines with something set for a date. post: letters by the
    day on which they arrive; drawn: bottles of today.
    """

    recipe: Recipe
    days: list[date]
    sizes: list[int]
    today: int = 0
    day: date = field(init=False)
    lives: list["Life"] = field(default_factory=list)
    sumps: list["Sump"] = field(default_factory=list)
    dated: dict[date, list["Life"]] = field(default_factory=dict)
    post: dict[int, list[Letter]] = field(default_factory=dict)
    drawn: list[tuple["Sump", dict[str, Any], Drawn]] = field(default_factory=list)

    def __post_init__(self) -> None:
        machines, places = len(self.sizes), sum(self.sizes)
        self.day = self.days[0]
        self.machine = np.repeat(np.arange(machines), self.sizes)
        self.hours, self.worked = np.zeros((len(self.days), machines)), np.zeros((len(self.days), machines))
        self.run_h, self.next_round_h = np.zeros(machines), np.zeros(machines)
        self.down_until, self.opens = np.full(machines, -1), np.zeros(machines, int)
        self.rates, self.amount, self.removal = (np.zeros((places, len(CARRIED))) for _ in range(3))
        self.wander = np.zeros((places, len(METALS)))
        self.volume, self.capacity, self.loss, self.load = (np.ones(places) for _ in range(4))
        self.every_h, self.age_h, self.sampled_h = (np.zeros(places) for _ in range(3))
        self.new_at_h = np.full(places, -np.inf)
        self.bottle_at_h, self.once_h, self.onset_h = (np.full(places, np.inf) for _ in range(3))
        self.delay_h, self.sealed = np.ones(places), np.zeros(places, bool)
        self.change_on, self.bottle_on, self.look_on = (np.full(places, -1) for _ in range(3))
        self.faults: list[Fault | None] = [None] * places
        self.sheet: Sheet = sheet_of(self.recipe.noise)

    @property
    def recording(self) -> np.ndarray:
        """Whether each machine's records have begun, (M,)."""
        return np.asarray(self.opens <= self.today)

    @property
    def works(self) -> np.ndarray:
        """Whether each machine is at work today, (M,)."""
        return np.asarray((self.hours[self.today] > 0) & (self.today > self.down_until))


@dataclass
class Sump:
    """What changes in one compartment. Days are indices into the run's days; -1: nothing planned.

    every_h: today's sampling interval. once_h: hours after the last bottle at which the office wants one bottle, once.
    bottle_at_h: running hour at which one is wanted. new_at_h: running hour at which its component was new.
    coming: the faults that arrive whatever anybody does, in order of onset; None: drawn as life goes.
    """

    yard: Yard = field(repr=False)
    at: int
    of: "Life" = field(repr=False)
    part: Part
    card: Card
    rng: np.random.Generator
    unsampled_until: date | None = None
    coming: tuple[Fault, ...] | None = None
    added: float = 0.0
    life: int = 1
    eased: float = 1.0
    look_for: str = ""
    again: str = ""
    last: Letter | None = None
    gains: list[list[float]] = field(default_factory=lambda: [[] for _ in METALS])
    loss = _Cell[float]()
    load = _Cell[float]()
    every_h = _Cell[float]()
    age_h = _Cell[float]()
    new_at_h = _Cell[float]()
    sampled_h = _Cell[float]()
    bottle_at_h = _Cell[float]()
    once_h = _Cell[float]()
    change_on = _Cell[int]()
    bottle_on = _Cell[int]()
    look_on = _Cell[int]()

    @property
    def fault(self) -> Fault | None:
        """The fault that is there or will come next."""
        return self.yard.faults[self.at]

    @fault.setter
    def fault(self, fault: Fault | None) -> None:
        yard, at = self.yard, self.at
        yard.faults[at] = fault
        yard.onset_h[at], yard.delay_h[at] = (np.inf, 1.0) if fault is None else (fault.onset_h, fault.delay_h)


@dataclass
class Life:
    """One machine and what was written down about it. `books` are the records, `truth` what nobody wrote down."""

    yard: Yard = field(repr=False)
    at: int
    machine: Machine
    site: Site
    crews: list[Crew]
    lab: Laboratory
    bias: np.ndarray
    rng: np.random.Generator
    sumps: list[Sump] = field(default_factory=list)
    shift_h: float = 0.0
    books: dict[str, list[dict[str, Any]]] = field(
        default_factory=lambda: {"samples": [], "services": [], "meters": [], "findings": [], "decisions": []}
    )
    truth: dict[str, list[dict[str, Any]]] = field(default_factory=lambda: {"rates": [], "faults": [], "topups": []})
    run_h = _Cell[float]()
    next_round_h = _Cell[float]()
    down_until = _Cell[int]()
    opens = _Cell[int]()

    @property
    def recipe(self) -> Recipe:
        return self.yard.recipe

    @property
    def today(self) -> int:
        return self.yard.today

    @property
    def day(self) -> date:
        return self.yard.day

    @property
    def worked(self) -> np.ndarray:
        """Hours done on each day, (days,)."""
        worked: np.ndarray = self.yard.worked[:, self.at]
        return worked

    @cached_property
    def crew_shares(self) -> list[float]:
        """Shares of bottles drawn by the crews up to each of them."""
        shares = np.cumsum([c.share for c in self.crews])
        return [float(x) for x in shares / shares[-1]]

    @cached_property
    def own(self) -> slice:
        """Its compartments among those of the yard."""
        first = sum(self.yard.sizes[: self.at])
        return slice(first, first + self.yard.sizes[self.at])

    @property
    def recording(self) -> bool:
        return self.today >= self.opens

    @property
    def meter_h(self) -> float:
        return self.run_h + self.shift_h


@dataclass(frozen=True)
class Begun:
    """Faults that have begun in some compartments: their places among these, and how strong each is, 0 to 1."""

    at: np.ndarray
    faults: list[Fault]
    strong: np.ndarray


def begun_faults(yard: Yard, own: np.ndarray) -> Begun:
    """The faults that have begun in the compartments `own` (n,)."""
    run_h = yard.run_h[yard.machine[own]]
    at = np.flatnonzero(run_h > yard.onset_h[own])
    faults = [fault for k in own[at].tolist() if (fault := yard.faults[k]) is not None]
    return Begun(at, faults, growth(faults, run_h[at]))


def rates_now(yard: Yard, own: np.ndarray, begun: Begun) -> np.ndarray:
    """True release rates per hour at full charge of the compartments `own` (n,), (n, carried analytes): slow drift (a
    lognormal factor of mean 1), running-in and fault in, the load of the interval left out.
    """
    spread, metals = yard.recipe.spread, slice(len(METALS))
    sd = np.sqrt(np.log1p(spread.drift_cv**2))
    rates: np.ndarray = yard.rates[own]
    rates[:, metals] *= np.exp(sd * yard.wander[own] - 0.5 * sd**2)
    if spread.running_in:  # the extra metal of a new component
        age_h = np.maximum(yard.run_h[yard.machine[own]] - yard.new_at_h[own], 0.0)
        rates[:, metals] *= 1 + spread.running_in * np.exp(-age_h / spread.running_in_h)[:, None]
    if begun.faults:
        times, adds = np.array([f.times for f in begun.faults]), np.array([f.adds for f in begun.faults])
        strong = begun.strong[:, None]
        rates[begun.at] = rates[begun.at] * (1 + (times - 1) * strong) + adds * strong
    return rates


def note_life(sump: Sump) -> None:
    """Write the true rates of a component that begins its life (or the records) today into the truth."""
    life, true = sump.of, sump.yard.rates[sump.at].tolist()
    rates = {a: true[k] for k, a in enumerate(METALS) if sump.part.normal[k] > 0}
    row = {"compartment": sump.part.compartment, "life": sump.life, "from_on": life.day, "run_h": life.run_h}
    life.truth["rates"].append(row | {"loss_l_per_h": sump.loss} | rates)


def service(sump: Sump, kind: str, litres: float | None) -> None:
    """Write a service into the books; litres: filled in, None for work without fluid."""
    life = sump.of
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


def refill(sump: Sump, kept: float) -> None:
    """Drain a compartment down to the share `kept` of its charge and fill it up with its own fluid."""
    yard, at, part = sump.yard, sump.at, sump.part
    yard.amount[at], yard.volume[at] = drain_and_fill(
        yard.amount[at], yard.volume[at], kept, part.fresh, part.capacity_l
    )
    sump.age_h = 0.0


def meter_row(life: Life, new: bool) -> dict[str, Any]:
    """A row of the meters table for today."""
    return {"machine": life.machine.machine, "read_on": life.day, "meter_h": round(life.meter_h), "new_meter": new}
