"""Time enters through Fleet.as_of alone: what came later never shows, not even as a count."""

from collections.abc import Callable
from dataclasses import fields
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet

TODAY = date(2026, 1, 31)
HEADINGS = {
    "samples": "sample,compartment,drawn_on,meter_h,received_on,reported_on,Fe_ppm",
    "services": "service,compartment,done_on,recorded_on,kind,volume_l",
    "meters": "machine,read_on,meter_h",
    "findings": "finding,compartment,found_on,recorded_on,outcome",
    "corrections": "correction,sample,field,value,decided_on",
}


def records(n: int = 40) -> list[tuple[pd.Timestamp, str, str]]:
    """(known on, table, line) in order of becoming known: invented records with re-issues, bad rows, late results and
    corrections.
    """
    rng = np.random.default_rng(5)
    out = []
    places = ["WL-01/engine", "WL-01/final drive/left", "WL-01/final drive/right", "nowhere"]
    for i in range(n):
        drawn = pd.Timestamp("2024-03-01") + pd.Timedelta(days=int(rng.integers(0, 600)))
        late = drawn + pd.Timedelta(days=int(rng.integers(0, 30)))
        place = places[rng.integers(0, 4)]
        iron = ["-4", "12,5", "<1", "x", "30"][rng.integers(0, 5)]
        out.append((late, "samples", f'S{i},{place},{drawn:%Y-%m-%d},{i * 10},,{late:%Y-%m-%d},"{iron}"'))
        if i % 3 == 0:
            again = late + pd.Timedelta(days=20)
            out.append((again, "samples", f"S{i},{place},{drawn:%Y-%m-%d},{i * 10},,{again:%Y-%m-%d},31"))
            out.append((again, "samples", f"S{i},WL-01/engine,{again:%Y-%m-%d},5,,{again:%Y-%m-%d},32"))
            out.append((again, "corrections", f"C{i},S{i},meter_h,{i * 10 + 1},{again:%Y-%m-%d}"))
        out.append((late, "services", f"W{i},WL-01/engine,{drawn:%Y-%m-%d},{late:%Y-%m-%d},change,30"))
        out.append((drawn, "meters", f"WL-01,{drawn:%Y-%m-%d},{i * 10}"))
        out.append((late, "findings", f"F{i},WL-01/engine,{drawn:%Y-%m-%d},{late:%Y-%m-%d},defect"))
    return sorted(out, key=lambda r: r[0])


def folder_of(write: Callable[..., Path], rows: list[tuple[pd.Timestamp, str, str]]) -> Path:
    changes = {
        f"{t}.csv": h + "\n" + "".join(line + "\n" for _, name, line in rows if name == t) for t, h in HEADINGS.items()
    }
    return write(changes)


@pytest.mark.parametrize("day", ["2024-03-15", "2024-07-01", "2024-12-31", "2025-06-30"])
def test_later_records_never_show(write: Callable[..., Path], day: str) -> None:
    everything = records()
    whole = load_fleet(folder_of(write, everything), TODAY).as_of(day)
    then = load_fleet(folder_of(write, [r for r in everything if r[0] <= pd.Timestamp(day)]), TODAY).as_of(day)
    for f in fields(Fleet):
        a, b = getattr(whole, f.name), getattr(then, f.name)
        if isinstance(a, pd.DataFrame):
            # a file of which nothing was known on the day is not in the counts of either
            pd.testing.assert_frame_equal(a, b, obj=f.name)
    assert (whole.counts["read"] == whole.counts["used"] + whole.counts["set_aside"]).all()
    assert len(whole.samples) > 0 or day == "2024-03-15"


def test_the_newest_known_issue_is_used(write: Callable[..., Path]) -> None:
    text = (
        HEADINGS["samples"]
        + "\nS1,WL-01/engine,2025-01-10,5,,2025-01-15,20\nS1,WL-01/engine,2025-01-10,5,,2025-01-25,26\n"
    )
    fleet = load_fleet(write({"samples.csv": text}), TODAY)
    iron = [fleet.as_of(d).samples["Fe_ppm"].tolist() for d in ("2025-01-14", "2025-01-15", "2025-01-24", "2025-01-25")]
    assert iron == [[], [20], [20], [26]]
    late = fleet.as_of("2025-02-01")
    assert late.set_aside[["file", "row", "what"]].values.tolist() == [["samples.csv", 2, "row"]]
    assert "re-issued" in late.set_aside["reason"].iloc[0]
    assert late.counts.set_index("file").loc["samples.csv"].tolist() == ["samples", 2, 1, 1]


