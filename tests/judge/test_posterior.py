"""The recursion against a brute-force enumeration, and what must hold of any judgement."""

import itertools

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cmkit.judge.anew import Usual, nothing_anew, weigh
from cmkit.judge.bottles import GOOD, bottle_grid, student_cdf
from cmkit.judge.constants import constant
from cmkit.judge.densities import forecast_metals, in_range, start_levels
from cmkit.judge.hypotheses import UP, all_patterns, make_states, pattern_shares, patterns_of, read_pattern
from cmkit.judge.judge import judge_bottles
from cmkit.judge.learning import learn_judgement
from cmkit.judge.measures import Bottles, ToJudge, bottles_by_kind, student_log_density
from cmkit.judge.posterior import Arrivals, first_chances, moved_on, start_chances
from cmkit.judge.usual import curve_and_doubt, curve_knots
from cmkit.records.analytes import analyte_register
from cmkit.records.settings import default_judge
from cmkit.wear.family import family_numbers

ARRIVALS = Arrivals(per_h=4e-5, delay_h=1200.0)


def test_student_density_and_chance_against_scipy() -> None:
    """Peer: scipy.stats.t, five degrees of freedom, scaled to unit variance."""
    x = np.linspace(-9, 9, 41)
    scale = np.sqrt(3 / 5)
    np.testing.assert_allclose(student_log_density(x), stats.t(5, scale=scale).logpdf(x), rtol=1e-12)
    np.testing.assert_allclose(student_cdf(x), stats.t(5, scale=scale).cdf(x), rtol=1e-9, atol=1e-9)


def test_a_range_of_results_counts_by_the_chance_of_lying_in_it() -> None:
    """Code 18 (1,300 to 2,500 per ml) and `>28` against scipy.stats.t; a missing or exact result is left as it is."""
    low, high = np.log([[1300.0, 2.5e6, np.nan]]), np.array([[np.log(2500.0), np.inf, np.nan]])
    mean, variance = np.log([[[900.0, 1800.0], [2.0e6, 5.0e6], [7.0, 8.0]]]), np.full((1, 3, 2), 0.16)
    p = np.full((1, 3, 2), 0.5)
    in_range(p, (low, high), mean, variance)
    t = stats.t(5, loc=mean[0, :2], scale=0.4 * np.sqrt(3 / 5))
    wanted = t.cdf(high[0, :2, None]) - t.cdf(low[0, :2, None])
    np.testing.assert_allclose(p[0, :2], wanted, rtol=1e-5)
    assert (p[0, 2] == 0.5).all()


def test_transition_keeps_all_chance_and_phases_only_grow() -> None:
    share = np.array([0.6, 0.4])
    start = np.tile(start_chances(share, ARRIVALS), (3, 1))
    np.testing.assert_allclose(start.sum(axis=1), 1)
    after = moved_on(start, share, ARRIVALS, np.array([0.0, 250.0, 20_000.0]))
    np.testing.assert_allclose(after.sum(axis=1), 1)
    np.testing.assert_allclose(after[0], start[0])
    sure = np.zeros((1, 7))
    sure[0, 3] = 1.0  # severe
    grown = moved_on(sure, share, Arrivals(1e-12, 1200.0), np.array([300.0]))
    assert grown[0, 1:3].sum() == pytest.approx(0, abs=1e-6)
    assert grown[0, 0] == pytest.approx(-np.expm1(-0.2 * 300 / 1200), abs=1e-6)  # the way back, by hand


def test_transition_of_a_short_time_is_its_rate() -> None:
    """dP/dt at zero by hand: faults begin at rate lambda share, early turns clear at 1 / (.45 D), severe fades at .2 /
    D.
    """
    share, a = np.array([0.7, 0.3]), np.array([[0.7, 0.1, 0.05, 0.05, 0.06, 0.03, 0.01]])
    h = 1e-3
    rate = (moved_on(a, share, ARRIVALS, np.array([h])) - a)[0] / h
    d = ARRIVALS.delay_h
    early = 0.7 * ARRIVALS.per_h * 0.7 - 0.1 / (0.45 * d) - 0.2 * 0.1 / d
    clear = 0.1 / (0.45 * d) - 0.05 / (0.3 * d) - 0.2 * 0.05 / d
    assert rate[1] == pytest.approx(early, rel=1e-3)
    assert rate[2] == pytest.approx(clear, rel=1e-3)


