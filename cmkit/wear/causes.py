"""Likely causes of what stands against a compartment: patterns from reference/causes.csv, with evidence for and against and where to look.

The patterns are common practice, the score is a matter of order and no probability. It adds words; it never decides a verdict.

A sign is a result that is raised (`Fe+`), lowered (`visc-`), quiet (`Al0`), a low level found, or silicon and aluminium in the proportion of
dust (`Si/Al`); `a|b` is either; the number after the colon is its weight and `!` marks the sign without which the cause is not named.
"""

import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.fluids.condition import ratio
from cmkit.records.analytes import below as below_name
from cmkit.records.constants import constant
from cmkit.records.fleet import Fleet
from cmkit.records.settings import Alarm
from cmkit.tables.frames import names, typed

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
CAUSES = names("causes")
# Own choices: what counts as a sign, and which causes are worth words.
_Z_FULL, _RISE_FULL = Alarm.z, Alarm.rise  # a departure that raises an alarm is a full sign
_TIMES_FULL = 3.0  # a level this many times the compartment's own usual is a full sign
_SHIFT_FULL = 0.20  # viscosity off its own usual by this share is a full sign
_EVIDENCE_WEIGHT = {"alarm": 1.0, "alert": 0.8}
_ALWAYS_HIGH = 0.6  # a metal over a limit of its family without a departure from its own past
_SHARED = (
    0.4  # what is left of a full sign beside one that stands out far more: when all metals rise, none points anywhere
)
_PRESENT, _LEAST, _MOST = 0.5, 0.35, 3
_DUST = (constant("trust", "dirt_ratio_low"), constant("trust", "dirt_ratio_high"))  # Si:Al of dust
_NAMES = {
    "visc": ("visc100_cSt", "visc40_cSt"), "water": ("water_ppm",), "fuel": ("fuel_pct",), "glycol": ("glycol_pct",), "soot": ("soot_pct",),
    "oxidation": ("oxidation_Acm",), "nitration": ("nitration_Acm",), "TAN": ("TAN_mgKOH_g",), "TBN": ("TBN_mgKOH_g",),
    "ferrous": ("ferrous_index",), "particles": ("p4_per_ml", "p6_per_ml", "p14_per_ml"), "pH": ("pH",), "nitrite": ("nitrite_ppm",),
    "glycol_vol": ("glycol_vol_pct",), "freeze": ("freeze_C",),
}  # fmt: skip
_SIGN = re.compile(r"^(?P<what>.+):(?P<weight>[\d.]+)(?P<key>!?)$")


@dataclass(frozen=True)
class Sign:
    """One sign of a pattern: what any of, in words of reference/causes.csv; its weight; key: without it the cause is not named."""

    any_of: tuple[str, ...]
    weight: float
    key: bool


@dataclass(frozen=True)
class Pattern:
    """One cause in some kinds of compartment."""

    kinds: tuple[str, ...]
    cause: str
    signs: tuple[Sign, ...]
    against: tuple[Sign, ...]
    look_at: str
    basis: str


@cache
def cause_patterns() -> tuple[Pattern, ...]:
    """reference/causes.csv; raises ValueError naming the sign that is not understood."""
    with files("cmkit.reference").joinpath("causes.csv").open(encoding="utf-8") as handle:
        table = pd.read_csv(handle, keep_default_na=False)
    return tuple(
        Pattern(tuple(r.kinds.split("|")), r.cause, parse_signs(r.signs), parse_signs(r.against), r.look_at, r.basis)
        for r in table.itertuples()
    )


def parse_signs(text: str) -> tuple[Sign, ...]:
    """`Si+:3! Al+|Fe+:2 low level:1` as signs."""
    parts = re.findall(r"low level:[\d.]+!?|\S+", text)
    return tuple(_one_sign(part) for part in parts)


def _one_sign(part: str) -> Sign:
    found = _SIGN.match(part)
    names = tuple(found["what"].split("|")) if found else ()
    if found is None or not all(n in ("low level", "Si/Al") or n[-1] in "+-0" for n in names):
        raise ValueError(f"sign {part!r}; wanted a form such as Fe+:2, visc-:1, Al0:1, Si/Al:1 or low level:3!")
    return Sign(names, float(found["weight"]), bool(found["key"]))


