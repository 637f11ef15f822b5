"""What becomes of a defect between its start and its failure: quadrature points over first sample and delay, followed
from sample to sample.

Arrays are laid out with the delays of a rule first and compartments with their phases last, so that the samples that
can still help are a whole block of memory, and every step of the chain runs over it in place.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from cmkit.intervals.delay import (
    Array,
    Rule,
    delay_reach,
    delay_scale,
    integration_rule,
    raised,
    ratio_class,
    weibull_nodes,
)
from cmkit.intervals.detection import SteadyFilter, Watch, not_called, retention, signatures

_NODES = 40_000  # quadrature points held at once: small enough for a processor's cache
_LEFT = {True: 1e-6, False: 1e-4}  # of a defect's chances: with less the rest of the samples is left out


@dataclass(frozen=True)
class Nodes:
    """Quadrature points of N compartments: H delays at each of M places, a place being a compartment (`row`) with a
    phase of its first sample.

    first: hours from the start of the defect to the first sample (M,); delay (h), weight: (H, M), weights of a
    compartment add up to 1; count: how many samples can still help, (H,) and rising where it is the same at every
    place, (1, M) where it is not (fixed delays).
    """

    row: Array
    first: Array
    delay: Array
    weight: Array
    count: Array

    def samples(self) -> tuple[Array, Array]:
        """How many samples can help at each point, and its weight; (H, M)."""
        count = self.count if self.count.ndim > 1 else self.count[:, None]
        return np.broadcast_to(count, self.weight.shape), self.weight


def chunks(c: dict[str, Array], every: float, fine: bool, restarted: bool) -> Iterator[tuple[Array, Nodes]]:
    """Compartments in groups that share a rule and a number of intervals, small enough for the cache, with their
    points.
    """
    fixed = c["delay_shape"] <= 0
    for rows in _pieces(np.flatnonzero(fixed), 1000):
        yield rows, _fixed_nodes({n: v[rows] for n, v in c.items()}, every, fine, restarted)
    classes = ratio_class(every, c["delay_mean_h"], np.where(fixed, 1.0, c["delay_shape"]))
    for k in np.unique(classes[~fixed]):
        rule = integration_rule(int(k), fine)
        rows = np.flatnonzero(~fixed & (classes == k))
        reach = delay_reach(c["delay_mean_h"][rows], c["delay_shape"][rows], rule.exponent)
        long = every * rule.intervals
        panels = np.maximum(np.ceil((reach - c["turnaround_h"][rows]) / long), 1).astype(int)
        steps = _on_ladder(panels)
        points = rule.phase * rule.parts * rule.points
        for n in np.unique(steps).tolist():
            for piece in _pieces(np.flatnonzero(steps == n), max(1, _NODES // (points * n))):
                yield (
                    rows[piece],
                    _weibull(c, rows[piece], reach[piece], every, rule=rule, panels=n, restarted=restarted),
                )


def _on_ladder(panels: Array) -> Array:
    """Numbers of panels rounded up to eight steps an octave: few groups, and no compartment's number depends on
    another's.
    """
    step = 2 ** np.maximum(np.floor(np.log2(panels)).astype(int) - 3, 0)
    return -(-panels // step) * step


def _pieces(rows: Array, size: int) -> list[Array]:
    return [rows[i : i + size] for i in range(0, len(rows), size)]


def _phase_weight(first: Array, weight: Array, every: float, rate: Array, restarted: bool) -> Array:
    """Weights of the first sample's phase; on a restarted grid early starts of the interval are likelier (exact
    density).
    """
    if not restarted:
        return np.broadcast_to(weight, first.shape)
    x = rate[:, None] * every
    return weight * x * np.exp(rate[:, None] * (first - every)) / -np.expm1(-x)


def _weibull(
    c: dict[str, Array], rows: Array, reach: Array, every: float, *, rule: Rule, panels: int, restarted: bool
) -> Nodes:
    """Points for Weibull delays: panels begin where one more sample can still help."""
    x, w = rule.phase_points()
    span = np.minimum(every, reach)[:, None]
    first = span * x
    weight = _phase_weight(first, w * span / every, every, c["defect_rate_per_h"][rows], restarted).ravel()
    start = (c["turnaround_h"][rows, None] + first).ravel()
    row = np.repeat(np.arange(len(rows)), rule.phase)
    mean, shape = (c[name][rows][row] for name in ("delay_mean_h", "delay_shape"))
    edges = start + every * rule.intervals * np.arange(panels)[:, None]
    width = np.minimum(every * rule.intervals, np.maximum(reach[row], delay_scale(mean, shape)))
    h, density = weibull_nodes(edges, width, rule, mean, shape)
    density *= weight
    inside = np.floor(rule.delay_points()[0] * rule.intervals)
    count = (rule.intervals * np.arange(panels)[:, None] + inside + 1).ravel()
    flat = (-1, len(row))
    return Nodes(row, first.ravel(), h.reshape(flat), density.reshape(flat), count)


def _fixed_nodes(c: dict[str, Array], every: float, fine: bool, restarted: bool) -> Nodes:
    """Points for a fixed delay: the phase is split where one more sample can help."""
    rule = Rule(phase=30 if fine else 10, intervals=1, parts=1, points=1, exponent=1.0)
    x, w = rule.phase_points()
    room = np.maximum(c["delay_mean_h"] - c["turnaround_h"], 0)
    whole = np.floor(room / every)
    cut = (room - whole * every)[:, None]
    first = np.concatenate([cut * x, cut + (every - cut) * x], axis=1)
    weight = np.concatenate([cut * w, (every - cut) * w], axis=1) / every
    weight = _phase_weight(first, weight, every, c["defect_rate_per_h"], restarted)
    count = np.repeat(np.stack([whole + 1, whole], axis=1), rule.phase, axis=1)
    row = np.repeat(np.arange(len(first)), first.shape[1])
    return Nodes(row, first.ravel(), c["delay_mean_h"][row][None], weight.reshape(1, -1), count.reshape(1, -1))


def follow(c: dict[str, Array], every: float, nodes: Nodes, fine: bool) -> tuple[Array, Array]:
    """Follow each possible defect from sample to sample: share caught in time and mean hours gained (N,); stops when
    next to nothing is left.

    c: columns of a Case (N,), and variance, gain_level and gain_rate of its steady filter. Each compartment stops by
    itself, whichever others are computed with it. Quick rules, good to .0002, are followed in single precision.
    """
    least, kind = _LEFT[fine], np.float64 if fine else np.float32
    chain = _Chain(c, every, nodes, kind)
    start = nodes.weight.astype(kind)
    alive, at, count = start.copy(), np.arange(len(nodes.row)), nodes.count  # at: places still followed
    end, lag = start.copy(), np.zeros(len(nodes.row))
    for k in range(int(count.max())):
        seen = slice(int(np.searchsorted(count, k, side="right")) if count.ndim == 1 else 0, None)
        before = alive[seen].sum(axis=0)
        alive[seen] *= chain.not_called(k, seen)
        after = alive[seen].sum(axis=0)
        lag[at] += (nodes.first[at] + k * every) * (before - after)
        if k % 4 == 3:
            left = np.bincount(nodes.row[at], after, len(c["chance"]))[nodes.row[at]]
            keep = left >= least
            if not keep.all():
                end[:, at] = alive
                alive, at = alive.compress(keep, axis=1), at[keep]  # in C order, which an index would not keep
                chain.keep(keep)
            if not len(at):
                break
    end[:, at] = alive
    called = np.subtract(start, end, dtype=float)
    caught = called.sum(axis=0)
    gained = (nodes.delay * called).sum(axis=0) - lag - c["turnaround_h"][nodes.row] * caught
    return np.bincount(nodes.row, caught, len(c["chance"])), np.bincount(nodes.row, gained, len(c["chance"]))


class _Chain:
    """The chance that a sample leads to nothing at each point, sample by sample, at the places that
    are still followed.
    """

    def __init__(self, c: dict[str, Array], every: float, nodes: Nodes, kind: type) -> None:
        wide = {name: column[nodes.row] for name, column in c.items()}
        self.fixed, self.count = (1 - wide["chance"]).astype(kind), nodes.count
        self.kind, self.at = kind, np.arange(len(nodes.row))
        trends = np.isnan(self.fixed)
        self.trend, self.alone = bool(trends.any()), bool(trends.all())
        if not self.trend:
            return
        steady = SteadyFilter(wide["variance"], wide["gain_level"], wide["gain_rate"])
        kept = retention(every, wide["change_every_h"], wide["residual"])
        growth, mean = wide["growth"], wide["delay_mean_h"]  # sizes over that of the mean delay: all near 1
        excess = wide["base_rate"] * (wide["rate_multiple"] - 1) * mean**-growth
        self.marks = signatures(
            nodes.first, every, excess, growth, kept=kept, steady=steady, last=int(nodes.count.max())
        )
        names = "variance", "noise_share", "level", "z_alarm", "acted_share", "metals"
        self.watch = Watch(*(wide[name] for name in names)).precise(kind)
        self.size = raised(mean / nodes.delay, growth).astype(kind)
        self.room = np.empty((4, nodes.weight.size), kind)

    def not_called(self, k: int, seen: slice) -> Array:
        """Of sample k (call it with k = 0, 1, 2, ...), at the points `seen` of the places followed."""
        share = self.fixed
        if self.trend:
            size = self.size[seen]
            room = self.room[:, : size.size].reshape(4, *size.shape)
            found = not_called(self.watch, next(self.marks).rows(self.at).precise(self.kind), size, room)
            share = found if self.alone else np.where(np.isnan(share), found, share)
        return share if self.count.ndim == 1 else np.where(self.count[:, self.at] > k, share, 1.0)

    def keep(self, which: Array) -> None:
        """Go on with these of the places followed until now."""
        self.at, self.fixed = self.at[which], self.fixed[which]
        if self.trend:
            self.size, self.watch = self.size.compress(which, axis=1), self.watch.rows(which)
