"""Exchanged labels: do the bottles of one machine and day fit each other's labels better than their own? Reported,
never applied.

Before the 5th bottle of a compartment its own rate is too little known: such a bottle is "cannot tell yet". Exchanging
by itself, or holding back the update, would lock in a wrong identity after an early mistake; a confirmed exchange is a
row in `corrections`. Until then the wrong result stands in the forecast of the bottle after it, which therefore looks
exchanged the other way: nothing is said of that one.
"""

from functools import cache
from itertools import permutations
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment, minimize_scalar
from scipy.special import logsumexp

from cmkit.records.censoring import sides_of
from cmkit.records.settings import Trust
from cmkit.tables.frames import names, typed
from cmkit.trust.bottle_arrays import Panel, doubt_rows

CHANCES = names("exchange_chances")
CANNOT_TELL = "cannot tell yet"
TOO_FEW = "cannot tell, too few results in common"
AFTER_DOUBT = "cannot tell, its forecast stands on a bottle whose own label is in doubt"
_ALL_ORDERS = 6  # up to this many bottles every order of labels is weighed
_LEAST_ANALYTES = 3
_NEGLIGIBLE = np.log(1e-3)  # a group whose best order cannot reach this is not enumerated
_BLOCK = 100_000  # rows at a time, to bound memory
_LEARN_FROM = 1000  # bottles of a kind that its shared factor is learnt from
_FACTOR_RANGE = (0.005, 0.5)


def label_log_density(
    y: np.ndarray,
    side: np.ndarray,
    mean: np.ndarray,
    var: np.ndarray,
    factor_sd: np.ndarray | float,
    *,
    tail_df: float,
) -> np.ndarray:
    """Log density (up to a constant) of bottles under labels: a multivariate t with a factor shared by the bottle's
    analytes.

    y, side, mean, var: [..., A], results (ppm), -1 reported as below and 1 as above it (flags: below), forecast mean
    and variance of the label; NaN analytes do not count. A result below its limit counts as min(mean, limit), one above
    as max(mean, limit).
    factor_sd: sd of the shared factor (1), broadcast against mean. tail_df: degrees of freedom of the t. Source: guide
    how_it_is_computed, D1 (derived).
    """
    nu, side = tail_df, sides_of(side)
    given = np.isfinite(y) & np.isfinite(mean) & np.isfinite(var) & (var > 0)
    mean, var = np.where(given, mean, 0.0), np.where(given, var, 1.0)
    r = np.where(given, np.where(side < 0, np.minimum(mean, y), np.where(side > 0, np.maximum(mean, y), y)) - mean, 0.0)
    u = factor_sd * mean
    own = np.maximum(var - u**2, var / 4)
    shared = np.sum(u**2 / own, axis=-1)
    q = np.sum(r**2 / own, axis=-1) - np.sum(r * u / own, axis=-1) ** 2 / (1 + shared)
    size = np.sum(np.log(own), axis=-1) + np.log1p(shared)
    return np.asarray(-0.5 * size - (nu + given.sum(axis=-1)) / 2 * np.log1p(q / (nu - 2)))


def bottle_exchange(density: np.ndarray, prior: float, temper: float) -> tuple[np.ndarray, np.ndarray]:
    """Of k bottles: chance that each carries a wrong label [k], and the likeliest label of each [k].

    density: [k, k], log density of bottle i under label j. An order that moves m bottles has prior odds prior^(m-1). Up
    to six bottles every order is weighed; above, the orders that exchange two and the best assignment. Source: guide
    how_it_is_computed, D1 (derived).
    """
    k = len(density)
    orders = _orders(density)
    moved = orders != np.arange(k)
    count = moved.sum(axis=1)
    log_prior = np.where(count == 0, np.log1p(-prior), (count - 1) * np.log(prior))
    score = log_prior + temper * density[np.arange(k), orders].sum(axis=1)
    weight = np.exp(score - logsumexp(score))
    return weight @ moved, orders[np.argmax(weight)]


