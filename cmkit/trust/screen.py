"""May each bottle be believed? Every doubt about every bottle in one table, and what they come to.

Screening marks, it never drops: a doubt asks for something to be done about the bottle and never hides an alarm.
"""

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.trust.bottle_arrays import make_panel, typed_doubts
from cmkit.trust.contamination import method_doubts, silicon_doubts, stale_doubts
from cmkit.trust.exchange import exchange_chances, exchange_doubts
from cmkit.trust.fluid import check_fluids, fluid_doubts
from cmkit.trust.hours import hours_doubts
from cmkit.trust.laboratory import laboratory_doubts, unit_doubts
from cmkit.trust.sediment import additive_shift, bottle_factors, factor_doubts

TRUST = ["sample", "compartment", "believed", "n_doubts", "words"]


def screen_bottles(
    known: Fleet,
    hours: pd.DataFrame,
    exposure: pd.DataFrame,
    history: pd.DataFrame,
    register: pd.DataFrame,
    line: pd.DataFrame | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """(trust, doubts): one row per sample, and one per sample and doubt (columns DOUBTS), sorted by compartment, day, sample.

    hours: :func:`cmkit.trust.hours.screen_hours`; exposure: usable bottles; history: the wear filter's one-step forecasts with change
    acceptance OFF (sample, compartment, order, analyte, drawn_on, value, below, expected, expected_sd); line:
    :func:`cmkit.trust.meters.meter_line` where it is at hand. believed: chance (0..1) that the
    bottle represents the charge it is labelled with, doubts taken as independent; not a statement about the compartment.
    """
    trust = known.settings.trust
    panel = make_panel(known, history[history["sample"].isin(exposure["sample"])], register)
    chances = exchange_chances(panel, trust)
    units = unit_doubts(known, register)
    factors = factor_doubts(bottle_factors(panel, register, trust), additive_shift(known, register), trust)
    doubts = [
        hours_doubts(known, hours, line),
        exchange_doubts(chances, trust),
        fluid_doubts(check_fluids(known, trust)),
        factors[~factors["sample"].isin(units["sample"])],
        silicon_doubts(panel),
        stale_doubts(known.samples),
        laboratory_doubts(known, register, panel.only(_steady(exposure))),
        units,
        method_doubts(known.samples),
    ]
    table = _ordered(pd.concat(doubts, ignore_index=True), known.samples)
    return _believed(known.samples, table, chances, trust.exchange_prior), table


def _steady(exposure: pd.DataFrame) -> pd.Series:
    """Bottles that follow another on the same fluid: what a fluid change leaves behind is the same guess for a whole fleet."""
    return exposure.loc[(exposure["order"] >= 1) & ~exposure["changed"].astype(bool), "sample"]


def _ordered(doubts: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    drawn = samples.drop_duplicates("sample")[["sample", "drawn_on"]].rename(columns={"drawn_on": "_on"})
    keyed = doubts.astype({"sample": "str"}).merge(drawn, on="sample", how="left")
    keyed = keyed.sort_values(
        ["compartment", "_on", "sample", "probability"], ascending=[True, True, True, False], kind="stable"
    )
    return typed_doubts(keyed.reset_index(drop=True))


def _believed(samples: pd.DataFrame, doubts: pd.DataFrame, chances: pd.DataFrame, prior: float) -> pd.DataFrame:
    """The trust table. Doubts of one kind count once, at their strongest; an exchange that cannot be told counts at its prior."""
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
    return out[TRUST].sort_values(["compartment", "sample"], kind="stable").reset_index(drop=True)
