"""Each rule of evidence and each verdict on small hand-made frames; what is expected is worked out by hand beside it.

Where the rules come from: the z of 3 on one result and the likelihood ratio of 3.5 for a lasting rise are this project's own choices,
calibrated on simulated fleets (design note, maths B3); so are the 2.5 for two metals together, the bounds of family limits and the
steps of the forecast. That limits of a maker or site go before statistics, that a first alarm asks for a repeat bottle, that a sealed
compartment found low has a leak and that an old bottle says nothing of today are common practice, without a source.
"""

import numpy as np
import pandas as pd
import pytest
from cmkit.wear.verdicts import VERDICTS, alarm_spells, bottle_states, judge, looks_inside

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
    quiet = {"value": 40.0, "below": False, "expected": 40.0, "expected_sd": 4.0, "z": 0.0, "rise": 0.0, "change_k": 0, "rate": 0.04,
             "rate_sd": 0.004, "level": 40.0, "level_sd": 1.0, "cov": 0.0}  # fmt: skip
    where = {"sample": f"s{bottle}", "compartment": "M1/drive", "life": 1, "order": bottle, "family": "f", "analyte": analyte,
             "drawn_on": day(bottle), "run_h": 250.0 * bottle, "fluid_h": 250.0 * bottle}  # fmt: skip
    return where | quiet | given


def limit(method="maker", measure="level", alert=80.0, alarm=100.0, high=None, **given) -> dict:
    return {"family": "f", "analyte": "Fe_ppm", "measure": measure, "direction": "up", "alert": alert, "alarm": alarm, "alarm_low": alarm,
            "alarm_high": alarm if high is None else high, "n": 40, "n_eff": 20.0, "method": method, "words": "", **given}  # fmt: skip


NOTHING = pd.DataFrame(columns=EVIDENCE)


def evidence(known, results, limits=(), seen=None, conditions=NOTHING):
    history = pd.DataFrame(results, columns=list(result())).astype({"drawn_on": "datetime64[us]"})
    table = pd.DataFrame(list(limits), columns=LIMITS)
    return collect_evidence(known, exposure() if seen is None else seen, history, table, conditions, REGISTER)


def fired(make_fleet, results, limits=()) -> list[tuple]:
    out = evidence(fleet(make_fleet), results, limits)
    assert out.columns.tolist() == EVIDENCE
    return list(out[["sample", "analyte", "rule", "state"]].itertuples(index=False, name=None))


# one result far above its own forecast


@pytest.mark.parametrize(("z", "state"), [(2.99, []), (3.0, ["alarm"]), (9.0, ["alarm"]), (-9.0, []), (np.nan, [])])
def test_one_metal_alone_must_pass_three(make_fleet, z, state) -> None:
    assert [f[3] for f in fired(make_fleet, [result(z=z)])] == state


def test_two_metals_above_the_lower_bound_in_one_bottle_are_alerts(make_fleet) -> None:
    both = fired(make_fleet, [result(z=2.5), result(z=2.6, analyte="Cr_ppm")])
    assert both == [
        ("s2", "Cr_ppm", "one-step departure", "alert"),
        ("s2", "Fe_ppm", "one-step departure", "alert"),
    ]
    assert fired(make_fleet, [result(z=2.5), result(z=2.49, analyte="Cr_ppm")]) == []
    assert fired(make_fleet, [result(1, z=2.6), result(2, z=2.6)]) == []  # one in each of two bottles


def test_a_strong_departure_keeps_its_state_beside_a_weaker_one(make_fleet) -> None:
    out = evidence(fleet(make_fleet), [result(z=3.2), result(z=2.6, analyte="Cr_ppm")]).set_index("analyte")
    assert out["state"].to_dict() == {"Cr_ppm": "alert", "Fe_ppm": "alarm"}
    assert out["threshold"].to_dict() == {"Cr_ppm": 2.5, "Fe_ppm": 3.0}


