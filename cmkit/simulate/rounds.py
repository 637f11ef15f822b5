"""Visits with the pump: rounds, bottles with a crew's label on them, fluid changes, levels and top-ups."""

from bisect import bisect_right
from datetime import timedelta
from typing import Any

import numpy as np

from cmkit.simulate.balance import add, drain_and_fill
from cmkit.simulate.bottle import analyse, draw_bottle
from cmkit.simulate.faults import share_of_way
from cmkit.simulate.parts import content, lognormal
from cmkit.simulate.recipe import Crew
from cmkit.simulate.state import ROUND_H, Letter, Life, Sump, Yard, begun_faults, rates_now, refill, service

_LOW_UNSEALED, _LOW_SEALED = 0.95, 0.97  # topped up below these shares of the capacity
_SEEN_LOW, _SEEN_OVER = 0.93, 1.02


def visit(life: Life) -> None:
    """A round when the machine's hours have come, and single bottles asked for by the office."""
    yard, own, run_h = life.yard, life.own, life.run_h
    if run_h >= life.next_round_h:
        life.next_round_h = run_h + ROUND_H * life.rng.uniform(0.9, 1.1)
        if life.rng.random() < 0.03:  # a round that nobody made
            return
        _draw(life, yard.sampled_h[own] >= yard.every_h[own] - 0.5 * ROUND_H, "")
        for sump in life.sumps:
            if sump.age_h >= sump.part.kind.change_every_h - 0.5 * ROUND_H and sump.change_on < 0:
                later = life.rng.random() < 0.15
                sump.change_on = life.today + (int(life.rng.integers(1, 7)) if later else 0)
    asked = yard.bottle_on[own]
    _draw(life, (asked >= 0) & (asked <= life.today), "repeat bottle")
    _draw(life, yard.sampled_h[own] >= yard.once_h[own], "asked for sooner")
    _draw(life, run_h >= yard.bottle_at_h[own], "after repair")


def _draw(life: Life, due: np.ndarray, note: str) -> None:
    """One crew draws a bottle from each compartment that is due (its compartments,)."""
    places = due.nonzero()[0].tolist()
    if not places:
        return
    crew = life.crews[bisect_right(life.crew_shares, life.rng.random())]
    late = int(life.rng.integers(10, 30)) if life.rng.random() < crew.late else 0
    for n in places:
        sump = life.sumps[n]
        waits = sump.unsampled_until is not None and life.day < sump.unsampled_until
        if life.recording and not waits:
            _bottle(life, sump, crew, late, note)
        sump.sampled_h, sump.added = 0.0, 0.0
        sump.load = float(lognormal(sump.rng, life.recipe.spread.load_cv))
        sump.bottle_on, sump.bottle_at_h, sump.once_h = -1, np.inf, np.inf


def _bottle(life: Life, sump: Sump, crew: Crew, late: int, note: str) -> None:
    yard, part, run_h, age_h = life.yard, sump.part, life.run_h, sump.age_h
    true, volume = yard.amount[sump.at] / yard.volume[sump.at], float(yard.volume[sump.at])
    drawn = draw_bottle(part, crew, true, life.bias, sump.rng)
    received = life.day + timedelta(days=max(1, round(life.site.post_days + life.rng.integers(-1, 3))) + late)
    reported = received + timedelta(days=max(1, round(life.lab.days + life.rng.integers(-1, 3))))
    sample = f"{life.machine.machine}-{len(life.books['samples']) + 1:04d}"
    if note == "repeat bottle":
        sump.again = sample
    row = _label(life, sump, sample, crew, drawing=drawn.drawing, note=note)
    row |= {"lab": life.lab.laboratory, "received_on": received, "reported_on": reported}
    active = sump.fault is not None and run_h > sump.fault.onset_h
    row["true"] = {
        "run_h": run_h,
        "meter_h": life.meter_h,
        "fluid_h": age_h,
        "life": sump.life,
        "makeup_l": sump.added,
        "volume_l": volume,
        "share_of_way": share_of_way(sump.fault, run_h) if sump.fault is not None and active else 0.0,
        "cause": sump.fault.name if sump.fault is not None and active else "",
        "level": true,
    }
    life.books["samples"].append(row)
    yard.drawn.append((sump, row, drawn))
    low = part.kind.sealed and row["fluid_level"] == "low"
    yard.post.setdefault((reported - yard.days[0]).days, []).append(Letter(sump, row, low, run_h, age_h))
    if part.kind.sealed and volume < _LOW_SEALED * part.capacity_l:
        _top_up(life, sump, crew)


def analyse_drawn(yard: Yard) -> None:
    """The results of the bottles drawn today, and the true rates of that day, into their rows."""
    if not yard.drawn:
        return
    sumps, rows, drawn = zip(*yard.drawn, strict=True)
    yard.drawn.clear()
    own = np.array([sump.at for sump in sumps])
    begun = begun_faults(yard, own)
    particles = np.exp(0.4 * yard.wander[own, 0])
    particles[begun.at] *= 1 + (np.array([f.kind.particles for f in begun.faults]) - 1) * begun.strong
    results = analyse(yard.recipe.noise, yard.sheet, drawn, particles)
    for row, result, rates in zip(rows, results, rates_now(yard, own, begun), strict=True):
        row["result"], row["true"]["rate"] = result, rates