def test_every_kind_has_patterns_and_shares_that_sum_to_one() -> None:
    for kind in ("engine", "final drive", "transmission", "hydraulic", "coolant", "swing drive", "winch"):
        patterns = patterns_of(kind)
        share = pattern_shares(patterns, {})
        assert share.sum() == pytest.approx(1)
        unnamed = sum(s for s, p in zip(share, patterns, strict=True) if p.cause == "unnamed change")
        assert unnamed == pytest.approx(0.15)
    counted = pattern_shares(patterns_of("engine"), {"dirt entry": 20.0})
    plain = pattern_shares(patterns_of("engine"), {})
    assert counted[0] == pytest.approx((plain[0] * 20 + 20) / 40)  # twenty of its own weigh as much as the table


def test_roles_are_distributions() -> None:
    patterns = patterns_of("engine")
    states = make_states(
        patterns,
        pattern_shares(patterns, {}),
        metals=["Fe_ppm", "Si_ppm"],
        others=["Na_ppm", "visc100_cSt"],
        ways=["+", "~"],
        exponent=np.ones(2),
    )
    np.testing.assert_allclose(states.up.sum(axis=1), 1)
    np.testing.assert_allclose(states.both.sum(axis=1), 1)
    sound = states.metal_role[:, 0]
    assert (states.up[sound] == (UP == 0)).all()


def test_the_table_of_hypotheses_is_well_formed() -> None:
    for pattern in all_patterns():
        assert pattern.signs or pattern.groups or pattern.low
        assert not set(pattern.signs) & pattern.quiet
        assert pattern.weight > 0


@pytest.mark.parametrize("sign", ["Fe", "Fe+", "Fe+:9", "Fe:2", "+:1"])
def test_a_sign_that_is_not_understood_is_named(sign: str) -> None:
    row = {"kinds": "engine", "cause": "x", "also_called": "", "signs": sign, "quiet": "", "needs": "", "weight": 1}
    with pytest.raises(ValueError, match="wanted a form such as"):
        read_pattern(row)


def test_ageing_curve_follows_a_straight_line_and_doubts_beyond_it() -> None:
    rng = np.random.default_rng(3)
    age = np.log(20 + rng.uniform(100, 2000, 400))
    value = 0.8 * age + 0.05 * rng.standard_normal(400)
    knots = curve_knots(age, value)
    curve, doubt = curve_and_doubt(age, *knots, np.median(age), 0.2)
    inside = (age > np.quantile(age, 0.1)) & (age < np.quantile(age, 0.9))
    np.testing.assert_allclose(curve[inside], 0.8 * age[inside], atol=0.12)
    _, far = curve_and_doubt(np.array([3.0, np.nan]), *knots, np.median(age), 0.2)
    assert far[0] > 5 * np.median(doubt)
    assert far[1] == pytest.approx(0.3)


def brute_force(steps, likes, prior):
    """Posterior of the last state by enumerating every path of states: sum over paths of prior, transitions and
    likelihoods.
    """
    total = np.zeros(len(prior))
    for path in itertools.product(range(len(prior)), repeat=len(likes)):
        p = prior[path[0]] * likes[0][path[0]]
        for i in range(1, len(likes)):
            p *= steps[i - 1][path[i - 1], path[i]] * likes[i][path[i]]
        total[path[-1]] += p
    return total / total.sum()


def test_the_filter_equals_an_enumeration_of_all_paths() -> None:
    """One pattern, three phases, five bottles: the recursion's chances against a sum over 4^5 paths."""
    rng = np.random.default_rng(5)
    share, hours = np.ones(1), [240.0, 260.0, 90.0, 500.0]
    likes = [rng.uniform(0.05, 1.0, 4) for _ in range(5)]
    steps = [moved_on(np.eye(4), share, ARRIVALS, np.full(4, h)) for h in hours]
    prior = start_chances(share, ARRIVALS)
    a = prior * likes[0]
    for h, like in zip(hours, likes[1:], strict=True):
        a = moved_on((a / a.sum())[None], share, ARRIVALS, np.array([h]))[0] * like
    np.testing.assert_allclose(a / a.sum(), brute_force(steps, likes, prior), rtol=1e-9)


