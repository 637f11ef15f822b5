"""Compartments followed event by event, written from the words of the model and not from its formulas: what the cost
formulas are checked against.

Machines run on one clock each; samples fall on multiples of the interval; every sample is paid, every healthy one may
raise a false alarm, every defect is followed from sample to sample until it is called (and repaired a turnaround later)
or fails. The filter's gains come from scipy's solver of the discrete Riccati equation.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_discrete_are
from scipy.special import gamma
from scipy.stats import norm

from cmkit.intervals.cost import Case
from cmkit.wear.filter import Numbers, wear_rates


@dataclass(frozen=True)
class Seen:
    """Per operating hour and per defect."""

    cost_per_h: float
    p_caught: float
    warning_h: float
    defect_h: float
    defects: int


def gains(case: Case, every_h: float) -> tuple[float, float, float]:
    """Spread of the forecast and gains of the settled filter, by scipy."""
    drift = (case.drift_share * case.base_rate) ** 2 * every_h / 1000
    load = (case.load_share * case.base_rate * every_h) ** 2
    move = np.array([[1.0, every_h], [0.0, 1.0]])
    q = np.array([[load + drift * every_h**2 / 3, drift * every_h / 2], [drift * every_h / 2, drift]])
    see = np.array([[1.0, 0.0]])
    noise = case.noise_floor**2 + (case.noise_share * case.level) ** 2
    before = solve_discrete_are(move.T, see.T, q, np.array([[noise]]))
    s = before[0, 0] + noise
    return s, before[0, 0] / s, before[1, 0] / s


def follow(
    case: Case, every_h: float, first: np.ndarray, life: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """(called in time, age at repair or failure) of defects with these delays, first sampled `first` hours after they
    began.
    """
    s, k1, k2 = gains(case, every_h) if np.isnan(case.chance) else (1.0, 0.0, 0.0)
    keep = 1 - (1 - case.residual) * min(1.0, every_h / case.change_every_h)
    level_true = level_known = rate_known = np.zeros_like(life)
    caught, end = np.zeros(len(life), bool), life.copy()
    age = first.copy()
    while True:
        there = ~caught & (age + case.turnaround_h < life)
        if not there.any():
            return caught, end
        begun = np.maximum(age - every_h, 0)
        gain = case.base_rate * (case.rate_multiple - 1) / (case.growth + 1) / life**case.growth
        added = gain * (age ** (case.growth + 1) - begun ** (case.growth + 1))
        level_true = keep * level_true + added
        forecast = keep * level_known + every_h * rate_known
        departure = level_true - forecast
        spread = np.sqrt(s + case.noise_share**2 * ((case.level + forecast) ** 2 - case.level**2))
        p = case.acted_share * norm.sf(case.z_alarm, loc=departure / spread) if np.isnan(case.chance) else case.chance
        level_known, rate_known = forecast + k1 * departure, rate_known + k2 * departure
        called = there & (rng.random(len(life)) < p)
        caught |= called
        end[called] = age[called] + case.turnaround_h
        age = age + every_h


def simulate(
    case: Case, every_h: float, machines: int, cycles: int, rng: np.random.Generator, restarted: bool = False
) -> Seen:
    """Run `machines` clocks through `cycles` renewals each."""
    clock, money = rng.uniform(0, every_h, machines), 0.0
    hours = caught_n = warned = lived = 0.0
    for _ in range(cycles):
        if restarted:
            clock = np.zeros(machines)
        begin = clock + rng.exponential(1 / case.defect_rate_per_h, machines)
        scale = case.delay_mean_h / gamma(1 + 1 / case.delay_shape) if case.delay_shape > 0 else 0.0
        life = (
            scale * rng.weibull(case.delay_shape, machines)
            if case.delay_shape > 0
            else np.full(machines, float(case.delay_mean_h))
        )
        healthy = np.floor(begin / every_h) - np.floor(clock / every_h)
        first = (np.floor(begin / every_h) + 1) * every_h - begin
        caught, end = follow(case, every_h, first, life, rng)
        drawn = np.floor((begin + end) / every_h) - np.floor(clock / every_h)
        if (
            restarted
        ):  # the renewal formula pays for 1/T samples an hour whatever the grid; here the count would restart too
            drawn, healthy = (begin + end) / every_h, begin / every_h
        false = rng.binomial(np.maximum(healthy, 0).astype(int), case.false_alarm)
        money += drawn.sum() * case.sample_cost + false.sum() * case.inspect_cost
        money += np.where(caught, case.planned_cost, case.failure_cost).sum()
        hours += (begin + end - clock).sum()
        caught_n += caught.sum()
        warned += (life - end)[caught].sum()
        lived += end.sum()
        clock = begin + end
    n = machines * cycles
    return Seen(money / hours, caught_n / n, warned / max(caught_n, 1), lived / n, n)


def planted(case: Case, every: float, noise: tuple[float, float], n: int, rng: np.random.Generator) -> float:
    """Share of n planted defects that the real filter calls (z >= 3) and repairs in time; healthy for 16 samples
    before.

    One metal, level by hand: rate with machine spread .4, drift and load noise, fluid changed every
    case.change_every_h, results rounded.
    """
    before, after = 16, int(np.ceil(3.4 * case.delay_mean_h / every)) + 2
    life = case.delay_mean_h / gamma(1 + 1 / case.delay_shape) * rng.weibull(case.delay_shape, n)
    begin = before * every - rng.uniform(0, every, n)
    rate = case.base_rate * rng.lognormal(-0.08, 0.4, n)
    drift, level = np.zeros(n), np.full(n, case.base_rate * case.change_every_h / 2)
    shift = rng.integers(0, max(1, round(case.change_every_h / every)), n)
    y, phi = np.empty((n, before + after)), np.ones((n, before + after))
    for k in range(before + after):
        changed = (k + shift) % max(1, round(case.change_every_h / every)) == 0
        phi[:, k] = np.where(changed, case.residual, 1.0)
        drift = np.exp(-every / 1000) * drift + 0.15 * np.sqrt(-np.expm1(-2 * every / 1000)) * rng.standard_normal(n)
        mid = rate * (1 + drift) * (1 + 0.1 * rng.standard_normal(n))
        a, b = (np.clip(k * every + step - begin, 0, life) for step in (0, every))
        grown = (
            mid
            * (case.rate_multiple - 1)
            / (case.growth + 1)
            * life
            * ((b / life) ** (case.growth + 1) - (a / life) ** (case.growth + 1))
        )
        level = phi[:, k] * level + mid * every + grown
        own, shared = (sd * rng.standard_normal(n) for sd in noise)
        y[:, k] = np.round(np.maximum(level * np.exp(own + shared) + 0.5 * rng.standard_normal(n), 0))
    numbers = Numbers(
        rate_mean=case.base_rate,
        rate_sd=0.4 * case.base_rate,
        level_mean=case.base_rate * case.change_every_h / 2,
        level_var=100.0,
        noise_floor=0.5,
        noise_share=case.noise_share,
        load_share=0.1,
        drift_share=case.drift_share,
    )
    z = wear_rates(y, None, phi, every, 0.0, sd_phi=0.0, hours=every, numbers=numbers, accept=False).z
    age = (np.arange(before + after) + 1) * every - begin[:, None]
    in_time = (age > 0) & (age + case.turnaround_h < life[:, None]) & (z >= case.z_alarm)
    return float(in_time.any(axis=1).mean())


CASES = {
    "worked": Case(
        defect_rate_per_h=0.000125,
        delay_mean_h=1200.0,
        delay_shape=2.0,
        base_rate=0.08,
        rate_multiple=6.0,
        growth=1.0,
        noise_floor=0.6,
        noise_share=0.1,
        load_share=0.12,
        drift_share=0.15,
        level=80.0,
        change_every_h=2000.0,
        residual=0.08,
        sample_cost=60.0,
        inspect_cost=400.0,
        planned_cost=12000.0,
        failure_cost=60000.0,
        false_alarm=0.004,
        turnaround_h=100.0,
    ),
    "fast growth": Case(
        defect_rate_per_h=0.00016666666666666666,
        delay_mean_h=600.0,
        delay_shape=1.5,
        base_rate=0.05,
        rate_multiple=8.0,
        growth=2.0,
        noise_floor=0.5,
        noise_share=0.07,
        load_share=0.1,
        drift_share=0.2,
        level=25.0,
        change_every_h=500.0,
        residual=0.1,
        sample_cost=45.0,
        inspect_cost=300.0,
        planned_cost=9000.0,
        failure_cost=50000.0,
        false_alarm=0.01,
        turnaround_h=60.0,
    ),
    "long delay": Case(
        defect_rate_per_h=8.333333333333333e-05,
        delay_mean_h=2500.0,
        delay_shape=1.0,
        base_rate=0.006,
        rate_multiple=10.0,
        growth=0.5,
        noise_floor=0.5,
        noise_share=0.1,
        load_share=0.12,
        drift_share=0.2,
        level=12.0,
        change_every_h=4000.0,
        residual=0.35,
        sample_cost=40.0,
        inspect_cost=300.0,
        planned_cost=9000.0,
        failure_cost=40000.0,
        false_alarm=0.01,
        turnaround_h=120.0,
    ),
    "constant chance": Case(
        defect_rate_per_h=0.0002,
        delay_mean_h=900.0,
        delay_shape=3.0,
        chance=0.6,
        base_rate=1.0,
        rate_multiple=2.0,
        level=1.0,
        sample_cost=80.0,
        inspect_cost=400.0,
        planned_cost=7000.0,
        failure_cost=36000.0,
        false_alarm=0.02,
        turnaround_h=80.0,
    ),
}
