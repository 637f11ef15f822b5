"""What a judgement starts from: rates of faults, their causes, shares of odd bottles; shipped, or as a fleet taught."""

from dataclasses import dataclass
from typing import Any

import pandas as pd

from cmkit.judge.bottles import Shares, shipped_shares
from cmkit.judge.constants import constant
from cmkit.judge.posterior import Arrivals
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import names

PRIORS = names("priors")
RATE, CAUSE, PACE, ODD = "rate of faults", "faults by cause", "running hours a day", "odd bottles"


@dataclass(frozen=True)
class Priors:
    """factor: of the shipped fault rates; counts: recorded faults by kind and cause; shares: of odd bottles; pace:
    running hours a day of a compartment that shows none of its own.
    """

    factor: float
    counts: dict[str, dict[str, float]]
    shares: Shares
    pace: float


def shipped_priors(pace: float) -> Priors:
    """The numbers of the reference tables alone."""
    return Priors(1.0, {}, shipped_shares(), pace)


def prior_rows(factor: float, counts: dict[str, dict[str, float]], pace: float) -> list[dict[str, Any]]:
    """Rows of the table of priors for the rate of faults, the pace and the causes on record."""
    rows = [
        {
            "what": RATE,
            "kind": "all",
            "name": "factor",
            "shipped": 1.0,
            "used": factor,
            "unit": "times the shipped rates",
        },
        {"what": PACE, "kind": "all", "name": "pace", "used": pace, "unit": "h", "words": "of the middle compartment"},
    ]
    return rows + [
        {
            "what": CAUSE,
            "kind": kind,
            "name": cause,
            "worth": constant("cause_prior_faults"),
            "counted": n,
            "unit": "faults",
            "words": f"{n:g} on record",
        }
        for kind, causes in counts.items()
        for cause, n in causes.items()
    ]


def priors_of(table: pd.DataFrame) -> Priors:
    """Priors from their table (columns PRIORS)."""
    used = {what: rows.set_index("name")["used"] for what, rows in table.groupby("what")}
    causes = table[table["what"] == CAUSE]
    counts = {str(kind): dict(zip(rows["name"], rows["counted"], strict=True)) for kind, rows in causes.groupby("kind")}
    return Priors(float(used[RATE]["factor"]), counts, Shares(**used[ODD].to_dict()), float(used[PACE]["pace"]))


def arrivals_of(known: Fleet, kind: str, factor: float) -> Arrivals:
    """Rate of faults of a kind by its settings and the fleet's factor."""
    k = known.settings.kind(kind)
    return Arrivals(k.defect_rate_per_h * factor, k.delay_mean_h)
