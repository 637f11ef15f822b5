"""The next result on every month of the demo, as its books would have stated it; writes a page (about four minutes).

    python tests/benchmarks/calibrate_replay.py [page.md] [first month] [last month]

At each month's end everything is learnt and fitted from what was known then, and the 90 % interval of every
compartment's next result is held against what the laboratory then reported. Faults, repairs, exchanged and badly drawn
bottles count. The interval is of a result at the next planned bottle, so bottles drawn more than a quarter sooner or
later than that many hours stand in a column of their own.
"""

import sys
from datetime import date
from pathlib import Path

import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from calibrate_breakages import next_results, share
from calibrate_wear import markdown
from crossings import fitted

from cmkit.learn import newest_record
from cmkit.records.reading.load import load_fleet

DEMO = Path(__file__).parents[2] / "sample_data"
FIRST, LAST = "2025-01", "2026-05"
WANTED = 0.88
ABOUT = (0.75, 1.25)  # hours to the bottle as a share of those planned: what counts as the planned bottle


def replayed(first: str, last: str) -> pd.DataFrame:
    """Results beside their forecast at each month's end: month, compartment, analyte, inside (of 90 %), change_day,
    in_post, sound, planned (drawn at about the hours that were planned).
    """
    fleet = load_fleet(DEMO)
    truth = pd.read_csv(DEMO / "truth" / "samples.csv", low_memory=False).drop_duplicates("sample")
    every = truth.assign(share_of_way=0.0, exchanged_with=None)
    _, newest, known = fitted(fleet, newest_record(fleet))
    parts = []
    for month in pd.period_range(first, last, freq="M"):
        day = f"{month.end_time:%Y-%m-%d}"
        then = {day: fitted(fleet, day)}
        rows = next_results(newest, known, every, then)
        sound = next_results(newest, known, truth, then)[["sample", "analyte"]].assign(sound=True)
        rows = rows.merge(sound, on=["sample", "analyte"], how="left")
        parts.append(rows.assign(month=str(month), sound=rows["sound"].notna()))
    out = pd.concat(parts, ignore_index=True)
    return out.assign(planned=((out["run_h"] - out["run_h_now"]) / out["hours_ahead"]).between(*ABOUT))


def cells(rows: pd.DataFrame) -> dict[str, str]:
    """Shares inside 90 % of some results, with the standard error between compartments."""
    planned = rows[rows["planned"]]
    parts = {
        "as planned": planned,
        "on change days": planned[planned["change_day"]],
        "in the post": planned[planned["in_post"]],
        "sound, own label": planned[planned["sound"]],
        "sooner or later": rows[~rows["planned"]],
    }
    return {name: share(own["inside"], own["compartment"]) if len(own) >= 50 else "-" for name, own in parts.items()}


def page(rows: pd.DataFrame) -> str:
    """The figures as markdown."""
    months = [{"month": m, "results": len(own)} | cells(own) for m, own in rows.groupby("month")]
    table = pd.DataFrame([*months, {"month": "together", "results": len(rows)} | cells(rows)])
    inside = rows[rows["planned"]].groupby("month")["inside"].mean()
    return "\n".join(
        [
            "# The next result on every month of the demo",
            "",
            f"{date.today().isoformat()}, `python tests/benchmarks/calibrate_replay.py`. Share of the next results inside "
            "the 90 % interval stated at the month's end, with the standard error between compartments. Wanted: "
            f"{WANTED:.2f} or more. Sooner or later: bottles drawn more than a quarter off the hours that were planned, "
            "where another result was forecast than came. The demo is invented: shape only, no field fact.",
            "",
            markdown(table),
            "",
            f"{(inside >= WANTED).sum()} of {len(inside)} months reach {WANTED:.2f}; the lowest is {inside.min():.3f}, "
            f"the mean {inside.mean():.3f}, the standard deviation between months {inside.std():.3f}.",
            "",
        ]
    )


if __name__ == "__main__":
    where = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_suffix(".md")
    where.write_text(page(replayed(*(sys.argv[2:4] or (FIRST, LAST)))), encoding="utf-8")
    print(where.read_text(encoding="utf-8"))
