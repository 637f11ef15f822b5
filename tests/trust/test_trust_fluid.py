"""Wrong and mixed fluid. Fingerprints are invented; the robust estimate is held against the plain one and against known
truth.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from cmkit.records.settings import default_trust
from cmkit.trust.fluid import (
    MARKS,
    Product,
    check_fluids,
    fingerprint,
    fluid_check,
    fluid_doubts,
    fluid_library,
    learn_fluids,
    mixture_path,
    ogk,
    ratio_threshold,
)

RULE = default_trust()


def marks_of(results):
    return fingerprint(
        pd.DataFrame(results, columns=list(MARKS)).assign(**{f"{m}_below": False for m in MARKS}), RULE.fluid_floor_ppm
    )


def test_ogk_recovers_centre_and_scatter_with_a_tenth_of_wrong_rows():
    """Known truth: 10 % of the rows lie far off. The robust centre stays within .05 and no variance is out by half; the
    plain ones are.
    """
    rng = np.random.default_rng(0)
    truth = np.array([[1.0, 0.6, 0.2], [0.6, 1.0, 0.3], [0.2, 0.3, 0.5]])
    x = rng.multivariate_normal([1, 2, 3], truth, 4000)
    x[:400] += 12
    centre, scatter = ogk(x, RULE.fluid_scatter)
    np.testing.assert_allclose(centre, [1, 2, 3], atol=0.05)
    np.testing.assert_allclose(np.diag(scatter) / np.diag(truth), 1, atol=0.15)
    assert np.corrcoef(scatter.ravel(), truth.ravel())[0, 1] > 0.98
    assert np.abs(x.mean(axis=0) - [1, 2, 3]).min() > 1


def test_mixture_path_is_mixing_by_mass_and_by_the_logarithm_of_viscosity():
    marks = ("Ca_ppm", "visc40_cSt")
    a = Product("a", marks, np.log([3000 + 3, 100]), np.eye(2), 50, 1.0)
    b = Product("b", marks, np.log([1000 + 3, 46]), np.eye(2), 50, 1.0)
    path = mixture_path(a, b, marks, RULE.fluid_floor_ppm)
    np.testing.assert_allclose(np.exp(path[8]), [0.8 * 3000 + 0.2 * 1000 + 3, 100**0.8 * 46**0.2])
    np.testing.assert_allclose(path[[0, -1]], [a.centre, b.centre])


def library_of(reference_fleet, rng, n=400):
    x = np.concatenate([marks_of(reference_fleet.fluid_samples(rng, name, n)) for name in reference_fleet.FINGERPRINTS])
    product = np.repeat(np.array(list(reference_fleet.FINGERPRINTS), dtype=object), n)
    return x, product, fluid_library(x, product, RULE)


def test_a_fifth_of_foreign_oil_is_found(reference_fleet):
    """Known truth: 20 % foreign oil found >= .90 at .5 % false calls (here <= 1.2 % on 4,000 fresh bottles), source and
    share named.
    """
    rng = np.random.default_rng(6)
    x, product, library = library_of(reference_fleet, rng)
    own = library["engine oil A"]
    limit = ratio_threshold(fluid_check(x[product == own.name], own, library, RULE)["ratio"].to_numpy(), RULE)
    assert 7 <= limit <= 11
    sound = fluid_check(marks_of(reference_fleet.fluid_samples(rng, own.name, 4000)), own, library, RULE)
    assert (sound["ratio"] > limit).mean() <= 0.012
    for other in ("drive oil", "hydraulic oil", "gear oil"):
        found = fluid_check(marks_of(reference_fleet.fluid_samples(rng, own.name, 300, other, 0.2)), own, library, RULE)
        call = found["ratio"] > limit
        assert call.mean() >= 0.90
        named = found[call & (found["mixed_with"] == other)]
        assert len(named) >= 0.88 * call.sum()
        assert named["share"].mean() == pytest.approx(0.2, abs=0.03)


def test_wrong_bottles_in_the_records_do_not_hide_themselves(reference_fleet):
    """One in twenty bottles of the product is another oil: nine in ten of these are still found."""
    rng = np.random.default_rng(2)
    x, product, _ = library_of(reference_fleet, rng)
    rows = np.flatnonzero(product == "engine oil A")[:20]
    x[rows] = marks_of(reference_fleet.fluid_samples(rng, "hydraulic oil", 20))
    library = fluid_library(x, product, RULE)
    own = library["engine oil A"]
    found = fluid_check(x[product == own.name], own, library, RULE)
    limit = ratio_threshold(found["ratio"].to_numpy(), RULE)
    assert (found["ratio"][:20] > limit).mean() >= 0.9
    assert (found["ratio"][20:] > limit).mean() <= 0.02


def fleet_with_fluids(make_fleet, results, product="engine oil A", **more):
    fluid = [product] * len(results) if isinstance(product, str) else product
    places = [
        {"compartment": f"M/{p}", "machine": "M", "kind": "engine", "fluid": p, "family": "f"}
        for p in sorted(set(fluid))
    ]
    samples = [
        {
            "sample": f"S{i:04d}",
            "compartment": f"M/{p}",
            "drawn_on": "2026-01-05",
            **dict(zip(MARKS, map(float, row), strict=True)),
        }
        for i, (row, p) in enumerate(zip(results, fluid, strict=True))
    ]
    return make_fleet(
        machines=[{"machine": "M", "site": "A", "kind": "k"}], compartments=places, samples=samples, **more
    ).as_of("2026-12-31")


def test_from_records_to_doubts(make_fleet, reference_fleet):
    rng = np.random.default_rng(8)
    names = ["engine oil A", "hydraulic oil"]
    results = [reference_fleet.fluid_samples(rng, n, 60) for n in names]
    results[0][0] = reference_fleet.fluid_samples(rng, "hydraulic oil", 1)
    results[0][1] = reference_fleet.fluid_samples(rng, "engine oil A", 1, "hydraulic oil", 0.3)
    results[0][2, :6] = [5, 5, 5, 4000, 900, 900]
    known = fleet_with_fluids(make_fleet, np.concatenate(results), np.repeat(names, 60).tolist())
    fluids = check_fluids(known, learn_fluids(known, known.settings.trust))
    doubts = fluid_doubts(fluids, RULE).set_index("sample")
    assert {"S0000", "S0001", "S0002"} <= set(doubts.index)
    assert len(doubts) <= 6
    assert "looks like hydraulic oil altogether" in doubts.loc["S0000", "reason"]
    assert "% of hydraulic oil in it" in doubts.loc["S0001", "reason"]
    assert "do not look like engine oil A" in doubts.loc["S0002", "reason"] or doubts.loc["S0002", "probability"] > 0.5
    assert doubts["probability"].between(0, 1).all()
    assert (doubts["todo"] != "").all()


def test_a_recorded_change_of_product_is_what_the_bottle_is_held_against(make_fleet, reference_fleet):
    rng = np.random.default_rng(8)
    results = np.concatenate([reference_fleet.fluid_samples(rng, n, 40) for n in ("engine oil A", "hydraulic oil")])
    results = np.concatenate([results, reference_fleet.fluid_samples(rng, "hydraulic oil", 1)])
    product = ["engine oil A"] * 40 + ["hydraulic oil"] * 40 + ["engine oil A"]
    services = [
        {
            "service": "W",
            "compartment": "M/engine oil A",
            "done_on": "2026-02-01",
            "kind": "change",
            "fluid": "hydraulic oil",
        }
    ]
    known = fleet_with_fluids(make_fleet, results, product, services=services)
    known.samples.loc[80, "drawn_on"] = pd.Timestamp("2026-03-01")
    fluids = check_fluids(known, learn_fluids(known, known.settings.trust))
    assert fluids["product"].iloc[80] == "hydraulic oil"
    assert fluids["product"].iloc[0] == "engine oil A"
    assert "S0080" not in set(fluid_doubts(fluids, RULE)["sample"])


def test_few_bottles_few_marks_or_no_fluid_on_record_are_not_judged(make_fleet, reference_fleet):
    rng = np.random.default_rng(1)
    few = fleet_with_fluids(make_fleet, reference_fleet.fluid_samples(rng, "gear oil", 2), "gear oil")
    out = check_fluids(few, learn_fluids(few, few.settings.trust))
    assert out["ratio"].isna().all()
    assert out["words"].str.contains("not judged").all()
    assert len(fluid_doubts(out, RULE)) == 0
    gaps = reference_fleet.fluid_samples(rng, "gear oil", 60)
    gaps[0, 1:] = np.nan
    known = fleet_with_fluids(make_fleet, gaps, "gear oil")
    out = check_fluids(known, learn_fluids(known, known.settings.trust))
    assert np.isnan(out["ratio"].iloc[0])
    assert "few of the product's marks" in out["words"].iloc[0]
    nameless = replace(known, compartments=known.compartments.assign(fluid=pd.Series([None], dtype="str")))
    out = check_fluids(nameless, learn_fluids(nameless, nameless.settings.trust))
    assert out["words"].str.contains("no fluid on record").all()
