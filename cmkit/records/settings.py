"""fleet.toml as frozen settings. Unknown keys are refused with the nearest known name, reversed bounds with both values."""

import difflib
import itertools
import tomllib
from dataclasses import MISSING, dataclass, field, fields, replace
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, cast

import pandas as pd

from cmkit.errors import SettingsError
from cmkit.records.analytes import DIRECTIONS, GROUPS, RULES, Analyte, with_own
from cmkit.records.constants import out_of_range, package_defaults


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


# what a kind's costs are made of; until the fleet gives its own, what is worked out from them rests on assumed costs
COSTS = ("sample_cost", "inspect_cost", "planned_cost", "failure_cost", "planned_downtime_h", "failure_downtime_h")


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
class Intervals:
    """What the advice on intervals assumes ([intervals] in fleet.toml; reference/intervals.csv says what each number is)."""

    rate_prior_events: float
    delay_log_sd: float
    growth_log_sd: float
    detection_logit_sd: float
    false_alarm_share: float
    draws: int
    rate_step: float
    rate_reach: float
    turnaround_step_h: float
    usual_h_per_day: float
    metals_that_rise: float


@cache
def default_intervals() -> Intervals:
    """reference/intervals.csv as :class:`Intervals`."""
    return package_defaults(Intervals, "intervals")


@dataclass(frozen=True)
class Judge:
    """When a chance becomes a state, an order and money ([judge] in fleet.toml; reference/states.csv says what each number is)."""

    alarm: float
    alert: float
    good: float
    stop: float
    second_share: float
    settle_bottles: int
    repeats_most: int
    sooner_share: float
    repeat_settles: float
    early_shape: float
    clear_delay_share: float
    severe_delay_share: float
    turnaround_bottles: int
    settled_shown_days: int


