"""The first hours of a new component: surfaces that run in give off more metal than later.

At age a (hours since it was fitted) the wear of a compartment is beta (1 + A exp(-a / tau)): beta, the steady rate, is
what the filter follows. An interval from age a0 to a1 counts with the mean of that,

    1 + A W(a0, a1),   W = tau (exp(-a0 / tau) - exp(-a1 / tau)) / (a1 - a0)

times its effective hours, so that rates, forecasts and limits are those of the steady hours, and a new component is
judged by what is usual for new ones. A is one number a kind: its posterior mean from the pooled robust likelihood of
the filter's forecasts, weighted by what that is worth (`wear.profile`), under a normal prior from common practice cut
at 0. With fewer new components than `running_in_components` the prior alone speaks. A is learnt rather too low (about
three quarters of the extra metal, on invented fleets), as the family's scatter, fitted beforehand, takes a part of it.
That wear falls off exponentially while surfaces run in is the usual first approximation (Queener, Smith and Mitchell
1965, "Transient wear of machine parts", Wear 8, from memory).
"""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cmkit.records.constants import constant
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import empty, typed
from cmkit.wear.tried_hours import fitted_hours, profile_by_kind

Floats = NDArray[np.float64]
OWN, PRACTICE = "own new components", "common practice"
_TAU_H = constant("wear", "running_in_h")
_USUAL, _SD = constant("wear", "running_in_usual"), constant("wear", "running_in_sd")
_FEWEST, _LEAST = int(constant("wear", "running_in_components")), constant("wear", "running_in_least")
_YOUNG = 0.2  # own choice: W from which an interval says something of the running-in
_TRIED = np.linspace(0.0, 6.0, 7)
_FINE = np.linspace(0.0, 6.0, 301)
_SWEEPS = 3


def component_age(known: Fleet, exposure: pd.DataFrame) -> Floats:
    """Running hours of the component at each bottle of `exposure`, NaN where no start of it is on record.

    A start is a `replace` service of an earlier day, `fitted_on`, or the machine's first day of work (its components
    have the hours of its meter). Where the meter was changed, hours are counted on from the first bottle after the
    start.
    """
    starts = _starts(known).sort_values("on", kind="stable")
    rows = exposure[["compartment", "drawn_on", "meter_h", "run_h"]].reset_index(names="at")
    rows = rows.sort_values("drawn_on", kind="stable")
    first = rows.assign(carried=rows["run_h"] - rows["meter_h"])[["compartment", "drawn_on", "carried"]]
    first = first[first["carried"].notna()]
    starts = pd.merge_asof(
        starts, first, left_on="on", right_on="drawn_on", by="compartment", direction="forward"
    ).drop(columns="drawn_on")
    found = pd.merge_asof(rows, starts, left_on="drawn_on", right_on="on", by="compartment", allow_exact_matches=False)
    age = (found["run_h"] - found["start_h"] - found["carried"] + found["had_h"]).set_axis(found["at"])
    return np.asarray(age.where(age >= 0).reindex(exposure.index).to_numpy(float))


def _starts(known: Fleet) -> pd.DataFrame:
    """compartment, on, start_h (meter), had_h (hours it had already)."""
    machines = known.machines[["machine", "in_service_on", "meter_h_at_start"]]
    places = known.compartments.merge(machines, on="machine")
    replaced = known.services.loc[known.services["kind"] == "replace", ["compartment", "done_on", "meter_h"]]
    fitted = places.loc[places["fitted_on"].notna(), ["compartment", "fitted_on", "fitted_at_h"]]
    built = places[places["fitted_on"].isna()]
    built = built[["compartment", "in_service_on", "meter_h_at_start"]]
    parts = [f.set_axis(["compartment", "on", "start_h"], axis=1).assign(had_h=0.0) for f in (replaced, fitted)]
    built = built.set_axis(["compartment", "on", "start_h"], axis=1).assign(had_h=built["meter_h_at_start"].to_numpy())
    return pd.concat([*parts, built], ignore_index=True).dropna(subset=["on", "start_h"])


def mean_share(start: ArrayLike, end: ArrayLike) -> Floats:
    """W: the mean of exp(-a / tau) over ages from `start` to `end` (hours, 0 <= start <= end); its value where both are
    one; 0 where an age is not known.
    """
    a0, a1 = np.asarray(start, float), np.asarray(end, float)
    x = np.maximum(a1 - a0, 1e-9) / _TAU_H
    return np.asarray(np.nan_to_num(np.exp(-a0 / _TAU_H) * -np.expm1(-x) / x))


