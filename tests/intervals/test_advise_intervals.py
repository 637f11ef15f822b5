"""Advice for a small fleet: every compartment gets a row, capacity binds, refusals are said,
records are read in order.
"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from filelock import FileLock
from made_learnt import made_learnt
from numpy.testing import assert_allclose

from cmkit.errors import SettingsError, WriteError
from cmkit.intervals.accept import accept_intervals
from cmkit.intervals.advise import (
    CURVES,
    INTERVALS,
    advise_intervals,
    case_of,
    defect_rates,
    learn_defects,
    sampled_range,
    within_capacity,
)
from cmkit.intervals.cost import interval_cost
from cmkit.intervals.defect_records import defect_records
from cmkit.records.fleet import Fleet
from cmkit.records.settings import read_settings

Frames = dict[str, Any]
PLACES = ["A/engine", "B/engine", "C/engine", "A/final drive", "B/coolant"]


def small_fleet(
    make_fleet: Callable[..., Fleet], settings: dict | None = None, findings: list[dict] | None = None
) -> Frames:
    """Three machines, five compartments, a bottle every 250 h for 4000 h; the coolant has no wear metal to follow."""
    machines = [{"machine": m, "site": "north", "kind": "loader"} for m in "ABC"]
    compartments = [
        {
            "compartment": p,
            "machine": p[0],
            "kind": p.split("/")[1],
            "family": "loader " + p.split("/")[1],
            "change_every_h": 500.0,
        }
        for p in PLACES
    ]
    meters = [
        {"machine": m, "read_on": day, "meter_h": h}
        for m in "ABC"
        for day, h in (("2024-01-01", 0.0), ("2025-01-05", 4100.0))
    ]
    known = make_fleet(
        settings, sites=[{"site": "north", "downtime_cost_per_h": 150.0}], machines=machines, compartments=compartments,
        meters=meters, findings=findings or [],
    ).as_of("2025-01-31")  # fmt: skip
    rows = [
        {"sample": f"{p} {k}", "compartment": p, "machine": p[0], "family": "loader " + p.split("/")[1], "life": 1,
        "run_h": 250.0 * (k + 1), "hours": np.nan if k == 0 else 250.0}
        for p in PLACES for k in range(16)
    ]  # fmt: skip
    families = [("loader engine", 0.06), ("loader final drive", 0.08)]
    numbers = pd.DataFrame(
        [{"family": f, "analyte": a, "rate_mean": m * s, "noise_floor": 0.5, "noise_share": 0.1, "load_share": 0.1,
        "drift_share": 0.2, "level_mean": 400 * m * s} for f, m in families for a,
        s in (("Fe_ppm", 1.0), ("Cu_ppm", 0.2), ("Si_ppm", 3.0))]
    )  # fmt: skip
    wear = pd.DataFrame(
        {"compartment": PLACES[:4], "analyte": "Fe_ppm", "rate": [0.06, 0.06, 0.13, 0.08], "rise": [0.0, 0.2, 5.0, 0.0]}
    )
    use = pd.DataFrame({"machine": list("ABC"), "h_per_day": [11.0, 11.0, np.nan], "last_run_h": 4100.0})
    exposure = pd.DataFrame(rows)
    learnt = made_learnt(
        numbers=numbers,
        defects=learn_defects(known, exposure, numbers, wear, use),
        sampled=sampled_range(exposure),
        in_use=pd.DataFrame({"every_h": [250.0]}),
    )
    return {"known": known, "exposure": exposure, "rates": wear, "use": use, "learnt": learnt}


def advise(frames: Frames) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Advice within what crew and laboratory can do."""
    rows, curves = advise_intervals(**frames)
    settings = frames["known"].settings
    pace = settings.intervals.usual_h_per_day
    return within_capacity(rows, curves, frames["use"], settings.sampling, pace), curves


@pytest.fixture
def fleet(make_fleet: Callable[..., Fleet]) -> Frames:
    return small_fleet(make_fleet)


