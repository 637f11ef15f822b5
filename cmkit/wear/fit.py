"""How fast does every compartment wear? Exposure, the filter with and without accepted changes, rates and what lies
ahead.
"""

from dataclasses import dataclass

import pandas as pd

from cmkit.learnt import Learnt
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet
from cmkit.trust.hours import Hours
from cmkit.trust.laboratory import unit_doubts
from cmkit.trust.screen import Forecasts
from cmkit.wear.exposure import sample_exposure
from cmkit.wear.forecast import forecast_next
from cmkit.wear.rates import current_wear, run_filter
from cmkit.wear.running_in import with_age, with_running_in
from cmkit.wear.season import with_season
from cmkit.wear.workload import usual_work, with_workload


@dataclass(frozen=True)
class Wear:
    """exposure: usable bottles; history: the filter's story with changes of rate accepted (columns HISTORY); rates: its
    last word per compartment and analyte; work: compartments whose wear goes with fuel or tonnes; forecast: what lies
    ahead; for_screening: what the bottle screens need; growth: of rates that speed up (`wear.rates.Filtered`).
    """

    exposure: pd.DataFrame
    history: pd.DataFrame
    rates: pd.DataFrame
    work: pd.DataFrame
    forecast: pd.DataFrame
    for_screening: Forecasts
    growth: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """What an assessment keeps of it."""
        return {
            "exposure": self.exposure,
            "history": self.history,
            "wear": self.rates,
            "work": self.work,
            "forecast": self.forecast,
        }


def usable_exposure(known: Fleet, hours: Hours, learnt: Learnt) -> pd.DataFrame:
    """Exposure of every usable bottle, with the fleet's habits of topping up, what changes leave, its seasons, what its
    wear goes with and the running-in of new components.
    """
    pace = float(learnt.pace["h_per_day"].iloc[0])
    exposure = sample_exposure(known, hours.samples, hours.services, learnt.make_up, pace, residuals=learnt.residuals)
    exposure = with_workload(known, with_season(exposure, learnt.seasons), learnt.workload)
    return with_running_in(with_age(known, exposure), learnt.running_in)


def fit_wear(known: Fleet, hours: Hours, learnt: Learnt) -> Wear:
    """Wear of these compartments by the numbers of the whole fleet.

    Results a power of ten off are evidence, but nothing is learnt from them: another unit is likelier than such wear.
    """
    register = with_own(known.settings.analytes)
    units = unit_doubts(known, register, learnt.usual)
    exposure = usable_exposure(known, hours, learnt)
    screening, today = (
        run_filter(
            exposure,
            known.samples,
            learnt.numbers,
            register,
            accept_changes=accept,
            not_learnt=units["sample"],
            laboratories=learnt.laboratory_bias,
            own_fresh=learnt.own_fresh,
        )
        for accept in (False, True)
    )
    forecast = forecast_next(known, exposure, today, hours.use, learnt)
    work = usual_work(known, exposure, learnt.workload)
    given = Forecasts(exposure, screening.history, units)
    return Wear(exposure, today.history, current_wear(today.history), work, forecast, given, today.growth)
