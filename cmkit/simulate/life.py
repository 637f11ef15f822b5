"""The life of one machine, day by day: work, faults, visits with the pump, changes, top-ups, looks and repairs."""

from collections.abc import Callable

import numpy as np

from cmkit.simulate.balance import CARRIED, IS_METAL, advance, steps_of
from cmkit.simulate.faults import growth, planted_fault
from cmkit.simulate.office import make_card
from cmkit.simulate.parts import Part, all_days, build_parts, daily_hours, draw_rates, lognormal, stream
from cmkit.simulate.recipe import Machine, Recipe
from cmkit.simulate.rounds import change_fluids, check_levels, visit
from cmkit.simulate.state import ROUND_H, Life, Sump, drifting, meter_row, note_life, with_fault, with_running_in
from cmkit.simulate.workshop import fail, look, next_fault, read_post, wake_faults


def live(lives: list[Life]) -> list[Life]:
    """Run machines of one recipe from the start of the warm-up to the end of the records."""
    for n in range(len(lives[0].days) if lives else 0):
        live_day(lives, n, read_post)
    return lives


def live_day(lives: list[Life], n: int, decide: Callable[[Life], None]) -> None:
    """Day n of the run of some machines, their charges integrated all at once; `decide` reads the results that arrive
    and plans looks and bottles. No machine's day depends on which others are run with it.
    """
    for life in lives:
        life.today = n
        if n == life.opens:
            _open_books(life)
    _work(lives)
    for life in lives:
        if life.recording:
            wake_faults(life)
            fail(life)
            decide(life)
            look(life)
        visit(life)
        change_fluids(life)
        check_levels(life)
        _read_meter(life)


def begin(recipe: Recipe, machine: Machine, bias: dict[str, float]) -> Life:
    """A machine on the first day of the warm-up; bias: its laboratory's, by analyte."""
    site = next(s for s in recipe.sites if s.site == machine.site)
    rng = stream(recipe.seed, machine.machine, "events")
    parts = build_parts(recipe, machine)
    chances = [stream(recipe.seed, part.compartment) for part in parts]
    days = all_days(recipe)
    return Life(
        recipe=recipe,
        machine=machine,
        site=site,
        crews=[c for c in recipe.crews if c.crew in site.crews],
        lab=next(x for x in recipe.laboratories if x.laboratory == site.laboratory),
        bias=bias,
        days=days,
        hours=daily_hours(recipe, machine, site, days),
        worked=np.zeros(len(days)),
        rng=rng,
        rates=np.array([draw_rates(recipe, part, chance) for part, chance in zip(parts, chances, strict=True)]),
        wander=np.array([chance.standard_normal(len(CARRIED)) for chance in chances]),
        sumps=[_new_sump(recipe, machine, part, chance) for part, chance in zip(parts, chances, strict=True)],
        amount=np.array([p.fresh * p.capacity_l for p in parts]),
        volume=np.array([p.capacity_l for p in parts]),
        next_round_h=float(rng.uniform(0.2, 1.0)) * ROUND_H,
    )


def _new_sump(recipe: Recipe, machine: Machine, part: Part, rng: np.random.Generator) -> Sump:
    until = {str(name): day for name, day in machine.unsampled}
    place = part.compartment.removeprefix(f"{machine.machine}/")
    return Sump(
        part=part,
        card=make_card(recipe.office, part),
        loss=part.kind.use * part.capacity_l * float(lognormal(rng, recipe.spread.use_cv)),
        load=1.0,
        fault=None,
        rng=rng,
        every_h=part.kind.sample_every_h,
        age_h=float(rng.uniform(0, 1)) * part.kind.change_every_h if machine.since < recipe.start else 0.0,
        unsampled_until=until.get(place),
    )