def test_the_first_bottle_of_a_life_is_an_alert_at_most(make_fleet) -> None:
    """Own choice: it has only its family to be compared with."""
    assert fired(make_fleet, [result(0, z=7.0)]) == [("s0", "Fe_ppm", "one-step departure", "alert")]
    assert fired(make_fleet, [result(0, rise=7.0)]) == []
    assert fired(make_fleet, [result(2, order=0, life=2, z=7.0)])[0][3] == "alert"


def test_a_result_below_the_reporting_limit_departs_from_nothing(make_fleet) -> None:
    assert fired(make_fleet, [result(z=7.0, below=True)]) == []


def test_the_words_say_what_was_expected(make_fleet) -> None:
    out = evidence(fleet(make_fleet), [result(z=10.0, value=80.0)]).iloc[0]
    assert out["words"] == "iron 80 ppm where 40.0 (give or take 6.6) was expected"  # 1.645 x 4.0 = 6.58
    assert (out["value"], out["operator"], out["unit"]) == (10.0, ">=", "sd")
    assert out["known_on"] == day(2) + pd.Timedelta(days=5)


# a rise that lasts


@pytest.mark.parametrize(("rise", "state"), [(3.49, []), (3.5, ["alarm"]), (-8.0, []), (np.nan, [])])
def test_a_lasting_rise(make_fleet, rise, state) -> None:
    assert [f[3] for f in fired(make_fleet, [result(rise=rise)])] == state


def test_how_long_it_has_lasted_is_said(make_fleet) -> None:
    known = fleet(make_fleet)
    assert "over 3 bottles" in evidence(known, [result(rise=4.0, change_k=2)])["words"].iloc[0]
    assert "in this bottle" in evidence(known, [result(rise=4.0, change_k=0)])["words"].iloc[0]


# limits of rate and level


@pytest.mark.parametrize(("rate", "states"), [(0.0551, []), (0.0552, ["alert"])])
def test_a_rate_must_surely_pass_its_limit(make_fleet, rate, states) -> None:
    """Limit .05, sd .004: surely (nine in ten, one-sided; normal quantile 1.2816) from .05 + 1.2816 x .004 = .05513 on."""
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


def test_a_bottle_without_hours_is_held_against_level_limits(make_fleet) -> None:
    """Its level needs no hours; s2 is not among the usable bottles. An alarm it raises is an alarm of the compartment."""
    known = fleet(make_fleet, results={2: {"Fe_ppm": 100.0, "Cu_ppm": 5.0}, 1: {"Fe_ppm": 500.0}})
    out = evidence(known, [], [limit()], seen=exposure(2))
    assert out[["sample", "rule", "state"]].to_numpy().tolist() == [["s2", "maker limit", "alarm"]]
    quiet = fleet(make_fleet, results={2: {"Fe_ppm": 100.0, "Fe_ppm_below": True}})
    assert evidence(quiet, [], [limit()], seen=exposure(2)).empty
    states = bottle_states(exposure(2), out)
    assert states[["sample", "life", "state"]].to_numpy().tolist() == [
        ["s0", 1, "clear"],
        ["s1", 1, "clear"],
        ["s2", 1, "alarm"],
    ]
    assert verdict(known, seen=exposure(2), found=out)["state"] == "alarm"


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


def test_a_leak_suspected_stands_while_the_level_is_not_noted(make_fleet) -> None:
    """Common practice, no source: silence about the level is no sign that a leak was mended. It says since when."""
    known = fleet(make_fleet, levels=["full", "low", None])
    out = evidence(known, [])
    assert out["words"].iloc[-1] == f"found low on {day(1):%Y-%m-%d} and the level not noted since: leak suspected"
    said = verdict(known, found=out)
    assert said["state"] == "alert"
    assert said["reason"] == out["words"].iloc[-1]
    assert said["todo"].startswith("Find and mend the leak")


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