def likely_causes(
    known: Fleet, exposure: pd.DataFrame, history: pd.DataFrame, evidence: pd.DataFrame, verdicts: pd.DataFrame, register: pd.DataFrame
) -> pd.DataFrame:  # fmt: skip
    """Up to three likely causes of every compartment in alert or alarm (columns CAUSES), likeliest first.

    The signs are those of the bottles of the present spell (from `since` on), the strongest of each. score 0..1: share of the pattern's
    weight that is there, less what speaks against it, lowered where parts of the pattern were not measured.
    """
    raised = verdicts[verdicts["state"].isin(["alert", "alarm"]) & (verdicts["sample"] != "")].sort_values(
        "compartment"
    )
    samples = known.samples.sort_values(["drawn_on", "sample"], kind="stable")
    samples = samples[samples["compartment"].isin(raised["compartment"])]
    levels = _Levels.of(samples, register)
    own = {str(c): np.asarray(at) for c, at in samples.reset_index(drop=True).groupby("compartment").indices.items()}
    names = register["name"].to_dict()
    trend = dict(tuple(history[history["compartment"].isin(raised["compartment"])].groupby("compartment")))
    fired = dict(tuple(evidence[evidence["compartment"].isin(raised["compartment"])].groupby("compartment")))
    rows = []
    for place in raised.itertuples():
        c = place.compartment
        if c not in own:
            continue
        spell, before = levels.split(own[c], place.since)
        bottles = set(levels.sample[spell])
        shown, here = (
            f[f["sample"].isin(bottles)] for f in (trend.get(c, history.iloc[:0]), fired.get(c, evidence.iloc[:0]))
        )
        seen = _Seen.of(levels, spell, before, shown, here, names)
        scored = sorted(
            (_score(p, seen) for p in cause_patterns() if place.kind in p.kinds),
            key=lambda r: (-r["score"], r["cause"]),
        )
        rows += [{"compartment": c, **r} for r in scored if r["score"] >= _LEAST][:_MOST]
    return typed(rows, "causes")


@dataclass(frozen=True)
class _Seen:
    """Strength -1..1 of every analyte in the spell (+ raised, - lowered; missing: not measured), its words, whether the level was low, Si:Al."""

    strength: dict[str, float]
    words: dict[str, str]
    names: dict[str, str]
    low_level: bool
    dust: float

    @classmethod
    def of(
        cls, levels: "_Levels", spell: Rows, before: Rows, own: pd.DataFrame, here: pd.DataFrame, names: dict[str, str]
    ) -> "_Seen":  # fmt: skip
        """spell, before: rows of `levels`; own: the wear filter's results of the spell's bottles; here: what fired on them."""
        metals = _from_trend(own)
        strength = levels.strength(spell, before) | metals
        words = dict(zip(here["analyte"], here["words"], strict=True))
        for r in here[here["analyte"] != ""].itertuples():
            weight = _ALWAYS_HIGH if r.analyte in metals else _EVIDENCE_WEIGHT[r.state]
            sign = -weight if r.operator == "<=" else weight
            if abs(sign) > abs(strength.get(r.analyte, 0.0)):
                strength[r.analyte] = sign
        dust = ratio(levels.silicon[spell].max(), levels.aluminium[spell].max()).value
        return cls(strength, words, names, bool((here["rule"] == "low level").any()), dust)


@dataclass(frozen=True)
class _Levels:
    """Results other than wear metals of n bottles in order of drawing: value, below [n, A], with each analyte's rule and floor (A)."""

    sample: NDArray
    drawn_on: NDArray
    analytes: list[str]
    value: Floats
    below: NDArray[np.bool_]
    two_sided: NDArray[np.bool_]
    judged: NDArray[np.bool_]
    floor: Floats
    silicon: Floats
    aluminium: Floats

    @classmethod
    def of(cls, samples: pd.DataFrame, register: pd.DataFrame) -> "_Levels":
        names = [a for a in register.index[register["rule"] != "rate"] if a in samples]
        none = np.zeros(len(samples), bool)
        under = [samples[below_name(a)].to_numpy(dtype=bool) if below_name(a) in samples else none for a in names]
        rule = register.loc[names, "rule"].to_numpy(dtype=object)
        dust = (samples[a].to_numpy(dtype=float) if a in samples else none * np.nan for a in ("Si_ppm", "Al_ppm"))
        return cls(
            samples["sample"].to_numpy(dtype=object), samples["drawn_on"].to_numpy(), names, samples[names].to_numpy(dtype=float),
            np.array(under).reshape(len(names), len(samples)).T, rule == "two-sided", rule != "falling",
            3 * register.loc[names, "noise_floor"].to_numpy(dtype=float), *(np.nan_to_num(d, nan=-np.inf) for d in dust),
        )  # fmt: skip

    def split(self, own: Rows, since: pd.Timestamp) -> tuple[Rows, Rows]:
        """A compartment's rows from `since` on (its last one if there are none), and those before."""
        drawn = self.drawn_on[own]
        spell = own[drawn >= np.datetime64(since)] if pd.notna(since) else own[:0]
        spell = spell if len(spell) else own[-1:]
        return spell, own[drawn < self.drawn_on[spell].min()]

    def strength(self, spell: Rows, before: Rows) -> dict[str, float]:
        """Each analyte against the middle of the compartment's own earlier bottles; without three of these only `measured, quiet`."""
        out = {}
        for k in np.flatnonzero(np.isfinite(self.value[spell]).any(axis=0)):
            now, old = self.value[spell, k], self.value[before, k]
            here, old = np.isfinite(now), old[np.isfinite(old)]
            usual = float(np.median(old)) if len(old) >= 3 else np.nan
            name, floor = self.analytes[k], self.floor[k]
            if self.below[spell, k][here].all() or not self.judged[k] or not usual > 0:
                out[name] = 0.0
            elif self.two_sided[k]:
                out[name] = float(np.clip((np.median(now[here]) / usual - 1) / _SHIFT_FULL, -1, 1))
            else:
                grown = np.log((now[here].max() + floor) / (usual + floor)) / np.log(_TIMES_FULL)
                out[name] = float(np.clip(grown, -1, 1))
        return out