def bottles_of(made: tuple) -> Bottles:
    """The bottles of the only kind in a made fleet."""
    of_it = ToJudge(*made, analyte_register())
    (b,) = bottles_by_kind(of_it, learn_judgement(of_it).usual)
    return b


def newest(result, name: str) -> pd.Series:
    return result.bottle_chances.query("compartment == @name").iloc[-1]


def test_one_rich_bottle_and_its_normal_repeat(judge_courses, course) -> None:
    """A bottle at 2.4 times its metals is doubted; a bottle a day later that is back where it was clears the
    compartment.
    """
    rich = course("final drive", odd={7: (2.4, 0.0)}, repeat_after=(8,), bottles=9)
    confirmed = course("final drive", {"Fe": 14, "Cr": 14, "ferrous": 8}, start=7, repeat_after=(8,), bottles=9)
    result = judge_courses({"rich": rich, "confirmed": confirmed})
    rows = result.bottle_chances.set_index(["compartment", "order"])
    assert rows.loc[("rich", 7), "p_rich"] > 0.5
    assert rows.loc[("rich", 7), "p_fault"] < 0.5
    assert rows.loc[("rich", 8), "p_fault"] < 0.15
    assert rows.loc[("rich", 8), "p_good"] > 0.9
    assert rows.loc[("confirmed", 8), "p_fault"] > 0.95
    assert rows.loc[("confirmed", 8), "cause"] == "bearing fatigue"


def test_dirt_in_the_bottle_is_settled_by_the_repeat(judge_courses, course) -> None:
    """Silicon and aluminium alone leave it open whether dirt was in the bottle or gets into the drive; the repeat
    bottle tells.
    """
    dirty = {f"dirty {k}": course("final drive", odd={7: (1.0, 25.0)}, repeat_after=(8,), bottles=9) for k in range(10)}
    dust = {"Si": 6, "Al": 5, "Fe": 3, "Cr": 3}
    entering = {f"entering {k}": course("final drive", dust, start=7, repeat_after=(8,), bottles=9) for k in range(10)}
    result = judge_courses(dirty | entering)
    assert max(newest(result, name)["p_fault"] for name in dirty) < 0.15
    chances = np.array([newest(result, name)["p_fault"] for name in entering])
    assert (chances > 0.5).sum() >= 9
    assert {newest(result, name)["cause"] for name in entering} == {"dirt entry"}


def test_a_steady_severe_fault_never_falls_while_nobody_looks(judge_courses, course) -> None:
    steady = course("final drive", {"Fe": 5, "Cr": 5, "Ni": 4, "ferrous": 8}, start=6, bottles=18)
    result = judge_courses({"steady": steady})
    chance = result.bottle_chances.query("compartment == 'steady'")["p_fault"].to_numpy()
    assert (chance[8:] > 0.95).all()


def test_a_steady_change_is_believed_and_a_growing_one_is_a_fault(judge_courses, course) -> None:
    """Eight drives whose copper, lead and tin step to 1.8 times their rate and stay there, and eight whose same metals
    grow from there: suspected alike at first, told apart by what the next bottles do.
    """
    times = {"Cu": 1.8, "Pb": 1.8, "Sn": 1.8}
    growing = (1.0, 1.7, 2.4, 3.1, 3.8, 4.5, 5.2, 5.9)
    made = {f"steady {n}": course("final drive", times, start=8, bottles=16) for n in range(8)}
    made |= {f"growing {n}": course("final drive", times, start=8, bottles=16, strengths=growing) for n in range(8)}
    chances = judge_courses(made).bottle_chances.set_index(["compartment", "order"])["p_fault"]
    steady, grew = (np.array([chances[f"{how} {n}"] for n in range(8)]) for how in ("steady", "growing"))
    assert (steady[:, -1] < 0.15).all()
    assert (steady.max(axis=1) >= 0.4).sum() <= 2
    assert (grew[:, -3:] > default_judge().alarm).all()
    assert (grew[:, -3:] > 0.9).mean() > 0.9


