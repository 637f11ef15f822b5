"""The chance of every fault, carried from bottle to bottle, for all compartments of a kind at once.

State of a compartment: sound, or a fault pattern in its early, clear or severe phase. Each bottle multiplies the
chances by the likelihood of its results, summed over what may be odd about the bottle. Whether the bottle before was
odd stays open until the next one: the level is forecast with and without it, so that a repeat bottle decides which it
was. A hidden Markov model with a switching observation; two forecasts kept (generalised pseudo-Bayes of order two in
the bottle, order one in the fault). Equations: guide how_it_is_computed, J.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cmkit.judge.anew import Anew, Usual, Weighed, learn_anew, nothing_anew, settle_anew, weigh
from cmkit.judge.bottles import DIRT, GOOD, OTHER, RICH, Grid, Shares, another_density, bottle_grid, oddity_chances
from cmkit.judge.constants import constant
from cmkit.judge.densities import (
    ByRole,
    Forecast,
    forecast_metals,
    learn_levels,
    learn_means,
    metal_likelihood,
    mixed_levels,
    other_likelihood,
    start_levels,
)
from cmkit.judge.hypotheses import UNNAMED, Pattern, States
from cmkit.judge.joint import Joint, joint_log, log_of, summed
from cmkit.judge.looks import Events, accept, accept_wear, looked_again
from cmkit.judge.measures import Bottles

Floats = NDArray[np.float64]
_MOST_LOG = 600.0  # of a ratio of likelihoods, so that its exponential stays finite
KEPT = 3  # newest bottles of a compartment whose likelihoods are kept result by result


@dataclass(frozen=True)
class Arrivals:
    """Faults per operating hour of the kind, and their mean delay (h) from beginning to failure."""

    per_h: float
    delay_h: float


@dataclass(frozen=True)
class Followed:
    """Chances after each bottle: states (C, N, S), before it prior (C, N, S), oddities (C, N, 4). metal_log, other_log:
    mean log likelihood by role of the newest bottles (C, KEPT, results, roles), slot 0 the newest. now: states on the
    day asked for (C, S).
    """

    states: Floats
    prior: Floats
    oddities: Floats
    metal_log: Floats
    other_log: Floats
    now: Floats


def follow(
    b: Bottles, states: States, arrivals: Arrivals, shares: Shares, *, events: Events, since_h: Floats
) -> Followed:
    """Chances after every bottle of a kind, in order. since_h: operating hours from each newest bottle to the day asked
    for (C).
    """
    grid, size = bottle_grid(), (*b.row.shape, len(states.low))
    chances = np.log(np.maximum(oddity_chances(b, shares), 1e-12))
    another = another_density(b, shares)
    out = _empty(b, states, size)
    share = states.share * visible(b, states)
    start = first_chances(share, states.patterns, arrivals)
    kept = _at_the_start(b, start)
    count = (b.row >= 0).sum(axis=1)
    doubted = np.zeros(size[0], np.int64)
    for i in range(size[1]):
        n = int((count > i).sum())
        usual = looked_again(events, i, kept.parts[:, :n], doubted)
        _answer(events, i, n, kept, start)
        _accept(usual, kept)
        accept_wear(b, i, usual, kept.levels, kept.means)
        _renew(events.new[:n, i], kept, b)
        hours = np.nan_to_num(b.steps["hours"][:n, i])
        kept.parts[:, :n] = moved_on(kept.parts[:, :n], share[:n], arrivals, hours)
        _fade(kept)
        bottle = _Bottle(b, i, n, grid, states, chances[:n, i], another[:n, i])
        _read(bottle, kept, out, from_end=count[:n] - 1 - i)
    usual = looked_again(events, size[1], kept.parts, doubted)
    _answer(events, size[1], size[0], kept, start)
    _accept(usual, kept)
    return replace(out, now=_arrivals_only(kept.chances(slice(None)), share, arrivals, since_h))


@dataclass
class _Kept:
    """What is carried from bottle to bottle: chances with the bottle before taken as good and left as odd (2, C, S),
    the levels of both (5, 2, C, M), usual values of the other results (mean and variance, (C, Q)), and a steady change
    beside them. The chances of the three add up to 1.
    """

    parts: Floats
    levels: Floats
    means: tuple[Floats, Floats]
    anew: Anew

    def chances(self, at: slice) -> Floats:
        """Chances of the states of some compartments; one that has changed steadily is sound."""
        out = self.parts[0, at] + self.parts[1, at]
        out[:, 0] += self.anew.chance[at]
        return out


def _at_the_start(b: Bottles, start: Floats) -> _Kept:
    means = np.zeros((len(start), len(b.others))), np.tile(b.tau**2, (len(start), 1))
    levels = np.stack([start_levels(b)] * 2, axis=1)
    return _Kept(np.stack([start, np.zeros_like(start)]), levels, means, nothing_anew(b))


def visible(b: Bottles, states: States) -> NDArray[np.bool_]:
    """Whether a compartment's results can tell a pattern at all (C, P): one of those it needs was measured, or the
    level noted where it is a sign.
    """
    measured = np.column_stack([np.isfinite(b.y).any(axis=1), np.isfinite(b.v).any(axis=1)])
    names = [*b.metals, *b.others]
    needs = np.array([[name in p.needs for name in names] for p in states.patterns], bool).reshape(-1, len(names))
    level = np.array([p.low for p in states.patterns])
    free = np.array([bool(p.groups) for p in states.patterns])
    noted = np.isfinite(b.low).any(axis=1, keepdims=True)
    return np.asarray(free | (noted & level) | (measured.astype(float) @ needs.T.astype(float) > 0))


def start_chances(share: Floats, arrivals: Arrivals) -> Floats:
    """Chances of compartments nothing is known of (..., S): what a fault's arrival rate leaves in each phase; share
    (..., P).
    """
    stays = np.array([constant(f"{p}_share") for p in ("early", "clear", "severe")]) * arrivals.delay_h
    faults = (arrivals.per_h * share[..., None] * stays).reshape(*share.shape[:-1], -1)
    return np.concatenate([1 - faults.sum(axis=-1, keepdims=True), faults], axis=-1)


def first_chances(share: Floats, patterns: tuple[Pattern, ...], arrivals: Arrivals) -> Floats:
    """:func:`start_chances` before a compartment's first bottle: where no past is known nothing can have changed, so
    there is no unnamed change.
    """
    return start_chances(share * np.array([p.cause != UNNAMED for p in patterns]), arrivals)


def moved_on(a: Floats, share: Floats, arrivals: Arrivals, hours: Floats) -> Floats:
    """Chances `a` [..., n, S] after operating hours [n]: faults begin, phases grow, and a belief slowly fades."""
    h, delay = hours[:, None], arrivals.delay_h
    begun = -np.expm1(-arrivals.per_h * share * h)
    fast = constant("fast_share") * -np.expm1(-h / (constant("early_share") * delay))
    grows = -np.expm1(-h / (constant("early_share") * delay))
    worsens = -np.expm1(-h / (constant("clear_share") * delay))
    stays = np.exp(-constant("way_back") * h / delay)
    sound, out = a[..., :1], np.empty_like(a)
    early, clear, severe = (a[..., k::3] * stays for k in (1, 2, 3))
    new = sound * begun
    out[..., 1::3] = early * (1 - grows) + new * (1 - fast)
    out[..., 2::3] = clear * (1 - worsens) + early * grows + new * fast
    out[..., 3::3] = severe + clear * worsens
    out[..., 0] = a.sum(axis=-1) - out[..., 1:].sum(axis=-1)
    return out


def _arrivals_only(a: Floats, share: Floats, arrivals: Arrivals, hours: Floats) -> Floats:
    """Chances some hours after the newest bottle: only new faults are added, no belief fades unseen."""
    new = a[:, :1] * -np.expm1(-arrivals.per_h * np.nan_to_num(hours)[:, None] * share)
    out = a.copy()
    out[:, 1::3] += new
    out[:, 0] -= new.sum(axis=1)
    return out


def _answer(events: Events, i: int, n: int, kept: _Kept, start: Floats) -> None:
    """What looks, repairs and new components before bottle i leave of the chances, in place."""
    looks, worked = events.looks[:n, i], events.worked[:n, i] | events.new[:n, i]
    looked = looks > 0
    if not (worked.any() or looked.any()):
        return
    chance, parts = kept.anew.chance[:n], kept.parts[:, :n]
    chance[worked] = 0.0
    parts[:, worked] = 0.0
    parts[0, worked] = constant("after_work") * start[:n][worked]
    parts[0, worked, 0] += 1 - constant("after_work")
    parts[:, looked, 1:] *= (constant("look_misses") ** looks[looked])[:, None]
    total = chance + parts.sum(axis=(0, 2))
    chance /= total
    parts /= total[:, None]


def _accept(usual: NDArray[np.int64], kept: _Kept) -> None:
    """After looks in a row that found nothing, in place; see :mod:`cmkit.judge.looks`."""
    accept(usual, kept.parts)
    kept.anew.chance[usual] = 0.0


def _fade(kept: _Kept) -> None:
    """A steady change that nothing speaks for is little by little the sound state again, in place."""
    given = constant("anew_fades") * kept.anew.chance
    kept.parts[0][:, 0] += given
    kept.anew.chance -= given


def _renew(new: NDArray[np.bool_], kept: _Kept, b: Bottles) -> None:
    """A new component starts from its family's rates and usual values, in what is left of the fluid, in place."""
    at = np.flatnonzero(new)
    if len(at):
        kept.levels[1:, :, at] = start_levels(b)[1:, None, at]
        kept.means[0][at], kept.means[1][at] = 0.0, b.tau**2


