"""A TOML file read into frozen dataclasses: types, ranges and unknown keys, and all faults of a file said at once, one
a line.
"""

import difflib
import tomllib
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import MISSING, dataclass, fields, replace
from functools import cache
from pathlib import Path
from typing import Annotated, Any, NotRequired, Required, cast

from pydantic import BeforeValidator, ConfigDict, Field, TypeAdapter, ValidationError
from pydantic_core import ErrorDetails
from typing_extensions import TypedDict

from cmkit.errors import SettingsError


@dataclass(frozen=True)
class Range:
    """The numbers a setting may be: from `low` to `high`, both included; `whole`: whole numbers only."""

    low: float
    high: float
    whole: bool = False

    def problem(self, value: float) -> str:
        """What was found and wanted, for a value outside; empty for one inside (not a number is outside)."""
        if self.low <= value <= self.high:
            return ""
        return f"found {value:.6g}, wanted {self.low:g} to {self.high:g}"


# own choice: wide enough for any fleet, narrow enough for a slip of the unit or of a figure to be said
SHARE = Range(0, 1)
CHANCE = Range(1e-6, 1 - 1e-6)
MONEY = Range(0, 1e10)
ACCEPTED_H = Range(1, 100_000)
_DOWN_H = Range(0, 100_000)
_RESULT = Range(-1e9, 1e9)
RANGES: dict[str, dict[str, Range]] = {
    "Kind": {
        "residual": SHARE,
        "residual_cv": Range(0, 5),
        "carry_out": SHARE,
        "removal_per_h": SHARE,
        "sample_every_h": ACCEPTED_H,
        "change_every_h": ACCEPTED_H,
        "tube_extra_mm": Range(0, 10_000),
        "defect_rate_per_h": Range(1e-9, 1),
        "delay_mean_h": Range(1, 1e6),
        "delay_shape": Range(0.1, 50),
        "rate_multiple": Range(1, 1000),
        "growth": Range(0, 100),
        "acted_share": SHARE,
        "sample_cost": MONEY,
        "inspect_cost": MONEY,
        "planned_cost": MONEY,
        "failure_cost": MONEY,
        "planned_downtime_h": _DOWN_H,
        "failure_downtime_h": _DOWN_H,
    },
    "Sampling": {
        "service_grid_h": ACCEPTED_H,
        "turnaround_days": Range(0, 365),
        "interval_tolerance": SHARE,
        "crew_samples_per_week": Range(0, 1e6),
        "lab_samples_per_week": Range(0, 1e6),
        "stale_after_intervals": Range(0.1, 100),
        "duplicate_share": SHARE,
    },
    "Alarm": {
        "z": Range(0.5, 20),
        "rise": Range(0.1, 100),
        "alert_share": CHANCE,
        "alarm_share": CHANCE,
        "confidence": CHANCE,
    },
    "FixedLimit": {"alert": _RESULT, "alarm": _RESULT},
    "LaboratoryFactor": {"factor": Range(0.2, 5)},
    "Analyte": {
        "reporting_limit": Range(0, 1e9),
        "plausible_low": _RESULT,
        "plausible_high": _RESULT,
        "repeat_a": Range(0, 1e6),
        "repeat_p": Range(0, 5),
        "noise_floor": Range(0, 1e9),
        "noise_share": Range(0, 10),
        "decimals": Range(0, 12, whole=True),
    },
    "_Plain": {
        "skip_rows": Range(0, 10_000, whole=True),
        "heading_rows": Range(1, 10, whole=True),
        "after_headings": Range(0, 100, whole=True),
    },
}
TEXT = 200  # characters of one text
_MOST = 1000  # numbers or texts in one list
_MOST_BYTES = 1_000_000  # of a settings or layout file
_SAID = 20  # faults of one file that are said


