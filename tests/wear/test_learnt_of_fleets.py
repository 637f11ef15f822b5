"""What is learnt of a fleet beside its rates (seasons, laboratories, fresh fluids, drift, make-up not on record), from the
records of another generator that wrote its truth beside them; and the equations behind it against numbers got by
another way.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import norm

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import calibrate_limits
import other_fleets
from other_kinds import Breakage

from cmkit.learn import learn, newest_record
from cmkit.learnt import Learnt
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.trust.hours import running_hours
from cmkit.wear.fit import usable_exposure
from cmkit.wear.fitted_limits import fit_families, shrunk_percentiles
from cmkit.wear.laboratory_bias import on_one_scale
from cmkit.wear.percentiles import LEFT, RIGHT, censored_normal
from cmkit.wear.profile import posterior
from cmkit.wear.rounding import repeated_error
from cmkit.wear.season import harmonics, season_factor

SEED, MACHINES, MONTHS = 312, 8, 26
CALM = Breakage(topups_missing=0.9)
YEARLY = Breakage(season=0.3, fresh_si=20.0, fresh_cu=10.0)
TWO = Breakage(lab_sd=0.25, wander=0.35, random_walk=True)


@pytest.fixture(scope="module")
def taught(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Fleet, Learnt]]:
    """Three fleets with what they teach: calm, with a season and two fresh fluids, with two laboratories and rates that
    wander.
    """
    out = {}
    for name, breakage in (("calm", CALM), ("yearly", YEARLY), ("two", TWO)):
        folder = tmp_path_factory.mktemp(name)
        other_fleets.write_other_fleet(folder, breakage, SEED, MACHINES, MONTHS)
        fleet = load_fleet(folder)
        out[name] = fleet, learn(fleet, newest_record(fleet))
    return out


@pytest.mark.slow
def test_a_season_of_the_site_is_found_with_its_size_and_its_time(taught: dict[str, tuple[Fleet, Learnt]]) -> None:
    """Truth: 1 + 0.3 sin of the day of the year, in every kind."""
    seasons = taught["yearly"][1].seasons
    assert len(seasons) >= 5
    assert (seasons["sin_share"] - 0.3).abs().max() < 0.12
    assert abs(seasons["sin_share"].mean() - 0.3) < 0.05
    assert seasons["cos_share"].abs().max() < 0.12


def test_a_fleet_without_them_has_no_season_no_second_laboratory_and_one_fresh_fluid(
    taught: dict[str, tuple[Fleet, Learnt]],
) -> None:
    learnt = taught["calm"][1]
    assert learnt.seasons.empty
    assert learnt.laboratory_bias.empty
    assert learnt.own_fresh.empty
    assert learnt.numbers["drift_share"].max() < 0.2


def test_rates_that_wander_have_a_drift_near_the_true_one(taught: dict[str, tuple[Fleet, Learnt]]) -> None:
    """Truth: a random walk of 0.35 per sqrt(1000 h) in every kind."""
    drift = taught["two"][1].numbers.drop_duplicates("family")["drift_share"]
    assert drift.between(0.25, 0.5).all()


def test_laboratories_are_held_against_one_another(taught: dict[str, tuple[Fleet, Learnt]]) -> None:
    """The second laboratory's true factors, drawn by the generator; errors within three of their sds, and most of the
    difference found.
    """
    true = dict(zip(other_fleets.BALANCED, np.log(other_fleets.begin(TWO, SEED, MACHINES).laboratory), strict=True))
    found = taught["two"][1].laboratory_bias
    found["true"] = found["analyte"].map(true)
    off = found["log_bias"] - found["true"]
    assert (off.abs() < 3 * found["log_sd"] + 0.05).mean() > 0.9
    assert np.sqrt((off**2).mean()) < 0.6 * np.sqrt((found["true"] ** 2).mean())


def test_results_come_on_one_scale(taught: dict[str, tuple[Fleet, Learnt]]) -> None:
    fleet, learnt = taught["two"]
    kinds = fleet.compartments.set_index("compartment")["kind"]
    scaled = on_one_scale(fleet.samples, kinds, learnt.laboratory_bias)
    row = learnt.laboratory_bias.iloc[0]
    own = (fleet.samples["lab"] == row["lab"]) & (fleet.samples["compartment"].map(kinds) == row["kind"])
    ratio = (scaled[row["analyte"]] / fleet.samples[row["analyte"]]).dropna()
    np.testing.assert_allclose(ratio[own.reindex(ratio.index)], np.exp(-row["log_bias"]))
    assert (ratio[fleet.samples["lab"].reindex(ratio.index) != row["lab"]] == 1).all()


def test_the_fresh_fluid_of_a_compartment_is_learnt_at_its_changes(taught: dict[str, tuple[Fleet, Learnt]]) -> None:
    """Truth: 20 ppm silicon and 10 ppm copper more in the fresh fluid of every second pair of machines."""
    own = taught["yearly"][1].own_fresh
    engines = own[own["compartment"].str.endswith("/engine")]
    other = engines["compartment"].str[2:4].astype(int).sub(1).floordiv(2).mod(2) == 1
    for analyte, more in (("Si_ppm", 20.0), ("Cu_ppm", 10.0)):
        rows = engines["analyte"] == analyte
        apart = engines.loc[rows & other, "offset_ppm"].mean() - engines.loc[rows & ~other, "offset_ppm"].mean()
        assert apart == pytest.approx(more, rel=0.15)


def test_make_up_that_is_seldom_on_record_widens_the_rate(taught: dict[str, tuple[Fleet, Learnt]]) -> None:
    """Nine of ten top-ups are not on record; final drives are sealed."""
    fleet, learnt = taught["calm"]
    known = fleet.as_of(newest_record(fleet))
    exposure = usable_exposure(known, running_hours(known), learnt)
    hydraulic, sealed = (exposure[exposure["kind"] == k] for k in ("hydraulic", "final drive"))
    assert "half" in set(hydraulic["makeup_basis"])
    assert (hydraulic["makeup_sd"] > 0).all()
    assert set(sealed["makeup_basis"]) == {"record"}
    assert (sealed["makeup_sd"] == 0).all()


@pytest.mark.parametrize(("start", "end"), [(19000.0, 19030.0), (19000.0, 19200.0), (19000.0, 19000.0 + 365.25)])
def test_means_of_the_time_of_the_year(start: float, end: float) -> None:
    """Against numerical integration."""
    w = 2 * np.pi / 365.25
    wanted = [quad(lambda t, f=f: f(w * t), start, end)[0] / (end - start) for f in (np.sin, np.cos)]
    np.testing.assert_allclose(harmonics(start, end), wanted, atol=1e-9)


def test_a_kind_and_site_without_a_season_has_a_factor_of_one() -> None:
    seasons = pd.DataFrame({"kind": ["a"], "site": ["x"], "sin_share": [0.2], "cos_share": [0.0]})
    rows = pd.DataFrame({"kind": ["a", "b"], "site": ["x", "x"]})
    quarter = 365.25 / 4
    np.testing.assert_allclose(season_factor(rows, seasons, [quarter] * 2, [quarter] * 2), [1.2, 1.0])


@pytest.mark.parametrize("scatter", [0.0, 0.5, 1.0, 2.5])
def test_the_part_of_rounding_that_repeats(scatter: float) -> None:
    """Against a direct sum: the mean error at each of many levels, by the normal chances of every step of 5 ppm."""
    levels, steps = np.linspace(0, 5, 2001)[:-1], 5.0 * np.arange(-20, 21)
    from_here = (steps[None, :] - levels[:, None]) / max(scatter, 1e-9)
    half = 2.5 / max(scatter, 1e-9)
    weights = norm.cdf(from_here + half) - norm.cdf(from_here - half)
    mean_error = (weights * (steps[None, :] - levels[:, None])).sum(axis=1)
    assert repeated_error(5.0, scatter) == pytest.approx(np.var(mean_error), rel=0.03, abs=1e-6)


def test_a_censored_value_may_count_twice() -> None:
    y = np.array([1.0, 1.5, 2.0, 2.2, 2.6, 3.0, 3.0, 0.5])
    status = np.array([0, 0, 0, 0, 0, RIGHT, RIGHT, LEFT])
    twice = censored_normal(np.r_[y, 3.0, 3.0], np.r_[status, RIGHT, RIGHT])
    weighed = censored_normal(y, status, weight=np.where(status == RIGHT, 2.0, 1.0))
    np.testing.assert_allclose([weighed.mu, weighed.s], [twice.mu, twice.s], rtol=1e-9)


def test_sick_bottles_do_not_lift_the_limit() -> None:
    """Families with 4 % bottles at 3 to 8 times their level: the limit was 10 % high when the trimmed tenth was all taken
    as sound; its lower bound of 90 % held for .7.
    """
    drawn = calibrate_limits.draw_families(64, 10, 0.04, np.random.default_rng(77))
    fits = fit_families(*(drawn[k] for k in ("x", "below", "family", "parent", "compartment")))
    found = shrunk_percentiles(fits, drawn["parent"], calibrate_limits.ALARM)
    assert abs(np.mean(np.log(found.alarm) - drawn["true"])) < 0.05
    assert np.mean(np.log(found.low) <= drawn["true"]) > 0.8


def test_a_posterior_is_the_product_of_normals() -> None:
    """Likelihood N(1, 0.3^2) and prior N(0, 0.4^2): mean and sd in closed form."""
    tried = np.linspace(-1.5, 1.5, 7)
    mean, sd = posterior(tried, -0.5 * ((tried - 1.0) / 0.3) ** 2, 0.4)
    precision = 1 / 0.3**2 + 1 / 0.4**2
    assert mean == pytest.approx(1 / 0.3**2 / precision, abs=0.01)
    assert sd == pytest.approx(precision**-0.5, rel=0.05)
