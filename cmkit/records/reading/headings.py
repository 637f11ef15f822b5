"""The words of a heading: what it stands for, and which unit it names. Words and usual values are in
reference/headings.csv.
"""

import difflib
import re
import unicodedata
from functools import cache
from importlib.resources import files

import pandas as pd

from cmkit.records.analytes import analyte_register
from cmkit.records.reading.layouts import known_columns
from cmkit.records.reading.units import knows_unit, plain_unit
from cmkit.tables.records import TABLES


@cache
def heading_words() -> dict[str, str]:
    """reference/headings.csv: a heading in plain letters -> what it stands for."""
    table = headings()
    known = {
        plain(w): str(row["to"])
        for row in table.to_dict("records")
        for w in str(row["words"]).split("|")
        if row["to"] != "unit"
    }
    for name in known_columns(TABLES["samples"], analyte_register()):
        known.setdefault(plain(name), name)
    return known


@cache
def headings() -> pd.DataFrame:
    """reference/headings.csv as it stands."""
    with files("cmkit.reference").joinpath("headings.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle, keep_default_na=False)


def plain(text: str) -> str:
    """A heading in plain letters: no accents, case, punctuation or repeated spaces."""
    text = (
        text.casefold()
        .replace("ä", "ae")
        .replace("ö", "oe")
        .replace("ü", "ue")
        .replace("ß", "ss")
        .replace("µ", "u")
        .replace("μ", "u")
    )
    text = unicodedata.normalize("NFKD", text.replace("°", " "))
    text = "".join(c for c in text if not unicodedata.combining(c))
    return " ".join(re.sub(r"[^a-z0-9>%]+", " ", text).split())


def heading_guess(heading: str) -> tuple[str, str, str]:
    """(to, unit, why) from a heading alone: its unit is split off, the rest looked up, the last part of a merged
    heading first.
    """
    name, unit = split_unit(heading)
    parts = [name, *reversed(name.split(" / "))] if " / " in name else [name]
    unit = unit or next((u for _, u in map(split_unit, parts[1:]) if u), "")
    known = heading_words()
    for part in parts:
        if to := known.get(plain(part)):
            return to, unit, f"the heading says '{part}'"
    for part in parts:
        near = difflib.get_close_matches(plain(part), known, n=1, cutoff=0.87) if len(plain(part)) > 4 else []
        if near:
            return known[near[0]], unit, f"'{part}' is close to '{near[0]}'"
    return "", unit, "no known word"


def split_unit(heading: str) -> tuple[str, str]:
    """A heading without its unit, and the unit: in brackets, as a part of its own, or as its last words."""
    heading = re.sub(r"#\d+$", "", heading).strip()
    for bracket in re.findall(r"[\(\[]([^()\[\]]*)[\)\]]", heading):
        if bracket.strip() and knows_unit(bracket):
            rest = re.sub(r"[\(\[]" + re.escape(bracket) + r"[\)\]]", " ", heading)
            return " ".join(rest.split()), bracket.strip()
    parts = heading.split(" / ")
    if len(parts) > 1 and knows_unit(bare_unit(parts[-1])):
        return " / ".join(parts[:-1]), bare_unit(parts[-1])
    tokens = re.split(r"[\s,;]+", heading)
    for n in (4, 3, 2, 1):
        tail = " ".join(tokens[-n:])
        if (
            len(tokens) > n
            and (len(plain_unit(tail)) > 1 or tail == "%")
            and knows_unit(tail)
            and plain_unit(tail) not in _NO_UNITS
        ):
            return re.sub(r"[\s,;]+$", "", heading[: heading.rfind(tokens[-n])]), tail
    return heading, ""


_NO_UNITS = {
    "hours",
    "hour",
    "hrs",
    "hr",
    "h",
    "days",
    "miles",
    "in",
    "ph",
    "index",
    "min",
    "none",
}  # words of names rather than units


def bare_unit(text: str) -> str:
    """A unit without the brackets round it."""
    return text.strip().strip("()[]")
