"""The story in one function: a fleet's records on one date, to what is known of every compartment and what to do next."""

from dataclasses import asdict
from importlib.metadata import version
from typing import Any

import pandas as pd

from cmkit.assessment import Assessment
from cmkit.errors import MissingTable
from cmkit.intervals.advise import advise_intervals
from cmkit.practice.due import next_due
from cmkit.practice.replay import alarm_record, verdicts_at
from cmkit.practice.rounds import plan_round
from cmkit.practice.technique import crew_technique
from cmkit.practice.waiting import cost_of_waiting
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet
from cmkit.review import NO_REVIEW, Review
from cmkit.trust.hours import finding_hours, machine_use, screen_hours, service_hours
from cmkit.trust.laboratory import unit_doubts, without_results
from cmkit.trust.meters import meter_line
from cmkit.trust.screen import screen_bottles
from cmkit.wear.causes import likely_causes
from cmkit.wear.conditions import judge_conditions
from cmkit.wear.evidence import collect_evidence
from cmkit.wear.exposure import sample_exposure
from cmkit.wear.family import family_numbers
from cmkit.wear.forecast import forecast_next
from cmkit.wear.limits import family_limits
from cmkit.wear.rates import current_wear, run_filter
from cmkit.wear.verdicts import alarm_spells, bottle_states, judge, looks_inside


def assess(fleet: Fleet, as_of: str | pd.Timestamp, review: Review = NO_REVIEW) -> Assessment:
    """Everything cmkit can say of `fleet` from what was known at the end of day `as_of`.

    review: family numbers and limits of an earlier review, used as they are; without them both are estimated from what is known.
    The same records known on that day give the same tables, whatever came later.
    """
    known = fleet.as_of(as_of)
    register = with_own(known.settings.analytes)

    # what came in, and on which running hour
    line = meter_line(known)
    hours = screen_hours(known, line)
    services = service_hours(known, line)
    use = machine_use(known, line)

    # results a power of ten off are evidence, but nothing is learnt from them: another unit is likelier than such wear
    strange = unit_doubts(known, register)["sample"]
    sound = without_results(known.samples, strange, register)

    # how fast does it wear, once changes and top-ups are allowed for (a first pass that accepts no change of rate)
    exposure = sample_exposure(known, hours, services)
    numbers = family_numbers(exposure, sound, register, frozen=review.numbers)
    expected = run_filter(exposure, known.samples, numbers, register, accept_changes=False, not_learnt=strange)

    # may each bottle be believed
    trust, doubts = screen_bottles(known, hours, exposure, expected, register, line)

    # the rates, what is usual in the family, and what lies ahead
    history = run_filter(exposure, known.samples, numbers, register, accept_changes=True, not_learnt=strange)
    wear = current_wear(history)
    learnt = history[~history["sample"].isin(strange)]
    limits = family_limits(exposure, sound, learnt, known.settings, register, frozen=review.limits)
    forecast = forecast_next(known, exposure, history, numbers, limits, use)

    # what speaks against which compartment, and the verdict
    conditions = judge_conditions(known, exposure, limits, register)
    evidence = collect_evidence(known, exposure, history, limits, conditions, register)
    spells = alarm_spells(bottle_states(exposure, evidence), evidence, history, trust, looks_inside(known))
    verdicts = judge(known, exposure, use, evidence, spells, forecast, trust, doubts)
    last_month = pd.Timestamp(as_of).normalize().replace(day=1) - pd.Timedelta(days=1)
    before = verdicts_at(fleet.as_of(last_month), exposure, history, evidence, trust, doubts, numbers, limits)
    causes = likely_causes(known, exposure, history, evidence, verdicts, register)

    # what to do about it, how often to sample, and what past alarms led to
    due = next_due(known, exposure, use, verdicts)
    cards = plan_round(known, due)
    record = alarm_record(known, spells, finding_hours(known, line)[["finding", "run_h"]])
    technique = crew_technique(known, expected, register)
    waiting = cost_of_waiting(known, verdicts, due, use, record)
    intervals, curves = advise_intervals(known, exposure, numbers, wear, use, due)

    return Assessment(
        about=about(known), sites=known.sites, machines=known.machines, compartments=known.compartments, samples=known.samples,
        services=known.services, meters=known.meters, findings=known.findings, corrections=known.corrections,
        set_aside=known.set_aside, repairs=known.repairs, counts=known.counts, hours=hours, use=use, exposure=exposure,
        numbers=numbers, history=history, trust=trust, doubts=doubts, wear=wear, limits=limits, evidence=evidence, due=due, cards=cards,
        forecast=forecast, verdicts=verdicts, before=before, causes=causes, intervals=intervals, curves=curves, waiting=waiting, record=record, technique=technique,
    )  # fmt: skip


def about(known: Fleet) -> dict[str, Any]:
    """What an assessment was made from: fleet, date, version, hashes of the files read, and the settings in force."""
    settings = known.settings
    return {
        "fleet": settings.name,
        "currency": settings.currency,
        "language": settings.language,
        "as_of": f"{known.date:%Y-%m-%d}",
        "cmkit": version("cmkit"),
        "sources": dict(sorted(known.sources.items())),
        "alarm": asdict(settings.alarm),
        "sampling": asdict(settings.sampling),
        "kinds": {name: asdict(settings.kind(name)) for name in sorted(known.compartments["kind"].unique())},
        "fixed_limits": [asdict(limit) for limit in settings.limits],
        "accepted_intervals": settings.accepted_intervals,
    }


def newest_record(fleet: Fleet) -> str:
    """The last day anything in the records became known, as ISO text; books and assessments default to it."""
    days = [fleet.samples["reported_on"].max(), fleet.meters["read_on"].max(), fleet.services["done_on"].max()]
    newest = pd.Series(days).max()
    if pd.isna(newest):
        raise MissingTable("no dated record in this fleet; wanted at least one sample, service or meter reading.")
    return f"{newest:%Y-%m-%d}"
