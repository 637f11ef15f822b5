"""What a fluid change really leaves behind, learnt from the fleet's own changes: for each kind of compartment the share
f that stays.

After a change the level is f times what was drained plus what was gained since (`wear.exposure`), so a wrong f shows in
every forecast of a first bottle after a change. f is the mode of the pooled robust likelihood of the wear filter's
forecasts (`wear.family`), over all metals of a kind that fresh fluid carries next to none of (else f and the fresh
content explain each other), times a log-normal prior about the kind's assumed share. The usual rate, its scatter and
the laboratory's are fitted anew at each f tried. (`wear.profile` says how much the pooled likelihood is worth).
"""

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.records.constants import constant
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import empty, names, typed
from cmkit.wear.exposure import exposure_of
from cmkit.wear.family import fit_kinds
from cmkit.wear.group_fit import CONSTANTS, LOOSE, chosen_series, fit_groups
from cmkit.wear.likelihood import Series
from cmkit.wear.profile import posterior, worth
from cmkit.wear.rounding import bottle_steps
from cmkit.wear.series_arrays import Panel, panel
from cmkit.wear.timeline import with_changes

Floats = NDArray[np.float64]
_LOG_SD, _MOST = constant("wear", "residual_log_sd"), constant("wear", "residual_most")
_FEWEST = int(constant("wear", "residual_fewest"))
_TRIED = np.array([-1.4, -0.7, -0.3, 0.0, 0.3, 0.7, 1.1])  # log(f / assumed)
_NEAR = 0.3  # distance in log f over which the slope of the likelihood is taken
_FIRST_SWEEPS, _SWEEPS = 4, 1
_METALS = (
    "Fe_ppm",
    "Cr_ppm",
    "Pb_ppm",
    "Sn_ppm",
    "Al_ppm",
)  # hardly any of them in fresh fluid: common practice, no source
_FREE = (0, 2, 3)  # columns of the parameters fitted at each share tried