def test_a_leak_alarm_is_not_cleared_by_bottles_without_a_level(make_fleet) -> None:
    """Low twice is an alarm; two bottles that say nothing of the level do not close it, two found full do (common practice)."""
    for rest, open_ in (((None, None), True), (("full", "full"), False)):
        known = fleet(make_fleet, levels=["low", "low", *rest])
        seen, out = exposure(4), evidence(known, [], seen=exposure(4))
        trust = pd.DataFrame({"sample": seen["sample"], "believed": 1.0})
        history = pd.DataFrame(columns=list(result()))
        spells = alarm_spells(bottle_states(seen, out), out, history, trust, looks_inside(known))
        assert spells["closed_on"].isna().tolist() == [open_]


def test_low_again_does_not_reach_over_to_another_component(make_fleet) -> None:
    out = evidence(fleet(make_fleet, levels=["low", "low", "low"]), [], seen=exposure(lives=[1, 2, 2]))
    assert out["state"].tolist() == ["alert", "alert", "alarm"]


def test_an_engine_found_low_burns_oil_and_says_nothing(make_fleet) -> None:
    engine = PLACE | {"kind": "engine"}
    known = fleet(make_fleet, levels=["low", "low", "low"], places=[engine])
    assert evidence(known, [], seen=exposure(kind="engine")).empty


def test_conditions_are_passed_through(make_fleet) -> None:
    row = {"compartment": "M1/drive", "sample": "s1", "drawn_on": day(1), "known_on": pd.NaT, "analyte": "water_ppm", "rule": "condition",
           "value": 900.0, "operator": ">=", "threshold": 500.0, "unit": "ppm", "state": "alarm", "words": "water 900 ppm"}  # fmt: skip
    out = evidence(fleet(make_fleet), [result(2, z=3.0)], conditions=pd.DataFrame([row])[EVIDENCE])
    assert out[["sample", "analyte"]].to_numpy().tolist() == [["s1", "water_ppm"], ["s2", "Fe_ppm"]]
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


def verdict(known, seen=None, found=NOTHING, use=None, forecast=QUIET_AHEAD, believed=None, doubts=None) -> pd.Series:
    """The verdict of the drive, spells made by the real functions from the evidence and the fleet's own looks."""
    return verdicts(known, seen, found, use, forecast, believed, doubts).set_index("compartment").loc["M1/drive"]


def verdicts(known, seen=None, found=NOTHING, use=None, forecast=QUIET_AHEAD, believed=None, doubts=None):
    seen = exposure() if seen is None else seen
    trust = pd.DataFrame({"sample": known.samples["sample"], "believed": 0.98}).astype({"believed": float})
    trust["believed"] = trust["sample"].map(believed or {}).fillna(trust["believed"])
    history = pd.DataFrame({"sample": [], "analyte": [], "rate": []})
    spells = alarm_spells(bottle_states(seen, found), found, history, trust, looks_inside(known))
    table = pd.DataFrame([doubts] if doubts else [], columns=list(DOUBT))
    out = judge(known, seen, pd.DataFrame(STEADY | (use or {})), found, spells, forecast, trust, table)
    assert out.columns.tolist() == VERDICTS
    return out


def alarms(known, *bottles: int, **given) -> pd.DataFrame:
    return evidence(known, [result(b, z=4.0, **given) for b in bottles])


def test_clear(make_fleet) -> None:
    out = verdict(fleet(make_fleet))
    assert (out["state"], out["todo"], out["how_sure"]) == ("clear", "", "3 bottles of this life")
    assert (out["sample"], out["run_h"]) == ("s2", 500.0)


def test_never_sampled_is_not_known(make_fleet) -> None:
    out = verdict(fleet(make_fleet, 0, levels=[]), seen=exposure(0).iloc[:0])
    assert (out["state"], out["reason"], out["todo"]) == ("not known", "no usable bottle yet", "Take a first bottle.")


@pytest.mark.parametrize(("now_h", "state"), [(1000.0, "clear"), (1001.0, "not known")])
def test_an_old_bottle_is_not_known(make_fleet, now_h, state) -> None:
    """The newest bottle is of 500 h, sampled every 250 h: it goes stale past two intervals (own choice), at 1,000 h."""
    out = verdict(fleet(make_fleet), use={"last_run_h": [now_h]})
    assert out["state"] == state
    if state == "not known":
        assert out["reason"] == "newest bottle is 501 h old; sampled every 250 h"


