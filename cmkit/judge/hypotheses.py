"""What may be wrong with a compartment, and what each fault does to its results (reference/hypotheses.csv).

A sign is a result that rises (`Fe+`), falls (`visc-`) or goes either way (`Zn~`); the number after the colon is its
size: 3 a key sign, 2 a second, 1 a third. `low:3` is a fluid level found low. `debris?:2` says that each result of a
group may move, independently of the others (2: often, 1: seldom). `needs` names results of which a compartment's
bottles must have one for the fault to be told at all; where it is empty, one of the key and second signs will do. A
result named in `quiet` does not move; one that is not named at all moves with a small chance. Rows of
one cause in one kind are its appearances: they share what is said of the cause.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.judge.constants import constant

Floats = NDArray[np.float64]

UNNAMED = "unnamed change"
PHASES = ("early", "clear", "severe")
UP = np.array([0.0, 0.15, 0.35, 0.6, 0.95, 1.4, 1.9, 2.6, 3.4, 4.3])  # log of the multiple of the interval's wear
BOTH_WAYS = np.r_[-UP[:0:-1], UP]
NAMES = {
    "visc": ("visc100_cSt", "visc40_cSt"),
    "water": ("water_ppm",),
    "fuel": ("fuel_pct",),
    "glycol": ("glycol_pct",),
    "soot": ("soot_pct",),
    "oxidation": ("oxidation_Acm",),
    "nitration": ("nitration_Acm",),
    "sulfation": ("sulfation_Acm",),
    "TAN": ("TAN_mgKOH_g",),
    "TBN": ("TBN_mgKOH_g",),
    "ferrous": ("ferrous_index",),
    "particles": ("p4_per_ml", "p6_per_ml", "p14_per_ml"),
    "pH": ("pH",),
    "nitrite": ("nitrite_ppm",),
    "glycol_vol": ("glycol_vol_pct",),
    "freeze": ("freeze_C",),
    "conductivity": ("conductivity_uS",),
    "makeup": ("makeup",),
}
GROUPS = {
    "any": (),
    "debris": (
        "Fe_ppm",
        "Cr_ppm",
        "Ni_ppm",
        "Al_ppm",
        "Cu_ppm",
        "Pb_ppm",
        "Sn_ppm",
        "Mn_ppm",
        "Ti_ppm",
        "Ag_ppm",
        "ferrous_index",
    ),
    "contamination": (
        "Si_ppm",
        "Na_ppm",
        "K_ppm",
        "Li_ppm",
        "B_ppm",
        "water_ppm",
        "fuel_pct",
        "glycol_pct",
        "p4_per_ml",
        "p6_per_ml",
        "p14_per_ml",
    ),
}
_SIZES = {3: "key", 2: "second", 1: "third"}
_SIGN = re.compile(r"^(?P<name>[A-Za-z_]+)(?P<way>[-+~?]?):(?P<size>[123])$")
Role = tuple[str, ...]  # ("still",), ("sign", size, way, phase), ("open", way, phase) or ("may", size, way, phase)


@dataclass(frozen=True)
class Pattern:
    """One appearance of a cause: sign name -> (way, size), results that stay quiet, results of which one must be
    measured, groups that may move, relative frequency.
    """

    kinds: tuple[str, ...]
    cause: str
    also: tuple[str, ...]
    signs: dict[str, tuple[str, int]]
    quiet: frozenset[str]
    needs: frozenset[str]
    groups: dict[str, int]
    low: bool
    weight: float


@dataclass(frozen=True)
class States:
    """The states of one kind of compartment: sound, then every pattern in its three phases.

    patterns: P; share: relative frequency of each pattern (P), sum 1. up, both: weights over UP and BOTH_WAYS of the
    roles in use;
    metal_map: role and result -> state, [results x roles, 1 + 3P]; other_map: the same for what every result says, and
    for each list of results that say nothing in an odd bottle, side by side; metal_role, other_role: role of each
    result in each state [results, 1 + 3P]; low: chance of a low level by state.
    """

    patterns: tuple[Pattern, ...]
    share: Floats
    up: Floats
    both: Floats
    metal_role: NDArray[np.int64]
    other_role: NDArray[np.int64]
    metal_map: NDArray[np.float32]
    other_map: NDArray[np.float32]
    low: Floats

    @property
    def causes(self) -> list[str]:
        return [p.cause for p in self.patterns]


@cache
def all_patterns() -> tuple[Pattern, ...]:
    """reference/hypotheses.csv; raises ValueError naming the sign that is not understood."""
    with files("cmkit.reference").joinpath("hypotheses.csv").open(encoding="utf-8") as handle:
        table = pd.read_csv(handle, keep_default_na=False)
    return tuple(read_pattern(row) for row in table.to_dict("records"))


def read_pattern(row: dict[str, Any]) -> Pattern:
    """One row of the table (kinds, cause, also_called, signs, quiet, needs, weight) as a pattern."""
    signs: dict[str, tuple[str, int]] = {}
    groups: dict[str, int] = {}
    low = False
    for text in str(row["signs"]).split():
        found = _SIGN.match(text)
        if found is None or (found["name"] != "low" and not found["way"]):
            raise ValueError(f"sign {text!r}; wanted a form such as Fe+:3, visc-:2, Zn~:2, low:3 or debris?:2")
        name, size = found["name"], int(found["size"])
        if name == "low":
            low = True
        elif found["way"] == "?":
            groups[name] = size
        else:
            signs |= dict.fromkeys(columns(name), (found["way"], size))
    quiet, needs = (frozenset(c for name in str(row[of]).split() for c in columns(name)) for of in ("quiet", "needs"))
    needs = needs or frozenset(name for name, (_, size) in signs.items() if size > 1)
    also = tuple(filter(None, str(row["also_called"]).split("|")))
    kinds = tuple(str(row["kinds"]).split("|"))
    return Pattern(kinds, str(row["cause"]), also, signs, quiet, needs, groups, low, float(row["weight"]))


def columns(name: str) -> tuple[str, ...]:
    """Columns of the samples table that a short name stands for: `visc` -> both viscosities, `Fe` -> `Fe_ppm`."""
    return NAMES.get(name, (f"{name}_ppm",))


def patterns_of(kind: str, without: frozenset[str] = frozenset()) -> tuple[Pattern, ...]:
    """Patterns of a kind of compartment (one without its own: those of `other`), less the causes in `without`."""
    table = [p for p in all_patterns() if p.cause not in without or p.cause == UNNAMED]
    own = [p for p in table if kind in p.kinds]
    named = own or [p for p in table if "other" in p.kinds]
    return (*named, *(p for p in table if "*" in p.kinds))


def pattern_shares(patterns: tuple[Pattern, ...], counts: dict[str, float]) -> Floats:
    """Relative frequency of each pattern, sum 1: the table's, as `cause_prior_faults` faults' worth, with the fleet's
    own counted by cause.
    """
    weight = np.array([p.weight for p in patterns])
    unnamed = np.array([p.cause == UNNAMED for p in patterns])
    named = _causes_once(patterns, weight) * ~unnamed
    keep = constant("unnamed_share")
    prior = np.where(unnamed, keep * weight / weight[unnamed].sum(), (1 - keep) * named / max(named.sum(), 1e-9))
    prior = prior / prior.sum()
    worth = constant("cause_prior_faults")
    own = np.array([counts.get(p.cause, 0.0) for p in patterns]) * _within_cause(patterns, weight)
    return np.asarray((worth * prior + own) / (worth + own.sum()))


def _within_cause(patterns: tuple[Pattern, ...], weight: Floats) -> Floats:
    """Share of each appearance in its cause."""
    total = pd.Series(weight).groupby([p.cause for p in patterns]).transform("sum")
    return np.asarray(weight / total.to_numpy())


def _causes_once(patterns: tuple[Pattern, ...], weight: Floats) -> Floats:
    """Weights with a cause's appearances sharing the weight of its first row."""
    first = pd.Series(weight).groupby([p.cause for p in patterns]).transform("first")
    return np.asarray(first.to_numpy() * _within_cause(patterns, weight))


