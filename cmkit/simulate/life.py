"""The life of machines, day by day: work, faults, visits with the pump, changes, top-ups, looks and repairs.

A day's work is done for all machines of a yard in arrays; who has anything to do beyond that is found in arrays, too,
and only they are gone through one by one. Every machine and compartment has streams of chance of its own, so that no
machine's days depend on which others are run with it.
"""

from collections.abc import Callable, Iterator

import numpy as np

from cmkit.simulate.balance import CARRIED, METALS, advance
from cmkit.simulate.bottle import bias_of
from cmkit.simulate.faults import planted_fault
from cmkit.simulate.office import make_card
from cmkit.simulate.parts import Part, all_days, build_parts, daily_hours, draw_rates, lognormal, stream
from cmkit.simulate.recipe import Machine, Recipe
from cmkit.simulate.rounds import analyse_drawn, change_fluid, low_level, spoil_charges, top_up_low, visit
from cmkit.simulate.state import ROUND_H, Letter, Life, Sump, Yard, begun_faults, meter_row, note_life, rates_now
from cmkit.simulate.workshop import fail, look, next_fault, read_letter, wake_faults

_BLOCK = 256  # compartments whose charges are integrated at once: their arrays stay in the processor's cache


def live(yard: Yard) -> list[Life]:
    """Run the machines of a yard from the start of the warm-up to the end of the records."""
    for n in range(len(yard.days)):
        live_day(yard, n, read_letter)
    return yard.lives


def live_day(yard: Yard, n: int, decide: Callable[[Letter], None]) -> None:
    """Day n of the run; `decide` reads a result that arrives, and plans looks and bottles."""
    yard.today, yard.day = n, yard.days[n]
    for life in _of(yard, yard.opens == n):
        _open_books(life)
    _fit_meters(yard)
    _work(yard)
    wake_faults(yard)
    recorded = yard.recording[yard.machine]
    for sump in _sumps(yard, recorded & (_way(yard) >= 1)):
        fail(sump)
    for letter in yard.post.pop(n, []):
        decide(letter)
    noticeable = (_way(yard) > 0.5) & (yard.hours[n] > 0)[yard.machine]
    for sump in _sumps(yard, recorded & (noticeable | _due(yard, yard.look_on))):
        look(sump)
    _rounds(yard)
    everybody = yard.day.isoweekday() == 5 or yard.day in (yard.recipe.start, yard.recipe.end)
    for life in yard.lives if everybody else yard.dated.get(yard.day, []):
        _read_meter(life)


def _rounds(yard: Yard) -> None:
    """Today's visits with the pump, changes and top-ups."""
    run_h = yard.run_h[yard.machine]
    asked = _due(yard, yard.bottle_on) | (yard.sampled_h >= yard.once_h) | (run_h >= yard.bottle_at_h)
    visited = yard.run_h >= yard.next_round_h
    visited[yard.machine[asked]] = True
    for life in _of(yard, visited & yard.works):
        visit(life)
    analyse_drawn(yard)
    for sump in _sumps(yard, _due(yard, yard.change_on)):
        change_fluid(sump)
    spoil_charges(yard)
    if yard.day.isoweekday() == 1:
        for sump in _sumps(yard, low_level(yard)):
            top_up_low(sump)


def _due(yard: Yard, on: np.ndarray) -> np.ndarray:
    """What is planned for today or was for an earlier day."""
    return np.asarray((on >= 0) & (on <= yard.today))


def _way(yard: Yard) -> np.ndarray:
    """How far each compartment's fault is from onset to failure, (C,); 0 or less before."""
    return np.asarray((yard.run_h[yard.machine] - yard.onset_h) / yard.delay_h)


def _of(yard: Yard, mask: np.ndarray) -> Iterator[Life]:
    return (yard.lives[n] for n in mask.nonzero()[0].tolist())


def _sumps(yard: Yard, mask: np.ndarray) -> Iterator[Sump]:
    return (yard.sumps[n] for n in mask.nonzero()[0].tolist())


def begin(recipe: Recipe, machines: list[Machine]) -> Yard:
    """Machines on the first day of the warm-up."""
    built = [build_parts(recipe, machine) for machine in machines]
    yard = Yard(recipe, all_days(recipe), [len(parts) for parts in built])
    for machine, parts in zip(machines, built, strict=True):
        yard.lives.append(_new_life(yard, machine, parts))
    return yard


def _new_life(yard: Yard, machine: Machine, parts: list[Part]) -> Life:
    recipe, at = yard.recipe, len(yard.lives)
    site = next(s for s in recipe.sites if s.site == machine.site)
    rng = stream(recipe.seed, machine.machine, "events")
    life = Life(
        yard=yard,
        at=at,
        machine=machine,
        site=site,
        crews=[c for c in recipe.crews if c.crew in site.crews],
        lab=next(x for x in recipe.laboratories if x.laboratory == site.laboratory),
        bias=bias_of(recipe, site.laboratory),
        rng=rng,
    )
    yard.hours[:, at] = daily_hours(recipe, machine, site, yard.days[0], len(yard.days))
    yard.opens[at] = (max(recipe.start, machine.since) - yard.days[0]).days
    life.sumps = [_new_sump(life, part) for part in parts]
    life.next_round_h = float(rng.uniform(0.2, 1.0)) * ROUND_H
    for day in {machine.since, machine.retired_on, machine.new_meter_on}:
        if day is not None:
            yard.dated.setdefault(day, []).append(life)
    return life


