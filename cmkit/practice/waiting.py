"""What waiting is expected to cost: the chance that a defect is there and fails before the next result, times what a failure adds."""

from typing import Any

import numpy as np
import pandas as pd

from cmkit.judge.decide import Decisions
from cmkit.judge.money import cost_of_waiting as cost_until_next
from cmkit.records.fleet import Fleet
from cmkit.records.tables import typed

WAITING = ["compartment", "chance_defect", "hours_ahead", "chance", "cost_of_waiting", "words"]
# Own choice, as Beta counts: (defects found, looks) behind the chance that an alarm or alert is a real defect, before own record.
_PRIOR = {"alarm": (3.0, 5.0), "alert": (1.0, 8.0)}


WAITING_COSTS = [
    "compartment", "chance_defect", "hours_ahead", "chance", "cost_of_waiting", "cost_of_act", "saved", "assumed", "words",
]  # fmt: skip


def waiting_costs(known: Fleet, decided: Decisions) -> pd.DataFrame:
    """One row per compartment in alert or alarm (columns WAITING_COSTS), most money saved by acting now first.

    chance_defect: that anything is wrong; chance: that it fails before the next result, by its severity; hours_ahead: operating hours
    until that result, by what is asked for and the site's own turnaround; saved: cost_of_waiting less cost_of_act. Money in the
    fleet's currency; assumed: by the package's starting costs, not the fleet's own.
    """
    rows = decided.verdicts[decided.verdicts["state"].isin(["alert", "alarm"])]
    until = cost_until_next(decided.money, decided.verdicts.set_index("compartment")["asks"])
    rows = rows[["compartment", "chance"]].rename(columns={"chance": "chance_defect"}).merge(until, on="compartment")
    rows = rows.merge(decided.money[["compartment", "extra", "assumed"]], on="compartment")
    rows = rows.merge(decided.orders[["compartment", "cost_of_act"]], on="compartment", how="left")
    out = rows.rename(columns={"cost": "cost_of_waiting"})
    out["saved"] = out["cost_of_waiting"] - out["cost_of_act"]
    out["words"] = [_waiting_words(r, known.settings.currency) for r in out.itertuples()]
    out = typed(out[WAITING_COSTS], numbers=WAITING_COSTS[1:-2], flags=("assumed",))
    return out.sort_values(["saved", "compartment"], ascending=[False, True], ignore_index=True)


def _waiting_words(r: Any, currency: str) -> str:
    share = f"{100 * r.chance:.1f} %" if r.chance < 0.1 else f"{100 * r.chance:.0f} %"
    said = f"{share} that a fault is there and fails within {r.hours_ahead:,.0f} h; a failure costs {r.extra:,.0f} {currency} more than a planned repair"
    act = f", acting now costs {r.cost_of_act:,.0f} {currency}" if pd.notna(r.cost_of_act) else ""
    return f"{said}{act}{' (assumed costs)' if r.assumed else ''}"


def confirmed_share(record: pd.DataFrame) -> float:
    """Chance that an alarm is a real defect: the fleet's own looks added to a prior of 3 in 5 (Beta mean)."""
    found, looks = _PRIOR["alarm"]
    judged = record[record["alarm_on"].notna() & record["outcome"].isin(["defect", "failed", "no defect"])]
    return float((found + judged["outcome"].isin(["defect", "failed"]).sum()) / (looks + len(judged)))


def cost_of_waiting(
    known: Fleet, verdicts: pd.DataFrame, due: pd.DataFrame, use: pd.DataFrame, record: pd.DataFrame
) -> pd.DataFrame:
    """One row per compartment in alert or alarm (columns WAITING), dearest first. Money in the fleet's currency, hours operating hours.

    The delay from a detectable defect to failure is taken as exponential with the kind's mean: a defect of unknown age fails within
    h hours with chance 1 - exp(-h / mean). Waiting costs the difference between a failure and a planned repair, downtime included.
    """
    rows = verdicts[verdicts["state"].isin(["alert", "alarm"])].merge(due[["compartment", "every_h"]], on="compartment")
    rows = rows.merge(use[["machine", "h_per_day"]], on="machine", how="left")
    rows = rows.merge(known.sites[["site", "downtime_cost_per_h"]], on="site", how="left")
    kinds = [known.settings.kind(kind) for kind in rows["kind"]]
    ahead = rows["every_h"] + known.settings.sampling.turnaround_days * rows["h_per_day"].fillna(0)
    alert_found, alert_looks = _PRIOR["alert"]
    defect = np.where(rows["state"] == "alarm", confirmed_share(record), alert_found / alert_looks)
    fails = 1 - np.exp(-ahead / np.array([k.delay_mean_h for k in kinds], float))
    hour = rows["downtime_cost_per_h"].fillna(0)
    extra = [k.failure_cost - k.planned_cost for k in kinds]
    hours_lost = [k.failure_downtime_h - k.planned_downtime_h for k in kinds]
    out = rows.assign(chance_defect=defect, hours_ahead=ahead, chance=defect * fails)
    out["cost_of_waiting"] = out["chance"] * (np.array(extra, float) + hour * np.array(hours_lost, float))
    out["words"] = [
        f"{c:.0%} that a defect is there and fails within {h:,.0f} h; a failure costs {m:,.0f} {known.settings.currency} more than a planned repair"
        for c, h, m in zip(
            out["chance"], out["hours_ahead"], out["cost_of_waiting"] / out["chance"].clip(lower=1e-9), strict=True
        )
    ]
    return (
        typed(out[WAITING], numbers=WAITING[1:-1])
        .sort_values(["cost_of_waiting", "compartment"], ascending=[False, True])
        .reset_index(drop=True)
    )