def test_what_moved_in_a_steady_change_by_bayes_rule(given, course) -> None:
    """One metal: the chance that it moved and the weight of the bottle, against scipy's Student density with the
    forecast's variance and with a wider one.
    """
    b = bottles_of(given({"drive": course("final drive", bottles=10)}))
    grid, at = bottle_grid(), np.array([0])
    means = np.zeros((len(b.row), len(b.others))), np.tile(b.tau**2, (len(b.row), 1))
    usual = Usual(start_levels(b), means, forecast_metals(b, 1, slice(0, len(b.row)), start_levels(b)))
    none = np.zeros(1)
    w = weigh(b, 1, at, nothing_anew(b), usual=usual, sound=np.ones(1), grid=grid, good=none, low=np.array([0.02]))
    f = forecast_metals(b, 1, at, usual.levels[:, at])
    m, moves = b.metals.index("Fe_ppm"), constant("anew_moves")
    (expected, known), y = (float(v[0, m]) for v in f.sound), float(b.y[0, 1, m])
    g = {name: float(b.numbers[name][0, m]) for name in ("noise_floor", "noise_share", "unit", "rate_sd")}
    own = max(g["noise_share"] ** 2 - constant("bottle_factor_sd") ** 2, (0.6 * g["noise_share"]) ** 2)
    wider = (g["rate_sd"] * b.steps["psi"][0, 1]) ** 2 + (constant("anew_level") * usual.levels[0][0, m]) ** 2
    share = []
    for factor in grid.times[grid.oddity == GOOD]:
        fixed = g["noise_floor"] ** 2 + g["unit"] ** 2 / 12 + own * (expected * factor) ** 2
        narrow, wide = (
            stats.t.pdf(y, 5, loc=expected * factor, scale=np.sqrt((known + more) * factor**2 + fixed) * np.sqrt(3 / 5))
            for more in (0.0, wider)
        )
        share.append(moves * wide / ((1 - moves) * narrow + moves * wide))
    assert min(share) - 1e-4 <= w.moved[0][0, m] <= max(share) + 1e-4
    assert w.log[0, 0] < w.log[0, 1] - 20  # nothing stood before


def test_what_all_metals_of_a_bottle_share_by_hand(given, course) -> None:
    """Variances of the bottle's own factor, of the share a change left and of the interval's load, each as a share of
    the level, add up; the doubt about the share a change left is one number and is not counted for each metal again.
    """
    b = bottles_of(given({"drive": course("final drive", bottles=10)}))
    c = list(b.places).index("drive")
    at, i = np.array([c]), int(np.flatnonzero((b.steps["sd_phi"][c] > 0) & (b.row[c] >= 0))[0])
    level = start_levels(b)[:, at]
    f = forecast_metals(b, i, at, level)
    step = {name: b.steps[name][c, i] for name in ("phi", "psi", "chi", "sd_phi")}
    carried = step["phi"] * level[0, 0] + step["chi"] * b.numbers["fresh_ppm"][c]
    gained = step["psi"] * level[1, 0]
    left = np.mean(step["sd_phi"] * level[0, 0] / (carried + gained))
    load = np.mean(b.numbers["load_share"][c] * gained / (carried + gained))
    wanted = constant("bottle_factor_sd") ** 2 + left**2 + constant("shared_load") * load**2
    assert f.shared[0] == pytest.approx(min(np.sqrt(wanted), constant("shared_most")), rel=1e-12)
    assert f.of_bottle[0] == pytest.approx(constant("bottle_factor_sd") ** 2 / f.shared[0] ** 2)
    own = step["phi"] ** 2 * level[2, 0] + step["sd_phi"] ** 2 * level[2, 0]
    np.testing.assert_allclose(f.of_result[2, 0], own, rtol=1e-12)


def test_sodium_stirred_up_with_all_metals_is_a_bottle_from_the_bottom(judge_courses, course) -> None:
    """All metals at 2.8 times, and sodium and potassium, which dirt and salts bring up, at twice: no fault."""
    made = {}
    for n in range(6):
        made[f"stirred {n}"] = course("final drive", {"Na": 2.0, "K": 2.0}, start=9, odd={9: (2.8, 0.0)})
    result = judge_courses(made)
    last = [newest(result, name) for name in made]
    assert max(row["p_fault"] for row in last) < default_judge().alarm
    assert min(row["p_rich"] for row in last) > 0.5


