"""Headings of registers, workshop logs, meter sheets and findings, and the words of their work:
reference/table_headings.csv, work_words.csv.
"""

import difflib
from functools import cache
from importlib.resources import files

import pandas as pd

from cmkit.records.reading.headings import plain, split_unit
from cmkit.records.reading.units import plain_unit

TABLE_NAMES = (
    "register",
    "services",
    "meters",
    "findings",
)  # tables with headings of their own; samples have headings.csv


@cache
def _csv(name: str) -> pd.DataFrame:
    with files("cmkit.reference").joinpath(name).open(encoding="utf-8") as handle:
        return pd.read_csv(handle, keep_default_na=False)


@cache
def _headings(table: str) -> dict[str, str]:
    """A heading in plain letters -> our column of a table."""
    rows = _csv("table_headings.csv")
    rows = rows[rows["table"] == table]
    known = {plain(w): to for to, words in zip(rows["to"], rows["words"], strict=True) for w in words.split("|")}
    return known | {plain(to): to for to in rows["to"]}


def table_heading(table: str, heading: str) -> tuple[str, str, str]:
    """(our column, unit, why) of one heading of a table's file; ('', unit, why) where nothing fits."""
    name, unit = split_unit(heading)
    if not unit and plain_unit(heading.split(" ")[-1]) in ("gal", "gals", "gallons") and len(heading.split(" ")) > 1:
        unit = heading.split(" ")[-1]
    known = _headings(table)
    parts = [heading, name, *reversed(name.split(" / "))]
    for part in parts:
        if to := known.get(plain(part)):
            own = plain(part)
            if to.endswith("_l") and own in ("gallons", "gal", "quarts"):
                unit = unit or own
            return to, unit, f"the heading says '{part}'"
    for part in parts[1:]:
        near = difflib.get_close_matches(plain(part), known, n=1, cutoff=0.87) if len(plain(part)) > 4 else []
        if near:
            return known[near[0]], unit, f"'{part}' is close to '{near[0]}'"
    return "", unit, "no known word"


def work_words(column: str) -> tuple[tuple[str, str], ...]:
    """(phrase, ours) of the words for work or outcomes, in the order in which they are looked for."""
    rows = _csv("work_words.csv")
    rows = rows[rows["column"] == column]
    return tuple((w, ours) for ours, words in zip(rows["ours"], rows["words"], strict=True) for w in words.split("|"))
