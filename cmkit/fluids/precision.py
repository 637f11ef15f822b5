"""Precision of test methods: by how much two results of one fluid differ by chance alone."""

import math

from cmkit.fluids.answer import Answer, undefined
from cmkit.fluids.standard_tables import standard_table

EXCEEDED_ONCE_IN_TWENTY = 2.77  # 1.96 times the square root of 2


def allowed_difference(analyte: str, result: float, same_laboratory: bool = True, fluid: str = "used") -> Answer:
    """Difference of two results about `result` that is exceeded once in twenty by chance: repeatability, or
    reproducibility between laboratories.

    analyte: column name such as `Fe_ppm`, result in its unit, >= 0. fluid: `used`, or `fresh`; where the method states
    only the fresh fluid, that is taken (used fluids are worse). Source: reference/precision.csv. Undefined for an
    analyte that is not in it.
    """
    if not (math.isfinite(result) and result >= 0):
        return undefined(f"result {result:g}; wanted a number of zero or more")
    table = standard_table("precision")
    rows = table[table["analyte"] == analyte]
    if rows.empty:
        return undefined(f"no precision of {analyte} in reference/precision.csv")
    exact = rows[rows["fluid"] == fluid]
    row = (exact if len(exact) else rows).iloc[0]
    kind = "r" if same_laboratory else "reproducibility"
    return Answer(float(row[f"{kind}_factor"] * (result + row["shift"]) ** row[f"{kind}_power"]))


def spread_from_difference(difference: float) -> float:
    """Standard deviation behind a repeatability or reproducibility: divided by 2.77."""
    return difference / EXCEEDED_ONCE_IN_TWENTY


def really_differ(first: float, second: float, analyte: str, same_laboratory: bool = True) -> bool | None:
    """Whether two results of used fluid differ by more than chance (once in twenty); None where the precision is not
    known.
    """
    allowed = allowed_difference(analyte, (first + second) / 2, same_laboratory)
    return abs(first - second) > allowed.value if allowed.known else None
