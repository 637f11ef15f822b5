"""fleet.toml as frozen settings. Unknown keys are refused with the nearest known name, values outside their range with both bounds.

All faults of a file are said at once, one a line.
"""

import difflib
import itertools
import tomllib
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import MISSING, dataclass, field, fields, replace
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd

from cmkit.errors import SettingsError
from cmkit.records.analytes import DIRECTIONS, GROUPS, RULES, Analyte, with_own


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
        "residual": SHARE, "residual_cv": Range(0, 5), "carry_out": SHARE, "removal_per_h": SHARE, "sample_every_h": ACCEPTED_H,
        "change_every_h": ACCEPTED_H, "tube_extra_mm": Range(0, 10_000), "defect_rate_per_h": Range(1e-9, 1), "delay_mean_h": Range(1, 1e6),
        "delay_shape": Range(0.1, 50), "rate_multiple": Range(1, 1000), "growth": Range(0, 100), "acted_share": SHARE, "sample_cost": MONEY,
        "inspect_cost": MONEY, "planned_cost": MONEY, "failure_cost": MONEY, "planned_downtime_h": _DOWN_H, "failure_downtime_h": _DOWN_H,
    },
    "Sampling": {
        "service_grid_h": ACCEPTED_H, "turnaround_days": Range(0, 365), "interval_tolerance": SHARE, "crew_samples_per_week": Range(0, 1e6),
        "lab_samples_per_week": Range(0, 1e6), "stale_after_intervals": Range(0.1, 100),
    },
    "Alarm": {
        "z": Range(0.5, 20), "alert_z": Range(0.5, 20), "rise": Range(0.1, 100), "alert_share": CHANCE, "alarm_share": CHANCE,
        "confidence": CHANCE, "crossing_chance": CHANCE,
    },
    "Trust": {"exchange_prior": CHANCE, "exchange_probability": CHANCE, "fluid_false_calls": CHANCE, "common_factor_z": Range(0.5, 50)},
    "FixedLimit": {"alert": _RESULT, "alarm": _RESULT},
    "Analyte": {
        "reporting_limit": Range(0, 1e9), "plausible_low": _RESULT, "plausible_high": _RESULT, "repeat_a": Range(0, 1e6),
        "repeat_p": Range(0, 5), "noise_floor": Range(0, 1e9), "noise_share": Range(0, 10), "decimals": Range(0, 12, whole=True),
    },
    "_Plain": {"skip_rows": Range(0, 10_000, whole=True), "heading_rows": Range(1, 10, whole=True), "after_headings": Range(0, 100, whole=True)},
}  # fmt: skip
_TEXT = 200  # characters of one text
_MOST = 1000  # numbers or texts in one list
_MOST_BYTES = 1_000_000  # of a settings or layout file
_SAID = 20  # faults of one file that are said


@dataclass(frozen=True)
class Kind:
    """What is assumed of a kind of compartment until the fleet says otherwise (reference/kinds.csv).

    residual: share of old fluid left after a change; carry_out: share of metal that leaves with lost fluid (kappa); removal_per_h:
    filter and settling; sealed: no consumption is expected, a low level means a leak; tube_extra_mm: tube beyond the depth, into the
    pump. Rates are per operating hour, delays in hours, money in the fleet's currency, downtime in hours.
    """

    kind: str
    residual: float
    residual_cv: float
    carry_out: float
    removal_per_h: float
    sealed: bool
    pressurised: bool
    sample_every_h: float
    change_every_h: float
    tube_extra_mm: float
    defect_rate_per_h: float
    delay_mean_h: float
    delay_shape: float
    rate_multiple: float
    growth: float
    acted_share: float
    sample_cost: float
    inspect_cost: float
    planned_cost: float
    failure_cost: float
    planned_downtime_h: float
    failure_downtime_h: float
    basis: str = "own choice"
    source: str = ""


@dataclass(frozen=True)
class Sampling:
    """How sampling is organised. Hours are operating hours, turnaround in days from drawing to a result in the office."""

    service_grid_h: tuple[float, ...] = (125.0, 250.0, 500.0, 1000.0, 2000.0)
    turnaround_days: float = 7.0
    interval_tolerance: float = 0.10
    crew_samples_per_week: float = 0.0  # 0: not limited
    lab_samples_per_week: float = 0.0
    stale_after_intervals: float = 2.0


