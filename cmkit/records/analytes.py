"""The analyte register: what a laboratory can report, in which unit, and how each result is judged."""

from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files

import pandas as pd

GROUPS = (
    "wear metal",
    "contaminant",
    "additive",
    "viscosity",
    "degradation",
    "contamination",
    "debris",
    "cleanliness",
    "coolant",
)
RULES = ("rate", "level", "falling", "two-sided", "ordinal", "fluid")
DIRECTIONS = ("up", "down", "both")


@dataclass(frozen=True)
class Analyte:
    """One row of the register.

    analyte is the column name, unit included (`Fe_ppm`). `bad` is the direction that means trouble (up, down, both).
    `rule` is how
    it is judged: `rate` (wear rate and level), `level`, `falling`, `two-sided` (against a reference value), `ordinal`
    (cleanliness class) or `fluid` (identity of the fluid only). Repeatability r = repeat_a * X ** repeat_p in the
    analyte's unit; sd = r / 2.77. Measurement sd starts as sqrt(noise_floor^2 + (noise_share * X)^2).
    """

    analyte: str
    symbol: str
    name: str
    unit: str
    group: str
    bad: str
    rule: str
    reporting_limit: float
    plausible_low: float
    plausible_high: float
    repeat_a: float
    repeat_p: float
    noise_floor: float
    noise_share: float
    decimals: int
    basis: str
    source: str


@cache
def analyte_register() -> pd.DataFrame:
    """The package's own register: one row per analyte, indexed by column name (`Fe_ppm`); columns as in
    :class:`Analyte`.
    """
    with files("cmkit.reference").joinpath("analytes.csv").open(encoding="utf-8") as handle:
        table = pd.read_csv(handle, keep_default_na=True)
    text = ["symbol", "name", "unit", "group", "bad", "rule", "basis", "source"]
    table[text] = table[text].fillna("").astype("str")
    return table.set_index("analyte", drop=False).rename_axis(None)


def with_own(own: tuple[Analyte, ...]) -> pd.DataFrame:
    """The register with a fleet's own analytes added; a row of the same name replaces the package's."""
    register = analyte_register()
    if not own:
        return register.copy()
    added = pd.DataFrame([{f.name: getattr(a, f.name) for f in fields(a)} for a in own])
    added = added.set_index("analyte", drop=False).rename_axis(None)
    return pd.concat([register.drop(index=added.index, errors="ignore"), added])


def by_rule(register: pd.DataFrame, *rules: str) -> list[str]:
    """Names of the analytes judged by any of `rules`, in register order."""
    return list(register.index[register["rule"].isin(rules)])


def below(analyte: str) -> str:
    """Name of the flag column that says a result is left-censored (`Fe_ppm` -> `Fe_ppm_below`)."""
    return f"{analyte}_below"


def above(analyte: str) -> str:
    """Name of the flag column that says a result is right-censored (`Fe_ppm` -> `Fe_ppm_above`)."""
    return f"{analyte}_above"
