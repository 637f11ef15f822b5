"""The recipe of an invented fleet: a TOML file that, with its seed, fixes every byte of the records made from it.

Every name of a table below is a heading of the file and every field a key; a key that is not known, or missing, is
refused.
"""

import types
import typing
from dataclasses import MISSING, dataclass, field, fields, is_dataclass, replace
from datetime import date, timedelta
from functools import cache, cached_property
from importlib.resources import files
from pathlib import Path
from tomllib import TOMLDecodeError, loads
from typing import Any

from cmkit.errors import SettingsError


@dataclass(frozen=True)
class Spread:
    """How rates differ between machines and in time: coefficients of variation, a correlation between metals, a memory
    in hours. running_in: extra release of metals of a new component at first, falling off exponentially (running_in_h).
    """

    machine_cv: float
    machine_correlation: float
    drift_cv: float
    drift_memory_h: float
    load_cv: float
    residual_cv: float
    use_cv: float
    running_in: float = 0.0
    running_in_h: float = 200.0


@dataclass(frozen=True)
class Noise:
    """What bottle and laboratory add. own and bottle are relative; floors in the analyte's unit; other_own by group of
    the register.
    """

    own: float
    bottle: float
    floor_ppm: float
    laboratory_bias_cv: float
    other_own: dict[str, float]
    other_floor: dict[str, float]


@dataclass(frozen=True)
class Money:
    """What a fluid change costs, and how costs spread (cv)."""

    fluid_per_l: float
    change: float
    spread_cv: float


@dataclass(frozen=True)
class Office:
    """How the invented office of the past decided from plain limits on a card; shares are probabilities, see the
    recipe.
    """

    card: float
    card_floor: float
    card_floors: dict[str, float]
    card_high: dict[str, float]
    card_low: dict[str, float]
    times_usual: float
    notable: float
    look_at_once: float
    acted: float
    found: float
    seen_from: float
    ease: float
    noticed_per_day: float
    replaced_from: float
    confirmed_exchange: float


@dataclass(frozen=True)
class Site:
    """days_a_week worked; use: share of a machine kind's hours; season: twelve factors; post_days: bottle to
    laboratory.
    """

    site: str
    name: str
    time_zone: str
    downtime_cost_per_h: float
    days_a_week: int
    use: float
    season: list[float]
    crews: list[str]
    laboratory: str
    post_days: float


@dataclass(frozen=True)
class Crew:
    """A crew's habits as shares of its bottles or records; share: part of its site's bottles; spread: of the bottle
    factor.
    """

    crew: str
    share: float
    no_hours: float
    slip: float
    late: float
    exchanged: float
    bottom: float
    drain_stream: float
    dirty_pump: float
    no_level: float
    topup_lost: float
    label_makeup: float
    label_fluid_h: float
    spread: float


@dataclass(frozen=True)
class Laboratory:
    """days: bottle to result; reissued: share of results corrected later; layout: name of its own file layout, empty
    for ours.
    """

    laboratory: str
    days: float
    reissued: float
    layout: str = ""


@dataclass(frozen=True)
class Fluid:
    """A fluid by specification with its fresh content (analyte -> value) and viscosities in mm2/s."""

    fluid: str
    grade: str
    visc40_cSt: float
    visc100_cSt: float
    fresh: dict[str, float]


@dataclass(frozen=True)
class CompartmentKind:
    """A kind of compartment. rate: analyte -> release per hour at full charge; removal: share per hour; use: charge
    share per hour.
    """

    fluid: str
    capacity_l: float
    use: float
    residual: float
    pressurised: bool
    access: str
    depth_mm: float
    sealed: bool
    sample_every_h: float
    change_every_h: float
    fault_per_h: float
    delay_mean_h: float
    rate: dict[str, float]
    removal: dict[str, float]
    reports: list[str]
    inspect_cost: float
    planned_cost: float
    failure_cost: float
    planned_downtime_h: float
    failure_downtime_h: float
    particles: list[float] = field(default_factory=list)
    sampling_point: str = ""
    surface_mm: float | None = None
    dead_volume_ml: float | None = None


