"""What the analyst's functions ask for first: a name that is known, or one message that says which there are."""

import difflib
from collections.abc import Iterable

import pandas as pd

from cmkit.assessment import Assessment
from cmkit.errors import ParameterError
from cmkit.records.analytes import with_own
from cmkit.records.settings import parse_settings

_NAMED = 8  # names a message lists


def one_of(name: str, found: object, known: Iterable[str]) -> str:
    """`found` if it is one of the names known; ParameterError with the nearest of them if not."""
    names = [str(k) for k in known]
    if found in names:
        return str(found)
    near = difflib.get_close_matches(str(found), names, n=1)
    hint = f" Did you mean {near[0]!r}?" if near else ""
    some = ", ".join(map(repr, names[:_NAMED])) + (f" and {len(names) - _NAMED} more" if len(names) > _NAMED else "")
    raise ParameterError(f"{name}: found {found!r}, wanted one of {some or 'none: there is none'}.{hint}")


def place_of(a: Assessment, compartment: str) -> pd.Series:
    """The row of a compartment, with its machine's site; ParameterError when there is none of that name."""
    one_of("compartment", compartment, a.compartments["compartment"])
    row = a.compartments.set_index("compartment", drop=False).loc[compartment]
    site = a.machines.set_index("machine")["site"].get(row["machine"], "")
    return pd.concat([row, pd.Series({"site": site})])


def rows_of(frame: pd.DataFrame, compartment: str) -> pd.DataFrame:
    """A compartment's rows of a table, in the table's order."""
    return frame[frame["compartment"] == compartment]


def register_of(a: Assessment) -> pd.DataFrame:
    """The register of analytes with the fleet's own, indexed by column name."""
    own = parse_settings({"name": "fleet", "analytes": a.about.get("analytes", {})}, "about.json").analytes
    return with_own(own)


def known_analyte(a: Assessment, analyte: str) -> str:
    """A result that the samples have; ParameterError with the nearest name if not."""
    register = register_of(a)
    return one_of("analyte", analyte, [n for n in register.index if n in a.samples])


def unit_of(a: Assessment, analyte: str) -> str:
    """Unit of a result, as the register has it."""
    return str(register_of(a).loc[analyte, "unit"])
