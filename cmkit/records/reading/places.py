"""Which compartment a row of a laboratory's file means: the columns that make up its name, and the nearest names of the
fleet.
"""

import itertools
import re
from dataclasses import dataclass

import numpy as np

from cmkit.records.reading.clean import normal
from cmkit.records.reading.headings import plain

PARTS = ("site", "machine", "kind", "position")  # headings that make up a compartment's name together, in this order
_ORDER = ("site", "machine", "compartment", "kind", "position")
_BETWEEN = ("/", " ", "-", " - ", "_", ":", "")  # what may stand between the parts of a fleet's names
_NEAR = 0.5  # share of words two names have in common
_APART = 0.1  # share of words by which the nearest name must be nearer than the next
_LOOKED_AT = 500  # names of a file that are looked at one by one
_ONE_MACHINE = (
    "one machine only in this file: if other machines have a compartment of the same name, join the two "
    "columns in [join]"
)
_SIDES = {
    "l": "left",
    "lh": "left",
    "links": "left",
    "r": "right",
    "rh": "right",
    "rechts": "right",
    "fr": "front",
    "rr": "rear",
    "fd": "final drive",
}


@dataclass(frozen=True)
class Naming:
    """How a file names compartments: `parts` (of `_ORDER`) joined with `between`. One part: its column holds the name
    as it is.
    """

    parts: tuple[str, ...]
    between: str
    why: str
    doubt: str = ""


def naming(columns: dict[str, np.ndarray], compartments: list[str] | None = None) -> Naming | None:
    """The columns that name the compartment, or None where there are none.

    columns: texts of a file's columns by what they are (names of `_ORDER`). compartments: the fleet's names; the
    columns that give most of them win, a single column before a join. Without them a compartment's name that stands
    with several machines is no name by itself.
    """
    parts = tuple(p for p in _ORDER if p in columns)
    if not {"compartment", "kind"} & set(parts):
        return Naming(parts, "/", "no column is the compartment's name") if parts else None
    return (_by_fleet(columns, parts, compartments) if compartments else None) or _by_cells(columns, parts)


def _by_fleet(columns: dict[str, np.ndarray], parts: tuple[str, ...], compartments: list[str]) -> Naming | None:
    """The parts whose names are the fleet's most often; None where no choice gives names that are at least near."""
    known, bags = {normal(c) for c in compartments}, bags_of(compartments)
    choices = [c for n in range(1, len(parts) + 1) for c in itertools.combinations(parts, n)]
    choices = [c for c in choices if {"compartment", "kind"} & set(c)]
    best, top = None, 0.0
    for choice in choices:
        rows = _distinct(columns, choice)
        for between in _BETWEEN if len(choice) > 1 else ("/",):
            names = [normal(between.join(p for p in row if p)) for row in rows]
            share = sum(n in known for n in names) / max(len(names), 1)
            if share > top:
                example = between.join(p for p in next(r for r, n in zip(rows, names, strict=True) if n in known) if p)
                why = (
                    f"{sum(n in known for n in names)} of {len(names)} names so made are the fleet's, such as "
                    f"'{example}'"
                )
                best, top = Naming(choice, between, why), share
    if best:
        return best
    for choice in choices:
        rows = _distinct(columns, choice)[:30]
        share = float(np.mean([nearest(" ".join(row), bags)[1] for row in rows])) if rows else 0.0
        if share > max(top, _NEAR):
            best, top = Naming(choice, "/", "the names so made are nearest to the fleet's"), share
    return best


