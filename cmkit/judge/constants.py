"""Numbers behind the judgement (reference/judge.csv), each with its unit, meaning, basis and source."""

from functools import cache
from importlib.resources import files

import pandas as pd


@cache
def judge_constants() -> pd.DataFrame:
    """reference/judge.csv indexed by name: value, unit, meaning, basis, source."""
    with files("cmkit.reference").joinpath("judge.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle).set_index("name")


@cache
def constant(name: str) -> float:
    """One number by name, such as `temper`; KeyError when there is none."""
    return float(judge_constants()["value"].loc[name])
