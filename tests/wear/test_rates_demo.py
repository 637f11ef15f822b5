"""The demo fleet, whose truth is written beside its records: exposure against numerical integration, rates against the
true ones.

The truth comes from cmkit.simulate, which integrates the mass balance in small steps and borrows nothing from the
estimators.
"""

from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet
from cmkit.trust.hours import screen_hours, service_hours
from cmkit.wear.exposure import sample_exposure
from cmkit.wear.family import family_numbers
from cmkit.wear.rates import run_filter
from cmkit.wear.timeline import timeline, usual_make_up, usual_pace, with_changes, with_make_up

NINETY = 1.6448536


@pytest.fixture(scope="module")
def known(demo_fleet: Fleet) -> tuple[Any, pd.DataFrame, pd.DataFrame]:
    """The demo fleet at the end of its records, with hours."""
    view = demo_fleet.as_of(demo_fleet.samples["drawn_on"].max() + pd.Timedelta(days=60))
    return view, screen_hours(view), service_hours(view)


@pytest.fixture(scope="module")
def history(known: tuple[Any, pd.DataFrame, pd.DataFrame]) -> pd.DataFrame:
    register = with_own(known[0].settings.analytes)
    exposure = sample_exposure(*known)
    return run_filter(
        exposure, known[0].samples, family_numbers(exposure, known[0].samples, register), register, accept_changes=True
    ).history


def release(t: float, mass: float, w: float, out: float, added: float, volume: float, loss: float) -> float:
    """Change of the mass of metal: released, carried out with fluid, brought in with make-up."""
    return w - out * mass / (volume - loss * t) + added


def integrated(events: pd.DataFrame, level: float, w: float, fresh: float) -> list[float]:
    """Levels at the bottles of one life, by integrating mass and volume between events."""
    capacity, kappa = events["volume_l"].iloc[0], events["carry_out"].iloc[0]
    volume, mass, out = capacity, level * capacity, []
    for e in events.itertuples():
        if e.hours > 0:
            flow = partial(
                release, w=w, out=kappa * (e.loss + e.make_up), added=e.make_up * fresh, volume=volume, loss=e.loss
            )
            mass = solve_ivp(flow, (0, e.hours), [mass], rtol=1e-12, atol=1e-12, method="DOP853").y[0, -1]
            volume -= e.loss * e.hours
        if e.what == "change":
            mass, volume = (mass / volume * e.amount + fresh * (1 - e.amount)) * capacity, capacity
        elif e.what == "top_up":
            poured = min(e.amount, capacity - volume)
            mass, volume = mass + fresh * poured, volume + poured
            mass += (e.amount - poured) * (fresh - kappa * mass / volume)
        else:
            out.append(mass / volume)
    return out


@pytest.mark.parametrize("kind", ["engine", "hydraulic", "final drive", "transmission"])
def test_the_chain_is_the_integral_of_the_mass_balance(
    known: tuple[Any, pd.DataFrame, pd.DataFrame], kind: str
) -> None:
    """Three compartments of each kind, all their events, level by level to 1e-9."""
    line, exposure = timeline(*known, usual_pace(*known[:2])), sample_exposure(*known)
    line = with_changes(with_make_up(line, usual_make_up(line)))
    held = line[(line["kind"] == kind) & (line["life"] == 1)]
    names = held["compartment"].unique()[:3]
    bottles = 0
    for name in names:
        events = held[held["compartment"] == name]
        rows = exposure[(exposure["compartment"] == name) & (exposure["life"] == 1)]
        w = 0.05 * events["volume_l"].iloc[0]
        level, chained = 20.0, []
        for e in rows.itertuples():
            level = e.phi * level + 0.05 * e.psi + 2.0 * e.chi
            chained.append(level)
        assert_allclose(chained, integrated(events, 20.0, w, 2.0), rtol=1e-9)
        bottles += len(rows)
    assert bottles > 20


def test_rates_of_sound_compartments_are_covered(root: Path, history: pd.DataFrame) -> None:
    """90 % interval of the rate, second bottle on, no fault present and label right: .85-.98 of each metal; median bias
    of all within 5 %.
    """
    truth = pd.read_csv(root / "sample_data/truth/samples.csv", dtype={"sample": str})
    rows = history[history["order"] >= 1].merge(truth, on="sample", suffixes=("", "_true"))
    rows = rows[rows["cause"].isna() & rows["exchanged_with"].isna()]
    true = np.array([getattr(r, f"{r.analyte}_rate") for r in rows.itertuples()])
    inside = ((rows["rate"] - true).abs() <= NINETY * rows["rate_sd"]).groupby(rows["analyte"]).mean()
    assert inside.min() >= 0.85, inside
    assert inside.max() <= 0.98, inside
    assert abs(np.median(rows["rate"] / true) - 1) <= 0.05


def test_results_of_sound_bottles_are_expected(root: Path, history: pd.DataFrame) -> None:
    """Bottles with nothing wrong: 90 % interval of the next result .86-.95, and z >= 3 in at most .006 of results."""
    truth = pd.read_csv(root / "sample_data/truth/samples.csv", dtype={"sample": str})
    rows = history[(history["order"] >= 1) & ~history["below"]].merge(truth, on="sample", suffixes=("", "_true"))
    fine = (
        rows["cause"].isna() & rows["exchanged_with"].isna() & (rows["drawing"] == "good") & ~rows["slip"].astype(bool)
    )
    z = rows.loc[fine & rows["corrected_analyte"].isna(), "z"]
    assert 0.86 <= (z.abs() <= NINETY).mean() <= 0.95
    assert (z >= 3).mean() <= 0.006