def test_every_compartment_has_a_row(fleet: Frames) -> None:
    rows, curves = advise(fleet)
    assert rows["compartment"].tolist() == sorted(PLACES)
    assert rows.columns.tolist() == INTERVALS
    assert curves.columns.tolist() == CURVES
    judged = rows[rows["analyte"].notna()]
    assert set(judged["analyte"]) == {"Fe_ppm"}  # the fastest wear metal; silicon is faster but no wear metal
    assert_allclose(judged["saving"], judged["cost_today"] - judged["cost_advised"], atol=1e-9)
    assert (judged["saving"] >= -1e-9).all()
    assert (judged["saving_low"] <= judged["saving_high"]).all()
    assert (judged["flat_low_h"] <= judged["advised_h"]).all()
    assert (judged["advised_h"] <= judged["flat_high_h"]).all()
    on_curve = curves.merge(
        judged[["compartment", "today_h", "cost_today"]],
        left_on=["compartment", "every_h"],
        right_on=["compartment", "today_h"],
    )
    assert_allclose(on_curve["cost_per_1000h"], on_curve["cost_today"])
    assert (curves["low"] <= curves["cost_per_1000h"]).all()


def test_not_judged_is_said_and_never_called_not_worth_it(fleet: Frames) -> None:
    rows, curves = advise(fleet)
    coolant = rows.set_index("compartment").loc["B/coolant"]
    assert "not judged" in coolant["words"]
    assert np.isnan(coolant["advised_h"])
    assert "B/coolant" not in set(curves["compartment"])


def test_parameters_behind_the_row(fleet: Frames) -> None:
    """Downtime of the site is in the costs, turnaround in operating hours, a rate in alarm leaves the family's in
    place.
    """
    rows = advise(fleet)[0].set_index("compartment")
    kind = fleet["known"].settings.kind("engine")
    case = case_of(rows.loc["A/engine"])
    assert case.failure_cost == kind.failure_cost + 150 * kind.failure_downtime_h
    assert case.planned_cost == kind.planned_cost + 150 * kind.planned_downtime_h
    assert case.turnaround_h == 80  # 7 days of 11 h, in classes of 40 h
    assert case.base_rate == 0.06
    assert rows.loc["C/engine", "base_rate"] == 0.06  # its own .13 is rising: a defect is no base rate
    assert case.metals == 2
    own = interval_cost(case, [250.0, np.inf])
    assert_allclose(rows.loc["A/engine", "caught_today"], own.p_caught[0], atol=2e-3)
    assert_allclose(
        case.defect_rate_per_h, 2 / (2 / kind.defect_rate_per_h + 3 * 3850), rtol=1e-9
    )  # Gamma prior, no event
    assumed_h = 2 / kind.defect_rate_per_h
    assert_allclose(
        rows.loc["A/engine", "prior_weight"], (assumed_h / (assumed_h + 3 * 3850) + 1) / 2
    )  # rate and delay, half each
    assert_allclose(rows.loc["A/engine", "cost_none"] / 1000, own.cost_per_h[1], rtol=0.1)


def test_the_same_records_give_the_same_advice(fleet: Frames) -> None:
    first, second = advise(fleet), advise(fleet)
    pd.testing.assert_frame_equal(first[0], second[0])
    pd.testing.assert_frame_equal(first[1], second[1])


def test_crew_or_laboratory_binds(make_fleet: Callable[..., Fleet], fleet: Frames) -> None:
    free = advise(fleet)[0]
    tight = small_fleet(make_fleet, {"sampling": {"crew_samples_per_week": 0.6, "lab_samples_per_week": 5.0}})
    rows = advise(tight)[0]
    assert "crew" in set(rows["binds"])
    assert "laboratory" not in set(rows["binds"])
    assert (rows["advised_h"].fillna(0) >= free["advised_h"].fillna(0)).all()
    load = (365 * np.where(rows["machine"] == "C", 10.0, 11.0) / rows["advised_h"]).sum()
    assert load <= 0.6 * 52
    assert rows.loc[rows["binds"] == "crew", "words"].str.contains("if the crew could take more samples").all()


def test_equal_costs_are_refused(make_fleet: Callable[..., Fleet]) -> None:
    same = {"planned_cost": 9000.0, "failure_cost": 9000.0, "planned_downtime_h": 10.0, "failure_downtime_h": 10.0}
    rows = advise(small_fleet(make_fleet, {"kinds": {"engine": same}}))[0]
    engines = rows[rows["kind"] == "engine"]
    assert engines["advised_h"].isna().all()
    assert engines["words"].str.contains("no interval pays").all()


def test_an_interval_never_seen_is_marked(make_fleet: Callable[..., Fleet]) -> None:
    rows = advise(small_fleet(make_fleet, {"kinds": {"engine": {"sample_cost": 900.0}}}))[0]
    engines = rows[rows["kind"] == "engine"]
    assert (engines["advised_h"] > 275).all()
    assert engines["beyond_data"].all()
    assert engines["words"].str.contains("not tried yet in this family").all()