def _label(life: Life, sump: Sump, sample: str, crew: Crew, *, drawing: str, note: str) -> dict[str, Any]:
    """What the crew wrote down: gaps, slips and all."""
    rng, share = life.rng, sump.yard.volume.item(sump.at) / sump.part.capacity_l
    u = rng.random(6).tolist()
    seen = "low" if share < _SEEN_LOW else "over" if share > _SEEN_OVER else "full"
    hours = round(life.meter_h)
    no_hours, slipped = u[0] < crew.no_hours, u[1] < crew.slip
    usual = "probe" if sump.part.kind.pressurised else "pump"
    stream_seen = drawing == "drain stream" and u[2] < 0.6
    return {
        "sample": sample,
        "compartment": sump.part.compartment,
        "drawn_on": life.day,
        "meter_h": None if no_hours else _slip(hours, rng) if slipped else hours,
        "fluid_h": round(sump.age_h) if u[3] < crew.label_fluid_h and not no_hours else None,
        "makeup_l": round(sump.added, 1) if u[4] < crew.label_makeup else None,
        "method": "drain stream" if stream_seen else usual,
        "sampler": crew.crew,
        "fluid_level": None if u[5] < crew.no_level else seen,
        "note": note,
        "slip": slipped and not no_hours,
        "crew": crew,
    }


def _slip(hours: int, rng: np.random.Generator) -> int:
    """Two neighbouring digits exchanged, as a tired hand does."""
    digits = list(str(hours))
    places = [i for i in range(len(digits) - 1) if digits[i] != digits[i + 1] and not (i == 0 and digits[1] == "0")]
    if not places:
        return hours
    i = places[int(rng.integers(len(places)))]
    digits[i], digits[i + 1] = digits[i + 1], digits[i]
    return int("".join(digits))


def change_fluid(sump: Sump) -> None:
    """A fluid change planned for today; what stays behind varies about the kind's residual."""
    life, residual = sump.of, sump.part.kind.residual
    kept = min(float(residual * lognormal(sump.rng, life.recipe.spread.residual_cv)), 0.9)
    service(sump, "change", sump.part.capacity_l * (1 - kept))
    refill(sump, kept)
    sump.change_on = -1


def low_level(yard: Yard) -> np.ndarray:
    """Unsealed compartments (C,) of machines at work on which a low level would be seen."""
    low = ~yard.sealed & (yard.volume < _LOW_UNSEALED * yard.capacity)
    return np.asarray(low & (yard.hours[yard.today] > 0)[yard.machine])


def top_up_low(sump: Sump) -> None:
    """A compartment found low is filled up."""
    life = sump.of
    _top_up(life, sump, life.crews[int(life.rng.integers(len(life.crews)))])


def spoil_charges(yard: Yard) -> None:
    """A wrong can on its day."""
    for wrong in yard.recipe.wrong_fluid:
        if yard.day != yard.recipe.end - timedelta(days=wrong.days_before_end):
            continue
        for sump in yard.sumps:
            if sump.part.compartment == wrong.compartment:
                _wrong_can(sump, content(yard.recipe.fluids[wrong.with_fluid]), wrong.share)


def _top_up(life: Life, sump: Sump, crew: Crew) -> None:
    yard, at = life.yard, sump.at
    litres = sump.part.capacity_l - yard.volume[at]
    fault = sump.fault
    water = fault is not None and fault.kind.topped_with and life.run_h > fault.onset_h
    fresh = content(life.recipe.fluids[fault.kind.topped_with]) if fault is not None and water else sump.part.fresh
    yard.amount[at], yard.volume[at] = add(yard.amount[at], yard.volume[at], litres, fresh)
    lost = life.rng.random() < crew.topup_lost
    sump.added += litres
    told = round(litres * min(max(life.rng.normal(1, 0.1), 0.7), 1.3), 1)
    if not lost:
        service(sump, "top-up", max(told, 0.1))
    if life.recording:
        row = {"compartment": sump.part.compartment, "done_on": life.day, "litres": litres, "recorded": not lost}
        life.truth["topups"].append(
            row | {"fluid": fault.kind.topped_with if fault is not None and water else "as specified"}
        )


def _wrong_can(sump: Sump, other: np.ndarray, share: float) -> None:
    yard, at, litres = sump.yard, sump.at, share * sump.part.capacity_l
    kept = 1 - litres / yard.volume[at]
    yard.amount[at], yard.volume[at] = drain_and_fill(yard.amount[at], yard.volume[at], kept, other, yard.volume[at])
    row = {"compartment": sump.part.compartment, "done_on": sump.of.day, "litres": litres, "recorded": False}
    sump.of.truth["topups"].append(row | {"fluid": "wrong fluid"})
