"""Numbers behind the doubts (reference/trust.csv), each with its unit, meaning, basis and source."""

from functools import cache
from importlib.resources import files

import pandas as pd


@cache
def trust_constants() -> pd.DataFrame:
    """reference/trust.csv indexed by name: value, unit, meaning, basis, source."""
    with files("cmkit.reference").joinpath("trust.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle).set_index("name")


@cache
def constant(name: str) -> float:
    """One number by name, such as `bottle_factor_sd`; KeyError when there is none."""
    return float(trust_constants()["value"].loc[name])