def _new_sump(life: Life, part: Part) -> Sump:
    yard, machine, recipe = life.yard, life.machine, life.recipe
    rng, at = stream(recipe.seed, part.compartment), len(yard.sumps)
    until = {str(name): day for name, day in machine.unsampled}
    waits = until.get(part.compartment.removeprefix(f"{machine.machine}/"))
    sump = Sump(yard, at, life, part, make_card(recipe.office, part), rng, unsampled_until=waits)
    yard.sumps.append(sump)
    yard.rates[at] = draw_rates(recipe, part, rng)
    yard.wander[at] = rng.standard_normal(len(CARRIED))[: len(METALS)]
    yard.amount[at], yard.volume[at] = part.fresh * part.capacity_l, part.capacity_l
    yard.capacity[at], yard.removal[at], yard.sealed[at] = part.capacity_l, part.removal, part.kind.sealed
    sump.loss = part.kind.use * part.capacity_l * float(lognormal(rng, recipe.spread.use_cv))
    sump.every_h = part.kind.sample_every_h
    sump.age_h = float(rng.uniform(0, 1)) * part.kind.change_every_h if machine.since < recipe.start else 0.0
    return sump


def _open_books(life: Life) -> None:
    """First day of the records: the meter shows what the recipe says, faults of chance begin to lurk."""
    life.shift_h = life.machine.meter_h - life.run_h
    for sump in life.sumps:
        sump.new_at_h = life.run_h - life.machine.meter_h
        sump.fault = planted_fault(life.recipe, sump.part) or next_fault(sump)
        note_life(sump)


def _fit_meters(yard: Yard) -> None:
    """Machines that get a new meter today; it shows 2 h."""
    for life in yard.dated.get(yard.day, []):
        if life.machine.new_meter_on == yard.day:
            life.shift_h = 2.0 - life.run_h
            life.books["meters"].append(meter_row(life, new=True))


def _work(yard: Yard) -> None:
    """A day's hours: rates wander, faults grow, the balance is integrated."""
    hours = np.where(yard.works, yard.hours[yard.today], 0.0)
    of_each = hours[yard.machine]
    own = np.argsort(-of_each, kind="stable")[: np.count_nonzero(of_each)]
    for first in range(0, len(own), _BLOCK):
        block = own[first : first + _BLOCK]
        _integrate(yard, block, of_each[block])
    yard.worked[yard.today] = hours
    yard.run_h += hours
    yard.age_h += of_each
    yard.sampled_h += of_each


def _integrate(yard: Yard, own: np.ndarray, hours: np.ndarray) -> None:
    """The day of the compartments `own` (n,) at work for so many hours, the longest first: wander, amounts, volumes."""
    shocks, sumps = np.empty((len(own), len(CARRIED))), yard.sumps
    for n, row in zip(own.tolist(), shocks, strict=True):
        sumps[n].rng.standard_normal(out=row)
    keep = np.exp(-hours / yard.recipe.spread.drift_memory_h)[:, None]
    yard.wander[own] = keep * yard.wander[own] + np.sqrt(1 - keep**2) * shocks[:, : len(METALS)]
    release, loss, removal = _flows(yard, own)
    yard.amount[own], yard.volume[own], _ = advance(
        yard.amount[own], yard.volume[own], release, loss, removal, hours=hours, step_h=yard.recipe.step_h
    )


def _flows(yard: Yard, own: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Release (amount per hour), loss (litres per hour) and removal (share per hour) of compartments today."""
    begun, capacity = begun_faults(yard, own), yard.capacity[own]
    release, loss, removal = rates_now(yard, own, begun), yard.loss[own], yard.removal[own]
    if begun.faults:
        loss[begun.at] += np.array([f.kind.leak for f in begun.faults]) * begun.strong * capacity[begun.at]
        removal[begun.at] += np.array([f.removes for f in begun.faults]) * begun.strong[:, None]
    release[:, : len(METALS)] *= yard.load[own][:, None]
    release *= capacity[:, None]
    return release, loss, removal


def _read_meter(life: Life) -> None:
    """Fridays, most of them, and the first and last day."""
    edge = life.day in (max(life.recipe.start, life.machine.since), life.machine.retired_on, life.recipe.end)
    gone = life.machine.retired_on is not None and life.day > life.machine.retired_on
    friday = life.day.isoweekday() == 5 and life.rng.random() > 0.12
    if life.recording and not gone and (edge or friday) and life.day != life.machine.new_meter_on:
        life.books["meters"].append(meter_row(life, new=False))
