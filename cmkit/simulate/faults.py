"""Faults: when they begin, how they grow and what they do to a charge."""

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from cmkit.simulate.balance import CARRIED, INDEX, vector
from cmkit.simulate.parts import Part
from cmkit.simulate.recipe import FaultKind, Recipe

_WEIBULL_SHAPE = 2.0  # of the delay from onset to failure


@dataclass(frozen=True)
class Fault:
    """A fault of one compartment. It begins at running hour `onset_h`, or on day `onset_on` when that is set; it fails
    delay_h later.
    """

    fault: str
    compartment: str
    name: str
    kind: FaultKind
    onset_h: float
    onset_on: date | None
    delay_h: float
    left_open: bool
    planted: bool
    times: np.ndarray = field(repr=False)
    adds: np.ndarray = field(repr=False)
    removes: np.ndarray = field(repr=False)


def share_of_way(fault: Fault, run_h: float) -> float:
    """How far from onset to failure, 0 before the onset, 1 at failure."""
    return max(0.0, (run_h - fault.onset_h) / fault.delay_h)


def growth(faults: list[Fault], run_h: np.ndarray) -> np.ndarray:
    """Strength of each fault's effect at its machine's running hour, 0 to 1; both (n,)."""
    known = np.array([(f.onset_h, f.delay_h, f.kind.growth) for f in faults]).reshape(-1, 3)
    return np.asarray(np.clip((run_h - known[:, 0]) / known[:, 1], 0.0, 1.0) ** known[:, 2])


def planted_fault(recipe: Recipe, part: Part) -> Fault | None:
    """The fault the recipe sets by hand for this compartment, if any."""
    for planted in recipe.planted:
        if planted.compartment == part.compartment:
            onset = recipe.end - timedelta(days=planted.days_before_end)
            fault = _fault(recipe, part, planted.fault, onset_h=np.inf, onset_on=onset, delay_h=planted.delay_h)
            return Fault(**{**fault.__dict__, "left_open": planted.left_open, "planted": True})
    return None


def random_fault(recipe: Recipe, part: Part, run_h: float, rng: np.random.Generator) -> Fault | None:
    """The next fault of chance after running hour run_h: exponential time to onset, Weibull delay, kind by weight."""
    kinds = {name: kind for name, kind in recipe.faults.items() if part.kind_name in kind.where}
    onset = run_h + rng.exponential(1 / part.kind.fault_per_h)
    delay = part.kind.delay_mean_h * rng.weibull(_WEIBULL_SHAPE) / 0.886227  # mean of a Weibull of shape 2 and scale 1
    if not kinds:
        return None
    weights = np.array([kind.weight for kind in kinds.values()])
    name = str(rng.choice(list(kinds), p=weights / weights.sum()))
    return _fault(recipe, part, name, onset_h=onset, onset_on=None, delay_h=max(delay, 60.0))


def faults_to_come(recipe: Recipe, part: Part, until_h: float, rng: np.random.Generator) -> tuple[Fault, ...]:
    """Faults of chance of one compartment from running hour 0 to until_h, whatever is done about them: a Poisson
    process of onsets.
    """
    out: list[Fault] = []
    run_h = 0.0
    while (fault := random_fault(recipe, part, run_h, rng)) is not None and fault.onset_h < until_h:
        out.append(fault)
        run_h = fault.onset_h
    return tuple(out)


def _fault(recipe: Recipe, part: Part, name: str, *, onset_h: float, onset_on: date | None, delay_h: float) -> Fault:
    kind = recipe.faults[name]
    times = np.ones(len(CARRIED))
    for analyte, value in kind.times.items():
        times[INDEX[analyte]] = value
    return Fault(
        fault=f"{part.compartment}: {name}",
        compartment=part.compartment,
        name=name,
        kind=kind,
        onset_h=onset_h,
        onset_on=onset_on,
        delay_h=float(delay_h),
        left_open=False,
        planted=False,
        times=times,
        adds=vector(kind.adds),
        removes=vector(kind.removes),
    )
