"""What a change leaves behind is learnt: on fleets of another generator that leaves another share than the kinds
assume.
"""

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from other_fleets import write_other_fleet
from other_kinds import Breakage

from cmkit.learn import newest_record
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.trust.hours import running_hours
from cmkit.wear.residual import learn_residuals
from cmkit.wear.timeline import timeline, usual_make_up, usual_pace, with_make_up, with_residuals

MACHINES, MONTHS, SEED = 8, 24, 311


def learnt_from(fleet: Fleet, day: str) -> pd.DataFrame:
    known = fleet.as_of(day)
    hours = running_hours(known)
    line = timeline(known, hours.samples, hours.services, usual_pace(known, hours.samples))
    line = with_make_up(line, usual_make_up(line))
    return learn_residuals(known, line, known.samples, with_own(known.settings.analytes)).set_index("kind")


@pytest.fixture(scope="module", params=[2.0, 0.5], ids=["twice", "half"])
def changed(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Fleet, pd.Series, pd.DataFrame]:
    """A fleet whose changes leave another share than assumed, the mean share they left (charge not filled anew), and
    what is learnt.
    """
    folder = tmp_path_factory.mktemp("other")
    write_other_fleet(folder, Breakage(residual_times=request.param), SEED, MACHINES, MONTHS)
    fleet = load_fleet(folder)
    work = fleet.services[fleet.services["kind"] == "change"].drop(columns="kind").merge(fleet.compartments)
    left = (1 - work["volume_l"] / work["capacity_l"]).groupby(work["kind"]).mean()
    return fleet, left, learnt_from(fleet, newest_record(fleet))


@pytest.mark.parametrize("kind", ["engine", "final drive", "hydraulic", "transmission"])
def test_the_share_that_stays_is_learnt(changed: tuple[Fleet, pd.Series, pd.DataFrame], kind: str) -> None:
    """Within two of its own standard deviations of the litres that were not filled anew, and nearer than the assumed
    share.
    """
    fleet, left, learnt = changed
    row = learnt.loc[kind]
    assert row["basis"] == "own changes"
    assert abs(row["residual"] - left[kind]) < 2 * row["residual_sd"]
    assumed = fleet.settings.kind(kind).residual
    assert abs(np.log(row["residual"] / left[kind])) < abs(np.log(assumed / left[kind]))


def test_a_young_fleet_keeps_the_assumed_share(changed: tuple[Fleet, pd.Series, pd.DataFrame]) -> None:
    """Two months after the first bottle a hydraulic system has hardly had a change."""
    fleet, _, _ = changed
    row = learnt_from(fleet, "2023-05-15").loc["hydraulic"]
    assumed = fleet.settings.kind("hydraulic")
    assert row["basis"] == "assumed"
    assert row["residual"] == assumed.residual
    assert row["residual_sd"] == pytest.approx(assumed.residual * assumed.residual_cv)


def test_a_fleet_without_bottles_has_none(small_fleet: Callable[..., tuple[Fleet, pd.DataFrame, pd.DataFrame]]) -> None:
    fleet, hours, services = small_fleet([{"compartment": "A/engine", "machine": "A", "kind": "engine"}], [], [])
    register = with_own(fleet.settings.analytes)
    line = timeline(fleet, hours, services, 0.0)
    assert learn_residuals(fleet, with_make_up(line, usual_make_up(line)), fleet.samples, register).empty


def test_a_kind_that_was_not_learnt_keeps_its_own() -> None:
    places = pd.DataFrame({"kind": ["engine", "other"], "residual": [0.1, 0.15], "residual_sd": [0.02, 0.03]})
    out = with_residuals(places, pd.DataFrame({"kind": ["engine"], "residual": [0.2], "residual_sd": [0.04]}))
    assert out["residual"].tolist() == [0.2, 0.15]
    assert out["residual_sd"].tolist() == [0.04, 0.03]
