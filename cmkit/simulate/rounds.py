"""Visits with the pump: rounds, bottles with a crew's label on them, fluid changes, levels and top-ups."""

from datetime import timedelta
from typing import Any

import numpy as np

from cmkit.simulate.balance import add, drain_and_fill
from cmkit.simulate.bottle import Result, analyse
from cmkit.simulate.faults import growth, share_of_way
from cmkit.simulate.parts import content, lognormal
from cmkit.simulate.recipe import Crew
from cmkit.simulate.state import ROUND_H, Letter, Life, rates_now, refill, service

_LOW_UNSEALED, _LOW_SEALED = 0.95, 0.97  # topped up below these shares of the capacity
_SEEN_LOW, _SEEN_OVER = 0.93, 1.02


def visit(life: Life) -> None:
    """A round when the machine's hours have come, and single bottles asked for by the office."""
    works = life.hours[life.today] > 0 and life.today > life.down_until
    if not works:
        return
    if life.run_h >= life.next_round_h:
        life.next_round_h = life.run_h + ROUND_H * life.rng.uniform(0.9, 1.1)
        if life.rng.random() < 0.03:  # a round that nobody made
            return
        due = [n for n, s in enumerate(life.sumps) if s.sampled_h >= s.every_h - 0.5 * ROUND_H]
        _draw(life, due, "")
        for sump in life.sumps:
            if sump.age_h >= sump.part.kind.change_every_h - 0.5 * ROUND_H and sump.change_on < 0:
                later = life.rng.random() < 0.15
                sump.change_on = life.today + (int(life.rng.integers(1, 7)) if later else 0)
    asked = [n for n, s in enumerate(life.sumps) if 0 <= s.bottle_on <= life.today]
    _draw(life, asked, "repeat bottle")
    sooner = [n for n, s in enumerate(life.sumps) if s.sampled_h >= s.once_h]
    _draw(life, sooner, "asked for sooner")
    after = [n for n, s in enumerate(life.sumps) if life.run_h >= s.bottle_at_h]
    _draw(life, after, "after repair")


def _draw(life: Life, due: list[int], note: str) -> None:
    """One crew draws a bottle from each compartment in `due`."""
    if not due:
        return
    shares = np.array([c.share for c in life.crews])
    crew = life.crews[int(life.rng.choice(len(life.crews), p=shares / shares.sum()))]
    late = int(life.rng.integers(10, 30)) if life.rng.random() < crew.late else 0
    for n in due:
        sump = life.sumps[n]
        waits = sump.unsampled_until is not None and life.day < sump.unsampled_until
        if life.recording and not waits:
            _bottle(life, n, crew, late, note)
        sump.sampled_h, sump.added, sump.told = 0.0, 0.0, 0.0
        sump.load = float(lognormal(sump.rng, life.recipe.spread.load_cv))
        sump.bottle_on, sump.bottle_at_h, sump.once_h = -1, np.inf, np.inf


def _bottle(life: Life, n: int, crew: Crew, late: int, note: str) -> None:
    sump = life.sumps[n]
    part, noise = sump.part, life.recipe.noise
    true = life.amount[n] / life.volume[n]
    active = sump.fault is not None and life.run_h > sump.fault.onset_h
    grown = growth(sump.fault, life.run_h) if sump.fault is not None and active else 0.0
    particles = float(np.exp(0.4 * life.wander[n, 0])) * (
        1 + ((sump.fault.kind.particles if sump.fault else 1) - 1) * grown
    )
    result = analyse(noise, part, true, particles, crew=crew, bias=life.bias, rng=sump.rng)
    received = life.day + timedelta(days=max(1, round(life.site.post_days + life.rng.integers(-1, 3)) + late))
    reported = received + timedelta(days=max(1, round(life.lab.days + life.rng.integers(-1, 3))))
    sample = f"{life.machine.machine}-{len(life.books['samples']) + 1:04d}"
    if note == "repeat bottle":
        sump.again = sample
    row = _label(life, n, sample, crew, result=result, note=note)
    row |= {"lab": life.lab.laboratory, "received_on": received, "reported_on": reported, "result": result}
    row["true"] = {
        "run_h": life.run_h,
        "meter_h": life.meter_h,
        "fluid_h": sump.age_h,
        "life": sump.life,
        "makeup_l": sump.added,
        "volume_l": float(life.volume[n]),
        "share_of_way": share_of_way(sump.fault, life.run_h) if sump.fault is not None and active else 0.0,
        "cause": sump.fault.name if sump.fault is not None and active else "",
        "level": true,
        "rate": rates_now(life, n),
    }
    life.books["samples"].append(row)
    low = part.kind.sealed and row["fluid_level"] == "low"
    arrives = (reported - life.days[0]).days
    life.post.append(Letter(arrives, n, sample, result.values, low, life.run_h, sump.age_h))
    if part.kind.sealed and life.volume[n] < _LOW_SEALED * part.capacity_l:
        _top_up(life, n, crew)