def make_states(
    patterns: tuple[Pattern, ...],
    share: Floats,
    *,
    metals: list[str],
    others: list[str],
    ways: list[str],
    exponent: Floats,
    silent: Sequence[Floats] = (),
) -> States:
    """States over the results of a kind: metals (which only rise) and others with their `ways` (`+`, `~`) and exponents
    of the likelihood; silent: of each sort of odd bottle, the chance that it moves each of the others, which then say
    nothing (Q; 0: it leaves it alone).
    """
    every = [(p, phase) for p in patterns for phase in PHASES]
    metal_role, metal_roles = _numbered(every, metals, ["+"] * len(metals))
    other_role, other_roles = _numbered(every, others, ways)
    moved = np.unique(np.concatenate([np.zeros(1), *silent]))[1:]  # chances, one role each
    all_roles = [_weights(role, BOTH_WAYS) for role in other_roles] + [_moved_any_way(m, BOTH_WAYS) for m in moved]
    maps = [_one_hot(other_role, len(all_roles), exponent)]
    for chance in silent:
        off = np.flatnonzero(chance > 0)
        role = other_role.copy()
        role[off] = (len(other_roles) + np.searchsorted(moved, chance[off]))[:, None]
        maps.append(_one_hot(role, len(all_roles), exponent))
    low = [constant("low_sound")] + [constant(f"low_{phase}" if p.low else "low_sound") for p, phase in every]
    return States(
        patterns,
        share,
        np.array([_weights(role, UP) for role in metal_roles]),
        np.array(all_roles),
        metal_role,
        other_role,
        _one_hot(metal_role, len(metal_roles), np.ones(len(metals))),
        np.concatenate(maps, axis=1),
        np.array(low),
    )


