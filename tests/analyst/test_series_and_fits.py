"""One series and its fits: against statsmodels and scipy as peers, and against truth made by integrating the mass
balance hour by hour.
"""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.stats import theilslopes

import cmkit
from cmkit.analyst.fits import _BY, METHODS, pair_slopes
from cmkit.analyst.one_series import SERIES, cumulative_exposure
from cmkit.analyst.onset import change_point
from cmkit.errors import ParameterError

# invented: the demo opens a bearing fault here on 2026-03-04 (sample_data/truth/faults.csv)
CHANGED = "RH-02/final drive/left"


def test_a_series_has_its_exposure_counted_from_the_first_bottle(demo) -> None:
    got = cmkit.series(demo, CHANGED, "Fe_ppm", 12)
    assert list(got.columns) == SERIES
    assert got["run_h"].is_monotonic_increasing
    assert got.loc[0, ["phi", "psi", "chi", "kept", "effective_h"]].tolist() == [1, 0, 0, 1, 0]
    level = 50.0
    for r in got.iloc[1:].itertuples():  # step by step by what happened between bottles
        level = r.kept * level + 0.1 * r.effective_h
    last = got.iloc[-1]
    assert level == pytest.approx(last["phi"] * 50 + 0.1 * last["psi"], rel=1e-9)
    assert got["value"].tolist() == demo.samples.set_index("sample").loc[got["sample"], "Fe_ppm"].tolist()


def test_a_result_without_a_wear_rate_has_a_series_too(demo) -> None:
    got = cmkit.series(demo, "RH-02/engine", "visc100_cSt")
    assert got["value"].notna().all()
    assert got["rate"].isna().all()
    with pytest.raises(ParameterError, match="wanted one with a wear rate"):
        cmkit.refit(demo, "RH-02/engine", "visc100_cSt")


def test_cumulative_exposure_agrees_with_the_worked_example() -> None:
    """Exposure chain of 60 l, 12 % left at the change, 8 ppm to begin with, 0.04 ppm/h: 15.9644575, then 11.7393589 ppm
    by ODE.
    """
    phi, psi, chi = (
        np.array([1, 0.849332, 0.109235]),
        np.array([0, 227.64617, 239.0514]),
        np.array([0, 0.063952, 0.433430]),
    )
    whole = cumulative_exposure(phi, psi, chi)
    np.testing.assert_allclose(8 * whole[0] + 0.04 * whole[1] + whole[2], [8, 15.9644575, 11.7393589], rtol=2e-6)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda a: cmkit.series(a, "RH-02/engin"), "Did you mean 'RH-02/engine'"),
        (lambda a: cmkit.series(a, "RH-02/engine", "iron"), "analyte: found 'iron'"),
        (lambda a: cmkit.refit(a, "RH-02/engine", method="ols"), "method: found 'ols', wanted one of 'wls', 'huber', "
        "'theil-sen', 'filter'"),
        (lambda a: cmkit.refit(a, "RH-02/engine", bottles=2), "2 result.s. in its present life; wanted three"),
        (lambda a: cmkit.onset(a, "RH-02/engine", bottles=4), "wanted 5 or more"),
        (lambda a: cmkit.series(a, "RH-02/engine", life=9), "life: found '9', wanted one of '1'"),
    ],
)  # fmt: skip
def test_a_name_that_is_not_known_is_one_message(demo, call, said) -> None:
    with pytest.raises(ParameterError, match=said):
        call(demo)


def test_least_squares_is_that_of_statsmodels_on_effective_hours(demo) -> None:
    """statsmodels' WLS at the weights of the fitted levels: same level, rate and (noise known) standard error."""
    fit = cmkit.refit(demo, "RH-02/engine", "Fe_ppm", "wls")
    d = fit.data
    noise = demo.numbers.set_index(["family", "analyte"]).loc[
        (demo.compartments.set_index("compartment").loc["RH-02/engine", "family"], "Fe_ppm")
    ]
    variance = noise["noise_floor"] ** 2 + (noise["noise_share"] * d["fitted"]) ** 2
    peer = sm.WLS(d["value"] - d["chi"], d[["phi", "psi"]], weights=1 / variance).fit(cov_type="fixed scale")
    assert [fit.level, fit.rate / 1000] == pytest.approx(peer.params.tolist(), rel=1e-4)
    assert (fit.high - fit.low) / 2000 == pytest.approx(1.644854 * peer.bse["psi"], rel=1e-4)


def test_pair_slopes_without_changes_are_scipys_theil_sen() -> None:
    """Nothing carried away and nothing added: the corrected pair slopes are the plain ones of scipy's theilslopes."""
    rng = np.random.default_rng(4)
    psi = np.sort(rng.uniform(0, 4000, 15))
    y = 5 + 0.03 * psi + rng.normal(0, 4, 15)
    assert np.median(pair_slopes(y, np.ones(15), psi)) == pytest.approx(theilslopes(y, psi)[0], rel=1e-12)


