"""Defect rate, delay to failure and chance of detection from the organisation's own samples, looks inside and failures.

A hidden chain: healthy, then m equal delay phases (Erlang), then failed. What is recorded tells which states are
possible. Rate, delay and detection are fitted together with a prior, and each answer says how much of it is the
prior's. Work orders closed without opening the compartment are not `sound`; planned change-outs are `end`; failures of
other modes are left out; a repair is taken as as-new.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import factorial

import numpy as np
import pandas as pd
from numpy.polynomial.legendre import leggauss
from scipy.optimize import minimize

from cmkit.intervals.delay import Array
from cmkit.records.constants import HALF_NINETY

KINDS = ("nothing", "sound", "defect", "failure", "end", "healthy", "missed")
RECORDS = ["compartment", "hours", "kind"]
_IMPOSSIBLE = 1e10  # loss of records that no defect rate can have made
_RENEWS = [KINDS.index("defect"), KINDS.index("failure")]
FEW = 10  # events: with fewer, the delay is the prior's
ENOUGH = 50  # events: from so many on, the delay may be trusted (both measured; guide how_it_is_computed, G)


@dataclass(frozen=True)
class Prior:
    """What is believed before own records.

    rate_per_h and rate_events: defect rate (1/h) with the weight of so many events (0: no prior on the rate).
    delay_mean_h with delay_sd and detection (chance per sample, 0..1) with detection_sd: standard deviations of the
    logarithm and of the logit. phases: m >= 1.
    """

    rate_per_h: float = np.nan
    rate_events: float = 0.0
    delay_mean_h: float = 1000.0
    delay_sd: float = 1.0
    detection: float = 0.6
    detection_sd: float = 0.2
    phases: int = 2


@dataclass(frozen=True)
class DefectHistory:
    """Fitted defect rate (1/h), mean delay (h) and detection per sample, with 90 % intervals (low, high).

    covariance: of (log rate, log delay, logit detection); n_events: defects found plus failures; hours: hours observed;
    prior_weight: share of (rate, delay, detection) that comes from the prior, 0..1: of the hours behind the rate, of
    the precision of the others. Rate and its interval are NaN when nothing is known of it. delay_to_use_h: the fitted
    delay, but the assumed one below ten events, which do not tell delay and detection apart.
    """

    defect_rate_per_h: float
    delay_mean_h: float
    delay_to_use_h: float
    detection: float
    rate_interval: tuple[float, float]
    delay_interval: tuple[float, float]
    detection_interval: tuple[float, float]
    covariance: Array
    n_events: int
    hours: float
    prior_weight: tuple[float, float, float]
    log_likelihood: float
    words: str


@dataclass(frozen=True)
class _Steps:
    """Records in order of their place in their compartment's story, first records of all compartments first, the
    longest story on top.

    bounds: where each place begins and ends; distinct: hours since the record before, each value once; at: which of
    them, by record; kind: index into KINDS; renews: the compartment is as new after it.
    """

    bounds: list[tuple[int, int]]
    distinct: Array
    at: Array
    kind: Array
    renews: Array


def _lay_out(records: pd.DataFrame) -> _Steps:
    unknown = sorted(set(records["kind"]) - set(KINDS))
    if unknown:
        raise ValueError(f"kind: found {', '.join(map(repr, unknown))}, wanted one of {', '.join(KINDS)}.")
    if (records["hours"] < 0).any() or records["hours"].isna().any():
        raise ValueError("hours: found a missing or negative value; wanted operating hours since the previous record.")
    of = records.groupby("compartment", sort=True)
    place, row = of.cumcount().to_numpy(), of.ngroup().to_numpy()
    order = np.lexsort((row, -np.bincount(row)[row], place))
    ends = np.cumsum(np.bincount(place))
    distinct, at = np.unique(records["hours"].to_numpy(float)[order], return_inverse=True)
    kind = pd.Index(KINDS).get_indexer(records["kind"])[order]
    bounds = list(zip([0, *ends[:-1].tolist()], ends.tolist(), strict=True)) if len(ends) else []
    return _Steps(bounds, distinct, at, kind, np.isin(kind, _RENEWS))


def passage(hours: Array, rate: float, delay_mean: float, phases: int) -> Array:
    """Chance to go from each state to each other in `hours` (n,): (n, m+1, m+1), healthy first, the failed state left
    out.
    """
    speed = phases / delay_mean
    x, w = leggauss(24)
    spent = hours[:, None] * (x + 1) / 2
    out = np.zeros((len(hours), phases + 1, phases + 1))
    out[:, 0, 0] = np.exp(-rate * hours)
    for j in range(phases):
        stage = speed**j / factorial(j)
        move = stage * hours**j * np.exp(-speed * hours)
        for i in range(1, phases + 1 - j):
            out[:, i, i + j] = move
        inside = spent**j * np.exp(-speed * spent - rate * (hours[:, None] - spent))
        out[:, 0, j + 1] = rate * stage * (inside @ w) * hours / 2
    return out


def log_likelihood(records: pd.DataFrame, rate: float, delay_mean: float, detection: float, phases: int = 2) -> float:
    """Log likelihood of records (columns RECORDS, in order within each compartment, which starts healthy) by forward
    recursion.
    """
    return _forward(_lay_out(records), rate, delay_mean, detection, phases)


def _forward(steps: _Steps, rate: float, delay_mean: float, detection: float, phases: int) -> float:
    seen = _likelihoods(detection, phases, phases / delay_mean)[steps.kind]
    moves = passage(steps.distinct, rate, delay_mean, phases)[steps.at] * seen[:, None, :]
    new = np.r_[1.0, np.zeros(phases)]
    weight = np.empty(len(steps.kind))
    state = np.tile(new, (steps.bounds[0][1] if steps.bounds else 0, 1))
    for begin, end in steps.bounds:
        after = np.einsum("ni,nij->nj", state[: end - begin], moves[begin:end])
        own = after.sum(axis=1)
        if np.any(own <= 0):
            return -np.inf
        weight[begin:end] = own
        after /= own[:, None]
        after[steps.renews[begin:end]] = new
        state = after
    return float(np.log(weight).sum())


def _likelihoods(detection: float, phases: int, speed: float) -> Array:
    """For each kind of record, how likely it is in each state (healthy, phases 1..m)."""
    ill = np.r_[0.0, np.ones(phases)]
    healthy = 1.0 - ill
    last = np.r_[np.zeros(phases), 1.0]
    missed = (1 - detection) * ill
    table = {
        "nothing": healthy + missed,
        "sound": healthy,
        "defect": detection * ill,
        "failure": speed * last,
        "end": np.ones(phases + 1),
        "healthy": healthy,
        "missed": missed,
    }
    return np.stack([table[kind] for kind in KINDS])


def mark_onsets(records: pd.DataFrame, onsets: pd.DataFrame) -> pd.DataFrame:
    """Records with the trend's own evidence of when each defect began: `nothing` becomes `healthy` before the rise,
    `missed` after it.

    records: compartment, run_h, kind, ...; onsets: one row per defect or failure: compartment, run_h (of that event),
    onset_h (running hour at which the rise began). Only samples between the event and the one before it are marked;
    events without an onset stay open.
    """
    out = records.copy()
    for event in onsets.itertuples():
        own = out["compartment"] == event.compartment
        renewed = own & out["kind"].isin(["defect", "failure"]) & (out["run_h"] < event.run_h)
        since = out.loc[renewed, "run_h"].max() if renewed.any() else -np.inf
        open_ = own & (out["kind"] == "nothing") & (out["run_h"] > since) & (out["run_h"] < event.run_h)
        out.loc[open_ & (out["run_h"] < event.onset_h), "kind"] = "healthy"
        out.loc[open_ & (out["run_h"] >= event.onset_h), "kind"] = "missed"
    return out


def fit_defect_history(records: pd.DataFrame, prior: Prior | None = None) -> DefectHistory:
    """Defect rate, mean delay and detection by posterior mode, with a normal approximation around it (Laplace) in the
    logarithms.

    records: columns compartment, hours (operating hours since that compartment's previous record, >= 0) and kind:
    `nothing` (a sample that raised no acted alarm), `sound` (looked inside, nothing wrong), `defect` (confirmed),
    `failure`, `end`; or `healthy` and `missed` from :func:`mark_onsets`. Raises ValueError for unknown kinds,
    missing hours, and events that cannot be (with no hours since the compartment was as new).
    """
    prior = prior or Prior()
    steps = _lay_out(records)
    events = int(records["kind"].isin(["defect", "failure"]).sum())
    hours = float(records["hours"].sum())
    if not events and not prior.rate_events:
        return _nothing_known(prior, hours)
    start = np.array([_start_rate(prior, events, hours), np.log(prior.delay_mean_h), _logit(prior.detection)])

    def loss(x: Array) -> float:
        value = _forward(steps, np.exp(x[0]), np.exp(x[1]), _expit(x[2]), prior.phases) + _log_prior(x, prior)
        return -value if np.isfinite(value) else _IMPOSSIBLE

    if loss(start) >= _IMPOSSIBLE:
        raise ValueError(
            "records: found a defect or failure with no hours since the compartment was sound or as new; wanted each "
            "event once, and none at the first record of a life."
        )
    mode = minimize(loss, start, method="BFGS", options={"gtol": 1e-5}).x
    covariance = np.linalg.inv(_curvature(loss, mode))
    own = -(loss(mode) + _log_prior(mode, prior))
    return _summary(mode, covariance, events, hours, prior=prior, own=own)


def _start_rate(prior: Prior, events: int, hours: float) -> float:
    known = prior.rate_events / prior.rate_per_h if prior.rate_events else 0.0
    return float(np.log((events + prior.rate_events) / (hours + known)))


def _log_prior(x: Array, prior: Prior) -> float:
    value = -0.5 * ((x[1] - np.log(prior.delay_mean_h)) / prior.delay_sd) ** 2
    value -= 0.5 * ((x[2] - _logit(prior.detection)) / prior.detection_sd) ** 2
    if prior.rate_events:
        value += prior.rate_events * (x[0] - np.exp(x[0]) / prior.rate_per_h)
    return float(value)


def _curvature(loss: Callable[[Array], float], at: Array, step: float = 1e-3) -> Array:
    """Second derivatives by central differences."""
    n = len(at)
    shift = step * np.eye(n)
    out = np.empty((n, n))
    for i in range(n):
        for j in range(i, n):
            a, b = shift[i], shift[j]
            value = loss(at + a + b) - loss(at + a - b) - loss(at - a + b) + loss(at - a - b)
            out[i, j] = out[j, i] = value / (4 * step**2)
    return out


def _summary(mode: Array, covariance: Array, events: int, hours: float, *, prior: Prior, own: float) -> DefectHistory:
    sd = np.sqrt(np.diag(covariance))
    low, high = mode - HALF_NINETY * sd, mode + HALF_NINETY * sd
    assumed_h = prior.rate_events / prior.rate_per_h if prior.rate_events else 0.0
    spread = np.diag(covariance)[1:] / np.array([prior.delay_sd, prior.detection_sd]) ** 2
    weight = np.r_[assumed_h / (assumed_h + hours), np.clip(spread, 0, 1)]
    return DefectHistory(
        float(np.exp(mode[0])),
        float(np.exp(mode[1])),
        prior.delay_mean_h if events < FEW else float(np.exp(mode[1])),
        float(_expit(mode[2])),
        (float(np.exp(low[0])), float(np.exp(high[0]))),
        (float(np.exp(low[1])), float(np.exp(high[1]))),
        (float(_expit(low[2])), float(_expit(high[2]))),
        covariance,
        events,
        hours,
        (float(weight[0]), float(weight[1]), float(weight[2])),
        own,
        lean_words(events, hours, weight),
    )


def lean_words(events: int, hours: float, weight: Array) -> str:
    """How far own records carry the answer, in words."""
    seen = f"{events} event{'s' if events != 1 else ''} in {hours:,.0f} h"
    if events < FEW:
        return f"{seen}: too few to learn the delay, so the assumed one is used; the rate is {weight[0]:.0%} prior"
    if events < ENOUGH:
        return f"{seen}: the rate is {1 - weight[0]:.0%} own record, the delay still {weight[1]:.0%} prior"
    return f"{seen}: own records carry the rate; the delay is known to about a quarter ({weight[1]:.0%} prior)"


def _nothing_known(prior: Prior, hours: float) -> DefectHistory:
    bound = 3 / hours if hours > 0 else np.inf  # no event in h hours: below 3/h with 95 % confidence (-ln .05 = 2.996)
    words = (
        f"no event in {hours:,.0f} h and no prior for the rate: it cannot be fitted; it is below {bound:.2g} per "
        f"h (95 %)"
    )
    none, delay = (np.nan, np.nan), prior.delay_mean_h
    spread = HALF_NINETY * prior.delay_sd
    p = _logit(prior.detection) + HALF_NINETY * prior.detection_sd * np.array([-1, 1])
    return DefectHistory(
        np.nan,
        delay,
        delay,
        prior.detection,
        none,
        (float(delay * np.exp(-spread)), float(delay * np.exp(spread))),
        (_expit(p[0]), _expit(p[1])),
        np.diag([np.nan, prior.delay_sd**2, prior.detection_sd**2]),
        0,
        hours,
        (0.0, 1.0, 1.0),
        np.nan,
        words,
    )


def _logit(p: float) -> float:
    return float(np.log(p / (1 - p)))


def _expit(x: float) -> float:
    return float(1 / (1 + np.exp(-x)))