def read_toml(path: Path, where: str) -> dict[str, Any]:
    """A TOML file's content. SettingsError where it is too long, nested too deep or not readable; OSError as the disk
    says it.
    """
    if path.stat().st_size > _MOST_BYTES:
        raise SettingsError(f"{where}: {path.stat().st_size:,} bytes; wanted a file of at most {_MOST_BYTES:,}.")
    try:
        return toml_content(path.read_text(encoding="utf-8-sig"))
    except RecursionError:
        raise SettingsError(f"{where}: nested too deep; wanted sections and values as in the guide.") from None
    except ValueError as error:  # also bytes that are no text, and numbers of thousands of digits
        raise SettingsError(f"{where}: not readable as TOML: {error}. Correct that line and try again.") from None


def toml_content(text: str) -> dict[str, Any]:
    """What a TOML text says, letters and their accents as one sign each, as in the tables. Raises as tomllib does."""
    return tomllib.loads(unicodedata.normalize("NFC", text.removeprefix("\ufeff")))


class Faults:
    """Gathers the faults of one file, so that all of them are said at once."""

    def __init__(self) -> None:
        self._said: list[str] = []

    @contextmanager
    def gathered(self) -> Iterator[None]:
        """Keep a SettingsError raised in the block, and go on behind it."""
        try:
            yield
        except SettingsError as error:
            self._said += str(error).split("\n")

    def raise_any(self) -> None:
        """SettingsError of every fault kept, one a line; nothing where there is none."""
        if self._said:
            more = len(self._said) - _SAID
            raise SettingsError("\n".join(self._said[:_SAID] + ([f"... and {more} faults more."] if more > 0 else [])))


def refuse_unknown(given: Any, known: list[str], where: str) -> None:
    """SettingsError for the keys of `given` that are not known, each with the nearest known name."""
    if faults := _unknown([key for key in given if key not in known], known, where):
        raise SettingsError("\n".join(faults))


def _unknown(keys: list[str], known: list[str], where: str) -> list[str]:
    faults = []
    for key in keys:
        near = difflib.get_close_matches(key[:TEXT], known, n=1, cutoff=0.5)
        hint = f"Did you mean '{near[0]}'?" if near else f"Known keys: {', '.join(sorted(known))}."
        faults.append(f"{where}: unknown key {said(key)}. {hint}")
    return faults


def section(raw: dict[str, Any], key: str, where: str, deep: bool = False) -> dict[str, Any]:
    """A table of the file, empty where it is not there; `deep`: its values must be tables too.
    SettingsError otherwise.
    """
    found = raw.get(key, {})
    if not isinstance(found, dict):
        raise SettingsError(f"{where}: [{key}]: found {said(found)}, wanted a table of settings.")
    for name, value in found.items():
        if deep and not isinstance(value, dict):
            raise SettingsError(f"{where}: [{key}] {name}: found {said(value)}, wanted a table of settings.")
    return found


def said(value: Any) -> str:
    """A value as a message shows it: on one line, and not endless."""
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # a whole number of thousands of digits
        return "a value too long to show"
    return text if len(text) <= TEXT else f"{text[: TEXT // 2]}..."


def checked(value: Any, wanted: Any, where: str, within: Range | None = None) -> Any:
    """The value as the wanted plain type (bool, str, float, int, or a tuple of floats or texts) and within its range.

    SettingsError that names what was found and what is wanted.
    """
    try:
        return _given(_adapter(wanted, within).validate_python(value))
    except ValidationError as error:
        raise SettingsError("\n".join(_fault(e, wanted, within, where) for e in _errors(error))) from None


def read_block(
    cls: Any, raw: Any, where: str, base: Any = None, *, check: Callable[[Any, str], None] | None = None
) -> Any:
    """A frozen dataclass from a TOML table, starting from `base` or the defaults. SettingsError names every fault of
    the table.

    check: what must hold between its values; raises SettingsError.
    """
    if not isinstance(raw, dict):
        raise SettingsError(f"{where}: found {said(raw)}, wanted a table of settings.")
    try:
        values = {k: _given(v) for k, v in _table(cls, base is None).validate_python(raw).items()}
    except ValidationError as error:
        raise SettingsError("\n".join(_faults(_errors(error), cls, where))) from None
    made = cls(**values) if base is None else replace(base, **values)
    if check:
        check(made, where)
    return made


