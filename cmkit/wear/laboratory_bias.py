"""One laboratory against another: by how much the results of each laboratory lie above those of the one that measures
most, learnt for each kind of compartment and analyte.

Where a fleet changes its laboratory, or two measure the same family, a steady difference between them looks like
wear. A result of laboratory l is taken as exp(b) times what the reference laboratory would have reported, with b ~
N(0, s^2): laboratories differ by the reproducibility of the method (ASTM D5185 gives it as a difference between two
laboratories), and two of them can only be held against each other, so b is about the reference laboratory and says
nothing of the truth. b is the posterior mean on the pooled robust likelihood of the wear filter's forecasts of y
exp(-b), its Jacobian included, over compartments that had both laboratories (`wear.group_fit`, `wear.profile`): where
each site has its own, a difference of laboratories and one of sites are the same to the records, and nothing is
corrected. Kinds lean on the mean of all kinds as far as they agree (Paule and Mandel, `wear.family`): oils differ in
how they are digested or burnt, so they need not be alike. The sd has a least part for what the model of wear leaves
out.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.records.analytes import by_rule
from cmkit.records.constants import constant
from cmkit.tables.frames import empty, names, typed
from cmkit.wear.family import fit_kinds, paule_mandel, rate_steps
from cmkit.wear.group_fit import CONSTANTS, chosen_series
from cmkit.wear.likelihood import Series
from cmkit.wear.percentiles import shrink
from cmkit.wear.profile import posterior, worth
from cmkit.wear.series_arrays import Panel, panel

Floats = NDArray[np.float64]
_LOG_SD = constant("wear", "laboratory_log_sd")
_FEWEST, _SWITCHED = int(constant("wear", "laboratory_fewest")), int(constant("wear", "laboratory_switched"))
_LEAST_SD = constant("wear", "laboratory_least_sd")
_TRIED = np.array([-0.6, -0.4, -0.2, 0.0, 0.2, 0.4, 0.6])
_NEAR = 0.05
_SWEEPS = 3


def learn_laboratories(exposure: pd.DataFrame, samples: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """Per kind, laboratory and analyte of rule `rate`: log_bias and its sd log_sd, about the reference laboratory of
    the kind (the one with most bottles), and the bottles n it rests on. Sorted; no row for a reference laboratory, nor
    for one with too few bottles in the kind, or too few compartments that another laboratory measured as well.

    exposure: usable bottles; samples: wide results.
    """
    lab = laboratory_of(samples).reindex(exposure["sample"]).to_numpy()
    others = _others(exposure.assign(lab=lab))
    if others.empty:
        return empty("laboratory_bias")
    reported = [a for a in by_rule(register, "rate") if a in samples]
    use = exposure["kind"].isin(others["kind"]).to_numpy()
    exposure = exposure[use].reset_index(drop=True)
    data = panel(exposure, samples, reported)
    series = data.series.join(data.lives[["kind", "family"]], on="life_row")
    steps = rate_steps(samples, register).reindex(exposure["sample"])
    groups, theta, _ = fit_kinds(data, series, register, steps, sweeps=_SWEEPS)
    parts = []
    for name, own in others.groupby("lab"):
        at = pd.Series(lab[use] == name).to_numpy()[data.bottle] & (data.bottle >= 0)
        mask = at[series["life_row"].to_numpy()] & series["kind"].isin(own["kind"]).to_numpy()[:, None]
        part = _bias(data, series, groups, theta, mask)
        parts.append(part[part["kind"].isin(own["kind"])].assign(lab=name))
        data = replace(data, y=data.y * np.exp(-_of_series(part, series)[:, None] * mask))
    table = _pooled(pd.concat(parts).merge(others, on=["kind", "lab"]))
    return typed(
        table[names("laboratory_bias")].sort_values(["kind", "lab", "analyte"], ignore_index=True), "laboratory_bias"
    )


def _others(bottles: pd.DataFrame) -> pd.DataFrame:
    """kind, lab and bottles n of the laboratories that can be held against the one with most bottles: enough
    compartments had both.
    """
    both = bottles.groupby(["compartment", "life"])["lab"].transform("nunique") > 1
    switched = bottles[both].groupby(["kind", "lab"])["compartment"].nunique().rename("switched")
    counts = bottles[["kind", "lab"]].value_counts().rename("n").reset_index().join(switched, on=["kind", "lab"])
    counts = counts.sort_values(["n", "lab"], ascending=[False, True], kind="stable")
    enough = (counts["n"] >= _FEWEST) & (counts["switched"] >= _SWITCHED)
    return counts[counts.duplicated("kind") & enough][["kind", "lab", "n"]]


def _pooled(table: pd.DataFrame) -> pd.DataFrame:
    """Estimates of all kinds of one laboratory and analyte, each drawn to their mean."""
    parts = []
    for _, own in table.groupby(["lab", "analyte"]):
        estimate, variance = own["log_bias"].to_numpy(), own["log_sd"].to_numpy() ** 2
        if len(own) > 1:
            tau2, mean, se, _ = paule_mandel(estimate, variance)
            estimate, variance = shrink(estimate, variance, tau2, mean, se**2)
        parts.append(own.assign(log_bias=estimate, log_sd=np.sqrt(variance + _LEAST_SD**2)))
    return pd.concat(parts)


def bias_of_results(
    exposure: pd.DataFrame, samples: pd.DataFrame, analytes: list[str], laboratories: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """log_bias and log_sd of every result: two frames of the rows of `exposure` by `analytes`; 0 for a reference
    laboratory.
    """
    lab = laboratory_of(samples).reindex(exposure["sample"]).to_numpy()
    keys = pd.MultiIndex.from_arrays([exposure["kind"].to_numpy(), lab])
    wide = laboratories.pivot_table(["log_bias", "log_sd"], ["kind", "lab"], "analyte")
    return tuple(
        (wide[name] if len(wide) else pd.DataFrame())
        .reindex(index=keys, columns=analytes)
        .fillna(0.0)
        .reset_index(drop=True)
        for name in ("log_bias", "log_sd")
    )


def bias_of_rows(rows: pd.DataFrame, samples: pd.DataFrame, laboratories: pd.DataFrame) -> Floats:
    """Factor over the reference laboratory of each row's bottle; rows: columns sample, kind and analyte."""
    if laboratories.empty:
        return np.ones(len(rows))
    keys = rows[["kind", "analyte"]].assign(lab=laboratory_of(samples).reindex(rows["sample"]).to_numpy())
    found = keys.merge(laboratories, on=["kind", "lab", "analyte"], how="left")["log_bias"]
    return np.asarray(np.exp(found.fillna(0.0).to_numpy(float)))


