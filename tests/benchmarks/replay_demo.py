"""The whole demo, month by month, as its books would have been published: does an alarm ever change or vanish, and is
what today's numbers add said as such? `python -m tests.benchmarks.replay_demo CACHE [FIRST LAST]`, months as 2025-07.

Each month is learnt and assessed from what was known at its end, and what it says is appended to one record. After each
month every alarm published before must stand there word for word; every alarm that the record gives by today's numbers
and no book showed while it stood must be among those the book marks (`unpublished_alarms`).
"""

import sys
from pathlib import Path

import pandas as pd

from cmkit.assess import assess_fleet
from cmkit.practice.published import append_published, published_alarms, read_published, said_in, unpublished_alarms
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet

DEMO = Path(__file__).parents[2] / "sample_data"
_WORDS = ["compartment", "alarm_on", "as_of", "chance", "cause"]


def said_at(fleet: Fleet, month: str, cache: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What the month's books say, and the record of alarms by the numbers of that month; kept in `cache`."""
    day = pd.Timestamp(f"{month}-01") + pd.offsets.MonthEnd(0)
    kept = [cache / f"{month}-{name}.parquet" for name in ("said", "record")]
    if not all(path.exists() for path in kept):
        a = assess_fleet(fleet, day)
        cache.mkdir(parents=True, exist_ok=True)
        said_in(month, day, a.verdicts, a.orders, a.waiting).to_parquet(kept[0])
        a.record.to_parquet(kept[1])
    said, record = (pd.read_parquet(path) for path in kept)
    return said, record


def not_marked(record: pd.DataFrame, published: pd.DataFrame) -> int:
    """Alarms of a record that stood at the end of a published month whose book did not show one, less those marked."""
    alarms = record[record["alarm_on"].notna()]
    missing = 0
    for r in alarms.itertuples():
        months = published[(published["compartment"] == r.compartment) & (published["as_of"] >= r.known_on)]
        first = months.sort_values("as_of").head(1)
        over = pd.notna(r.found_on) and len(first) and r.found_on <= first["as_of"].iloc[0]
        missing += bool(len(first) and not over and r.outcome == "waiting" and first["state"].iloc[0] != "alarm")
    marked = unpublished_alarms(record, published)
    return missing - int((marked["outcome"] == "waiting").sum())


def main(cache: str, first: str = "2025-07", last: str = "2026-06") -> None:
    """Prints a line a month, then the whole."""
    where = Path(cache)
    folder = where / "published"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "published.csv").unlink(missing_ok=True)
    fleet = load_fleet(DEMO)
    before: set[tuple[object, ...]] = set()
    lost = late = 0
    for month in pd.period_range(first, last, freq="M").astype(str):
        said, record = said_at(fleet, month, where)
        append_published(folder, said, pd.Timestamp(f"{month}-01") + pd.offsets.MonthEnd(0) + pd.Timedelta(days=2))
        published = read_published(folder)
        now = set(published_alarms(published)[_WORDS].itertuples(index=False, name=None))
        gone, marked = len(before - now), len(unpublished_alarms(record, published))
        unsaid = not_marked(record, published)
        lost, late, before = lost + gone, late + unsaid, now
        print(
            f"{month}: {len(now)} alarms published so far, {gone} changed or gone, {marked} by the month's numbers "
            f"only, {unsaid} of them not marked",
            flush=True,
        )
    print(f"whole: {lost} changed or gone, {late} not marked")


if __name__ == "__main__":
    main(*sys.argv[1:])