def test_nothing_can_have_changed_before_the_first_bottle() -> None:
    """Where no past is known there is no unnamed change to start from; named faults have their usual chance."""
    patterns = patterns_of("final drive")
    share, unnamed = pattern_shares(patterns, {}), np.array([p.cause == "unnamed change" for p in patterns])
    start = first_chances(share, patterns, ARRIVALS)
    assert start.sum() == pytest.approx(1)
    by_pattern = start[1:].reshape(-1, 3).sum(axis=1)
    assert (by_pattern[unnamed] == 0).all()
    usual = start_chances(share, ARRIVALS)[1:].reshape(-1, 3).sum(axis=1)
    np.testing.assert_allclose(by_pattern[~unnamed], usual[~unnamed])


def test_a_bad_bottle_moves_neither_level_nor_rate(judge_courses, course) -> None:
    """The same course with and without a bottle from the bottom: the chances afterwards are nearly the same."""
    courses = {"good": course("engine", bottles=10), "bad": course("engine", bottles=10, odd={6: (3.0, 0.0)})}
    result = judge_courses(courses)
    rows = result.bottle_chances.set_index(["compartment", "order"])
    assert rows.loc[("bad", 6), "p_good"] < 0.1
    for i in (7, 8, 9):
        assert rows.loc[("bad", i), "p_fault"] < 0.05
        assert rows.loc[("bad", i), "p_good"] > 0.8


def test_a_look_that_finds_nothing_lowers_and_a_repair_clears(judge_courses, course) -> None:
    fault = course("final drive", {"Fe": 5, "Cr": 5, "Ni": 4, "ferrous": 8}, start=8)
    before = newest(judge_courses({"drive": fault}), "drive")
    day = before["drawn_on"]

    def after(outcome: str) -> pd.Series:
        look = {"finding": "f", "compartment": "drive", "found_on": day, "recorded_on": day, "outcome": outcome}
        result = judge_courses({"drive": fault}, findings=[look])
        return result.hypotheses.query("compartment == 'drive' and about == 'compartment'")["chance"].sum()

    p = before["p_fault"]
    assert after("no defect") == pytest.approx(0.2 * p / (0.2 * p + 1 - p), abs=0.02)
    assert after("defect") < 0.05


def test_two_looks_in_a_row_that_found_nothing_make_it_the_compartments_own(judge_courses, course) -> None:
    """A drive that wears five times as fast as its past, as a new component may: suspected, looked into after its 7th
    and 8th bottle.
    """
    times = {"Fe": 5, "Cr": 5, "Ni": 4, "Cu": 4, "ferrous": 3}
    steady = course("final drive", times, start=5, bottles=12)
    rising = course(
        "final drive",
        times | {"Fe": 15, "Cr": 15, "ferrous": 24},
        start=5,
        bottles=12,
        strengths=(*[0.28] * 5, 1.0, 1.0),
    )
    plain = judge_courses({"drive": steady}).bottle_chances.query("compartment == 'drive'").reset_index()
    assert (plain["p_fault"].iloc[6:] > 0.9).all()

    def after(course_, looks: list[int]) -> pd.Series:
        made = [
            {"finding": f"f{i}", "compartment": "drive", "found_on": plain["drawn_on"][i],
            "recorded_on": plain["drawn_on"][i], "outcome": "no defect"}
            for i in looks
        ]  # fmt: skip
        return (
            judge_courses({"drive": course_}, findings=made)
            .bottle_chances.query("compartment == 'drive'")["p_fault"]
            .reset_index(drop=True)
        )

    assert after(steady, [6]).iloc[8:].min() > 0.5
    assert after(steady, [6, 7]).iloc[8:].max() < 0.15
    assert after(rising, [6, 7]).iloc[-1] > 0.5  # what grows from there is seen


def test_a_result_that_was_not_measured_says_nothing(judge_courses, course) -> None:
    """Without iron, chromium and debris a bearing that only shows there leaves the compartment as likely sound as the
    others.
    """
    blind = course(
        "final drive",
        {"Fe": 5, "Cr": 5, "ferrous": 8},
        start=8,
        missing=("Fe_ppm", "Cr_ppm", "ferrous_index", "Ni_ppm"),
    )
    assert newest(judge_courses({"blind": blind}), "blind")["p_fault"] < 0.1