@dataclass(frozen=True)
class _Bottle:
    """Bottle i of the first n compartments: its kind's arrays, states, chances of oddities before (log) and density
    elsewhere (log).
    """

    b: Bottles
    i: int
    n: int
    grid: Grid
    states: States
    chances: Floats
    another: Floats


def _read(bottle: _Bottle, kept: _Kept, out: Followed, from_end: NDArray[np.int64]) -> None:
    """One bottle of every compartment: what is kept moved in place, results written to `out`."""
    b, i, n = bottle.b, bottle.i, bottle.n
    every, prior = slice(0, n), kept.chances(slice(0, n))
    others, other_role = other_likelihood(b, i, n, bottle.states, kept.means)
    levels = kept.levels[:, :, :n].copy()  # the forecast keeps its rates, and what is learnt writes over them
    both = forecast_metals(b, i, every, levels)
    means = kept.means[0][:n].copy(), kept.means[1][:n].copy()
    usual = Usual(levels[:, 0], means, both.rows(0))
    joint, weighed, metal_role = _weigh(bottle, kept, others, both, usual)
    _learn(bottle, kept, joint, both)
    held = _split(bottle, kept, joint)
    if weighed is not None:
        learn_anew(b, i, weighed, kept.anew, usual=usual, good=joint.steady[weighed.at], odd=held[weighed.at])
    kept.anew.chance[:n] = joint.steady.sum(axis=1) + held
    _keep(bottle, out, (prior, kept.chances(every)), joint, by_role=(metal_role, other_role), from_end=from_end)
    settle_anew(kept.anew, kept.parts[0, :, 0], kept.levels, kept.means)


