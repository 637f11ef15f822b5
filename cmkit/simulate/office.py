"""How the invented office of the past decided: plain limits on a card, a repeat bottle, then a look. It never sees the
truth.
"""

from dataclasses import dataclass
from statistics import median

from cmkit.simulate.balance import INDEX, METALS
from cmkit.simulate.parts import Part
from cmkit.simulate.recipe import Office

_ENOUGH = 4  # bottles before a compartment has a usual rate


@dataclass(frozen=True)
class Card:
    """Limits on the office's card for one compartment: analyte -> limit, upwards and downwards."""

    high: dict[str, float]
    low: dict[str, float]


def make_card(office: Office, part: Part) -> Card:
    """The card of a compartment, from the level a normal one reaches by its change."""
    high = {}
    for analyte in part.kind.reports:
        if analyte in METALS or analyte in office.card_floors:
            n = INDEX[analyte]
            reached = part.fresh[n] + part.normal[n] * part.kind.change_every_h / (1 - part.kind.residual)
            high[analyte] = office.card * reached + office.card_floors.get(analyte, office.card_floor)
        elif analyte in office.card_high:
            high[analyte] = office.card_high[analyte]
    if part.kind_name == "coolant":  # its inhibitors are what the card of an oil calls contaminants
        for analyte in ("Na_ppm", "K_ppm", "Si_ppm"):
            high.pop(analyte, None)
    low = {a: limit for a, limit in office.card_low.items() if a in part.kind.reports}
    return Card(high, low)


def over_card(card: Card, values: dict[str, float], eased: float) -> bool:
    """True when any result is beyond the card; `eased` widens its limits."""
    high = any(values[a] > limit * eased for a, limit in card.high.items())
    return high or any(values[a] < limit / eased for a, limit in card.low.items())


def gained(values: dict[str, float], last: dict[str, float], kept: float, hours: float) -> dict[str, float]:
    """Metals gained per hour since the last bottle, of which the share `kept` stayed in the compartment."""
    return {a: (values[a] - kept * last[a]) / hours for a in values if a in METALS and a in last}


def rising(
    office: Office, card: Card, values: dict[str, float], gain: dict[str, float], past: dict[str, list[float]]
) -> bool:
    """True when a metal that is no longer small has risen many times as fast as it usually does in this compartment."""
    return any(
        values[a] > office.notable * card.high[a]
        and len(past.get(a, [])) >= _ENOUGH
        and g > office.times_usual * max(median(past[a]), 0)
        for a, g in gain.items()
        if a in card.high
    )