def test_results_rounded_to_five_are_read_with_that_step(given, course) -> None:
    """Sound engines whose laboratory gives everything in whole steps of 5 ppm: the step is found, 5/sqrt(12) ppm of doubt
    is allowed for (moments of the uniform distribution), and nobody is accused.
    """
    register = analyte_register()
    known, samples, exposure, numbers, expected = given({"e": course("engine")})
    exact = ToJudge(known, samples, exposure, numbers, expected, register)
    columns = [c for c in samples if c.endswith("_ppm") and samples[c].notna().any()]
    rounded = samples.assign(**{c: 5 * np.round(samples[c] / 5) for c in columns})
    numbers = family_numbers(exposure, rounded, register)
    of_it = ToJudge(known, rounded, exposure, numbers, expected, register)
    learnt = learn_judgement(of_it)
    (b,) = bottles_by_kind(of_it, learnt.usual)
    steps = dict(zip(b.metals, b.numbers["unit"][0], strict=True))
    assert set(steps.values()) == {5.0}
    q, sd = b.others.index("Na_ppm"), learnt.measures.set_index("measure").loc["Na_ppm", "sd"]
    five = (rounded["Na_ppm"] == 5).to_numpy()[b.row[b.row >= 0]]
    wanted = np.sqrt(max((5 / np.sqrt(12) / (5 + 5)) ** 2 - sd**2, 0.0))  # one step is added before the logarithm
    assert (b.doubt[b.row >= 0][five, q] >= wanted - 1e-9).all()
    accused = [
        set(rows.loc[rows["p_fault"] > 0.4, "compartment"])
        for rows in (judge_bottles(it, learn_judgement(it)).bottle_chances for it in (of_it, exact))
    ]
    assert len(accused[0]) <= len(accused[1]) + 1


def test_another_oil_is_not_named_without_additives(judge_courses, course) -> None:
    """Viscosity moves in both; only where additives were measured too can another oil be the reason."""
    moved = {"visc40": 1.3, "visc100": 1.2, "Zn": 0.5, "Ca": 0.5, "P": 0.6}
    additives = ("Zn_ppm", "Ca_ppm", "P_ppm", "Mg_ppm", "B_ppm", "Mo_ppm")
    result = judge_courses({"seen": course("engine", moved), "blind": course("engine", moved, missing=additives)})
    said = result.hypotheses[result.hypotheses["hypothesis"] == "another oil put in"].set_index("compartment")["chance"]
    assert said["seen"] > 0.5
    assert "blind" not in said.index


def test_another_oil_stays_named_until_it_is_drained_and_no_longer(judge_courses, course) -> None:
    """It does not grow, and is no steady change of the machine all the same: what the fluid is moves with a fluid."""
    moved = {"visc40": 0.83, "visc100": 0.9, "Zn": 0.8, "Ca": 0.75, "P": 0.85}
    drained = (1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0)
    result = judge_courses({"oil": course("engine", moved, start=8, bottles=16, strengths=drained)})
    rows = result.bottle_chances.query("compartment == 'oil'").set_index("order")
    assert (rows.loc[9:11, "p_fault"] > 0.8).all()
    assert (rows.loc[9:11, "cause"] == "another oil put in").all()
    assert (rows.loc[13:15, "p_fault"] < 0.15).all()


def test_contributions_add_up_to_the_change_of_the_odds(judge_courses, course) -> None:
    result = judge_courses({"drive": course("final drive", {"Fe": 5, "Cr": 5, "Ni": 4, "ferrous": 8}, start=8)})
    rows = result.contributions.query("compartment == 'drive' and hypothesis == 'bearing fatigue'")
    newest_sample = result.bottle_chances.query("compartment == 'drive'")["sample"].iloc[-1]
    parts = rows[rows["sample"] == newest_sample].set_index("analyte")["log_odds"]
    assert parts[["Fe_ppm", "Cr_ppm", "ferrous_index"]].min() > 0.5
    assert parts.sum() > 3
    assert abs(parts["Zn_ppm"]) < 0.3