@dataclass(frozen=True)
class Alarm:
    """When a trend is called. z: one-step departure; rise: sustained rise (likelihood ratio); shares: family percentiles."""

    z: float = 3.0
    alert_z: float = 2.5
    rise: float = 3.5
    alert_share: float = 0.90
    alarm_share: float = 0.975
    confidence: float = 0.90
    crossing_chance: float = 0.50


@dataclass(frozen=True)
class Trust:
    """When a bottle is doubted."""

    exchange_prior: float = 0.015
    exchange_probability: float = 0.90
    fluid_false_calls: float = 0.005
    common_factor_z: float = 4.0


@dataclass(frozen=True)
class FixedLimit:
    """A maker's or site's own limit: for a compartment kind or family, an analyte and a direction (up or down)."""

    where: str
    analyte: str
    alert: float
    alarm: float
    direction: str = "up"


@dataclass(frozen=True)
class Settings:
    """Everything fleet.toml says, with the package's defaults where it is silent."""

    name: str
    currency: str = "money"
    language: str = "en"
    sampling: Sampling = field(default_factory=Sampling)
    alarm: Alarm = field(default_factory=Alarm)
    trust: Trust = field(default_factory=Trust)
    kinds: dict[str, Kind] = field(default_factory=dict)
    limits: tuple[FixedLimit, ...] = ()
    analytes: tuple[Analyte, ...] = ()
    accepted_intervals: dict[str, float] = field(default_factory=dict)

    def kind(self, name: str) -> Kind:
        """Assumptions for a compartment kind; an unknown kind gets those of `other` under its own name."""
        return self.kinds.get(name) or replace(self.kinds["other"], kind=name)


@cache
def default_kinds() -> dict[str, Kind]:
    """reference/kinds.csv as a mapping from kind to :class:`Kind`."""
    with files("cmkit.reference").joinpath("kinds.csv").open(encoding="utf-8") as handle:
        table = pd.read_csv(handle)
    return {str(row["kind"]): Kind(**row) for row in table.to_dict("records")}


def read_settings(path: Path) -> Settings:
    """Settings from `fleet.toml`; raises SettingsError naming the file and, of all faults at once, the key, what was found and what is known."""
    try:
        raw = read_toml(path, str(path))
    except FileNotFoundError as error:
        raise SettingsError(
            f'{path}: not found. A fleet folder needs a fleet.toml with at least a line name = "...".'
        ) from error
    return parse_settings(raw, str(path))


def read_toml(path: Path, where: str) -> dict[str, Any]:
    """A TOML file's content. SettingsError where it is too long, nested too deep or not readable; OSError as the disk says it."""
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


def parse_settings(raw: dict[str, Any], where: str) -> Settings:
    """Settings from the parsed content of a fleet.toml; `where` names the file in errors. SettingsError names every fault."""
    faults, values = Faults(), dict[str, Any]()
    plain = {k: v for k, v in raw.items() if k not in _SECTIONS}
    texts = [f.name for f in fields(Settings) if f.name not in _SECTIONS]
    with faults.gathered():
        refuse_unknown(plain, [*texts, *_SECTIONS], where)
    with faults.gathered():
        if "name" not in raw:
            raise SettingsError(
                f"{where}: key 'name' is missing; wanted the fleet's name, such as name = \"Our fleet\"."
            )
    for key in [k for k in plain if k in texts]:
        with faults.gathered():
            values[key] = checked(plain[key], str, f"{where}: {key}")
    for key, cls in _BLOCKS.items():
        with faults.gathered():
            values[key] = read_block(cls, raw.get(key, {}), f"{where}: [{key}]")
    for key, read in (
        ("kinds", _kinds),
        ("limits", _limits),
        ("analytes", _analytes),
        ("accepted_intervals", _accepted),
    ):
        with faults.gathered():
            values[key] = read(section(raw, key, where, deep=key != "accepted_intervals"), where)
    with faults.gathered():
        _check_analytes(values.get("limits", ()), values.get("analytes", ()), where)
    faults.raise_any()
    return Settings(**values)


