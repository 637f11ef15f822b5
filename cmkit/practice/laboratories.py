"""How good are the laboratories? What blind duplicates say: repeatability of one, bias between two, with the published
precision of the methods beside them.

A bias is looked for every month, so its test must stay honest however often it is looked at. Of n differences d of
logarithms, normal with a bias of N(0, g) of their standard deviations against none, and with a variance known
beforehand as well as by k pairs of mean square v (inverse gamma), the Bayes factor is

    B = (1 + n g)^(-1/2) [(k v + sum d^2) / (k v + sum d^2 - n^2 mean(d)^2 g / (1 + n g))]^((n + k)/2).

With k = 0 it is the t-test's factor under the right-Haar prior (Gonen, Johnson, Lu, Westfall 2005), a test martingale:
it passes 1/alpha with chance alpha at most, at whatever n one stops (Perez-Ortiz, Lardy, de Heide, Grunwald 2024,
"E-statistics, group invariance and anytime-valid testing"). v comes from the other results of the same group. A bias
that begins later is found by the same factor from each pair j > 1 on, with 1/(j (j-1)) of the weight that the first
pair leaves, which names the day. What all metals of a bottle share is the drawing's: half of the weight is on
differences without it. That the whole keeps its bound is measured in `tests/practice/test_laboratories.py`. Check
values: guide how_it_is_computed, K.
"""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import chi2
from scipy.stats import t as student

from cmkit.fluids.precision import allowed_difference, spread_from_difference
from cmkit.records.turnaround import constant
from cmkit.tables.frames import names, typed

PAIRS = names("laboratory_pairs")
FEW, USUAL, WIDE, BIASED = "too few pairs", "nothing unusual", "wider than published", "bias"
Floats = NDArray[np.float64]


def judge_laboratories(results: pd.DataFrame, groups: pd.Series) -> pd.DataFrame:
    """One row per laboratory, or two of them, and analyte with a pair (columns PAIRS), by name.

    results: frame of `practice.duplicates.paired_results`; groups: the register's group of each analyte, by its name.
    One laboratory: the spread of one result by both bottles of its pairs, drawing included. Two: by how much the other
    reads above or below, as a share, with 90 % intervals.
    """
    named = results[(results["lab"] != "") & (results["other_lab"] != "")] if len(results) else results
    if not len(named):
        return typed([], "laboratory_pairs")
    rows = with_shared(named, groups).sort_values(["on", "sample"], kind="stable")
    own = {key: r.reset_index(drop=True) for key, r in rows.groupby(["lab", "other_lab", "analyte"])}
    least = constant("duplicate_pairs")
    needed = max(sum(len(r) >= least for key, r in own.items() if key[0] != key[1]), 1) / constant("bias_false_calls")
    scatter = {key: float(np.var(r["d"], ddof=1)) for key, r in own.items() if len(r) >= least}
    out = []
    for key, r in own.items():
        alike = [v for k, v in scatter.items() if k[:2] == key[:2] and k != key and groups[k[2]] == groups[key[2]]]
        out.append(_judged(r, needed, float(np.median(alike)) if alike else np.nan))
    frame = _with_suspects(pd.DataFrame(out))
    frame["words"] = [_words(r) for r in frame.itertuples()]
    return typed(frame[PAIRS], "laboratory_pairs").sort_values(["lab", "other_lab", "analyte"], ignore_index=True)


def with_shared(results: pd.DataFrame, groups: pd.Series) -> pd.DataFrame:
    """`results` with d, the difference of logarithms, and alone, the same less the middle of the other wear metals of
    those two bottles (NaN with fewer than `shared_metals` of them).
    """
    rows = results.assign(d=np.log(results["second"] / results["first"])).reset_index(drop=True)
    metal = rows["analyte"].map(groups).eq("wear metal")
    alone = pd.Series(np.nan, index=rows.index)
    for _, own in rows[metal].groupby(["sample", "other"], sort=False):
        if len(own) > constant("shared_metals"):
            d = own["d"].to_numpy(float)
            alone[own.index] = d - np.array([np.median(np.delete(d, i)) for i in range(len(d))])
    return rows.assign(alone=alone)


def _judged(own: pd.DataFrame, needed: float, usual: float) -> dict[str, Any]:
    """One laboratory or two, and one analyte. needed: value of the Bayes factor from which a bias is called; usual:
    variance of a difference of the other results of its group, NaN for none.
    """
    first = own.iloc[0]
    same = bool(first["lab"] == first["other_lab"])
    level = float(np.median(np.sqrt(own["first"] * own["second"])))
    allowed = allowed_difference(str(first["analyte"]), level, same_laboratory=same)
    row = {name: first[name] for name in ("lab", "other_lab", "analyte")}
    row |= {"n": len(own), "first_on": own["on"].min(), "last_on": own["on"].max(), "level": level}
    row |= {"published": spread_from_difference(allowed.value) / level if allowed.known else np.nan}
    row |= dict.fromkeys(_MEASURES, np.nan) | {"needed": np.nan if same else needed, "since": pd.NaT, "suspect": ""}
    if len(own) < constant("duplicate_pairs"):
        return row | {"found": FEW}
    return row | (_repeatability(own["d"].to_numpy(float), row["published"]) if same else _bias(own, needed, usual))


_MEASURES = ("bias", "bias_low", "bias_high", "against_chance", "spread", "spread_low", "spread_high")


