"""Sampling intervals: speed against named peers in the same run, and agreement with simulations larger than the test
suite can afford.

python tests/benchmarks/bench_intervals.py          everything (about two minutes on an idle machine)
python tests/benchmarks/bench_intervals.py speed    one part: speed, events, filter, history or plan
"""

import importlib.util
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
from scipy.integrate import quad
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, vstack
from scipy.special import gamma

from cmkit.assess import assess_fleet
from cmkit.intervals.classics import share_failed_weibull
from cmkit.intervals.cost import Case, interval_cost
from cmkit.intervals.estimate import Prior, fit_defect_history
from cmkit.intervals.tune import allocate_samples, draw_factors, interval_uncertainty
from cmkit.learn import newest_record
from cmkit.records.reading.load import load_fleet
from cmkit.simulate.recipe import demo_recipe
from cmkit.wear.filter import Numbers, wear_rates

ROOT = Path(__file__).parents[2]


def load(name: str) -> ModuleType:
    """A helper of tests/intervals by file name."""
    spec = importlib.util.spec_from_file_location(name, ROOT / "tests" / "intervals" / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


EVENTS = load("events")


def best_of(times: int, work: Callable[[], Any]) -> tuple[float, Any]:
    """Least wall time of several runs, and the last answer."""
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        answer = work()
        spent.append(time.perf_counter() - start)
    return min(spent), answer


# ------------------------------------------------------------------------------------------------------------------
# speed


def random_fleet(n: int, seed: int = 1) -> Case:
    """n compartments, all different."""
    rng = np.random.default_rng(seed)
    planned = rng.lognormal(np.log(12000), 0.3, n)
    return Case(
        rng.lognormal(np.log(1 / 8000), 0.5, n), rng.lognormal(np.log(1200), 0.4, n), 2.0,
        0.08 * rng.lognormal(0, 0.4, n), rng.uniform(3, 9, n),
        1.0, 0.6, 0.10, 0.12, 0.20, np.nan, 2000.0, 0.08, 3.0, 0.95, 1.0, np.nan, 60.0, 400.0, planned, 5 * planned,
        0.01, rng.uniform(50, 150, n),
    )  # fmt: skip


def speed() -> None:
    grid = np.array([125.0, 250.0, 500.0, 1000.0, 2000.0, np.inf])
    many = random_fleet(10_000)
    spent, got = best_of(1, lambda: interval_cost(many, grid))
    few = many.take(np.arange(100))
    fine, exact = best_of(1, lambda: interval_cost(few, grid, fine=True))
    error = np.abs(got.cost_per_h[:100] / exact.cost_per_h - 1)
    same = got.cost_per_h[:100].argmin(axis=1) == exact.cost_per_h.argmin(axis=1)
    print(f"10,000 different compartments x 6 intervals, chance from the trend: {spent:.1f} s (goal 15 s)")
    print(
        f"  fine rules on 100 of them: {fine:.2f} s, {fine / spent * 100:.1f} x the fast ones each; cost error 99th "
        f"percentile {np.quantile(error, 0.99):.1e}, largest {error.max():.1e}; same best interval {same.mean():.0%}"
    )
    closed_forms()
    allocation()
    case = EVENTS.CASES["worked"]
    draws = draw_factors(np.random.default_rng(0), 400, 2.0, 0.7, 0.4)
    wide = np.append(np.geomspace(125, 2000, 9), np.inf)
    mesh, _ = best_of(3, lambda: interval_uncertainty(case, wide, draws))
    drawn = Case(
        **{
            **case.columns(),
            "delay_mean_h": 1200 * draws.delay,
            "rate_multiple": 1 + 5 * draws.growth,
            "defect_rate_per_h": draws.rate / 8000,
        }
    )
    direct, _ = best_of(1, lambda: interval_cost(drawn, wide))
    print(
        f"uncertainty of one compartment, 400 draws x 10 intervals: {mesh:.3f} s by the mesh, {direct:.2f} s draw by "
        f"draw ({direct / mesh:.0f} x)"
    )


def closed_forms() -> None:
    """Renewal reward with the closed Weibull form against scipy's quad cell by cell (design scale note, G14)."""
    rng = np.random.default_rng(2)
    mean, shape = rng.uniform(400, 2500, (10_000, 1)), rng.uniform(1, 3, (10_000, 1))
    grid = np.geomspace(50, 4000, 60)
    spent, failed = best_of(3, lambda: share_failed_weibull(grid, mean, shape))

    def loop() -> list[float]:
        out = []
        for n in range(5):
            scale = mean[n, 0] / gamma(1 + 1 / shape[n, 0])
            for t in grid:
                value, _ = quad(lambda u, k=shape[n, 0], s=scale: -np.expm1(-((u / s) ** k)), 0, t)
                out.append(value / t)
        return out

    slow, answers = best_of(3, loop)
    ratio = slow / len(answers) * grid.size * len(mean) / spent
    worst = np.abs(failed[:5].ravel() / np.array(answers) - 1).max()
    print(
        f"closed form, 10,000 x 60 cells: {spent:.3f} s; scipy quad loop {ratio:.0f} x as long (goal 50 x); largest "
        f"relative difference {worst:.0e}"
    )


def allocation() -> None:
    many = random_fleet(400, 6)
    grid = np.array([125.0, 250.0, 500.0, 1000.0, 2000.0, np.inf])
    hours = np.random.default_rng(3).uniform(1500, 6000, 400)[:, None]
    cost, load = interval_cost(many, grid).cost_per_h * hours, hours / grid
    n, g = cost.shape
    one = csr_array((np.ones(n * g), (np.repeat(np.arange(n), g), np.arange(n * g))))
    rows = vstack([one, csr_array(load.reshape(1, -1))])
    free = allocate_samples(cost, load, np.inf)
    print("allocation at N = 400 against scipy.optimize.milp (goal: gap 1e-3)")
    for share in (0.9, 0.7, 0.5, 0.3):
        room = share * free.load
        limit = LinearConstraint(rows, np.r_[np.ones(n), -np.inf], np.r_[np.ones(n), room])
        slow, found = best_of(
            1,
            lambda limit=limit: milp(
                cost.ravel(),
                constraints=limit,
                integrality=np.ones(n * g),
                bounds=Bounds(0, 1),
                options={"mip_rel_gap": 1e-7},
            ),
        )
        fast, got = best_of(3, lambda room=room: allocate_samples(cost, load, room))
        common = min((float((cost[:, i]).sum()) for i in range(g) if load[:, i].sum() <= room), default=np.nan)
        print(
            f"  capacity {share:.0%}: gap {got.cost / found.fun - 1:.1e}, bound {got.bound / found.fun - 1:+.1e}, "
            f"price {got.price:.0f}, {slow / fast:.0f} x faster; one common interval costs "
            f"{common / got.cost - 1:.0%} more"
        )


# ----------------------------------------------------------------------------------------------- agreement with
# simulations


def events() -> None:
    """Event by event, 400 000 defects a cell, four sets of parameters."""
    print("event-by-event simulation against the formulas: cost, share caught, hours of warning (goals: 1 %, .005)")
    worst = [0.0, 0.0, 0.0]
    for name, case in EVENTS.CASES.items():
        for every in (125.0, 250.0, 500.0, 1000.0):
            seen = EVENTS.simulate(case, every, 40_000, 10, np.random.default_rng(int(every)))
            got = interval_cost(case, every)
            parts = [seen.cost_per_h / got.cost_per_h - 1, seen.p_caught - got.p_caught, seen.warning_h - got.warning_h]
            worst = [max(a, abs(float(b))) for a, b in zip(worst, parts, strict=True)]
            print(
                f"  {name:16s} {every:5.0f} h: cost {parts[0]:+.2%}, caught {got.p_caught:.4f} {parts[1]:+.4f}, "
                f"warning {got.warning_h:.0f} h {parts[2]:+.1f} h"
            )
    print(f"  largest: cost {worst[0]:.2%}, caught {worst[1]:.4f}, warning {worst[2]:.1f} h")


FLEETS = {
    "drive": (0.08, 2000.0, 0.08),
    "engine": (0.06, 500.0, 0.10),
    "hydraulic": (0.006, 2000.0, 0.35),
}  # rate ppm/h, change h, residual


def real_filter() -> None:
    """Ramping defects, the real filter, 24 cells (design F4, end to end; goal: mean absolute error .08)."""
    print("share caught: the real filter on planted ramping defects / the formula")
    errors = []
    for name, (rate, change, residual) in FLEETS.items():
        for multiple in (4.0, 8.0):
            said = []
            for every in (125.0, 250.0, 500.0, 1000.0):
                case = Case(
                    1 / 8000, 1200, 2, rate, multiple, 1, noise_floor=0.58, noise_share=0.099, load_share=0.10,
                    drift_share=0.20, change_every_h=change, residual=residual,
                    acted_share=1.0, turnaround_h=100,
                )  # fmt: skip
                seen = EVENTS.planted(case, every, (0.07, 0.07), 6000, np.random.default_rng(3))
                formula = float(interval_cost(case, every).p_caught)
                errors.append(formula - seen)
                said.append(f"{every:,.0f} h {seen:.3f}/{formula:.3f}")
            print(f"  {name:9s} x{multiple:.0f}: " + "   ".join(said))
    e = np.array(errors)
    print(
        f"  mean absolute error {np.abs(e).mean():.3f}, largest {np.abs(e).max():.3f}; formula above the filter by "
        f"{e.max():.3f} at most, below by {-e.min():.3f} at most"
    )


def history() -> None:
    """90 % interval of the defect rate at about 30 events, 60 fleets (goal: covers .85 to .98)."""
    tests = load("test_defect_history")
    hits, widths, delays = 0, [], 0
    for seed in range(60):
        table, _ = tests.history(20, 12_000, np.random.default_rng(seed))
        fit = fit_defect_history(table, Prior(delay_sd=0.7))
        hits += fit.rate_interval[0] <= 1 / 8000 <= fit.rate_interval[1]
        delays += fit.delay_interval[0] <= 1200 <= fit.delay_interval[1]
        widths.append(fit.n_events)
    print(
        f"defect history, {np.mean(widths):.0f} events a fleet: 90 % interval of the rate covers {hits} of 60, of the "
        f"delay {delays} of 60"
    )


# ------------------------------------------------------------------------------------------------- plans on the
# demo's truth

SERVICE = (125.0, 250.0, 500.0, 1000.0, 2000.0)
METALS = ("Fe_ppm", "Cr_ppm", "Al_ppm", "Cu_ppm", "Pb_ppm", "Sn_ppm")


def true_outcome(
    kind: str,
    every: float,
    n: int,
    numbers: pd.DataFrame,
    rates: pd.DataFrame,
    residual: float,
    change: float,
    rng: np.random.Generator,
) -> tuple[float, float, float]:
    """(share caught, mean hours a defect lives, false alarms per healthy bottle) by living n true defects of the demo's
    recipe.

    True rates of real compartments, true causes with what they do to each metal, the filter with the numbers the fleet
    estimated, and the alarm lines z 3 and rise 3.5 on any of six wear metals.
    """
    recipe = demo_recipe()
    truth = recipe.compartments[kind]
    causes = [c for c in recipe.faults.values() if kind in c.where]
    chosen = rng.choice(len(causes), n, p=np.array([c.weight for c in causes]) / sum(c.weight for c in causes))
    life = np.maximum(truth.delay_mean_h / gamma(1.5) * rng.weibull(2.0, n), 60.0)
    power = np.array([c.growth for c in causes])[chosen]
    own = rates.iloc[rng.integers(0, len(rates), n)]
    before, after = 16, int(np.ceil(3.2 * truth.delay_mean_h / every)) + 1
    begin = before * every - rng.uniform(0, every, n)
    ages = [
        np.clip(np.arange(1, before + after + 1) * every - begin[:, None] - back, 0, life[:, None])
        for back in (every, 0.0)
    ]
    grown = (
        life[:, None]
        / (power[:, None] + 1)
        * np.diff([(a / life[:, None]) ** (power[:, None] + 1) for a in ages], axis=0)[0]
    )
    phi = np.where(
        (np.arange(before + after) + rng.integers(0, 64, n)[:, None]) % max(1, round(change / every)) == 0,
        residual,
        1.0,
    )
    bottle = 0.05 * rng.standard_normal(phi.shape)
    called = np.zeros(phi.shape, bool)
    for metal in METALS:
        row = numbers[(numbers["analyte"] == metal)]
        if row.empty:
            continue
        number, rate = row.iloc[0], own[metal].to_numpy()[:, None] * np.exp(0.1 * rng.standard_normal(phi.shape))
        times = np.array([c.times.get(metal, 1.0) for c in causes])[chosen][:, None]
        lost = truth.use + truth.removal.get(metal, 0.0)
        kept, psi = np.exp(-lost * every), -np.expm1(-lost * every) / lost if lost else every
        level, y = np.full(n, rate.mean() * min(change / 2, 1 / max(lost, 1e-9))), np.empty(phi.shape)
        for k in range(phi.shape[1]):
            level = kept * phi[:, k] * level + rate[:, k] * psi / every * (every + (times[:, 0] - 1) * grown[:, k])
            y[:, k] = np.round(
                np.maximum(
                    level * np.exp(0.05 * rng.standard_normal(n) + bottle[:, k]) + 0.4 * rng.standard_normal(n), 0
                )
            )
        track = wear_rates(
            y,
            None,
            kept * phi,
            psi,
            0.0,
            sd_phi=0.0,
            hours=every,
            numbers=Numbers(
                *(
                    float(number[c])
                    for c in (
                        "rate_mean",
                        "rate_sd",
                        "level_mean",
                        "level_var",
                        "noise_floor",
                        "noise_share",
                        "load_share",
                        "drift_share",
                    )
                )
            ),
        )
        called |= (track.z >= 3.0) | (track.rise >= 3.5)
    age = np.arange(1, before + after + 1) * every - begin[:, None]
    turnaround = 100.0
    good = called & (age > 0) & (age + turnaround < life[:, None])
    caught = good.any(axis=1) & (rng.random(n) < 0.95)
    lived = np.where(caught, age[np.arange(n), good.argmax(axis=1)] + turnaround, life)
    return float(caught.mean()), float(lived.mean()), float(called[:, 6 : before - 1].mean())


def plan() -> None:
    """Cost of the advised plan, of today's and of one common interval on the demo fleet, by living its true defects;
    spread over seeds.
    """
    fleet = load_fleet(ROOT / "sample_data")
    a = assess_fleet(fleet, newest_record(fleet))
    rates = pd.read_csv(ROOT / "sample_data" / "truth" / "rates.csv").merge(
        a.compartments[["compartment", "kind", "family", "change_every_h"]], on="compartment"
    )
    rows = (
        a.intervals[a.intervals["cost_today"].notna()]
        .merge(a.sites[["site", "downtime_cost_per_h"]], on="site")
        .merge(a.use[["machine", "h_per_day"]], on="machine")
    )
    plans = {
        "advised": rows["advised_h"].fillna(np.inf),
        "today's": rows["today_h"],
        "none": pd.Series(np.inf, index=rows.index),
    }
    plans |= {f"every {t:.0f} h": pd.Series(t, index=rows.index) for t in SERVICE}
    found = []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        cost = dict.fromkeys(plans, 0.0)
        for kind, own in rows.groupby("kind"):
            table = {t: _cost(str(kind), t, own, a.numbers, rates, rng) for t in (*SERVICE, np.inf)}
            for name, every in plans.items():
                cost[name] += sum(table[t][i] for i, t in enumerate(every[own.index]))
        found.append(cost)
    table = pd.DataFrame(found)
    common = table[[c for c in table if c.startswith("every")]].mean().idxmin()
    print(f"demo fleet, {len(rows)} compartments, money a year by living the true defects, five seeds (mean and range)")
    for name in table:
        ratio = table[name] / table["advised"] - 1
        print(
            f"  {name:13s} {table[name].mean():12,.0f}   against the advised {ratio.mean():+.1%} ({ratio.min():+.1%} "
            f"to {ratio.max():+.1%}){'   the best common interval' if name == common else ''}"
        )


def _cost(
    kind: str, every: float, own: pd.DataFrame, numbers: pd.DataFrame, rates: pd.DataFrame, rng: np.random.Generator
) -> np.ndarray:
    """True money a year of each compartment of a kind at one interval."""
    truth = demo_recipe().compartments[kind]
    families = (
        numbers[numbers["family"].isin(own["family"])].groupby("analyte", as_index=False).median(numeric_only=True)
    )
    mine = rates[rates["kind"] == kind]
    sampled = np.isfinite(every)
    caught, lived, false = (
        true_outcome(kind, every, 1500, families, mine, truth.residual, float(mine["change_every_h"].median()), rng)
        if sampled
        else (0.0, truth.delay_mean_h, 0.0)
    )
    hour = own["downtime_cost_per_h"].fillna(0).to_numpy()
    planned = truth.planned_cost + hour * truth.planned_downtime_h
    failure = truth.failure_cost + hour * truth.failure_downtime_h
    cycle = 1 / truth.fault_per_h + lived
    looked = truth.inspect_cost * false / truth.fault_per_h / every if sampled else 0.0
    per_hour = own["sample_cost"].to_numpy() / every + (planned * caught + failure * (1 - caught) + looked) / cycle
    return per_hour * 365 * own["h_per_day"].fillna(0).to_numpy()


PARTS = {"speed": speed, "events": events, "filter": real_filter, "history": history, "plan": plan}


def main(names: list[str]) -> None:
    """Run the parts named, or all."""
    for name in names or PARTS:
        start = time.perf_counter()
        PARTS[name]()
        print(f"  [{name}: {time.perf_counter() - start:.0f} s]\n", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
