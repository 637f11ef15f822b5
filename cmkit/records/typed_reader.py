"""A TOML file read into frozen dataclasses: types, ranges and unknown keys, and all faults of a file said at once, one
a line.
"""

import difflib
import tomllib
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import MISSING, dataclass, fields, replace
from pathlib import Path
from typing import Any

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
    faults = []
    for key in given:
        if key not in known:
            near = difflib.get_close_matches(key[:TEXT], known, n=1, cutoff=0.5)
            hint = f"Did you mean '{near[0]}'?" if near else f"Known keys: {', '.join(sorted(known))}."
            faults.append(f"{where}: unknown key {said(key)}. {hint}")
    if faults:
        raise SettingsError("\n".join(faults))


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
    """The value as the wanted plain type and within its range, or an error that names both."""
    name = {bool: "true or false", str: "text in quotes", float: "a number", int: "a whole number"}[wanted]
    wrong = SettingsError(f"{where}: found {said(value)}, wanted {name}.")
    if wanted is bool or wanted is str:
        if not isinstance(value, wanted):
            raise wrong
        if isinstance(value, str) and len(value) > TEXT:
            raise SettingsError(f"{where}: found {len(value):,} characters, wanted at most {TEXT}.")
        return value
    if not isinstance(value, (int, float)) or isinstance(value, bool):
        raise wrong
    try:
        number = float(value)
    except OverflowError:
        raise wrong from None
    if (wanted is int or (within and within.whole)) and not number.is_integer():
        raise wrong
    if within and (problem := within.problem(number)):
        raise SettingsError(f"{where}: {problem}.")
    return wanted(value)


def read_block(
    cls: Any, raw: Any, where: str, base: Any = None, *, check: Callable[[Any, str], None] | None = None
) -> Any:
    """A frozen dataclass from a TOML table, starting from `base` or the defaults. SettingsError names every fault of
    the table.

    check: what must hold between its values; raises SettingsError.
    """
    if not isinstance(raw, dict):
        raise SettingsError(f"{where}: found {said(raw)}, wanted a table of settings.")
    known, ranges = {f.name: f for f in fields(cls)}, RANGES.get(cls.__name__, {})
    faults, values = Faults(), {}
    with faults.gathered():
        refuse_unknown(raw, list(known), where)
    for key in [k for k in raw if k in known]:
        with faults.gathered():
            values[key] = _value(raw[key], known[key].type, f"{where} {key}", ranges.get(key))
    needed = [n for n, f in known.items() if base is None and f.default is MISSING and f.default_factory is MISSING]
    with faults.gathered():
        if missing := [n for n in needed if n not in raw]:
            raise SettingsError(f"{where}: missing {', '.join(missing)}.")
    faults.raise_any()
    made = cls(**values) if base is None else replace(base, **values)
    if check:
        check(made, where)
    return made


def _value(value: Any, kind: Any, where: str, within: Range | None) -> Any:
    """One value of a table, or a list of them, as its field wants it."""
    if kind not in (tuple[float, ...], tuple[str, ...]):
        return checked(value, kind, where, within)
    wanted, what = (float, "numbers") if kind == tuple[float, ...] else (str, "texts")
    if not isinstance(value, list) or not 0 < len(value) <= _MOST:
        raise SettingsError(f"{where}: found {said(value)}, wanted a list of {what}, {_MOST} at most.")
    return tuple(checked(v, wanted, where, within) for v in value)
