"""The mass balance of fluid charges, integrated in small steps. No closed form is used anywhere in this package."""

import numpy as np

from cmkit.records.analytes import analyte_register

# What a charge carries as an amount (content times litres). Viscosities travel as logarithms, which mix roughly in
# proportion to volume.
_NOT_CARRIED = (
    "visc40_cSt",
    "visc100_cSt",
    "p4_per_ml",
    "p6_per_ml",
    "p14_per_ml",
    "pH",
    "freeze_C",
    "conductivity_uS",
)
METALS = tuple(analyte_register().query("rule == 'rate'").index)
CARRIED = (  # metals first
    *METALS,
    *(a for a in analyte_register().index if a not in METALS and a not in _NOT_CARRIED),
    "log_visc40",
    "log_visc100",
)
INDEX = {name: n for n, name in enumerate(CARRIED)}
IS_METAL = np.isin(CARRIED, METALS)
_LEAST_SHARE = 1e-3  # a charge is never emptied below this share of what it was at the start of a call


def vector(values: dict[str, float]) -> np.ndarray:
    """Values by analyte as an array over CARRIED; zero where none is given."""
    out = np.zeros(len(CARRIED))
    for name, value in values.items():
        out[INDEX[name]] = value
    return out


def advance(
    amount: np.ndarray,
    volume: np.ndarray,
    release: np.ndarray,
    loss_l_per_h: np.ndarray,
    removal_per_h: np.ndarray,
    *,
    hours: float | np.ndarray,
    step_h: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Charges after `hours` of work: (amount, volume, gone), by the midpoint rule in steps of at most step_h hours.

    d(amount)/dt = release - amount (loss / volume + removal), d(volume)/dt = -loss. amount, release (per hour) and
    removal have shape (charges, analytes), volume in litres and loss in litres per hour (charges,). gone is what left
    with the lost fluid or was removed. hours may differ between charges (charges,), then the longest first: each charge
    has the steps that its own hours need.
    """
    hours = np.broadcast_to(hours, len(volume))
    steps = steps_of(hours, step_h)
    dt = hours / steps
    amount, volume, gone = amount.copy(), volume.copy(), np.zeros_like(amount)
    least = _LEAST_SHARE * volume
    for n in range(int(steps.max(initial=1))):
        own = slice(int((steps > n).sum()))
        held, left, lost = amount[own], volume[own], gone[own]
        step, each, loss = dt[own], dt[own, None], loss_l_per_h[own]
        middle = (loss / left)[:, None] + removal_per_h[own]
        middle *= held
        np.subtract(release[own], middle, out=middle)
        middle *= 0.5 * each
        middle += held
        half = np.maximum(left - 0.5 * step * loss, least[own])
        leaving = (loss / half)[:, None] + removal_per_h[own]
        leaving *= middle
        held += np.multiply(each, np.subtract(release[own], leaving, out=middle), out=middle)
        lost += np.multiply(each, leaving, out=leaving)
        np.maximum(left - step * loss, least[own], out=left)
    return amount, volume, gone


def steps_of(hours: np.ndarray, step_h: float) -> np.ndarray:
    """Steps of at most step_h in so many hours, at least one."""
    return np.asarray(np.maximum(1, np.ceil(hours / step_h).astype(int)))


def drain_and_fill(
    amount: np.ndarray, volume: float, kept_share: float, fresh: np.ndarray, capacity_l: float
) -> tuple[np.ndarray, float]:
    """One charge after a change: `kept_share` of the old fluid stays, filled up to the capacity with fluid of content
    `fresh`.
    """
    left = volume * kept_share
    return amount * kept_share + fresh * (capacity_l - left), capacity_l


def add(amount: np.ndarray, volume: float, litres: float, fresh: np.ndarray) -> tuple[np.ndarray, float]:
    """One charge after `litres` of fluid of content `fresh` were added."""
    return amount + fresh * litres, volume + litres
