"""What the analyst's functions ask for first: a name that is known, or one message that says which there are."""

import difflib
import weakref
from collections.abc import Callable, Iterable
from functools import wraps
from typing import TypeVar

import pandas as pd

from cmkit.assessment import Assessment
from cmkit.errors import ParameterError
from cmkit.records.analytes import with_own
from cmkit.records.settings import parse_settings

_NAMED = 8  # names a message lists
_T = TypeVar("_T")


def kept(make: Callable[[Assessment], _T]) -> Callable[[Assessment], _T]:
    """A function of an assessment that is worked out once for each and kept as long as that assessment lives.

    An assessment never changes; what is made of it must not hold on to it.
    """
    known: dict[int, _T] = {}

    @wraps(make)
    def of(a: Assessment) -> _T:
        key = id(a)
        if key not in known:
            known[key] = make(a)
            weakref.finalize(a, known.pop, key, None)
        return known[key]

    return of


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
    places = _places(a)
    one_of("compartment", compartment, places.index)
    return places.loc[compartment]


@kept
def _places(a: Assessment) -> pd.DataFrame:
    """The compartments with their machines' sites, by name."""
    site = a.machines.set_index("machine")["site"]
    out = a.compartments.set_index("compartment", drop=False)
    return out.assign(site=out["machine"].map(site).fillna("").astype(object)).astype(object)


def rows_of(frame: pd.DataFrame, compartment: str) -> pd.DataFrame:
    """A compartment's rows of a table, in the table's order."""
    return frame[frame["compartment"] == compartment]


@kept
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
