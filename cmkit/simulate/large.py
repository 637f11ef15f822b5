"""A large invented fleet in a store: the recipe's sites again and again under new names, a few of them simulated in a
task and each written at once, so that no process holds more than these.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from datetime import date
from itertools import chain
from pathlib import Path
from typing import Any

import pandas as pd

from cmkit.errors import CmkitError
from cmkit.records.reading.load import with_families
from cmkit.records.storing.store import begin_store
from cmkit.simulate.invented_fleet import lived, tables_of
from cmkit.simulate.recipe import Recipe

_TOGETHER = 250  # compartments of a task: a day of simulation costs little more for many than for one

Tables = dict[str, pd.DataFrame]
_Task = list[Recipe]  # of one site each
_Done = list[tuple[str, Tables]]


def _one_after_another(
    work: Callable[[_Task], _Done], jobs: Iterable[_Task], lost: Callable[[_Task, str], _Done]
) -> Iterator[_Done]:
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

    Copies have sites and machines of their own (`NAME-2`, ...) and no planted faults. joined (1 or more): so many
    copies of a site make one larger site. each: who does the tasks, such as `cmkit.engine.Workers().each`; the same
    records whoever does. StoreError where a store is there already.
    """
    tasks = _tasks(_sites(_over(recipe, round(12 * years)), times, joined))
    return begin_store(store, recipe.fleet_toml, chain.from_iterable(each(_simulated, tasks, _lost)))


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


def _tasks(sites: Iterable[Recipe]) -> Iterator[_Task]:
    """Sites one after another until they have enough compartments together."""
    task: _Task = []
    size = 0
    for own in sites:
        task.append(own)
        size += sum(len(own.machine_kinds[m.kind].compartments) for m in own.machines)
        if size >= _TOGETHER:
            yield task
            task, size = [], 0
    if task:
        yield task


def _simulated(task: _Task) -> _Done:
    machines, sites = ([x for own in task for x in getattr(own, name)] for name in ("machines", "sites"))
    lives, done = lived(replace(task[0], machines=machines, sites=sites)), []
    for own in task:
        site = own.sites[0].site
        tables = tables_of(own, [life for life in lives if life.site.site == site])
        tables["compartments"] = with_families(tables["compartments"], tables["machines"])
        done.append((site, tables))
    return done


def _lost(task: _Task, error: str) -> _Done:
    names = ", ".join(own.sites[0].site for own in task)
    raise CmkitError(f"{names}: the process that simulated them was killed, twice ({error}). Was there memory?")
