"""What the compartment pages draw: results, limits and forecasts of one compartment, joined from the assessment's tables."""

from typing import Any

import numpy as np
import pandas as pd

from cmkit.books.book import Book
from cmkit.books.wording import analyte_unit

PANELS = 3
BOTTLES = 30  # a figure shows the newest; older ones are in the tables


def telling(book: Book, compartment: str, most: int = PANELS) -> list[str]:
    """The results that tell the story: what fired on the newest bottle, then what may pass a limit, then the largest departure."""
    tables = book.tables
    newest = tables.verdicts.loc[tables.verdicts["compartment"] == compartment, "sample"]
    fired = tables.evidence[tables.evidence["compartment"] == compartment]
    now = (
        fired[fired["sample"].isin(newest)]
        .assign(alarm=lambda d: d["state"] == "alarm")
        .sort_values(["alarm", "value"], ascending=False)
    )
    ahead = tables.forecast[tables.forecast["compartment"] == compartment].sort_values("chance", ascending=False)
    before = fired.sort_values(["drawn_on", "value"], ascending=False)
    last = tables.history[tables.history["sample"].isin(newest)].sort_values("z", ascending=False)
    names = [
        *now["analyte"],
        *ahead.loc[ahead["chance"] >= 0.05, "analyte"],
        *before["analyte"].head(most),
        *last["analyte"],
    ]
    measured = set(tables.samples.columns)
    return [a for a in dict.fromkeys(names) if a and a in measured][:most]


def result_points(book: Book, compartment: str, analytes: list[str]) -> pd.DataFrame:
    """One row a bottle and result: as `figures.results` wants it. Machine hours are the meter's, running hours after a change of meter."""
    tables = book.tables
    bottles = tables.exposure[tables.exposure["compartment"] == compartment].sort_values(["life", "order"])
    bottles = bottles.merge(tables.trust[["sample", "believed"]], on="sample", how="left")
    bottles = bottles.assign(
        hours=machine_hours(bottles), charge=bottles["changed"].astype(bool).cumsum() + 1000 * bottles["life"]
    )
    since = bottles["fluid_h"].where(bottles["changed"].astype(bool))
    bottles = bottles.assign(
        since_change=since.fillna(0.0),
        believed=bottles["believed"].fillna(1.0),
        changed=bottles["changed"].astype(bool),
    )
    bottles = bottles.tail(BOTTLES)
    samples = tables.samples.set_index("sample")
    expected = tables.history.set_index(["sample", "analyte"])[["expected", "expected_sd"]]
    parts = []
    for analyte in analytes:
        part = bottles[
            ["sample", "drawn_on", "hours", "fluid_h", "charge", "changed", "since_change", "believed"]
        ].assign(analyte=analyte)
        part["value"] = samples[analyte].reindex(part["sample"]).to_numpy(float)
        flag = f"{analyte}_below"
        part["below"] = samples[flag].reindex(part["sample"]).fillna(False).to_numpy(bool) if flag in samples else False
        part["unit"] = analyte_unit(analyte)
        part = part.join(expected, on=["sample", "analyte"])
        parts.append(part[part["value"].notna()])
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def machine_hours(bottles: pd.DataFrame) -> pd.Series:
    """The meter's hours where they never run back, the running hours otherwise."""
    meter = bottles["meter_h"]
    return meter if meter.notna().all() and meter.is_monotonic_increasing else bottles["run_h"]


def with_hours(book: Book, frame: pd.DataFrame, compartment: str) -> pd.DataFrame:
    """`frame` (which has sample) with the machine hours of its bottles, in their order."""
    bottles = book.tables.exposure[book.tables.exposure["compartment"] == compartment].sort_values(["life", "order"])
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
