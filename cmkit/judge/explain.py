"""Which results speak for and against a hypothesis, in numbers that add up to the bottle's whole weight."""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.judge.constants import constant
from cmkit.judge.hypotheses import States
from cmkit.judge.measures import Bottles
from cmkit.judge.posterior import KEPT, Followed
from cmkit.tables.frames import names

CONTRIBUTIONS = names("contributions")
LOW_LEVEL, HANDLING = "fluid_level", ""
_WORTH_WORDS = 0.02  # own choice: chance from which a hypothesis is explained


def contributions_of(b: Bottles, s: States, f: Followed, exposure: pd.DataFrame) -> pd.DataFrame:
    """Columns CONTRIBUTIONS for the newest bottles of each compartment and every cause of some chance.

    log_odds: natural log of how much likelier the result is under the cause (its appearances and phases weighted by
    their chances) than if the compartment were sound. analyte empty: what is left, from the doubt how the bottle was
    drawn and from a steady change that is no fault. Sum over a sample and hypothesis: log of the bottle's Bayes factor.
    """
    count = (b.row >= 0).sum(axis=1)
    parts = [_of_slot(b, s, f, exposure, column=count - 1 - slot, slot=slot) for slot in range(KEPT)]
    parts = [p for p in parts if len(p)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=CONTRIBUTIONS)


def _of_slot(
    b: Bottles, s: States, f: Followed, exposure: pd.DataFrame, *, column: NDArray[Any], slot: int
) -> pd.DataFrame:
    names = list(dict.fromkeys(s.causes))
    member = np.array([np.repeat([p.cause == name for p in s.patterns], 3) for name in names])
    newest = np.einsum("ks,cs->ck", member, f.now[:, 1:])
    c, k = np.nonzero((newest >= _WORTH_WORDS) & (column >= 0)[:, None])
    if not len(c):
        return pd.DataFrame(columns=CONTRIBUTIONS)
    i = column[c]
    after, before = f.states[c, i].astype(float), f.prior[c, i]
    own = after[:, 1:] * member[k]
    weight = own / np.maximum(own.sum(axis=1, keepdims=True), 1e-12)
    bayes = _log_ratio(own.sum(axis=1), after[:, 0]) - _log_ratio((before[:, 1:] * member[k]).sum(axis=1), before[:, 0])
    by_metal = _by_result(f.metal_log[c, slot], s.metal_role, weight, np.ones(len(b.metals)))
    by_other = _by_result(f.other_log[c, slot], s.other_role, weight, b.exponent)
    low = _low_level(b.low[c, i], s.low, weight)
    analytes = [*b.metals, *b.others, LOW_LEVEL]
    parts = constant("temper") * np.column_stack([by_metal, by_other, low])
    parts = np.column_stack([parts, bayes - parts.sum(axis=1)])
    sample = exposure["sample"].to_numpy(object)[b.row[c, i]]
    n = len(analytes) + 1
    out = pd.DataFrame(
        {
            "compartment": np.repeat(b.places[c], n),
            "sample": np.repeat(sample, n),
            "hypothesis": np.repeat(np.array(names, object)[k], n),
            "analyte": np.tile(np.array([*analytes, HANDLING], object), len(c)),
            "log_odds": parts.ravel(),
        }
    )
    return out[(out["log_odds"] != 0) | (out["analyte"] == HANDLING)]


def _by_result(
    log: NDArray[Any], role: NDArray[np.int64], weight: NDArray[Any], exponent: NDArray[Any]
) -> NDArray[Any]:
    """Mean log likelihood ratio of each result [n, A] against the sound state, states weighted by
    `weight` [n, S - 1].
    """
    ratio = np.zeros(log.shape[:2])
    for a in range(log.shape[1]):
        under = log[:, a][:, role[a]] - log[:, a, role[a, 0]][:, None]
        ratio[:, a] = exponent[a] * (under[:, 1:] * weight).sum(axis=1)
    return ratio


def _low_level(low: NDArray[Any], chance: NDArray[Any], weight: NDArray[Any]) -> NDArray[Any]:
    noted = np.where(low[:, None] == 1, np.log(chance / chance[0]), np.log((1 - chance) / (1 - chance[0])))
    return np.where(np.isnan(low), 0.0, (noted[:, 1:] * weight).sum(axis=1))


def _log_ratio(a: NDArray[Any], b: NDArray[Any]) -> NDArray[Any]:
    return np.asarray(np.log(np.maximum(a, 1e-30)) - np.log(np.maximum(b, 1e-30)))