def _weigh(
    bottle: _Bottle, kept: _Kept, others: NDArray[Any], both: Forecast, usual: Usual
) -> tuple[Joint, Weighed | None, ByRole]:
    """Chances after the bottle, what it says of a steady change, and the log likelihood of its metals by role with the
    bottle before taken; others: log likelihood of the other results; both: forecasts with the bottle before taken and
    left.
    """
    b, i, n, grid, chances = bottle.b, bottle.i, bottle.n, bottle.grid, bottle.chances
    parts = kept.parts[:, :n]
    left = np.flatnonzero(parts[1].sum(axis=1) > constant("odd_least"))  # their bottle before is still open
    at = np.concatenate([np.arange(n), left])
    # of all with the bottle before taken, then of the open ones with it left
    results, moved = (np.concatenate([f[:, 0], f[:, 1, left]], axis=1) for f in (both.of_result, both.moved))
    forecast = Forecast(results, moved, np.concatenate([both.shared[0], both.shared[1, left]]))
    by_role = metal_likelihood(b, i, at, forecast, grid=grid, s=bottle.states)
    like = by_role.total(bottle.states.metal_map)
    before = log_of(np.concatenate([parts[0], parts[1, left]]))
    log = joint_log(like, others[:, at], before, chances=chances[at], grid=grid)
    highest = log.max(axis=(1, 2)).astype(float)
    apart = constant("temper") * bottle.another[:, None] + chances[:, OTHER, None] + log_of(parts[0] + parts[1])
    top = np.maximum(highest[:n], apart.max(axis=1))
    top[left] = np.maximum(top[left], highest[n:])
    # an odd bottle says as much of a steady change as of the sound state
    more = 1 + kept.anew.chance[:n] / np.maximum(parts[:, :, 0].sum(axis=0), 1e-30)
    apart = np.exp(apart - top[:, None])
    apart[:, 0] *= more
    joint = summed(log, top, left, more=more, apart=apart, grid=grid)
    weighed = _beside(bottle, kept, joint, top, usual, more=more)
    return joint.over(joint.total()), weighed, by_role


