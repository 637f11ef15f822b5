"""Results that are not one number: below a limit (`<1`), above one (`>1000`), or the range of counts of an ISO 4406
code.

`samples` holds such a result as a number and a flag beside it: `<analyte>_below`, `<analyte>_above`; of a code it holds
the code's number and, as count, the geometric middle of its range.
"""

from collections.abc import Sequence
from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cmkit.records.analytes import above, below

Floats = NDArray[np.float64]
SIGNS = {-1: "<", 0: "", 1: ">"}
CODES = {
    "p4_code": "p4_per_ml",
    "p6_code": "p6_per_ml",
    "p14_code": "p14_per_ml",
}  # code number -> the count it stands for


@cache
def code_ranges() -> pd.DataFrame:
    """ISO 4406:2021, table 1, by code number: more_than_per_ml, up_to_and_including_per_ml."""
    with files("cmkit.reference").joinpath("iso4406_codes.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle).set_index("code")


def counts_of_codes(codes: Floats) -> tuple[Floats, Floats]:
    """(more than, up to and including) in particles per ml for whole code numbers 0..28; NaN for anything else. Any
    shape.
    """
    table = code_ranges()
    at = np.nan_to_num(codes, nan=-1.0).astype(np.int64)
    known = (at >= 0) & (at < len(table)) & (at == codes)
    low, high = (table[c].to_numpy(float)[np.where(known, at, 0)] for c in table.columns[:2])
    return np.where(known, low, np.nan), np.where(known, high, np.nan)


def flags(samples: pd.DataFrame, names: Sequence[str], flag: str) -> NDArray[np.bool_]:
    """Flags [n, A] of results, `flag` being `below` or `above`; False where the frame has no such column."""
    out = np.zeros((len(samples), len(names)), bool)
    for i, name in enumerate({"below": below, "above": above}[flag](a) for a in names):
        if name in samples:
            given = samples[name]
            out[:, i] = given.to_numpy() if given.dtype == bool else given.eq(True).to_numpy(bool)
    return out


def bounds(samples: pd.DataFrame, name: str) -> tuple[Floats, Floats]:
    """Lowest and highest value each result of one analyte can have where it is no single number, else NaN; [n] each.

    A result above a limit reaches to infinity; of a code it is the code's range. Below a limit: (-inf, limit).
    """
    value = samples[name].to_numpy(float)
    under, over = (flags(samples, [name], f)[:, 0] for f in ("below", "above"))
    code = next((c for c, count in CODES.items() if count == name and c in samples), "")
    low, high = counts_of_codes(samples[code].to_numpy(float)) if code else (np.full(len(value), np.nan),) * 2
    low = np.where(over, value, np.where(under, -np.inf, low))
    high = np.where(over, np.inf, np.where(under, value, high))
    return np.where(np.isnan(value), np.nan, low), np.where(np.isnan(value), np.nan, high)


def sides_of(censored: ArrayLike) -> NDArray[np.int8]:
    """-1 (reported below its limit), 0 or 1 (above it) for each result; flags are taken as below."""
    given = np.asarray(censored)
    return np.asarray(-given.astype(np.int8) if given.dtype == bool else given.astype(np.int8))


def signed(value: float, is_below: bool, is_above: bool) -> str:
    """The sign a page puts before a result: `<`, `>` or nothing."""
    return "" if np.isnan(value) else SIGNS[int(is_above) - int(is_below)]