def _numbered(
    every: list[tuple[Pattern, str]], names: list[str], ways: list[str]
) -> tuple[NDArray[np.int64], list[Role]]:
    """Number of the role of each result in each state [results, 1 + 3P], 0 in the sound one, and
    the roles by number.
    """
    roles: dict[Role, int] = {("still",): 0}
    out = np.zeros((len(names), 1 + len(every)), np.int64)
    for a, (name, way) in enumerate(zip(names, ways, strict=True)):
        for s, (pattern, phase) in enumerate(every):
            role = role_of(pattern, name, way, phase)
            out[a, 1 + s] = roles.setdefault(role, len(roles))
    return out, list(roles)


def role_of(pattern: Pattern, name: str, way: str, phase: str) -> Role:
    """What a pattern in a phase does to a result; `way`: `+` for a result that only rises, `~` for one that may go
    either way.
    """
    if pattern.groups:
        sizes = [size for group, size in pattern.groups.items() if group == "any" or name in GROUPS[group]]
        return ("may", str(max(sizes)), way, phase) if sizes else ("still",)
    if name in pattern.signs:
        turn, size = pattern.signs[name]
        return ("sign", _SIZES[size], turn, phase)
    return ("still",) if name in pattern.quiet else ("open", way, phase)


def _one_hot(role: NDArray[np.int64], n: int, exponent: Floats) -> NDArray[np.float32]:
    a, s = role.shape
    out = np.zeros((a, n, s), np.float32)
    out[np.repeat(np.arange(a), s), role.ravel(), np.tile(np.arange(s), a)] = np.repeat(exponent, s)
    return out.reshape(a * n, s)


def _moved_any_way(chance: float, grid: Floats) -> Floats:
    """Probability of each change of `grid` of a result that an odd bottle moves with some chance, by any amount."""
    return np.asarray((1 - chance) * (grid == 0) + chance / len(grid))


def _weights(role: Role, grid: Floats) -> Floats:
    """Probability of each change of `grid` in a role."""
    still = (grid == 0).astype(float)
    if role[0] == "still":
        return np.asarray(still)
    if role[0] == "open":
        moved, share = _moved("second", role[1], role[2], grid), constant("open_moves")
    elif role[0] == "may":
        share = constant("unnamed_family_moves" if role[1] == "2" else "unnamed_moves")
        moved = _moved("key", role[2], role[3], grid, constant("unnamed_down"))
    else:
        moved, share = _moved(role[1], role[2], role[3], grid), 1 - constant(f"missing_{role[1]}")
    return np.asarray((1 - share) * still + share * moved)


def _moved(size: str, way: str, phase: str, grid: Floats, down: float = 0.5) -> Floats:
    """Normal about the phase's centre, cut at nothing; severe: part of it an exponential tail upwards. `~`: `down` of
    it the other way.
    """
    if way == "~":
        return (1 - down) * _moved(size, "+", phase, grid) + down * _moved(size, "-", phase, grid)
    x = grid if way == "+" else -grid
    centre = constant(f"centre_{phase}") * constant(f"size_{size}")
    sd = constant("spread_floor") + constant("spread_share") * centre
    width = np.abs(np.gradient(x))
    if not (x > 0).any():
        return np.asarray((grid == 0).astype(float))
    bell = np.where(x >= 0, np.exp(-0.5 * ((x - centre) / sd) ** 2) * width, 0.0)
    bell = bell / bell.sum()
    if phase != "severe":
        return np.asarray(bell)
    tail = np.where(
        x >= centre, np.exp(-(x - centre) / (constant("severe_tail_scale") * constant(f"size_{size}"))) * width, 0.0
    )
    return np.asarray((1 - constant("severe_tail")) * bell + constant("severe_tail") * tail / tail.sum())
