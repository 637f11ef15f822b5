"""First step: what a whole fleet teaches about its families. Small tables, dated, by which any part of the fleet is then assessed."""

from importlib.metadata import version

import numpy as np
import pandas as pd

from cmkit.errors import MissingTable
from cmkit.intervals.advise import learn_defects, sampled_range
from cmkit.judge.learning import learn_judgement
from cmkit.learnt import Learnt
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet, sampling_interval
from cmkit.records.turnaround import learn_turnaround
from cmkit.review import NO_REVIEW, Review
from cmkit.trust.exchange import shared_factors
from cmkit.trust.fluid import learn_fluids
from cmkit.trust.hours import running_hours
from cmkit.trust.laboratory import family_usual, unit_doubts, without_results
from cmkit.trust.screen import Forecasts, forecast_panel, shifted_days
from cmkit.wear.conditions import fresh_values, relative_to_fresh
from cmkit.wear.exposure import exposure_of
from cmkit.wear.family import family_numbers
from cmkit.wear.forecast import family_dilution
from cmkit.wear.limits import family_limits
from cmkit.wear.next_bottle import learn_visits
from cmkit.wear.rates import current_wear, run_filter
from cmkit.wear.residual import learn_residuals
from cmkit.wear.timeline import timeline, usual_make_up, usual_pace, with_changes, with_make_up


def learn(fleet: Fleet, as_of: str | pd.Timestamp, review: Review = NO_REVIEW) -> Learnt:
    """What `fleet` teaches, from what was known at the end of day `as_of`.

    review: family numbers and limits of an earlier review, used as they are; what it does not hold is estimated. The same records
    known on that day teach the same, whatever came later.
    """
    known = fleet.as_of(fleet.checked_day(as_of))
    register = with_own(known.settings.analytes)
    hours = running_hours(known)

    # what the filter needs to know of the families
    pace = usual_pace(known, hours.samples)
    line = timeline(known, hours.samples, hours.services, pace)
    make_up = usual_make_up(line)
    line = with_make_up(line, make_up)
    usual = family_usual(known, register)
    units = unit_doubts(known, register, usual)
    suspect = units["sample"]
    clean = without_results(known.samples, suspect, register)
    residuals = learn_residuals(known, line, clean, register)
    exposure = exposure_of(with_changes(line, residuals))
    numbers = family_numbers(exposure, clean, register, frozen=review.numbers)

    # what the filter then shows of laboratories, bottles, limits and defects
    expected, history = (
        run_filter(exposure, known.samples, numbers, register, accept_changes=accept, not_learnt=suspect)
        for accept in (False, True)
    )
    forecasts = Forecasts(exposure, expected, units)
    believed = history[~history["sample"].isin(suspect)]
    limits = family_limits(exposure, clean, believed, known.settings, register, frozen=review.limits)
    judge = learn_judgement(known, clean, exposure, numbers, expected, register=register)
    return Learnt(
        about={"fleet": known.settings.name, "as_of": f"{known.date:%Y-%m-%d}", "cmkit": version("cmkit")},
        usual=usual,
        shifts=shifted_days(known, forecasts, register),
        fluids=learn_fluids(known, known.settings.trust),
        bottle_factors=shared_factors(forecast_panel(known, forecasts, register), known.settings.trust),
        make_up=make_up,
        pace=pd.DataFrame({"h_per_day": [pace]}),
        residuals=residuals,
        numbers=numbers,
        dilution=family_dilution(exposure),
        visits=learn_visits(known, exposure),
        limits=limits,
        fresh=fresh_values(known, exposure, relative_to_fresh(limits, register)),
        defects=learn_defects(known, exposure, numbers, current_wear(history), hours.use),
        sampled=sampled_range(exposure),
        in_use=pd.DataFrame({"every_h": np.unique(sampling_interval(known)["every_h"])}),
        measures=judge.measures,
        ageing=judge.curves,
        middles=judge.middles,
        priors=judge.priors,
        turnaround=learn_turnaround(known),
    )


def newest_record(fleet: Fleet) -> str:
    """The last day anything in the records became known, as ISO text; books and assessments default to it."""
    days = [fleet.samples["reported_on"].max(), fleet.meters["read_on"].max(), fleet.services["done_on"].max()]
    newest = pd.Series(days).max()
    if pd.isna(newest):
        raise MissingTable("no dated record in this fleet; wanted at least one sample, service or meter reading.")
    return f"{newest:%Y-%m-%d}"