def balance(rng: np.random.Generator, rate_at, bottles: int = 18) -> pd.DataFrame:
    """Truth by another route: iron in 60 l integrated hour by hour, a change every 1,000 h that leaves 8 %, a bottle
    about every 250 h.
    """
    hours = np.cumsum(rng.integers(220, 280, bottles))
    level, seen, since = 20.0, [], 0
    for h in range(hours[-1] + 1):
        if h in hours:
            seen.append(level)
        level += rate_at(h)
        since += 1
        if since == 1000:
            level, since = 0.08 * level, 0
    true = np.array(seen)
    sd = np.sqrt(0.5**2 + (0.08 * true) ** 2)
    changes = np.arange(1000, hours[-1] + 1, 1000)
    rows = []
    for a, b in zip(np.append(0, hours[:-1]), hours, strict=True):
        kept, effective = 1.0, 0.0
        for x, y in zip(
            *(lambda cut: (cut[:-1], cut[1:]))(np.array([a, *[c for c in changes if a < c <= b], b])), strict=True
        ):
            effective += y - x
            if y in changes and y > x:
                kept, effective = 0.08 * kept, 0.08 * effective
        rows.append((kept, effective))
    kept, effective = np.array(rows).T
    kept[0], effective[0] = 1.0, 0.0
    phi, psi, _ = cumulative_exposure(np.where(np.arange(bottles) == 0, 1.0, kept), effective, np.zeros(bottles))
    return pd.DataFrame({"run_h": hours.astype(float), "value": true + rng.normal(0, sd), "chi": 0.0, "phi": phi,
        "psi": psi, "kept": kept, "effective_h": effective, "expected": true, "rate": 0.05})  # fmt: skip


NOISE = pd.Series({"noise_floor": 0.5, "noise_share": 0.08, "load_share": 0.1, "rate_mean": 0.05})


def test_the_moment_of_a_change_is_found_with_an_interval_that_holds_it() -> None:
    """Sixty series whose rate trebles at a known hour: nine in ten intervals of 90 % hold it (binomial, 0.1 % either
    side), rates within a quarter.
    """
    held, rates = 0, []
    for seed in range(60):
        rng = np.random.default_rng(100 + seed)
        at = rng.uniform(1200, 3000)
        found = change_point(balance(rng, lambda h, at=at: 0.05 if h < at else 0.15), NOISE)
        held += found.hours[1] <= at <= found.hours[2]
        rates.append(found.rates)
        assert found.ratio > 8.85
    assert 46 <= held <= 60
    np.testing.assert_allclose(np.median(rates, axis=0), [0.05, 0.15], rtol=0.25)


def test_a_steady_rate_is_seldom_called_a_change() -> None:
    """Sixty steady series: no more than one in ten beyond the threshold meant for one in twenty (binomial, 0.1 %: 10 of
    60).
    """
    ratios = [
        change_point(balance(np.random.default_rng(500 + seed), lambda _: 0.05), NOISE).ratio for seed in range(60)
    ]
    assert sum(r >= 8.85 for r in ratios) <= 10


def test_the_four_methods_agree_on_a_steady_compartment_and_part_on_one_that_changed(demo) -> None:
    steady = [cmkit.refit(demo, "RH-02/engine", "Fe_ppm", m) for m in METHODS]
    assert max(f.low for f in steady) < min(f.high for f in steady)
    by = {m: cmkit.refit(demo, CHANGED, "Fe_ppm", m).rate for m in METHODS}
    # the filter follows the newest bottles, the others average over all twelve
    assert by["filter"] > 1.1 * max(rate for method, rate in by.items() if method != "filter")
    found = cmkit.onset(demo, CHANGED, "Fe_ppm")
    assert found.believed
    assert found.low_on <= pd.Timestamp("2026-04-30")
    assert found.high_on >= pd.Timestamp("2026-03-04")
    assert not cmkit.onset(demo, "RH-02/engine", "Fe_ppm").believed
    assert found.moments["weight"].sum() == pytest.approx(1)


@pytest.mark.parametrize(("method", "least"), [("wls", 46), ("huber", 46), ("theil-sen", 38)])
def test_intervals_hold_the_truth_as_often_as_is_said(method, least) -> None:
    """Sixty steady series of 12 bottles: intervals of 90 % hold the true rate (binomial, 0.1 %: 46 of 60); that of the
    pair slopes, 8 in 10 as its docstring says.
    """
    held = 0
    for seed in range(60):
        data = balance(np.random.default_rng(2000 + seed), lambda _: 0.05, 12).assign(below=False, above=False)
        _, low, high, _ = _BY[method](data, NOISE)
        held += low <= 0.05 <= high
    assert least <= held <= 60