def _orders(density: np.ndarray) -> np.ndarray:
    """The orders of labels that are weighed: int [orders, k], the identity first."""
    k = len(density)
    if k <= _ALL_ORDERS:
        return _all_orders(k)
    same = np.arange(k)
    out = [same]
    for a, b in zip(*np.triu_indices(k, 1), strict=True):
        swapped = same.copy()
        swapped[[a, b]] = b, a
        out.append(swapped)
    best = linear_sum_assignment(density, maximize=True)[1]
    return np.unique(np.array([*out, best]), axis=0)


@cache
def _all_orders(k: int) -> np.ndarray:
    return np.array(list(permutations(range(k))))


def exchange_chances(panel: Panel, trust: Trust, factors: pd.DataFrame) -> pd.DataFrame:
    """One row per bottle that was drawn together with others of its machine (columns CHANCES), sorted by machine, day,
    compartment.

    chance: probability that it carries a wrong label, NaN where `words` says why that cannot be told; looks_like:
    likeliest label; group:
    number of bottles weighed together. factors: :func:`shared_factors` of the whole fleet.
    """
    drawn = _drawn_together(panel.bottles)
    told = drawn["order"] >= trust.exchange_first_order
    told &= told.groupby(drawn["set"]).transform("sum") >= 2
    out = drawn.assign(looks_like="", group=0, chance=np.nan, words=CANNOT_TELL)
    factor = (
        factors.set_index("kind")["factor_sd"].reindex(panel.bottles["kind"]).fillna(trust.bottle_factor_sd).to_numpy()
    )
    for size, part in drawn[told].groupby(drawn[told].groupby("set")["at"].transform("size")):
        rows = part["at"].to_numpy().reshape(-1, size)
        chance, likely, enough = _weigh(panel, rows, factor, trust)
        labels = panel.bottles["compartment"].to_numpy()[np.take_along_axis(rows, likely, axis=1)]
        out.loc[part.index, "group"] = size
        out.loc[part.index, "looks_like"] = labels.ravel()
        out.loc[part.index, "chance"] = np.where(enough[:, None], chance, np.nan).ravel()
        out.loc[part.index, "words"] = np.repeat(np.where(enough, "", TOO_FEW), size)
    after = _after_doubt(panel, out, trust.exchange_report) & out["chance"].notna()
    out.loc[after, ["chance", "words"]] = np.nan, AFTER_DOUBT
    out["looks_like"] = out["looks_like"].where(out["chance"].notna(), "")
    return out[CHANCES].reset_index(drop=True)


def _after_doubt(panel: Panel, chances: pd.DataFrame, report: float) -> pd.Series:
    """Whether the bottle before of the same compartment more likely than not carried a wrong label."""
    doubted = np.zeros(len(panel.bottles), dtype=bool)
    doubted[chances["at"]] = chances["chance"] >= report
    return pd.Series(panel.before(doubted)[chances["at"]], index=chances.index)


def shared_factors(panel: Panel, trust: Trust) -> pd.DataFrame:
    """sd of the factor that a bottle's metals share, by kind of compartment: kind, factor_sd.

    What metals share is how the bottle was drawn and all that the forecast misses for all of them at once (load,
    make-up, residual fluid), which differs by kind and fleet. Learnt from the bottles as they are labelled, by maximum
    likelihood of :func:`label_log_density` (whose heavy tail bears the few exchanged ones); `bottle_factor_sd` for
    kinds with few bottles.
    """
    settled = (panel.bottles["order"] >= trust.exchange_first_order).to_numpy()
    kinds = sorted(panel.bottles["kind"].unique())
    learnt = [_shared_factor(panel, np.flatnonzero(settled & (panel.bottles["kind"] == k)), trust) for k in kinds]
    return typed(pd.DataFrame({"kind": kinds, "factor_sd": learnt}), "bottle_factors")


