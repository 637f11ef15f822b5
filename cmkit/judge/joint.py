"""Chances after one bottle, by what may be odd about it and by state, summed to what the recursion needs."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cmkit.judge.bottles import GOOD, Grid
from cmkit.judge.constants import constant

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Joint:
    """Chances after a bottle, together 1: by state with a good bottle and with an odd one (n, S each), of another
    compartment's bottle (n, S), of a steady change that stood and that begins with a good bottle (n, 2). The first two
    also by way of the bottle (n, B). with_it: those of them with the bottle before taken, with a good and an odd bottle
    now (n each).
    """

    good: Floats
    odd: Floats
    ways: Floats
    with_it: tuple[Floats, Floats]
    apart: Floats
    steady: Floats

    def over(self, total: Floats) -> "Joint":
        """All of it divided by a number of each compartment."""
        t = total[:, None]
        good, odd = self.with_it
        with_it = good / total, odd / total
        return Joint(self.good / t, self.odd / t, self.ways / t, with_it, self.apart / t, self.steady / t)

    def total(self) -> Floats:
        return np.asarray(self.ways.sum(axis=1) + self.apart.sum(axis=1) + self.steady.sum(axis=1))

    def sound(self) -> Floats:
        """Of the sound state (n)."""
        return self.good[:, 0] + self.odd[:, 0] + self.apart[:, 0]


def joint_log(
    metals: NDArray[Any], others: NDArray[Any], before: Floats, *, chances: Floats, grid: Grid
) -> NDArray[np.float32]:
    """Log of likelihood times chance before, by way of the bottle and state (n, B, S), written over `metals`.

    metals (n, B, S), others (oddity, n, S): log likelihoods; before: log chances of the states (n, S); chances: of the
    oddities (log; n, oddities).
    """
    out = np.asarray(metals, np.float32)
    out *= np.float32(constant("temper"))
    for oddity, other in enumerate(others):
        ways = np.flatnonzero(grid.oddity == oddity)
        same = constant("temper") * other + chances[:, oddity, None] + before
        out[:, ways[0] : ways[-1] + 1] += same[:, None].astype(np.float32)
    out += np.log(grid.share).astype(np.float32)[:, None]
    return out


def summed(
    log: NDArray[np.float32], top: Floats, left: NDArray[np.int64], *, more: Floats, apart: Floats, grid: Grid
) -> Joint:
    """Chances of :func:`joint_log`'s numbers as shares of exp(top) (n); written over `log`.

    log: of n compartments with the bottle before taken, then of some of them, `left`, with it left. more: how many
    times as likely an odd bottle is of a sound compartment (n). apart: chances of another compartment's bottle.
    """
    n, first = len(top), int((grid.oddity == GOOD).sum())  # the good ways come first
    at = np.concatenate([np.arange(n), left])
    log -= top.astype(np.float32)[at, None, None]
    p = np.exp(log, out=log)
    good, odd = (p[:, some].sum(axis=1).astype(float) for some in (slice(first), slice(first, None)))
    ways = p.sum(axis=2).astype(float)
    ways[:, first:] += (more[at] - 1)[:, None] * p[:, first:, 0]
    odd[:, 0] *= more[at]
    with_it = ways[:n, :first].sum(axis=1), ways[:n, first:].sum(axis=1)
    for by in (good, odd, ways):
        by[left] += by[n:]
    return Joint(good[:n], odd[:n], ways[:n], with_it, apart, np.zeros((n, 2)))


def log_of(a: Floats) -> Floats:
    """Logarithm of chances, finite where there is none."""
    return np.log(np.maximum(a, 1e-30))
