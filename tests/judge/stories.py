"""Hand-made posteriors for the tests of states, alarms and orders."""

from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pandas as pd

from cmkit.judge.decide import Beside, Decisions, decide
from cmkit.records.fleet import Fleet
from cmkit.wear.evidence import EVIDENCE

FIRST = pd.Timestamp("2026-01-01")
STEP = 30  # days between bottles, at 8 h a day 240 h
Story = Callable[..., Decisions]


def bottle(
    p: float = 0.01,
    good: float = 0.97,
    doubt: str = "p_rich",
    cause: str = "coolant leak",
    phase: str = "clear",
    **more: float,
) -> dict:
    """One bottle's chances: p of a fault, all of it of one cause and phase; what is not good is one doubt."""
    phases = {f"p_{name}": p if name == phase else 0.0 for name in ("early", "clear", "severe")}
    odd = dict.fromkeys(("p_rich", "p_dirt", "p_other"), 0.0) | {doubt: 1 - good}
    chances = {"p_fault": p, "p_good": good, "cause": cause, "p_cause": p, "second_cause": "", "p_second": 0.0}
    return chances | phases | odd | more


def told(
    make_fleet: Callable[..., Fleet], bottles: list[dict], rules: dict[int, list[tuple]] | None = None, findings: tuple = (), services: tuple = (),
    kind: str = "engine",
    today: int | None = None, contributions: tuple = (), results: dict[str, list[float]] | None = None,
    settings: dict | None = None,
    hypotheses: pd.DataFrame | None = None, doubts: pd.DataFrame | None = None,
) -> Decisions:  # fmt: skip
    """Bottles judged 10 days after the last; results known 7 days after drawing."""
    n = len(bottles)
    drawn = [FIRST + pd.Timedelta(days=STEP * i) for i in range(n)]
    samples = [{"sample": f"s{i}", "compartment": "M/c", "drawn_on": d, "reported_on": d + pd.Timedelta(days=7),
        "meter_h": 240.0 * i,
                **{name: values[i] for name, values in (results or {}).items()}} for i,
                d in enumerate(drawn)]  # fmt: skip
    day = FIRST + pd.Timedelta(days=(n - 1) * STEP + 10 if today is None else today)
    known = make_fleet(
        settings=settings or {}, sites=[{"site": "S", "downtime_cost_per_h": 100}],
        machines=[{"machine": "M", "site": "S", "kind": "wheel loader"}],
        compartments=[{"compartment": "M/c", "machine": "M", "kind": kind, "sample_every_h": 250, "family": kind}],
        samples=samples,
        findings=[{"finding": f"F{d}", "compartment": "M/c", "found_on": FIRST + pd.Timedelta(days=d),
        "outcome": o} for d, o in findings],
        services=[{"service": f"W{d}", "compartment": "M/c", "done_on": FIRST + pd.Timedelta(days=d),
        "kind": k} for d, k in services],
    ).as_of(day)  # fmt: skip
    chances = pd.DataFrame([
        {"sample": f"s{i}", "compartment": "M/c", "kind": kind, "life": 1, "order": i, "drawn_on": drawn[i],
        "known_on": drawn[i] + pd.Timedelta(days=7),
         "run_h": 240.0 * i, **b} for i, b in enumerate(bottles)
    ])  # fmt: skip
    names = ["compartment", "sample", "about", "hypothesis", "chance", "p_early", "p_clear", "p_severe"]
    parts = pd.DataFrame([{"compartment": "M/c", "sample": s, "hypothesis": h, "analyte": a, "log_odds": x} for s,
        h, a, x in contributions],
                         columns=["compartment", "sample", "hypothesis", "analyte", "log_odds"])  # fmt: skip
    fired = [
        {"compartment": "M/c", "sample": f"s{i}", "drawn_on": drawn[i], "known_on": drawn[i] + pd.Timedelta(days=7),
        "analyte": a, "rule": rule,
         "value": v, "operator": op, "threshold": v, "unit": "", "state": state, "words": f"{a} {v:g} past its "
         f"limit" if a else "found low"}
        for i, given in (rules or {}).items() for a, rule, op, v, state in given
    ]  # fmt: skip
    use = pd.DataFrame(
        {
            "machine": ["M"],
            "h_per_day": [8.0],
            "last_read_on": [day],
            "last_run_h": [8.0 * (day - FIRST).days],
            "idle": [False],
        }
    )
    beside = Beside(
        rules=pd.DataFrame(fired, columns=EVIDENCE),
        exposure=chances[["sample"]].assign(meter_h=chances["run_h"] + 1000),
        use=use,
        expected=pd.DataFrame({"sample": ["s1"], "analyte": ["Fe_ppm"], "expected": [40.0]}),
        doubts=doubts,
    )
    judged = SimpleNamespace(
        bottle_chances=chances, contributions=parts,
        hypotheses=pd.DataFrame(columns=names).astype(dict.fromkeys(names[4:],
        float)) if hypotheses is None else hypotheses,
    )  # fmt: skip
    return decide(known, judged, beside)


def verdict(decided: Decisions) -> pd.Series:
    return decided.verdicts.iloc[0]


def order(decided: Decisions) -> pd.Series:
    assert len(decided.orders) == 1
    return decided.orders.iloc[0]


FUEL = ("fuel_pct", "maker limit", ">=", 6.0, "alarm")
WATER = ("water_ppm", "condition", ">=", 2500.0, "alarm")
SOOT_ALERT = ("soot_pct", "condition", ">=", 3.5, "alert")
LOW = ("", "low level", "is", np.nan, "alert")
