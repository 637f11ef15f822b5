"""ISO 4406 code numbers as particle counts: `21/18/15`, `>28/22/16`, `-/18/13`."""

import re
from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd

ISO4406 = "iso4406"  # as a layout names it; it stands for three columns
COUNTS = ("p4_per_ml", "p6_per_ml", "p14_per_ml")
_CODE = re.compile(r"\s*([>~]?\s*\d{1,2}|[-*xX])\s*")


@cache
def _ranges() -> pd.DataFrame:
    with files("cmkit.reference").joinpath("iso4406_codes.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle).set_index("code")


def counts_of_codes(texts: np.ndarray) -> dict[str, np.ndarray]:
    """Particles per ml (>= 4, 6, 14 um(c)) for cells with three code numbers; two are those at 6 and 14 um(c), as in older reports.

    A code is a range of counts; its geometric middle is used, which gives the same code again. '-' is not counted; '>28' is the highest
    count a code names. A cell that is no code stays as it is, to be set aside with its reason. Codes: ISO 4406:2021, table 1.
    """
    rows = [_three(str(t)) for t in texts]
    return {name: np.array([row[i] for row in rows], dtype=object) for i, name in enumerate(COUNTS)}


def _three(text: str) -> tuple[object, object, object]:
    if not text.strip():
        return "", "", ""
    parts = text.split("/")
    if len(parts) == 2:
        parts = ["-", *parts]
    if len(parts) != 3 or not all(_CODE.fullmatch(p) for p in parts):
        return text, text, text
    a, b, c = (_count(p.strip()) for p in parts)
    return a, b, c


def _count(code: str) -> object:
    """The count a code number stands for; '' where none was counted, the text itself where there is no such code."""
    if code in "-*xX":
        return ""
    number = int(re.sub(r"\D", "", code))
    if number not in _ranges().index:
        return code
    low, high = (float(_ranges().loc[number, c]) for c in ("more_than_per_ml", "up_to_and_including_per_ml"))
    return high if code.startswith(">") else float(f"{np.sqrt(max(low, high / 4) * high):.4g}")