def _label(life: Life, n: int, sample: str, crew: Crew, *, result: Result, note: str) -> dict[str, Any]:
    """What the crew wrote down: gaps, slips and all."""
    sump = life.sumps[n]
    rng, share = life.rng, life.volume[n] / sump.part.capacity_l
    u = rng.random(6)
    seen = "low" if share < _SEEN_LOW else "over" if share > _SEEN_OVER else "full"
    hours = round(life.meter_h)
    no_hours, slipped = u[0] < crew.no_hours, u[1] < crew.slip
    usual = "probe" if sump.part.kind.pressurised else "pump"
    stream_seen = result.drawing == "drain stream" and u[2] < 0.6
    return {
        "sample": sample,
        "compartment": sump.part.compartment,
        "drawn_on": life.day,
        "meter_h": None if no_hours else _slip(hours, rng) if slipped else hours,
        "fluid_h": round(sump.age_h) if u[3] < crew.label_fluid_h and not no_hours else None,
        "makeup_l": round(sump.told, 1) if u[4] < crew.label_makeup else None,
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


def change_fluids(life: Life) -> None:
    """Fluid changes planned for today; what stays behind varies about the kind's residual."""
    for n, sump in enumerate(life.sumps):
        if 0 <= sump.change_on <= life.today:
            kept = float(np.clip(sump.part.kind.residual * lognormal(sump.rng, life.recipe.spread.residual_cv), 0, 0.9))
            service(life, sump, "change", sump.part.capacity_l * (1 - kept))
            refill(life, n, kept)
            sump.change_on = -1


def check_levels(life: Life) -> None:
    """Mondays: unsealed compartments found low are filled up; a wrong can on its day."""
    for wrong in life.recipe.wrong_fluid:
        if life.day == life.recipe.end - timedelta(days=wrong.days_before_end):
            _wrong_can(life, wrong.compartment, content(life.recipe.fluids[wrong.with_fluid]), wrong.share)
    if life.day.isoweekday() != 1 or life.hours[life.today] <= 0:
        return
    for n, sump in enumerate(life.sumps):
        if not sump.part.kind.sealed and life.volume[n] < _LOW_UNSEALED * sump.part.capacity_l:
            crew = life.crews[int(life.rng.integers(len(life.crews)))]
            _top_up(life, n, crew)


def _top_up(life: Life, n: int, crew: Crew) -> None:
    sump = life.sumps[n]
    litres = sump.part.capacity_l - life.volume[n]
    fault = sump.fault
    water = fault is not None and fault.kind.topped_with and life.run_h > fault.onset_h
    fresh = content(life.recipe.fluids[fault.kind.topped_with]) if fault is not None and water else sump.part.fresh
    life.amount[n], life.volume[n] = add(life.amount[n], life.volume[n], litres, fresh)
    lost = life.rng.random() < crew.topup_lost
    sump.added += litres
    sump.told += litres
    told = round(litres * float(np.clip(life.rng.normal(1, 0.1), 0.7, 1.3)), 1)
    if not lost:
        service(life, sump, "top-up", max(told, 0.1))
    if life.recording:
        row = {"compartment": sump.part.compartment, "done_on": life.day, "litres": litres, "recorded": not lost}
        life.truth["topups"].append(
            row | {"fluid": fault.kind.topped_with if fault is not None and water else "as specified"}
        )


def _wrong_can(life: Life, compartment: str, other: np.ndarray, share: float) -> None:
    for n, sump in enumerate(life.sumps):
        if sump.part.compartment == compartment:
            litres = share * sump.part.capacity_l
            life.amount[n], life.volume[n] = drain_and_fill(
                life.amount[n], life.volume[n], 1 - litres / life.volume[n], other, life.volume[n]
            )
            row = {"compartment": compartment, "done_on": life.day, "litres": litres, "recorded": False}
            life.truth["topups"].append(row | {"fluid": "wrong fluid"})
