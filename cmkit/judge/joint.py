"""Chances after one bottle, by what may be odd about it and by state, summed to what the recursion needs."""

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cmkit.judge.bottles import GOOD, Grid
from cmkit.judge.constants import constant

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Part:
    """Of a bottle read with one forecast: chances by state with a good bottle and with an odd one (n, S each), by way
    of the bottle (n, B), and of the sound state in each odd way (n, B less the good ways, which come first).
    """

    good: Floats
    odd: Floats
    ways: Floats
    sound_odd: Floats

    def times_sound_odd(self, more: Floats) -> None:
        """The sound state with an odd bottle that many times as likely (n), in place."""
        self.odd[:, 0] *= more
        self.ways[:, -self.sound_odd.shape[1] :] += (more - 1)[:, None] * self.sound_odd

    def over(self, total: Floats) -> "Part":
        return Part(*(getattr(self, f.name) / total[:, None] for f in fields(self)))

    def total(self) -> Floats:
        return np.asarray(self.good.sum(axis=1) + self.odd.sum(axis=1))

    def spread_to(self, n: int, at: NDArray[np.int64]) -> "Part":
        """The same for n compartments of which these are `at`; nothing for the others."""
        out = Part(*(np.zeros((n, getattr(self, f.name).shape[1])) for f in fields(self)))
        for f in fields(self):
            getattr(out, f.name)[at] = getattr(self, f.name)
        return out


@dataclass(frozen=True)
class Joint:
    """Chances after a bottle, together 1: with the bottle before taken and left, of another compartment's bottle by
    state (n, S), of a steady change that stood and that begins with a good bottle (n, 2).
    """

    taken: Part
    left: Part
    apart: Floats
    steady: Floats

    def over(self, total: Floats) -> "Joint":
        """All of it divided by a number of each compartment."""
        t = total[:, None]
        return Joint(self.taken.over(total), self.left.over(total), self.apart / t, self.steady / t)

    def total(self) -> Floats:
        ways = self.taken.total() + self.left.total()
        return np.asarray(ways + self.apart.sum(axis=1) + self.steady.sum(axis=1))

    def sound(self) -> Floats:
        """Of the sound state (n)."""
        parts = self.taken, self.left
        return np.asarray(sum(p.good[:, 0] + p.odd[:, 0] for p in parts) + self.apart[:, 0])

    @property
    def good(self) -> Floats:
        """By state with a good bottle (n, S)."""
        return self.taken.good + self.left.good

    @property
    def ways(self) -> Floats:
        """By way of the bottle (n, B)."""
        return self.taken.ways + self.left.ways


def joint_log(
    metals: NDArray[Any], others: NDArray[Any], before: Floats, *, chances: Floats, grid: Grid
) -> NDArray[np.float32]:
    """Log of likelihood times chance before, by way of the bottle and state (n, B, S), written over `metals`.

    metals (n, B, S), others (oddity, n, S): log likelihoods; before: chances of the states (n, S); chances: of the
    oddities (log; n, oddities).
    """
    out = np.asarray(metals, np.float32)
    for oddity in np.unique(grid.oddity):
        out[:, grid.oddity == oddity] += others[oddity][:, None].astype(np.float32)
    out *= np.float32(constant("temper"))
    out += (chances[:, grid.oddity] + np.log(grid.share)).astype(np.float32)[:, :, None]
    out += log_of(before).astype(np.float32)[:, None, :]
    return out


def summed(log: NDArray[np.float32], top: Floats, grid: Grid) -> Part:
    """The part of :func:`joint_log`'s numbers, as shares of exp(top) (n); written over `log`."""
    log -= top.astype(np.float32)[:, None, None]
    p, good = np.exp(log, out=log), int((grid.oddity == GOOD).sum())
    by_state = [p[:, some].sum(axis=1).astype(float) for some in (slice(good), slice(good, None))]
    return Part(by_state[0], by_state[1], p.sum(axis=2).astype(float), p[:, good:, 0].astype(float))


def log_of(a: Floats) -> Floats:
    """Logarithm of chances, finite where there is none."""
    return np.log(np.maximum(a, 1e-30))
