"""First step: what a whole fleet teaches about its families. Small tables, dated, by which any part of the fleet is
then assessed.
"""

from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import Any

import numpy as np
import pandas as pd

from cmkit.engine import SERIAL, Workers
from cmkit.errors import CmkitError, MissingTable
from cmkit.intervals.advise import learn_defects, sampled_range
from cmkit.judge.learning import FirstPass, first_pass, joined_judgement
from cmkit.judge.learning import usual_pace as bottle_pace
from cmkit.judge.measures import ToJudge
from cmkit.learnt import Learnt
from cmkit.practice.batches import batch_results
from cmkit.practice.duplicates import duplicate_pairs, paired_results
from cmkit.practice.laboratories import judge_laboratories
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet, sampling_interval
from cmkit.records.turnaround import learn_turnaround
from cmkit.review import NO_REVIEW, Review
from cmkit.tables.frames import empty, typed
from cmkit.trust.exchange import shared_factors
from cmkit.trust.fluid import learn_fluids
from cmkit.trust.hours import running_hours
from cmkit.trust.laboratory import family_usual, unit_doubts, without_results
from cmkit.trust.screen import Forecasts, forecast_panel, shifted_days
from cmkit.wear.conditions import fresh_values, relative_to_fresh
from cmkit.wear.exposure import exposure_of
from cmkit.wear.family import family_numbers, rate_steps
from cmkit.wear.forecast import family_dilution
from cmkit.wear.laboratory_bias import learn_laboratories, on_one_scale
from cmkit.wear.limits import family_limits
from cmkit.wear.next_bottle import learn_visits
from cmkit.wear.own_fresh import learn_own_fresh
from cmkit.wear.rates import current_wear, run_filter
from cmkit.wear.residual import learn_residuals, metal_steps
from cmkit.wear.running_in import learn_running_in, with_age, with_running_in
from cmkit.wear.season import learn_seasons, with_season
from cmkit.wear.timeline import timeline, usual_make_up, usual_pace, with_changes, with_make_up
from cmkit.wear.workload import MEASURES, learn_workload, with_workload

_WORTH_A_TASK = 4000  # own choice: bottles; with fewer, arrays are so short that a task of its own takes longer


@dataclass(frozen=True)
class KindsJob:
    """Some kinds of compartments to learn from. known: the records of their compartments; line: their timeline;
    suspect: bottles from whose results nothing is learnt; laboratories: their differences; steps: what they round to,
    for the metals of a change and for all rates; review: its numbers and limits of these; pace: running hours a day for
    the judge.
    """

    name: str
    known: Fleet
    line: pd.DataFrame
    suspect: frozenset[str]
    laboratories: pd.DataFrame
    steps: tuple[pd.DataFrame, pd.DataFrame]
    review: Review
    pace: float


@dataclass(frozen=True)
class KindsLearnt:
    """What came of it: tables of :class:`Learnt` for these kinds, their exposure, forecasts, rates of today, and what
    the judge saw.
    """

    name: str
    residuals: pd.DataFrame
    seasons: pd.DataFrame
    workload: pd.DataFrame
    running_in: pd.DataFrame
    own_fresh: pd.DataFrame
    exposure: pd.DataFrame
    numbers: pd.DataFrame
    expected: pd.DataFrame
    rates: pd.DataFrame
    limits: pd.DataFrame
    judged: FirstPass