def test_no_numbers_at_all(fleet: Frames) -> None:
    rows, curves = advise({**fleet, "learnt": replace(fleet["learnt"], numbers=fleet["learnt"].numbers.iloc[:0])})
    assert len(rows) == len(PLACES)
    assert rows["words"].str.startswith("not judged").all()
    assert curves.empty


FINDINGS = [
    {
        "finding": "1",
        "compartment": "A/engine",
        "found_on": "2024-06-10",
        "meter_h": 1790.0,
        "outcome": "defect",
        "prompted_by": "A/engine 6",
    },
    {"finding": "2", "compartment": "B/engine", "found_on": "2024-08-10", "meter_h": 2440.0, "outcome": "failed"},
    {"finding": "3", "compartment": "C/engine", "found_on": "2024-08-10", "meter_h": 2440.0, "outcome": "no defect"},
]


def test_defect_records_are_in_order(make_fleet: Callable[..., Fleet]) -> None:
    """A finding counts at the sample that prompted it; hours add up to the time observed."""
    frames = small_fleet(make_fleet, findings=FINDINGS)
    records = defect_records(frames["known"], frames["exposure"], frames["use"])
    by = dict(iter(records.groupby("compartment")))
    a = by["A/engine"]
    assert a["kind_of"].tolist() == ["nothing"] * 6 + ["defect"] + ["nothing"] * 9 + ["end"]
    assert a.loc[a["kind_of"] == "defect", "run_h"].item() == 1750.0
    assert by["B/engine"]["kind_of"].tolist().count("failure") == 1
    assert by["C/engine"]["kind_of"].tolist().count("sound") == 1
    assert_allclose(records.groupby("compartment")["hours"].sum(), 4100 - 250)


def test_one_event_written_twice_counts_once(make_fleet: Callable[..., Fleet]) -> None:
    """A defect and a failure of one hour are the failure; a defect that the first sample of a life showed says nothing
    of when it began. Either would be impossible, and the rates could not be fitted."""
    twice = FINDINGS[1] | {"finding": "4", "outcome": "defect"}
    first = FINDINGS[0] | {"finding": "5", "compartment": "C/engine", "prompted_by": "C/engine 0", "meter_h": 255.0}
    frames = small_fleet(make_fleet, findings=[*FINDINGS, twice, first])
    exposure = frames["exposure"]
    bottles = exposure.loc[exposure["compartment"] == "C/engine"].sort_values("run_h")["sample"]
    assert bottles.iloc[0] == first["prompted_by"]
    records = defect_records(frames["known"], exposure, frames["use"])
    events = records[records["kind_of"].isin(["defect", "failure"])].set_index("compartment")["kind_of"]
    assert events.to_dict() == {"A/engine": "defect", "B/engine": "failure"}
    assert len(events) == 2
    assert np.isfinite(defect_rates(records, frames["known"].settings, {})["defect_rate_per_h"]).all()


def test_what_the_record_teaches(make_fleet: Callable[..., Fleet]) -> None:
    frames = small_fleet(make_fleet, findings=FINDINGS)
    known = frames["known"]
    learnt = defect_rates(defect_records(known, frames["exposure"], frames["use"]), known.settings, {}).set_index(
        "kind"
    )
    kind = known.settings.kind("engine")
    prior_h = 2 / kind.defect_rate_per_h
    assert_allclose(learnt.loc["engine", "defect_rate_per_h"], (2 + 2) / (prior_h + 3 * 3850))
    assert learnt.loc["engine", "delay_mean_h"] == kind.delay_mean_h
    assert learnt.loc["engine", "n_events"] == 2
    assert learnt.loc["engine", "words"] == (
        "2 defects on record in 11,550 h of this kind: how often they start is mostly assumed, how long they take to "
        "fail is assumed"
    )


def test_many_events_are_fitted() -> None:
    """From ten events on, rate, delay and detection are fitted together."""
    rng = np.random.default_rng(2)
    rows = []
    for n in range(15):
        steps = [("nothing", 250.0)] * int(rng.integers(8, 30)) + [
            ("defect" if n % 3 else "failure", 180.0),
            ("end", 100.0),
        ]
        rows += [
            {"compartment": f"c{n}", "kind": "engine", "life": f"c{n} 1", "kind_of": k, "hours": h} for k, h in steps
        ]
    settings = read_settings(Path(__file__).parents[2] / "sample_data" / "fleet.toml")
    learnt = defect_rates(pd.DataFrame(rows), settings, {"engine": 0.5}).iloc[0]
    assert learnt["n_events"] == 15
    assert learnt["delay_mean_h"] != settings.kind("engine").delay_mean_h
    assert 0 < learnt["prior_weight"] < 1
    assert_allclose(
        learnt["defect_rate_per_h"], 17 / (learnt["hours"] + 2 / settings.kind("engine").defect_rate_per_h), rtol=0.15
    )