def on_one_scale(samples: pd.DataFrame, kinds: pd.Series, laboratories: pd.DataFrame) -> pd.DataFrame:
    """`samples` as the reference laboratory would have reported them; flags and everything else stay.

    kinds: kind of each compartment, by its name.
    """
    if laboratories.empty:
        return samples
    analytes = [a for a in laboratories["analyte"].unique() if a in samples]
    of = samples[["sample"]].assign(kind=samples["compartment"].map(kinds))
    bias, _ = bias_of_results(of, samples, analytes, laboratories)
    return samples.assign(**{a: samples[a] * np.exp(-bias[a].to_numpy()) for a in analytes})


def laboratory_of(samples: pd.DataFrame) -> pd.Series:
    """The laboratory of each bottle, by sample; empty where it is not named."""
    lab = samples["lab"] if "lab" in samples else pd.Series("", index=samples.index)
    return lab.fillna("").astype("str").set_axis(samples["sample"])


def _of_series(part: pd.DataFrame, series: pd.DataFrame) -> Floats:
    bias = part.set_index(["kind", "analyte"])["log_bias"]
    keys = pd.MultiIndex.from_frame(series[["kind", "analyte"]])
    return np.asarray(bias.reindex(keys).fillna(0.0).to_numpy(float))


def _bias(
    data: Panel, series: pd.DataFrame, groups: pd.DataFrame, theta: Floats, mask: NDArray[np.bool_]
) -> pd.DataFrame:
    """kind, analyte, log_bias, log_sd of the results in `mask` (series, n), from series that have others too."""
    group, rows = chosen_series(series, "kind", groups)
    seen = np.isfinite(data.y[rows])
    both = (mask[rows] & seen).any(axis=1) & (~mask[rows] & seen).any(axis=1)
    group, rows = group[both], rows[both]
    life, place = series["life_row"].to_numpy()[rows], data.lives["compartment"].to_numpy()
    constants = groups[CONSTANTS].to_numpy(float)[group]
    exact = (mask & np.isfinite(data.y) & (data.censored == 0))[rows].sum(axis=1)

    def score(x: float | Floats) -> Floats:
        at = np.broadcast_to(np.asarray(x, float), len(rows))
        moved = data.y.copy()
        moved[rows] *= np.exp(-at[:, None] * mask[rows])
        tried = Series.of(replace(data, y=moved), life, rows, constants)
        return np.asarray(tried.log_likelihood(theta[group]) - at * exact)

    grid = np.array([np.bincount(group, score(float(x)), len(groups)) for x in _TRIED])
    best = _TRIED[grid.argmax(axis=0)][group]
    counts = worth((score(best - _NEAR), score(best), score(best + _NEAR)), _NEAR, group, place[life])
    counts = np.r_[counts, np.zeros(len(groups) - len(counts))]
    said = [posterior(_TRIED, grid[:, g] * counts[g], _LOG_SD) for g in range(len(groups))]
    return groups[["kind", "analyte"]].join(pd.DataFrame(said, columns=["log_bias", "log_sd"]))
