"""Second step: any part of a fleet's records on one date, to what is known of every compartment in it and what to do
next.

learnt = learn(fleet, as_of)               # what the whole fleet teaches about its families
part = assess(site, as_of, learnt)         # any machines; looks at nothing outside them
whole = combine(parts)                     # what only the whole fleet can say
"""

import math
from dataclasses import asdict
from importlib.metadata import version
from typing import Any

import pandas as pd

from cmkit.assessment import Assessment
from cmkit.combine import combine
from cmkit.judge.compartments import judge_compartments, states_at
from cmkit.learn import learn
from cmkit.learnt import Learnt
from cmkit.practice.plan import plan_work
from cmkit.practice.technique import NO_TECHNIQUE
from cmkit.records.fleet import Fleet, newest_set_aside
from cmkit.review import NO_REVIEW, Review
from cmkit.trust.hours import running_hours
from cmkit.trust.screen import screen_bottles
from cmkit.wear.fit import fit_wear


def assess(fleet: Fleet, as_of: str | pd.Timestamp, learnt: Learnt) -> Assessment:
    """Everything cmkit can say of these compartments from what was known at the end of day `as_of`.

    fleet: a whole fleet or any machines of it; as_of: ISO text such as 2026-06-30, or a date; learnt: what the whole
    fleet teaches (:func:`cmkit.learn`), of the same day. The same records known on that day give the same tables,
    whatever came later. Raises ParameterError for what is no day.

    >>> part = cmkit.assess(fleet.for_machines(["MG-01"]), "2026-06-30", learnt)
    >>> part.verdicts["machine"].unique().tolist()
    ['MG-01']
    """
    known = fleet.as_of(as_of)
    return assess_known(known, fleet.as_of(last_month_end(known)), learnt)


def assess_known(known: Fleet, before: Fleet, learnt: Learnt) -> Assessment:
    """:func:`assess` of records as known on the day, and as known at the end of the month before."""
    hours = running_hours(known)
    wear = fit_wear(known, hours, learnt)
    trust = screen_bottles(known, hours, wear.for_screening, learnt)
    state = judge_compartments(known, hours, wear, trust, learnt)
    plan = plan_work(known, hours, wear, state, learnt, trust=trust)
    tables = {n: t for chapter in (known, hours, wear, trust, state, plan) for n, t in chapter.tables().items()}
    tables |= learnt.of_families(known.compartments["family"], known.machines["site"])
    tables["before"] = states_at(before, state, wear, trust, learnt)
    return Assessment(about(known), **tables, technique=NO_TECHNIQUE)


def assess_fleet(fleet: Fleet, as_of: str | pd.Timestamp, review: Review = NO_REVIEW) -> Assessment:
    """The three steps for a fleet that fits in memory: learn, assess, combine.

    as_of, review: as in :func:`cmkit.learn`. Raises ParameterError for a day outside the records.

    >>> cmkit.assess_fleet(fleet.for_machines(["MG-01"]), "2026-06-30")
    Assessment of Demo fleet as of 2026-06-30 (cmkit ...)
      5 compartments of 1 machines: ... clear, ... alert, ... alarm, ... not known
      ...
    """
    learnt = learn(fleet, as_of, review)
    return combine([assess(fleet, as_of, learnt)])


def last_month_end(known: Fleet) -> pd.Timestamp:
    """The last day of the month before the view's day."""
    assert known.date is not None
    return known.date.replace(day=1) - pd.Timedelta(days=1)


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
        "newest_set_aside": newest_set_aside(known),
        "alarm": asdict(settings.alarm),
        "judge": asdict(settings.judge),
        "sampling": asdict(settings.sampling),
        "trust": asdict(settings.trust),
        "intervals": asdict(settings.intervals),
        "kinds": {name: asdict(settings.kind(name)) for name in sorted(known.compartments["kind"].unique())},
        "fixed_limits": [asdict(limit) for limit in settings.limits],
        "accepted_intervals": settings.accepted_intervals,
        "laboratory_factors": [asdict(f) for f in known.laboratory_factors],
        "analytes": {own.analyte: _finite(asdict(own)) for own in settings.analytes},
    }


def _finite(values: dict[str, Any]) -> dict[str, Any]:
    """Without numbers that JSON has no word for: what is left out has the value of a contaminant that fleet.toml is
    silent about.
    """
    return {name: v for name, v in values.items() if not isinstance(v, float) or math.isfinite(v)}
