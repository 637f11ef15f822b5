"""What a whole fleet teaches the judge: what is usual, how often faults begin, which they are, how often a bottle is
odd.

Shipped numbers are moved by the fleet's own findings and bottles in one step of expectation and maximisation: a first
pass with the shipped numbers gives the faults that are open and the odd bottles; with the recorded failures and defects
they are counted beside the prior. Faults that nobody looked for count by their chance, so that a fleet whose office
seldom looks is not taken as a sound one.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from cmkit.judge.bottles import DIRT, ODDITIES, OTHER, RICH, shipped_shares
from cmkit.judge.constants import constant
from cmkit.judge.follow import follow_kinds
from cmkit.judge.hypotheses import patterns_of
from cmkit.judge.measures import Bottles, ToJudge, bottles_by_kind
from cmkit.judge.priors import PRIORS, prior_rows, shipped_priors
from cmkit.judge.usual import Usual, bottle_table, learn_usual
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import typed


@dataclass(frozen=True)
class JudgeLearnt:
    """Tables learnt from a whole fleet, by which any part of it is judged: measures, curves, middles (see
    :class:`cmkit.judge.usual.Usual`), and priors (columns PRIORS: shipped number, how much it weighs, what the fleet
    counted, what is used, in words).
    """

    measures: pd.DataFrame
    curves: pd.DataFrame
    middles: pd.DataFrame
    priors: pd.DataFrame

    @property
    def usual(self) -> Usual:
        return Usual(self.measures, self.curves, self.middles)


@dataclass(frozen=True)
class FirstPass:
    """What some kinds show by the shipped priors: measures, curves, middles of their results; open_now: faults open
    today, by their chances; bottles, one row each: how it was drawn (valve, drain, sister: another of its kind was
    drawn that day) and the chances of its oddities.
    """

    usual: Usual
    open_now: float
    bottles: pd.DataFrame


def learn_judgement(given: ToJudge, without: frozenset[str] = frozenset()) -> JudgeLearnt:
    """What a whole fleet as of a day teaches the judge; without: causes left out of the tables."""
    pace = usual_pace(given.exposure)
    return joined_judgement(given.known, given.exposure, [first_pass(given, pace, without)], pace)


def first_pass(given: ToJudge, pace: float, without: frozenset[str] = frozenset()) -> FirstPass:
    """The part of :func:`learn_judgement` that needs no kind but those given; pace: :func:`usual_pace` of the whole
    fleet.
    """
    known, exposure = given.known, given.exposure
    usual = learn_usual(*bottle_table(known, given.samples, exposure), given.register)
    kinds = bottles_by_kind(given, usual)
    passes = [(b, f) for b, _, f in follow_kinds(known, exposure, kinds, shipped_priors(pace), without)]
    open_now = sum(float((1 - f.now[:, 0]).sum()) for _, f in passes)
    rows = [_drawn(b).assign(**dict(zip(_ODD, f.oddities[b.row >= 0].T, strict=True))) for b, f in passes]
    return FirstPass(
        usual,
        open_now,
        pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=[*_DRAWN, *_ODD], dtype=float),
    )


_DRAWN, _ODD = ("valve", "drain", "sister"), tuple(ODDITIES)


def _drawn(b: Bottles) -> pd.DataFrame:
    flags = b.pressurised, b.drain, np.isfinite(b.sister)
    return pd.DataFrame({name: flag[b.row >= 0] for name, flag in zip(_DRAWN, flags, strict=True)})


def joined_judgement(known: Fleet, exposure: pd.DataFrame, parts: list[FirstPass], pace: float) -> JudgeLearnt:
    """What the first passes over all kinds, kind after kind in their order, teach together."""
    measures, curves, middles = (
        pd.concat([getattr(part.usual, name) for part in parts], ignore_index=True).sort_values(
            "kind", kind="stable", ignore_index=True
        )
        for name in ("measures", "curves", "middles")
    )
    open_now = sum(part.open_now for part in parts)
    bottles = pd.concat([part.bottles for part in parts], ignore_index=True)
    return JudgeLearnt(measures, curves, middles, learn_priors(known, exposure, open_now, bottles, pace))


def usual_pace(exposure: pd.DataFrame) -> float:
    """Running hours a day of the middle compartment, 0 when none has two bottles."""
    groups = exposure.groupby("compartment")[["drawn_on", "run_h"]]
    span = groups.max() - groups.min()
    days = span["drawn_on"].dt.total_seconds() / 86400
    pace = (span["run_h"] / days.where(days > 0)).median()
    return float(np.nan_to_num(pace))


def learn_priors(
    known: Fleet, exposure: pd.DataFrame, open_now: float, bottles: pd.DataFrame, pace: float
) -> pd.DataFrame:
    """Priors of a fleet (columns PRIORS) from a first pass (see :class:`FirstPass`) and from its findings."""
    found = known.findings[known.findings["outcome"].isin(["defect", "failed"])]
    found = found.merge(known.compartments[["compartment", "kind"]], on="compartment")
    hours = exposure.groupby(["compartment", "kind"])["run_h"]
    run = (hours.max() - hours.min()).groupby("kind").sum()
    foreseen = float(sum(known.settings.kind(str(kind)).defect_rate_per_h * h for kind, h in run.items()))
    worth = constant("rate_prior_faults")
    factor = (worth + len(found) + open_now) / (worth + foreseen)
    said = (
        f"{len(found)} faults on record and {open_now:.1f} open by their chances, against {foreseen:.1f} foreseen; "
        f"shipped rates times {factor:.2f}"
    )
    rows = prior_rows(factor, _by_cause(found), pace)
    rows[0] |= {"worth": worth, "counted": len(found) + open_now, "words": said}
    table = pd.DataFrame(rows + _odd_bottles(bottles), columns=PRIORS)
    return typed(table, "priors")


def _odd_bottles(bottles: pd.DataFrame) -> list[dict[str, Any]]:
    """Shares of odd bottles: the shipped ones as so many bottles' worth, and the sums of their chances over the fleet's
    own.
    """
    valve, drain, sister = (bottles[name].to_numpy(bool) for name in _DRAWN)
    odd = bottles[list(_ODD)].to_numpy(float)
    shipped = shipped_shares()
    other = _counted(shipped.other, odd[~sister, OTHER])
    groups = {
        "rich": ("drawn from bottom or drain, by pump", odd[~valve & ~drain, RICH]),
        "rich_valve": ("drawn from bottom or drain, at a valve", odd[valve & ~drain, RICH]),
        "dirt": ("dirt in the bottle", odd[:, DIRT]),
        "other": ("another compartment", odd[~sister, OTHER]),
        "sister": ("exchanged with a sister", np.maximum(odd[sister, OTHER] - other, 0)),
    }
    return [
        {
            "what": "odd bottles",
            "kind": "all",
            "name": name,
            "shipped": getattr(shipped, name),
            "worth": constant("bottle_prior"),
            "counted": float(chances.sum()),
            "used": _counted(getattr(shipped, name), chances),
            "unit": "share of bottles",
            "words": f"{said}: {chances.sum():.1f} of {len(chances)} bottles by their chances",
        }
        for name, (said, chances) in groups.items()
    ]


def _counted(prior: float, chances: np.ndarray) -> float:
    worth = constant("bottle_prior")
    return float(np.clip((worth * prior + chances.sum()) / (worth + len(chances)), 0.001, 0.2))


def _by_cause(found: pd.DataFrame) -> dict[str, dict[str, float]]:
    """Recorded faults of each kind by the table's name of their cause; a cause in other words counts where the table
    lists them.
    """
    out = {}
    for kind, rows in found.groupby("kind"):
        patterns = patterns_of(str(kind))
        named = {word: p.cause for p in reversed(patterns) for word in p.also} | {p.cause: p.cause for p in patterns}
        written = rows["cause"].dropna().astype(str).str.strip().str.lower()
        counts = written.map(named).dropna().value_counts()
        out[str(kind)] = {str(cause): float(n) for cause, n in counts.items()}
    return out
