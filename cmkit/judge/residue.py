"""What the fluid before a repair left behind: a change never takes all of it.

After a coolant leak is repaired, sodium stands above its usual for the rest of that charge, and neither grows nor is a
fault; a new pump starts in what lines and cylinders held of the old one's debris. From the first bottle after a repair,
or of a new component, a result that leaves only with the fluid (`stays` of reference/measures.csv) is read less phi x
(what the last bottle before held above its usual). phi is the share of that fluid still there by the exposure's mass
balance (guide how_it_is_computed, A); it falls with every bottle after. At a new component the records do not say what
was flushed: phi is then what a change leaves in its kind of compartment, with a wide spread, for metals too.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cmkit.judge.constants import constant
from cmkit.judge.looks import Events
from cmkit.judge.measures import Bottles

Floats = NDArray[np.float64]


def with_old_fluid(b: Bottles, events: Events, residual: float) -> Bottles:
    """The bottles of a kind with what is left of the fluid before a repair allowed for: departures v and the ends of
    their ranges less by it and that much more doubtful; shares phi, chi of a new component's first bottle.

    residual: share of the fluid that a change leaves in this kind (0..1). The same object where nothing was repaired.
    """
    new, worked = events.new[:, :-1], (events.worked | events.new)[:, :-1]
    if not worked.any():
        return b
    steps = b.steps | {
        "phi": np.where(new, residual, b.steps["phi"]),
        "chi": np.where(new, 1 - residual, b.steps["chi"]),
        "sd_phi": np.where(new, constant("left_sd") * residual, b.steps["sd_phi"]),
    }
    left = _left(b, worked, np.nan_to_num(steps["phi"], nan=1.0))
    doubt = np.hypot(b.doubt, constant("left_sd") * -np.expm1(-left))  # of log(1 + x) where x has that relative sd
    return replace(b, steps=steps, v=b.v - left, v_low=b.v_low - left, v_high=b.v_high - left, doubt=doubt)


def _left(b: Bottles, worked: NDArray[np.bool_], phi: Floats) -> Floats:
    """By how much what is left raises every result but metals (C, N, Q), in log."""
    usual = np.exp(b.usually)
    above = np.where(b.stays, np.maximum(np.exp(np.minimum(b.v + b.usually, 50.0)) - usual, 0.0), 0.0)
    left, held = np.zeros_like(b.v), np.zeros_like(b.v[:, 0])
    for i in range(1, b.v.shape[1]):
        begins = worked[:, i, None] & np.isfinite(above[:, i - 1])
        held = np.where(begins, above[:, i - 1], held) * phi[:, i, None]
        left[:, i] = np.log1p(np.nan_to_num(held / usual[:, i]))
    return left
