"""What does each coolant need, and in which order? Strength first, then inhibitor, then what neither can mend; by the
chemistry its name says.
"""

import re
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.tables.frames import names, typed

COOLANTS = names("coolants")
NOT_KNOWN, ANY = "not known", "*"
INSIDE, LOW, HIGH, UNTESTED = "in range", "too low", "too high", "not tested"


@cache
def coolant_checks(chemistry: str) -> pd.DataFrame:
    """Rows of reference/coolant_checks.csv for a chemistry, those for any with them, in the order of dosing."""
    rows = _reference("coolant_checks")
    return rows[rows["chemistry"].isin([chemistry, ANY])].sort_values("turn", kind="stable", ignore_index=True)


@cache
def _reference(name: str) -> pd.DataFrame:
    with files("cmkit.reference").joinpath(f"{name}.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle)


def chemistry_of(text: str) -> str:
    """`conventional`, `organic acid` or `hybrid` by a coolant's fluid and grade (reference/coolant_words.csv); `not
    known` where the words do not say.
    """
    said = _reference("coolant_words")
    found = (c for w, c in zip(said["word"], said["chemistry"], strict=True) if re.search(rf"\b{w}\b", text.lower()))
    return next(found, NOT_KNOWN)


def coolant_state(known: Fleet) -> pd.DataFrame:
    """One row per coolant of a working machine and check of its chemistry (columns COOLANTS), by compartment and turn.

    By the newest bottle. A result the laboratory does not report is `not tested`. A fleet reports chloride, sulfate,
    nitrate and glycolate as analytes of its own ([analytes] in fleet.toml, columns as in reference/coolant_checks.csv).
    """
    places = known.compartments[known.compartments["kind"] == "coolant"]
    places = places.merge(known.machines.loc[known.machines["retired_on"].isna(), ["machine", "site"]], on="machine")
    newest = known.samples.sort_values(["drawn_on", "sample"]).drop_duplicates("compartment", keep="last")
    newest = newest.set_index("compartment", drop=False)
    rows = []
    for place in places.sort_values("compartment").itertuples():
        bottle = newest.loc[place.compartment] if place.compartment in newest.index else None
        words = " ".join(w for w in (place.fluid, place.grade) if isinstance(w, str))
        rows += _checks(place, bottle, chemistry_of(words))
    return typed(rows, "coolants")


def _checks(place: Any, bottle: pd.Series | None, chemistry: str) -> list[dict[str, Any]]:
    base = {"compartment": place.compartment, "site": place.site, "chemistry": chemistry,
            "sample": "" if bottle is None else bottle["sample"],
            "drawn_on": pd.NaT if bottle is None else bottle["drawn_on"]}  # fmt: skip
    out = []
    for check in coolant_checks(chemistry).itertuples():
        value = np.nan if bottle is None else _value(bottle, str(check.result))
        found = UNTESTED if np.isnan(value) else LOW if value < check.low else HIGH if value > check.high else INSIDE
        act = {LOW: check.act_low, HIGH: check.act_high}.get(found, "")
        out.append(base | {"result": check.result, "value": value, "low": check.low, "high": check.high, "found": found,
                           "turn": check.turn, "act": act if isinstance(act, str) else ""})  # fmt: skip
    return out


def _value(bottle: pd.Series, result: str) -> float:
    """A result of a bottle, or the ratio of two."""
    if result == "nitrite_to_nitrate":
        top, bottom = (float(bottle.get(a, np.nan)) for a in ("nitrite_ppm", "nitrate_ppm"))
        return top / bottom if bottom > 0 else np.nan
    return float(bottle.get(result, np.nan))
