"""A large fleet in a store: the records of a machine are the same however sites are joined and whoever simulates them;
they are those of the same machines simulated by themselves.
"""

from dataclasses import replace

import pandas as pd
import pytest

from cmkit.records.storing.versions import read_table
from cmkit.simulate.invented_fleet import simulate_fleet
from cmkit.simulate.large import write_large
from cmkit.simulate.recipe import demo_recipe

EVENTS = {"samples": "compartment", "services": "compartment", "findings": "compartment", "meters": "machine"}


@pytest.fixture(scope="module")
def recipe():
    """Four machines of two sites, without faults set by hand."""
    machines = [m for m in demo_recipe().machines if m.machine in ("RH-03", "RH-05", "WL-04", "EX-04")]
    return replace(demo_recipe(), machines=machines, planted=[], wrong_fluid=[], mistakes=[], text="")


@pytest.fixture(scope="module")
def stores(recipe, tmp_path_factory):
    """The machines three times over, half a year of records, apart and with two copies of a site joined into one."""
    folder = tmp_path_factory.mktemp("large")
    for joined in (1, 2):
        write_large(recipe, folder / str(joined), 3, 0.5, joined=joined)
    return folder / "1", folder / "2"


def rows_of(store, table: str) -> pd.DataFrame:
    rows = read_table(store, table).drop(columns=["file", "row"], errors="ignore")
    return rows.sort_values(list(rows.columns[:3]), kind="stable", ignore_index=True)


def test_joined_sites_hold_the_same_machines_and_records(stores):
    apart, joined = stores
    assert len(read_table(joined, "sites")) < len(read_table(apart, "sites"))
    machines = rows_of(joined, "machines")
    pd.testing.assert_frame_equal(rows_of(apart, "machines").drop(columns="site"), machines.drop(columns="site"))
    assert machines.groupby("site")["machine"].size().max() > rows_of(apart, "machines").groupby("site").size().max()
    for table in ("samples", "services", "meters"):
        assert len(rows_of(apart, table)) > 20
        pd.testing.assert_frame_equal(rows_of(apart, table), rows_of(joined, table))


def test_records_are_those_of_the_machines_simulated_by_themselves(stores, recipe):
    """One machine of the second copy alone, by `simulate_fleet`, over the same half year."""
    machine = next(m for m in recipe.machines if m.machine == "EX-04")
    alone = replace(recipe, start=recipe.end.replace(month=1, day=1), months=6)
    since = min(machine.since, machine.since + (alone.start - recipe.start))
    tables, _ = simulate_fleet(replace(alone, machines=[replace(machine, machine="EX-04-2", since=since)]))
    for table, column in EVENTS.items():
        rows = rows_of(stores[1], table)
        own = rows[rows[column].str.split("/").str[0] == "EX-04-2"].reset_index(drop=True)
        expected = tables[table].sort_values(list(tables[table].columns[:3]), kind="stable", ignore_index=True)
        pd.testing.assert_frame_equal(own[expected.columns], expected, check_dtype=False)