def _repeatability(d: Floats, published: float) -> dict[str, Any]:
    """Standard deviation of one result, as a share, from n differences of two: sum d^2 / (2 s^2) is chi-square of n."""
    n, total = len(d), float(np.sum(d**2)) / 2
    low, high = (float(np.sqrt(total / chi2.ppf(p, n))) for p in (0.95, 0.05))
    found = WIDE if np.isfinite(published) and low > published else USUAL
    return {"spread": float(np.sqrt(total / n)), "spread_low": low, "spread_high": high, "found": found}


def _bias(own: pd.DataFrame, needed: float, usual: float) -> dict[str, Any]:
    """Middle difference of two laboratories; from the pair on from which it speaks loudest where a bias is called."""
    value, start, d = against_chance(own, usual)
    since = start if value >= needed else 0
    late = d[since:]
    middle, left = float(late.mean()), len(late) - 1
    half = student.ppf(0.95, left) * np.std(late, ddof=1) / np.sqrt(len(late))
    bias, total = float(np.expm1(middle)), float(np.sum((late - middle) ** 2)) / 2
    low, high = (float(np.sqrt(total / chi2.ppf(p, left))) for p in (0.95, 0.05))
    called = value >= needed and abs(bias) >= constant("bias_least")
    return {
        "bias": bias,
        "bias_low": float(np.expm1(middle - half)),
        "bias_high": float(np.expm1(middle + half)),
        "against_chance": value,
        "spread": float(np.sqrt(total / left)),
        "spread_low": low,
        "spread_high": high,
        "found": BIASED if called else USUAL,
    } | ({"since": own["on"].iloc[since]} if called else {})


def against_chance(own: pd.DataFrame, usual: float) -> tuple[float, int, Floats]:
    """How much likelier a bias is than none, the pair it begins with, and the differences that say so: as they are, or
    without what all metals of their bottles share.

    own: columns d and alone of two laboratories and one analyte, by day; usual: variance of a difference, NaN if not
    known.
    """
    d, alone = (own[name].to_numpy(float) for name in ("d", "alone"))
    g, pairs = constant("bias_spread") ** 2, constant("bias_prior_pairs") if usual > 0 else 0.0
    plain = chance_ratio(d, g, pairs, usual if pairs else 0.0)
    if not np.isfinite(alone).all():
        return (*plain, d)
    freed = chance_ratio(alone, g, pairs, usual if pairs else 0.0)
    return ((plain[0] + freed[0]) / 2, *((freed[1], alone) if freed[0] > plain[0] else (plain[1], d)))


def chance_ratio(d: Floats, g: float, k: float = 0.0, v: float = 0.0) -> tuple[float, int]:
    """How much likelier differences d [n >= 2] are with a bias than without, and the pair (from 0) it begins with.

    g > 0: variance of the biases looked for, in units of the differences' own; k >= 0, v: how many pairs that variance
    is known by beforehand, and its value. Formula and source: docstring of the module.
    """
    n = len(d)
    count = np.arange(n, 1, -1)  # pairs from each possible beginning on; the last pair alone says nothing
    total, square = (np.cumsum(x[::-1])[::-1][:-1] for x in (d, d**2))
    none = k * v + square
    with_bias = np.maximum(none - total**2 * g / (1 + count * g), 1e-12)
    log_factor = -0.5 * np.log1p(count * g) + (count + k) / 2 * (np.log(none) - np.log(with_bias))
    j, first = np.arange(1, n), constant("bias_from_the_first")
    weighted = log_factor + np.log(np.where(j == 1, first, (1 - first) / np.maximum(j * (j - 1.0), 1)))
    rest = (1 - first) / (n - 1)  # weight of beginnings still to come, each worth 1 today
    return float(np.exp(np.logaddexp.reduce(weighted)) + rest), int(np.argmax(weighted))


def _with_suspects(out: pd.DataFrame) -> pd.DataFrame:
    """Which of two laboratories is off, where a third one has been compared with both."""
    across = out[(out["lab"] != out["other_lab"]) & out["bias"].notna()]
    log = np.log1p(across["bias"])
    turned = across[["analyte"]].assign(lab=across["other_lab"], other_lab=across["lab"], far=log.abs())
    both = pd.concat([across[["analyte", "lab", "other_lab"]].assign(far=log.abs()), turned])
    for i, row in out[out["found"] == BIASED].iterrows():
        of = both[(both["analyte"] == row["analyte"]) & ~both["other_lab"].isin([row["lab"], row["other_lab"]])]
        far = of[of["lab"].isin([row["lab"], row["other_lab"]])].groupby("lab")["far"].mean()
        if len(far) == 2:
            out.loc[i, "suspect"] = far.idxmax()
    return out


def _words(r: Any) -> str:
    if r.found == FEW:
        return f"{r.n} pair(s), {constant('duplicate_pairs'):.0f} wanted"
    published = "no published precision is known" if pd.isna(r.published) else f"published {100 * r.published:.0f} %"
    if r.lab == r.other_lab:
        wide = "; bottles or laboratory: draw with care, and ask for its control charts" if r.found == WIDE else ""
        return (
            f"one result scatters by {100 * r.spread:.0f} % ({100 * r.spread_low:.0f} to {100 * r.spread_high:.0f} %), "
            f"drawing included; {published}{wide}"
        )
    reads = f"{r.other_lab} reads {abs(100 * r.bias):.0f} % {'above' if r.bias > 0 else 'below'} {r.lab}"
    words = f"{reads} (90 % interval {100 * r.bias_low:+.0f} to {100 * r.bias_high:+.0f} %)"
    if r.found != BIASED:
        return f"{words}; within what {r.n} pairs can show by chance"
    whom = f"a third laboratory says that {r.suspect} is off" if r.suspect else "which of them is off, pairs cannot say"
    return f"{words} since {r.since:%Y-%m-%d}; {whom}: send both a reference material of known content"
