"""Who draws noisy or biased bottles. Known truth (invented crews) and a second method (statsmodels' mixed model) as the
measure.
"""

import numpy as np
import pytest
from scipy.stats import chi2, false_discovery_control
from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

from cmkit.practice.technique import WORTH_A_LOOK, sampler_bias, sampler_spread, sampler_technique, variance_components
from cmkit.records.analytes import analyte_register
from cmkit.trust.bottle_arrays import make_panel
from cmkit.trust.sediment import bottle_factors


def crews(rng, n_crews=60, noisy=0, biased=0, bias=0.10, strata=1):
    """Bottles of crews of 10 to 80: heavy-tailed residuals (t, 5 df, sd .10) and 2 % genuine events; `noisy` crews
    scatter twice as much.
    """
    crew = np.repeat(np.arange(n_crews), rng.integers(10, 81, n_crews))
    sd = np.where(crew < noisy, 0.20, 0.10)
    g = sd * rng.standard_t(5, len(crew)) / np.sqrt(5 / 3)
    event = rng.random(len(crew)) < 0.02
    g[event] += rng.choice([-1, 1], event.sum()) * rng.uniform(0.3, 1.0, event.sum())
    g += np.where(crew < biased, bias, 0.0)
    names = np.array([f"crew {c:02d}" for c in crew], dtype=object)
    return g, names, np.array([f"site {c % strata}" for c in crew], dtype=object)


def number(out):
    return out["sampler"].str[5:].astype(int)


def test_innocent_crews_are_rarely_accused():
    """Guide how_it_is_computed, H: in at most a tenth of innocent fleets is anyone accused. 40 and 20 fleets tell that
    to within two standard errors (.10 + 2 sqrt(.09/n)); the figure itself, over 200 fleets, is in
    tests/benchmarks/calibrate_technique.md."""
    spread = [sampler_spread(*crews(np.random.default_rng(s)), permutations=200)["flagged"].any() for s in range(40)]
    assert np.mean(spread) <= 0.195
    bias = [sampler_bias(*crews(np.random.default_rng(s)))["flagged"].any() for s in range(20)]
    assert np.mean(bias) <= 0.234


def test_the_textbook_variance_test_accuses_somebody_nearly_always():
    """What the spread test is there to avoid: a chi-square test of variances on the same innocent bottles."""
    accused = []
    for seed in range(6):
        g, names, _ = crews(np.random.default_rng(seed))
        p, each = [], [g[names == name] for name in np.unique(names)]
        usual = np.median([v.var(ddof=1) for v in each])
        for v in each:
            p.append(chi2.sf((len(v) - 1) * v.var(ddof=1) / usual, len(v) - 1))
        accused.append((false_discovery_control(p) <= 0.10).any())
    assert np.mean(accused) >= 0.9


def test_doubled_spread_is_found():
    """Guide how_it_is_computed, H: power .73, false share .03 with a tenth of the crews at doubled spread."""
    found = false = total = 0
    for seed in range(8):
        out = sampler_spread(*crews(np.random.default_rng(100 + seed), noisy=6), permutations=100)
        named = number(out[out["flagged"]])
        found, false, total = found + (named < 6).sum(), false + (named >= 6).sum(), total + len(named)
    assert 0.60 <= found / 48 <= 0.95
    assert false / total <= 0.15
    row = out[out["flagged"]].iloc[0]
    assert row["words"].startswith(WORTH_A_LOOK)
    assert row["low"] < row["ratio"] < row["high"]
    assert 1.3 < row["ratio"] < 3
    many = np.repeat(np.array(["a", "b", "c"], dtype=object), 4000)
    slight = np.random.default_rng(0).normal(0, 0.1, 12_000) * np.where(many == "b", 1.1, 1.0)
    out = sampler_spread(slight, many, np.full(12_000, "s", dtype=object), permutations=50)
    assert out["q"].min() < 0.05
    assert not out["flagged"].any()


