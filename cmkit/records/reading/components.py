"""Words for components and sides as files write them: `L/H F/Drive`, `FD LH`, `Diff Rear`. The words are in
reference/component_words.csv.
"""

import re
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files

import pandas as pd

from cmkit.records.reading.headings import plain

_CORNERS = {"front left", "front right", "rear left", "rear right"}
_ENDS, _SIDES = ("front", "rear", "centre"), ("left", "right")


@dataclass(frozen=True)
class Component:
    """What a text says of a component. rest: words that are neither a component's, a side's nor without meaning."""

    kind: str = ""
    position: str = ""
    rest: tuple[str, ...] = ()

    @property
    def plain(self) -> bool:
        """True where the whole text is understood and one component is meant."""
        return bool(self.kind) and not self.rest

    @property
    def name(self) -> str:
        """`final drive/left`; `engine` where there is one only."""
        return f"{self.kind}/{self.position}" if self.position else self.kind


@cache
def component_words() -> pd.DataFrame:
    """reference/component_words.csv as it stands."""
    with files("cmkit.reference").joinpath("component_words.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle, keep_default_na=False)


@cache
def usual_fluid(kind: str) -> str:
    """The fluid a kind of component usually holds; '' for a kind that is not in the words."""
    table = component_words()
    found = table[(table["what"] == "kind") & (table["to"] == kind)]["fluid"]
    return str(found.iloc[0]) if len(found) else ""


@cache
def _phrases() -> dict[tuple[str, ...], tuple[str, str]]:
    """Words of a phrase -> (what, to)."""
    found: dict[tuple[str, ...], tuple[str, str]] = {}
    for row in component_words().to_dict("records"):
        for words in str(row["words"]).split("|"):
            found.setdefault(tuple(words.split()), (str(row["what"]), str(row["to"])))
    return found


@lru_cache(maxsize=100_000)
def component_of(text: str, corners: bool = False) -> Component:
    """The kind, the side and the words that are left over of a component's name.

    corners: the file names other corners (LF, RF, LR), so that RR is rear right; without them it is rear. Two kinds in
    one text, or two opposite sides, leave the second over.
    """
    kinds: list[str] = []
    places: list[str] = []
    rest: list[str] = []
    for what, to in _read(_tokens(text)):
        if what == "kind":
            kinds += [to] if to not in kinds else []
        elif what == "position":
            places += [to] if to not in places else []
        elif what == "":
            rest.append(to)
    if kinds == ["engine", "coolant"] or kinds == ["coolant", "engine"]:
        kinds = ["coolant"]
    position, odd = _position(places, corners and "rr" in _tokens(text))
    return Component(kinds[0] if kinds else "", position, (*rest, *kinds[1:], *odd))


# a quantity in a workshop's words (4 l, 500 hr) names no component, and its l is no side
_QUANTITY = re.compile(r"\b\d+(?:[.,]\d+)?\s*(?:l|lt|ltrs?|lit(?:re|er)s?|gal|qts?|h|hrs?|hours?|%)(?=\W|$)")


def _tokens(text: str) -> list[str]:
    return plain(_QUANTITY.sub(" ", text.casefold())).replace("%", " ").replace(">", " ").split()


def _read(tokens: list[str]) -> list[tuple[str, str]]:
    """(what, to) of each phrase, the longest first; ('', word) for a word that is none."""
    phrases, out, at = _phrases(), [], 0
    while at < len(tokens):
        for n in (3, 2, 1):
            found = phrases.get(tuple(tokens[at : at + n])) if at + n <= len(tokens) else None
            if found:
                break
        out += [found] if found else _split_word(tokens[at])
        at += n if found else 1
    return out


def _split_word(word: str) -> list[tuple[str, str]]:
    """`fdlh` is two words written as one; a lone l or r is a side."""
    lone = {"l": "left", "r": "right", "f": "front"}
    if word in lone:
        return [("position", lone[word])]
    phrases = _phrases()
    for cut in range(len(word) - 1, 1, -1):
        kind, side = phrases.get((word[:cut],)), word[cut:]
        place = phrases.get((side,)) or (("position", lone[side]) if side in lone else None)
        if kind and place and kind[0] == "kind" and place[0] == "position":
            return [kind, place]
    return [("", word)]


def _position(places: list[str], rear_right: bool) -> tuple[str, list[str]]:
    """(the position, what contradicts it)."""
    whole = [p for p in places if p in _CORNERS]
    if rear_right and places == ["rear"]:
        return "rear right", []
    if whole:
        return whole[0], [p for p in places if p != whole[0] and p not in whole[0].split()]
    ends, sides = [p for p in places if p in _ENDS], [p for p in places if p in _SIDES]
    odd = ends[1:] + sides[1:]
    return " ".join([*ends[:1], *sides[:1]]), odd


def has_corners(texts: list[str]) -> bool:
    """True where some text of a file names a corner other than RR."""
    return any(component_of(t).position in _CORNERS for t in texts)