TOML = (
    'name = "North"\n# a remark that stays\n\n[sampling]\nturnaround_days = 5\n\n[accepted_intervals]\n"A/engine" '
    "= 250\n\n[alarm]\nz = 3.5\n"
)


@pytest.mark.parametrize(
    "text",
    [TOML, TOML.replace("\n", "\r\n"), 'name = "North"', TOML.replace('[accepted_intervals]\n"A/engine" = 250\n', "")],
)
def test_an_accepted_interval_is_written_and_taken_back(tmp_path: Path, text: str) -> None:
    file = tmp_path / "fleet.toml"
    file.write_bytes(text.encode())
    before = read_settings(file)
    accept_intervals(file, {"B/final drive": 500.0}, {"B/final drive"})
    after = read_settings(file)
    assert after.accepted_intervals == before.accepted_intervals | {"B/final drive": 500.0}
    assert replace(after, accepted_intervals=before.accepted_intervals) == before
    accept_intervals(file, {"B/final drive": 750.0}, {"B/final drive"})
    assert read_settings(file).accepted_intervals["B/final drive"] == 750.0
    accept_intervals(file, {"B/final drive": None}, {"B/final drive"})
    assert read_settings(file) == before
    if "accepted_intervals" in text:
        assert file.read_bytes() == text.encode()
    assert [p.name for p in tmp_path.iterdir() if p.suffix != ".lock"] == ["fleet.toml"]


def test_a_hostile_name_stays_a_name(tmp_path: Path) -> None:
    file = tmp_path / "fleet.toml"
    file.write_text(TOML, encoding="utf-8")
    name = 'X"] = 1\n[alarm]\nz = 9 # \\'
    accept_intervals(file, {name: 250.0}, {name})
    assert read_settings(file).accepted_intervals[name] == 250.0
    assert read_settings(file).alarm.z == 3.5


@pytest.mark.parametrize(
    ("name", "every", "message"),
    [("Z/engine", 250.0, "no compartment, family or kind"), ("A/engine", 0.0, "wanted 1 to 100000 hours"),
    ("A/engine", 1e-9, "wanted 1 to 100000 hours"),
    ("B/engine", None, "no accepted interval to take back")],
)  # fmt: skip
def test_refusals_write_nothing(tmp_path: Path, name: str, every: float | None, message: str) -> None:
    file = tmp_path / "fleet.toml"
    file.write_text(TOML, encoding="utf-8")
    with pytest.raises(SettingsError, match=message):
        accept_intervals(file, {name: every}, {"A/engine", "B/engine"})
    assert file.read_text(encoding="utf-8") == TOML


def test_digits_the_comment_behind_the_heading_and_a_link_are_kept(tmp_path: Path) -> None:
    real, link = tmp_path / "real.toml", tmp_path / "fleet.toml"
    agreed = "[accepted_intervals]  # agreed with the crew"
    real.write_text(TOML.replace("[accepted_intervals]", agreed), encoding="utf-8")
    link.symlink_to(real)
    accept_intervals(link, {"A/engine": 12345.6789}, {"A/engine"})
    assert read_settings(real).accepted_intervals["A/engine"] == 12345.6789
    assert link.is_symlink()
    assert agreed in real.read_text(encoding="utf-8")


def test_while_another_writes_nothing_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "fleet.toml"
    file.write_text(TOML, encoding="utf-8")
    monkeypatch.setattr("cmkit.intervals.accept._WAIT_S", 0.1)
    with (
        FileLock(tmp_path / ".fleet.toml.lock"),
        pytest.raises(WriteError, match=r"fleet\.toml: another command is writing it; nothing was written"),
    ):
        accept_intervals(file, {"A/engine": 500.0}, {"A/engine"})
    assert file.read_text(encoding="utf-8") == TOML


def test_a_section_written_another_way_is_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "fleet.toml"
    odd = 'name = "North"\naccepted_intervals = { "A/engine" = 250 }\n'
    file.write_text(odd, encoding="utf-8")
    with pytest.raises(SettingsError):
        accept_intervals(file, {"A/engine": 500.0}, {"A/engine"})
    assert file.read_text(encoding="utf-8") == odd
    assert [p.name for p in tmp_path.iterdir() if p.suffix != ".lock"] == ["fleet.toml"]