@cache
def default_judge() -> Judge:
    """reference/states.csv as :class:`Judge`."""
    return package_defaults(Judge, "states")


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
    """Everything fleet.toml says, with the package's defaults where it is silent.

    given_costs: the costs (of COSTS) that the fleet gave itself, by kind of compartment.
    """

    name: str
    currency: str = "money"
    language: str = "en"
    sampling: Sampling = field(default_factory=Sampling)
    alarm: Alarm = field(default_factory=Alarm)
    trust: Trust = field(default_factory=Trust)
    intervals: Intervals = field(default_factory=default_intervals)
    judge: Judge = field(default_factory=default_judge)
    kinds: dict[str, Kind] = field(default_factory=dict)
    limits: tuple[FixedLimit, ...] = ()
    analytes: tuple[Analyte, ...] = ()
    accepted_intervals: dict[str, float] = field(default_factory=dict)
    given_costs: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def assumed_costs(self, kind: str) -> tuple[str, ...]:
        """Which of `COSTS` are the package's own for this kind of compartment, because fleet.toml does not give them; in their order."""
        return tuple(c for c in COSTS if c not in self.given_costs.get(kind, self.given_costs.get("other", ())))

    @property
    def costs_given(self) -> frozenset[str]:
        """Kinds of compartments whose costs of a planned repair and of a failure the fleet gave itself."""
        return frozenset(k for k, given in self.given_costs.items() if {"planned_cost", "failure_cost"} <= set(given))

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
    """Settings from `fleet.toml`; raises SettingsError naming the file, the key, what was found and what is known."""
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError as error:
        raise SettingsError(
            f'{path}: not found. A fleet folder needs a fleet.toml with at least a line name = "...".'
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: not readable as TOML: {error}. Mend that line and try again.") from error
    return parse_settings(raw, str(path))


def parse_settings(raw: dict[str, Any], where: str) -> Settings:
    """Settings from the parsed content of a fleet.toml; `where` names the file in errors."""
    plain = {k: v for k, v in raw.items() if k not in _SECTIONS}
    refuse_unknown(plain, ["name", "currency", "language", *_SECTIONS], where)
    if "name" not in raw:
        raise SettingsError(f"{where}: key 'name' is missing; wanted the fleet's name, such as name = \"Our fleet\".")
    values: dict[str, Any] = {k: checked(v, str, f"{where}: {k}") for k, v in plain.items()}
    for key, (cls, _) in _BLOCKS.items():
        values[key] = read_block(cls, raw.get(key, {}), f"{where}: [{key}]")
    values["intervals"] = _intervals(raw.get("intervals", {}), f"{where}: [intervals]")
    values["judge"] = read_block(Judge, raw.get("judge", {}), f"{where}: [judge]", default_judge())
    costs = _costs(section(raw, "costs", where), where)
    values["kinds"] = _kinds(section(raw, "kinds", where, deep=True), where, costs)
    values["given_costs"] = _given_costs(raw, list(values["kinds"]))
    values["limits"] = _limits(section(raw, "limits", where, deep=True), where)
    values["analytes"] = _analytes(section(raw, "analytes", where, deep=True), where)
    values["accepted_intervals"] = {
        k: checked(v, float, f"{where}: [accepted_intervals] {k}")
        for k, v in section(raw, "accepted_intervals", where).items()
    }
    settings = Settings(**values)
    _check_analytes(settings, where)
    _check_bounds(settings, where)
    return settings


_BLOCKS: dict[str, tuple[Any, str]] = {"sampling": (Sampling, ""), "alarm": (Alarm, ""), "trust": (Trust, "")}
_SECTIONS = (*_BLOCKS, "intervals", "judge", "costs", "kinds", "limits", "analytes", "accepted_intervals")


def refuse_unknown(given: Any, known: list[str], where: str) -> None:
    """SettingsError for the first key of `given` that is not known, with the nearest known name."""
    for key in given:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
            hint = f"Did you mean '{near[0]}'?" if near else f"Known keys: {', '.join(sorted(known))}."
            raise SettingsError(f"{where}: unknown key '{key}'. {hint}")


def section(raw: dict[str, Any], key: str, where: str, deep: bool = False) -> dict[str, Any]:
    """A table of the file, empty where it is not there; `deep`: its values must be tables too. SettingsError otherwise."""
    found = raw.get(key, {})
    if not isinstance(found, dict):
        raise SettingsError(f"{where}: [{key}]: found {found!r}, wanted a table of settings.")
    for name, value in found.items():
        if deep and not isinstance(value, dict):
            raise SettingsError(f"{where}: [{key}] {name}: found {value!r}, wanted a table of settings.")
    return found


def checked(value: Any, wanted: Any, where: str) -> Any:
    """The value as the wanted plain type, or an error that names both."""
    if wanted is bool or wanted is str:
        if isinstance(value, wanted):
            return value
    elif wanted in (float, int) and isinstance(value, (int, float)) and not isinstance(value, bool):
        return wanted(value)
    name = {bool: "true or false", str: "text in quotes", float: "a number", int: "a whole number"}[wanted]
    raise SettingsError(f"{where}: found {value!r}, wanted {name}.")


def read_block(cls: Any, raw: Any, where: str, base: Any = None) -> Any:
    """A frozen dataclass from a TOML table, starting from `base` or the defaults."""
    if not isinstance(raw, dict):
        raise SettingsError(f"{where}: found {raw!r}, wanted a table of settings.")
    known = {f.name: f for f in fields(cls)}
    refuse_unknown(raw, list(known), where)
    values = {}
    for key, value in raw.items():
        if known[key].type in (tuple[float, ...], tuple[str, ...]):
            wanted, what = (float, "numbers") if known[key].type == tuple[float, ...] else (str, "texts")
            if not isinstance(value, list) or not value:
                raise SettingsError(f"{where} {key}: found {value!r}, wanted a list of {what}.")
            values[key] = tuple(checked(v, wanted, f"{where} {key}") for v in value)
        else:
            values[key] = checked(value, known[key].type, f"{where} {key}")
    if base is not None:
        return replace(base, **values)
    missing = [n for n, f in known.items() if n not in values and f.default is MISSING and f.default_factory is MISSING]
    if missing:
        raise SettingsError(f"{where}: missing {', '.join(missing)}.")
    return cls(**values)


def _intervals(raw: Any, where: str) -> Intervals:
    found: Intervals = read_block(Intervals, raw, where, default_intervals())
    if wrong := out_of_range(found, "intervals"):
        raise SettingsError(f"{where} {'; '.join(wrong)}.")
    return found


def _kinds(raw: dict[str, Any], where: str, costs: dict[str, float]) -> dict[str, Kind]:
    kinds: dict[str, Kind] = {name: replace(kind, **cast(Any, costs)) for name, kind in default_kinds().items()}
    for name, block in raw.items():
        base = kinds.get(name) or replace(kinds["other"], kind=name)
        kinds[name] = read_block(Kind, {**block, "basis": "site"}, f'{where}: [kinds."{name}"]', base)
    return kinds


def _given_costs(raw: dict[str, Any], kinds: list[str]) -> dict[str, tuple[str, ...]]:
    """Kind -> the costs that fleet.toml gives for it, in [costs] for all kinds or in its own [kinds] table."""
    whole = set(raw.get("costs", {}))
    own = raw.get("kinds", {})
    return {k: tuple(c for c in COSTS if c in whole | set(own.get(k, {}))) for k in kinds}


def _costs(raw: dict[str, Any], where: str) -> dict[str, float]:
    """[costs]: the six numbers that matter, for every kind that does not have its own."""
    refuse_unknown(raw, list(COSTS), f"{where}: [costs]")
    found = {k: checked(v, float, f"{where}: [costs] {k}") for k, v in raw.items()}
    for name, value in found.items():
        if not 0 <= value < float("inf"):
            raise SettingsError(f"{where}: [costs] {name} = {value:g}, wanted a number of 0 or more.")
    return found


def _limits(raw: dict[str, Any], where: str) -> tuple[FixedLimit, ...]:
    """[limits."engine"] Fe_ppm = { alert = 80, alarm = 120 } -> one FixedLimit each."""
    out = []
    for place, block in raw.items():
        for analyte, bounds in block.items():
            spot = f'{where}: [limits."{place}"] {analyte}'
            if not isinstance(bounds, dict):
                raise SettingsError(f"{spot}: found {bounds!r}, wanted {{ alert = number, alarm = number }}.")
            limit = read_block(FixedLimit, {"where": place, "analyte": analyte, **bounds}, spot)
            if limit.direction not in ("up", "down"):
                raise SettingsError(f"{spot}: direction {limit.direction!r}, wanted 'up' or 'down'.")
            if (limit.alarm - limit.alert) * (1 if limit.direction == "up" else -1) < 0:
                raise SettingsError(
                    f"{spot}: alert {limit.alert:g} lies beyond alarm {limit.alarm:g} for direction '{limit.direction}'; exchange them."
                )
            out.append(limit)
    return tuple(out)


_ANALYTE_DEFAULTS: dict[str, Any] = {
    "symbol": "", "group": "contaminant", "bad": "up", "rule": "level", "reporting_limit": float("nan"), "plausible_low": 0.0,
    "plausible_high": float("inf"), "repeat_a": float("nan"), "repeat_p": float("nan"), "noise_floor": 0.5, "noise_share": 0.1,
    "decimals": 1, "basis": "site", "source": "fleet.toml",
}  # fmt: skip


def _analytes(raw: dict[str, Any], where: str) -> tuple[Analyte, ...]:
    out = []
    for name, block in raw.items():
        spot = f"{where}: [analytes.{name}]"
        analyte = read_block(Analyte, {**_ANALYTE_DEFAULTS, "analyte": name, "name": name, "unit": "1", **block}, spot)
        for key, allowed in (("group", GROUPS), ("rule", RULES), ("bad", DIRECTIONS)):
            if getattr(analyte, key) not in allowed:
                raise SettingsError(
                    f"{spot} {key}: found {getattr(analyte, key)!r}, wanted one of {', '.join(allowed)}."
                )
        if analyte.plausible_low >= analyte.plausible_high:
            raise SettingsError(
                f"{spot}: plausible_low {analyte.plausible_low:g} is not below plausible_high {analyte.plausible_high:g}."
            )
        out.append(analyte)
    return tuple(out)


def _check_analytes(settings: Settings, where: str) -> None:
    known = list(with_own(settings.analytes).index)
    for limit in settings.limits:
        if limit.analyte not in known:
            near = difflib.get_close_matches(limit.analyte, known, n=1, cutoff=0.5)
            hint = f"Did you mean '{near[0]}'?" if near else "See the register of analytes, or add it under [analytes]."
            raise SettingsError(f"{where}: [limits.\"{limit.where}\"]: unknown analyte '{limit.analyte}'. {hint}")


def _check_bounds(settings: Settings, where: str) -> None:
    grid, alarm = settings.sampling.service_grid_h, settings.alarm
    if any(b <= a for a, b in itertools.pairwise(grid)) or grid[0] <= 0:
        raise SettingsError(f"{where}: [sampling] service_grid_h {list(grid)} must be positive and rising.")
    if not 0 < alarm.alert_share < alarm.alarm_share < 1:
        raise SettingsError(
            f"{where}: [alarm] wanted 0 < alert_share < alarm_share < 1, found {alarm.alert_share:g} and {alarm.alarm_share:g}."
        )
    if not 0 < alarm.alert_z <= alarm.z:
        raise SettingsError(f"{where}: [alarm] wanted 0 < alert_z <= z, found {alarm.alert_z:g} and {alarm.z:g}.")
    _check_judge(settings.judge, where)
    for name, hours in settings.accepted_intervals.items():
        if hours <= 0:
            raise SettingsError(f"{where}: [accepted_intervals] {name} = {hours:g}, wanted hours above zero.")
    for kind in settings.kinds.values():
        for name in ("residual", "carry_out", "acted_share"):
            if not 0 <= getattr(kind, name) <= 1:
                raise SettingsError(
                    f'{where}: [kinds."{kind.kind}"] {name} = {getattr(kind, name):g}, wanted a share between 0 and 1.'
                )


def _check_judge(judge: Judge, where: str) -> None:
    if not 0 < judge.alert < judge.alarm < 1:
        raise SettingsError(
            f"{where}: [judge] wanted 0 < alert < alarm < 1, found {judge.alert:g} and {judge.alarm:g}; set both as chances, such as 0.15 and 0.5."
        )
    for name in ("good", "stop", "second_share", "sooner_share", "repeat_settles"):
        if not 0 < getattr(judge, name) <= 1:
            raise SettingsError(
                f"{where}: [judge] {name} = {getattr(judge, name):g}, wanted more than 0 and at most 1."
            )
    for field_ in fields(Judge):
        if getattr(judge, field_.name) <= 0:
            raise SettingsError(
                f"{where}: [judge] {field_.name} = {getattr(judge, field_.name):g}, wanted more than 0."
            )
