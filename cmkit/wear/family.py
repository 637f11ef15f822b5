"""Family numbers: what is usual for a family of compartments, estimated from all its results together and frozen
between reviews.

Estimation maximises the pooled likelihood of the filter's own one-step forecasts (a Student form, so that a few sick
machines do not set what is usual), with log-normal penalties. A family leans on its parent (all compartments of the
same kind), the parent on the analyte register.
Derivation: guide how_it_is_computed, B2. Between-series variance: Paule and Mandel's estimator, recommended over moment
estimators by Veroniki and others 2015.
"""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cmkit.records.analytes import by_rule
from cmkit.records.constants import constant
from cmkit.tables.frames import empty, names, typed
from cmkit.wear.filter import DRIFT_SHARE
from cmkit.wear.group_fit import FRESH, LOOSE, SWEEPS, fit_groups
from cmkit.wear.rounding import bottle_steps
from cmkit.wear.series_arrays import Panel, panel
from cmkit.wear.wandering import drift_of_kinds

Floats = NDArray[np.float64]

COLUMNS = names("numbers")
ENOUGH_SERIES, ENOUGH_VALUES = int(constant("wear", "fitted_series")), int(constant("wear", "fitted_values"))
_USUAL_CV, _USUAL_LOAD = constant("wear", "usual_rate_cv"), constant("wear", "usual_load_share")
_LEAN = np.array([0.7, 0.4, 0.3, 0.3, 0.25])  # sd of a family's parameters about its parent's: own choice
_AGAIN = 2  # sweeps once the drift is known