def test_hours_since_the_last_reading_count_unless_the_machine_stands(make_fleet) -> None:
    """600 h read 100 days ago at 5 h a day makes 1,100 h today; an idle machine is still at 600 h."""
    old = {"last_read_on": [TODAY - pd.Timedelta(days=100)]}
    assert verdict(fleet(make_fleet), use=old)["state"] == "not known"
    assert verdict(fleet(make_fleet), use=old | {"idle": [True]})["state"] == "clear"


def test_an_accepted_interval_counts_for_staleness(make_fleet) -> None:
    known = fleet(make_fleet, settings={"accepted_intervals": {"M1/drive": 500}})
    assert verdict(known, use={"last_run_h": [1400.0]})["state"] == "clear"
    assert verdict(known, use={"last_run_h": [1501.0]})["state"] == "not known"


def test_a_doubted_newest_bottle_is_not_known(make_fleet) -> None:
    known = fleet(make_fleet)
    out = verdict(known, believed={"s2": 0.49}, doubts=DOUBT)
    assert (out["state"], out["todo"]) == ("not known", "Take a repeat bottle.")
    assert out["reason"] == "newest bottle is doubted: mixed with engine oil"
    assert verdict(known, believed={"s2": 0.5})["state"] == "clear"
    assert verdict(known, believed={"s1": 0.1})["state"] == "clear"  # an older one


def test_a_first_alarm_asks_for_a_repeat_bottle_and_a_second_for_a_look(make_fleet) -> None:
    known = fleet(make_fleet)
    first = verdict(known, found=alarms(known, 2))
    assert (first["state"], first["n_bottles"], first["since"]) == ("alarm", 1, day(2))
    assert first["todo"] == "Take a repeat bottle now; if it agrees, look inside."
    second = verdict(known, found=alarms(known, 1, 2))
    assert (second["state"], second["n_bottles"], second["since"]) == ("alarm", 2, day(1))
    assert second["todo"] == "Look inside before the next sample falls due."


def test_a_doubt_never_hides_an_alarm(make_fleet) -> None:
    known = fleet(make_fleet)
    out = verdict(known, found=alarms(known, 2), believed={"s2": 0.1}, doubts=DOUBT)
    assert out["state"] == "alarm"
    assert out["todo"] == "Take a repeat bottle first. Find out what was topped up."
    assert out["how_sure"] == "the newest bottle is doubted"


def test_an_open_alarm_is_remembered_when_the_newest_bottle_adds_nothing(make_fleet) -> None:
    known = fleet(make_fleet)
    out = verdict(known, found=alarms(known, 1))
    assert (out["state"], out["since"]) == ("alert", day(1))
    assert out["reason"] == "alarm of 2026-01-31 not looked into yet; the newest bottle adds nothing"
    assert out["todo"] == "Take a repeat bottle, or record what was found; the alarm is still open."
    assert out["how_sure"] == "alarm of 1 bottle still open"
    assert "Look inside, or record" in verdict(known, found=alarms(known, 0, 1, order=1))["todo"]


def test_an_alert_is_watched(make_fleet) -> None:
    known = fleet(make_fleet)
    out = verdict(known, found=evidence(known, [result(z=2.6), result(z=2.7, analyte="Cr_ppm")]))
    assert (out["state"], out["todo"]) == ("alert", "Sample at half the usual interval and compare.")
    assert out["reason"].startswith("chromium 40 ppm")
    assert out["reason"].endswith("; 1 more result out of line")


def test_a_leak_goes_before_everything(make_fleet) -> None:
    known = fleet(make_fleet, levels=["full", "full", "low"])
    out = verdict(known, found=evidence(known, [result(z=9.0)]))
    assert out["state"] == "alarm"
    assert out["todo"] == "Find and mend the leak, top up, and take a bottle once it has run."
    assert out["reason"].startswith("found low: a sealed compartment has no other way to lose fluid")


