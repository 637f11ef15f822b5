"""How often faults begin, which they are, and how often a bottle is odd: shipped numbers, moved by the fleet's own findings and bottles.

One step of expectation and maximisation: a first pass with the shipped numbers gives the faults that are open and the odd bottles; together with the
recorded failures and defects they are counted beside the prior. Faults that nobody looked for count by their chance, so that a fleet whose office
seldom looks is not taken as a sound one.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from cmkit.judge.bottles import DIRT, OTHER, RICH, Shares, shipped_shares
from cmkit.judge.constants import constant
from cmkit.judge.hypotheses import patterns_of
from cmkit.judge.measures import Bottles
from cmkit.judge.posterior import Arrivals, Followed
from cmkit.records.fleet import Fleet
from cmkit.records.tables import typed

LEARNT = ["what", "kind", "shipped", "worth", "counted", "used", "unit", "words"]


@dataclass(frozen=True)
class Priors:
    """What the judgement starts from. factor: of the shipped fault rates; counts: recorded faults by kind and cause; shares: of odd bottles;
    table: the same in words (columns LEARNT).
    """

    factor: float
    counts: dict[str, dict[str, float]]
    shares: Shares
    table: pd.DataFrame


def shipped_priors() -> Priors:
    """The numbers of the reference tables alone."""
    return Priors(1.0, {}, shipped_shares(), typed(pd.DataFrame(columns=LEARNT), numbers=LEARNT[2:6]))


def arrivals_of(known: Fleet, kind: str, priors: Priors) -> Arrivals:
    """Rate of faults of a kind by its settings and the fleet's factor."""
    k = known.settings.kind(kind)
    return Arrivals(k.defect_rate_per_h * priors.factor, k.delay_mean_h)


def learn_priors(known: Fleet, exposure: pd.DataFrame, passes: list[tuple[Bottles, Followed]]) -> Priors:
    """Priors of a fleet from a first pass (bottles and chances of every kind) and from its findings."""
    found = known.findings[known.findings["outcome"].isin(["defect", "failed"])]
    found = found.merge(known.compartments[["compartment", "kind"]], on="compartment")
    open_now = sum(float((1 - f.now[:, 0]).sum()) for _, f in passes)
    run = exposure.groupby(["compartment", "kind"])["run_h"].agg(np.ptp).reset_index()
    per_h = run["kind"].map(lambda kind: known.settings.kind(kind).defect_rate_per_h)
    foreseen = float((per_h * run["run_h"]).sum())
    worth = constant("rate_prior_faults")
    factor = (worth + len(found) + open_now) / (worth + foreseen)
    shares, bottle_rows = _odd_bottles(passes)
    counts = _by_cause(found)
    said = f"{len(found)} faults on record and {open_now:.1f} open by their chances, against {foreseen:.1f} foreseen; shipped rates times {factor:.2f}"
    rows = [("rate of faults", "all", 1.0, worth, len(found) + open_now, factor, "times the shipped rates", said), *bottle_rows]
    rows += [
        ("faults by cause", f"{kind}: {cause}", np.nan, constant("cause_prior_faults"), n, np.nan, "faults", f"{n:g} on record")
        for kind, causes in counts.items() for cause, n in causes.items()
    ]  # fmt: skip
    table = typed(pd.DataFrame(rows, columns=LEARNT), numbers=LEARNT[2:6])
    return Priors(factor, counts, shares, table)


def _odd_bottles(passes: list[tuple[Bottles, Followed]]) -> tuple[Shares, list[tuple]]:
    """Shares of odd bottles: the shipped ones as so many bottles' worth, and the sums of their chances over the fleet's own."""
    valve = np.concatenate([b.pressurised[b.row >= 0] for b, _ in passes])
    drain = np.concatenate([b.drain[b.row >= 0] for b, _ in passes])
    sister = np.concatenate([np.isfinite(b.sister)[b.row >= 0] for b, _ in passes])
    odd = np.concatenate([f.oddities[b.row >= 0] for b, f in passes])
    shipped = shipped_shares()
    other = _counted(shipped.other, odd[~sister, OTHER])
    groups = {
        "rich": ("drawn from bottom or drain, by pump", odd[~valve & ~drain, RICH]), "rich_valve": ("the same at a valve", odd[valve & ~drain, RICH]),
        "dirt": ("dirt in the bottle", odd[:, DIRT]), "other": ("another compartment", odd[~sister, OTHER]),
        "sister": ("exchanged with a sister", odd[sister, OTHER] - other),
    }  # fmt: skip
    used = {name: _counted(getattr(shipped, name), chances) for name, (_, chances) in groups.items()}
    rows = [
        ("odd bottles", words, getattr(shipped, name), constant("bottle_prior"), float(chances.sum()), used[name], "share of bottles",
         f"{chances.sum():.1f} of {len(chances)} bottles by their chances")
        for name, (words, chances) in groups.items()
    ]  # fmt: skip
    return Shares(**used), rows


def _counted(prior: float, chances: np.ndarray) -> float:
    worth = constant("bottle_prior")
    return float(np.clip((worth * prior + chances.sum()) / (worth + len(chances)), 0.001, 0.2))


def _by_cause(found: pd.DataFrame) -> dict[str, dict[str, float]]:
    """Recorded faults of each kind by the table's name of their cause; a cause in other words counts where the table lists them."""
    out = {}
    for kind, rows in found.groupby("kind"):
        patterns = patterns_of(str(kind))
        named = {word: p.cause for p in reversed(patterns) for word in p.also} | {p.cause: p.cause for p in patterns}
        written = rows["cause"].dropna().astype(str).str.strip().str.lower()
        counts = written.map(named).dropna().value_counts()
        out[str(kind)] = {str(cause): float(n) for cause, n in counts.items()}
    return out
