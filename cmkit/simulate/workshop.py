"""Failures, results held against the card, looks inside, repairs."""

from bisect import insort
from dataclasses import replace
from datetime import timedelta

import numpy as np

from cmkit.simulate.balance import CARRIED, METALS
from cmkit.simulate.faults import Fault, random_fault, share_of_way
from cmkit.simulate.office import gained, over_card, rising
from cmkit.simulate.parts import draw_rates, lognormal
from cmkit.simulate.recipe import Office
from cmkit.simulate.state import Letter, Life, Sump, Yard, note_life, refill, service

LOOK_DOWNTIME_H = 3.0  # invented: what a look that shows nothing costs in lost hours
_SHORTEST_H = 100.0  # no rate is told from bottles closer together


def wake_faults(yard: Yard) -> None:
    """Faults set for a day begin on it."""
    for planted in yard.recipe.planted:
        if yard.day != yard.recipe.end - timedelta(days=planted.days_before_end):
            continue
        for sump in yard.sumps:
            fault = sump.fault
            if fault is not None and fault.onset_on == yard.day and sump.of.recording:
                sump.fault = replace(fault, onset_h=sump.of.run_h)


def fail(sump: Sump) -> None:
    """A fault that has come to its end becomes a failure, with a finding and a new component."""
    life = sump.of
    _finding(sump, "failed", sump.look_for if sump.look_on >= 0 else "")
    life.down_until = life.today + int(np.ceil(sump.part.kind.failure_downtime_h / 20))
    _mend(sump, "failed", share=1.0)


def read_letter(letter: Letter) -> None:
    """A result that reaches the office is held against the card and against the compartment's usual rise."""
    sump, sample = letter.sump, letter.row["sample"]
    life, office = sump.of, sump.of.recipe.office
    beyond = _beyond(office, sump, letter)
    repeat = sump.again != "" and sample >= sump.again
    if not beyond or sump.look_on >= 0:
        sump.again = "" if repeat else sump.again
    elif life.rng.random() > office.acted:
        return
    elif repeat or life.rng.random() < office.look_at_once:
        plan_look(sump, life.today + int(life.rng.integers(1, 7)), sample)
        sump.again = ""
    elif sump.again == "":
        sump.bottle_on = life.today + int(life.rng.integers(1, 5))


def plan_look(sump: Sump, on: int, prompt: str) -> None:
    """A look inside on a day (its index) that a bottle prompted, and the decision about it in the office's list."""
    life = sump.of
    sump.look_on, sump.look_for = on, prompt
    life.books["decisions"].append(
        {
            "decision": f"D-{sump.part.compartment}-{life.day:%y%m%d}",
            "compartment": sump.part.compartment,
            "owner": f"workshop lead, {life.machine.site}",
            "decided_on": life.day,
            "decided": "accepted",
            "why": f"look inside because of bottle {prompt}" if prompt else "look inside",
            "due_on": life.day + timedelta(days=on - life.today),
        }
    )


def _beyond(office: Office, sump: Sump, letter: Letter) -> bool:
    """Whether a result is out of line. One that is not becomes the bottle that the next one is compared with."""
    values, last = letter.values, sump.last
    beyond = letter.low or over_card(sump.card, values, sump.eased)
    gain: np.ndarray | None = None
    if last is not None:
        since = letter.run_h - last.run_h
        same_fluid = letter.age_h >= since
        hours = since if same_fluid else letter.age_h
        if hours >= _SHORTEST_H:
            gain = gained(values, last.values, 1.0 if same_fluid else sump.part.kind.residual, hours)
    beyond = beyond or (gain is not None and rising(office, sump.card, values, gain, sump.gains))
    if not beyond:
        sump.last = letter
        if gain is not None:
            for known, value in zip(sump.gains, gain.tolist(), strict=True):
                insort(known, value)
    return beyond


