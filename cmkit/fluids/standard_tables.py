"""Tables of standards from cmkit/reference, read once."""

from functools import cache
from importlib.resources import files

import pandas as pd


@cache
def standard_table(name: str) -> pd.DataFrame:
    """One table of cmkit/reference by its file name without `.csv`; class and grade columns stay text where they hold
    `00`.
    """
    with files("cmkit.reference").joinpath(f"{name}.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle, dtype={"class": "str"})
