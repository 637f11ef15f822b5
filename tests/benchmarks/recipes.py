"""Variations of the demo recipe for calibrations: each a small function that returns a Recipe. All fleets are invented.

from recipes import VARIATIONS, fleet_of
fleet, truth = fleet_of(VARIATIONS["weak signatures"](), seed=201, cache=Path("/some/folder"))
"""

import hashlib
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.simulate.recipe import CompartmentKind, FaultKind, Recipe, demo_recipe
from cmkit.simulate.write import write_fleet

_TEXTS = ("cause", "exchanged_with", "corrected_analyte")
_DATES = ("opened_on", "ended_on", "from_on", "done_on")


def acting(recipe: Recipe | None = None) -> Recipe:
    """The demo recipe as it stands, with the office of the past; without typing mistakes, which belong to one seed."""
    return replace(recipe or demo_recipe(), mistakes=[], text="")


def nobody_acts(recipe: Recipe | None = None) -> Recipe:
    """No result is acted on and no operator notices anything: every fault runs to its failure or to the end of the
    records.
    """
    plain = acting(recipe)
    return replace(plain, office=replace(plain.office, acted=0.0, noticed_per_day=0.0))


def by_chance_alone() -> Recipe:
    """Nobody acts, and none of the demo's twelve faults set by hand is there: every fault arrives at its kind's rate,
    which is what a stated chance can be held against.
    """
    return replace(nobody_acts(), planted=[])


def weak_signatures() -> Recipe:
    """Every fault shows half as strongly: excess of rates, entries, removals, particles and leak all halved."""
    return _faults(nobody_acts(), _halved)


def new_components(extra: float = 3.0, faults_times: float = 1.0) -> Recipe:
    """Half of the machines begin work as new ones during the records, and every new component gives off `extra` times
    its steady wear on top of it at first; `faults_times` as many faults per operating hour.
    """
    recipe = _kinds(nobody_acts(), lambda kind: replace(kind, fault_per_h=faults_times * kind.fault_per_h))
    first, last = recipe.start + timedelta(days=120), recipe.end - timedelta(days=150)
    step = (last - first) / max(len(recipe.machines), 1)
    machines = [
        replace(m, since=first + n * step, meter_h=5.0, unsampled=[], new_meter_on=None) if n % 2 else m
        for n, m in enumerate(recipe.machines)
    ]
    spread = replace(recipe.spread, running_in=extra)
    return replace(recipe, spread=spread, machines=machines, planted=[], wrong_fluid=[])


def slow_growth() -> Recipe:
    """Faults take twice as long from onset to failure."""
    return _kinds(nobody_acts(), lambda kind: replace(kind, delay_mean_h=2 * kind.delay_mean_h))


def late_growth() -> Recipe:
    """Faults stay small for most of their way: the power of growth is doubled."""
    return _faults(nobody_acts(), lambda fault: replace(fault, growth=2 * fault.growth))


def noisy() -> Recipe:
    """One and a half times the noise of bottle and laboratory, metals and all else."""
    recipe = nobody_acts()
    noise = recipe.noise
    more = replace(
        noise,
        own=1.5 * noise.own,
        bottle=1.5 * noise.bottle,
        floor_ppm=1.5 * noise.floor_ppm,
        other_own={group: 1.5 * share for group, share in noise.other_own.items()},
        other_floor={analyte: 1.5 * floor for analyte, floor in noise.other_floor.items()},
    )
    return replace(recipe, noise=more)


def half_the_bottles() -> Recipe:
    """Every compartment is sampled at twice its interval."""
    return _kinds(nobody_acts(), lambda kind: replace(kind, sample_every_h=2 * kind.sample_every_h))


def many_faults(times: float = 3.0) -> Recipe:
    """`times` as many faults per operating hour in every kind."""
    return _kinds(nobody_acts(), lambda kind: replace(kind, fault_per_h=times * kind.fault_per_h))


def few_faults() -> Recipe:
    """Three faults where the demo has ten."""
    return many_faults(0.3)


