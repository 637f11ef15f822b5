"""The register of fresh-fluid batches: is what was delivered what was delivered before, and is it its grade?

A batch's results are compared, by x = log(result + c) with c = noise floor / noise share of the analyte, with those of
earlier batches of the product that were not called. Batches scatter about the product's mean; that scatter is not
known: a scaled inverse chi-square prior of `batch_weight` batches with the usual spread of its group of results leaves
Student's t with n0 + n - 1 degrees of freedom for the next batch of n earlier ones (the normal model's predictive
distribution; any textbook of Bayesian statistics, such as Gelman et al., chapter 3, from memory). The smallest of k
tails times k is the chance that a clean batch looks so (Bonferroni).
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm
from scipy.stats import t as student

from cmkit.fluids.precision import allowed_difference, spread_from_difference
from cmkit.fluids.viscosity import grade_range
from cmkit.records.analytes import above, below, with_own
from cmkit.records.fleet import Fleet
from cmkit.records.turnaround import constant
from cmkit.tables.frames import empty, names, typed
from cmkit.trust.fluid_history import plain_label

NO_RESULT, USUAL, DIFFERS = "no result yet", "as usual", "differs"
CHANGED, OFF_GRADE, ALONE, UNREGISTERED = (
    "the fluid has changed",
    "not its grade",
    "nothing to compare",
    "not registered",
)
EARLIER, YOUNG = "earlier batches", "young bottles"
KEYS = ["site", "fluid", "grade", "batch"]
_PRODUCT = ["fluid", "grade"]
_GROUPS = {"viscosity": "batch_spread_viscosity", "additive": "batch_spread_additive"}
_FILLS = ("change", "flush", "replace", "top-up")
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Batch:
    """A delivered batch: its keys and day, and per analyte the middle of its results as they are and as x."""

    keys: dict[str, str]
    day: pd.Timestamp
    labs: frozenset[str]
    n: int
    value: pd.Series
    x: pd.Series


@dataclass
class _Reference:
    """Earlier batches of a product: those that count as usual, and the newest that was called."""

    usual: list[_Batch] = field(default_factory=list)
    apart: list[_Batch] = field(default_factory=list)


def batch_results(known: Fleet, fresh: pd.DataFrame) -> pd.DataFrame:
    """What each batch's fresh fluid has of each analyte, beside what was usual before it: one row per batch and result
    (table `batch_results`), by product and day.

    known: records of a day; fresh: frame of `wear.conditions.fresh_values`, what used bottles say of the fresh fluid of
    a product whose first batch this is.
    """
    register = with_own(known.settings.analytes)
    analytes = [a for a in register.index if a in known.baselines]
    rows = known.baselines.assign(grade=known.baselines["grade"].fillna(""))
    out: list[dict[str, Any]] = []
    for _, own in rows.groupby(_PRODUCT):
        before = _Reference()
        for batch in _batches(own, analytes, register):
            out += _compared(batch, before, fresh, register)
    return typed(out, "batch_results")


def _batches(own: pd.DataFrame, analytes: list[str], register: pd.DataFrame) -> list[_Batch]:
    """The batches of one product that have a result, in order of delivery."""
    value = own[analytes].astype(float).where(~own[[below(a) for a in analytes]].to_numpy(bool), own[analytes] / 2)
    value = value.mask(own.reindex(columns=[above(a) for a in analytes], fill_value=False).to_numpy(bool))
    shift = (register["noise_floor"] / register["noise_share"]).reindex(analytes).astype(float)
    x = np.log((value + shift).where(value + shift > 0))
    day = own["delivered_on"].fillna(own["drawn_on"]).fillna(own["reported_on"])
    found = []
    for (site, label), at in own.groupby(["site", "batch"]).groups.items():
        if x.loc[at].notna().any(axis=None):
            first = own.loc[at[0]]
            keys = {"site": str(site), "fluid": str(first["fluid"]), "grade": str(first["grade"]), "batch": str(label)}
            labs = frozenset(own.loc[at, "lab"].fillna(""))
            count = int(x.loc[at].notna().any(axis=1).sum())
            found.append(_Batch(keys, day[at].min(), labs, count, value.loc[at].median(), x.loc[at].median()))
    return sorted(found, key=lambda b: (pd.isna(b.day), b.day, b.keys["site"], b.keys["batch"]))


def _compared(batch: _Batch, before: _Reference, fresh: pd.DataFrame, register: pd.DataFrame) -> list[dict[str, Any]]:
    """The rows of one batch; `before` takes it in, as usual or as one that is apart."""
    rows = _against(batch, before.usual, register) if before.usual else _against_used(batch, fresh, register)
    differs = any(row["differs"] for row in rows)
    again = bool(before.apart) and not any(row["differs"] for row in _against(batch, before.apart, register))
    if not differs:
        before.usual.append(batch)
    elif again:
        before.usual, before.apart = [*before.apart, batch], []
    elif before.usual:
        before.apart = [batch]
    else:
        before.usual.append(batch)
    return [row | {"again": differs and again} for row in rows]


def _against(batch: _Batch, earlier: list[_Batch], register: pd.DataFrame) -> list[dict[str, Any]]:
    """Each result of a batch beside the earlier batches."""
    wide = pd.DataFrame([b.x for b in earlier])
    same = bool(batch.labs & frozenset().union(*(b.labs for b in earlier)))
    there = batch.x.index[batch.x.notna() & wide.notna().any()]
    rows = []
    for analyte in there:
        seen = wide[analyte].dropna().to_numpy(float)
        spread = _spread(analyte, register, 0.0 if same else constant("batch_other_laboratory"))
        weight, n = constant("batch_weight"), len(seen)
        left = weight + n - 1
        scale = np.sqrt((weight * spread**2 + np.sum((seen - seen.mean()) ** 2)) / left * (1 + 1 / n))
        row = _row(batch, analyte, float(seen.mean()), float(scale), left, k=len(there), register=register)
        rows.append(row | {"basis": EARLIER, "n": n})
    return rows or _alone(batch)


def _against_used(batch: _Batch, fresh: pd.DataFrame, register: pd.DataFrame) -> list[dict[str, Any]]:
    """Each result of a product's first batch beside what used bottles say of its fresh fluid; wear metals and what gets
    in are not compared, as used bottles hold more of them.
    """
    of = fresh[(fresh["fluid"] == batch.keys["fluid"]) & (fresh["grade"].fillna("") == batch.keys["grade"])]
    of = of[of["n"] > 0].sort_values("n").drop_duplicates("analyte", keep="last").set_index("analyte")
    fit = register.index[register["group"].isin(list(_GROUPS))]
    there = [a for a in batch.x.index[batch.x.notna()] if a in of.index and a in fit]
    rows = []
    for analyte in there:
        used = float(np.log(of.loc[analyte, "fresh"] + _shift(analyte, register)))
        spread = _spread(analyte, register, constant("batch_used"))
        row = _row(batch, analyte, used, spread, constant("batch_weight"), k=len(there), register=register)
        rows.append(row | {"basis": YOUNG, "n": int(of.loc[analyte, "n"])})
    return rows or _alone(batch)


def _shift(analyte: str, register: pd.DataFrame) -> float:
    return float(register.loc[analyte, "noise_floor"] / register.loc[analyte, "noise_share"])


def _spread(analyte: str, register: pd.DataFrame, more: float) -> float:
    """Usual spread of x between batches: the result's noise, what batches differ by, and `more`."""
    batches = constant(_GROUPS.get(str(register.loc[analyte, "group"]), "batch_spread_other"))
    return float(np.sqrt(register.loc[analyte, "noise_share"] ** 2 + batches**2 + more**2))