def test_a_bias_is_found_and_shrunk():
    """Guide how_it_is_computed H: bias .10 found .94 at 10 bottles, 1.00 at 20; acted on only from 20 bottles and 5 % on."""
    out = sampler_bias(*crews(np.random.default_rng(3), biased=6))
    big = out[(number(out) < 6) & (out["n"] >= 20)]
    assert big["flagged"].mean() >= 0.8
    assert out[(number(out) >= 6)]["flagged"].mean() <= 0.05
    assert (out["shrunk"].abs() <= out["bias"].abs()).all()
    assert not out.loc[out["n"] < 20, "flagged"].any()
    small = sampler_bias(*crews(np.random.default_rng(4), biased=6, bias=0.03))
    assert not small.loc[small["bias"].abs() <= 0.05, "flagged"].any()


def test_only_like_is_compared_with_like():
    """A site whose bottles all read 30 % higher and scatter twice as much accuses next to nobody: everybody there is
    alike.
    """
    rng = np.random.default_rng(5)
    g, names, _ = crews(rng, 24)
    crew = np.array([int(n[5:]) for n in names])
    g = np.where(crew % 2 == 0, 2 * g + 0.3, g)
    site = np.array([f"site {c % 2}" for c in crew], dtype=object)
    assert sampler_spread(g, names, site, permutations=100)["flagged"].mean() <= 0.05
    assert sampler_bias(g, names, site)["flagged"].mean() <= 0.05
    mixed = np.full(len(g), "all", dtype=object)
    assert sampler_spread(g, names, mixed, permutations=100)["flagged"].mean() >= 0.15
    assert sampler_bias(g, names, mixed)["flagged"].mean() >= 0.15


def test_few_bottles_lonely_samplers_and_hostile_names():
    rng = np.random.default_rng(6)
    g = rng.normal(0, 0.1, 60)
    names = np.array(
        ["<script>alert(1)</script>"] * 4 + ["a"] * 15 + ["b"] * 15 + ["=cmd()"] * 16 + [None] * 10, dtype=object
    )
    g[5] = np.nan
    for judged in (
        sampler_spread(g, names, np.full(60, "s", dtype=object)),
        sampler_bias(g, names, np.full(60, "s", dtype=object)),
    ):
        assert len(judged) == 4
        assert "not judged: too few" in judged.set_index("sampler").loc["<script>alert(1)</script>", "words"]
        assert not judged["flagged"].any()
    for alone in (sampler_spread(g[:4], names[:4], names[:4]), sampler_bias(g[:4], names[:4], names[:4])):
        assert alone["words"].str.contains("too few others").all()
        assert not alone["flagged"].any()
    for empty in (sampler_spread(g[:0], names[:0], names[:0]), sampler_bias(g[:0], names[:0], names[:0])):
        assert len(empty) == 0


def test_of_two_samplers_the_noisier_can_be_told_but_not_the_biased():
    rng = np.random.default_rng(9)
    g = np.concatenate([0.1 * rng.standard_normal(80), 0.25 * rng.standard_normal(80) + 0.2])
    names = np.repeat(np.array(["a", "b"], dtype=object), 80)
    site = np.full(160, "s", dtype=object)
    assert list(sampler_spread(g, names, site)["flagged"]) == [False, True]
    bias = sampler_bias(g, names, site)
    assert not bias["flagged"].any()
    assert bias["words"].str.contains("too few others").all()


