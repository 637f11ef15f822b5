"""Each limit that acts alone on small hand-made frames; what is expected is worked out by hand beside it.

The bounds of family limits are this project's own choices. That limits of a maker or site go before statistics and that
a sealed compartment found low has a leak are common practice, without a source.
"""

import numpy as np
import pandas as pd
import pytest

from cmkit.records.analytes import analyte_register
from cmkit.wear.evidence import EVIDENCE, collect_evidence
from cmkit.wear.limits import LIMITS

REGISTER = analyte_register()
FIRST = pd.Timestamp("2026-01-01")
TODAY = pd.Timestamp("2026-06-30")
PLACE = {"compartment": "M1/drive", "machine": "M1", "kind": "final drive", "family": "f", "sample_every_h": 250}


def day(n: int) -> pd.Timestamp:
    """Bottle n is drawn 30 n days after the first and reported 5 days later."""
    return FIRST + pd.Timedelta(days=30 * n)


def fleet(make_fleet, n=3, places=(PLACE,), settings=None, retired=None, levels=(), **tables):
    levels = list(levels) or [None] * n
    samples = [
        {"sample": f"s{i}", "compartment": "M1/drive", "drawn_on": day(i), "meter_h": 250 * i, "fluid_level": level,
         "reported_on": day(i) + pd.Timedelta(days=5), "Ca_ppm": 2000.0, **tables.get("results", {}).get(i, {})}
        for i, level in enumerate(levels)
    ]  # fmt: skip
    machine = {"machine": "M1", "site": "S", "kind": "loader", "retired_on": retired}
    rest = {k: v for k, v in tables.items() if k != "results"}
    sites = [{"site": "S"}]
    made = make_fleet(
        settings=settings, sites=sites, machines=[machine], compartments=list(places), samples=samples, **rest
    )
    return made.as_of(TODAY)


def exposure(n=3, lives=(), kind="final drive") -> pd.DataFrame:
    """Usable bottles s0, s1, ...; `lives` gives the life of each."""
    lives = list(lives) or [1] * n
    order = [lives[:i].count(life) for i, life in enumerate(lives)]
    return pd.DataFrame(
        {"compartment": "M1/drive", "machine": "M1", "kind": kind, "family": "f", "life": lives, "order": order,
         "sample": [f"s{i}" for i in range(len(lives))], "drawn_on": [day(i) for i in range(len(lives))],
         "run_h": [250.0 * i for i in range(len(lives))], "meter_h": [250.0 * i for i in range(len(lives))]}
    ).astype({"drawn_on": "datetime64[us]"})  # fmt: skip


def result(bottle=2, analyte="Fe_ppm", **given) -> dict:
    """One row of the wear filter's history; by default as quiet as can be."""
    quiet = {"value": 40.0, "below": False, "above": False, "expected": 40.0, "expected_sd": 4.0, "z": 0.0, "rise": 0.0,
        "change_k": 0, "rate": 0.04,
             "rate_sd": 0.004, "level": 40.0, "level_sd": 1.0, "cov": 0.0}  # fmt: skip
    where = {"sample": f"s{bottle}", "compartment": "M1/drive", "life": 1, "order": bottle, "family": "f",
        "analyte": analyte,
             "drawn_on": day(bottle), "run_h": 250.0 * bottle, "fluid_h": 250.0 * bottle}  # fmt: skip
    return where | quiet | given


def limit(method="maker", measure="level", alert=80.0, alarm=100.0, high=None, **given) -> dict:
    return {"family": "f", "analyte": "Fe_ppm", "measure": measure, "direction": "up", "alert": alert, "alarm": alarm,
        "alarm_low": alarm,
            "alarm_high": alarm if high is None else high, "n": 40, "n_eff": 20.0, "method": method, "words": "",
            **given}  # fmt: skip


NOTHING = pd.DataFrame(columns=EVIDENCE)


def evidence(known, results, limits=(), seen=None, conditions=NOTHING):
    history = pd.DataFrame(results, columns=list(result())).astype({"drawn_on": "datetime64[us]"})
    table = pd.DataFrame(list(limits), columns=LIMITS)
    return collect_evidence(
        known, exposure() if seen is None else seen, history, table, conditions=conditions, register=REGISTER
    )


