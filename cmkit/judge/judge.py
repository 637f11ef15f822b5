"""One judgement per bottle and compartment: how likely each fault is, how far it is, and whether the bottle can be
believed.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.judge.bottles import ODDITIES
from cmkit.judge.explain import contributions_of
from cmkit.judge.follow import follow_kinds
from cmkit.judge.hypotheses import PHASES, States
from cmkit.judge.learning import JudgeLearnt
from cmkit.judge.measures import Bottles, ToJudge, bottles_by_kind
from cmkit.judge.posterior import Followed
from cmkit.judge.priors import priors_of
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import empty, names, typed

BOTTLE_CHANCES = names("bottle_chances")
HYPOTHESES = names("hypotheses")
_WORTH_A_ROW = 0.001  # own choice: least chance of a row of `hypotheses`


@dataclass(frozen=True)
class Judged:
    """The judgement as frames: bottle_chances (columns BOTTLE_CHANCES), hypotheses (HYPOTHESES), contributions
    (CONTRIBUTIONS).
    """

    bottle_chances: pd.DataFrame
    hypotheses: pd.DataFrame
    contributions: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """What an assessment keeps of it."""
        return {
            "bottle_chances": self.bottle_chances,
            "hypotheses": self.hypotheses,
            "contributions": self.contributions,
        }


def judge_bottles(given: ToJudge, learnt: JudgeLearnt, without: frozenset[str] = frozenset()) -> Judged:
    """Judge every bottle of `given.exposure` from what is known; looks at nothing outside these compartments but
    `learnt`.

    without: causes left out of the tables. A bottle's row uses the bottles drawn before it and itself; it is known from
    the day the last of them was (`known_on`). Chances are 0..1; the sum of p_early, p_clear, p_severe is p_fault.
    """
    known, exposure = given.known, given.exposure
    kinds = bottles_by_kind(given, learnt.usual)
    done = follow_kinds(known, exposure, kinds, priors_of(learnt.priors), without)
    dated = exposure.assign(known_on=known_days(known, exposure))
    return Judged(
        _stack([_bottle_rows(*part, dated) for part in done], "bottle_chances"),
        _stack([_hypothesis_rows(*part, exposure) for part in done], "hypotheses"),
        _stack([contributions_of(*part, exposure) for part in done], "contributions"),
    )


def known_days(known: Fleet, exposure: pd.DataFrame) -> pd.Series:
    """Day from which each bottle of `exposure` and all drawn before it in its compartment were known to the office."""
    rows = known.samples.drop_duplicates("sample").set_index("sample").reindex(exposure["sample"])
    day = rows["reported_on"].fillna(rows["received_on"]).fillna(rows["drawn_on"]).reset_index(drop=True)
    whole = pd.Series(day.to_numpy("datetime64[us]").astype(np.int64), index=exposure.index)
    latest = whole.groupby(exposure["compartment"]).cummax()
    return pd.Series(latest.to_numpy().astype("datetime64[us]"), index=exposure.index)


def by_cause(s: States, a: NDArray[Any]) -> tuple[list[str], NDArray[Any]]:
    """Names of the causes and their chances by phase (..., causes, 3) from chances of states (..., S)."""
    names = list(dict.fromkeys(s.causes))
    member = np.array([[p.cause == name for p in s.patterns] for name in names], float)
    phases = a[..., 1:].reshape(*a.shape[:-1], len(s.patterns), 3)
    return names, np.einsum("kp,...pt->...kt", member, phases)


def _bottle_rows(b: Bottles, s: States, f: Followed, exposure: pd.DataFrame) -> pd.DataFrame:
    c, i = np.nonzero(b.row >= 0)
    out = exposure.iloc[b.row[c, i]][
        ["sample", "compartment", "kind", "life", "order", "drawn_on", "known_on", "run_h"]
    ].reset_index(drop=True)
    names, causes = by_cause(s, f.states[c, i])
    phases = causes.sum(axis=1)
    out["p_fault"] = np.minimum(phases.sum(axis=1), 1.0)
    for k, phase in enumerate(PHASES):
        out[f"p_{phase}"] = phases[:, k]
    for k, name in enumerate(("p_good", "p_rich", "p_dirt", "p_other")):
        out[name] = f.oddities[c, i, k]
    total = causes.sum(axis=2)
    order = np.argsort(-total, axis=1, kind="stable")
    rows = np.arange(len(out))
    for rank, (cause, chance) in enumerate((("cause", "p_cause"), ("second_cause", "p_second"))):
        out[cause] = np.array(names, object)[order[:, rank]]
        out[chance] = np.minimum(total[rows, order[:, rank]], 1.0)
    return out


def _hypothesis_rows(b: Bottles, s: States, f: Followed, exposure: pd.DataFrame) -> pd.DataFrame:
    last = (b.row >= 0).sum(axis=1) - 1
    sample = exposure["sample"].to_numpy(object)[b.row[np.arange(len(last)), last]]
    names, causes = by_cause(s, f.now)
    c, k = np.nonzero(causes.sum(axis=2) >= _WORTH_A_ROW)
    compartment = pd.DataFrame(
        {
            "compartment": b.places[c],
            "sample": sample[c],
            "about": "compartment",
            "hypothesis": np.array(names, object)[k],
            "chance": causes[c, k].sum(axis=1),
            **{f"p_{phase}": causes[c, k, n] for n, phase in enumerate(PHASES)},
        }
    )
    odd = f.oddities[np.arange(len(last)), last]
    c, k = np.nonzero(odd >= _WORTH_A_ROW)
    bottle = pd.DataFrame(
        {
            "compartment": b.places[c],
            "sample": sample[c],
            "about": "bottle",
            "hypothesis": np.array(ODDITIES, object)[k],
            "chance": odd[c, k],
            **{f"p_{phase}": np.nan for phase in PHASES},
        }
    )
    out = pd.concat([compartment, bottle], ignore_index=True)
    return out.sort_values(["compartment", "about", "chance"], ascending=[True, False, False], kind="stable")


def _stack(parts: list[pd.DataFrame], name: str) -> pd.DataFrame:
    """All kinds in one table of the dictionary, by compartment."""
    table = pd.concat(parts, ignore_index=True) if parts else empty(name)
    return typed(table.sort_values("compartment", kind="stable", ignore_index=True)[names(name)], name)
