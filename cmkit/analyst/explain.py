"""Why a compartment is called what it is: everything that was weighed, step by step, what did not speak included."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from cmkit.analyst.asked import place_of, register_of, rows_of
from cmkit.assessment import Assessment
from cmkit.judge.faults import faults

EXPLAINED = ["step", "what", "value", "against", "unit", "spoke", "words"]
_ODDITIES = ("drawn from bottom or drain", "dirt in the bottle", "another compartment", "another fluid")
Row = tuple[str, float, float, str, bool, str]  # what, value, against, unit, spoke, words


def explain(a: Assessment, compartment: str) -> pd.DataFrame:
    """Every doubt, limit, hypothesis and threshold weighed for one compartment, one row each, in the order of the work
    (columns EXPLAINED).

    step: 1 bottle, 2 limits, 3 hypotheses, 4 for and against, 5 state, 6 money. value, against: what was found and what
    it was held against, in `unit` (chances in 1; weights for and against as natural logs of a likelihood ratio); spoke:
    whether it counted for the state or the order; words: the row in a sentence. A rule or fault that did not speak is
    there too, with spoke False. Raises ParameterError for a compartment that is not known.

    >>> weighed = cmkit.explain(a, "WL-04/engine").set_index("what")
    >>> weighed.loc["fuel dilution", ["step", "words"]].tolist()
    ['3 hypotheses', 'that fuel is getting into the oil']
    """
    place_of(a, compartment)
    steps: tuple[tuple[str, Callable[[Assessment, str], list[Row]]], ...] = (
        ("1 bottle", _bottle),
        ("2 limits", _limits),
        ("3 hypotheses", _hypotheses),
        ("4 for and against", _sides),
        ("5 state", _state),
        ("6 money", _money),
    )
    rows = [(step, *row) for step, of in steps for row in of(a, compartment)]
    out = pd.DataFrame(rows, columns=EXPLAINED)
    text = ["step", "what", "unit", "words"]
    return out.astype({**dict.fromkeys(text, "str"), "value": "float64", "against": "float64", "spoke": "bool"})


def _newest(a: Assessment, compartment: str) -> str:
    row = rows_of(a.verdicts, compartment)
    return str(row["sample"].iloc[0]) if len(row) else ""


def _bottle(a: Assessment, compartment: str) -> list[Row]:
    """The newest bottle: what screening doubted, and each oddity the judgement weighed."""
    sample = _newest(a, compartment)
    if not sample:
        return [("newest bottle", np.nan, np.nan, "", True, "no bottle yet")]
    good = float(a.about["judge"]["good"])
    chances = rows_of(a.hypotheses, compartment)
    of_bottle = chances[chances["about"] == "bottle"].set_index("hypothesis")["chance"]
    believed = float(of_bottle.get("good", np.nan))
    rows: list[Row] = [
        ("the bottle speaks for the compartment", believed, good, "1", not believed >= good, f"bottle {sample}")
    ]
    for name in _ODDITIES:
        p = float(of_bottle.get(name, 0.0))
        rows.append((name, p, 1 - good, "1", p >= 1 - good, "weighed with the results of this bottle and those before"))
    for d in a.doubts[a.doubts["sample"] == sample].itertuples():
        rows.append((f"doubt: {d.doubt}", d.value, d.threshold, d.statistic, True, d.reason))
    return rows


def _limits(a: Assessment, compartment: str) -> list[Row]:
    """Every limit of level of its family against the newest bottle; rates against theirs; levels found low."""
    sample, family = _newest(a, compartment), place_of(a, compartment)["family"]
    fired = a.evidence[a.evidence["sample"] == sample]
    rows: list[Row] = [
        (f"{r.rule}: {r.analyte or 'fluid level'}", r.value, r.threshold, r.unit, True, r.words)
        for r in fired.itertuples()
    ]
    spoke = set(zip(fired["rule"], fired["analyte"], strict=True))
    own = a.limits[(a.limits["family"] == family) & (a.limits["direction"] == "up")]
    own = own[own["measure"].isin(["level", "rate"])]
    result = a.samples[a.samples["sample"] == sample]
    rate = a.history[a.history["sample"] == sample].set_index("analyte")["rate"]
    units = register_of(a)["unit"]
    columns = ["analyte", "measure", "method", "alarm", "words"]
    for analyte, measure, method, alarm, said in zip(*(own[c].tolist() for c in columns), strict=True):
        is_rate = measure == "rate"
        level = result[analyte].iloc[0] if len(result) and analyte in result else np.nan
        value = rate.get(analyte, np.nan) if is_rate else level
        name = "wear rate limit" if is_rate else _RULE.get(method, "level limit")
        if pd.notna(value) and (name, analyte) not in spoke:
            words = "not passed" if pd.notna(alarm) else f"not judged: {said}"
            unit = f"{units[analyte]}/h" if is_rate else str(units[analyte])
            rows.append((f"{name}: {analyte}", float(value), float(alarm), unit, False, words))
    return rows


_RULE = {"maker": "maker limit", "practice": "condition"}


def _hypotheses(a: Assessment, compartment: str) -> list[Row]:
    """The chance of every fault its kind can have, the unlikely ones too, against the chance from
    which it is an alert.
    """
    kind = place_of(a, compartment)["kind"]
    chances = rows_of(a.hypotheses, compartment)
    own = chances[chances["about"] == "compartment"].set_index("hypothesis")["chance"]
    alert = float(a.about["judge"]["alert"])
    rows: list[Row] = []
    known = [f for f in faults() if f.about == "fault" and (kind in f.kinds or "*" in f.kinds)]
    for name in dict.fromkeys([*own.index, *(f.cause for f in known)]):
        said = next((f.said for f in known if f.cause == name), name)
        p = float(own.get(name, 0.0))
        rows.append(
            (
                name,
                p,
                alert,
                "1",
                p >= alert,
                f"that {said}" if name in own.index else f"that {said}: too unlikely to be kept",
            )
        )
    return sorted(rows, key=lambda row: -row[1])


def _sides(a: Assessment, compartment: str) -> list[Row]:
    """What each result of the recent bottles says for or against each fault of some chance, summed over the bottles
    kept.
    """
    rows: list[Row] = []
    given = {(r.hypothesis, r.analyte): r.words for r in rows_of(a.reasons, compartment).itertuples()}
    sums = rows_of(a.contributions, compartment).groupby(["hypothesis", "analyte"], sort=False)["log_odds"].sum()
    for (name, analyte), weight in sums.items():
        what = f"{name}: {analyte or 'how the bottle was drawn, or a steady change'}"
        side = "for" if weight > 0 else "against"
        words = given.get((name, analyte), f"speaks {side} it, as {np.exp(abs(weight)):.3g} to 1")
        rows.append((what, float(weight), 0.0, "log", abs(weight) >= np.log(2), words))
    return sorted(rows, key=lambda row: (row[0].split(":")[0], -row[1]))


def _state(a: Assessment, compartment: str) -> list[Row]:
    """The chance against the chances that make an alert and an alarm, and what else holds the state."""
    row = rows_of(a.verdicts, compartment)
    if not len(row):
        return [("state", np.nan, np.nan, "", False, "machine retired: not judged")]
    v: Any = row.iloc[0]
    judge = a.about["judge"]
    p = float(v["chance"])
    rows: list[Row] = [
        (f"chance of a fault that needs work: {name}", p, float(judge[name]), "1", p >= float(judge[name]), "by chance")
        for name in ("alert", "alarm")
    ]
    rows.append((f"state: {v['state']}", p, np.nan, "1", True, str(v["reason"])))
    for name, words in (("settled by", v["settled_by"]), ("missing", v["missing"]), ("to do", v["todo"])):
        if isinstance(words, str) and words:
            rows.append((name, np.nan, np.nan, "", True, words))
    return rows


def _money(a: Assessment, compartment: str) -> list[Row]:
    """What waiting, a repeat bottle and a look are expected to cost; the least of them is chosen."""
    order = rows_of(a.orders, compartment)
    if not len(order):
        return [("order", np.nan, np.nan, "", False, "none: nothing to do before the next routine bottle")]
    o: Any = order.iloc[0]
    currency = str(a.about["currency"])
    least = np.nanmin([o["cost_wait"], o["cost_repeat"], o["cost_look"]]) if pd.notna(o["cost_wait"]) else np.nan
    basis = "by the package's starting costs" if o["assumed"] else "by the fleet's own costs"
    return [
        (f"expected cost: {name}", float(o[f"cost_{name}"]), float(least), currency, o["choice"] == name, basis)
        for name in ("wait", "repeat", "look")
    ]
