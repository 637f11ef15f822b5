"""Compartments that wear out: defects that start more often with age, a planned change-out at a fixed age, and
intervals by age band.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.polynomial.legendre import leggauss

from cmkit.intervals.cost import Case, interval_cost
from cmkit.intervals.delay import Array, delay_reach, delay_survival
from cmkit.intervals.detection import SteadyFilter, alarm_chance, retention, signatures, steady_filter

_POINTS = 6


@dataclass(frozen=True)
class Ageing:
    """Weibull age (operating hours) at which a defect starts: shape (> 0; 1 = no ageing) and scale_h (> 0)."""

    shape: float
    scale_h: float

    def hazard(self, age_h: Array) -> Array:
        """Rate (1/h) at which defects start at this age."""
        return self.shape / self.scale_h * (np.asarray(age_h, float) / self.scale_h) ** (self.shape - 1)

    def survival(self, age_h: Array) -> Array:
        """Chance that no defect has started by this age."""
        return np.exp(-((np.asarray(age_h, float) / self.scale_h) ** self.shape))


def age_bands(case: Case, ageing: Ageing, edges_h: Array, allowed_h: Array) -> pd.DataFrame:
    """Best allowed interval in each age band, with the hazard of the band's middle used as if it were constant.

    case: one compartment (its defect rate is replaced); edges_h: rising band edges (h); allowed_h: intervals to choose
    from, inf = none. Returns from_h, to_h, defect_rate_per_h, every_h, cost_per_h.
    """
    edges, allowed = np.asarray(edges_h, float), np.asarray(allowed_h, float)
    rate = ageing.hazard((edges[:-1] + edges[1:]) / 2)
    cost = interval_cost(replace(case, defect_rate_per_h=rate), allowed, fine=True).cost_per_h
    best = cost.argmin(axis=1)
    return pd.DataFrame(
        {
            "from_h": edges[:-1],
            "to_h": edges[1:],
            "defect_rate_per_h": rate,
            "every_h": allowed[best],
            "cost_per_h": cost[np.arange(len(best)), best],
        }
    )


def change_out_cost(case: Case, every_h: float, age_h: float, ageing: Ageing) -> float:
    """Cost per operating hour of sampling every `every_h` hours and changing out at `age_h` if nothing happens before.

    case: one compartment with a given level or a constant chance; every_h = inf: no sampling. The grid restarts at each
    renewal; a planned change-out costs case.planned_cost. With no sampling and no delay this is age replacement (Barlow
    and Proschan 1965); with no ageing and a long age it is :func:`cmkit.intervals.cost.interval_cost` on a restarted
    grid.
    """
    c = {name: float(column[0]) for name, column in case.columns().items()}
    sampled = bool(np.isfinite(every_h))
    step = float(every_h) if sampled else age_h / 64
    caught = failed = life = healthy = 0.0
    for phase, weight in _starts(step, age_h):
        start = np.arange(phase, age_h, step)
        density = weight * ageing.hazard(start) * ageing.survival(start)
        p, f, lived = _truncated(c, step, step - phase, age_h - start, sampled)
        caught += float(density @ p)
        failed += float(density @ f)
        life += float(density @ (start + lived))
        healthy += float(density @ start)
    untouched = float(ageing.survival(age_h))
    life, healthy = life + age_h * untouched, healthy + age_h * untouched
    samples = 1 / step if sampled else 0.0
    money = c["planned_cost"] * (1 - failed) + c["failure_cost"] * failed
    return (samples * (c["sample_cost"] * life + c["inspect_cost"] * c["false_alarm"] * healthy) + money) / life


def _starts(step: float, age_h: float) -> list[tuple[float, float]]:
    """Places within one interval where a defect may start, with weights; split where the change-out falls."""
    x, w = leggauss(_POINTS)
    cut = age_h % step
    parts = [(0.0, cut), (cut, step)] if cut > 1e-9 * step else [(0.0, step)]
    return [(a + (b - a) * (xi + 1) / 2, wi * (b - a) / 2) for a, b in parts for xi, wi in zip(x, w, strict=True)]


def _truncated(
    c: dict[str, float], step: float, first: float, room: Array, sampled: bool
) -> tuple[Array, Array, Array]:
    """Chance caught, chance failed and mean hours lived of a defect that has only `room` hours (array) until the
    change-out.
    """
    h, weight, last = _delays(c, step, first, room)
    chance = _chances(c, step, first, h, last) if sampled else iter(())
    alive, calls, ends = weight.copy(), [], []
    for k, p in enumerate(chance):
        end = first + k * step + c["turnaround_h"]
        called = np.where(h > end, alive * p, 0.0)
        alive = alive - called
        calls.append(called.sum())
        ends.append(end)
    by_call = np.concatenate([[0.0], np.cumsum(calls)])
    by_call_h = np.concatenate([[0.0], np.cumsum(np.multiply(calls, ends))])
    by_fail = np.concatenate([[0.0], np.cumsum(alive)])
    by_fail_h = np.concatenate([[0.0], np.cumsum(alive * h)])
    n_calls = np.searchsorted(np.array(ends), room - 1e-9 * step)
    n_fails = np.searchsorted(h, room)
    caught, failed = by_call[n_calls], by_fail[n_fails]
    return caught, failed, by_call_h[n_calls] + by_fail_h[n_fails] + room * (1 - caught - failed)


def _delays(c: dict[str, float], step: float, first: float, room: Array) -> tuple[Array, Array, int]:
    """Sorted delays with exact panel masses, panels broken where a sample or the change-out begins to count; number of
    samples.
    """
    if c["delay_shape"] <= 0:
        return np.array([c["delay_mean_h"]]), np.ones(1), int(max(0, c["delay_mean_h"] - first) / step) + 1
    reach = float(delay_reach(c["delay_mean_h"], c["delay_shape"], 20.0))
    last = int(np.clip((reach - first - c["turnaround_h"]) / step, 0, 5000)) + 1
    breaks = np.concatenate([np.linspace(0, reach, 41), first + c["turnaround_h"] + step * np.arange(last), room])
    edges = np.unique(breaks[breaks <= reach])
    x, w = leggauss(_POINTS)
    h = edges[:-1, None] + np.diff(edges)[:, None] * (x + 1) / 2
    survival = delay_survival(edges, c["delay_mean_h"], c["delay_shape"])
    density = w * h ** (c["delay_shape"] - 1) * delay_survival(h, c["delay_mean_h"], c["delay_shape"])
    total = density.sum(axis=1, keepdims=True)
    share = np.divide(density, total, out=np.full_like(density, 1 / _POINTS), where=total > 0)
    return h.ravel(), (share * -np.diff(survival)[:, None]).ravel(), last


def _chances(c: dict[str, float], step: float, first: float, h: Array, last: int) -> Iterator[Array]:
    """Chance of an acted alarm at samples 1..last, as arrays over the delays h."""
    if not np.isnan(c["chance"]):
        yield from (np.full(h.shape, c["chance"]) for _ in range(last))
        return
    values = {n: c[n] for n in ("noise_floor", "noise_share", "load_share", "drift_share", "level")}
    steady: SteadyFilter = steady_filter(step, c["base_rate"], **values)
    kept = retention(step, c["change_every_h"], c["residual"])
    excess = c["base_rate"] * (c["rate_multiple"] - 1)
    size = h ** -c["growth"]
    for mark in signatures(first, step, excess, c["growth"], kept=kept, steady=steady, last=last):
        yield alarm_chance(
            mark.departure * size,
            mark.followed * size,
            steady,
            noise_share=c["noise_share"],
            level=c["level"],
            z_alarm=c["z_alarm"],
            acted=c["acted_share"],
            metals=c["metals"],
        )
