"""What the condition results say on their own: fluid past its use, thinned, thickened, wet, dirty. Rules `level`,
`falling`, `two-sided`, `ordinal`.

Each bottle is held against the limits of its family (`wear.limits`): as it is, as a rise above or a change from the
fresh fluid, or as a cleanliness code. What is fresh is what the batch on record for the fill was when it was delivered
(`practice.batches`), else it is learnt from the fleet's own young bottles of that fluid and grade, else from the
grade's name, else it is not known and such a limit is not judged. A bottle without usable hours is judged too: its
level needs none.
"""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import theilslopes

from cmkit.fluids.cleanliness import iso_codes
from cmkit.fluids.viscosity import grade_viscosity
from cmkit.learnt import Learnt
from cmkit.records.analytes import by_rule
from cmkit.records.censoring import flags
from cmkit.records.constants import constant
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import names, typed
from cmkit.trust.fluid_history import batches_in_force, fluids_in_force, plain_label
from cmkit.wear.evidence import EVIDENCE, FIXED_RULES

Floats = NDArray[np.float64]

FRESH = names("fresh")
_WHOSE = {"maker": "the limit set for it", "practice": "the usual limit"}
# Own choices about what counts as fresh.
_YOUNG_H, _YOUNG_SHARE = constant("wear", "fresh_young_h"), constant("wear", "fresh_young_share")
_YOUNG_ENOUGH = int(constant("wear", "fresh_young_bottles"))
_TREND_ENOUGH = int(constant("wear", "fresh_trend_bottles"))
_TREND_MOST = 300


def judge_conditions(known: Fleet, exposure: pd.DataFrame, learnt: Learnt, register: pd.DataFrame) -> pd.DataFrame:
    """Evidence rows (columns EVIDENCE) for every bottle whose condition results pass a limit; one row per bottle,
    analyte and direction.

    A fixed limit (maker's or practice) gives alert or alarm as it says; a family percentile gives an alert above the
    upper bound of its own uncertainty, since it fixes the share of bottles that pass it and not the risk. A result
    reported as below a limit never passes an upper one, one reported as above a limit never a lower one.
    """
    shots = _bottles(known, exposure)
    judged = _judged(learnt.limits, register).reset_index(drop=True)
    bounds = _bounds(judged)
    family, of_limit = _codes(shots[["family"]], judged[["family"]])
    fluid, of_fresh = _codes(shots[["site", "fluid", "grade"]], learnt.fresh[["site", "fluid", "grade"]])
    parts = []
    for analyte, own in judged.groupby("analyte"):
        if analyte in known.samples:
            pairs = _pairs(family, np.isfinite(known.samples[analyte].to_numpy(float)), of_limit, own.index.to_numpy())
            at = (learnt.fresh["analyte"] == analyte).to_numpy()
            fresh = np.full(int(max(fluid.max(initial=-1), of_fresh.max(initial=-1))) + 1, np.nan)
            fresh[of_fresh[at]] = learnt.fresh["fresh"].to_numpy(float)[at]
            filled = _of_batch(shots, learnt.batch_results, str(analyte))
            own_fresh = np.where(np.isfinite(filled), filled, fresh[fluid])
            parts.append(_passed(str(analyte), known.samples, bounds, pairs, own_fresh))
    passed = [_evidence(_joined(parts), shots, judged, register)] if parts else []
    rows = [p for p in (*passed, _base_spent(shots, known.samples)) if len(p)]
    rows = pd.concat(rows or [pd.DataFrame(columns=[*EVIDENCE, "side"])], ignore_index=True)
    worst = rows.assign(rank=(rows["state"] == "alarm").astype(int))
    worst = worst.sort_values("rank", ascending=False, kind="stable").drop_duplicates(["sample", "analyte", "side"])
    return worst[EVIDENCE].sort_values(
        ["compartment", "drawn_on", "sample", "analyte"], kind="stable", ignore_index=True
    )


def _of_batch(shots: pd.DataFrame, results: pd.DataFrame, analyte: str) -> Floats:
    """What the batch in each bottle's compartment had of an analyte when fresh; NaN where that is not on record."""
    own = results[results["analyte"] == analyte]
    if own.empty:
        return np.full(len(shots), np.nan)
    own = own.assign(label=own["batch"].map(plain_label)).drop_duplicates(["site", "label"], keep="last")
    at = pd.MultiIndex.from_frame(shots[["site", "label"]])
    return np.asarray(own.set_index(["site", "label"])["value"].reindex(at).to_numpy(float))