@dataclass(frozen=True)
class FaultKind:
    """A kind of fault: what it does at failure (rates times, entries, removals per hour, leak), growing as (age /
    delay) ** growth.
    """

    where: list[str]
    weight: float
    growth: float
    found: list[str]
    times: dict[str, float] = field(default_factory=dict)
    adds: dict[str, float] = field(default_factory=dict)
    removes: dict[str, float] = field(default_factory=dict)
    particles: float = 1.0
    leak: float = 0.0
    topped_with: str = ""


@dataclass(frozen=True)
class Planted:
    """A fault set by hand; left_open: nobody looks before the records end."""

    compartment: str
    fault: str
    days_before_end: int
    delay_h: float
    left_open: bool = False


@dataclass(frozen=True)
class WrongFluid:
    """A top-up with another fluid: `share` of the charge became `with_fluid` (key `with` in the file)."""

    compartment: str
    with_fluid: str
    days_before_end: int
    share: float


@dataclass(frozen=True)
class Mistake:
    """A cell of the files that somebody typed wrong: in the row of `table` (services or samples) with that key, where
    there is one.
    """

    table: str
    key: str
    column: str
    typed: str


@dataclass(frozen=True)
class MachineKind:
    """compartments: [kind, position] or [kind, position, litres for a medium machine]."""

    h_per_day: float
    compartments: list[list[Any]]


@dataclass(frozen=True)
class Machine:
    """One machine. meter_h: reading on the first day of the records, or on `since` when that is later."""

    machine: str
    site: str
    kind: str
    size: str
    since: date
    meter_h: float
    retired_on: date | None = None
    idle: list[date] = field(default_factory=list)
    new_meter_on: date | None = None
    unsampled: list[list[Any]] = field(default_factory=list)