def _share_of(exposure: pd.DataFrame) -> Floats:
    """W of the interval before each bottle; of the first of a life, of its fluid's hours."""
    end = exposure["age_h"].to_numpy(float)
    hours = exposure["hours"].fillna(exposure["fluid_h"]).to_numpy(float)
    start = np.maximum(end - np.where(np.isfinite(hours), np.maximum(hours, 0.0), end), 0.0)
    return mean_share(start, end)


def with_age(known: Fleet, exposure: pd.DataFrame) -> pd.DataFrame:
    """`exposure` with the hours of each bottle's component."""
    return exposure.assign(age_h=component_age(known, exposure))


def with_running_in(exposure: pd.DataFrame, running_in: pd.DataFrame) -> pd.DataFrame:
    """`exposure` (with ages) whose effective hours count by the running-in of its kind (:func:`learn_running_in`)."""
    extra = exposure["kind"].map(running_in.set_index("kind")["extra"]).fillna(0.0).to_numpy(float)
    times = 1 + extra * _share_of(exposure)
    if (times == 1).all():
        return exposure
    return exposure.assign(psi=exposure["psi"] * times, sd_psi=exposure["sd_psi"] * times, running_in=times)


def running_in_ahead(rows: pd.DataFrame, running_in: pd.DataFrame, hours_ahead: ArrayLike) -> Floats:
    """What the next `hours_ahead` of each row (kind, age_h) count for its running-in."""
    extra = rows["kind"].map(running_in.set_index("kind")["extra"]).fillna(0.0).to_numpy(float)
    age = rows["age_h"].to_numpy(float)
    return np.asarray(1 + extra * mean_share(age, age + np.maximum(np.asarray(hours_ahead, float), 0.0)))


def learn_running_in(
    known: Fleet, exposure: pd.DataFrame, samples: pd.DataFrame, register: pd.DataFrame, steps: pd.DataFrame
) -> pd.DataFrame:
    """Per kind: extra (A: how much more a new component wears at first, as a share of its steady rate), its sd, the new
    components and bottles it rests on, and the basis. Sorted by kind; coolants have none.

    exposure: with ages; samples: wide results; register: analytes; steps: `wear.family.rate_steps`.
    """
    kinds = sorted(k for k in set(exposure["kind"]) if "coolant" not in k)
    share = _share_of(exposure)
    young = exposure[(share >= _YOUNG) & exposure["kind"].isin(kinds)]
    lives = young.drop_duplicates(["compartment", "life"])["kind"].value_counts()
    few: dict[str, Any] = {"extra": _USUAL, "extra_sd": _SD, "basis": PRACTICE}
    bottles = young["kind"].value_counts()
    rows = {k: few | {"kind": k, "components": int(lives.get(k, 0)), "n": int(bottles.get(k, 0))} for k in kinds}
    enough = [k for k in kinds if rows[k]["components"] >= _FEWEST]
    if enough:
        own = (exposure["kind"].isin(enough)).to_numpy()
        part = exposure[own].reset_index(drop=True)
        for row in _fitted(part, samples, register, steps, share[own]):
            rows[row["kind"]] |= row | {"basis": OWN}
    return typed(list(rows.values()), "running_in") if rows else empty("running_in")


def _fitted(
    exposure: pd.DataFrame, samples: pd.DataFrame, register: pd.DataFrame, steps: pd.DataFrame, share: Floats
) -> list[dict[str, Any]]:
    """kind, extra and extra_sd of the kinds of `exposure`; extra 0 below what is worth a correction."""
    own = samples[samples["sample"].isin(exposure["sample"])]
    tried, series = fitted_hours(exposure, own, register, steps, sweeps=_SWEEPS)
    x = tried.of_bottles(share, otherwise=0.0)
    kinds, total, weight = profile_by_kind(tried, series, _TRIED, lambda extra: 1 + extra * x)
    return [{"kind": str(kind), **_posterior(weight[k] * total[:, k])} for k, kind in enumerate(kinds)]


def _posterior(log_likelihood: Floats) -> dict[str, float]:
    """Mean and sd of A under the prior, by quadrature; 0 where it is too small to be worth a correction."""
    y = np.polynomial.Polynomial.fit(_TRIED, log_likelihood, 5)(_FINE) - 0.5 * ((_FINE - _USUAL) / _SD) ** 2
    weight = np.exp(y - y.max())
    mean = float((weight * _FINE).sum() / weight.sum())
    sd = float(np.sqrt((weight * (_FINE - mean) ** 2).sum() / weight.sum()))
    return {"extra": mean if mean >= _LEAST else 0.0, "extra_sd": sd}
