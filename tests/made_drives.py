"""Small hand-made fleets of final drives whose truth is plain: metals rise at an invented steady rate, `RATES`,
scattered by 8 %, and nothing is wrong unless a test makes it so."""

from typing import Any

import numpy as np
import pandas as pd

from cmkit.assessment import Assessment
from cmkit.records.fleet import Fleet

RATES = {"Fe_ppm": 0.08, "Cu_ppm": 0.012, "Cr_ppm": 0.01, "Al_ppm": 0.012, "Si_ppm": 0.03, "Pb_ppm": 0.008}
ADDITIVES = {"P_ppm": 900.0, "Zn_ppm": 1000.0, "Ca_ppm": 2500.0}
FIRST = pd.Timestamp("2025-01-06")
TODAY = "2026-06-30"
RAISED = ("alert", "alarm")
Rows = dict[str, list[dict[str, Any]]]


def drives(
    machines: int = 6,
    bottles: int = 9,
    every: float = 250.0,
    change: float = 2000.0,
    sick: dict[str, float] | None = None,
    seed: int = 1,
) -> Rows:
    """Rows of a fleet of machines with one final drive each: a bottle every `every` hours and 50 days, a fluid change
    every `change` hours.

    sick: compartment -> factor on its wear rates.
    """  # fmt: skip
    rng = np.random.default_rng(seed)
    rows: Rows = {
        name: [] for name in ("sites", "machines", "compartments", "samples", "services", "meters", "findings")
    }
    rows["sites"] = [{"site": "North", "downtime_cost_per_h": 300.0}]
    for k in range(machines):
        machine, place = f"M{k + 1}", f"M{k + 1} drive"
        rows["machines"].append(
            {
                "machine": machine,
                "site": "North",
                "kind": "hauler",
                "size_class": "large",
                "in_service_on": FIRST,
                "meter_h_at_start": 1000.0,
            }
        )
        rows["compartments"].append({"compartment": place, "machine": machine, "kind": "final drive",
        "capacity_l": 60.0, "fluid": "gear oil",
                                     "grade": "SAE 50", "sample_every_h": every, "change_every_h": change,
                                     "family": "hauler final drive"})  # fmt: skip
        rows["samples"] += _bottles(
            place, bottles, every, change, (sick or {}).get(place, 1.0) * rng.lognormal(0, 0.2), rng
        )
        for n in range(1, int(bottles * every / change) + 1):
            rows["services"].append({"service": f"{place} {n}", "compartment": place,
            "done_on": FIRST + pd.Timedelta(days=n * change / 5),
                                     "meter_h": 1000.0 + n * change, "kind": "change", "volume_l": 60.0})  # fmt: skip
        rows["meters"].append(
            {
                "machine": machine,
                "read_on": FIRST + pd.Timedelta(days=bottles * every / 5 + 1),
                "meter_h": 1000.0 + bottles * every + 5,
            }
        )
    return rows


def _bottles(
    place: str, bottles: int, every: float, change: float, times: float, rng: np.random.Generator
) -> list[dict[str, Any]]:
    """Bottles at 5 h a day, each drawn on the fluid that has run since the last change (a bottle comes before the
    change of its day).
    """
    out = []
    for n in range(1, bottles + 1):
        hours = n * every
        age = hours % change or change
        drawn = FIRST + pd.Timedelta(days=hours / 5)
        results = {a: float(np.round(times * r * age * rng.lognormal(0, 0.08) + 1)) for a, r in RATES.items()}
        results |= {a: float(np.round(v * rng.lognormal(0, 0.03))) for a, v in ADDITIVES.items()}
        out.append({"sample": f"{place}/{n}", "compartment": place, "drawn_on": drawn, "meter_h": 1000.0 + hours,
        "method": "pump", "sampler": "A",
                    "lab": "Laboratory A", "received_on": drawn + pd.Timedelta(days=3),
                    "reported_on": drawn + pd.Timedelta(days=5), **results})  # fmt: skip
    return out


def check_any(fleet: Fleet, result: Assessment) -> None:
    """What holds of any fleet: a verdict with a reason for every working compartment, chances within 0..1, no number
    gone astray in words.
    """
    machines = fleet.machines[fleet.machines["retired_on"].isna()]
    places = fleet.compartments[fleet.compartments["machine"].isin(machines["machine"])]
    assert sorted(result.verdicts["compartment"]) == sorted(places["compartment"])
    assert set(result.verdicts["state"]) <= {"clear", "alert", "alarm", "not known"}
    assert (result.verdicts["reason"].str.len() > 0).all()
    unknown = result.verdicts[result.verdicts["state"] == "not known"]
    assert (unknown["todo"].str.len() > 0).all()
    for chance in (
        result.trust["believed"],
        result.forecast["chance"],
        result.waiting["chance"],
        result.doubts["probability"],
    ):
        assert chance.dropna().between(0, 1).all()
    assert result.samples["sample"].is_unique
    assert sorted(result.trust["sample"]) == sorted(result.samples["sample"])
    for name in (
        "verdicts",
        "doubts",
        "evidence",
        "limits",
        "forecast",
        "orders",
        "reasons",
        "intervals",
        "waiting",
        "record",
        "cards",
    ):
        frame = getattr(result, name)
        for column in frame.columns.intersection(
            ["reason", "todo", "words", "how_sure", "evidence_for", "evidence_against", "changes", "tube_words"]
        ):
            astray = frame[column].fillna("").str.contains(r"\bnan\b|\bNaN\b|\bNaT\b|\binf\b|\bNone\b|<NA>", regex=True)
            assert not astray.any(), f"{name}.{column}: {frame.loc[astray, column].iloc[0]}"


def verdict(result: Assessment, place: str) -> pd.Series:
    return result.verdicts.set_index("compartment").loc[place]
