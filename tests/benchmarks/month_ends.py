"""What the pages would say at each month's end, held against what is true of the machines: states, orders and money of
`cmkit.judge.decide`.

Used by `calibrate_judgement.py`. Nobody acts in these fleets; a compartment whose fluid was mixed up by a wrong can (in
the recipe, not a fault of the machine) is left out.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
from scoring import active_on, brier

from cmkit.judge.decide import Beside, decide
from cmkit.judge.faults import LOOKS
from cmkit.judge.judge import Judged
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import empty
from cmkit.trust.hours import machine_use

_FIRST_MONTH = 6  # months of records before the first month end that counts
_FIRST = 3  # compartments of a site's list that a manager reads first


def month_ends(fleet: Fleet, judged: Judged, beside: Beside, faults: pd.DataFrame) -> pd.DataFrame:
    """One row a compartment and month end: state, chance, look (a look inside is ordered), money (expected cost of
    waiting), came (what failed before the result waited for, at its extra cost), faulty, way (0..1), seen (a bottle of
    the fault is in hand).

    judged, beside: of the last day; each month sees of them what was known then. faults: truth/faults.csv.
    """
    last = fleet.samples["reported_on"].max()
    days = pd.date_range(fleet.samples["reported_on"].min(), last, freq="ME")[_FIRST_MONTH:]
    return pd.concat([_one_month(fleet, judged, beside, faults, day) for day in days], ignore_index=True)


def _one_month(fleet: Fleet, judged: Judged, beside: Beside, faults: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    then = fleet.as_of(day)
    known = then.samples["sample"]
    use = machine_use(then)
    rules = beside.rules[beside.rules["sample"].isin(known)]
    doubts = None if beside.doubts is None else beside.doubts[beside.doubts["sample"].isin(known)]
    chances = judged.bottle_chances
    own = Judged(chances[chances["known_on"] <= day], empty("hypotheses"), empty("contributions"))
    made = decide(then, own, replace(beside, rules=rules, use=use, doubts=doubts))
    out = made.verdicts[["compartment", "site", "state", "chance", "drawn_on", "cause"]].merge(
        made.orders[["compartment", "group", "asks", "money_at_stake"]], on="compartment", how="left"
    )
    money = made.money[["compartment", "hours_repeat", "hours_sooner", "hours_routine", "extra"]]
    out = out.merge(money, on="compartment").assign(month=day)
    pace = then.compartments.set_index("compartment")["machine"].map(use.set_index("machine")["h_per_day"])
    return _with_truth(out, faults, day, pace)


def _with_truth(out: pd.DataFrame, faults: pd.DataFrame, day: pd.Timestamp, pace: pd.Series) -> pd.DataFrame:
    now = active_on(faults, out["compartment"].tolist(), day)
    lasting = faults.assign(ended_on=faults["ended_on"].where(faults["how"] != "open", pd.Timestamp.max.as_unit("us")))
    current = lasting[(lasting["opened_on"] <= day) & (lasting["ended_on"] > day)].drop_duplicates("compartment")
    current = current.set_index("compartment").reindex(out["compartment"])
    hours = np.select(
        [out["asks"] == "repeat", out["asks"] == "sooner"],
        [out["hours_repeat"], out["hours_sooner"]],
        out["hours_routine"],
    )
    ahead = hours / pace.reindex(out["compartment"]).clip(lower=0.5).to_numpy()
    left = ((current["ended_on"] - day).dt.total_seconds() / 86400).to_numpy()
    fails = (current["how"] == "failed").to_numpy() & (left <= ahead)
    return out.assign(
        faulty=now["faulty"].to_numpy(), way=now["way"].to_numpy(),
        look=out["group"].isin(LOOKS) & (out["state"] == "alarm"),
        seen=(out["drawn_on"].to_numpy() > current["opened_on"].to_numpy()), came=np.where(fails, out["extra"], 0.0),
        true_cause=current["cause"].fillna("").to_numpy(),
    ).drop(columns=["hours_repeat", "hours_sooner", "hours_routine"])  # fmt: skip


def month_figures(m: pd.DataFrame) -> dict[str, float]:
    """Figures of month ends, each with its standard error beside it (`se ...`); m: rows of
    `month_ends` with `fleet`.
    """
    alarm, active = m["state"] == "alarm", m["faulty"] & m["seen"]
    raised = m[m["state"].isin(["alarm", "alert"])]
    parts = {
        "alarm true": m.loc[alarm, "faulty"], "look inside true": m.loc[m["look"], "faulty"],
        "active in alarm": alarm[active],
        "past half way in alarm": alarm[active & (m["way"] > 0.5)], "active and clear": (m["state"] == "clear")[active],
    }  # fmt: skip
    out = {
        "month ends": float(len(m)),
        "alarms": float(alarm.sum()),
        "alarm stated": float(m.loc[alarm, "chance"].mean()),
    }
    for name, values in parts.items():
        out[name] = float(values.mean())
        out[f"se {name}"] = _between_fleets(values, m["fleet"])
    came, first = m.groupby("fleet")["came"].sum(), _first_of_sites(raised)
    out["expected over came"] = float(raised["money_at_stake"].sum() / max(raised["came"].sum(), 1.0))
    out["share of money in a site's first three"] = float(first["came"].sum() / max(came.sum(), 1.0))
    out["share of money in what is raised"] = float(raised["came"].sum() / max(came.sum(), 1.0))
    return out | {"Brier": brier(m["chance"].fillna(0.0), m["faulty"])}


def _first_of_sites(raised: pd.DataFrame) -> pd.DataFrame:
    order = raised.sort_values("money_at_stake", ascending=False, kind="stable")
    return order.groupby(["fleet", "month", "site"]).head(_FIRST)


def _between_fleets(values: pd.Series, fleet: pd.Series) -> float:
    """Standard error of a share of correlated months: fleets are drawn again (ratio of sums, linearised); NaN for one
    fleet.
    """
    hits = values.astype(float).groupby(fleet.reindex(values.index)).agg(["sum", "size"])
    n = len(hits)
    left = hits["sum"] - hits["size"] * hits["sum"].sum() / max(hits["size"].sum(), 1)
    return float(np.sqrt(n / (n - 1) * (left**2).sum()) / hits["size"].sum()) if n > 1 else float("nan")
