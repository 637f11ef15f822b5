"""One reason a failure, on records whose reason is known by construction; `tests/benchmarks/calibrate_missed.py` holds
it against whole fleets.
"""

from collections.abc import Callable

import pandas as pd
import pytest

from cmkit.judge.hypotheses import UNNAMED, all_patterns
from cmkit.practice.coverage import all_modes, coverage, how_watched, mode_of, modes_of
from cmkit.practice.missed import missed_failures
from cmkit.practice.replay import alarm_record
from cmkit.tables.frames import check, empty, names

FAILED = pd.Timestamp("2026-06-01")
FULL = {"Fe_ppm": 20.0, "Cr_ppm": 2.0, "Si_ppm": 9.0, "Al_ppm": 5.0, "Cu_ppm": 5.0, "visc40_cSt": 200.0}


def told(make_fleet: Callable, bottles: list[dict], cause: str = "bearing fatigue", alarm: dict | None = None,
    looked: pd.Timestamp | None = None, **more: list[dict]) -> pd.DataFrame:  # fmt: skip
    """Reasons of one final drive's failure; bottles: days before it, days to the result, state, chance of a fault and
    results.
    """
    rows, states = [], []
    for n, b in enumerate(bottles):
        drawn = FAILED - pd.Timedelta(days=b["before"])
        known_on = drawn + pd.Timedelta(days=b.get("took", 7))
        hours = 5000.0 - 10 * b["before"]
        rows.append(
            {"sample": f"s{n}", "compartment": "M/fd", "drawn_on": drawn, "reported_on": known_on, "meter_h": hours}
            | b.get("tests", FULL)
        )
        states.append({"compartment": "M/fd", "sample": f"s{n}", "drawn_on": drawn, "known_on": known_on,
        "run_h": hours, "p_fault": b.get("p", 0.01), "state": b.get("state", "clear")})  # fmt: skip
    fleet = make_fleet(
        sites=[{"site": "S", "downtime_cost_per_h": 100.0}],
        machines=[{"machine": "M", "site": "S"}],
        compartments=[{"compartment": "M/fd", "machine": "M", "kind": "final drive"}],
        samples=rows,
        findings=[
            {
                "finding": "F",
                "compartment": "M/fd",
                "found_on": FAILED,
                "outcome": "failed",
                "cause": cause,
                "cost": 900.0,
                "downtime_h": 2.0,
            },
            *([{"finding": "L", "compartment": "M/fd", "found_on": looked, "outcome": "no defect"}] if looked else []),
        ],
        **more,
    )
    spells = empty("alarm_spells")
    if alarm is not None:
        b = states[alarm["bottle"]]
        spell = {**dict.fromkeys(names("alarm_spells")), "compartment": "M/fd", "life": 1, "alarm_on": b["drawn_on"],
            "known_on": b["known_on"], "sample": b["sample"],
                 "run_h": b["run_h"], "bottles": 1, "analytes": "Fe_ppm", "clear_run": 0, "closed_on": FAILED,
                 "closed_by": "finding"}  # fmt: skip
        spells = pd.DataFrame([spell])
    known = fleet.as_of("2026-06-30")
    record = alarm_record(known, spells, pd.DataFrame({"finding": ["F"], "run_h": [5000.0]}))
    out = missed_failures(
        known,
        record,
        pd.DataFrame(
            states or None, columns=["compartment", "sample", "drawn_on", "known_on", "run_h", "p_fault", "state"]
        ),
    )
    check(out, "missed")
    return out


CASES = {
    "no bottle at all": ([], "not sampled in time", "no bottle since it was new"),
    "last bottle long ago": ([{"before": 300}], "not sampled in time", "300 days, 3,000 h before it failed"),
    "clear just before": ([{"before": 30}], "not sampled in time", "most likely began after it"),
    "raised but not enough": ([{"before": 60, "p": 0.02}, {"before": 30, "p": 0.3, "state": "alert"}], "below what "
    "could be seen", "30 % and stood at alert"),
    "result after the failure": ([{"before": 20, "took": 40, "p": 0.9, "state": "alarm"}], "result late", "its result "
    "came too late"),
    "result two days before": ([{"before": 20, "took": 18, "p": 0.9, "state": "alarm"}], "result late", "drawn 20 "
    "days before"),
    "only bottle still under way": ([{"before": 20, "took": 40}], "result late", "no result in hand in time"),
    "alarm long known": ([{"before": 40, "p": 0.9, "state": "alarm"}], "seen and not acted on", "alarm known 33 days "
    "before it failed"),
    "cheap tests": ([{"before": 40, "tests": {"visc40_cSt": 200.0}}], "not seen by the tests done", "add: ferrous "
    "debris index and iron"),
}  # fmt: skip


def test_an_alarm_that_was_looked_into_in_vain_was_not_left_lying(make_fleet) -> None:
    """A look after the alarm was known that found nothing is a reason of its own; one before it is not."""
    bottles = [{"before": 40, "p": 0.9, "state": "alarm"}]
    for before, reason in ((20, "seen, and a look found nothing"), (36, "seen and not acted on")):
        out = told(make_fleet, bottles, alarm={"bottle": 0}, looked=FAILED - pd.Timedelta(days=before)).iloc[0]
        assert out["reason"] == reason
        assert ("found nothing wrong" in out["words"]) == (before == 20)