def _faults(errors: list[ErrorDetails], cls: Any, where: str) -> list[str]:
    """The faults of one table, a line each: unknown keys with the nearest known, missing ones in one line."""
    kinds, ranges = {f.name: f.type for f in fields(cls)}, RANGES.get(cls.__name__, {})
    unknown = [str(e["loc"][0]) for e in errors if e["type"] == "extra_forbidden"]
    missing = [str(e["loc"][0]) for e in errors if e["type"] == "missing"]
    wrong = [(str(e["loc"][0]), e) for e in errors if e["type"] not in ("extra_forbidden", "missing")]
    return [
        *_unknown(unknown, list(kinds), where),
        *(_fault(e, kinds[key], ranges.get(key), f"{where} {key}") for key, e in wrong),
        *([f"{where}: missing {', '.join(missing)}."] if missing else []),
    ]


def _errors(error: ValidationError) -> list[ErrorDetails]:
    return error.errors(include_url=False, include_context=False)


def _given(value: Any) -> Any:
    """Lists as tuples, which frozen dataclasses hold."""
    return tuple(value) if isinstance(value, list) else value


_NAMES = {bool: "true or false", str: "text in quotes", float: "a number", int: "a whole number"}
_LISTS = {tuple[float, ...]: float, tuple[str, ...]: str}


def _fault(error: ErrorDetails, wanted: Any, within: Range | None, where: str) -> str:
    """What was found and what is wanted."""
    found = error["input"]
    if error["type"] in ("list_type", "too_short", "too_long"):
        what = "numbers" if _LISTS[wanted] is float else "texts"
        return f"{where}: found {said(found)}, wanted a list of {what}, 1 to {_MOST}."
    if error["type"] == "string_too_long":
        return f"{where}: found {len(found):,} characters, wanted at most {TEXT}."
    if within and error["type"] in ("greater_than_equal", "less_than_equal"):
        return f"{where}: {within.problem(float(found))}."
    kind = int if within and within.whole else _LISTS.get(wanted, wanted)
    return f"{where}: found {said(found)}, wanted {_NAMES[kind]}."


@cache
def _adapter(wanted: Any, within: Range | None) -> TypeAdapter[Any]:
    return TypeAdapter(_kind(wanted, within), config=ConfigDict(strict=True))


@cache
def _table(cls: Any, whole: bool) -> TypeAdapter[Any]:
    """A table with the keys of a dataclass and no others; whole: those without a default must be there."""
    ranges = RANGES.get(cls.__name__, {})
    keys = {}
    for f in fields(cls):
        needed = whole and f.default is MISSING and f.default_factory is MISSING
        kind = _kind(f.type, ranges.get(f.name))
        keys[f.name] = Required[kind] if needed else NotRequired[kind]
    table = cast(Any, TypedDict)(cls.__name__, keys)
    table.__pydantic_config__ = ConfigDict(strict=True, extra="forbid")
    return TypeAdapter(table)


def _kind(wanted: Any, within: Range | None) -> Any:
    """A plain type as pydantic checks it: strict (a number is no text, true is no number), and within its range."""
    if wanted in _LISTS:
        return Annotated[list[_kind(_LISTS[wanted], within)], Field(min_length=1, max_length=_MOST)]  # type: ignore[misc]
    if wanted is str:
        return Annotated[str, Field(max_length=TEXT)]
    if wanted is bool:
        return bool
    bounds = Field(ge=within.low, le=within.high) if within else Field()
    whole = wanted is int or (within is not None and within.whole)
    return Annotated[int, BeforeValidator(_whole), bounds] if whole else Annotated[float, bounds]


def _whole(value: Any) -> Any:
    """3.0 as 3."""
    return int(value) if isinstance(value, float) and value.is_integer() else value
