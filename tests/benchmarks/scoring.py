"""Scores of any way of judging bottles or compartments against known truth. Reads the truth tables of both generators
of test fleets.

A score is a number a bottle (index: sample), larger is worse: a chance, a z, a rank. Nothing here knows where it came
from.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

CLASSES = (0.0, 0.01, 0.02, 0.05, 0.10, 0.20, 0.35, 0.50, 0.65, 0.80, 0.95, 1.0)


def bottles_with_truth(scores: pd.Series, known_on: pd.Series, truth: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """One row a scored bottle, by sample: score, known_on, compartment (the true one), faulty, way, cause, odd (drawn
    badly, exchanged, hours slipped), fault_free (its compartment has no fault in the whole record).
    """
    true = truth["samples"].drop_duplicates("sample").set_index("sample")
    out = true.loc[true.index.intersection(scores.index)]
    odd = (out["drawing"] != "good") | (out["exchanged_with"].fillna("") != "") | out["slip"].astype(bool)
    return pd.DataFrame(
        {
            "score": scores.reindex(out.index).astype(float),
            "known_on": known_on.reindex(out.index),
            "compartment": out["compartment"],
            "faulty": out["share_of_way"] > 0,
            "way": out["share_of_way"],
            "cause": out["cause"].fillna(""),
            "odd": odd,
            "fault_free": ~out["compartment"].isin(truth["faults"]["compartment"]),
        }
    )


def found_scores(bottles: pd.DataFrame, faults: pd.DataFrame) -> pd.Series:
    """By fault (index of `faults`): the largest score among its bottles that the office had before the fault ended; NaN
    without such a bottle.
    """
    own = bottles[bottles["faulty"]].reset_index(names="sample")
    pairs = faults.reset_index(names="fault")[["fault", "compartment", "cause", "opened_on", "ended_on"]]
    pairs = pairs.merge(own, on=["compartment", "cause"])
    in_time = (pairs["known_on"] > pairs["opened_on"]) & (pairs["known_on"] < pairs["ended_on"])
    return pairs[in_time].groupby("fault")["score"].max().reindex(faults.index)


def recall_at(
    bottles: pd.DataFrame, faults: pd.DataFrame, shares: Sequence[float] = (0.005, 0.01, 0.02, 0.04)
) -> pd.DataFrame:
    """Share of `faults` found in time at the threshold that raises `share` of the bottles of fault-free compartments.

    Columns share, threshold, false (share truly raised, <= share: equal scores are raised together or not at all),
    recall, se, n (faults with a bottle in time; those without one are not counted). Several fleets: concatenate their
    bottles and faults under distinct names first.
    """
    clean = np.sort(bottles.loc[bottles["fault_free"], "score"].to_numpy())
    best = found_scores(bottles, faults).dropna().to_numpy()
    rows = []
    for share in shares:
        threshold = clean[len(clean) - int(np.floor(share * len(clean))) - 1] if len(clean) else np.nan
        recall = float(np.mean(best > threshold)) if len(best) else np.nan
        rows.append({"share": share, "threshold": threshold, "false": float(np.mean(clean > threshold)),
        "recall": recall,
                     "se": float(np.sqrt(recall * (1 - recall) / max(len(best), 1))), "n": len(best)})  # fmt: skip
    return pd.DataFrame(rows)


def raised_table(bottles: pd.DataFrame, raised: pd.Series, faults: pd.DataFrame) -> dict[str, float]:
    """Precision of raised bottles, recall of faults, share raised of sound and of odd bottles;
    raised: flags by sample.
    """
    up = raised.reindex(bottles.index, fill_value=False).astype(bool)
    found = found_scores(bottles.assign(score=up.astype(float)), faults).dropna()
    return {
        "raised": float(up.sum()),
        "precision": float(bottles.loc[up, "faulty"].mean()),
        "recall": float((found > 0).mean()),
        "false a sound bottle": float(up[~bottles["faulty"] & ~bottles["odd"]].mean()),
        "odd raised": float(up[~bottles["faulty"] & bottles["odd"]].mean()),
    }


def recall_by_cause(bottles: pd.DataFrame, raised: pd.Series, faults: pd.DataFrame) -> pd.DataFrame:
    """n, recall and se by cause, faults with a bottle in time."""
    up = raised.reindex(bottles.index, fill_value=False).astype(float)
    found = found_scores(bottles.assign(score=up), faults).dropna() > 0
    table = found.groupby(faults["cause"]).agg(["size", "mean"]).set_axis(["n", "recall"], axis=1)
    return table.assign(se=np.sqrt(table["recall"] * (1 - table["recall"]) / table["n"])).reset_index()


def reliability(stated: pd.Series, true: pd.Series, classes: Sequence[float] = CLASSES) -> pd.DataFrame:
    """Stated chance against what was true, by class [low, high): n, stated (mean), true (share), se of true."""
    edges = np.asarray(classes, float)
    place = np.clip(np.searchsorted(edges, stated.to_numpy(float), side="right") - 1, 0, len(edges) - 2)
    frame = pd.DataFrame(
        {"low": edges[place], "high": edges[place + 1], "stated": stated.to_numpy(float), "true": true.to_numpy(float)}
    )
    out = (
        frame.groupby(["low", "high"])
        .agg(n=("true", "size"), stated=("stated", "mean"), true=("true", "mean"))
        .reset_index()
    )
    return out.assign(se=np.sqrt(np.maximum(out["true"] * (1 - out["true"]), 0.25 / (out["n"] + 1)) / out["n"]))


def brier(stated: pd.Series, true: pd.Series) -> float:
    """Mean squared difference of a stated chance and what was true (0 or 1)."""
    return float(np.mean((stated.to_numpy(float) - true.to_numpy(float)) ** 2))


def log_score(stated: pd.Series, true: pd.Series, least: float = 1e-4) -> float:
    """Mean negative log of the chance given to what was true, natural log; chances held within `least` of 0 and 1."""
    p, y = np.clip(stated.to_numpy(float), least, 1 - least), true.to_numpy(float)
    return float(-np.mean(y * np.log(p) + (1 - y) * np.log1p(-p)))


def active_on(faults: pd.DataFrame, compartments: Sequence[str], day: pd.Timestamp) -> pd.DataFrame:
    """By compartment: faulty on `day`, and way (share of its calendar way to the end of the fault; open faults by their
    hours).

    A fault open at the end of the records is active on the last day.
    """
    ended = faults["ended_on"].where(faults["how"] != "open", pd.Timestamp.max.as_unit("us"))
    now = faults[(faults["opened_on"] <= day) & (ended > day)].drop_duplicates("compartment").set_index("compartment")
    span = (now["ended_on"] - now["opened_on"]).dt.days.clip(lower=1)
    done = (now["ended_h"] - now["onset_h"]) / now["delay_h"]
    way = done * ((day - now["opened_on"]).dt.days / span).clip(upper=1.0)
    out = pd.DataFrame(index=pd.Index(compartments, name="compartment"))
    return out.assign(faulty=out.index.isin(now.index), way=way.reindex(out.index).fillna(0.0))


def month_end_table(months: pd.DataFrame) -> dict[str, float]:
    """Figures of many month ends together: one row a compartment and month with state, look (flag), chance, faulty,
    way, seen (a bottle of the fault is in hand).
    """
    alarm, active = months["state"] == "alarm", months["faulty"] & months["seen"]
    return {
        "months": float(len(months)),
        "alarms": float(alarm.sum()),
        "alarm true": float(months.loc[alarm, "faulty"].mean()),
        "alarm stated": float(months.loc[alarm, "chance"].mean()),
        "look true": float(months.loc[months["look"], "faulty"].mean()),
        "active in alarm": float(alarm[active].mean()),
        "past half way in alarm": float(alarm[active & (months["way"] > 0.5)].mean()),
        "active and clear": float((months.loc[active, "state"] == "clear").mean()),
        "brier": brier(months["chance"], months["faulty"]),
    }


def net_money(
    raised: pd.Series, bottles: pd.DataFrame, faults: pd.DataFrame, prices: pd.DataFrame, years: float
) -> float:
    """Money saved a compartment-year if every raised bottle were looked into: failures turned into planned repairs less
    looks in vain.

    prices: by compartment, look (a look in vain) and saved (failure less planned repair, downtime in). One look a run
    of raised bottles.
    """
    up = raised.reindex(bottles.index, fill_value=False).astype(bool)
    failed = faults[faults["how"] == "failed"]
    found = found_scores(bottles.assign(score=up.astype(float)), failed) > 0
    gained = prices["saved"].reindex(failed.loc[found, "compartment"]).sum()
    order = bottles.assign(up=up).sort_values(["compartment", "known_on"])
    first = order["up"] & ~order.groupby("compartment")["up"].shift(fill_value=False)
    vain = order[first & ~order["faulty"]]
    return float((gained - prices["look"].reindex(vain["compartment"]).sum()) / years)
