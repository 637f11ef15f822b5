"""How often to sample each compartment of a fleet: records, wear numbers and money in, one row of advice per
compartment out.
"""

from dataclasses import fields
from typing import Any

import numpy as np
import pandas as pd

from cmkit.intervals.cost import Case, IntervalCost, distinct, equivalent_chance, interval_cost
from cmkit.intervals.defect_records import defect_records
from cmkit.intervals.delay import Array
from cmkit.intervals.estimate import FEW, RECORDS, Prior, fit_defect_history
from cmkit.intervals.tune import (
    FLAT,
    Draws,
    Uncertainty,
    allocate_samples,
    draw_factors,
    flat_stretch,
    interval_uncertainty,
    prepare_outcomes,
)
from cmkit.learnt import Learnt
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet, sampling_interval
from cmkit.records.settings import Intervals, Kind, Sampling, Settings
from cmkit.records.turnaround import turnaround_by_machine
from cmkit.tables.frames import empty, names, typed

INTERVALS = names("intervals")
CURVES = names("curves")
LEARNT = names("defects")


def learn_defects(
    known: Fleet, exposure: pd.DataFrame, numbers: pd.DataFrame, rates: pd.DataFrame, use: pd.DataFrame
) -> pd.DataFrame:
    """:func:`defect_rates` of a whole fleet: exposure, numbers, rates as made by `wear`; use: pace of each machine."""
    rows = _compartments(known, exposure, numbers, rates, use)
    return defect_rates(defect_records(known, exposure, use), known.settings, _chance_by_kind(known, rows))