_BLOCKS: dict[str, Any] = {"sampling": Sampling, "alarm": Alarm, "trust": Trust}
_SECTIONS = (*_BLOCKS, "kinds", "limits", "analytes", "accepted_intervals")


def refuse_unknown(given: Any, known: list[str], where: str) -> None:
    """SettingsError for the keys of `given` that are not known, each with the nearest known name."""
    faults = []
    for key in given:
        if key not in known:
            near = difflib.get_close_matches(key[:_TEXT], known, n=1, cutoff=0.5)
            hint = f"Did you mean '{near[0]}'?" if near else f"Known keys: {', '.join(sorted(known))}."
            faults.append(f"{where}: unknown key {_said(key)}. {hint}")
    if faults:
        raise SettingsError("\n".join(faults))


def section(raw: dict[str, Any], key: str, where: str, deep: bool = False) -> dict[str, Any]:
    """A table of the file, empty where it is not there; `deep`: its values must be tables too. SettingsError otherwise."""
    found = raw.get(key, {})
    if not isinstance(found, dict):
        raise SettingsError(f"{where}: [{key}]: found {_said(found)}, wanted a table of settings.")
    for name, value in found.items():
        if deep and not isinstance(value, dict):
            raise SettingsError(f"{where}: [{key}] {name}: found {_said(value)}, wanted a table of settings.")
    return found


def _said(value: Any) -> str:
    """A value as a message shows it: on one line, and not endless."""
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # a whole number of thousands of digits
        return "a value too long to show"
    return text if len(text) <= _TEXT else f"{text[: _TEXT // 2]}..."


def checked(value: Any, wanted: Any, where: str, within: Range | None = None) -> Any:
    """The value as the wanted plain type and within its range, or an error that names both."""
    name = {bool: "true or false", str: "text in quotes", float: "a number", int: "a whole number"}[wanted]
    wrong = SettingsError(f"{where}: found {_said(value)}, wanted {name}.")
    if wanted is bool or wanted is str:
        if not isinstance(value, wanted):
            raise wrong
        if isinstance(value, str) and len(value) > _TEXT:
            raise SettingsError(f"{where}: found {len(value):,} characters, wanted at most {_TEXT}.")
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


def read_block(cls: Any, raw: Any, where: str, base: Any = None) -> Any:
    """A frozen dataclass from a TOML table, starting from `base` or the defaults. SettingsError names every fault of the table."""
    if not isinstance(raw, dict):
        raise SettingsError(f"{where}: found {_said(raw)}, wanted a table of settings.")
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
    if type(made) in _CHECKS:
        _CHECKS[type(made)](made, where)
    return made


def _value(value: Any, kind: Any, where: str, within: Range | None) -> Any:
    """One value of a table, or a list of them, as its field wants it."""
    if kind not in (tuple[float, ...], tuple[str, ...]):
        return checked(value, kind, where, within)
    wanted, what = (float, "numbers") if kind == tuple[float, ...] else (str, "texts")
    if not isinstance(value, list) or not 0 < len(value) <= _MOST:
        raise SettingsError(f"{where}: found {_said(value)}, wanted a list of {what}, {_MOST} at most.")
    return tuple(checked(v, wanted, where, within) for v in value)


def _check_sampling(sampling: Sampling, where: str) -> None:
    grid = sampling.service_grid_h
    if any(b <= a for a, b in itertools.pairwise(grid)):
        raise SettingsError(f"{where} service_grid_h {list(grid)} must be rising.")


def _check_alarm(alarm: Alarm, where: str) -> None:
    faults = []
    if not alarm.alert_share < alarm.alarm_share:
        faults.append(
            f"{where} wanted alert_share < alarm_share, found {alarm.alert_share:g} and {alarm.alarm_share:g}."
        )
    if not alarm.alert_z <= alarm.z:
        faults.append(f"{where} wanted alert_z <= z, found {alarm.alert_z:g} and {alarm.z:g}.")
    if faults:
        raise SettingsError("\n".join(faults))


def _check_limit(limit: FixedLimit, where: str) -> None:
    if limit.direction not in ("up", "down"):
        raise SettingsError(f"{where}: direction {_said(limit.direction)}, wanted 'up' or 'down'.")
    if (limit.alarm - limit.alert) * (1 if limit.direction == "up" else -1) < 0:
        raise SettingsError(
            f"{where}: alert {limit.alert:g} lies beyond alarm {limit.alarm:g} for direction '{limit.direction}'; exchange them."
        )