def _row(
    batch: _Batch, analyte: str, middle: float, scale: float, left: float, *, k: int, register: pd.DataFrame
) -> dict[str, Any]:
    """One result beside its predictive distribution; the interval leaves out what is called."""
    shift, bound = _shift(analyte, register), constant("batch_false_calls")
    p = float(2 * student.sf(abs(batch.x[analyte] - middle) / scale, left))
    half = scale * float(student.isf(bound / k / 2, left))
    usual, low, high = (max(float(np.exp(m) - shift), 0.0) for m in (middle, middle - half, middle + half))
    wanted = {"value": float(batch.value[analyte]), "usual": usual, "low": low, "high": high}
    return _head(batch) | {"analyte": analyte} | wanted | {"p": p, "by_luck": min(1.0, k * p), "differs": k * p < bound}


def _alone(batch: _Batch) -> list[dict[str, Any]]:
    """Results of a batch that nothing can be compared with."""
    none = dict.fromkeys(["usual", "low", "high", "p", "by_luck"], np.nan) | {"basis": "", "n": 0, "differs": False}
    there = batch.value[batch.value.notna()]
    return [_head(batch) | {"analyte": a, "value": float(v)} | none for a, v in there.items()]


def _head(batch: _Batch) -> dict[str, Any]:
    return batch.keys | {"delivered_on": batch.day, "bottles": batch.n}


