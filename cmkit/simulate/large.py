"""A large invented fleet in a store: the recipe's sites again and again under new names, each simulated and written in
a task of its own, so that no process holds more than a few sites.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from cmkit.errors import CmkitError
from cmkit.records.reading.load import with_families
from cmkit.records.storing.store import begin_store
from cmkit.simulate.invented_fleet import lived, tables_of
from cmkit.simulate.recipe import Recipe


@dataclass(frozen=True)
class _Site:
    recipe: Recipe
    site: str


Tables = dict[str, pd.DataFrame]


def _one_after_another(
    work: Callable[[_Site], tuple[str, Tables]], jobs: Iterable[_Site], lost: Callable[[_Site, str], tuple[str, Tables]]
) -> Iterator[tuple[str, Tables]]:
    del lost
    return map(work, jobs)


def write_large(
    recipe: Recipe,
    store: Path,
    times: int,
    years: float,
    *,
    joined: int = 1,
    each: Callable[..., Any] = _one_after_another,
) -> int:
    """Write the fleet of a recipe `times` over, with records of so many years up to its last day, as a store's first
    version; how many bottles.

    Copies have sites and machines of their own (`NAME-2`, ...) and no planted faults; joined (1 or more): so many
    copies of a site make one larger site. each: who does the tasks, such as `cmkit.engine.Workers().each`; the same
    records whoever does. StoreError where a store is there already.
    """
    jobs = (_Site(own, own.sites[0].site) for own in _sites(_over(recipe, round(12 * years)), times, joined))
    return begin_store(store, recipe.fleet_toml, each(_simulated, jobs, _lost))


def _over(recipe: Recipe, months: int) -> Recipe:
    """The recipe with records of so many months up to its last day; machines as old on the first of them as before."""
    first = 12 * recipe.end.year + recipe.end.month - months
    start = date(first // 12, first % 12 + 1, 1)
    machines = [replace(m, since=min(m.since, m.since + (start - recipe.start))) for m in recipe.machines]
    return replace(recipe, start=start, months=months, machines=machines)


def _sites(recipe: Recipe, times: int, joined: int) -> Iterator[Recipe]:
    """A recipe of each site alone, of `joined` copies (the last of fewer), one after another."""
    more = [""] + [f"-{copy}" for copy in range(2, times + 1)]
    for first in range(0, times, joined):
        for site in recipe.sites:
            own = replace(site, site=f"{site.site}{more[first]}", name=f"{site.name}{more[first]}")
            machines = [
                replace(m, machine=f"{m.machine}{copy}", site=own.site)
                for copy in more[first : first + joined]
                for m in recipe.machines
                if m.site == site.site
            ]
            if machines:
                yield replace(recipe, sites=[own], machines=machines, machines_times=1)


def _simulated(job: _Site) -> tuple[str, Tables]:
    tables = tables_of(job.recipe, lived(job.recipe))
    tables["compartments"] = with_families(tables["compartments"], tables["machines"])
    return job.site, tables


def _lost(job: _Site, error: str) -> tuple[str, Tables]:
    raise CmkitError(f"site {job.site}: the process that simulated it was killed, twice ({error}). Was there memory?")
