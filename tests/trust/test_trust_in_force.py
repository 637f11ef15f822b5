"""Which fluid a bottle was drawn from. That a bottle is drawn before the work of its day is common practice (no
source).
"""

import pandas as pd
import pytest

from cmkit.trust.fluid import check_fluids, learn_fluids
from cmkit.trust.fluid_history import fluids_in_force
from cmkit.wear.conditions import fresh_values

PLACE = {"compartment": "M/engine", "machine": "M", "kind": "engine", "family": "f", "fluid": "engine oil",
    "grade": "SAE 15W-40"}  # fmt: skip


def made(make_fleet, bottle: dict, *work: dict):
    """One bottle of 2026-03-10 and services on that compartment, by default changes of that day."""
    place = {"compartment": "M/engine"}
    return make_fleet(
        sites=[{"site": "A"}], machines=[{"machine": "M", "site": "A", "kind": "k"}], compartments=[PLACE],
        samples=[place | {"sample": "S", "drawn_on": "2026-03-10", "Fe_ppm": 9.0} | bottle],
        services=[place | {"service": f"W{i}", "done_on": "2026-03-10", "kind": "change"} | w for i,
        w in enumerate(work)],
    ).as_of("2026-12-31")  # fmt: skip


OTHER = {"fluid": "gear oil", "grade": "SAE 50"}


@pytest.mark.parametrize(
    ("bottle", "work", "new"),
    [
        ({}, {}, False),
        ({}, {"done_on": "2026-03-09"}, True),
        ({}, {"done_on": "2026-03-11"}, False),
        ({}, {"done_on": "2026-03-09", "kind": "flush"}, True),
        ({}, {"done_on": "2026-03-09", "kind": "replace"}, True),
        ({}, {"done_on": "2026-03-09", "kind": "top-up"}, False),
        ({"fluid_h": 250.0}, {}, False),
        ({"fluid_h": 3.0}, {}, True),
        ({"fluid_h": 3.0}, {"kind": "replace"}, False),
        ({"meter_h": 1000.0}, {"meter_h": 998.0}, False),
        ({"meter_h": 1000.0}, {"meter_h": 985.0}, True),
    ],
)
def test_a_bottle_is_of_the_fluid_before_the_work_of_its_day_unless_hours_say_otherwise(make_fleet, bottle, work, new):
    """One rule for what its additives and its condition are held against."""
    known = made(make_fleet, bottle, OTHER | work)
    want = ["gear oil", "SAE 50"] if new else ["engine oil", "SAE 15W-40"]
    assert fluids_in_force(known).to_numpy().tolist() == [want]
    assert check_fluids(known, learn_fluids(known, known.settings.trust))["product"].tolist() == [" ".join(want)]
    exposure = pd.DataFrame({"sample": ["S"], "fluid_h": [250.0]})
    assert fresh_values(known, exposure, ["visc100_cSt"])[["fluid", "grade"]].to_numpy().tolist() == [want]


def test_what_a_service_leaves_open_is_as_the_compartment_says(make_fleet):
    known = made(make_fleet, {}, {"done_on": "2026-01-01", "grade": "SAE 10W-30"}, {"done_on": "2026-02-01"})
    assert fluids_in_force(known).to_numpy().tolist() == [["engine oil", "SAE 10W-30"]]


def test_the_later_of_two_changes_counts(make_fleet):
    known = made(make_fleet, {"fluid_h": 2.0}, OTHER | {"done_on": "2026-03-01"}, {"fluid": "engine oil B"})
    assert fluids_in_force(known).to_numpy().tolist() == [["engine oil B", "SAE 15W-40"]]
    assert len(fluids_in_force(made(make_fleet, {}).as_of("2026-01-01"))) == 0
