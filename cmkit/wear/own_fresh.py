"""What the fresh fluid of a single compartment carries, learnt at its own changes: fluids of one grade differ in their
additives from make to make and from batch to batch.

Between two bottles y_i - phi_i y_(i-1) = beta psi_i + c chi_i + error (`wear.exposure`): weighted least squares of
either compartment and analyte on psi and chi give the content c of its fresh fluid with its variance; two rounds of
Huber's weights keep single bottles from setting it. The contents of a family scatter about their mean by tau^2 (Paule
and Mandel, `wear.family`). Where they scatter more than by chance (Cochran's Q, chi-square), each compartment has the
content drawn to the mean by its own uncertainty; elsewhere all have the family's (`fresh_ppm` of its numbers).
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import chi2

from cmkit.records.analytes import by_rule
from cmkit.records.constants import constant
from cmkit.tables.frames import empty, names, typed
from cmkit.wear.family import paule_mandel
from cmkit.wear.percentiles import shrink
from cmkit.wear.series_arrays import Panel, panel

Floats = NDArray[np.float64]
_HUBER = constant("wear", "huber")
_LOAD = constant("wear", "own_fresh_load_share")
_FEWEST = int(constant("wear", "own_fresh_fewest"))
_CHANCE = constant("wear", "own_fresh_chance")
_LEAST_CHI = constant("wear", "fresh_contrast")
_ROUNDS = 3


def learn_own_fresh(exposure: pd.DataFrame, samples: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """Per compartment and analyte of families whose fresh fluids are not alike: offset_ppm (its content over the mean
    of the family) and offset_sd. Sorted by compartment and analyte.

    exposure: `sample_exposure`; samples: wide results.
    """
    data = panel(exposure, samples, [a for a in by_rule(register, "rate") if a in samples])
    series = data.series.join(data.lives[["compartment", "family"]], on="life_row")
    if series.empty:
        return empty("own_fresh")
    noise = register.loc[series["analyte"], ["noise_floor", "noise_share"]].to_numpy(float)
    content, variance = _contents(data, series["life_row"].to_numpy(), noise)
    found = series.assign(content=content, precision=1 / variance)
    found = found[np.isfinite(content) & (variance > 0)]
    found["weighed"] = found["content"] * found["precision"]
    sums = found.groupby(["family", "analyte", "compartment"])[["weighed", "precision"]].sum().reset_index()
    parts = [_drawn(own) for _, own in sums.groupby(["family", "analyte"]) if len(own) >= _FEWEST]
    kept = [part for part in parts if part is not None]
    if not kept:
        return empty("own_fresh")
    return typed(
        pd.concat(kept)[names("own_fresh")].sort_values(["compartment", "analyte"], ignore_index=True), "own_fresh"
    )


def offsets_of(own_fresh: pd.DataFrame | None, places: NDArray[np.object_], analytes: list[str]) -> Floats:
    """Content of fresh fluid over the family's, ppm (places, analytes); 0 where it is the family's."""
    if own_fresh is None or own_fresh.empty:
        return np.zeros((len(places), len(analytes)))
    wide = own_fresh.pivot_table("offset_ppm", "compartment", "analyte")
    return np.asarray(wide.reindex(index=places, columns=analytes).fillna(0.0).to_numpy(float))


def _drawn(own: pd.DataFrame) -> pd.DataFrame | None:
    """Offsets of the compartments of one family and analyte; None where they are alike."""
    content, variance = (own["weighed"] / own["precision"]).to_numpy(), 1 / own["precision"].to_numpy()
    middle = np.sum(content / variance) / np.sum(1 / variance)
    if chi2.sf(np.sum((content - middle) ** 2 / variance), len(own) - 1) > _CHANCE:
        return None
    tau2, mean, se, _ = paule_mandel(content, variance)
    drawn, left = shrink(content, variance, tau2, mean, se**2)
    return own.assign(offset_ppm=drawn - mean, offset_sd=np.sqrt(left))


def _contents(data: Panel, life: NDArray[np.int64], noise: Floats) -> tuple[Floats, Floats]:
    """Content of fresh fluid and its variance of every series; NaN where its own bottles cannot tell it from wear."""
    level = np.where(data.censored < 0, data.y / 2, data.y)
    phi, psi, chi, sd_phi = (data.exposure[name][life] for name in ("phi", "psi", "chi", "sd_phi"))
    before = np.column_stack([np.full(len(level), np.nan), level[:, :-1]])
    gained = level - phi * before
    floor, share = noise.T[:, :, None]
    scatter = 2 * floor**2 + share**2 * (level**2 + (phi * before) ** 2) + (_LOAD * np.maximum(gained, 0)) ** 2
    scatter += (sd_phi * before) ** 2
    seen = np.isfinite(gained) & np.isfinite(psi)
    scatter = np.where(seen, scatter, 1.0)
    weight = np.where(seen, 1 / scatter, 0.0)
    x = np.where(seen, np.stack([psi / 1000, chi]), 0.0)
    y = np.where(seen, gained, 0.0)
    told = np.where(seen, chi, 0.0).max(axis=1) > np.where(seen, chi, 1.0).min(axis=1) + _LEAST_CHI
    fit, inverse, size = np.zeros((len(y), 2)), np.zeros((len(y), 2, 2)), np.ones(len(y))
    for _ in range(_ROUNDS):
        off = np.abs(y - np.einsum("ksn,sk->sn", x, fit)) / np.sqrt(scatter)
        huber = weight * (np.minimum(1.0, _HUBER * size[:, None] / np.maximum(off, 1e-9)) if inverse.any() else 1.0)
        normal = np.einsum("ksn,lsn,sn->skl", x, x, huber) + 1e-12 * np.eye(2)
        inverse = np.linalg.inv(normal)
        fit = np.einsum("skl,lsn,sn,sn->sk", inverse, x, y, huber)
        left = (huber * (y - np.einsum("ksn,sk->sn", x, fit)) ** 2).sum(axis=1)
        size = np.sqrt(np.maximum(left / np.maximum(seen.sum(axis=1) - 2, 1), 1.0))
    enough = told & (seen.sum(axis=1) >= 4)
    return np.where(enough, fit[:, 1], np.nan), np.where(enough, inverse[:, 1, 1] * size**2, np.nan)