def _shared_factor(panel: Panel, rows: np.ndarray, trust: Trust) -> float:
    """The likeliest sd of the factor shared by the metals of bottles `rows`."""
    if len(rows) < trust.bottle_factor_least_bottles:
        return trust.bottle_factor_sd
    rows = rows[:: len(rows) // _LEARN_FROM + 1]
    seen = (panel.value[rows], panel.side[rows], panel.expected[rows], panel.sd[rows] ** 2)
    misfit = lambda log_sd: -label_log_density(*seen, np.exp(log_sd), tail_df=trust.tail_df).sum()  # noqa: E731
    return float(np.exp(minimize_scalar(misfit, bounds=np.log(_FACTOR_RANGE), method="bounded").x))


def _drawn_together(bottles: pd.DataFrame) -> pd.DataFrame:
    """Bottles of one machine and day, coolant apart, the first of each compartment; at: row of the panel, set: number
    of the day's set.
    """
    out = bottles.assign(at=np.arange(len(bottles)), coolant=bottles["kind"] == "coolant")
    out = out.drop_duplicates(["compartment", "drawn_on"])
    out = out[out.groupby(["machine", "drawn_on", "coolant"])["at"].transform("size") >= 2]
    out = out.sort_values(["machine", "drawn_on", "coolant", "compartment"], kind="stable").reset_index(drop=True)
    return out.assign(set=out.groupby(["machine", "drawn_on", "coolant"], sort=False).ngroup())


def _weigh(
    panel: Panel, rows: np.ndarray, factor: np.ndarray, trust: Trust
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Chances [G, k], likeliest labels (positions in the set) [G, k] and whether there was enough to go by [G]; rows:
    [G, k].
    """
    sets, k = rows.shape
    chance, likely = np.zeros((sets, k)), np.tile(np.arange(k), (sets, 1))
    enough = np.zeros(sets, dtype=bool)
    step = max(1, _BLOCK // k**2)
    for a in range(0, sets, step):
        density, enough[a : a + step] = _densities(panel, rows[a : a + step], factor, trust.tail_df)
        own = np.einsum("gii->gi", density)
        gain = trust.exchange_temper * np.maximum(density.max(axis=2) - own, 0).sum(axis=1)
        for g in np.flatnonzero((gain + np.log(trust.exchange_prior) > _NEGLIGIBLE) & enough[a : a + step]):
            chance[a + g], likely[a + g] = bottle_exchange(density[g], trust.exchange_prior, trust.exchange_temper)
    return chance, likely, enough


def _densities(panel: Panel, rows: np.ndarray, factor: np.ndarray, tail_df: float) -> tuple[np.ndarray, np.ndarray]:
    """Log density of every bottle under every label of its set [G, k, k], over the analytes that all of the set have,
    and if they suffice.
    """
    y, side, mean, sd = (a[rows] for a in (panel.value, panel.side, panel.expected, panel.sd))
    common = np.all(np.isfinite(y) & np.isfinite(mean) & np.isfinite(sd), axis=1, keepdims=True)
    y = np.where(common, y, np.nan)
    density = label_log_density(
        y[:, :, None],
        side[:, :, None],
        mean[:, None],
        sd[:, None] ** 2,
        factor[rows][:, None, :, None],
        tail_df=tail_df,
    )
    return density, common[:, 0].sum(axis=1) >= _LEAST_ANALYTES


def exchange_doubts(chances: pd.DataFrame, trust: Trust) -> pd.DataFrame:
    """Doubts `exchange` from :func:`exchange_chances`: from even chance on; firm from the settings'
    `exchange_probability`.
    """
    hit = chances[chances["chance"] >= trust.exchange_report]
    firm = (hit["chance"] >= trust.exchange_probability).to_numpy()
    reason = [
        f"results fit {_other(row)} better than {row.compartment}: labels "
        f"{'exchanged' if sure else 'perhaps exchanged'} "
        f"(chance {100 * row.chance:.0f} %)"
        for row, sure in zip(hit.itertuples(), firm, strict=True)
    ]
    todo = [
        f"Ask who drew it and compare the labels with {_other(row)} (left and right are as seen from the "
        f"operator's seat, facing forward). "
        "If it is so, record it under corrections; if nobody knows, repeat both bottles."
        for row in hit.itertuples()
    ]
    return doubt_rows(
        hit,
        "exchange",
        "chance of a wrong label",
        hit["chance"].to_numpy(),
        threshold=trust.exchange_probability,
        probability=hit["chance"].to_numpy(),
        reason=reason,
        todo=todo,
    )


def _other(row: Any) -> str:
    return row.looks_like if row.looks_like != row.compartment else "another bottle of that day"
