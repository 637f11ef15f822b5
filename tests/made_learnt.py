"""What a fleet teaches, made for tests: tables left out are empty, with the columns the package gives them."""

from typing import Any

import pandas as pd

from cmkit.learnt import Learnt, learnt_names
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import empty
from cmkit.trust.exchange import shared_factors
from cmkit.trust.fluid import learn_fluids
from cmkit.trust.hours import running_hours
from cmkit.trust.laboratory import family_usual, unit_doubts
from cmkit.trust.screen import Forecasts, Trusted, forecast_panel, screen_bottles, shifted_days


def made_learnt(**tables: pd.DataFrame) -> Learnt:
    nothing: dict[str, Any] = {name: empty(name) for name in learnt_names()}
    return Learnt(about={"as_of": "2026-12-31"}, **(nothing | tables))


def screened(known: Fleet, exposure: pd.DataFrame, expected: pd.DataFrame, register: pd.DataFrame) -> Trusted:
    """`screen_bottles` of a fleet by what it teaches itself."""
    forecasts = Forecasts(exposure, expected, unit_doubts(known, register, family_usual(known, register)))
    learnt = made_learnt(
        shifts=shifted_days(known, forecasts, register),
        fluids=learn_fluids(known, known.settings.trust),
        bottle_factors=shared_factors(forecast_panel(known, forecasts, register), known.settings.trust),
    )
    return screen_bottles(known, running_hours(known), forecasts, learnt)