def _bottles(known: Fleet, exposure: pd.DataFrame) -> pd.DataFrame:
    """Every bottle, in the order of known.samples, with its compartment's family and site, its fluid's hours, what
    the fluid is and the label of its batch.
    """
    samples = known.samples[["sample", "compartment", "drawn_on", "fluid_h"]].reset_index(drop=True)
    reported = known.samples["reported_on"].fillna(known.samples["received_on"]).fillna(known.samples["drawn_on"])
    samples["known_on"] = reported.to_numpy()
    places = known.compartments[["compartment", "machine", "kind", "family"]]
    places = places.merge(known.machines[["machine", "site"]], on="machine", how="left")
    out = samples.merge(places, on="compartment", how="left")
    hours = exposure.drop_duplicates("sample").set_index("sample")["fluid_h"]
    out["fluid_h"] = hours.reindex(out["sample"]).fillna(out.set_index("sample")["fluid_h"]).to_numpy()
    return out.join(fluids_in_force(known)).assign(label=batches_in_force(known).to_numpy())


def _judged(limits: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """The limits that condition results are held against."""
    ruled = limits["analyte"].isin(by_rule(register, "level", "falling", "two-sided", "ordinal"))
    return limits[ruled & limits["alarm"].notna()]


def relative_to_fresh(limits: pd.DataFrame, register: pd.DataFrame) -> list[str]:
    """Analytes with a limit that is a change from the fresh fluid or a rise above it."""
    judged = _judged(limits, register)
    return sorted(set(judged.loc[judged["measure"].isin(["change", "rise"]), "analyte"]))


def fresh_values(known: Fleet, exposure: pd.DataFrame, analytes: list[str]) -> pd.DataFrame:
    """What each analyte is in fresh fluid, per site x fluid x grade (columns FRESH).

    Learnt, in this order, from the middle of at least five young bottles of the site, else of the fleet; from the trend
    of at least ten bottles of the fleet carried back to 0 h (median of pairwise slopes); from the middle of the grade.
    Else NaN, with the reason in words.
    basis: `young bottles`, `trend`, `grade`, `not known`.
    """
    shots = _bottles(known, exposure)
    groups = shots[["site", "fluid", "grade"]].drop_duplicates().sort_values(["site", "fluid", "grade"])
    of_site, of_fleet = (shots.groupby(by).indices for by in (["site", "fluid", "grade"], ["fluid", "grade"]))
    h, none = shots["fluid_h"].to_numpy(float), np.zeros(0, np.int64)
    rows = []
    for analyte in analytes:
        if analyte not in known.samples:
            continue
        x = known.samples[analyte].to_numpy(float)
        seen, shots["x"] = np.isfinite(x) & np.isfinite(h), x
        fleet = {key: _of_fleet(shots, at[seen[at]], key[1], analyte) for key, at in of_fleet.items()}
        for key in groups.itertuples(index=False, name=None):
            at = of_site.get(key, none)
            found = _middle_of_young(h, x, at[seen[at]], "site") or fleet.get(key[1:]) or _unknown(0)
            rows.append((*key, analyte, *found))
    return typed([dict(zip(FRESH, row, strict=True)) for row in rows], "fresh")


_Fresh = tuple[float, int, str, str]  # value, bottles, basis, words


def _middle_of_young(h: Floats, x: Floats, at: NDArray[np.int64], where: str) -> _Fresh | None:
    """Of some bottles, given by their rows; None where too few of them are young."""
    young = x[at[_young(h[at])]]
    n = len(young)
    if n < _YOUNG_ENOUGH:
        return None
    return float(np.median(young)), n, "young bottles", f"middle of {n} young bottles of the {where}"


def _of_fleet(shots: pd.DataFrame, at: NDArray[np.int64], grade: str, analyte: str) -> _Fresh:
    """What the bottles of a fluid at all sites say, or its grade."""
    h, x = shots["fluid_h"].to_numpy(float), shots["x"].to_numpy(float)
    found = _middle_of_young(h, x, at, "fleet")
    if found:
        return found
    if len(at) >= _TREND_ENOUGH and len(np.unique(h[at])) > 2:
        value = _back_to_zero(shots.iloc[at])
        if value > 0:
            return value, len(at), "trend", f"trend of {len(at)} bottles carried back to 0 h"
    column, named = grade_viscosity(grade)
    if column == analyte and named.known:
        return named.value, 0, "grade", f"middle of grade {grade}"
    return _unknown(len(at))


def _unknown(n: int) -> _Fresh:
    words = f"{n} bottle(s) of this fluid, too few young ones, and its grade does not say"
    return np.nan, n, "not known", words


def _young(fluid_h: NDArray[Any]) -> NDArray[Any]:
    if len(fluid_h) == 0:
        return np.zeros(0, bool)
    return np.asarray(fluid_h <= max(_YOUNG_H, _YOUNG_SHARE * np.quantile(fluid_h, 0.9)))


def _back_to_zero(bottles: pd.DataFrame) -> float:
    """Value at 0 h of the straight trend over fluid hours, from the youngest bottles."""
    young = bottles.sort_values(["fluid_h", "sample"], kind="stable").head(_TREND_MOST)
    h, x = young["fluid_h"].to_numpy(dtype=float), young["x"].to_numpy(dtype=float)
    if np.ptp(h) == 0:
        return np.nan
    with np.errstate(invalid="ignore"):  # its confidence interval, not used here, fails on many ties
        slope = theilslopes(x, h)[0]
    return float(np.median(x - slope * h))


def _codes(rows: pd.DataFrame, others: pd.DataFrame) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """One number for each distinct row of two frames with the same columns."""
    both = pd.concat([rows, others], ignore_index=True)
    code = both.groupby(list(both), dropna=False, sort=False).ngroup().to_numpy(np.int64)
    return code[: len(rows)], code[len(rows) :]


def _pairs(
    family: NDArray[np.int64], measured: NDArray[np.bool_], of_limit: NDArray[np.int64], limits: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Every measured bottle with every one of these limits of its family: row of the bottle, row of the limit; in order
    of bottles, then of limits.

    family: number of each bottle's family; of_limit: the same of every limit; limits: rows of those that are meant.
    """
    size = int(max(family.max(initial=-1), of_limit.max(initial=-1))) + 1
    limits = limits[np.argsort(of_limit[limits], kind="stable")]
    count = np.bincount(of_limit[limits], minlength=size)
    bottles = np.flatnonzero(measured)
    n = count[family[bottles]]
    first = (np.cumsum(count) - count)[family[bottles]]
    place = np.arange(n.sum()) - np.repeat(np.cumsum(n) - n, n)
    return np.repeat(bottles, n), limits[np.repeat(first, n) + place]


def _bounds(limits: pd.DataFrame) -> dict[str, NDArray[Any]]:
    """Of every limit: measure, whether it is an upper one, whether it is fixed, and where alert and alarm begin."""
    up, fixed = limits["direction"] == "up", limits["method"].isin(list(FIXED_RULES))
    beyond = limits["alarm_high"].where(up, limits["alarm_low"]).fillna(limits["alarm"])
    alarm = limits["alarm"].where(fixed, beyond).to_numpy(float)
    measure = limits["measure"].to_numpy(object)
    return {"measure": measure, "up": up.to_numpy(), "fixed": fixed.to_numpy(), "alarm": alarm,
            "alert": limits["alert"].to_numpy(float)}  # fmt: skip


def _passed(
    analyte: str,
    samples: pd.DataFrame,
    bounds: dict[str, NDArray[Any]],
    pairs: tuple[NDArray[np.int64], NDArray[np.int64]],
    fresh: Floats,
) -> dict[str, NDArray[Any]]:
    """One analyte's bottles that pass a limit of their family, column by column. pairs: rows of bottle and limit;
    fresh: of each bottle.
    """
    b, k = pairs
    x = samples[analyte].to_numpy(dtype=float)[b]
    under, over = (flags(samples, [analyte], side)[b, 0] for side in ("below", "above"))
    measure, up, fixed = (bounds[name][k] for name in ("measure", "up", "fixed"))
    alert, alarm = (_in_unit(bounds[name][k], measure, fresh[b]) for name in ("alert", "alarm"))
    shown = np.where(measure == "code", iso_codes(x), x) if (measure == "code").any() else x
    past_alarm = np.where(up, (shown >= alarm) & ~under, (shown <= alarm) & ~over)
    past_alert = np.where(up, (shown >= alert) & ~under, (shown <= alert) & ~over) & fixed
    hit = np.flatnonzero(past_alarm | past_alert)
    past = past_alarm[hit]
    return {
        "bottle": b[hit],
        "limit": k[hit],
        "analyte": np.full(len(hit), analyte, object),
        "x": x[hit],
        "below": under[hit],
        "above": over[hit],
        "shown": shown[hit],
        "fresh": fresh[b[hit]],
        "threshold": np.where(past, alarm[hit], alert[hit]),
        "state": np.where(past & fixed[hit], "alarm", "alert"),
    }


def _joined(parts: list[dict[str, NDArray[Any]]]) -> pd.DataFrame:
    """Rows of all analytes."""
    return pd.DataFrame({name: np.concatenate([part[name] for part in parts]) for name in parts[0]})


def _in_unit(limit: Floats, measure: NDArray[Any], fresh: Floats) -> Floats:
    """A limit in the unit of what is shown: as it is, above the fresh value, or as a share of it; NaN where fresh is
    not known.
    """
    return np.where(measure == "change", fresh * (1 + limit), np.where(measure == "rise", fresh + limit, limit))


def _evidence(hit: pd.DataFrame, shots: pd.DataFrame, limits: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """Rows of evidence with their side from :func:`_passed`."""
    whose = shots[["compartment", "sample", "drawn_on", "known_on"]].iloc[hit["bottle"].to_numpy()]
    rule = limits[["measure", "direction", "method"]].iloc[hit["limit"].to_numpy()]
    named = register[["name", "unit"]].loc[hit["analyte"]]
    parts = [part.reset_index(drop=True) for part in (whose, hit, rule, named)]
    out = pd.concat(parts, axis=1).rename(columns={"direction": "side"}).astype({"analyte": "str", "state": "str"})
    out["words"] = pd.Series([_words(r) for r in out.itertuples()], dtype="str")
    out["unit"] = out["unit"].mask(out["measure"] == "code", "ISO 4406 code")
    out["rule"] = out["method"].map(FIXED_RULES).fillna("family limit")
    out["operator"] = pd.Series(np.where(out["side"] == "up", ">=", "<="), dtype="str")
    return out.assign(value=out["shown"])[[*EVIDENCE, "side"]]


def _number(x: float, figures: int = 3) -> str:
    """So many figures, thousands set apart, and no power of ten."""
    return f"{x:,.{figures}g}" if abs(x) < 10**figures else f"{x:,.0f}"


def _words(r) -> str:  # type: ignore[no-untyped-def]
    whose = _WHOSE.get(r.method, "its family's limit")
    way = "at or above" if r.side == "up" else "at or below"
    unit = "" if r.unit == "1" else f" {r.unit}"
    if r.measure == "code":
        return f"{r.name}: ISO 4406 code {'>' if r.above else ''}{r.shown:.0f}, {way} {whose} of {r.threshold:.0f}"
    said = f"{r.name} {'below ' if r.below else 'above ' if r.above else ''}{_number(r.x, 4)}{unit}"
    if r.measure == "change":
        turn = "above" if r.x > r.fresh else "below"
        return (
            f"{said}, {abs(r.x / r.fresh - 1):.0%} {turn} fresh ({_number(r.fresh, 4)}{unit}); {whose} is "
            f"{abs(r.threshold / r.fresh - 1):.0%}"
        )
    if r.measure == "rise":
        return (
            f"{said}, {_number(r.x - r.fresh)}{unit} above fresh ({_number(r.fresh, 4)}{unit}); {whose} is "
            f"{_number(r.threshold - r.fresh)}{unit}"
        )
    return f"{said}, {way} {whose} of {_number(r.threshold)}{unit}"


def _base_spent(shots: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """Bottles whose acid number has caught up with the base number: the oil's reserve is spent (common practice)."""
    if not {"TBN_mgKOH_g", "TAN_mgKOH_g"} <= set(samples):
        return pd.DataFrame()
    own = shots.assign(
        base=samples["TBN_mgKOH_g"].to_numpy(dtype=float), acid=samples["TAN_mgKOH_g"].to_numpy(dtype=float)
    )
    hit = own[(own["base"] <= own["acid"]) & (own["kind"] == "engine")]
    out = hit[["compartment", "sample", "drawn_on", "known_on"]].copy()
    out["analyte"], out["rule"], out["value"], out["operator"], out["threshold"] = (
        "TBN_mgKOH_g",
        "condition",
        hit["base"],
        "<=",
        hit["acid"],
    )
    out["unit"], out["state"], out["side"] = "mg KOH/g", "alert", "down"
    out["words"] = [
        f"base number {b:.3g} no longer above the acid number {a:.3g}: the oil's reserve is spent"
        for b, a in zip(hit["base"], hit["acid"], strict=True)
    ]
    return out