def learn_residuals(
    known: Fleet, line: pd.DataFrame, samples: pd.DataFrame, register: pd.DataFrame, steps: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Per kind with a usable bottle: residual (0..1), its sd at one change (what is not known of the kind's share
    included), the changes between bottles it was learnt from, and basis (`own changes`, or `assumed` where there are
    too few). Sorted by kind.

    line: `wear.timeline.with_make_up`; samples: wide results; register: analytes; steps: :func:`metal_steps` of the
    whole fleet where these are a part of it.
    """
    exposure = exposure_of(with_changes(line))
    if exposure.empty:
        return empty("residuals")
    out = _assumed(known, exposure)
    less = out.assign(residual=out["residual"] / 2, residual_sd=out["residual_sd"] / 2)
    half = exposure_of(with_changes(line, less))
    found = _found(exposure, half, samples, metal_steps(samples, register) if steps is None else steps, register)
    learnt = found.reindex(out["kind"]).reset_index()
    own = (out["n_changes"] >= _FEWEST) & learnt["log_times"].notna() & (out["residual"] > 0)
    residual = np.minimum(out["residual"] * np.exp(learnt["log_times"]), _MOST)
    cv = out["residual_sd"] / out["residual"].where(own)
    out["residual_sd"] = (residual * np.hypot(cv, learnt["log_sd"])).where(own, out["residual_sd"])
    out["residual"] = residual.where(own, out["residual"])
    out["basis"] = np.where(own, "own changes", "assumed")
    return typed(out[names("residuals")], "residuals")


def _assumed(known: Fleet, exposure: pd.DataFrame) -> pd.DataFrame:
    """The assumed share of every kind, and how many changes lie between its bottles."""
    n = exposure.groupby("kind")["changed"].sum().astype(int)
    kinds = [known.settings.kind(k) for k in n.index]
    residual = pd.Series([k.residual for k in kinds], index=n.index, dtype=float)
    cv = np.array([k.residual_cv for k in kinds], float)
    return pd.DataFrame({"residual": residual, "residual_sd": cv * residual, "n_changes": n}).reset_index()


def metal_steps(samples: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """The step behind each result of the metals used (`wear.rounding`), by sample and analyte."""
    analytes = [a for a in _METALS if a in samples and a in register.index]
    return bottle_steps(samples, analytes, register).set_axis(samples["sample"])


def _found(
    exposure: pd.DataFrame, half: pd.DataFrame, samples: pd.DataFrame, steps: pd.DataFrame, register: pd.DataFrame
) -> pd.DataFrame:
    """Per kind: log_times (log of f over the assumed share) and log_sd, posterior mean and sd on the shares tried."""
    analytes, steps = list(steps), steps.reindex(exposure["sample"])
    full, less = panel(exposure, samples, analytes), panel(half, samples, analytes)
    series = full.series.join(full.lives[["kind", "family"]], on="life_row")
    if series.empty:
        return pd.DataFrame({"log_times": [], "log_sd": []})
    groups, base, centre = fit_kinds(full, series, register, steps, free=(0, 1, 2, 3), sweeps=_FIRST_SWEEPS)
    costs, thetas = [], []
    for x in _TRIED:
        theta, cost = fit_groups(
            _at(full, less, x), series, "kind", groups, (centre, LOOSE), start=base, free=_FREE, sweeps=_SWEEPS
        )
        costs.append(pd.Series(cost).groupby(groups["kind"]).sum())
        thetas.append(theta)
    cost = pd.concat(costs, axis=1)
    best = np.array([thetas[k] for k in cost.to_numpy().argmin(axis=1)])  # (kinds, groups, parameters)
    own = best[pd.Index(cost.index).get_indexer(groups["kind"]), np.arange(len(groups))]
    counts = _worth(full, less, series, groups, theta=own, cost=cost)
    rows = [posterior(_TRIED, -c * w, _LOG_SD) for c, w in zip(cost.to_numpy(), counts, strict=True)]
    return pd.DataFrame(rows, columns=["log_times", "log_sd"], index=cost.index)


def _at(full: Panel, less: Panel, x: float | Floats) -> Panel:
    """The panel at e^x times the assumed share, from it and from half of it: the balance is linear in f over one
    change.

    The doubt of each change stays that of the assumed share: were it to grow with f, a small f would be likelier for
    its small doubt alone.
    """
    times = 2 * (np.exp(x) - 0.5)  # 1 at the assumed share, 0 at half of it
    moved = {
        n: np.maximum(less.exposure[n] + times * (full.exposure[n] - less.exposure[n]), 0.0)
        for n in ("phi", "psi", "chi")
    }
    return replace(full, exposure=full.exposure | moved)


def _worth(
    full: Panel, less: Panel, series: pd.DataFrame, groups: pd.DataFrame, *, theta: Floats, cost: pd.DataFrame
) -> Floats:
    """Per kind: curvature of the likelihood over the scatter of its slope between compartments, at most 1."""
    number, rows = chosen_series(series, "kind", groups)
    life = series["life_row"].to_numpy()[rows]
    given, constants = theta[number], groups[CONSTANTS].to_numpy(float)[number]
    at_best = _TRIED[np.clip(cost.to_numpy().argmin(axis=1), 1, len(_TRIED) - 2)]
    of_kind = pd.Index(cost.index).get_indexer(groups["kind"])[number]
    down, here, up = (np.zeros(len(rows)) for _ in range(3))
    for k, x in enumerate(at_best):
        own = of_kind == k
        panels = (_at(full, less, x + s * _NEAR) for s in (-1, 0, 1))
        tried = (Series.of(at, life[own], rows[own], constants[own]) for at in panels)
        down[own], here[own], up[own] = (at.log_likelihood(given[own]) for at in tried)
    place = full.lives["compartment"].to_numpy()[life]
    return worth((down, here, up), _NEAR, of_kind, place)