def batch_register(known: Fleet, results: pd.DataFrame) -> pd.DataFrame:
    """One row per delivered batch of the fleet's sites (table `batches`), newest first, with what it comes to and where
    it went; batches that only services name are listed too.

    results: frame of `batch_results` of the whole fleet.
    """
    fills = _fills(known)
    rows = known.baselines.assign(grade=known.baselines["grade"].fillna(""))
    out = []
    for key, own in rows.groupby(KEYS):
        keys = dict(zip(KEYS, map(str, key), strict=True))
        mine = results[(results[KEYS] == pd.Series(keys)).all(axis=1)] if len(results) else results
        out.append(keys | _found(own, mine) | _filled(fills, keys))
    labels = {(r["site"], plain_label(r["batch"])) for r in out}
    for (site, label), own in fills.groupby(["site", "label"]):
        if (site, label) not in labels:
            out.append(_unregistered(own))
    if not out:
        return empty("batches")
    for row in out:
        row["words"] = _words(row)
    frame = typed(pd.DataFrame(out)[names("batches")], "batches")
    return frame.sort_values(["delivered_on", *KEYS], ascending=[False] + [True] * len(KEYS), ignore_index=True)


def _found(own: pd.DataFrame, mine: pd.DataFrame) -> dict[str, Any]:
    """What the baseline bottles of one batch come to, by its rows of `batch_results`."""
    day = own["delivered_on"].fillna(own["drawn_on"]).fillna(own["reported_on"]).min()
    labs = ", ".join(sorted(set(own["lab"].fillna("")) - {""}))
    row = {"delivered_on": day, "bottles": int(mine["bottles"].max()) if len(mine) else 0, "labs": labs}
    nothing = {"analyte": "", "value": np.nan, "low": np.nan, "high": np.nan, "by_luck": np.nan, "others": ""}
    if not len(mine):
        return row | nothing | {"found": NO_RESULT}
    off = _off_grade(mine)
    if off:
        return row | nothing | off | {"found": OFF_GRADE}
    if mine["by_luck"].isna().all():
        return row | nothing | {"found": ALONE}
    first = mine.sort_values("by_luck", kind="stable").iloc[0]
    called = mine[mine["differs"]].sort_values("by_luck", kind="stable")
    found = CHANGED if mine["again"].any() else DIFFERS if len(called) else USUAL
    said = {name: first[name] for name in ("analyte", "value", "low", "high", "by_luck")}
    return row | said | {"others": " ".join(called["analyte"].iloc[1:]), "found": found}


