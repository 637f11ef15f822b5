"""What looks inside that found nothing say of a compartment that stays suspected.

One such look may have missed the fault. After a second in a row for the same suspicion it is more likely that the
compartment simply wears so: a new component has rates of its own, and under suspicion its usual values are not learnt.
What it shows is then taken as its usual.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cmkit.judge.constants import constant
from cmkit.judge.measures import Bottles

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]


@dataclass(frozen=True)
class Events:
    """What happened to the compartments before each bottle since the one before (C, N + 1; last column: since the
    newest bottle).

    looks: looks inside that found nothing; worked: repaired, or a defect found; new: another component.
    """

    looks: NDArray[np.int64]
    worked: NDArray[np.bool_]
    new: NDArray[np.bool_]


def looked_again(events: Events, i: int, parts: Floats, doubted: NDArray[np.int64]) -> Rows:
    """Compartments in which, before bottle i, looks in a row for one suspicion have found nothing often enough;
    `doubted` (looks so far) is moved on in place. parts: chances [2, n, S] before
    those looks.
    """
    n = parts.shape[1]
    if not events.looks[:n, i].any() and not doubted.any():
        return np.zeros(0, np.int64)
    suspected = parts[:, :, 1:].sum(axis=(0, 2)) >= constant("look_suspects")
    doubted[:n] = np.where(suspected, doubted[:n] + events.looks[:n, i], 0)
    doubted[:n][events.worked[:n, i] | events.new[:n, i]] = 0
    at = np.flatnonzero(doubted[:n] >= constant("looks_settle"))
    doubted[at] = 0
    return at


def accept(at: Rows, parts: Floats) -> None:
    """Leave of a fault's chance what that many looks miss, at even odds before them, in place; all of it in the first
    part.
    """
    missed = constant("look_misses") ** constant("looks_settle")
    for a in parts[1:]:
        parts[0][at] += a[at]
        a[at] = 0.0
    faults = parts[0][at, 1:].sum(axis=1)
    parts[0][at, 1:] *= np.minimum(1.0, missed / (1 + missed) / np.maximum(faults, 1e-12))[:, None]
    parts[0][at, 0] = 1 - parts[0][at, 1:].sum(axis=1)


def accept_wear(b: Bottles, i: int, at: Rows, levels: Floats, means: tuple[Floats, Floats]) -> None:
    """Rates and usual values that the two bottles before bottle i showed become the compartments' own, in place."""
    if i < 3 or not len(at):
        return
    gained, hours = np.zeros((len(at), b.y.shape[2])), np.zeros((len(at), 1))
    for j in (i - 2, i - 1):
        phi, psi, chi = (b.steps[k][at, j][:, None] for k in ("phi", "psi", "chi"))
        gained += b.y[at, j] - phi * b.y[at, j - 1] - chi * b.numbers["fresh_ppm"][at]
        hours += psi
    shown = gained / np.maximum(hours, 1e-9)
    rate = np.fmax(levels[1][:, at], shown)
    levels[1][:, at], levels[3][:, at] = rate, 0.0
    levels[4][:, at] = np.fmax(levels[4][:, at], (constant("accepted_sd") * rate) ** 2)
    seen = 0.5 * (b.v[at, i - 1] + b.v[at, i - 2])
    means[0][at] = np.where(np.isfinite(seen), seen, means[0][at])
    means[1][at] = np.broadcast_to(b.tau**2, means[1].shape)[at]