def _from_trend(own: pd.DataFrame) -> dict[str, float]:
    """Metals: departures from what was expected, and sustained rises, of the spell's bottles; the one that stands out most counts in full."""
    raw = np.maximum(own["z"] / _Z_FULL, own["rise"].fillna(0.0) / _RISE_FULL).groupby(own["analyte"]).max().dropna()
    standing = raw.clip(lower=0) / max(float(raw.max()), 1.0) if len(raw) else raw
    return (raw.clip(-1, 1) * (_SHARED + (1 - _SHARED) * standing)).to_dict()


def _score(pattern: Pattern, seen: _Seen) -> dict:
    strengths = [_strength(sign, seen) for sign in pattern.signs]
    measured = [(sign, s) for sign, s in zip(pattern.signs, strengths, strict=True) if not np.isnan(s)]
    total, weight = sum(s.weight for s in pattern.signs), sum(s.weight for s, _ in measured)
    key = all(s >= _PRESENT for sign, s in zip(pattern.signs, strengths, strict=True) if sign.key)
    share = sum(sign.weight * s for sign, s in measured) / weight if weight else 0.0
    contrary = [(sign, _strength(sign, seen)) for sign in pattern.against]
    loss = sum(sign.weight * s for sign, s in contrary if s >= _PRESENT) / total
    score = max(share - loss, 0.0) * float(np.sqrt(weight / total)) if key else 0.0
    return {
        "cause": pattern.cause,
        "score": round(score, 3),
        "evidence_for": "; ".join(_said(sign, seen) for sign, s in measured if s >= _PRESENT),
        "evidence_against": "; ".join(
            [_missing(sign, seen) for sign, s in measured if s < _PRESENT] + [_said(sign, seen) for sign, s in contrary if s >= _PRESENT]
        ),
        "look_at": pattern.look_at,
        "basis": pattern.basis,
    }  # fmt: skip


def _strength(sign: Sign, seen: _Seen) -> float:
    """How far a sign is there, 0..1; NaN when nothing that would show it was measured."""
    found = [_one_strength(name, seen) for name in sign.any_of]
    known = [s for s in found if not np.isnan(s)]
    return max(known) if known else np.nan


def _one_strength(name: str, seen: _Seen) -> float:
    if name == "low level":
        return 1.0 if seen.low_level else 0.0
    if name == "Si/Al":
        return np.nan if np.isnan(seen.dust) else float(_DUST[0] <= seen.dust <= _DUST[1])
    signed = [seen.strength[a] for a in _columns(name[:-1]) if a in seen.strength]
    if not signed:
        return np.nan
    if name[-1] == "0":
        return float(np.clip(1 - 2 * max(abs(s) for s in signed), 0, 1))
    return float(np.clip(max((s if name[-1] == "+" else -s) for s in signed), 0, 1))


def _columns(name: str) -> tuple[str, ...]:
    return _NAMES.get(name, (f"{name}_ppm",))


def _strongest(sign: Sign, seen: _Seen) -> str:
    """The one of a sign's alternatives that shows most."""
    return max(sign.any_of, key=lambda n: np.nan_to_num(_one_strength(n, seen), nan=-1.0))


def _said(sign: Sign, seen: _Seen) -> str:
    name = _strongest(sign, seen)
    if name == "low level":
        return "fluid level found low"
    if name == "Si/Al":
        return f"silicon to aluminium {seen.dust:.1f}, as in dust"
    measured = [a for a in _columns(name[:-1]) if a in seen.strength]
    column = max(measured, key=lambda a: abs(seen.strength[a]))
    if name[-1] == "0":
        return f"{seen.names.get(column, column)} as usual"
    return (
        seen.words.get(column)
        or f"{seen.names.get(column, column)} {'higher' if name[-1] == '+' else 'lower'} than usual"
    )


def _missing(sign: Sign, seen: _Seen) -> str:
    names = []
    for name in sign.any_of:
        if name == "low level":
            names.append("level not low")
        elif name == "Si/Al":
            names.append(f"silicon to aluminium {seen.dust:.1f}, unlike dust")
        else:
            column = next((a for a in _columns(name[:-1]) if a in seen.strength), _columns(name[:-1])[0])
            turn = {"+": "not clearly raised", "-": "not clearly lowered", "0": "not as usual"}[name[-1]]
            names.append(f"{seen.names.get(column, column)} {turn}")
    return ", ".join(names)