@dataclass(frozen=True)
class Recipe:
    """Everything that fixes an invented fleet; see sample_data/recipe.toml for the meaning of each table. `text` is the
    file itself.
    """

    seed: int
    start: date
    months: int
    warm_up_days: int
    machines_times: int
    step_h: float
    fleet_toml: str
    spread: Spread
    noise: Noise
    money: Money
    office: Office
    sizes: dict[str, list[float]]
    sites: list[Site]
    crews: list[Crew]
    laboratories: list[Laboratory]
    fluids: dict[str, Fluid]
    compartments: dict[str, CompartmentKind]
    faults: dict[str, FaultKind]
    machine_kinds: dict[str, MachineKind]
    machines: list[Machine]
    planted: list[Planted] = field(default_factory=list)
    wrong_fluid: list[WrongFluid] = field(default_factory=list)
    mistakes: list[Mistake] = field(default_factory=list)
    points_not_recorded: list[str] = field(default_factory=list)
    text: str = ""

    @cached_property
    def end(self) -> date:
        """Last day of the records."""
        months = self.start.month - 1 + self.months
        return date(self.start.year + months // 12, months % 12 + 1, 1) - timedelta(days=1)

    def fleet(self) -> list[Machine]:
        """The machines, repeated `machines_times`; copies are called `NAME-2`, `NAME-3`, ... and have no planted
        faults.
        """
        copies = range(2, self.machines_times + 1)
        more = [replace(m, machine=f"{m.machine}-{n}") for n in copies for m in self.machines]
        return [*self.machines, *more]


def read_recipe(path: Path) -> Recipe:
    """The recipe in a TOML file. SettingsError names the file, the key, what was found and what was wanted."""
    try:
        text = path.read_text(encoding="utf-8")
        raw = loads(text)
    except FileNotFoundError as error:
        raise SettingsError(f"{path}: not found. Name a recipe such as sample_data/recipe.toml.") from error
    except (TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: not readable as TOML: {error}. Mend that line and try again.") from error
    return parse_recipe(raw, str(path), text)


def parse_recipe(raw: dict[str, Any], where: str, text: str = "") -> Recipe:
    """A recipe from parsed TOML; `where` names the file in errors."""
    renamed = [{("with_fluid" if k == "with" else k): v for k, v in w.items()} for w in raw.get("wrong_fluid", [])]
    recipe: Recipe = _build(Recipe, {**raw, "wrong_fluid": renamed, "text": text}, where)
    _check_names(recipe, where)
    return recipe


@cache
def demo_recipe() -> Recipe:
    """The demo fleet's recipe: shipped inside an installed package, in sample_data/ of a checkout."""
    shipped = Path(str(files("cmkit"))) / "_shipped" / "recipe.toml"
    return read_recipe(shipped if shipped.exists() else Path(__file__).parents[2] / "sample_data" / "recipe.toml")


def _build(wanted: Any, raw: Any, where: str) -> Any:
    """`raw` as the wanted type, walking dataclasses, lists and dictionaries; SettingsError on anything else."""
    origin = typing.get_origin(wanted)
    if is_dataclass(wanted):
        return _build_record(wanted, _typed(raw, dict, where), where)
    if origin is list:
        (inner,) = typing.get_args(wanted)
        return [_build(inner, item, f"{where} [{n + 1}]") for n, item in enumerate(_typed(raw, list, where))]
    if origin is dict:
        inner = typing.get_args(wanted)[1]
        return {key: _build(inner, value, f"{where}: {key}") for key, value in _typed(raw, dict, where).items()}
    if origin is types.UnionType:
        return raw if raw is None else _build(typing.get_args(wanted)[0], raw, where)
    if wanted is float and isinstance(raw, int) and not isinstance(raw, bool):
        return float(raw)
    return raw if wanted is Any else _typed(raw, wanted, where)


def _build_record(wanted: Any, raw: dict[str, Any], where: str) -> Any:
    hints = typing.get_type_hints(wanted)
    known = {f.name: f.default is MISSING and f.default_factory is MISSING for f in fields(wanted)}
    if strange := sorted(set(raw) - set(known)):
        raise SettingsError(f"{where}: unknown key '{strange[0]}'. Known keys: {', '.join(known)}.")
    if missing := [name for name, needed in known.items() if needed and name not in raw]:
        raise SettingsError(f"{where}: missing {', '.join(missing)}.")
    return wanted(**{key: _build(hints[key], value, f"{where}: {key}") for key, value in raw.items()})


def _typed(raw: Any, wanted: type, where: str) -> Any:
    if not isinstance(raw, wanted) or (isinstance(raw, bool) and wanted is not bool):
        raise SettingsError(f"{where}: found {raw!r}, wanted {wanted.__name__}.")
    return raw


def _check_names(recipe: Recipe, where: str) -> None:
    """Every name used is defined, and machines are named once."""
    crews, labs = {c.crew for c in recipe.crews}, {x.laboratory for x in recipe.laboratories}
    uses = [(f"machine {m.machine}", "site", m.site, {s.site for s in recipe.sites}) for m in recipe.machines]
    uses += [(f"machine {m.machine}", "kind", m.kind, set(recipe.machine_kinds)) for m in recipe.machines]
    uses += [(f"machine {m.machine}", "size", m.size, set(recipe.sizes)) for m in recipe.machines]
    uses += [(f"site {s.site}", "crew", c, crews) for s in recipe.sites for c in s.crews]
    uses += [(f"site {s.site}", "laboratory", s.laboratory, labs) for s in recipe.sites]
    uses += [(f"compartment kind {k}", "fluid", v.fluid, set(recipe.fluids)) for k, v in recipe.compartments.items()]
    uses += [
        (f"machine kind {k}", "compartment", str(c[0]), set(recipe.compartments))
        for k, v in recipe.machine_kinds.items()
        for c in v.compartments
    ]
    uses += [(f"planted {p.compartment}", "fault", p.fault, set(recipe.faults)) for p in recipe.planted]
    uses += [(f"wrong fluid {w.compartment}", "with", w.with_fluid, set(recipe.fluids)) for w in recipe.wrong_fluid]
    for spot, key, name, known in uses:
        if name not in known:
            raise SettingsError(
                f"{where}: {spot}: {key} '{name}' is not in the recipe; known: {', '.join(sorted(known))}."
            )
    names = [m.machine for m in recipe.machines]
    if twice := sorted({n for n in names if names.count(n) > 1}):
        raise SettingsError(f"{where}: machine '{twice[0]}' is listed twice; give each its own name.")
