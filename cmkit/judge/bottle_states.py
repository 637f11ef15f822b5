"""What each bottle says of its compartment: a state by the chance of a fault, by fixed limits, and by the level found.

A fixed limit (of a maker or of practice) and a low level act alone, beside the chance. A result that the bottle's own
doubt explains (water in a bottle drawn from the bottom) does not raise an alarm; for coolant, fuel, water and soot it
still raises an alert.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.judge.faults import DOUBTS, explained, harmless
from cmkit.records.settings import Judge
from cmkit.tables.frames import names

RANK = {"clear": 0, "alert": 1, "alarm": 2}
STATE = np.array(list(RANK), dtype=object)
RULES_ALONE = ("maker limit", "condition", "low level")
OF_A_FAULT = ("p_early", "p_clear", "p_severe", "cause", "p_cause", "second_cause", "p_second")
CHANCES = ["p_fault", "p_early", "p_clear", "p_severe", "p_good", *DOUBTS, "p_cause", "p_second"]
BOTTLES = names("bottle_states")
ALONE = ["sample", "compartment", "analyte", "rule", "state", "value", "threshold", "operator", "unit", "words", "acts"]


def rules_alone(bottles: pd.DataFrame, rules: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """Rows of `rules` that act without the posterior (columns ALONE): acts is the state each gives on its bottle,
    `clear` for none.

    bottles: sample, doubt, good; rules: evidence rows of fixed limits and levels; register: analytes by name with
    group.
    """
    own = rules[rules["rule"].isin(RULES_ALONE)].merge(bottles[["sample", "doubt", "good"]], on="sample", how="left")
    own["good"] = own["good"].astype("boolean").fillna(True)
    group = own["analyte"].map(register["group"]).fillna("")
    names, words = own["analyte"].to_numpy(dtype=object), own["doubt"].fillna("").to_numpy(dtype=object)
    metal = (group == "wear metal").to_numpy()
    explains = [explained(d) if a else frozenset() for d, a in zip(words, names, strict=True)]
    away = np.array(
        [a in e or "*" in e or (m and "*metal" in e) for a, e, m in zip(names, explains, metal, strict=True)], bool
    )
    away &= ~own["good"].to_numpy(dtype=bool)
    kept = np.where(group == "contamination", "alert", "clear")
    own["acts"] = np.where(away, kept, own["state"].to_numpy(dtype=object))
    return own.reindex(columns=ALONE)


def bottle_states(
    chances: pd.DataFrame, rules: pd.DataFrame, register: pd.DataFrame, judge: Judge, doubts: pd.DataFrame | None = None
) -> pd.DataFrame:
    """One row per bottle (columns BOTTLES) in order of compartment, life and drawing.

    chances: judged bottles (`bottle_chances`); rules: evidence rows. A bottle that was not judged (no usable hours) but
    that a fixed limit or the level speaks against stands after the judged bottle before it, with that one's chance.
    chance: of a fault that needs work, which is what gives the state. doubts: what screening found about bottles
    (sample, doubt, probability); a wrong fluid or another unit seen there asks for a repeat too, but takes no weight
    from the results. by_chance, by_limit, by_level: the state each gives.
    """
    out = _with_loose(chances, rules[rules["rule"].isin(RULES_ALONE)])
    odd = out[list(DOUBTS)].fillna(0.0).to_numpy(dtype=float)
    top = odd.argmax(axis=1) if len(out) else np.zeros(0, int)
    out["good"] = (out["p_good"] >= judge.good).to_numpy()
    out["doubt"] = np.where(out["good"], "", np.array(list(DOUBTS.values()), dtype=object)[top])
    out["p_doubt"] = odd[np.arange(len(out)), top]
    _note_screened(out, doubts, judge)
    mild = [
        out[p].where(out[c].isin(harmless()), 0.0).fillna(0.0)
        for c, p in (("cause", "p_cause"), ("second_cause", "p_second"))
    ]
    out["chance"] = (out["p_fault"].fillna(0.0) - mild[0] - mild[1]).clip(lower=0.0)
    by_chance = np.select([raises(out["chance"], out["p_good"], judge), out["p_fault"] >= judge.alert], [2, 1], 0)
    alone = rules_alone(out, rules, register)
    rank = alone["acts"].map(RANK)
    level = (alone["rule"] == "low level").to_numpy()
    by = [
        rank[at].groupby(alone.loc[at, "sample"]).max().reindex(out["sample"]).fillna(0).to_numpy(dtype=int)
        for at in (~level, level)
    ]
    out["by_chance"], out["by_limit"], out["by_level"] = STATE[by_chance], STATE[by[0]], STATE[by[1]]
    out["state"] = STATE[np.maximum.reduce([by_chance, *by])]
    return out[BOTTLES]


def raises(chance: pd.Series, p_good: pd.Series, judge: Judge) -> NDArray[np.bool_]:
    """Whether a chance of a fault is an alarm; a bottle that may not represent its compartment (p_good, NaN: no bottle
    speaks) needs a larger one.
    """
    sure = (p_good.isna() | (p_good >= judge.sure_good)).to_numpy()
    return np.asarray(
        chance.fillna(0.0).to_numpy() >= np.where(sure, judge.alarm, max(judge.alarm, judge.alarm_doubtful))
    )


_SCREENED = {"fluid": "another fluid", "units": "a result out of unit"}


def _note_screened(out: pd.DataFrame, doubts: pd.DataFrame | None, judge: Judge) -> None:
    """Fill in the doubt of bottles that the posterior finds good and screening does not."""
    if doubts is None or not len(doubts):
        return
    seen = doubts[doubts["doubt"].isin(list(_SCREENED)) & (doubts["probability"] >= 1 - judge.good)]
    seen = seen.sort_values("probability").drop_duplicates("sample", keep="last").set_index("sample")
    hit = out["good"] & out["sample"].isin(seen.index)
    own = seen.reindex(out.loc[hit, "sample"])
    out.loc[hit, "doubt"] = own["doubt"].map(_SCREENED).to_numpy()
    out.loc[hit, "p_doubt"] = own["probability"].to_numpy()


_CARRIED = ["kind", "life", "order", "p_fault", *OF_A_FAULT]


def _with_loose(chances: pd.DataFrame, rules: pd.DataFrame) -> pd.DataFrame:
    """Judged bottles, and those only a rule speaks of, each after the judged bottle before it."""
    columns = [c for c in BOTTLES if c in chances.columns]
    out = chances[columns]
    loose = rules[~rules["sample"].isin(out["sample"])].drop_duplicates("sample")
    if len(loose):
        own = loose[["compartment", "sample", "drawn_on", "known_on"]].sort_values("drawn_on", kind="stable")
        before = out[["compartment", "drawn_on", *_CARRIED]].sort_values("drawn_on", kind="stable")
        own = pd.merge_asof(own, before, on="drawn_on", by="compartment")
        own = own.fillna({"life": 1, "order": -1, "p_good": 1.0}).assign(p_good=1.0)
        for name in ("kind", "cause", "second_cause"):
            own[name] = own[name].fillna("").astype("str")
        own = own.astype({"life": "int64", "order": "int64"}).reindex(columns=columns)
        out = own if out.empty else pd.concat([out, own.astype(out.dtypes)], ignore_index=True)
    place = pd.factorize(out["compartment"], sort=True)[0]  # whole numbers sort faster than names
    order = np.lexsort([out[name].to_numpy() for name in ("drawn_on", "order", "life")] + [place])
    return out.iloc[order].reset_index(drop=True)