def fired(make_fleet, results, limits=()) -> list[tuple]:
    out = evidence(fleet(make_fleet), results, limits)
    assert out.columns.tolist() == EVIDENCE
    return list(out[["sample", "analyte", "rule", "state"]].itertuples(index=False, name=None))


# limits of rate and level


@pytest.mark.parametrize(("rate", "states"), [(0.0551, []), (0.0552, ["alert"])])
def test_a_rate_must_surely_pass_its_limit(make_fleet, rate, states) -> None:
    """Limit .05, sd .004: surely (nine in ten, one-sided; normal quantile 1.2816) from .05 + 1.2816
    x .004 = .05513 on.
    """
    own = limit("trimmed and shrunk", "rate", alert=0.04, alarm=0.05)
    assert [f[3] for f in fired(make_fleet, [result(rate=rate)], [own])] == states
    assert fired(make_fleet, [result(0, rate=rate)], [own]) == []  # a first bottle has no rate of its own
    low = own | {"direction": "down"}
    assert fired(make_fleet, [result(rate=rate)], [low]) == []


def test_the_share_a_rate_limit_stands_for_is_the_fleets_own(make_fleet) -> None:
    own = limit("trimmed and shrunk", "rate", alert=0.04, alarm=0.05)
    usual = evidence(fleet(make_fleet), [result(rate=0.09)], [own])["words"].iloc[0]
    assert usual == "iron wears at 90 ppm per 1,000 h; 1 in 40 of its family is above 50"  # share .975
    strict = fleet(make_fleet, settings={"alarm": {"alarm_share": 0.99}})
    assert "1 in 100 of" in evidence(strict, [result(rate=0.09)], [own])["words"].iloc[0]


@pytest.mark.parametrize(
    ("method", "value", "state", "threshold"),
    [
        ("maker", 79.0, None, None),
        ("maker", 80.0, "alert", 80.0),
        ("maker", 99.9, "alert", 80.0),
        ("maker", 100.0, "alarm", 100.0),
        ("practice", 80.0, "alert", 80.0),
        ("practice", 100.0, "alarm", 100.0),
        ("trimmed and shrunk", 119.0, None, None),  # its own bound of uncertainty is 120
        ("trimmed and shrunk", 120.0, "alert", 120.0),
        ("tolerance", 500.0, "alert", 120.0),  # a share of bottles, never a risk: no alarm by itself
    ],
)
def test_levels(make_fleet, method, value, state, threshold) -> None:
    own = limit(method, high=120.0 if method not in ("maker", "practice") else None)
    out = evidence(fleet(make_fleet), [result(value=value)], [own])
    assert out["state"].tolist() == ([state] if state else [])
    assert out["threshold"].tolist() == ([threshold] if state else [])


def test_a_family_limit_without_a_bound_is_taken_as_it_is(make_fleet) -> None:
    own = limit("parent", high=np.nan)
    assert [f[3] for f in fired(make_fleet, [result(value=100.0)], [own])] == ["alert"]
    assert fired(make_fleet, [result(value=99.0)], [own]) == []


def test_not_judged_or_below_or_another_family_passes_no_limit(make_fleet) -> None:
    silent = limit("not judged", alert=np.nan, alarm=np.nan, high=np.nan)
    assert fired(make_fleet, [result(value=500.0)], [silent]) == []
    assert fired(make_fleet, [result(value=500.0, below=True)], [limit()]) == []
    assert fired(make_fleet, [result(value=500.0)], [limit(family="g")]) == []


# fluid found low


