"""What the compartment pages draw: results, limits and forecasts of one compartment, joined from the assessment's tables."""

from typing import Any

import numpy as np
import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.wording import analyte_unit

PANELS = 3
BOTTLES = 30  # a figure shows the newest; older ones are in the tables


def telling(book: Book, compartment: str, most: int = PANELS) -> list[str]:
    """The results that tell the story: what fired on the newest bottle, then what may pass a limit, then the largest departure."""
    newest = book.of("verdicts", compartment)["sample"]
    fired, past = book.of("evidence", compartment), book.of("history", compartment)
    now = fired[fired["sample"].isin(newest)]
    now = now.assign(alarm=now["state"] == "alarm").sort_values(["alarm", "value"], ascending=False)
    ahead = book.of("forecast", compartment).sort_values("chance", ascending=False)
    before = fired.sort_values(["drawn_on", "value"], ascending=False)
    last = past[past["sample"].isin(newest)].sort_values("z", ascending=False)
    names = [*now["analyte"], *ahead.loc[ahead["chance"] >= 0.05, "analyte"], *before["analyte"].head(most), *last["analyte"]]  # fmt: skip
    measured = book.tables.samples.columns
    return [a for a in dict.fromkeys(names) if a and a in measured][:most]


def result_points(book: Book, compartment: str, analytes: list[str], newest: int = BOTTLES) -> pd.DataFrame:
    """One row a bottle and result: as `figures.results` wants it, of the `newest` bottles. Machine hours are the meter's, running hours
    after a change of meter."""
    bottles = book.of("exposure", compartment).sort_values(["life", "order"])
    changed = bottles["changed"].astype(bool)
    trust = book.of("trust", compartment).set_index("sample")["believed"]
    bottles = bottles.assign(
        hours=machine_hours(bottles),
        charge=changed.cumsum() + 1000 * bottles["life"],
        changed=changed,
        since_change=bottles["fluid_h"].where(changed).fillna(0.0),
        believed=trust.reindex(bottles["sample"]).fillna(1.0).to_numpy(),
    )
    bottles = bottles[["sample", "drawn_on", "hours", "fluid_h", "charge", "changed", "since_change", "believed"]].tail(
        newest
    )
    measured = book.tables.samples.columns
    wanted = [c for a in analytes for c in (a, f"{a}_below") if c in measured]
    samples = book.of("samples", compartment, ["sample", *wanted]).set_index("sample").reindex(bottles["sample"])
    history = book.of("history", compartment)
    parts = []
    for analyte in analytes:
        value = samples[analyte].to_numpy(float)
        known = history[history["analyte"] == analyte].set_index("sample").reindex(bottles["sample"])
        flag = f"{analyte}_below"
        below = samples[flag].fillna(False).to_numpy(bool) if flag in samples else False
        part = bottles.assign(
            analyte=analyte,
            value=value,
            below=below,
            unit=analyte_unit(analyte),
            expected=known["expected"].to_numpy(float),
            expected_sd=known["expected_sd"].to_numpy(float),
        )
        parts.append(part[~np.isnan(value)])
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def machine_hours(bottles: pd.DataFrame) -> pd.Series:
    """The meter's hours where they never run back, the running hours otherwise."""
    meter = bottles["meter_h"]
    return meter if meter.notna().all() and meter.is_monotonic_increasing else bottles["run_h"]


def with_hours(book: Book, frame: pd.DataFrame, compartment: str) -> pd.DataFrame:
    """`frame` (which has sample) with the machine hours of its bottles, in their order."""
    bottles = book.of("exposure", compartment).sort_values(["life", "order"])
    bottles = bottles.assign(hours=machine_hours(bottles))[["sample", "hours"]].tail(BOTTLES)
    return bottles.merge(frame, on="sample", how="inner")


def family_limits_of(book: Book, compartment: str, measure: str) -> pd.DataFrame:
    """Limits of a compartment's family for `rate` or `level`."""
    family = book.places.loc[compartment, "family"]
    limits = book.tables.limits
    return limits[(limits["family"] == family) & (limits["measure"] == measure)]


def setting(book: Book, *path: str, default: Any = np.nan) -> Any:
    """A value of the settings in force, by its path; `default` when there is none."""
    value: Any = book.tables.about
    for key in path:
        value = value.get(key) if isinstance(value, dict) else None
    return default if value is None else value