def look(sump: Sump) -> None:
    """A planned look, or a fault that an operator notices."""
    life, office, fault = sump.of, sump.of.recipe.office, sump.fault
    way = share_of_way(fault, life.run_h) if fault is not None else 0.0
    works = sump.yard.hours[life.today, life.at] > 0
    noticed = way > 0.5 and works and life.rng.random() < office.noticed_per_day
    planned = 0 <= sump.look_on <= life.today
    if not (planned or noticed) or (fault is not None and fault.left_open and way > 0):
        return
    prompt = sump.look_for if planned else ""
    sump.look_on, sump.look_for, sump.again = -1, "", ""
    if way >= office.seen_from and (noticed or life.rng.random() < office.found):
        _finding(sump, "defect", prompt)
        life.down_until = life.today + int(np.ceil(sump.part.kind.planned_downtime_h / 24))
        _mend(sump, "caught", share=way)
    else:
        _finding(sump, "no defect", prompt)
        sump.eased, sump.last = sump.eased * office.ease, None


def _finding(sump: Sump, outcome: str, prompt: str) -> None:
    life, kind = sump.of, sump.part.kind
    mean, stop = {
        "failed": (kind.failure_cost, kind.failure_downtime_h),
        "defect": (kind.planned_cost, kind.planned_downtime_h),
        "no defect": (kind.inspect_cost, LOOK_DOWNTIME_H),
    }[outcome]
    spread = life.recipe.money.spread_cv
    found = sump.fault.kind.found if sump.fault is not None and outcome != "no defect" else ["nothing found"]
    life.books["findings"].append(
        {
            "finding": f"F-{sump.part.compartment}-{life.day:%y%m%d}",
            "compartment": sump.part.compartment,
            "found_on": life.day,
            "meter_h": round(life.meter_h),
            "outcome": outcome,
            "cause": sump.fault.name if sump.fault is not None and outcome != "no defect" else "",
            "prompted_by": prompt,
            "cost": round(mean * float(lognormal(life.rng, spread)), -1),
            "downtime_h": round(stop * float(lognormal(life.rng, spread))),
            "recorded_on": life.day + timedelta(days=int(life.rng.integers(1, 9))),
            "note": found[int(life.rng.integers(len(found)))],
        }
    )


def _mend(sump: Sump, how: str, share: float) -> None:
    """After a failure or a find: repair or a new component, fresh fluid, a bottle 50 to 100 h later, the next fault of
    chance.
    """
    life, yard = sump.of, sump.yard
    _close_fault(sump, how)
    new = how == "failed" or share > life.recipe.office.replaced_from
    if new and sump.part.kind_name != "coolant":
        sump.life, sump.new_at_h = sump.life + 1, life.run_h
        yard.rates[sump.at] = draw_rates(life.recipe, sump.part, sump.rng)
        yard.wander[sump.at] = sump.rng.standard_normal(len(CARRIED))[: len(METALS)]
        service(sump, "replace", sump.part.capacity_l)
        refill(sump, kept=0.0)
        note_life(sump)
    else:
        service(sump, "repair", None)
        service(sump, "change", sump.part.capacity_l)
        refill(sump, kept=sump.part.kind.residual)
    sump.fault = next_fault(sump)
    sump.bottle_at_h, sump.once_h = life.run_h + sump.rng.uniform(50, 100), np.inf
    sump.last, sump.eased = None, 1.0
    sump.look_on, sump.look_for, sump.again, sump.bottle_on, sump.change_on = -1, "", "", -1, -1


def next_fault(sump: Sump) -> Fault | None:
    """The fault that comes after now: the next of those drawn beforehand, else one of chance."""
    run_h = sump.of.run_h
    if sump.coming is None:
        return random_fault(sump.of.recipe, sump.part, run_h, sump.rng)
    return next((fault for fault in sump.coming if fault.onset_h > run_h), None)


def _close_fault(sump: Sump, how: str) -> None:
    life, fault = sump.of, sump.fault
    if fault is None:
        return
    life.truth["faults"].append(
        {
            "compartment": fault.compartment,
            "cause": fault.name,
            "planted": fault.planted,
            "onset_h": fault.onset_h,
            "delay_h": fault.delay_h,
            "ended_on": life.day,
            "ended_h": life.run_h,
            "how": how,
        }
    )


def close_open_faults(life: Life) -> None:
    """At the end of the records: faults that have begun and are still there go into the truth as open."""
    for sump in life.sumps:
        if sump.fault is not None and life.run_h > sump.fault.onset_h:
            _close_fault(sump, "open")