def hydraulics_only() -> Recipe:
    """Machines with nothing but their hydraulic system, five times as many."""
    recipe = nobody_acts()
    kinds = {
        name: replace(kind, compartments=[c for c in kind.compartments if c[0] == "hydraulic"])
        for name, kind in recipe.machine_kinds.items()
    }
    machines = [replace(m, unsampled=[]) for m in recipe.machines if kinds[m.kind].compartments]
    return replace(recipe, machine_kinds=kinds, machines=machines, machines_times=5)


def one_laboratory() -> Recipe:
    """All sites send their bottles to the first laboratory."""
    recipe = nobody_acts()
    first = recipe.laboratories[0]
    sites = [replace(site, laboratory=first.laboratory) for site in recipe.sites]
    return replace(recipe, laboratories=[first], sites=sites)


VARIATIONS: dict[str, Callable[[], Recipe]] = {
    "demo office": acting,
    "nobody acts": nobody_acts,
    "by chance alone": by_chance_alone,
    "new components": new_components,
    "weak signatures": weak_signatures,
    "slow growth": slow_growth,
    "late growth": late_growth,
    "noise x1.5": noisy,
    "half the bottles": half_the_bottles,
    "faults x3": many_faults,
    "faults x.3": few_faults,
    "hydraulics only": hydraulics_only,
    "one laboratory": one_laboratory,
}


def fleet_of(recipe: Recipe, seed: int, cache: Path) -> tuple[Fleet, dict[str, pd.DataFrame]]:
    """(fleet as loaded from files, truth tables) of a recipe and seed; the files are written to `cache` the first time
    only.

    A recipe that differs in anything gets a folder of its own. After a change of cmkit.simulate itself, empty the
    cache.
    """
    named = replace(recipe, seed=seed)
    folder = cache / f"{hashlib.sha256(repr(named).encode()).hexdigest()[:16]}-{seed}"
    if not (folder / "truth" / "README.txt").exists():
        write_fleet(named, folder)
    return load_fleet(folder), read_truth(folder)


def read_truth(folder: Path) -> dict[str, pd.DataFrame]:
    """The tables of a fleet's truth/ folder by name, dates as dates and empty text as empty text."""
    out = {}
    for path in sorted((folder / "truth").glob("*.csv")):
        frame = pd.read_csv(path, dtype=dict.fromkeys(_TEXTS, "str"))
        for name in frame.columns.intersection(_DATES):
            frame[name] = pd.to_datetime(frame[name])
        for name in frame.columns.intersection(_TEXTS):
            frame[name] = frame[name].fillna("")
        out[path.stem] = frame
    return out


def _kinds(recipe: Recipe, change: Callable[[CompartmentKind], CompartmentKind]) -> Recipe:
    return replace(recipe, compartments={name: change(kind) for name, kind in recipe.compartments.items()})


def _faults(recipe: Recipe, change: Callable[[FaultKind], FaultKind]) -> Recipe:
    return replace(recipe, faults={name: change(kind) for name, kind in recipe.faults.items()})


def _halved(fault: FaultKind) -> FaultKind:
    return replace(
        fault,
        times={analyte: 1 + (times - 1) / 2 for analyte, times in fault.times.items()},
        adds={analyte: amount / 2 for analyte, amount in fault.adds.items()},
        removes={analyte: share / 2 for analyte, share in fault.removes.items()},
        particles=1 + (fault.particles - 1) / 2,
        leak=fault.leak / 2,
    )


def main(cache: str, *seeds: str) -> None:
    """CACHE SEED ...: writes every variation for every seed and prints how many bottles, faults and
    failures it holds.
    """
    for name, make in VARIATIONS.items():
        for seed in seeds:
            fleet, truth = fleet_of(make(), int(seed), Path(cache))
            how = truth["faults"]["how"].value_counts()
            print(
                f"{name:18} {seed} {len(fleet.samples):6} bottles {len(truth['faults']):4} faults "
                f"{how.get('failed', 0):4} failed"
            )


if __name__ == "__main__":
    main(*sys.argv[1:])