def _check_analyte(analyte: Analyte, where: str) -> None:
    faults = [
        f"{where} {key}: found {_said(getattr(analyte, key))}, wanted one of {', '.join(allowed)}."
        for key, allowed in (("group", GROUPS), ("rule", RULES), ("bad", DIRECTIONS))
        if getattr(analyte, key) not in allowed
    ]
    if analyte.plausible_low >= analyte.plausible_high:
        faults.append(
            f"{where}: plausible_low {analyte.plausible_low:g} is not below plausible_high {analyte.plausible_high:g}."
        )
    if faults:
        raise SettingsError("\n".join(faults))


_CHECKS: dict[type, Callable[[Any, str], None]] = {
    Sampling: _check_sampling, Alarm: _check_alarm, FixedLimit: _check_limit, Analyte: _check_analyte,
}  # fmt: skip


def _accepted(raw: dict[str, Any], where: str) -> dict[str, float]:
    faults, out = Faults(), {}
    for name, hours in raw.items():
        with faults.gathered():
            out[name] = checked(hours, float, f"{where}: [accepted_intervals] {name}", ACCEPTED_H)
    faults.raise_any()
    return out


def _kinds(raw: dict[str, Any], where: str) -> dict[str, Kind]:
    kinds, faults = dict(default_kinds()), Faults()
    for name, block in raw.items():
        base = kinds.get(name) or replace(kinds["other"], kind=name)
        with faults.gathered():
            kinds[name] = read_block(Kind, {**block, "basis": "site"}, f'{where}: [kinds."{name}"]', base)
    faults.raise_any()
    return kinds


def _limits(raw: dict[str, Any], where: str) -> tuple[FixedLimit, ...]:
    """[limits."engine"] Fe_ppm = { alert = 80, alarm = 120 } -> one FixedLimit each."""
    out, faults = [], Faults()
    for place, block in raw.items():
        for analyte, bounds in block.items():
            spot = f'{where}: [limits."{place}"] {analyte}'
            with faults.gathered():
                if not isinstance(bounds, dict):
                    raise SettingsError(f"{spot}: found {_said(bounds)}, wanted {{ alert = number, alarm = number }}.")
                out.append(read_block(FixedLimit, {"where": place, "analyte": analyte, **bounds}, spot))
    faults.raise_any()
    return tuple(out)


_ANALYTE_DEFAULTS: dict[str, Any] = {
    "symbol": "", "group": "contaminant", "bad": "up", "rule": "level", "reporting_limit": float("nan"), "plausible_low": 0.0,
    "plausible_high": float("inf"), "repeat_a": float("nan"), "repeat_p": float("nan"), "noise_floor": 0.5, "noise_share": 0.1,
    "decimals": 1, "basis": "site", "source": "fleet.toml",
}  # fmt: skip


def _analytes(raw: dict[str, Any], where: str) -> tuple[Analyte, ...]:
    """[analytes.W_ppm] -> one Analyte each; what the block leaves out has the defaults of a contaminant."""
    out, faults = [], Faults()
    for name, block in raw.items():
        base = Analyte(**{"analyte": name, "name": name, "unit": "1", **_ANALYTE_DEFAULTS})
        with faults.gathered():
            out.append(read_block(Analyte, block, f"{where}: [analytes.{name}]", base))
    faults.raise_any()
    return tuple(out)


def _check_analytes(limits: tuple[FixedLimit, ...], own: tuple[Analyte, ...], where: str) -> None:
    known = list(with_own(own).index)
    faults = []
    for limit in limits:
        if limit.analyte not in known:
            near = difflib.get_close_matches(limit.analyte[:_TEXT], known, n=1, cutoff=0.5)
            hint = f"Did you mean '{near[0]}'?" if near else "See the register of analytes, or add it under [analytes]."
            faults.append(f'{where}: [limits."{limit.where}"]: unknown analyte {_said(limit.analyte)}. {hint}')
    if faults:
        raise SettingsError("\n".join(faults))