def _off_grade(mine: pd.DataFrame) -> dict[str, Any]:
    """The viscosity and the ends of the grade on the label, where it lies outside by more than the method's
    reproducibility explains; empty otherwise.
    """
    column, low, high = grade_range(str(mine["grade"].iloc[0]))
    hit = mine[mine["analyte"] == column]
    if not column or not len(hit):
        return {}
    value = float(hit["value"].iloc[0])
    allowed = allowed_difference(column, value, same_laboratory=False, fluid="fresh")
    spread = spread_from_difference(allowed.value) if allowed.known else 0.02 * value
    inside = float(norm.cdf((high - value) / spread) - norm.cdf((low - value) / spread))
    if inside >= constant("batch_false_calls"):
        return {}
    return {"analyte": column, "value": value, "low": low, "high": high, "by_luck": inside}


def _fills(known: Fleet) -> pd.DataFrame:
    """Work that put in fluid of a named batch: site, label (plain), batch, fluid, grade, compartment, done_on."""
    named = known.services[known.services["batch"].fillna("").ne("") & known.services["kind"].isin(_FILLS)]
    sites = known.compartments.merge(known.machines[["machine", "site"]], on="machine")
    rows = named.merge(sites[["compartment", "site"]], on="compartment").sort_values("done_on", kind="stable")
    return rows.assign(label=rows["batch"].map(plain_label))


def _filled(fills: pd.DataFrame, keys: dict[str, str]) -> dict[str, Any]:
    """Where a batch went: compartments, in order of the day they were filled."""
    mine = fills[(fills["site"] == keys["site"]) & (fills["label"] == plain_label(keys["batch"]))]
    said = mine["fluid"].fillna("")
    mine = mine[(said == "") | (said.map(plain_label) == plain_label(keys["fluid"]))]
    places = mine["compartment"].drop_duplicates()
    return {"filled": len(places), "first_filled_on": mine["done_on"].min(), "compartments": "; ".join(places)}


def _unregistered(own: pd.DataFrame) -> dict[str, Any]:
    """A batch that services name and nobody registered."""
    first = own.iloc[0]
    keys = {"site": first["site"], "batch": first["batch"]}
    keys |= {name: first[name] if isinstance(first[name], str) else "" for name in _PRODUCT}
    row = {"delivered_on": pd.NaT, "bottles": 0, "labs": "", "analyte": "", "others": "", "found": UNREGISTERED}
    row |= dict.fromkeys(["value", "low", "high", "by_luck"], np.nan)
    return keys | row | _filled(own, {**keys, "fluid": first["fluid"] if isinstance(first["fluid"], str) else ""})


def _words(row: dict[str, Any]) -> str:
    """What a batch comes to, and what to do, in words; results by their column names."""
    went = f"{row['filled']} compartment(s) filled from it on record" if row["filled"] else "no fill from it on record"
    mind = ". Read the results of the compartments filled from it with that in mind" if row["filled"] else ""
    todo = {
        NO_RESULT: "draw a bottle from the drum before it is used up",
        USUAL: "nothing to do",
        DIFFERS: f"keep the drums closed, have a second bottle measured, and ask the supplier{mind}",
        CHANGED: "the batch before it looked the same, so ask the supplier what changed: it is the usual from now on",
        OFF_GRADE: f"keep the drums closed and ask the supplier: the label and the fluid do not agree{mind}",
        ALONE: "the next batch will be compared with it",
        UNREGISTERED: "register it in baselines, with a bottle from the drum",
    }[row["found"]]
    said = f"{row['found']}"
    if row["found"] in (DIFFERS, CHANGED, OFF_GRADE):
        asked = "the grade asks for" if row["found"] == OFF_GRADE else "usual are"
        said += f": {row['analyte']} {row['value']:.4g}, {asked} {row['low']:.4g} to {row['high']:.4g}"
        said += f"; also {', '.join(row['others'].split())}" if row["others"] else ""
        said += f"; chance alone makes {_one_in(row['by_luck'])} clean batches look so"
    return f"{said}; {went}; {todo}"


def _one_in(chance: float) -> str:
    return "fewer than one in a million" if chance < 1e-6 else f"about one in {round(1 / chance, -1) or 1:,.0f}"