def advise_intervals(
    known: Fleet, exposure: pd.DataFrame, rates: pd.DataFrame, use: pd.DataFrame, learnt: Learnt
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """(intervals, curves): advice and cost curve of each compartment of a working machine (columns INTERVALS; CURVES).

    exposure, rates: as made by `wear`; use: machine, h_per_day. Hours are operating hours, costs are per 1,000 of them.
    advised_h is NaN when no interval pays or none could be judged; the words say which. The advice is the interval of
    least expected cost on the service grid; what crew and laboratory can do is the whole fleet's matter
    (:func:`within_capacity`).
    """
    rows = _compartments(known, exposure, learnt.numbers, rates, use)
    rows["turnaround_days"] = turnaround_by_machine(known, learnt.turnaround).reindex(rows["machine"]).to_numpy()
    rows = rows.merge(learnt.defects, on="kind", how="left").merge(learnt.sampled, on="family", how="left")
    judged = rows[rows["analyte"].notna()].reset_index(drop=True)
    rest = _not_judged(rows[rows["analyte"].isna()])
    if judged.empty:
        return rest, empty("curves")
    case = _case(known, judged)
    grid = curve_grid(np.array(known.settings.sampling.service_grid_h), learnt.in_use["every_h"].to_numpy(float))
    allowed = np.isin(grid, known.settings.sampling.service_grid_h) | np.isinf(grid)
    today = judged["today_h"].to_numpy(float)
    spread = _spread(case, grid, today, allowed, judged, assumed=known.settings.intervals)
    choice = np.flatnonzero(allowed)[spread.expected[:, allowed].argmin(axis=1)]
    ends = np.flatnonzero(allowed)[[0, -2]]
    result = interval_cost(case, grid)
    curves = _curves(judged, spread, result, allowed)
    base = _base(judged, spread, result).assign(binds=np.where(np.isin(choice, ends), "service grid", ""))
    advice = _with_choice(base.assign(**case.columns()), grid[choice], curves, grid[allowed])[INTERVALS]
    both = pd.concat([advice, rest], ignore_index=True) if len(rest) else advice
    return both.sort_values("compartment").reset_index(drop=True), curves


def sampled_range(exposure: pd.DataFrame) -> pd.DataFrame:
    """Shortest and longest interval between bottles seen in each family: family, shortest_seen_h, longest_seen_h."""
    seen = exposure.groupby("family")["hours"].agg(["min", "max"])
    return typed(seen.set_axis(["shortest_seen_h", "longest_seen_h"], axis=1).reset_index(), "sampled")


def case_of(row: pd.Series) -> Case:
    """The parameters behind one row of advice, to look at or to change: `interval_cost(case_of(row), 250)`."""
    return Case(**{f.name: float(row[f.name]) for f in fields(Case)})


def curve_grid(service_h: Array, today_h: Array) -> Array:
    """Service intervals, one between each two, today's intervals, and no sampling (inf); hours, rising."""
    service = np.asarray(service_h, float)
    between = np.round(np.sqrt(service[:-1] * service[1:]) / 5) * 5
    return np.append(np.unique(np.concatenate([service, between, np.atleast_1d(today_h)])), np.inf)


def defect_rates(records: pd.DataFrame, settings: Settings, chance: dict[str, float]) -> pd.DataFrame:
    """What the fleet's own record says of each kind of compartment (columns LEARNT): defect rate, mean delay, weight of
    the prior.

    records: as :func:`defect_records` makes them; chance: per kind, that a sample shows a present defect, from the
    trend. Below ten events the delay stays the assumed one; above, rate, delay and detection are fitted together.
    """
    rows = [
        _learn(own, settings.kind(str(name)), chance.get(str(name), 0.6), settings.intervals)
        for name, own in records.groupby("kind", sort=True)
    ]
    return typed(pd.DataFrame(rows, columns=LEARNT), "defects")


def _learn(own: pd.DataFrame, kind: Kind, chance: float, assumed: Intervals) -> tuple[Any, ...]:
    """One row of LEARNT: Gamma posterior of the rate, or the fit of rate, delay and detection where there are events
    enough.
    """
    weight, delay, sd = assumed.rate_prior_events, kind.delay_mean_h, assumed.delay_log_sd
    events, hours = int(own["kind_of"].isin(["defect", "failure"]).sum()), float(own["hours"].sum())
    assumed_h = weight / kind.defect_rate_per_h
    rate, lean = (weight + events) / (assumed_h + hours), (assumed_h / (assumed_h + hours), 1.0)
    if events >= FEW:
        prior = Prior(
            kind.defect_rate_per_h,
            weight,
            delay,
            sd,
            float(np.clip(chance, 0.02, 0.98)),
            assumed.detection_logit_sd,
        )
        fit = fit_defect_history(own.assign(compartment=own["life"], kind=own["kind_of"])[RECORDS], prior)
        rate, delay, sd = fit.defect_rate_per_h, fit.delay_mean_h, float(fit.covariance[1, 1] ** 0.5)
        lean = fit.prior_weight[:2]
    seen = f"{events or 'no'} defect{'' if events == 1 else 's'} on record in {hours:,.0f} h of this kind"
    words = (
        f"{seen}: how often they start is {_known_from(lean[0])}, how long they take to fail is {_known_from(lean[1])}"
    )
    return kind.kind, events, hours, rate, delay, sd, weight + events, sum(lean) / 2, words


def _known_from(assumed: float) -> str:
    """Where a number comes from, by the share (0..1) of it that is assumed."""
    if assumed >= 0.95:
        return "assumed"
    return "mostly assumed" if assumed >= 0.5 else "partly assumed" if assumed >= 0.1 else "learnt from that record"


def _chance_by_kind(known: Fleet, rows: pd.DataFrame) -> dict[str, float]:
    """For one typical compartment of each kind, the constant chance per sample that catches what the trend catches
    today.
    """
    some = rows[rows["analyte"].notna()].sort_values("rate_mean", kind="stable")
    middle = some.groupby("kind").apply(lambda own: own.index[len(own) // 2], include_groups=False)
    if middle.empty:
        return {}
    typical = some.loc[middle].reset_index(drop=True)
    case = _case(known, typical.assign(defect_rate_per_h=np.nan, delay_mean_h=np.nan))
    chances = [equivalent_chance(case.take(np.array([n])), every) for n, every in enumerate(typical["today_h"])]
    return dict(zip(typical["kind"], chances, strict=True))


def _compartments(
    known: Fleet, exposure: pd.DataFrame, numbers: pd.DataFrame, rates: pd.DataFrame, use: pd.DataFrame
) -> pd.DataFrame:
    """One row per compartment with today's interval, the machine's pace, the family's leading wear metal and its own
    wear rate.
    """
    metals = with_own(known.settings.analytes)
    metals = metals.index[metals["group"] == "wear metal"]
    lead = (
        numbers[numbers["analyte"].isin(metals) & (numbers["rate_mean"] > 0)]
        .sort_values("rate_mean", kind="stable")
        .drop_duplicates("family", keep="last")
    )
    rows = sampling_interval(known)[["compartment", "every_h"]].rename(columns={"every_h": "today_h"})
    rows = rows.merge(
        known.compartments[["compartment", "machine", "kind", "family", "change_every_h"]], on="compartment"
    )
    rows = rows.merge(known.machines[["machine", "site"]], on="machine")
    rows = rows.merge(known.sites[["site", "downtime_cost_per_h"]], on="site", how="left")
    rows = rows.merge(use[["machine", "h_per_day"]], on="machine", how="left")
    rows = rows.merge(
        lead[
            ["family", "analyte", "rate_mean", "noise_floor", "noise_share", "load_share", "drift_share", "level_mean"]
        ],
        on="family",
        how="left",
    )
    own = rates[rates["rise"].abs() < known.settings.alarm.rise][["compartment", "analyte", "rate"]]
    rows = rows.merge(own, on=["compartment", "analyte"], how="left")
    drawn = exposure["compartment"].value_counts()
    rows["n_bottles"] = rows["compartment"].map(drawn).fillna(0).astype(int)
    rows["turnaround_days"] = known.settings.sampling.turnaround_days
    return rows.sort_values("compartment").reset_index(drop=True)


def _case(known: Fleet, rows: pd.DataFrame) -> Case:
    """Parameters of every compartment, rounded to classes so that like compartments share the work."""
    kinds = [known.settings.kind(k) for k in rows["kind"]]
    of = {name: np.array([getattr(k, name) for k in kinds], float) for name in _OF_KIND}
    assumed = known.settings.intervals
    step, reach = assumed.rate_step, assumed.rate_reach
    octaves = np.log2((rows["rate"] / rows["rate_mean"]).clip(lower=1e-3).fillna(1.0).to_numpy())
    rate = rows["rate_mean"].to_numpy() * 2 ** (step * np.round(np.clip(octaves, -reach, reach) / step))
    # half-way between a fresh fill and the level seen at drains, which knows of filters and top-ups; NaN: typical
    # of the fluid life
    drained = rows["level_mean"].where(rows["level_mean"] > 0).to_numpy(float) * rate / rows["rate_mean"].to_numpy()
    level = drained * (1 + of["residual"]) / 2
    wide = assumed.turnaround_step_h
    turnaround = np.maximum(
        wide * np.round(rows["turnaround_days"].to_numpy(float) * _pace(rows, assumed.usual_h_per_day) / wide), wide
    )
    hour = rows["downtime_cost_per_h"].fillna(0).to_numpy()
    change = rows["change_every_h"].where(rows["change_every_h"] > 0, of["change_every_h"]).to_numpy(float)
    return Case(
        defect_rate_per_h=rows["defect_rate_per_h"].fillna(pd.Series(of["defect_rate_per_h"])).to_numpy(float),
        delay_mean_h=rows["delay_mean_h"].fillna(pd.Series(of["delay_mean_h"])).to_numpy(float),
        delay_shape=of["delay_shape"], base_rate=rate, rate_multiple=of["rate_multiple"], growth=of["growth"],
        level=level, noise_floor=rows["noise_floor"].to_numpy(), noise_share=rows["noise_share"].to_numpy(),
        load_share=rows["load_share"].to_numpy(), drift_share=rows["drift_share"].to_numpy(),
        change_every_h=change, residual=of["residual"], z_alarm=known.settings.alarm.z, acted_share=of["acted_share"],
        metals=assumed.metals_that_rise,
        sample_cost=of["sample_cost"], inspect_cost=of["inspect_cost"],
        planned_cost=of["planned_cost"] + hour * of["planned_downtime_h"],
        failure_cost=of["failure_cost"] + hour * of["failure_downtime_h"],
        false_alarm=assumed.false_alarm_share, turnaround_h=turnaround,
    )  # fmt: skip


_OF_KIND = (
    "defect_rate_per_h", "delay_mean_h", "delay_shape", "rate_multiple", "growth", "change_every_h", "residual",
    "acted_share", "sample_cost",
    "inspect_cost", "planned_cost", "failure_cost", "planned_downtime_h", "failure_downtime_h",
)  # fmt: skip


def _pace(rows: pd.DataFrame, usual: float) -> Array:
    """Operating hours a day, the usual where readings do not tell."""
    return rows["h_per_day"].where(rows["h_per_day"] > 0, usual).to_numpy(float)


def _spread(
    case: Case, grid: Array, today: Array, allowed: Array, rows: pd.DataFrame, *, assumed: Intervals
) -> Uncertainty:
    """Costs with their spread, kind by kind: what is not known is drawn once a kind, so that its compartments share the
    draws.
    """
    events = rows["rate_events"].fillna(assumed.rate_prior_events)
    sd = rows["delay_sd"].fillna(assumed.delay_log_sd)
    parts, order = [], []
    for wide, alike in rows.groupby(sd, sort=True):
        draws = {n: _draws(n, float(wide), assumed) for n in events[alike.index].unique().tolist()}
        prepare_outcomes(case.take(alike.index.to_numpy()), grid, next(iter(draws.values())))
        for _, own in alike.groupby("kind", sort=True):
            at = own.index.to_numpy()
            parts.append(interval_uncertainty(case.take(at), grid, draws[events[at[0]]], today[at], allowed))
            order.append(at)
    back = np.argsort(np.concatenate(order), kind="stable")
    joined = [f.name for f in fields(Uncertainty) if f.name != "grid_h"]
    return Uncertainty(grid, **{name: np.concatenate([getattr(p, name) for p in parts])[back] for name in joined})


def _draws(events: float, sd: float, assumed: Intervals) -> Draws:
    rng = np.random.default_rng(0)  # the same draws in every run: the advice must not move by itself
    return draw_factors(rng, assumed.draws, events, sd, assumed.growth_log_sd)


def within_capacity(
    intervals: pd.DataFrame, curves: pd.DataFrame, use: pd.DataFrame, sampling: Sampling, usual_h_per_day: float
) -> pd.DataFrame:
    """`intervals` with those that crew and laboratory cannot follow moved to what they can, cheapest together; same
    columns.

    intervals, curves: of the whole fleet, as :func:`advise_intervals` gives them for its parts; usual_h_per_day: pace
    of a machine whose readings do not say it. Without a capacity nothing changes.
    """
    limits = {"crew": sampling.crew_samples_per_week, "laboratory": sampling.lab_samples_per_week}
    limits = {name: 52 * value for name, value in limits.items() if value > 0}
    table = curves[curves["allowed"]].pivot_table("cost_per_1000h", "compartment", "every_h", aggfunc="first")
    rows = intervals[intervals["compartment"].isin(table.index)]
    if not limits or rows.empty:
        return intervals
    tightest = min(limits, key=lambda name: limits[name])
    pace = rows[["machine"]].merge(use[["machine", "h_per_day"]], on="machine", how="left")
    hours = 365 * np.maximum(_pace(pace, usual_h_per_day), 1)[:, None]
    grid = table.columns.to_numpy(float)
    cost, load = table.loc[rows["compartment"]].to_numpy(float) / 1000 * hours, hours / grid
    chosen = pd.Series(grid[allocate_samples(cost, load, limits[tightest]).choice], rows.index)
    moved = rows.index[chosen != rows["advised_h"].fillna(np.inf)]
    if moved.empty:
        return intervals
    new = _with_choice(intervals.loc[moved].assign(binds=tightest), chosen[moved].to_numpy(), curves, grid)
    out = intervals.copy()
    out.loc[moved, INTERVALS] = new[INTERVALS]
    return out


def _base(rows: pd.DataFrame, spread: Uncertainty, result: IntervalCost) -> pd.DataFrame:
    """Columns of INTERVALS that do not depend on the interval chosen, per 1,000 h where they are money."""
    n, grid = np.arange(len(rows)), spread.grid_h
    today = np.searchsorted(grid, rows["today_h"].to_numpy(float))
    sampled = np.isfinite(grid)
    least = spread.expected[:, sampled].min(axis=1)
    low, high = flat_stretch(grid[sampled], spread.expected[:, sampled], least * (1 + FLAT))
    return rows.assign(
        cost_today=1000 * spread.expected[n, today],
        cost_none=1000 * spread.expected[n, -1],
        flat_low_h=low,
        flat_high_h=high,
        best_low_h=spread.best_low_h,
        best_high_h=spread.best_high_h,
        caught_today=result.p_caught[n, today],
        learnt=rows["words"].fillna(
            "no record of this kind yet: how often defects start and how long they take to fail is assumed"
        ),
        n_events=rows["n_events"].fillna(0).astype(int),
        prior_weight=rows["prior_weight"].fillna(1.0),
    )


def _with_choice(rows: pd.DataFrame, every: Array, curves: pd.DataFrame, grid: Array) -> pd.DataFrame:
    """Rows of advice with the interval `every` (inf: no sampling) put in: its cost, what it catches, and the words.

    rows: :func:`_base` with `binds` and the columns of :class:`Case`; curves: columns CURVES; grid: intervals that may
    be chosen.
    """
    key = pd.MultiIndex.from_arrays([rows["compartment"], every])
    at = curves.set_index(["compartment", "every_h"]).loc[key].set_axis(rows.index)
    none = np.isinf(every)
    out = rows.assign(
        advised_h=np.where(none, np.nan, every), cost_advised=at["cost_per_1000h"],
        saving=rows["cost_today"] - at["cost_per_1000h"],
        saving_low=at["saving_low"], saving_high=at["saving_high"], caught_advised=at["caught"],
        warning_h=at["warning_h"],
        flat_low_h=rows["flat_low_h"].mask(none), flat_high_h=rows["flat_high_h"].mask(none),
    )  # fmt: skip
    case = Case(**{f.name: out[f.name].to_numpy(float) for f in fields(Case)})
    return _in_words(out.assign(changes=what_changes(case, grid, every)))


_VARIED = (
    ("delay_mean_h", "delay to failure"),
    ("rate_multiple", "rise of wear by a defect"),
    ("failure_cost", "cost of a failure"),
)


_FACTORS = {0.5: "halved", 2.0: "doubled"}


def what_changes(case: Case, allowed: Array, advised: Array) -> list[str]:
    """What the best interval would be with half or double of each thing that moves it most, where it differs from the
    advice.
    """
    first, own = distinct(case.columns() | {"advised": advised})
    few, now, size = case.take(first), advised[first], len(first)
    tried = [(name, words, factor) for name, words in _VARIED for factor in _FACTORS]
    many = {name: np.tile(column, len(tried)) for name, column in few.columns().items()}
    for k, (name, _, factor) in enumerate(tried):
        many[name][k * size : (k + 1) * size] *= factor
    many["rate_multiple"] = np.maximum(many["rate_multiple"], 1.0)
    best = allowed[interval_cost(Case(**many), allowed, fine=False).cost_per_h.argmin(axis=1)].reshape(-1, size)
    said: list[list[str]] = []
    for n in range(size):
        moved: dict[str, list[str]] = {}
        for (_, words, factor), every in zip(tried, best[:, n], strict=True):
            if every != now[n]:
                moved.setdefault(words, []).append(f"{_FACTORS[factor]}: {hours_words(every)}")
        said.append([f"{words} {', '.join(parts)}" for words, parts in moved.items()])
    text = ["; ".join(parts) or "nothing that was tried: each halved and doubled leaves it" for parts in said]
    return [text[n] for n in own]


def hours_words(every: float) -> str:
    """An interval as words; inf is no sampling."""
    return f"{every:,.0f} h" if np.isfinite(every) else "no sampling"


def _in_words(advice: pd.DataFrame) -> pd.DataFrame:
    """`words` of the advice, and `beyond_data`: longer than any interval seen, or shorter than half of any."""
    shortest, longest = advice["shortest_seen_h"].fillna(0.0), advice["longest_seen_h"].fillna(0.0)
    out = advice.assign(beyond_data=(advice["advised_h"] > 1.1 * longest) | (advice["advised_h"] < 0.5 * shortest))
    flat = (out["today_h"] >= out["flat_low_h"]) & (out["today_h"] <= out["flat_high_h"])
    judged = [_sentence(row, bool(is_flat)) for row, is_flat in zip(out.to_dict("records"), flat, strict=True)]
    beyond = np.where(out["beyond_data"], "; not tried yet in this family", "")
    return out.assign(words=[f"{a}{b}" for a, b in zip(judged, beyond, strict=True)])


def _sentence(row: dict[str, Any], flat: bool) -> str:
    today, advised = row["today_h"], row["advised_h"]
    if np.isnan(advised):
        return (
            f"no interval pays: {row['cost_none']:,.0f} per 1,000 h without samples, {row['cost_today']:,.0f} with "
            f"today's"
        )
    if row["binds"] in ("crew", "laboratory"):
        return f"every {advised:,.0f} h, longer than it would be if the {row['binds']} could take more samples"
    if advised == today:
        return f"today's {today:,.0f} h is the best interval of the service grid"
    if flat:
        return f"today's {today:,.0f} h is as good as {advised:,.0f} h: it lies on the flat stretch of the curve"
    how = "more often" if advised < today else "less often"
    return f"sample {how}: {row['caught_advised']:.0%} of defects caught in time, {row['caught_today']:.0%} today"


def _curves(rows: pd.DataFrame, spread: Uncertainty, result: IntervalCost, allowed: Array) -> pd.DataFrame:
    """Cost per 1,000 h against the interval for each compartment (inf: no sampling), with the 5-95 % band (columns
    CURVES).
    """
    grid = spread.grid_h
    size = len(grid)
    out = {
        "compartment": np.repeat(rows["compartment"].to_numpy(), size),
        "family": np.repeat(rows["family"].to_numpy(), size),
        "every_h": np.tile(grid, len(rows)), "cost_per_1000h": 1000 * spread.expected.ravel(),
        "low": 1000 * spread.low.ravel(),
        "high": 1000 * spread.high.ravel(), "saving_low": 1000 * spread.saving_low.ravel(),
        "saving_high": 1000 * spread.saving_high.ravel(),
        "caught": result.p_caught.ravel(), "warning_h": result.warning_h.ravel(),
        "allowed": np.tile(allowed, len(rows)),
    }  # fmt: skip
    return typed(pd.DataFrame(out), "curves")


def _not_judged(rows: pd.DataFrame) -> pd.DataFrame:
    """Compartments without a wear metal to follow: today's interval stays, and the words say why there is no advice."""
    out = rows.reindex(columns=INTERVALS).assign(
        binds="",
        beyond_data=False,
        n_events=rows["n_events"].fillna(0).astype(int),
        changes="",
        learnt="",
        words="not judged: no wear metal of this family has a rate to follow; today's interval stays",
    )
    return typed(out, "intervals")