def test_an_alarm_raised_again_after_a_look_in_vain_was_left_lying(make_fleet) -> None:
    bottles = [{"before": 60, "p": 0.9, "state": "alarm"}, {"before": 25, "p": 0.9, "state": "alarm"}]
    out = told(make_fleet, bottles, alarm={"bottle": 0}, looked=FAILED - pd.Timedelta(days=40)).iloc[0]
    assert out["reason"] == "seen and not acted on"
    assert out["words"] == "alarm known 18 days before it failed"


@pytest.mark.parametrize("name", CASES)
def test_each_failure_has_its_reason(make_fleet, name) -> None:
    bottles, reason, words = CASES[name]
    alarm = {"bottle": 0} if bottles and bottles[0].get("state") == "alarm" and bottles[0].get("took", 7) < 20 else None
    out = told(make_fleet, bottles, alarm=alarm)
    assert out["reason"].tolist() == [reason]
    assert words in out["words"].iloc[0]
    assert out["cost"].tolist() == [1100.0]


def test_a_cause_that_no_fluid_test_sees_and_one_nobody_wrote_down(make_fleet) -> None:
    burst = told(make_fleet, [{"before": 40}], cause="hose burst").iloc[0]
    assert burst["reason"] == "not seen by the tests done"
    assert "leaves nothing in the fluid" in burst["words"]
    blank = told(make_fleet, [{"before": 40}], cause="").iloc[0]
    assert blank["reason"] == "not recorded"
    unknown = told(make_fleet, [{"before": 40, "p": 0.3}], cause="struck by a rock").iloc[0]
    assert unknown["reason"] == "below what could be seen"


def test_a_quiet_bottle_clears_a_compartment_only_of_what_its_tests_show(make_fleet) -> None:
    """A bush that fails 30 days after a quiet bottle: with copper in its results the wear most likely began later; with
    tin and lead alone, which show it a little, it may well have been there. Long before, it began later either way.
    """
    faint = {"Sn_ppm": 1.0, "Pb_ppm": 2.0, "visc40_cSt": 200.0}
    for before, tests, reason in (
        (30, FULL, "not sampled in time"),
        (30, faint, "below what could be seen"),
        (300, faint, "not sampled in time"),
    ):
        out = told(make_fleet, [{"before": before, "tests": tests}], cause="bushing wear").iloc[0]
        assert out["reason"] == reason
        assert ("show thrust washers or bushes wearing a little only" in out["words"]) == (
            reason != "not sampled in time"
        )


def test_bottles_before_a_repair_say_nothing_of_a_later_failure(make_fleet) -> None:
    alarm = [{"before": 40, "p": 0.9, "state": "alarm"}]
    mended = [{"service": "W", "compartment": "M/fd", "done_on": "2026-05-10", "kind": "repair"}]
    assert told(make_fleet, alarm, services=mended)["reason"].tolist() == ["not sampled in time"]


def test_every_fault_that_is_judged_is_a_failure_mode_of_its_kind() -> None:
    for pattern in all_patterns():
        for kind in pattern.kinds:
            if pattern.cause != UNNAMED:
                mode = mode_of(kind, pattern.cause)
                assert mode is not None, (kind, pattern.cause)
                assert mode.sees
    for mode in all_modes():
        assert mode.ask
        assert mode.not_seen or mode.sees
    for kind in ("engine", "final drive", "coolant", "hydraulic", "a new kind"):
        assert len({m.mode for m in modes_of(kind)}) == len(modes_of(kind))


def test_the_key_signs_of_the_judge_are_among_the_results_that_see_the_mode() -> None:
    """Two tables written apart: what the judge takes for a key sign must be said to show the mode,
    at least a little.
    """
    for pattern in all_patterns():
        keys = {name for name, (_, size) in pattern.signs.items() if size == 3}
        for kind in pattern.kinds:
            mode = mode_of(kind, pattern.cause)
            if mode is not None and keys:
                assert keys & (mode.sees | mode.shows), (kind, pattern.cause)


def test_coverage_says_what_is_watched_and_what_is_not(make_fleet) -> None:
    drawn = [{"sample": f"s{i}", "compartment": "M/fd", "drawn_on": "2026-05-01", "reported_on": "2026-05-05",
        "water_ppm": 50.0, "Fe_ppm": 9.0 if i else None} for i in range(4)]  # fmt: skip
    known = make_fleet(
        sites=[{"site": "S"}],
        machines=[{"machine": "M", "site": "S"}],
        compartments=[{"compartment": "M/fd", "machine": "M", "kind": "final drive"}],
        samples=drawn,
    ).as_of("2026-06-30")
    out = coverage(known)
    check(out, "coverage")
    how = out.set_index("mode")["watched"]
    assert how["water"] == "watched"
    assert how["gears or bearings breaking up"] == "watched"
    assert how["dirt getting in"] == "shown a little"
    assert how["thrust washers or bushes wearing"] == "not watched"
    assert how["cracks and sudden breaks"] == "not in the fluid"
    assert out.set_index("mode").loc["gears or bearings breaking up", "by"] == "Fe_ppm"
    silent = mode_of("final drive", "bearing fatigue")
    assert silent is not None
    assert how_watched(silent, frozenset()) == "not watched"
