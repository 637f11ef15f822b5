"""A fleet's records in memory, and the only way time enters: :meth:`Fleet.as_of`."""

from dataclasses import dataclass, field, replace

import pandas as pd

from cmkit.records.settings import Settings
from cmkit.records.tables import SET_ASIDE, TABLES


@dataclass(frozen=True)
class Fleet:
    """Frozen bundle of a fleet's tables, as loaded.

    Frames carry every column of `records.tables`, ids as columns, a plain RangeIndex, text as pandas `str`, dates as datetime64.
    `samples` has each analyte of the register as float64 plus a flag `<analyte>_below` (True: the value is the reporting limit of a
    result reported as below it), and `file` and `row`: where the result stands. `samples` may hold several issues of one bottle number;
    :meth:`as_of` keeps the newest known.

    set_aside: rows and values not used (file, row, column, value, reason, table, known_on, what). repairs: values used after a repair,
    same columns plus `used`. counts: one row per file: file, table, read, used, set_aside; read = used + set_aside. arrivals: the same
    counts by the day a row became known (file, table, known_on, read, set_aside). sources: file name -> SHA-256 of its content.
    """

    settings: Settings
    sites: pd.DataFrame
    machines: pd.DataFrame
    compartments: pd.DataFrame
    samples: pd.DataFrame
    services: pd.DataFrame
    meters: pd.DataFrame
    findings: pd.DataFrame
    corrections: pd.DataFrame
    set_aside: pd.DataFrame
    repairs: pd.DataFrame
    counts: pd.DataFrame
    arrivals: pd.DataFrame | None = None
    sources: dict[str, str] = field(default_factory=dict)
    date: pd.Timestamp | None = None

    def as_of(self, date: str | pd.Timestamp) -> "Fleet":
        """What was known at the end of day `date`: later rows gone, re-issued results resolved, confirmed corrections applied."""
        day = pd.Timestamp(date).normalize()
        known = {name: _known(getattr(self, name), TABLES[name].known_on, day) for name in TABLES}
        known["machines"] = _blank_future(known["machines"], day, {"retired_on": []})
        known["compartments"] = _blank_future(known["compartments"], day, {"fitted_on": ["fitted_at_h"]})
        known["compartments"] = known["compartments"][
            known["compartments"]["machine"].isin(known["machines"]["machine"])
        ].reset_index(drop=True)
        samples, replaced = newest_issue(known["samples"])
        known["samples"] = apply_corrections(samples, known["corrections"])
        aside = _known(self.set_aside, ("known_on",), day)
        arrivals = None if self.arrivals is None else _known(self.arrivals, ("known_on",), day)
        return replace(
            self,
            **known,
            set_aside=pd.concat([aside, replaced.astype(aside.dtypes)], ignore_index=True) if len(replaced) else aside,
            repairs=_known(self.repairs, ("known_on",), day),
            counts=self.counts if arrivals is None else counted(arrivals, replaced),
            arrivals=arrivals,
            date=day,
        )


def counted(arrivals: pd.DataFrame, replaced: pd.DataFrame | None = None) -> pd.DataFrame:
    """Rows read, used and set aside by file; `replaced` are older issues of results, which are set aside too."""
    counts = arrivals.groupby(["file", "table"], sort=True)[["read", "set_aside"]].sum().reset_index()
    if replaced is not None and len(replaced):
        counts["set_aside"] += counts["file"].map(replaced["file"].value_counts()).fillna(0).astype("int64")
    counts["used"] = counts["read"] - counts["set_aside"]
    return counts[["file", "table", "read", "used", "set_aside"]]


def _known(frame: pd.DataFrame, columns: tuple[str, ...], day: pd.Timestamp) -> pd.DataFrame:
    """Rows known by `day`; a row without any date is always known."""
    when = pd.Series(pd.NaT, index=frame.index, dtype="datetime64[us]")
    for name in columns:
        when = when.fillna(frame[name])
    return frame[~(when > day)].reset_index(drop=True)


def _blank_future(frame: pd.DataFrame, day: pd.Timestamp, columns: dict[str, list[str]]) -> pd.DataFrame:
    """Dates after `day` (and what belongs to them) are not known yet."""
    out = frame.copy()
    for date, others in columns.items():
        later = out[date] > day
        for name in [date, *others]:
            out[name] = out[name].mask(later)
    return out


def newest_issue(samples: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """One row per bottle number, the newest issue of its result, and a set-aside row for each issue it replaced."""
    if not samples["sample"].duplicated().any():
        return samples, pd.DataFrame(columns=list(SET_ASIDE))
    order = samples.assign(_issue=samples["reported_on"].fillna(samples["drawn_on"])).sort_values(
        "_issue", kind="stable"
    )
    kept = order.drop_duplicates("sample", keep="last").sort_index()
    old = samples.drop(index=kept.index)
    replaced = pd.DataFrame(
        {
            "file": old.get("file", "samples"),
            "row": old.get("row", pd.NA),
            "column": "sample",
            "value": old["sample"],
            "reason": "an earlier issue of this result; the laboratory re-issued it and the newest known issue is used",
            "table": "samples",
            "known_on": old["reported_on"],
            "what": "row",
        }
    )
    return kept.drop(columns="_issue").reset_index(drop=True), replaced


def apply_corrections(samples: pd.DataFrame, corrections: pd.DataFrame) -> pd.DataFrame:
    """Samples with an analyst's confirmed corrections applied, in order of decision; `corrected` says which columns changed."""
    out = samples.copy()
    out["corrected"] = ""
    for row in corrections.sort_values(["decided_on", "correction"]).itertuples():
        hit = out["sample"] == row.sample
        kind = TABLES["samples"].column(row.field).kind
        value = (
            pd.to_numeric(row.value) if kind == "number" else pd.Timestamp(row.value) if kind == "date" else row.value
        )
        out.loc[hit, row.field] = value
        out.loc[hit, "corrected"] = (out.loc[hit, "corrected"] + " " + row.field).str.strip()
    return out
