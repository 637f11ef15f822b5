"""How the invented office of the past decided: plain limits on a card, a repeat bottle, then a look. It never sees the
truth.
"""

from dataclasses import dataclass

import numpy as np

from cmkit.simulate.balance import INDEX, METALS
from cmkit.simulate.bottle import AT
from cmkit.simulate.parts import Part
from cmkit.simulate.recipe import Office

_ENOUGH = 4  # bottles before a compartment has a usual rate
_METALS = slice(AT[METALS[0]], AT[METALS[-1]] + 1)  # they stand together in the register


@dataclass(frozen=True)
class Card:
    """Limits on the office's card for one compartment, upwards and downwards, over the analytes of the register;
    infinite where it has none.
    """

    high: np.ndarray
    low: np.ndarray


def make_card(office: Office, part: Part) -> Card:
    """The card of a compartment, from the level a normal one reaches by its change."""
    high, low = np.full(len(AT), np.inf), np.full(len(AT), -np.inf)
    for analyte in part.kind.reports:
        if analyte in METALS or analyte in office.card_floors:
            n = INDEX[analyte]
            reached = part.fresh[n] + part.normal[n] * part.kind.change_every_h / (1 - part.kind.residual)
            high[AT[analyte]] = office.card * reached + office.card_floors.get(analyte, office.card_floor)
        elif analyte in office.card_high:
            high[AT[analyte]] = office.card_high[analyte]
        if analyte in office.card_low:
            low[AT[analyte]] = office.card_low[analyte]
    if part.kind_name == "coolant":  # its inhibitors are what the card of an oil calls contaminants
        high[[AT[a] for a in ("Na_ppm", "K_ppm", "Si_ppm")]] = np.inf
    return Card(high, low)


def over_card(card: Card, values: np.ndarray, eased: float) -> bool:
    """True when any result is beyond the card; `eased` widens its limits."""
    return bool(((values > card.high * eased) | (values < card.low / eased)).any())


def gained(values: np.ndarray, last: np.ndarray, kept: float, hours: float) -> np.ndarray:
    """Metals gained per hour since the last bottle, of which the share `kept` stayed in the compartment; NaN where not
    reported.
    """
    return np.asarray((values[_METALS] - kept * last[_METALS]) / hours)


def rising(office: Office, card: Card, values: np.ndarray, gain: np.ndarray, past: list[list[float]]) -> bool:
    """True when a metal that is no longer small has risen many times as fast as it usually does in this compartment.
    past: what each metal gained per hour before, in order of size.
    """
    if len(past[0]) < _ENOUGH:
        return False
    large = ((values[_METALS] > office.notable * card.high[_METALS]) & (gain > 0)).nonzero()[0].tolist()
    return any(gain.item(n) > office.times_usual * max(_median(past[n]), 0.0) for n in large)


def _median(ordered: list[float]) -> float:
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2