@pytest.mark.parametrize(
    ("levels", "states"),
    [
        (["full", "full", "over"], []),
        (["full", "low", "full"], [("s1", "alert")]),
        (["full", "low", "low"], [("s1", "alert"), ("s2", "alarm")]),
        (
            ["low", None, None],
            [("s0", "alert"), ("s1", "alert"), ("s2", "alert")],
        ),  # not noted says neither full nor low
        (["low", None, "low"], [("s0", "alert"), ("s1", "alert"), ("s2", "alarm")]),
        (["low", None, "full"], [("s0", "alert"), ("s1", "alert")]),
        ([None, "full", None], []),
        (["low", "full", "low"], [("s0", "alert"), ("s2", "alert")]),
    ],
)
def test_a_sealed_compartment_found_low(make_fleet, levels, states) -> None:
    out = evidence(fleet(make_fleet, levels=levels), [])
    assert out[["sample", "state"]].apply(tuple, axis=1).tolist() == states
    assert set(out["rule"]) <= {"low level"}


@pytest.mark.parametrize(
    ("work", "on", "stands"),
    [
        ("repair", 45, False),
        ("change", 45, False),
        ("finding", 45, False),
        ("repair", 30, False),  # the day it was found low: the bottle comes before the work of its day
        ("repair", 60, True),  # the day of the bottle without a level: after it
        ("repair", 15, True),  # before it was found low
        ("top-up", 45, True),  # tops up, mends nothing
        ("filter", 45, True),
    ],
)
def test_work_on_the_compartment_answers_a_leak_suspected(make_fleet, work, on, stands) -> None:
    """s1 (day 30) found low, s2 (day 60) without a level; common practice."""
    date = FIRST + pd.Timedelta(days=on)
    row = {"compartment": "M1/drive"}
    done = (
        {"findings": [row | {"finding": "F1", "found_on": date, "outcome": "no defect"}]}
        if work == "finding"
        else {"services": [row | {"service": "W1", "done_on": date, "kind": work}]}
    )
    out = evidence(fleet(make_fleet, levels=["full", "low", None], **done), [])
    assert out["sample"].tolist() == (["s1", "s2"] if stands else ["s1"])


def test_low_again_does_not_reach_over_to_another_component(make_fleet) -> None:
    out = evidence(fleet(make_fleet, levels=["low", "low", "low"]), [], seen=exposure(lives=[1, 2, 2]))
    assert out["state"].tolist() == ["alert", "alert", "alarm"]


def test_an_engine_found_low_burns_oil_and_says_nothing(make_fleet) -> None:
    engine = PLACE | {"kind": "engine"}
    known = fleet(make_fleet, levels=["low", "low", "low"], places=[engine])
    assert evidence(known, [], seen=exposure(kind="engine")).empty


def test_conditions_are_passed_through(make_fleet) -> None:
    row = {"compartment": "M1/drive", "sample": "s1", "drawn_on": day(1), "known_on": pd.NaT, "analyte": "water_ppm",
        "rule": "condition",
           "value": 900.0, "operator": ">=", "threshold": 500.0, "unit": "ppm", "state": "alarm", "words": "water 900 "
           "ppm"}  # fmt: skip
    out = evidence(fleet(make_fleet), [result(2)], conditions=pd.DataFrame([row])[EVIDENCE])
    assert out[["sample", "analyte"]].to_numpy().tolist() == [["s1", "water_ppm"]]
    kept = out.iloc[0].to_dict()
    assert kept == row | {"known_on": day(1) + pd.Timedelta(days=5)}


def test_nothing_gives_an_empty_frame_with_its_columns(make_fleet) -> None:
    out = evidence(fleet(make_fleet), [])
    assert out.empty
    assert out.columns.tolist() == EVIDENCE
    assert out["drawn_on"].dtype.kind == "M"


# verdicts

STEADY = {"machine": ["M1"], "h_per_day": [5.0], "last_read_on": [TODAY], "last_run_h": [600.0], "idle": [False]}
QUIET_AHEAD = pd.DataFrame({"compartment": ["M1/drive"], "analyte": ["Fe_ppm"], "chance": [0.1], "words": ["far off"]})
DOUBT = {"sample": "s2", "reason": "mixed with engine oil", "todo": "Find out what was topped up."}


def look(outcome: str, days_after: int, bottle: int = 2) -> dict:
    on = day(bottle) + pd.Timedelta(days=days_after)
    return {"finding": "F", "compartment": "M1/drive", "found_on": on, "outcome": outcome}