def test_from_a_fleets_records(make_fleet):
    """Crew b draws with four times the spread of a and c at the same site: b alone is named."""
    rng = np.random.default_rng(1)
    usual = {"Fe_ppm": 80.0, "Cr_ppm": 9.0, "Cu_ppm": 20.0, "Si_ppm": 15.0}
    places = [{"compartment": f"M{m}/d", "machine": f"M{m}", "kind": "final drive", "family": "f"} for m in range(12)]
    samples = [
        {"sample": f"{m}-{i}", "compartment": f"M{m}/d", "drawn_on": f"2026-01-{i + 1:02d}",
        "sampler": "abc"[(m + i) % 3],
         **{a: v * np.exp((0.24 if (m + i) % 3 == 1 else 0.06) * g) for a, v in usual.items()}}
        for m in range(12) for i in range(16) for g in [rng.standard_normal()]
    ]  # fmt: skip
    known = make_fleet(
        sites=[{"site": "S"}],
        machines=[{"machine": f"M{m}", "site": "S", "kind": "k"} for m in range(12)],
        compartments=places,
        samples=samples,
    ).as_of("2026-12-31")
    rows = known.samples.melt(["sample", "compartment", "drawn_on"], list(usual), "analyte", "value")
    rows["expected"] = rows["analyte"].map(usual).astype(float)
    rows = rows.assign(
        below=False,
        above=False,
        expected_sd=np.sqrt(0.34 + (0.1 * rows["expected"]) ** 2),
        order=rows["sample"].str.split("-").str[1].astype(int),
    )
    factors = bottle_factors(make_panel(known, rows, analyte_register()), analyte_register(), known.settings.trust)
    sampler = known.samples.set_index("sample")["sampler"]
    at = known.compartments.assign(site="S").set_index("compartment")
    spread, bias = sampler_technique(factors.assign(sampler=factors["sample"].map(sampler)), at, 0.07)
    assert list(spread.loc[spread["flagged"], "sampler"]) == ["b"]
    assert spread["n"].sum() == 12 * 15
    assert not bias["flagged"].any()


def test_same_records_same_answer():
    data = crews(np.random.default_rng(8), 20, noisy=2)
    one, two = (sampler_spread(*data, permutations=50) for _ in range(2))
    assert one.equals(two)


def test_variance_components_agree_with_a_mixed_model():
    """Crossed crew and machine effects of known variance (.06, .10, .15), 1600 bottles: within 10 % of statsmodels'
    MixedLM (REML).
    """
    rng = np.random.default_rng(12)
    crew, machine = rng.integers(0, 40, 1600), rng.integers(0, 40, 1600)
    y = (
        rng.normal(0, np.sqrt(0.06), 40)[crew]
        + rng.normal(0, np.sqrt(0.10), 40)[machine]
        + rng.normal(0, np.sqrt(0.15), 1600)
    )
    out = variance_components(y, crew, machine).set_index("component")["variance"]
    parts = {"crew": np.eye(40)[crew], "machine": np.eye(40)[machine]}
    names = [[f"{k}{i}" for i in range(40)] for k in parts]
    fit = MixedLM(
        y,
        np.ones((1600, 1)),
        groups=np.ones(1600),
        exog_vc=VCSpec(list(parts), [[n] for n in names], [[m] for m in parts.values()]),
    ).fit()
    theirs = dict(zip(fit.model.exog_vc.names, fit.vcomp, strict=True))
    assert out["crew"] == pytest.approx(theirs["crew"], rel=0.10)
    assert out["machine"] == pytest.approx(theirs["machine"], rel=0.10)
    assert out["residual"] == pytest.approx(fit.scale, rel=0.02)
    assert out["residual"] == pytest.approx(0.15, rel=0.08)


def test_variance_components_of_balanced_data_equal_the_analysis_of_variance():
    """Balanced crossed table: the moment estimates equal those from the classical mean squares."""
    rng = np.random.default_rng(2)
    a, b = np.repeat(np.arange(6), 15), np.tile(np.repeat(np.arange(5), 3), 6)
    y = rng.normal(0, 1, 6)[a] + rng.normal(0, 0.7, 5)[b] + rng.normal(0, 0.5, 90)
    mean_a, mean_b = np.bincount(a, y) / 15, np.bincount(b, y) / 18
    ms_a, ms_b = 15 * mean_a.var(ddof=1), 18 * mean_b.var(ddof=1)
    ss_e = np.sum((y - y.mean()) ** 2) - 5 * ms_a - 4 * ms_b
    ms_e = ss_e / (89 - 9)
    out = variance_components(y, a, b)["variance"].to_numpy()
    np.testing.assert_allclose(out, [(ms_a - ms_e) / 15, (ms_b - ms_e) / 18, ms_e], rtol=1e-10)


def test_components_that_cannot_be_told_apart_are_not_given():
    y, same = np.random.default_rng(0).normal(size=30), np.repeat(np.arange(3), 10)
    assert variance_components(y, same, same)["variance"].isna().all()
    assert variance_components(y, np.zeros(30), same)["variance"].isna().all()
    assert variance_components(y[:1], same[:1], same[:1])["variance"].isna().all()