def _open_books(life: Life) -> None:
    """First day of the records: the meter shows what the recipe says, faults of chance begin to lurk."""
    life.shift_h = life.machine.meter_h - life.run_h
    for n, sump in enumerate(life.sumps):
        sump.new_at_h = life.run_h - life.machine.meter_h
        planted = planted_fault(life.recipe, sump.part)
        sump.fault = planted or next_fault(life, sump)
        note_life(life, n)


def _work(lives: list[Life]) -> None:
    """A day's hours: rates wander, faults grow, the balance is integrated."""
    by_steps: dict[int, list[tuple[Life, float]]] = {}
    for life in lives:
        hours = float(life.hours[life.today]) if life.today > life.down_until else 0.0
        if life.machine.new_meter_on == life.day:
            life.shift_h = 2.0 - life.run_h
            life.books["meters"].append(meter_row(life, new=True))
        if hours > 0:
            by_steps.setdefault(steps_of(hours, life.recipe.step_h), []).append((life, hours))
    for working in by_steps.values():
        _integrate([life for life, _ in working], [hours for _, hours in working])


def _integrate(lives: list[Life], hours: list[float]) -> None:
    """The day of machines at work for about as long: wander, amounts and volumes of all their charges."""
    sumps, sizes = [sump for life in lives for sump in life.sumps], [len(life.sumps) for life in lives]
    keep = np.repeat([np.exp(-h / lives[0].recipe.spread.drift_memory_h) for h in hours], sizes)[:, None]
    shocks = np.array([sump.rng.standard_normal(len(CARRIED)) for sump in sumps])
    wander = keep * np.concatenate([life.wander for life in lives]) + np.sqrt(1 - keep**2) * shocks
    amount, volume = (np.concatenate([getattr(life, name) for life in lives]) for name in ("amount", "volume"))
    release, loss, removal = _flows(lives, wander)
    amount, volume, _ = advance(
        amount, volume, release, loss, removal, hours=np.repeat(hours, sizes), step_h=lives[0].recipe.step_h
    )
    end = 0
    for life, worked, size in zip(lives, hours, sizes, strict=True):
        own, end = slice(end, end + size), end + size
        life.wander, life.amount, life.volume = wander[own].copy(), amount[own].copy(), volume[own].copy()
        life.worked[life.today] = worked
        life.run_h += worked
        for sump in life.sumps:
            sump.age_h += worked
            sump.sampled_h += worked


def _flows(lives: list[Life], wander: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Release (amount per hour), loss (litres per hour) and removal (share per hour) of every compartment today."""
    sumps = [(life.run_h, sump) for life in lives for sump in life.sumps]
    rates = drifting(lives[0], np.concatenate([life.rates for life in lives]), wander)
    loss = np.array([sump.loss for _, sump in sumps])
    removal = np.array([sump.part.removal for _, sump in sumps])
    owners = [life for life in lives for _ in life.sumps]
    for n, (run_h, sump) in enumerate(sumps):
        rates[n] = with_running_in(owners[n], sump, rates[n], run_h)
        if sump.fault is not None and run_h > sump.fault.onset_h:
            strength = growth(sump.fault, run_h)
            rates[n] = with_fault(sump, rates[n], run_h)
            loss[n] += sump.fault.kind.leak * strength * sump.part.capacity_l
            removal[n] += sump.fault.removes * strength
    rates[:, IS_METAL] *= np.array([sump.load for _, sump in sumps])[:, None]
    return rates * np.array([sump.part.capacity_l for _, sump in sumps])[:, None], loss, removal


def _read_meter(life: Life) -> None:
    """Fridays, most of them, and the first and last day."""
    edge = life.day in (max(life.recipe.start, life.machine.since), life.machine.retired_on, life.recipe.end)
    gone = life.machine.retired_on is not None and life.day > life.machine.retired_on
    friday = life.day.isoweekday() == 5 and life.rng.random() > 0.12
    if life.recording and not gone and (edge or friday) and life.day != life.machine.new_meter_on:
        life.books["meters"].append(meter_row(life, new=False))