def _beside(bottle: _Bottle, kept: _Kept, joint: Joint, top: Floats, usual: Usual, *, more: Floats) -> Weighed | None:
    """Add a steady change to the chances, in place, where a fault is suspected or one is believed already. more: how
    many times as likely one has made an odd bottle of a sound compartment.
    """
    chance = kept.anew.chance[: bottle.n]
    total = joint.total() - (1 - 1 / more) * (joint.odd[:, 0] + joint.apart[:, 0])  # without a steady change
    faults = joint.total() - joint.sound()
    at = np.flatnonzero((faults > constant("anew_suspects") * total) | (chance > constant("odd_least")))
    if not len(at):
        return None
    sound = kept.parts[:, at, 0].sum(axis=0)
    log_good, low = bottle.chances[at, GOOD], bottle.states.low[:1]
    w = weigh(bottle.b, bottle.i, at, kept.anew, usual=usual, sound=sound, grid=bottle.grid, good=log_good, low=low)
    joint.steady[at] = np.exp(np.minimum(w.log - top[at, None], _MOST_LOG))
    return w


def _split(bottle: _Bottle, kept: _Kept, joint: Joint) -> Floats:
    """Chances after the bottle, good ones (taken) and odd ones (left) apart, in place; what an odd one leaves of a
    steady change (n).
    """
    n = bottle.n
    sound, chance = kept.parts[:, :n, 0].sum(axis=0), kept.anew.chance[:n]
    odd = joint.odd + joint.apart
    held = odd[:, 0] * chance / np.maximum(sound + chance, 1e-30)
    odd[:, 0] -= held
    kept.parts[0, :n], kept.parts[1, :n] = joint.good, odd
    return np.asarray(held)


def _learn(bottle: _Bottle, kept: _Kept, joint: Joint, both: Forecast) -> None:
    """Levels with the bottle taken and left, and usual values, in place; both: the two forecasts."""
    good, n, moved, taken = bottle.grid.oddity == GOOD, bottle.n, both.moved, both.rows(0)
    p_good = np.maximum(joint.good.sum(axis=1), 1e-12)
    odd, (good_with, odd_with) = joint.odd.sum(axis=1), joint.with_it
    with_it = mixed_levels(moved[:, 0], moved[:, 1], good_with / p_good)
    without = mixed_levels(moved[:, 0], moved[:, 1], (odd_with + 1e-12) / (odd + 1e-12))
    shared = (joint.ways[:, good] * np.log(taken.times(bottle.grid)[:, good])).sum(axis=1) / p_good
    factor = np.exp(shared * taken.of_bottle)
    sound = (joint.good[:, 0] + 0.5 * joint.good[:, 1::3].sum(axis=1)) / p_good
    at = slice(0, n)
    kept.levels[:, 0, :n] = learn_levels(bottle.b, bottle.i, at, with_it, factor=factor, sound=sound, fault=1 - sound)
    kept.levels[:, 1, :n] = without
    learn_means(bottle.b, bottle.i, at, kept.means, sound * p_good)


def _empty(b: Bottles, s: States, size: tuple[int, int, int]) -> Followed:
    c = size[0]
    return Followed(
        states=np.full(size, np.nan),
        prior=np.full(size, np.nan),
        oddities=np.full((*size[:2], 4), np.nan),
        metal_log=np.zeros((c, KEPT, len(b.metals), len(s.up)), np.float32),
        other_log=np.zeros((c, KEPT, len(b.others), len(s.both)), np.float32),
        now=np.zeros((c, size[2])),
    )


def _keep(
    bottle: _Bottle,
    out: Followed,
    chances: tuple[Floats, Floats],
    joint: Joint,
    *,
    by_role: tuple[ByRole, NDArray[Any]],
    from_end: NDArray[np.int64],
) -> None:
    """Write what is told of this bottle."""
    n, i, oddity = bottle.n, bottle.i, bottle.grid.oddity
    out.prior[:n, i], out.states[:n, i] = chances
    share = joint.ways
    for k in (GOOD, RICH, DIRT):
        out.oddities[:n, i, k] = share[:, oddity == k].sum(axis=1)
    out.oddities[:n, i, GOOD] += joint.steady.sum(axis=1)
    out.oddities[:n, i, OTHER] = joint.apart.sum(axis=1)
    new = np.flatnonzero(from_end < KEPT)
    weight = share[new] / np.maximum(share[new].sum(axis=1, keepdims=True), 1e-12)
    out.metal_log[new, from_end[new]] = by_role[0].mean(new, weight)
    out.other_log[new, from_end[new]] = by_role[1][new]
