"""A large invented fleet in a store: the recipe's sites again and again under new names, each simulated and written in
a task of its own, so that no process holds more than a few sites.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from itertools import chain
from pathlib import Path
from typing import Any

import pandas as pd

from cmkit.errors import CmkitError
from cmkit.records.reading.load import with_families
from cmkit.records.storing.sites import begin_store
from cmkit.simulate.invented_fleet import simulate_fleet
from cmkit.simulate.recipe import Recipe

_AT_ONCE = 8  # own choice: sites of one task; days of more machines at once take less, but a task must stay small
_OF_MACHINES = ("machines", "compartments", "meters")
_OF_COMPARTMENTS = ("samples", "services", "findings", "decisions")


@dataclass(frozen=True)
class _Sites:
    """Some sites of a fleet: a recipe of each alone."""

    recipes: tuple[Recipe, ...]

    @property
    def names(self) -> str:
        return ", ".join(own.sites[0].site for own in self.recipes)


Tables = dict[str, pd.DataFrame]
Written = list[tuple[str, Tables]]


def _one_after_another(
    work: Callable[[_Sites], Written], jobs: Iterable[_Sites], lost: Callable[[_Sites, str], Written]
) -> Iterator[Written]:
    del lost
    return map(work, jobs)


def write_large(
    recipe: Recipe, store: Path, times: int, years: float, *, each: Callable[..., Any] = _one_after_another
) -> int:
    """Write the fleet of a recipe `times` over, with records of so many years up to its last day, as a store's first
    version; how many bottles.

    Copies have sites and machines of their own (`NAME-2`, ...) and no planted faults. each: who does the tasks, such as
    `cmkit.engine.Workers().each`; the same records whoever does. StoreError where a store is there already.
    """
    sites = list(_sites(_over(recipe, round(12 * years)), times))
    size = min(_AT_ONCE, max(1, len(sites) // 4))
    jobs = (_Sites(tuple(sites[n : n + size])) for n in range(0, len(sites), size))
    return begin_store(store, recipe.fleet_toml, chain.from_iterable(each(_simulated, jobs, _lost)))


def _over(recipe: Recipe, months: int) -> Recipe:
    """The recipe with records of so many months up to its last day; machines as old on the first of them as before."""
    first = 12 * recipe.end.year + recipe.end.month - months
    start = date(first // 12, first % 12 + 1, 1)
    machines = [replace(m, since=min(m.since, m.since + (start - recipe.start))) for m in recipe.machines]
    return replace(recipe, start=start, months=months, machines=machines)


def _sites(recipe: Recipe, times: int) -> Iterator[Recipe]:
    """A recipe of each site alone, copy after copy."""
    for copy in range(1, times + 1):
        more = "" if copy == 1 else f"-{copy}"
        for site in recipe.sites:
            name = f"{site.site}{more}"
            machines = [
                replace(m, machine=f"{m.machine}{more}", site=name) for m in recipe.machines if m.site == site.site
            ]
            if machines:
                own = replace(site, site=name, name=f"{site.name}{more}")
                yield replace(recipe, sites=[own], machines=machines, machines_times=1)


def _simulated(job: _Sites) -> Written:
    """Name and records of each site; their machines are run together, for no machine's days depend on the others."""
    first = job.recipes[0]
    sites, machines = ([x for own in job.recipes for x in getattr(own, name)] for name in ("sites", "machines"))
    tables, _ = simulate_fleet(replace(first, sites=sites, machines=machines))
    tables["compartments"] = with_families(tables["compartments"], tables["machines"])
    return [(site.site, _of_site(tables, site.site)) for site in sites]


def _of_site(tables: Tables, site: str) -> Tables:
    """A site's rows of every table."""
    machines = tables["machines"].loc[tables["machines"]["site"] == site, "machine"]
    places = tables["compartments"]
    places = places.loc[places["machine"].isin(machines), "compartment"]
    own = {"sites": tables["sites"]["site"] == site}
    own |= {name: tables[name]["machine"].isin(machines) for name in _OF_MACHINES}
    own |= {name: tables[name]["compartment"].isin(places) for name in _OF_COMPARTMENTS}
    bottles = tables["samples"].loc[own["samples"], "sample"]
    own["corrections"] = tables["corrections"]["sample"].isin(bottles)
    return {name: tables[name][rows].reset_index(drop=True) for name, rows in own.items()}


def _lost(job: _Sites, error: str) -> Written:
    raise CmkitError(
        f"sites {job.names}: the process that simulated them was killed, twice ({error}). Was there memory?"
    )
