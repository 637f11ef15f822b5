"""The screens on the demo fleet's own records, held against its truth (invented; no estimator reads it)."""

import numpy as np
import pandas as pd
import pytest
from made_learnt import screened as judged_by_itself

from cmkit.records.analytes import with_own
from cmkit.trust.hours import screen_hours, service_hours
from cmkit.wear.exposure import sample_exposure
from cmkit.wear.family import family_numbers
from cmkit.wear.rates import run_filter


@pytest.fixture(scope="module")
def screened(root, demo_fleet):
    """hours, trust, doubts and history of the demo fleet, joined to the truth of each bottle."""
    known = demo_fleet.as_of("2026-06-30")
    register = with_own(known.settings.analytes)
    hours = screen_hours(known)
    exposure = sample_exposure(known, hours, service_hours(known))
    numbers = family_numbers(exposure, known.samples, register)
    history = run_filter(exposure, known.samples, numbers, register, accept_changes=False).history
    before = history.copy()
    found = judged_by_itself(known, exposure, history, register)
    trust, doubts = found.trust, found.doubts
    pd.testing.assert_frame_equal(history, before)
    truth = pd.read_csv(root / "sample_data" / "truth" / "samples.csv")
    truth = truth[truth["sample"].isin(known.samples["sample"])]
    truth = truth.merge(exposure[["sample", "order"]], on="sample", how="left")
    return hours, trust, doubts, truth


def called(doubts, kind):
    return set(doubts.loc[doubts["doubt"] == kind, "sample"])


def test_every_slip_in_the_hours_is_mended(screened):
    """Meter and running hours differ by what the machine ran before; within a machine they must agree."""
    hours, _, _, truth = screened
    both = truth.drop(columns="compartment").merge(hours, on="sample", suffixes=("_true", ""))
    apart = both["run_h"] - both["run_h_true"]
    apart -= apart.groupby(both["compartment"].str.split("/").str[0]).transform("median")
    assert both["usable"].all()
    assert both["slip"].sum() >= 10
    assert apart.abs().max() < 30
    assert (both.loc[both["slip"], "sd_h"] > 0).mean() >= 0.9  # a slip of a day's hours fits and cannot be seen


def test_badly_drawn_bottles_are_found_and_good_ones_left_alone(screened):
    _, _, doubts, truth = screened
    hit = called(doubts, "not representative")
    later = truth[truth["order"] >= 1]
    bottom, stream = (later[later["drawing"] == how]["sample"] for how in ("bottom", "drain stream"))
    assert min(len(bottom), len(stream)) >= 5
    assert bottom.isin(hit).mean() >= 0.9
    assert stream.isin(hit | called(doubts, "method")).mean() >= 0.75  # some carry hardly more metal than the charge
    good = truth[(truth["drawing"] == "good") & truth["exchanged_with"].isna()]
    assert good["sample"].isin(hit).mean() <= 0.01


def test_dirt_from_the_pump_is_told_from_dirt_in_the_machine(screened):
    _, _, doubts, truth = screened
    dirty, hit = truth[truth["drawing"] == "dirty pump"], called(doubts, "dirt in the sample")
    assert dirty["sample"].isin(hit).mean() >= 0.5
    assert truth[truth["drawing"] != "dirty pump"]["sample"].isin(hit).mean() <= 0.005


def test_exchanges_called_are_exchanges(screened):
    _, _, doubts, truth = screened
    real = set(truth.loc[truth["exchanged_with"].notna(), "sample"])
    hit = doubts[(doubts["doubt"] == "exchange") & (doubts["value"] > 0.9)]
    assert len(hit) >= 2
    assert set(hit["sample"]) <= real


def test_most_bottles_are_believed_and_each_has_a_row(screened):
    hours, trust, doubts, truth = screened
    assert set(trust["sample"]) == set(hours["sample"])
    good = trust[trust["sample"].isin(truth.loc[truth["drawing"] == "good", "sample"])]
    assert (good["believed"] > 0.9).mean() >= 0.95
    assert np.isfinite(trust["believed"]).all()
    assert set(doubts["sample"]) <= set(trust["sample"])
