"""fleet.toml as frozen settings. Unknown keys are refused with the nearest known name, values outside their range with
both bounds; all faults of a file are said at once, one a line.
"""

import difflib
import itertools
from dataclasses import dataclass, field, fields, replace
from functools import cache, partial
from importlib.resources import files
from pathlib import Path
from typing import Any, cast

import pandas as pd

from cmkit.errors import SettingsError
from cmkit.records.analytes import DIRECTIONS, GROUPS, RULES, Analyte, with_own
from cmkit.records.constants import out_of_range, package_defaults
from cmkit.records.laboratory_factors import LaboratoryFactor, laboratory_factors
from cmkit.records.per_place import accepted_intervals, cleanliness_targets
from cmkit.records.typed_reader import (
    RANGES,
    TEXT,
    Faults,
    checked,
    read_block,
    read_toml,
    refuse_unknown,
    said,
    section,
)


@dataclass(frozen=True)
class Kind:
    """What is assumed of a kind of compartment until the fleet says otherwise (reference/kinds.csv).

    residual: share of old fluid left after a change; carry_out: share of metal that leaves with lost fluid (kappa);
    removal_per_h: filter and settling; sealed: no consumption is expected, a low level means a leak; tube_extra_mm:
    tube beyond the depth, into the pump. Rates are per operating hour, delays in hours, money in the fleet's currency,
    downtime in hours.
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
    """How sampling is organised. Hours are operating hours, turnaround in days from drawing to a
    result in the office.
    """

    service_grid_h: tuple[float, ...] = (125.0, 250.0, 500.0, 1000.0, 2000.0)
    turnaround_days: float = 7.0
    interval_tolerance: float = 0.10
    crew_samples_per_week: float = 0.0  # 0: not limited
    lab_samples_per_week: float = 0.0
    stale_after_intervals: float = 2.0
    duplicate_share: float = 0.0  # 0: no blind duplicates


@dataclass(frozen=True)
class Alarm:
    """When a trend is called. z: one-step departure; rise: sustained rise (likelihood ratio); shares: family
    percentiles.
    """

    z: float = 3.0
    rise: float = 3.5
    alert_share: float = 0.90
    alarm_share: float = 0.975
    confidence: float = 0.90


@dataclass(frozen=True)
class Trust:
    """When a bottle is doubted, and how much ([trust] in fleet.toml; reference/trust.csv says what each number is)."""

    exchange_prior: float
    exchange_probability: float
    fluid_false_calls: float
    common_factor_z: float
    bottle_factor_sd: float
    bottle_factor_least_bottles: int
    exchange_temper: float
    exchange_first_order: int
    exchange_report: float
    tail_df: float
    factor_least_ppm: float
    factor_least_metals: int
    factor_high: float
    factor_low: float
    factor_fit_p: float
    additive_moved: float
    fluid_floor_ppm: float
    fluid_least_bottles: int
    fluid_scatter: float
    fluid_least_ratio: float
    fluid_unknown_p: float
    silicon_z: float
    quiet_z: float
    aluminium_z: float
    dirt_ratio_low: float
    dirt_ratio_high: float
    dirt_probability: float
    silicon_probability: float
    drain_stream_probability: float
    other_method_probability: float
    stale_days: float
    stale_probability: float
    dates_probability: float
    batch_least_bottles: int
    batch_least_machines: int
    batch_z: float
    batch_share: float
    batch_probability: float
    unit_tolerance: float
    unit_least_results: int
    unit_probability: float
    hours_derived_probability: float
    hours_missing_probability: float
    hours_pace_z: float
    hours_pace_probability: float
    factor_probability: float
    fuel_visc40: float
    fuel_visc100: float
    fuel_probability: float


@cache
def default_trust() -> Trust:
    """reference/trust.csv as :class:`Trust`."""
    return package_defaults(Trust, "trust")


@dataclass(frozen=True)
class Intervals:
    """What the advice on intervals assumes ([intervals] in fleet.toml; reference/intervals.csv says what each number
    is).
    """

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
    """When a chance becomes a state, an order and money ([judge] in fleet.toml; reference/states.csv says what each
    number is).
    """

    alarm: float
    alarm_doubtful: float
    sure_good: float
    alert: float
    good: float
    stop: float
    second_share: float
    settle: float
    settle_bottles: int
    settle_limit_bottles: int
    repeats_most: int
    sooner_share: float
    repeat_settles: float
    look_downtime_h: float
    early_shape: float
    clear_delay_share: float
    severe_delay_share: float
    repeat_days: float
    read_days: float
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
    trust: Trust = field(default_factory=default_trust)
    intervals: Intervals = field(default_factory=default_intervals)
    judge: Judge = field(default_factory=default_judge)
    kinds: dict[str, Kind] = field(default_factory=dict)
    limits: tuple[FixedLimit, ...] = ()
    analytes: tuple[Analyte, ...] = ()
    accepted_intervals: dict[str, float] = field(default_factory=dict)
    cleanliness_targets: dict[str, str] = field(default_factory=dict)
    laboratory_factors: tuple[LaboratoryFactor, ...] = ()
    given_costs: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def assumed_costs(self, kind: str) -> tuple[str, ...]:
        """Which of `COSTS` are the package's own for this kind of compartment, because fleet.toml does not give them;
        in their order.
        """
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
    """Settings from `fleet.toml`; raises SettingsError naming the file and, of all faults at once, the key, what was
    found and what is known.
    """
    try:
        raw = read_toml(path, str(path))
    except FileNotFoundError as error:
        raise SettingsError(
            f'{path}: not found. A fleet folder needs a fleet.toml with at least a line name = "...".'
        ) from error
    return parse_settings(raw, str(path))


def parse_settings(raw: dict[str, Any], where: str) -> Settings:
    """Settings from the parsed content of a fleet.toml; `where` names the file in errors. SettingsError names every
    fault.
    """
    faults, values = Faults(), dict[str, Any]()
    plain = {k: v for k, v in raw.items() if k not in _SECTIONS}
    with faults.gathered():
        refuse_unknown(plain, [*_TEXTS, *_SECTIONS], where)
    with faults.gathered():
        if "name" not in raw:
            raise SettingsError(
                f"{where}: key 'name' is missing; wanted the fleet's name, such as name = \"Our fleet\"."
            )
    for key in [k for k in plain if k in _TEXTS]:
        with faults.gathered():
            values[key] = checked(plain[key], str, f"{where}: {key}")
    for key, (cls, check) in _BLOCKS.items():
        with faults.gathered():
            values[key] = read_block(cls, raw.get(key, {}), f"{where}: [{key}]", check=check)
    for key, default in (("trust", default_trust()), ("intervals", default_intervals())):
        with faults.gathered():
            values[key] = _chapter(key, default, raw.get(key, {}), where)
    with faults.gathered():
        values["judge"] = _judge(raw.get("judge", {}), f"{where}: [judge]")
    costs: dict[str, float] = {}
    with faults.gathered():
        costs = _costs(section(raw, "costs", where), where)
    for key, read in (
        ("kinds", partial(_kinds, costs=costs)),
        ("limits", _limits),
        ("analytes", _analytes),
        ("accepted_intervals", accepted_intervals),
        ("cleanliness_targets", cleanliness_targets),
        ("laboratory_factors", laboratory_factors),
    ):
        with faults.gathered():
            values[key] = read(section(raw, key, where, deep=key not in _PER_PLACE), where)
    with faults.gathered():
        _check_analytes(values, where)
    faults.raise_any()
    values["given_costs"] = _given_costs(raw, list(values["kinds"]))
    return Settings(**values)


_TEXTS = ("name", "currency", "language")
_PER_PLACE = ("accepted_intervals", "cleanliness_targets")
_SECTIONS = ("costs", *(f.name for f in fields(Settings) if f.name not in (*_TEXTS, "given_costs")))


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
    if faults:
        raise SettingsError("\n".join(faults))


_BLOCKS: dict[str, tuple[Any, Any]] = {
    "sampling": (Sampling, _check_sampling), "alarm": (Alarm, _check_alarm),
}  # fmt: skip


def _check_limit(limit: FixedLimit, where: str) -> None:
    if limit.direction not in ("up", "down"):
        raise SettingsError(f"{where}: direction {said(limit.direction)}, wanted 'up' or 'down'.")
    if (limit.alarm - limit.alert) * (1 if limit.direction == "up" else -1) < 0:
        raise SettingsError(
            f"{where}: alert {limit.alert:g} lies beyond alarm {limit.alarm:g} for direction '{limit.direction}'; "
            f"exchange them."
        )


def _check_analyte(analyte: Analyte, where: str) -> None:
    faults = [
        f"{where} {key}: found {said(getattr(analyte, key))}, wanted one of {', '.join(allowed)}."
        for key, allowed in (("group", GROUPS), ("rule", RULES), ("bad", DIRECTIONS))
        if getattr(analyte, key) not in allowed
    ]
    if analyte.plausible_low >= analyte.plausible_high:
        faults.append(
            f"{where}: plausible_low {analyte.plausible_low:g} is not below plausible_high {analyte.plausible_high:g}."
        )
    if faults:
        raise SettingsError("\n".join(faults))


def _chapter(chapter: str, default: Trust | Intervals, raw: Any, where: str) -> Any:
    """A section of fleet.toml whose keys are the constants of reference/CHAPTER.csv, each within
    the range given there.
    """
    found = read_block(type(default), raw, f"{where}: [{chapter}]", default)
    if wrong := out_of_range(found, chapter):
        raise SettingsError(f"{where}: [{chapter}] {'; '.join(wrong)}.")
    return found


def _kinds(raw: dict[str, Any], where: str, costs: dict[str, float]) -> dict[str, Kind]:
    kinds, faults = _with_costs(costs), Faults()
    for name, block in raw.items():
        base = kinds.get(name) or replace(kinds["other"], kind=name)
        with faults.gathered():
            kinds[name] = read_block(Kind, {**block, "basis": "site"}, f'{where}: [kinds."{name}"]', base)
    faults.raise_any()
    return kinds


def _given_costs(raw: dict[str, Any], kinds: list[str]) -> dict[str, tuple[str, ...]]:
    """Kind -> the costs that fleet.toml gives for it, in [costs] for all kinds or in its own [kinds] table."""
    whole = set(raw.get("costs", {}))
    own = raw.get("kinds", {})
    return {k: tuple(c for c in COSTS if c in whole | set(own.get(k, {}))) for k in kinds}


def _costs(raw: dict[str, Any], where: str) -> dict[str, float]:
    """[costs]: the six numbers that matter, for every kind that does not have its own."""
    refuse_unknown(raw, list(COSTS), f"{where}: [costs]")
    return {k: checked(v, float, f"{where}: [costs] {k}", RANGES["Kind"][k]) for k, v in raw.items()}


def _with_costs(costs: dict[str, float]) -> dict[str, Kind]:
    """The package's kinds with the fleet's own costs for all of them."""
    return {name: replace(kind, **cast(Any, costs)) for name, kind in default_kinds().items()}


def _limits(raw: dict[str, Any], where: str) -> tuple[FixedLimit, ...]:
    """[limits."engine"] Fe_ppm = { alert = 80, alarm = 120 } -> one FixedLimit each."""
    out, faults = [], Faults()
    for place, block in raw.items():
        for analyte, bounds in block.items():
            spot = f'{where}: [limits."{place}"] {analyte}'
            with faults.gathered():
                if not isinstance(bounds, dict):
                    raise SettingsError(f"{spot}: found {said(bounds)}, wanted {{ alert = number, alarm = number }}.")
                out.append(
                    read_block(FixedLimit, {"where": place, "analyte": analyte, **bounds}, spot, check=_check_limit)
                )
    faults.raise_any()
    return tuple(out)


_ANALYTE_DEFAULTS: dict[str, Any] = {
    "symbol": "", "group": "contaminant", "bad": "up", "rule": "level", "reporting_limit": float("nan"),
    "plausible_low": 0.0,
    "plausible_high": float("inf"), "repeat_a": float("nan"), "repeat_p": float("nan"), "noise_floor": 0.5,
    "noise_share": 0.1,
    "decimals": 1, "basis": "site", "source": "fleet.toml",
}  # fmt: skip


def _analytes(raw: dict[str, Any], where: str) -> tuple[Analyte, ...]:
    """[analytes.W_ppm] -> one Analyte each; what the block leaves out has the defaults of a contaminant."""
    out, faults = [], Faults()
    for name, block in raw.items():
        base = Analyte(**{"analyte": name, "name": name, "unit": "1", **_ANALYTE_DEFAULTS})
        with faults.gathered():
            out.append(read_block(Analyte, block, f"{where}: [analytes.{name}]", base, check=_check_analyte))
    faults.raise_any()
    return tuple(out)


def _check_analytes(values: dict[str, Any], where: str) -> None:
    """Limits and laboratory factors are about known analytes."""
    known = list(with_own(values.get("analytes", ())).index)
    named = [(f'[limits."{f.where}"]', f.analyte) for f in values.get("limits", ())]
    named += [(f'[laboratory_factors."{f.laboratory}"]', f.analyte) for f in values.get("laboratory_factors", ())]
    faults = []
    for place, analyte in named:
        if analyte not in known:
            near = difflib.get_close_matches(analyte[:TEXT], known, n=1, cutoff=0.5)
            hint = f"Did you mean '{near[0]}'?" if near else "See the register of analytes, or add it under [analytes]."
            faults.append(f"{where}: {place}: unknown analyte {said(analyte)}. {hint}")
    if faults:
        raise SettingsError("\n".join(faults))


_SHARES = ("good", "sure_good", "alarm_doubtful", "settle", "stop", "second_share", "sooner_share", "repeat_settles")
_MAY_BE_NOTHING = ("look_downtime_h", "repeat_days", "read_days")


def _judge(raw: Any, where: str) -> Judge:
    judge: Judge = read_block(Judge, raw, where, default_judge())
    if not 0 < judge.alert < judge.alarm < 1:
        raise SettingsError(
            f"{where} wanted 0 < alert < alarm < 1, found {judge.alert:g} and {judge.alarm:g}; set both as chances, "
            f"such as 0.15 and 0.4."
        )
    for name in _SHARES:
        if not 0 < getattr(judge, name) <= 1:
            raise SettingsError(f"{where} {name} = {getattr(judge, name):g}, wanted more than 0 and at most 1.")
    for name in (field_.name for field_ in fields(Judge)):
        value = getattr(judge, name)
        if value < 0 or (value == 0 and name not in _MAY_BE_NOTHING):
            wanted = "0 or more" if name in _MAY_BE_NOTHING else "more than 0"
            raise SettingsError(f"{where} {name} = {value:g}, wanted {wanted}.")
    return judge