def learn(fleet: Fleet, as_of: str | pd.Timestamp, review: Review = NO_REVIEW, *, workers: Workers = SERIAL) -> Learnt:
    """What `fleet` teaches, from what was known at the end of day `as_of`.

    as_of: ISO text such as 2026-06-30, or a date, from the first day of the records to a year after the last. review:
    family numbers and limits of an earlier review, used as they are; what it does not hold is estimated. workers: who
    does the tasks, some kinds of compartments each; the same tables whoever does them. The same records known on that
    day teach the same, whatever came later. Raises ParameterError for any other day, CmkitError where a worker was
    killed twice on the same task.

    >>> learnt = cmkit.learn(fleet.for_machines(["MG-01"]), "2026-06-30")
    >>> learnt.limits["family"].unique().tolist()
    ['motor grader medium engine engine oil', ...]
    """
    known = fleet.as_of(fleet.checked_day(as_of))
    register = with_own(known.settings.analytes)
    hours = running_hours(known)
    pace = usual_pace(known, hours.samples)
    line = timeline(known, hours.samples, hours.services, pace)
    make_up = usual_make_up(line)
    usual = family_usual(known, register)
    units = unit_doubts(known, register, usual)

    settled = with_make_up(line, make_up)
    suspect = frozenset(units["sample"])
    clean = _believed(known, suspect)
    laboratories = learn_laboratories(exposure_of(with_changes(settled)), clean, register)
    jobs = _jobs(known, settled, suspect, review, laboratories=laboratories, clean=clean)
    done = (
        sorted(workers.each(learn_kinds, jobs, _lost), key=lambda part: part.name)
        if len(jobs) > 1
        else [learn_kinds(jobs[0])]
    )
    exposure = _in_order([part.exposure for part in done], line)
    forecasts = Forecasts(exposure, _in_order([part.expected for part in done], line), units)
    joined = _joined(done)
    rates = pd.concat([part.rates for part in done], ignore_index=True)
    judge = joined_judgement(known, exposure, [part.judged for part in done], jobs[0].pace)
    return Learnt(
        about=_about(known),
        usual=usual,
        shifts=shifted_days(known, forecasts, register),
        fluids=learn_fluids(known, known.settings.trust),
        bottle_factors=shared_factors(forecast_panel(known, forecasts, register), known.settings.trust),
        laboratory_bias=laboratories,
        make_up=make_up,
        pace=pd.DataFrame({"h_per_day": [pace]}),
        **joined,
        dilution=family_dilution(exposure),
        visits=learn_visits(known, exposure),
        fresh=fresh_values(known, exposure, relative_to_fresh(joined["limits"], register)),
        defects=learn_defects(known, exposure, joined["numbers"], rates, hours.use),
        sampled=sampled_range(exposure),
        in_use=pd.DataFrame({"every_h": np.unique(sampling_interval(known)["every_h"])}),
        measures=judge.measures,
        ageing=judge.curves,
        middles=judge.middles,
        priors=judge.priors,
        turnaround=learn_turnaround(known),
        laboratory_pairs=judge_laboratories(paired_results(known, duplicate_pairs(known)), register["group"]),
        batch_results=batch_results(known, _fresh_of_batches(known, exposure, register)),
    )


