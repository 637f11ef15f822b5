"""A field sheet and a laboratory's row that are one bottle under two numbers: proposed, and joined only by a correction
that somebody decided.
"""

import pandas as pd

from cmkit.records.fleet import Fleet, has_result

_HOURS = 1.0  # own choice: meter hours a sheet and a report of one bottle may differ by
PAIRS = ("sample", "bottle", "compartment", "drawn_on", "meter_h")


def same_bottles(fleet: Fleet) -> pd.DataFrame:
    """Pairs that look like one bottle (columns PAIRS): `sample`, the laboratory's number, has results; `bottle`, the
    sheet's number, has none.

    Both are of one compartment and day, with meter hours that agree within an hour where both give them, and neither
    has another such partner. Numbers that a correction joins already are left out.
    """
    rows = fleet.samples.drop(columns=["file", "row"], errors="ignore")
    joined = fleet.corrections[fleet.corrections["field"] == "sample"]
    rows = rows[~rows["sample"].isin([*joined["sample"], *joined["value"]])]
    with_result = set(rows.loc[has_result(rows), "sample"])
    heads = rows.drop_duplicates("sample")[["sample", "compartment", "drawn_on", "meter_h"]]
    reported = heads["sample"].isin(with_result)
    sheets = heads[~reported].rename(columns={"sample": "bottle", "meter_h": "sheet_h"})
    pairs = heads[reported].merge(sheets, on=["compartment", "drawn_on"])
    pairs = pairs[~((pairs["meter_h"] - pairs["sheet_h"]).abs() > _HOURS)]
    alone = ~pairs.duplicated("sample", keep=False) & ~pairs.duplicated("bottle", keep=False)
    out = pairs[alone].assign(meter_h=pairs["meter_h"].fillna(pairs["sheet_h"]))
    return out[list(PAIRS)].sort_values(["drawn_on", "compartment"], kind="stable", ignore_index=True)


def pairs_words(pairs: pd.DataFrame) -> str:
    """One line a pair."""
    lines = [
        f"  {r.sample} is {r.bottle}: {r.compartment}, {r.drawn_on:%Y-%m-%d}"
        + ("" if pd.isna(r.meter_h) else f", {r.meter_h:,.0f} h")
        for r in pairs.itertuples()
    ]
    return "\n".join(
        [f"{len(pairs)} bottle(s) stand under two numbers, the laboratory's and the field sheet's:", *lines]
    )
