"""May each bottle be believed? Every doubt about every bottle in one table, and what they come to.

Screening marks, it never drops: a doubt asks for something to be done about the bottle and never hides an alarm.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from cmkit.learnt import Learnt
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import names, typed
from cmkit.trust.bottle_arrays import Panel, make_panel, typed_doubts
from cmkit.trust.contamination import method_doubts, silicon_doubts, stale_doubts
from cmkit.trust.exchange import exchange_chances, exchange_doubts
from cmkit.trust.fluid import check_fluids, fluid_doubts
from cmkit.trust.hours import Hours, hours_doubts
from cmkit.trust.laboratory import laboratory_doubts, laboratory_shifts
from cmkit.trust.sediment import additive_shift, bottle_factors, factor_doubts

TRUST = names("trust")


@dataclass(frozen=True)
class Forecasts:
    """What the screens need of the wear filter. exposure: usable bottles; expected: one-step forecasts without jumps
    (columns HISTORY);
    units: doubts about results in another unit, from which nothing was learnt."""

    exposure: pd.DataFrame
    expected: pd.DataFrame
    units: pd.DataFrame


@dataclass(frozen=True)
class Trusted:
    """trust: one row per sample; doubts: one per sample and doubt (columns DOUBTS), by compartment, day, sample;
    factors: one per bottle, the factor its metals share (columns FACTORS); fluids: one per bottle, against the fluid it
    should hold (frame of `check_fluids`)."""

    trust: pd.DataFrame
    doubts: pd.DataFrame
    factors: pd.DataFrame
    fluids: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """What an assessment keeps of it."""
        return {"trust": self.trust, "doubts": self.doubts, "factors": self.factors}


def screen_bottles(known: Fleet, hours: Hours, forecasts: Forecasts, learnt: Learnt) -> Trusted:
    """May each bottle be believed? believed: chance (0..1) that the bottle represents the charge it is labelled with,
    doubts taken as independent; not a statement about the compartment.
    """
    rule, register = known.settings.trust, with_own(known.settings.analytes)
    panel = forecast_panel(known, forecasts, register)
    chances = exchange_chances(panel, rule, learnt.bottle_factors)
    factors = bottle_factors(panel, register, rule)
    fluids = check_fluids(known, learnt.fluids)
    shared = factor_doubts(factors, additive_shift(known, register), rule)
    doubts = [
        hours_doubts(known, hours.samples, hours.line),
        exchange_doubts(chances, rule),
        fluid_doubts(fluids, rule),
        shared[~shared["sample"].isin(forecasts.units["sample"])],
        silicon_doubts(panel, rule),
        stale_doubts(known.samples, rule),
        laboratory_doubts(known, register, learnt.shifts),
        forecasts.units,
        method_doubts(known.samples, rule),
    ]
    table = _ordered(pd.concat(doubts, ignore_index=True), known.samples)
    return Trusted(_believed(known.samples, table, chances, rule.exchange_prior), table, factors, fluids)


def forecast_panel(known: Fleet, forecasts: Forecasts, register: pd.DataFrame) -> Panel:
    """The usable bottles against what was expected of them."""
    usable = forecasts.expected["sample"].isin(forecasts.exposure["sample"])
    return make_panel(known, forecasts.expected[usable], register)


def shifted_days(known: Fleet, forecasts: Forecasts, register: pd.DataFrame) -> pd.DataFrame:
    """:func:`cmkit.trust.laboratory.laboratory_shifts` from bottles that follow another on the same fluid."""
    panel = forecast_panel(known, forecasts, register)
    return laboratory_shifts(known, register, panel.only(_steady(forecasts.exposure)))


def _steady(exposure: pd.DataFrame) -> pd.Series:
    """Bottles that follow another on the same fluid: what a fluid change leaves behind is the same guess for a whole
    fleet.
    """
    return exposure.loc[(exposure["order"] >= 1) & ~exposure["changed"].astype(bool), "sample"]


def _ordered(doubts: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    drawn = samples.drop_duplicates("sample")[["sample", "drawn_on"]].rename(columns={"drawn_on": "_on"})
    keyed = doubts.astype({"sample": "str"}).merge(drawn, on="sample", how="left")
    keyed = keyed.sort_values(
        ["compartment", "_on", "sample", "probability"], ascending=[True, True, True, False], kind="stable"
    )
    return typed_doubts(keyed.reset_index(drop=True))


def _believed(samples: pd.DataFrame, doubts: pd.DataFrame, chances: pd.DataFrame, prior: float) -> pd.DataFrame:
    """The trust table. Doubts of one kind count once, at their strongest; an exchange that cannot be told counts at its
    prior.
    """
    out = samples[["sample", "compartment"]].reset_index(drop=True)
    told = chances.set_index("sample")["chance"]
    exchanged = out["sample"].map(told).fillna(prior).clip(0, 1).to_numpy(dtype=float)
    others = doubts[doubts["doubt"] != "exchange"]
    worst = others.groupby(["sample", "doubt"])["probability"].max()
    sound = (
        np.exp(np.log1p(-worst.clip(upper=1 - 1e-9)).groupby("sample").sum()) if len(worst) else pd.Series(dtype=float)
    )
    out["believed"] = (1 - exchanged) * out["sample"].map(sound).fillna(1.0).to_numpy(dtype=float)
    out["n_doubts"] = out["sample"].map(doubts.groupby("sample").size()).fillna(0).astype("int64")
    reasons = doubts.groupby("sample", sort=False)["reason"].agg("; ".join)
    untold = out["sample"].map(chances.set_index("sample")["words"]).astype("str").fillna("")
    silent = np.where(untold != "", "no doubt; whether its label was exchanged: " + untold, "no doubt")
    spoken = reasons.astype("str").reindex(out["sample"]).to_numpy(dtype=object)
    out["words"] = pd.Series(np.where(pd.isna(spoken), silent, spoken), dtype="str")
    return typed(out[TRUST].sort_values(["compartment", "sample"], kind="stable").reset_index(drop=True), "trust")