def _by_cells(columns: dict[str, np.ndarray], parts: tuple[str, ...]) -> Naming:
    """What the cells alone tell: parts are joined where one of them would stand for several compartments."""
    if "compartment" not in parts:
        kept = tuple(p for p in parts if p != "site" or _repeats(columns, ("machine",), "site"))
        return Naming(kept, "/", "no column holds the whole name")
    chosen: tuple[str, ...] = ("compartment",)
    why = "its cells are the names"
    for part in ("machine", "site", "position"):
        example = _repeats(columns, chosen, part) if part in parts else ""
        if example:
            chosen = tuple(p for p in _ORDER if p in (*chosen, part))
            why = f"'{example}' stands with more than one {part}, so it is no name by itself"
    if "machine" in chosen and "position" in parts and "position" not in chosen and _says_more(columns):
        chosen = (*chosen, "position")
    alone = len(chosen) == 1 and "machine" in parts and not _names_machine(columns)
    return Naming(chosen, "/", why, _ONE_MACHINE if alone else "")


def _says_more(columns: dict[str, np.ndarray]) -> bool:
    """True where a position is given that the compartment's own cell does not name."""
    return any(not _bag(p) <= _bag(c) for c, p in _distinct(columns, ("compartment", "position")))


def _names_machine(columns: dict[str, np.ndarray]) -> bool:
    """True where the compartment's cells name the machine too, or several machines show that they need not."""
    rows = _distinct(columns, ("machine", "compartment"))
    return len({m for m, _ in rows}) > 1 or any(normal(m) in normal(c) for m, c in rows)


def _repeats(columns: dict[str, np.ndarray], parts: tuple[str, ...], other: str) -> str:
    """A name made of `parts` that stands in rows with different texts of `other`; '' where there is none."""
    if not {*parts, other} <= set(columns):
        return ""
    seen: dict[str, str] = {}
    for *row, text in _distinct(columns, (*parts, other)):
        name = "/".join(p for p in row if p)
        if name and text and normal(seen.setdefault(name, text)) != normal(text):
            return name
    return ""


def _distinct(columns: dict[str, np.ndarray], parts: tuple[str, ...]) -> list[tuple[str, ...]]:
    """Different rows of some columns, in order, without those that are empty."""
    return [row for row in dict.fromkeys(zip(*(columns[p] for p in parts), strict=True)) if any(row)]


def near_places(said: list[str], compartments: list[str]) -> tuple[tuple[str, str], ...]:
    """For each name of a file that is no compartment's: the compartment it may stand for, '' where none is near."""
    known, bags = {normal(c) for c in compartments}, bags_of(compartments)
    strange = [text for text in said[:_LOOKED_AT] if text and normal(text) not in known]
    return tuple((text, clearly_nearest(text, bags)) for text in strange)


def clearly_nearest(text: str, bags: dict[str, frozenset[str]]) -> str:
    """The name that shares most words with `text` where no other is about as near; '' otherwise."""
    longer = sum(normal(name).startswith(normal(text) + "/") for name in bags)
    best, fit = nearest(text, bags)
    if fit < _NEAR or longer > 1:  # a name cut short may be any of those it begins
        return ""
    second = nearest(text, {n: b for n, b in bags.items() if n != best})[1] if len(bags) > 1 else 0.0
    return best if fit - second >= _APART else ""


def nearest(text: str, bags: dict[str, frozenset[str]]) -> tuple[str, float]:
    """(the name that shares most words with `text`, the share of their words in common). Another number is another
    machine.
    """
    mine = _bag(text)
    fits = {name: len(bag & mine) / max(len(bag | mine), 1) * _same_numbers(bag, mine) for name, bag in bags.items()}
    best = max(fits, key=lambda n: fits[n])
    return best, fits[best]


def _same_numbers(one: frozenset[str], other: frozenset[str]) -> bool:
    a, b = ({w for w in bag if w.isdigit()} for bag in (one, other))
    return a <= b or b <= a


def bags_of(names: list[str]) -> dict[str, frozenset[str]]:
    """Each name with its words, as `nearest` compares them."""
    return {name: _bag(name) for name in names}


def _bag(text: str) -> frozenset[str]:
    """The words of a name, numbers without leading zeros: HT07 and ht-7 are the same."""
    tokens = [t.lstrip("0") or t for t in re.findall(r"[a-z]+|[0-9]+", plain(text))]
    return frozenset(w for token in tokens for w in _SIDES.get(token, token).split())
