"""How the invented office of the past decided: plain limits on a card, a repeat bottle, then a look. It never sees the truth."""

from dataclasses import dataclass

from cmkit.simulate.balance import INDEX, METALS
from cmkit.simulate.parts import Part
from cmkit.simulate.recipe import Office

_NEAR = 0.8  # a jump counts from this share of the card's limit
_ORDINARY_AGE_H = 2000.0  # a card's levels are those of fluid of at most this age


@dataclass(frozen=True)
class Card:
    """Limits on the office's card for one compartment: analyte -> limit, upwards and downwards."""

    high: dict[str, float]
    low: dict[str, float]


def make_card(office: Office, part: Part) -> Card:
    """The card of a compartment, from the level a normal one reaches by its change."""
    age = min(part.kind.change_every_h, _ORDINARY_AGE_H)
    high = {}
    for analyte in part.kind.reports:
        if analyte in METALS or analyte in office.card_floors:
            n = INDEX[analyte]
            reached = part.fresh[n] + part.normal[n] * age
            high[analyte] = office.card * reached + office.card_floors.get(analyte, office.card_floor)
        elif analyte in office.card_high:
            high[analyte] = office.card_high[analyte]
    if part.kind_name == "coolant":  # its inhibitors are what the card of an oil calls contaminants
        for analyte in ("Na_ppm", "K_ppm", "Si_ppm"):
            high.pop(analyte, None)
    low = {a: limit for a, limit in office.card_low.items() if a in part.kind.reports}
    return Card(high, low)


def over_card(office: Office, card: Card, values: dict[str, float], last: dict[str, float], eased: float) -> list[str]:
    """Analytes that are beyond the card, or that jumped since the last bottle; `eased` raises the upper limits."""
    out = []
    for analyte, limit in card.high.items():
        value, limit = values[analyte], limit * eased
        jumped = analyte in last and value > office.doubles * last[analyte] and value > _NEAR * limit
        if value > limit or jumped:
            out.append(analyte)
    return out + [a for a, limit in card.low.items() if values[a] < limit / eased]