@pytest.mark.parametrize(("chance", "state"), [(0.49, "clear"), (0.5, "alert")])
def test_a_forecast_that_passes_the_limit_is_an_alert(make_fleet, chance, state) -> None:
    ahead = QUIET_AHEAD.assign(chance=chance, words="iron is expected to pass 80 ppm")
    out = verdict(fleet(make_fleet), forecast=ahead)
    assert out["state"] == state
    assert out["reason"] == ("results as expected" if state == "clear" else "iron is expected to pass 80 ppm")


def test_a_retired_machine_is_left_out(make_fleet) -> None:
    assert verdicts(fleet(make_fleet, retired="2026-06-30")).empty
    assert len(verdicts(fleet(make_fleet, retired="2026-07-01"))) == 1  # not known today


def look(outcome: str, days_after: int, bottle: int = 2) -> dict:
    on = day(bottle) + pd.Timedelta(days=days_after)
    return {"finding": "F", "compartment": "M1/drive", "found_on": on, "outcome": outcome}


def test_a_look_closes_what_the_newest_bottle_said(make_fleet) -> None:
    """On the day of the bottle too: a bottle is drawn before the work of its day. A look before it answers nothing."""
    for days_after in (0, 20):
        known = fleet(make_fleet, findings=[look("no defect", days_after)])
        out = verdict(known, found=alarms(known, 1, 2))
        assert out["state"] == "clear"
        assert out["reason"].endswith("nothing wrong found")
    before = fleet(make_fleet, findings=[look("no defect", -1)])
    assert verdict(before, found=alarms(before, 2))["state"] == "alarm"


def test_a_look_ends_an_alert_too(make_fleet) -> None:
    known = fleet(make_fleet, findings=[look("no defect", 20)])
    two = [result(z=2.6), result(z=2.7, analyte="Cr_ppm")]
    assert verdict(known, found=evidence(known, two))["state"] == "clear"


@pytest.mark.parametrize("outcome", ["defect", "failed"])
def test_what_was_found_broken_is_not_clear_before_a_bottle_says_so(make_fleet, outcome) -> None:
    known = fleet(make_fleet, findings=[look(outcome, 20)])
    assert verdict(known, found=alarms(known, 2))["state"] == "not known"
    assert verdict(known)["state"] == "not known"
    mended = fleet(make_fleet, findings=[look(outcome, -10)])
    assert verdict(mended)["state"] == "clear"


def test_a_repair_is_not_clear_before_a_bottle_says_so(make_fleet) -> None:
    work = {"service": "w", "compartment": "M1/drive", "done_on": day(2) + pd.Timedelta(days=9), "kind": "repair"}
    known = fleet(make_fleet, services=[work])
    out = verdict(known, found=alarms(known, 2))
    assert (out["state"], out["reason"]) == ("not known", "repaired on 2026-03-11; no bottle since")
    assert verdict(known)["state"] == "clear"  # nothing stood against it


def test_a_new_component_is_not_known_until_its_first_bottle(make_fleet) -> None:
    work = {"service": "w", "compartment": "M1/drive", "done_on": day(2) + pd.Timedelta(days=9), "kind": "replace"}
    known = fleet(make_fleet, services=[work])
    out = verdict(known, found=alarms(known, 1, 2))
    assert (out["state"], out["todo"]) == ("not known", "Take a first bottle.")
    fitted = fleet(make_fleet, places=[PLACE | {"fitted_on": day(2) + pd.Timedelta(days=9)}])
    assert verdict(fitted, found=alarms(fitted, 1, 2))["state"] == "not known"


def test_the_new_components_own_alarm_is_not_closed_with_the_old_ones(make_fleet) -> None:
    """A level alarm in the first bottle of life 2: it ends the alarm of life 1 and opens one of its own."""
    known, seen = fleet(make_fleet), exposure(lives=[1, 1, 2])
    found = evidence(known, [result(1, z=4.0), result(2, order=0, life=2, value=150.0)], [limit()], seen=seen)
    out = verdict(known, seen=seen, found=found)
    assert (out["state"], out["n_bottles"], out["since"]) == ("alarm", 1, day(2))