def _fresh_of_batches(known: Fleet, exposure: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """What used bottles say of the fresh fluid of the products that have a bottle of fresh fluid on record."""
    if known.baselines.empty:
        return empty("fresh")
    fluids = register.index[register["group"].isin(["additive", "viscosity"])]
    return fresh_values(known, exposure, [a for a in fluids if a in known.baselines])


def _about(known: Fleet) -> dict[str, Any]:
    """Whose records taught, until which day, and how many."""
    return {
        "fleet": known.settings.name,
        "as_of": f"{known.date:%Y-%m-%d}",
        "cmkit": version("cmkit"),
        "compartments": len(known.compartments),
        "bottles": len(known.samples),
    }


def learn_kinds(job: KindsJob) -> KindsLearnt:
    """What some kinds of compartments teach by themselves."""
    known, register = job.known, with_own(job.known.settings.analytes)
    kinds = known.compartments.set_index("compartment")["kind"]
    clean = on_one_scale(_believed(known, job.suspect), kinds, job.laboratories)
    residuals = learn_residuals(known, job.line, clean, register, job.steps[0])
    exposure = exposure_of(with_changes(job.line, residuals))
    seasons = learn_seasons(exposure, clean, register, job.steps[1])
    exposure = with_season(exposure, seasons)
    workload = learn_workload(known, exposure, clean, register, job.steps[1])
    exposure = with_age(known, with_workload(known, exposure, workload))
    running_in = learn_running_in(known, exposure, clean, register, job.steps[1])
    exposure = with_running_in(exposure, running_in)
    own_fresh = learn_own_fresh(exposure, clean, register)
    numbers = family_numbers(exposure, clean, register, job.review.numbers, steps=job.steps[1], own_fresh=own_fresh)
    expected, history = (
        run_filter(
            exposure,
            known.samples,
            numbers,
            register,
            accept_changes=accept,
            not_learnt=job.suspect,
            laboratories=job.laboratories,
            own_fresh=own_fresh,
        ).history
        for accept in (False, True)
    )
    believed = history[~history["sample"].isin(job.suspect)]
    limits = family_limits(exposure, clean, believed, known.settings, register=register, frozen=job.review.limits)
    judged = first_pass(ToJudge(known, clean, exposure, numbers, expected, register, own_fresh=own_fresh), job.pace)
    return KindsLearnt(
        job.name,
        residuals,
        seasons,
        workload,
        running_in,
        own_fresh,
        exposure,
        numbers,
        expected,
        current_wear(history),
        limits,
        judged,
    )


def _lost(job: KindsJob, error: str) -> KindsLearnt:
    raise CmkitError(
        f"kind {job.name}: the process that learnt from it was killed, and killed again when tried alone ({error}). "
        f"Was there memory enough?"
    )


def _believed(known: Fleet, suspect: frozenset[str]) -> pd.DataFrame:
    """The bottles with the results of suspect ones blank."""
    return without_results(known.samples, pd.Series(sorted(suspect), dtype="str"), with_own(known.settings.analytes))


def _jobs(
    known: Fleet,
    line: pd.DataFrame,
    suspect: frozenset[str],
    review: Review,
    *,
    laboratories: pd.DataFrame,
    clean: pd.DataFrame,
) -> list[KindsJob]:
    """Kinds packed into jobs; one job of nothing for a fleet without a usable bottle. clean: :func:`_believed`."""
    register = with_own(known.settings.analytes)
    steps = metal_steps(clean, register), rate_steps(clean, register)
    bottles = line[line["what"] == "sample"].rename(columns={"date": "drawn_on"})
    pace = bottle_pace(bottles)
    apart = _kinds_apart(known.compartments[["family", "kind"]].drop_duplicates(), set(line["kind"]))
    groups = _packed(apart, bottles["kind"].value_counts().to_dict())
    jobs = []
    for n, kinds in enumerate(groups):
        own = _of_kinds(known, kinds)
        families = set(own.compartments["family"]) | (set() if n else _gone(review, known))
        jobs.append(
            KindsJob(
                ", ".join(kinds),
                own,
                line[line["kind"].isin(kinds)].reset_index(drop=True),
                suspect & set(own.samples["sample"]),
                laboratories[laboratories["kind"].isin(kinds)],
                (steps[0].reindex(own.samples["sample"]), steps[1].reindex(own.samples["sample"])),
                review.of_families(families),
                pace,
            )
        )
    return jobs


def _gone(review: Review, known: Fleet) -> set[str]:
    """Families of a review that this fleet no longer has: their numbers stay."""
    return set() if review.numbers is None else set(review.numbers["family"]) - set(known.compartments["family"])


def _kinds_apart(pairs: pd.DataFrame, used: set[str]) -> list[list[str]]:
    """Kinds with a bottle, sorted; those that share a family in one list."""
    groups: list[set[str]] = [{str(kind)} for kind in sorted(used)]
    for _, kinds in pairs[pairs["kind"].isin(used)].groupby("family")["kind"]:
        touched = [group for group in groups if group & set(kinds)]
        groups = [group for group in groups if group not in touched] + [set().union(*touched)]
    return sorted(sorted(group) for group in groups) or [[]]


def _packed(groups: list[list[str]], bottles: dict[str, int]) -> list[list[str]]:
    """Groups of kinds joined until each has bottles enough to be worth a task; the same whoever does the tasks."""
    size = {n: sum(bottles.get(kind, 0) for kind in group) for n, group in enumerate(groups)}
    count = min(len(groups), max(1, sum(size.values()) // _WORTH_A_TASK))
    packed: list[list[str]] = [[] for _ in range(count)]
    filled = [0] * count
    for n in sorted(size, key=lambda n: -size[n]):
        least = filled.index(min(filled))
        packed[least] += groups[n]
        filled[least] += size[n]
    return sorted(sorted(group) for group in packed)


def _of_kinds(known: Fleet, kinds: list[str]) -> Fleet:
    """The records of compartments of some kinds; of the meters only counts of work, and no note on reading."""
    places = known.compartments[known.compartments["kind"].isin(kinds)].reset_index(drop=True)
    own = {name: getattr(known, name) for name in ("samples", "services", "findings")}
    own = {name: t[t["compartment"].isin(places["compartment"])].reset_index(drop=True) for name, t in own.items()}
    work = known.meters[known.meters[list(MEASURES)].notna().any(axis=1)]
    own["meters"] = work[work["machine"].isin(places["machine"])].reset_index(drop=True)
    none = {name: getattr(known, name).iloc[:0] for name in ("corrections", "set_aside", "repairs", "counts")}
    return replace(known, compartments=places, **own, **none, arrivals=None, unreported=None, sources={})


def _in_order(parts: list[pd.DataFrame], line: pd.DataFrame) -> pd.DataFrame:
    """Rows of all kinds in the order of the fleet's bottles."""
    whole = pd.concat(parts, ignore_index=True)
    bottles = line.loc[line["what"] == "sample", "id"]
    place = pd.Series(np.arange(len(bottles)), index=bottles.to_numpy()).reindex(whole["sample"]).to_numpy()
    return whole.iloc[np.argsort(place, kind="stable")].reset_index(drop=True)


def _by_kind(done: list[KindsLearnt], name: str) -> pd.DataFrame:
    """A table of all kinds, by kind; within a kind rows keep their order."""
    whole = pd.concat([getattr(part, name) for part in done], ignore_index=True)
    return typed(whole.sort_values("kind", kind="stable", ignore_index=True), name)


def _by_compartment(done: list[KindsLearnt]) -> pd.DataFrame:
    """The fresh fluids of single compartments of all kinds, by compartment and analyte."""
    whole = pd.concat([part.own_fresh for part in done])
    return whole.sort_values(["compartment", "analyte"], ignore_index=True)


def _joined(parts: list[KindsLearnt]) -> dict[str, pd.DataFrame]:
    """Tables of :class:`Learnt` that the kinds' tasks made: put together, in order."""
    kinds = {name: _by_kind(parts, name) for name in ("residuals", "seasons", "workload", "running_in")}
    families = {name: _by_family([getattr(part, name) for part in parts], name) for name in ("numbers", "limits")}
    return kinds | families | {"own_fresh": _by_compartment(parts)}


def _by_family(parts: list[pd.DataFrame], name: str) -> pd.DataFrame:
    """Rows of all kinds by family; within a family they keep their order."""
    return typed(pd.concat(parts, ignore_index=True).sort_values("family", kind="stable", ignore_index=True), name)


def newest_record(fleet: Fleet) -> str:
    """The last day anything in the records became known, as ISO text; books and assessments default to it."""
    days = [fleet.samples["reported_on"].max(), fleet.meters["read_on"].max(), fleet.services["done_on"].max()]
    newest = pd.Series(days).max()
    if pd.isna(newest):
        raise MissingTable("no dated record in this fleet; wanted at least one sample, service or meter reading.")
    return f"{newest:%Y-%m-%d}"