def family_numbers(
    exposure: pd.DataFrame,
    samples: pd.DataFrame,
    register: pd.DataFrame,
    frozen: pd.DataFrame | None = None,
    *,
    steps: pd.DataFrame | None = None,
    own_fresh: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """One row per family and analyte of rule `rate` that has a result (columns COLUMNS), sorted by family and register
    order.

    exposure: `sample_exposure`; samples: wide results. rate_mean, rate_sd ppm/h; noise_floor, level_mean, fresh_ppm
    ppm; level_var ppm^2; noise_share, load_share shares; drift_share share per sqrt(1000 h).
    rounding_step ppm: root of the mean squared step its laboratories round to (`wear.rounding`).
    level_mean, level_var: mean and variance of the level of a used fluid when it is drained. basis: `fitted`, `parent`
    (too few results of its own, leans on its kind) or `register` (its kind has too few as well). frozen: an earlier
    table; families and analytes in it are used as they stand. steps: :func:`rate_steps` of the whole fleet where
    `samples` are a part of it. own_fresh: compartments whose fresh fluid is not their family's (`wear.own_fresh`).
    """
    analytes = by_rule(register, "rate")
    reported = [a for a in analytes if a in samples]
    data = panel(exposure, samples, reported).with_fresh(own_fresh)
    kept = _frozen_rows(frozen)
    if not _covers(kept, data):
        steps = rate_steps(samples, register) if steps is None else steps
        kept = _with_new(kept, _fit_all(data, register, steps.reindex(exposure["sample"])))
    rank = {name: i for i, name in enumerate(analytes)}
    table = kept.sort_values(["family", "analyte"], key=lambda c: c.map(rank) if c.name == "analyte" else c)
    return typed(table[COLUMNS].reset_index(drop=True), "numbers")


def rate_steps(samples: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """The step behind each result of rule `rate` (`wear.rounding`), by sample and analyte."""
    reported = [a for a in by_rule(register, "rate") if a in samples]
    return bottle_steps(samples, reported, register).set_axis(samples["sample"])


def _frozen_rows(frozen: pd.DataFrame | None) -> pd.DataFrame:
    rows = pd.DataFrame(columns=COLUMNS) if frozen is None else frozen[COLUMNS].copy()
    rows["frozen_on"] = pd.to_datetime(rows["frozen_on"]).astype("datetime64[us]")
    return rows


def _covers(frozen: pd.DataFrame, data: Panel) -> bool:
    """True when every family and analyte with a result is frozen: then nothing needs fitting."""
    needed = data.series.join(data.lives["family"], on="life_row")[["family", "analyte"]].drop_duplicates()
    return len(frozen) > 0 and len(needed.merge(frozen, on=["family", "analyte"])) == len(needed)


def _with_new(frozen: pd.DataFrame, fitted: pd.DataFrame) -> pd.DataFrame:
    fitted["frozen_on"] = pd.Series(pd.NaT, index=fitted.index, dtype="datetime64[us]")
    known = pd.MultiIndex.from_frame(frozen[["family", "analyte"]])
    new = fitted[~pd.MultiIndex.from_frame(fitted[["family", "analyte"]]).isin(known)]
    return pd.concat([frozen, new], ignore_index=True) if len(frozen) else new


def drift(numbers: pd.DataFrame, frozen: pd.DataFrame) -> pd.DataFrame:
    """How far numbers estimated now lie from the frozen ones: family, analyte, rate_frozen, rate_now, ratio, sds
    (change of the rate over its standard error), words.

    The standard error of a family's mean rate is taken as sqrt(rate_sd^2/n) of each side. Only families and analytes in
    both tables.
    """
    both = numbers.merge(frozen[COLUMNS], on=["family", "analyte"], suffixes=("_now", "_frozen"))
    se2 = (both["rate_sd_now"] ** 2 / both["n_series_now"]) + (both["rate_sd_frozen"] ** 2 / both["n_series_frozen"])
    out = both[["family", "analyte"]].assign(rate_frozen=both["rate_mean_frozen"], rate_now=both["rate_mean_now"])
    out["ratio"] = out["rate_now"] / out["rate_frozen"]
    out["sds"] = (out["rate_now"] - out["rate_frozen"]) / np.sqrt(se2)
    moved = out["sds"].abs() >= 3
    out["words"] = np.where(
        ~moved,
        "as frozen",
        np.where(out["ratio"] > 1, "wears faster than when frozen", "wears slower than when frozen"),
    )
    out["words"] = out["words"].astype("str")
    return out


def drift_report(moved: pd.DataFrame, frozen_on: str, most: int = 5) -> str:
    """Some lines on a table of :func:`drift`, furthest first: the families that drifted most, or that none did."""
    head = f"Family numbers frozen on {frozen_on}"
    away = moved[moved["words"] != "as frozen"]
    if not len(away):
        furthest = [f" (furthest: {r.family}, {r.analyte}, {r.ratio:.2g} times)" for r in moved.head(1).itertuples()]
        return f"{head}: no notable drift in {len(moved)} families and results{''.join(furthest)}."
    lines = [
        f"  {r.family}, {r.analyte}: {1000 * r.rate_frozen:.2g} then, {1000 * r.rate_now:.2g} ppm per 1,000 h now, "
        f"{r.words}"
        for r in away.head(most).itertuples()
    ]
    more = [f"  and {len(away) - most} more"] if len(away) > most else []
    return "\n".join(
        [f"{head}: {len(away)} of {len(moved)} families and results drifted, furthest first.", *lines, *more]
    )


def paule_mandel(estimates: ArrayLike, variances: ArrayLike) -> tuple[float, float, float, Floats]:
    """Between-series variance tau2, mean, its standard error, and the estimates shrunk towards the mean.

    Solves sum (b_i - mu)^2/(v_i + tau2) = n - 1 for tau2 (0 when even tau2 = 0 leaves less), mu the weighted mean.
    Needs n >= 2 and positive variances, else ValueError. The sum falls with tau2 and is convex, so Newton's steps from
    0 rise to the root (DerSimonian and Kacker 2007).
    """
    b, v = np.asarray(estimates, float), np.asarray(variances, float)
    if len(b) < 2 or b.shape != v.shape or not (v > 0).all():
        raise ValueError("wanted two or more estimates, each with a positive variance")
    tau2 = 0.0
    for _ in range(200):
        w = 1 / (v + tau2)
        off = w * (b - np.sum(w * b) / w.sum())
        excess = float(np.sum(off * off / w)) - (len(b) - 1)
        if excess <= 1e-13 * len(b):
            break
        tau2 += excess / float(np.sum(off * off))
    w = 1 / (v + tau2)
    mu = float(np.sum(w * b) / w.sum())
    return tau2, mu, float(1 / np.sqrt(w.sum())), mu + tau2 / (tau2 + v) * (b - mu)


def _fit_all(data: Panel, register: pd.DataFrame, steps: pd.DataFrame) -> pd.DataFrame:
    """Fit parents (compartment kinds), then families leaning on them."""
    series = data.series.join(data.lives[["kind", "family"]], on="life_row")
    if series.empty:
        return empty("numbers")
    parents, above, centre = fit_kinds(data, series, register, steps)
    drift = drift_of_kinds(data, series, parents, above, centre)
    parents["drift_share"] = parents["kind"].map(drift)
    above, _ = fit_groups(data, series, "kind", parents, (centre, LOOSE), start=above, sweeps=_AGAIN)
    families = _facts(data, series, "family", register, steps)
    families["drift_share"] = families["parent"].map(drift)
    up = pd.MultiIndex.from_frame(parents[["kind", "analyte"]]).get_indexer(
        pd.MultiIndex.from_frame(families[["parent", "analyte"]])
    )
    above = above[up]
    above[:, FRESH] *= parents["usual"].to_numpy()[up] / families["usual"]
    above[:, FRESH] *= above[:, FRESH] * families["usual"] >= families["unit"] / 2
    best, _ = fit_groups(data, series, "family", families, (above, _LEAN))
    enough = (families["n_series"] >= ENOUGH_SERIES) & (families["n_values"] >= ENOUGH_VALUES)
    parent_enough = ((parents["n_series"] >= ENOUGH_SERIES) & (parents["n_values"] >= ENOUGH_VALUES)).to_numpy()[up]
    m, ratio, b, eta = np.exp(best[:, :FRESH]).T
    return families.assign(
        rate_mean=m,
        rate_sd=ratio * m,
        noise_floor=families["noise_floor"],
        noise_share=b,
        load_share=eta,
        rounding_step=families["unit"],
        fresh_ppm=best[:, FRESH] * families["usual"],
        basis=pd.Series(np.where(enough, "fitted", np.where(parent_enough, "parent", "register")), dtype="str"),
    )


def fit_kinds(
    data: Panel,
    series: pd.DataFrame,
    register: pd.DataFrame,
    steps: pd.DataFrame,
    *,
    free: tuple[int, ...] = tuple(range(FRESH + 1)),
    sweeps: int = SWEEPS,
) -> tuple[pd.DataFrame, Floats, Floats]:
    """Facts of every kind and analyte, their best parameters and the centre of the penalties (columns as of
    :func:`fit_groups`).
    """
    parents = _facts(data, series, "kind", register, steps)
    first = np.log(parents[["m0", "noise_share"]].to_numpy(float))
    usual = np.log([_USUAL_CV, _USUAL_LOAD])
    centre = np.column_stack([first[:, 0], *np.broadcast_to(usual[:, None], (2, len(parents))), np.zeros(len(parents))])
    centre = np.insert(centre, 2, first[:, 1], axis=1)
    return parents, fit_groups(data, series, "kind", parents, (centre, LOOSE), free=free, sweeps=sweeps)[0], centre


def _facts(data: Panel, series: pd.DataFrame, by: str, register: pd.DataFrame, steps: pd.DataFrame) -> pd.DataFrame:
    """Per group (kind or family) and analyte: counts, usual level (level_mean, level_var), a first rate m0, and the
    register's noise.
    """
    seen = np.isfinite(data.y)
    life = series["life_row"].to_numpy()
    psi, phi = data.exposure["psi"][life], data.exposure["phi"][life]
    level = np.where(data.censored < 0, data.y / 2, data.y)
    before = np.column_stack([np.full(len(level), np.nan), level[:, :-1]])
    rate = (level - phi * before) / np.where(psi > 0, psi, np.nan)
    s, i = np.nonzero(seen)
    drained = np.where(_changed_after(data)[life], level, np.nan)
    long = series.iloc[s].assign(
        level=level[s, i],
        drained=drained[s, i],
        rate=rate[s, i],
        psi=psi[s, i],
        chi=data.exposure["chi"][life][s, i],
        series=s,
        parent=lambda f: f["kind"],
        square=steps.to_numpy()[data.bottle[life][s, i], steps.columns.get_indexer(series["analyte"])[s]] ** 2,
    )
    out = long.groupby([by, "analyte"], sort=True).agg(
        usual=("level", "median"),
        level_mean=("drained", "median"),
        drains=("drained", "count"),
        rate=("rate", "median"),
        psi=("psi", "median"),
        contrast=("chi", "std"),
        n_values=("level", "size"),
        n_series=("series", "nunique"),
        parent=("parent", "first"),
        square=("square", "mean"),
    )
    out = out.reset_index().join(register[["noise_floor", "noise_share"]], on="analyte").assign(drift_share=DRIFT_SHARE)
    out["level_mean"] = out["level_mean"].where(out["drains"] >= ENOUGH_SERIES, out["usual"])
    out["level_var"] = _spread_about(long, out, by) ** 2 + out["noise_floor"] ** 2
    out["unit"] = np.sqrt(out["square"])
    span = out["psi"].where(out["psi"] > 0).fillna(out["psi"].where(out["psi"] > 0).median()).fillna(250.0)
    out["m0"] = np.maximum(
        out["rate"].fillna(out["level_mean"] / (2 * span)),
        0.1 * np.maximum(out["noise_floor"], 0.1 * out["level_mean"]) / span,
    )
    return out


def _changed_after(data: Panel) -> NDArray[np.bool_]:
    """Bottles followed by a fluid change before the next bottle of the same life: the level that was drained."""
    after = np.zeros(data.exposure["changed"].shape, bool)
    after[:, :-1] = data.exposure["changed"][:, 1:] == 1
    return after


def _spread_about(long: pd.DataFrame, groups: pd.DataFrame, by: str) -> pd.Series:
    """Robust sd of the levels about each group's level_mean, not below half of it: a first bottle's own past is not
    known.
    """
    near = long.merge(groups[[by, "analyte", "level_mean", "drains"]], on=[by, "analyte"])
    value = near["drained"].where(near["drains"] >= ENOUGH_SERIES, near["level"])
    off = (value - near["level_mean"]).abs().groupby([near[by], near["analyte"]]).median()
    keys = pd.MultiIndex.from_frame(groups[[by, "analyte"]])
    return np.maximum(1.4826 * off.reindex(keys).set_axis(groups.index), 0.5 * groups["level_mean"])
