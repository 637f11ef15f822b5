"""What waiting is expected to cost: the chance that a fault is there and fails before the next result, times what a
failure adds.
"""

from typing import Any

import pandas as pd

from cmkit.judge.decide import Decisions
from cmkit.judge.money import cost_of_waiting
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import names, typed

WAITING = names("waiting")


def waiting_costs(known: Fleet, decided: Decisions) -> pd.DataFrame:
    """One row per compartment in alert or alarm (columns WAITING), most money saved by acting now first.

    chance_defect: that something is wrong; chance: that it fails before the next result, by its severity; hours_ahead:
    operating hours until that result, by what is asked for and the machine's own turnaround; saved: cost_of_waiting
    less cost_of_act. Money in the fleet's currency; assumed: by the package's starting costs, not the fleet's own.
    """
    rows = decided.verdicts[decided.verdicts["state"].isin(["alert", "alarm"])]
    until = cost_of_waiting(decided.money, decided.verdicts.set_index("compartment")["asks"])
    rows = rows[["compartment", "chance"]].rename(columns={"chance": "chance_defect"}).merge(until, on="compartment")
    rows = rows.merge(decided.money[["compartment", "extra", "assumed"]], on="compartment")
    rows = rows.merge(decided.orders[["compartment", "cost_of_act"]], on="compartment", how="left")
    out = rows.rename(columns={"cost": "cost_of_waiting"})
    out["saved"] = out["cost_of_waiting"] - out["cost_of_act"]
    out["words"] = [_waiting_words(r, known.settings.currency) for r in out.itertuples()]
    return typed(out[WAITING], "waiting").sort_values(
        ["saved", "compartment"], ascending=[False, True], ignore_index=True
    )


def _waiting_words(r: Any, currency: str) -> str:
    share = f"{100 * r.chance:.1f} %" if r.chance < 0.1 else f"{100 * r.chance:.0f} %"
    said = (
        f"{share} that a fault is there and fails within {r.hours_ahead:,.0f} h; a failure costs {r.extra:,.0f} "
        f"{currency} more than a planned repair"
    )
    act = f", acting now costs {r.cost_of_act:,.0f} {currency}" if pd.notna(r.cost_of_act) else ""
    return f"{said}{act}{' (assumed costs)' if r.assumed else ''}"
