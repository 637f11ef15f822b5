"""Interval rules for those who have no history yet: closed forms of the trade's textbooks, each with its source.

Money in one currency; hours are operating hours. An answer that has no finite best is said in words, with every_h NaN.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq, minimize_scalar
from scipy.special import gamma, gammainc

from cmkit.intervals.delay import Array, delay_scale


@dataclass(frozen=True)
class Answer:
    """An interval (h; NaN: none), the cost per hour there (NaN where the rule has no cost), and
    what it means in words.
    """

    every_h: float
    cost_per_h: float
    words: str


def _positive(**values: Array) -> None:
    for name, value in values.items():
        if not np.all(np.asarray(value) > 0):
            raise ValueError(f"{name}: found {np.min(value):g}, wanted a value above zero.")


def _share(**values: float) -> None:
    for name, value in values.items():
        if not 0 < value < 1:
            raise ValueError(f"{name}: found {value:g}, wanted a share between 0 and 1, both excluded.")


# On-condition tasks from the P-F interval (NAVAIR 00-25-403, Guidelines for the naval aviation reliability-centered
# maintenance process)


def tasks_for_risk(detection: float, accepted_fail: float) -> float:
    """Number of looks within the P-F interval so that at most `accepted_fail` of defects are missed: ln(P)/ln(1 -
    detection).
    """
    _share(detection=detection, accepted_fail=accepted_fail)
    return float(np.log(accepted_fail) / np.log(1 - detection))


def interval_for_risk(pf_h: float, detection: float, accepted_fail: float) -> Answer:
    """On-condition interval I = PF/n that misses at most a share `accepted_fail` of defects (0..1); PF in hours."""
    _positive(pf_h=pf_h)
    n = tasks_for_risk(detection, accepted_fail)
    return Answer(
        pf_h / n,
        np.nan,
        f"{n:.2f} looks in {pf_h:,.0f} h: one every {pf_h / n:,.0f} h misses {accepted_fail:.2%} of defects",
    )


def interval_for_cost(
    pf_h: float, detection: float, mtbf_h: float, *, task_cost: float, planned_cost: float, failure_cost: float
) -> Answer:
    """On-condition interval of least cost: n = ln[-(MTBF/PF) Ci/((Cf - Cp) ln(1 - detection))]/ln(1 - detection), I =
    PF/n.

    Cost per hour n Ci/PF + [Cp (1 - (1-d)^n) + Cf (1-d)^n]/MTBF; NAVAIR 00-25-403. None when a failure costs no more
    than a planned repair, or when even one look in the P-F interval is not worth its cost (n <= 0).
    """
    _positive(pf_h=pf_h, mtbf_h=mtbf_h, task_cost=task_cost)
    _share(detection=detection)
    without = failure_cost / mtbf_h
    if failure_cost <= planned_cost:
        return Answer(np.nan, without, "never: a failure costs no more than a planned repair, so looking gains nothing")
    log_miss = np.log(1 - detection)
    inside = -(mtbf_h / pf_h) * task_cost / ((failure_cost - planned_cost) * log_miss)
    n = float(np.log(inside) / log_miss) if inside < 1 else 0.0
    cost = on_condition_cost(
        n, pf_h, detection, mtbf_h, task_cost=task_cost, planned_cost=planned_cost, failure_cost=failure_cost
    )
    if n <= 0 or cost >= without:
        return Answer(np.nan, without, "never: a look costs more than it is expected to save at any interval")
    words = (
        f"{n:.2f} looks in {pf_h:,.0f} h: one every {pf_h / n:,.0f} h, {1000 * cost:,.0f} per 1,000 h against "
        f"{1000 * without:,.0f} without"
    )
    return Answer(pf_h / n, cost, words)


def on_condition_cost(
    n: float,
    pf_h: float,
    detection: float,
    mtbf_h: float,
    *,
    task_cost: float,
    planned_cost: float,
    failure_cost: float,
) -> float:
    """Cost per hour of n looks in each P-F interval (the smooth form, n need not be whole)."""
    miss = (1 - detection) ** n
    return float(n * task_cost / pf_h + (planned_cost * (1 - miss) + failure_cost * miss) / mtbf_h)


def missed_fixed_delay(pf_h: float, every_h: float, detection: float) -> float:
    """Share of defects missed when the P-F interval is fixed and the grid falls at random: exact, where the smooth form
    is not.
    """
    _positive(pf_h=pf_h, every_h=every_h)
    looks = pf_h / every_h
    whole = np.floor(looks * (1 + 1e-12))
    part = max(looks - whole, 0.0)
    return float((1 - part) * (1 - detection) ** whole + part * (1 - detection) ** (whole + 1))


# Delay-time model in closed form (Christer and Waller 1984; exponential delay)


def share_failed(every_h: Array, delay_mean_h: float, detection: float = 1.0) -> Array:
    """b(T): share of defects that fail before an inspection finds them; exponential delay, detection 0..1 at each
    inspection.

    b = 1 - (r/(aT)) (1 - e^-aT)/(1 - (1 - r) e^-aT), a = 1/mean.
    """
    x = np.asarray(every_h, float) / delay_mean_h
    return 1 + detection / x * np.expm1(-x) / (1 - (1 - detection) * np.exp(-x))


def share_failed_weibull(every_h: Array, delay_mean_h: Array, shape: Array) -> Array:
    """b(T) for a Weibull delay and perfect inspection: 1 - Gamma(1 + 1/k) P(1/k, (T/s)^k) s/T, s the scale."""
    _positive(delay_mean_h=delay_mean_h, shape=shape)
    ratio = np.asarray(every_h, float) / delay_scale(delay_mean_h, shape)
    return 1 - gamma(1 + 1 / shape) * gammainc(1 / shape, ratio**shape) / ratio


def delay_time_cost(
    every_h: Array,
    defect_rate: float,
    failed: Array,
    *,
    task_cost: float,
    planned_cost: float,
    failure_cost: float,
) -> Array:
    """C(T) = k [cf b + ci (1 - b)] + cI/T with defects arriving at rate k whatever the state (money/h); `failed` is
    b(T).
    """
    failed = np.asarray(failed, float)
    return defect_rate * (failure_cost * failed + planned_cost * (1 - failed)) + task_cost / np.asarray(every_h, float)


def delay_time_interval(
    defect_rate: float,
    delay_mean_h: float,
    detection: float,
    *,
    task_cost: float,
    planned_cost: float,
    failure_cost: float,
) -> Answer:
    """Inspection interval of least cost in the delay-time model with exponential delay (Christer and Waller 1984)."""
    _positive(defect_rate=defect_rate, delay_mean_h=delay_mean_h, task_cost=task_cost, detection=detection)
    without = defect_rate * failure_cost
    if failure_cost <= planned_cost:
        return Answer(
            np.nan,
            without,
            "never inspect: a failure costs no more than a planned repair, so the longer the interval the better",
        )

    def cost(log_t: float) -> float:
        t = np.exp(log_t)
        return float(
            delay_time_cost(
                t,
                defect_rate,
                share_failed(t, delay_mean_h, detection),
                task_cost=task_cost,
                planned_cost=planned_cost,
                failure_cost=failure_cost,
            )
        )

    at, value = _least(cost, np.log(delay_mean_h) - 9, np.log(delay_mean_h) + 9)
    if value >= without * (1 - 1e-12):
        return Answer(
            np.nan, without, "never inspect: an inspection costs more than it is expected to save at any interval"
        )
    every = float(np.exp(at))
    return Answer(
        every,
        value,
        f"inspect every {every:,.1f} h: {1000 * value:,.0f} per 1,000 h against {1000 * without:,.0f} without",
    )


def downtime_share(every_h: Array, defect_rate: float, failed: Array, failure_h: float, inspect_h: float) -> Array:
    """D(T) = (k T b d_b + d)/(T + d): share of time lost to failures (d_b hours each) and
    inspections (d hours each).
    """
    t = np.asarray(every_h, float)
    return (defect_rate * t * failed * failure_h + inspect_h) / (t + inspect_h)


def downtime_interval(defect_rate: float, delay_mean_h: float, failure_h: float, inspect_h: float) -> Answer:
    """Interval of least downtime, perfect inspection and exponential delay; cost_per_h is the share of time lost."""
    _positive(defect_rate=defect_rate, delay_mean_h=delay_mean_h, failure_h=failure_h, inspect_h=inspect_h)

    def lost(log_t: float) -> float:
        t = np.exp(log_t)
        return float(downtime_share(t, defect_rate, share_failed(t, delay_mean_h), failure_h, inspect_h))

    at, value = _least(lost, np.log(delay_mean_h) - 9, np.log(delay_mean_h) + 9)
    without = defect_rate * failure_h
    if value >= without * (1 - 1e-9):
        return Answer(
            np.nan, without, "never inspect: inspections would lose more hours than the failures they prevent"
        )
    return Answer(
        float(np.exp(at)),
        value,
        f"inspect every {np.exp(at):,.2f} h: {value:.2%} of time lost against {without:.2%} without",
    )


def uniform_delay_interval(
    longest_h: float, defect_rate: float, task_cost: float, planned_cost: float, failure_cost: float
) -> Answer:
    """Perfect inspection, delay uniform on (0, longest_h): b = T/(2 h) up to h, so T = sqrt(2 h cI/(k (cf - ci)))."""
    _positive(longest_h=longest_h, defect_rate=defect_rate, task_cost=task_cost)
    without = defect_rate * failure_cost
    if failure_cost <= planned_cost:
        return Answer(np.nan, without, "never inspect: a failure costs no more than a planned repair")
    every = float(np.sqrt(2 * longest_h * task_cost / (defect_rate * (failure_cost - planned_cost))))
    value = float(
        delay_time_cost(
            every,
            defect_rate,
            every / (2 * longest_h),
            task_cost=task_cost,
            planned_cost=planned_cost,
            failure_cost=failure_cost,
        )
    )
    if every > longest_h or value >= without:
        return Answer(
            np.nan, without, "never inspect: an inspection costs more than it is expected to save at any interval"
        )
    return Answer(
        every,
        value,
        f"inspect every {every:,.1f} h: {1000 * value:,.0f} per 1,000 h against {1000 * without:,.0f} without",
    )


def _least(f: Callable[[float], float], low: float, high: float) -> tuple[float, float]:
    """Least of f on (low, high): a grid to find the valley, then Brent within it."""
    x = np.linspace(low, high, 181)
    y = np.array([f(v) for v in x])
    i = int(np.clip(y.argmin(), 1, len(x) - 2))
    found = (
        minimize_scalar(f, bracket=(x[i - 1], x[i], x[i + 1]), method="brent", options={"xtol": 1e-10})
        if y[i] < min(y[0], y[-1])
        else None
    )
    return (float(found.x), float(found.fun)) if found is not None else (float(x[y.argmin()]), float(y.min()))


# Failure finding of hidden functions


def unavailability(every_h: float, mtbf_h: float) -> float:
    """Mean share of time a hidden function is dead when tested every `every_h` hours: 1 - (M/T)(1 - e^-T/M)."""
    _positive(every_h=every_h, mtbf_h=mtbf_h)
    x = every_h / mtbf_h
    return float(1 + np.expm1(-x) / x)


def failure_finding(mtbf_h: float, accepted: float) -> Answer:
    """Test interval of a hidden function (one device, exponential life) that keeps its unavailability at `accepted`
    (0..1).
    """
    _positive(mtbf_h=mtbf_h)
    _share(accepted=accepted)
    x = brentq(lambda v: 1 + np.expm1(-v) / v - accepted, 1e-9, 2 / (1 - accepted) + 2, xtol=1e-14, rtol=1e-13)
    return Answer(mtbf_h * x, np.nan, f"test every {mtbf_h * x:,.1f} h: dead {accepted:.2%} of the time on average")


def failure_finding_cost(rate_per_h: float, test_cost: float, dead_cost_per_h: float) -> Answer:
    """Test interval of a hidden, exponential failure by cost until it is found (Barlow and Proschan 1965): e^(Lx) - Lx
    = 1 + L c1/c2.

    cost_per_h is the least expected cost per failure found, c1 + c2 x.
    """
    _positive(rate_per_h=rate_per_h, test_cost=test_cost, dead_cost_per_h=dead_cost_per_h)
    target = rate_per_h * test_cost / dead_cost_per_h
    y = brentq(
        lambda v: np.expm1(v) - v - target, 1e-12, 2 + np.sqrt(2 * target) + np.log1p(target), xtol=1e-15, rtol=1e-13
    )
    x = y / rate_per_h
    return Answer(x, test_cost + dead_cost_per_h * x, f"test every {x:,.2f} h")


def inspections_uniform_life(life_h: float, test_cost: float, dead_cost_per_h: float) -> np.ndarray:
    """Best inspection times (h) of a life uniform on (0, life_h): x_k = k l/n + k (n - k) c1/(2 c2) (Barlow and
    Proschan 1965).

    n is the largest whole number with n (n - 1) <= 2 c2 l/c1, so that the last spacing stays positive.
    """
    _positive(life_h=life_h, test_cost=test_cost, dead_cost_per_h=dead_cost_per_h)
    ratio = test_cost / dead_cost_per_h
    n = int(np.floor((1 + np.sqrt(1 + 8 * life_h / ratio)) / 2 * (1 - 1e-12)))
    k = np.arange(1, n + 1)
    return k * life_h / n + ratio * k * (n - k) / 2


# Age replacement (Barlow and Proschan 1965)


def age_replacement_cost(
    age_h: float, survival: Callable[[float], float], planned_cost: float, failure_cost: float
) -> float:
    """[cp R(t) + cf (1 - R(t))]/integral of R to t, for any survival function of hours."""
    up, _ = quad(survival, 0, age_h, limit=200)
    alive = float(survival(age_h))
    return float((planned_cost * alive + failure_cost * (1 - alive)) / up)


def age_replacement(shape: float, scale_h: float, planned_cost: float, failure_cost: float) -> Answer:
    """Age at which to replace a part with Weibull life: h(t) int_0^t R - F(t) = cp/(cf - cp); cost there (cf - cp)
    h(t).

    None for shape <= 1 (the hazard does not rise: an old part is as good as a new one) and for cf <= cp.
    """
    _positive(shape=shape, scale_h=scale_h, planned_cost=planned_cost)
    run_to_failure = failure_cost / (scale_h * gamma(1 + 1 / shape))
    if failure_cost <= planned_cost:
        return Answer(
            np.nan, run_to_failure, "no best age: a failure costs no more than a planned replacement; run to failure"
        )
    if shape <= 1:
        return Answer(
            np.nan,
            run_to_failure,
            "no best age: the hazard does not rise, so an old part is as good as a new one; run to failure",
        )

    def balance(log_t: float) -> float:
        t = np.exp(log_t)
        up = gamma(1 + 1 / shape) * gammainc(1 / shape, t**shape)
        return float(
            shape * t ** (shape - 1) * up + np.expm1(-(t**shape)) - planned_cost / (failure_cost - planned_cost)
        )

    high = 1.0
    while balance(np.log(high)) < 0 and high < 1e8:
        high *= 2
    t = float(np.exp(brentq(balance, np.log(1e-9), np.log(high), xtol=1e-13)))
    rate = (failure_cost - planned_cost) * shape / scale_h * t ** (shape - 1)
    if rate >= run_to_failure * (1 - 1e-9):
        return Answer(np.nan, run_to_failure, "no best age worth having: replacing early saves nothing; run to failure")
    return Answer(
        t * scale_h,
        rate,
        f"replace at {t * scale_h:,.0f} h: {1000 * rate:,.0f} per 1,000 h against {1000 * run_to_failure:,.0f} run to "
        f"failure",
    )


# Reliability to the end of a mission


def mission_reliability(
    every_h: float, samples: int, mission_h: float, defect_mean_h: float, delay_mean_h: float
) -> float:
    """Chance of no failure in `mission_h` with `samples` perfect samples every `every_h` hours, exponential start and
    delay.
    """
    rest = mission_h - samples * every_h
    if rest < 0:
        raise ValueError(f"{samples} samples every {every_h:g} h do not fit into {mission_h:g} h.")
    return float(_alive(every_h, defect_mean_h, delay_mean_h) ** samples * _alive(rest, defect_mean_h, delay_mean_h))


def _alive(t: float, a: float, b: float) -> float:
    """Chance that the sum of two exponential times with means a and b exceeds t."""
    if np.isclose(a, b, rtol=1e-9):
        return float(np.exp(-t / a) * (1 + t / a))
    return float((a * np.exp(-t / a) - b * np.exp(-t / b)) / (a - b))


# Drain interval


def drain_interval_by_cost(shape: float, scale_h: float, change_cost: float, worn_out_cost: float) -> Answer:
    """Fluid change interval of least cost: an age replacement of the fluid, whose useful life is Weibull; costs include
    downtime.
    """
    answer = age_replacement(shape, scale_h, change_cost, worn_out_cost)
    return Answer(
        answer.every_h, answer.cost_per_h, answer.words.replace("replace at", "change at").replace("part", "fluid")
    )


@dataclass(frozen=True)
class Reach:
    """When a falling or rising property meets its limit: median hours and the 90 % interval (NaN: not on this trend),
    and words.
    """

    hours: float
    low_h: float
    high_h: float
    words: str


def hours_to_limit(
    fluid_h: np.ndarray, values: np.ndarray, limit: float, draws: int, rng: np.random.Generator
) -> Reach:
    """Fluid hours at which a straight line through results meets `limit`: base number falling, oxidation rising.

    fluid_h, values: (n,), n >= 3 results of one fluid life or several alike lives; limit in the unit of values; rng for
    the interval (draws of line coefficients from their t distribution). Beyond the oldest result it is an
    extrapolation, and the words say so.
    """
    t, y = np.asarray(fluid_h, float), np.asarray(values, float)
    if t.size != y.size or t.size < 3 or np.ptp(t) == 0:
        raise ValueError(
            f"found {t.size} results over {np.ptp(t) if t.size else 0:g} h; wanted three or more at different fluid "
            f"hours."
        )
    design = np.column_stack([np.ones_like(t), t])
    line, *_ = np.linalg.lstsq(design, y, rcond=None)
    spread = float(np.sum((y - design @ line) ** 2)) / (t.size - 2)
    root = np.linalg.cholesky(np.linalg.inv(design.T @ design))
    scale = np.sqrt(spread * (t.size - 2) / rng.chisquare(t.size - 2, draws))
    lines = line[:, None] + root @ rng.standard_normal((2, draws)) * scale
    hours = np.array(_crossing(line[0], line[1], limit, line[1]))
    many = _crossing(lines[0], lines[1], limit, line[1])
    low, high = np.quantile(many, [0.05, 0.95], method="nearest")
    words = _reach_words(float(hours), float(high), float(t.max()))
    found, low, high = (float(h) if np.isfinite(h) else np.nan for h in (hours, low, high))
    return Reach(found, low, high, words)


def _crossing(start: Array, slope: Array, limit: float, towards: float) -> Array:
    """Hours from new to the limit along lines that move in the direction of `towards`; inf where a line never gets
    there.
    """
    gap = np.asarray((limit - start) * np.sign(towards))
    speed = np.asarray(slope * np.sign(towards))
    return np.divide(gap, speed, out=np.full(gap.shape, np.inf), where=(speed > 0) & (gap >= 0))


def _reach_words(hours: float, high: float, seen: float) -> str:
    if not np.isfinite(hours):
        return "not on this trend: the line does not run towards the limit"
    text = f"the limit is met at about {hours:,.0f} fluid hours"
    if not np.isfinite(high):
        text += "; on the slow side of its uncertainty it is never met"
    if hours > 1.1 * seen:
        text += f"; beyond the data, which end at {seen:,.0f} h"
    return text


def drain_interval_by_condition(reaches: dict[str, Reach], grid_h: tuple[float, ...]) -> Answer:
    """Longest service interval that keeps every property on the safe side: the 5 % bound of the earliest one, rounded
    down to the grid.
    """
    bounds = {name: reach.low_h for name, reach in reaches.items() if np.isfinite(reach.low_h)}
    if not bounds:
        return Answer(
            np.nan, np.nan, "no property moves towards its limit: the fluid's condition gives no reason to change it"
        )
    first = min(bounds, key=lambda name: bounds[name])
    fits = [g for g in grid_h if g <= bounds[first]]
    if not fits:
        return Answer(
            np.nan, np.nan, f"{first} may be met at {bounds[first]:,.0f} h, before the shortest service interval"
        )
    return Answer(
        max(fits), np.nan, f"change every {max(fits):,.0f} h: {first} may meet its limit from {bounds[first]:,.0f} h on"
    )