def test_a_row_without_any_date_of_arrival_is_known_on_its_own_day(write: Callable[..., Path]) -> None:
    text = "sample,compartment,drawn_on,received_on,reported_on,Fe_ppm\nA,WL-01/engine,2025-01-10,,,5\nB,WL-01/engine,2025-01-10,2025-01-12,,6\n"
    fleet = load_fleet(write({"samples.csv": text}), TODAY)
    assert fleet.as_of("2025-01-11").samples["sample"].tolist() == ["A"]
    assert fleet.as_of("2025-01-12").samples["sample"].tolist() == ["A", "B"]


def test_a_field_sheet_and_the_laboratorys_report_make_one_bottle(write: Callable[..., Path]) -> None:
    text = (
        "sample,compartment,drawn_on,meter_h,fluid_level,reported_on,Fe_ppm\n"
        "A,WL-01/engine,2025-01-10,,,2025-01-20,12\n"
        "A,WL-01/engine,2025-01-10,5120,low,2025-01-22,\n"
        "B,WL-01/engine,2025-01-10,5120,full,2025-01-11,\n"
    )
    known = load_fleet(write({"samples.csv": text}), TODAY).as_of("2025-02-01")
    assert known.samples[["sample", "meter_h", "fluid_level", "Fe_ppm"]].values.tolist() == [["A", 5120, "low", 12]]
    reasons = dict(zip(known.set_aside["row"], known.set_aside["reason"], strict=True))
    assert "joined to its laboratory report" in reasons[3]
    assert "no result of this bottle" in reasons[4]
    counts = known.counts.set_index("file").loc["samples.csv"]
    assert counts.tolist() == ["samples", 3, 1, 2]


def test_machines_and_components_of_the_future_are_not_known(write: Callable[..., Path]) -> None:
    folder = write(
        {
            "machines.csv": "machine,site,kind,in_service_on,retired_on\nWL-01,North,wheel "
            "loader,2024-01-01,2026-01-01\nWL-02,North,wheel loader,2025-06-01,\n",
            "compartments.csv": "compartment,machine,kind,fitted_on,fitted_at_h\nWL-01/engine,WL-01,engine,2025-05-01,900\nWL-02/engine,WL-02,engine,,\n",
            "samples.csv": HEADINGS["samples"] + "\n",
        }
    )
    known = load_fleet(folder, TODAY).as_of("2025-01-01")
    assert known.machines["machine"].tolist() == ["WL-01"]
    assert known.machines["retired_on"].isna().all()
    assert known.compartments["compartment"].tolist() == ["WL-01/engine"]
    assert known.compartments[["fitted_on", "fitted_at_h"]].isna().all(axis=None)


def test_a_bottle_reported_in_parts_keeps_every_part(write: Callable[..., Path]) -> None:
    head = "sample,compartment,drawn_on,reported_on,Fe_ppm,Cu_ppm,Si_ppm,meter_h\n"
    rows = [
        "A,WL-01/engine,2025-01-10,2025-01-15,20,<1,8,",  # metals first
        "A,WL-01/engine,2025-01-10,2025-01-20,,4,,",  # copper again, later
        "A,WL-01/engine,2025-01-10,2025-01-25,22,,,",  # iron corrected at last
        "A,WL-01/engine,2025-01-10,,,,,1250",  # the field sheet
    ]
    fleet = load_fleet(write({"samples.csv": head + "\n".join(rows) + "\n"}), TODAY)
    assert fleet.set_aside.empty
    columns = ["Fe_ppm", "Cu_ppm", "Cu_ppm_below", "Si_ppm", "meter_h"]
    got = {d: fleet.as_of(d).samples[columns].values.tolist() for d in ("2025-01-15", "2025-01-20", "2025-01-25")}
    assert got == {
        "2025-01-15": [[20, 1, True, 8, 1250]],
        "2025-01-20": [[20, 4, False, 8, 1250]],
        "2025-01-25": [[22, 4, False, 8, 1250]],
    }
    counts = fleet.as_of("2025-01-25").counts.set_index("file").loc["samples.csv"]
    assert (counts["read"], counts["used"], counts["set_aside"]) == (4, 1, 3)


def test_a_lost_row_with_a_day_to_come_counts_with_the_rows_around_it(load: Callable[..., Fleet]) -> None:
    """Its first fault is an unreadable day; the report's day in the future must not hide it until then."""
    rows = "S1,WL-01/engine,2025-03-01,2025-03-05,20\nS2,WL-01/engine,no day,2031-01-01,20\n"
    fleet = load({"samples.csv": f"sample,compartment,drawn_on,reported_on,Fe_ppm\n{rows}"})
    known = fleet.as_of("2026-01-31")
    assert known.counts.set_index("file").loc["samples.csv", ["read", "used", "set_aside"]].tolist() == [2, 1, 1]
    assert known.set_aside["row"].tolist() == [3]
