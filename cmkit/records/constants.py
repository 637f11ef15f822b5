"""Constants of the models (reference/*.csv): one number a row, with unit, range, meaning, basis and source; a fleet may
set its own.
"""

from dataclasses import fields
from functools import cache
from importlib.resources import files
from typing import TypeVar

import pandas as pd

T = TypeVar("T")
HALF_NINETY = 1.6448536269514722  # half width of a 90 % interval of the normal distribution, in standard deviations


@cache
def constants(chapter: str) -> pd.DataFrame:
    """reference/CHAPTER.csv indexed by name: value, unit, meaning, basis, source, and where it has them low and high.

    chapter: `trust`, `intervals`, ...; FileNotFoundError for any other.
    """
    with files("cmkit.reference").joinpath(f"{chapter}.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle).set_index("name")


@cache
def constant(chapter: str, name: str) -> float:
    """One number of a chapter by its name; KeyError when there is none."""
    return float(constants(chapter)["value"].loc[name])


def package_defaults(kind: type[T], chapter: str) -> T:
    """A frozen dataclass whose fields are the constants of a chapter, at the package's values."""
    values = constants(chapter)["value"]
    return kind(**{f.name: f.type(values[f.name]) for f in fields(kind)})  # type: ignore[arg-type,operator]


def out_of_range(settings: object, chapter: str) -> list[str]:
    """What is wrong with the values of such a dataclass, in words; empty where each lies within low and high of its
    row.
    """
    rows = constants(chapter)
    return [
        f"{name} = {getattr(settings, name):g}, wanted {low:g} to {high:g}"
        for name, low, high in zip(rows.index, rows["low"], rows["high"], strict=True)
        if not low <= getattr(settings, name) <= high
    ]
