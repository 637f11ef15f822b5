"""A fleet's records in memory, and the only way time enters: :meth:`Fleet.as_of`."""

from collections.abc import Collection, Hashable
from dataclasses import dataclass, field, replace
from datetime import date as Date
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.errors import ParameterError, RecordsError
from cmkit.records.analytes import above, below
from cmkit.records.censoring import CODES
from cmkit.records.laboratory_factors import LaboratoryFactor, in_force, with_factors
from cmkit.records.once import once
from cmkit.records.settings import Settings
from cmkit.tables.frames import empty
from cmkit.tables.records import EVENTS, SET_ASIDE, TABLES


@dataclass(frozen=True, repr=False)
class Fleet:
    """Frozen bundle of a fleet's tables, as loaded.

    Frames carry every column of `tables.records`, ids as columns, a plain RangeIndex, text as pandas `str`, dates as
    datetime64. `samples` has each analyte of the register as float64 plus flags `<analyte>_below` and `<analyte>_above`
    (True: the value is the reporting limit of a result reported as below, or above, it), the codes of
    `censoring.CODES`, and `file` and `row`: where the result stands. `samples` may hold several issues of one bottle
    number; :meth:`as_of` keeps the newest known.

    set_aside: rows and values not used (file, row, column, value, reason, table, known_on, what). repairs: values used
    after a repair, same columns plus `used`. counts: one row per file: file, table, read, used, set_aside; read = used
    + set_aside. arrivals: the same counts by the day a row became known (file, table, known_on, read, set_aside).
    sources: file name -> SHA-256 of its content. elsewhere: compartments of the fleet that are not in this part of it.
    unreported: on a view of a day, bottles that were drawn and have no result by then, with the columns of `samples`.
    laboratory_factors: accepted ones that are in the results of this view.
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
    decisions: pd.DataFrame = field(default_factory=lambda: empty("decisions"))
    baselines: pd.DataFrame = field(default_factory=lambda: empty("baselines"))
    not_drawn: pd.DataFrame = field(default_factory=lambda: empty("not_drawn"))
    arrivals: pd.DataFrame | None = None
    sources: dict[str, str] = field(default_factory=dict)
    date: pd.Timestamp | None = None
    elsewhere: frozenset[str] = frozenset()
    unreported: pd.DataFrame | None = None
    laboratory_factors: tuple[LaboratoryFactor, ...] = ()

    def __repr__(self) -> str:
        until = "all records" if self.date is None else f"as known on {self.date:%Y-%m-%d}"
        sizes = ", ".join(f"{len(getattr(self, name)):,} {name}" for name in TABLES)
        return f"Fleet {self.settings.name}, {until}: {sizes}"

    def days(self) -> tuple[pd.Timestamp, pd.Timestamp] | None:
        """First and last day on which something that happened became known; None without any dated record.

        >>> fleet.days()
        (Timestamp('2024-01-01 00:00:00'), Timestamp('2026-06-30 00:00:00'))
        """
        known = [_known_days(getattr(self, name), TABLES[name].known_on) for name in EVENTS]
        ends = pd.concat(known).dropna()
        return (ends.min(), ends.max()) if len(ends) else None

    def checked_day(self, date: str | Date | pd.Timestamp) -> pd.Timestamp:
        """`date` as a day that the records can speak of.

        That is a day from the first on which something became known to a year after the last: what is older knows
        nothing, and what is much later is likelier a slip of the pen than a fleet that wrote nothing down for so long.
        Raises ParameterError for anything else.

        >>> fleet.checked_day("2026-03-31")
        Timestamp('2026-03-31 00:00:00')
        """
        day, known = _day(date), self.days()
        if known and not known[0] <= day <= known[1] + _QUIET:
            raise ParameterError(
                f"as_of: found {day:%Y-%m-%d}, outside the records; the first became known on {known[0]:%Y-%m-%d}, "
                f"the newest on "
                f"{known[1]:%Y-%m-%d}. Wanted a day between these, or up to a year later."
            )
        return day

    def as_of(self, date: str | Date | pd.Timestamp) -> "Fleet":
        """What was known at the end of day `date`: later rows gone, re-issued results resolved, confirmed corrections
        applied.

        date: ISO text such as 2026-06-30, or a date. Raises ParameterError for anything else.

        >>> fleet.as_of("2025-01-31").samples["reported_on"].max() <= pd.Timestamp("2025-01-31")
        True
        """
        day = _day(date)
        return self if day == self.date else self._on(day)

    @once
    def _on(self, day: pd.Timestamp) -> "Fleet":
        known = {name: _known(getattr(self, name), TABLES[name].known_on, day) for name in TABLES}
        known["machines"] = _blank_future(known["machines"], day, {"retired_on": []})
        known["compartments"] = _blank_future(known["compartments"], day, {"fitted_on": ["fitted_at_h"]})
        known["compartments"] = known["compartments"][
            known["compartments"]["machine"].isin(known["machines"]["machine"])
        ].reset_index(drop=True)
        if self.unreported is not None:
            known["samples"] = pd.concat([known["samples"], self.unreported], ignore_index=True)
        known |= joined_bottles(known["samples"], known["corrections"], known["findings"])
        unreported = without_report(known["samples"])
        samples, replaced = newest_issue(known["samples"])
        places = {*self.compartments["compartment"], *self.elsewhere}
        corrected = apply_corrections(samples, known["corrections"], places)
        factors = in_force(self.settings.laboratory_factors, day)
        own = self._of_this_part(corrected)
        known["samples"] = with_factors(own, factors, self.laboratory_factors)
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
            laboratory_factors=factors,
            unreported=self._of_this_part(unreported),
        )

    def _of_this_part(self, bottles: pd.DataFrame) -> pd.DataFrame:
        """Without those that a correction moved elsewhere."""
        away = np.fromiter((place in self.elsewhere for place in bottles["compartment"]), bool, len(bottles))
        return bottles[~away].reset_index(drop=True)

    def tables(self) -> dict[str, pd.DataFrame]:
        """The record tables by name, and what is known of reading them: set_aside, repairs, counts.

        >>> list(fleet.tables())[:4]
        ['sites', 'machines', 'compartments', 'samples']
        """
        return {name: getattr(self, name) for name in (*TABLES, "set_aside", "repairs", "counts")}

    def for_site(self, site: str) -> "Fleet":
        """The records of one site's machines, with bottles that a correction moves to or from them; reading and
        corrections stay whole. A site without machines gives empty tables.

        >>> fleet.for_site("quarry").machines["site"].unique().tolist()
        ['quarry']
        """
        own = self.for_machines(self.machines.loc[self.machines["site"] == site, "machine"])
        return replace(own, sites=self.sites[self.sites["site"] == site].reset_index(drop=True))

    def for_machines(self, machines: Collection[str]) -> "Fleet":
        """The records of some machines and their sites, as :meth:`for_site` gives them.

        >>> fleet.for_machines(["WL-04", "WL-05"]).machines["machine"].tolist()
        ['WL-04', 'WL-05']
        """
        places = self.compartments.loc[self.compartments["machine"].isin(machines), "compartment"]
        moved = self.corrections.loc[self.corrections["value"].isin(places), "sample"]
        own = {
            "sites": self.sites["site"].isin(self.machines.loc[self.machines["machine"].isin(machines), "site"]),
            "machines": self.machines["machine"].isin(machines),
            "compartments": self.compartments["machine"].isin(machines),
            "meters": self.meters["machine"].isin(machines),
            "services": self.services["compartment"].isin(places),
            "findings": self.findings["compartment"].isin(places),
            "decisions": self.decisions["compartment"].isin(places),
            "not_drawn": self.not_drawn["compartment"].isin(places),
            "samples": self.samples["compartment"].isin(places) | self.samples["sample"].isin(moved),
        }
        own["baselines"] = self.baselines["site"].isin(self.sites.loc[own["sites"], "site"])
        parts = {name: getattr(self, name)[rows].reset_index(drop=True) for name, rows in own.items()}
        if self.unreported is not None:
            parts["unreported"] = self.unreported[self.unreported["compartment"].isin(places)].reset_index(drop=True)
        others = self.elsewhere | (set(self.compartments["compartment"]) - set(places))
        return replace(self, **parts, elsewhere=frozenset(others))


@once
def sampled_every(known: Fleet) -> pd.Series:
    """Today's sampling interval of every compartment, operating hours > 0, by compartment.

    An interval the analyst accepted (settings, by compartment, family or kind) wins over the compartment's own, that
    over its kind's.
    """
    settings, places = known.settings, known.compartments
    usual = places["kind"].map(lambda kind: settings.kind(kind).sample_every_h)
    every = places["sample_every_h"].where(places["sample_every_h"] > 0, usual)
    for key in ("kind", "family", "compartment"):
        every = places[key].map(settings.accepted_intervals).astype(float).fillna(every)
    return every.astype(float).set_axis(pd.Index(places["compartment"].to_numpy(), dtype="str"))


def sampling_interval(known: Fleet) -> pd.DataFrame:
    """Today's interval (`sampled_every`) of each compartment of a working machine: compartment, machine, site, kind,
    every_h (hours).
    """
    out = known.compartments.merge(known.machines[["machine", "site", "retired_on"]], on="machine")
    out = out[out["retired_on"].isna()].sort_values("compartment").reset_index(drop=True)
    every = sampled_every(known).reindex(out["compartment"]).to_numpy()
    return out[["compartment", "machine", "site", "kind"]].assign(every_h=every)


def counted(arrivals: pd.DataFrame, replaced: pd.DataFrame | None = None) -> pd.DataFrame:
    """Rows read, used and set aside by file; `replaced` are older issues of results, which are set aside too."""
    counts = arrivals.groupby(["file", "table"], sort=True)[["read", "set_aside"]].sum().reset_index()
    if replaced is not None and len(replaced):
        counts["set_aside"] += counts["file"].map(replaced["file"].value_counts()).fillna(0).astype("int64")
    counts["used"] = counts["read"] - counts["set_aside"]
    return counts[["file", "table", "read", "used", "set_aside"]]


def newest_set_aside(fleet: Fleet) -> float:
    """The share (0..1) of the rows that became known in the newest quarter of the records and are set aside, but for
    those a layout leaves out on purpose; 0 where there are none."""
    rows = fleet.arrivals
    if rows is None or rows["known_on"].isna().all():
        return 0.0
    since = rows["known_on"].max() - _QUARTER
    newest, aside = rows[rows["known_on"] > since], fleet.set_aside
    meant = (
        (aside["what"] == "row") & (aside["known_on"] > since) & aside["reason"].str.contains(" leaves ", regex=False)
    )
    return float((newest["set_aside"].sum() - meant.sum()) / max(newest["read"].sum(), 1))


_QUIET = pd.Timedelta(days=366)  # own choice
_QUARTER = pd.Timedelta(days=91)


def _day(date: str | Date | pd.Timestamp) -> pd.Timestamp:
    """A day from ISO text or a date; ParameterError naming what was found."""
    try:
        day = pd.Timestamp(datetime.fromisoformat(date) if isinstance(date, str) else date)
    except (TypeError, ValueError):
        day = pd.NaT
    if pd.isna(day) or isinstance(date, (bool, int, float)):
        raise ParameterError(f"as_of: found {date!r}; wanted a day such as 2026-06-30.")
    return day.tz_localize(None).normalize()


def _known_days(frame: pd.DataFrame, columns: tuple[str, ...]) -> pd.Series:
    """The day each row became known, NaT for one without any date."""
    when = pd.Series(pd.NaT, index=frame.index, dtype="datetime64[us]")
    for name in columns:
        when = when.fillna(frame[name])
    return when


def _known(frame: pd.DataFrame, columns: tuple[str, ...], day: pd.Timestamp) -> pd.DataFrame:
    """Rows known by `day`; a row without any date is always known."""
    return frame[~(_known_days(frame, columns) > day)].reset_index(drop=True)


def _blank_future(frame: pd.DataFrame, day: pd.Timestamp, columns: dict[str, list[str]]) -> pd.DataFrame:
    """Dates after `day` (and what belongs to them) are not known yet."""
    out = frame.copy()
    for date, others in columns.items():
        later = out[date] > day
        for name in [date, *others]:
            out[name] = out[name].mask(later)
    return out


def newest_issue(samples: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """One row per bottle with results, and a set-aside row for each row that is not used as it stands.

    Of several rows of one bottle number the newest with results counts. What it leaves empty of how the bottle was
    drawn (hours, top-up, level, method, sampler) comes from the others: a field sheet and the laboratory's report of
    one bottle are two rows.
    A result the newest issue leaves empty comes from the issue before: a laboratory may report a bottle in parts. A
    bottle without any result yet is set aside until its report comes.
    """
    reported = has_result(samples)
    if reported.all() and not samples["sample"].duplicated().any():
        return samples, pd.DataFrame(columns=list(SET_ASIDE))
    order = samples.assign(_reported=reported, _issue=samples["reported_on"].fillna(samples["drawn_on"]))
    order = order.sort_values(["_reported", "_issue"], kind="stable")
    kept = order.drop_duplicates("sample", keep="last").sort_index()
    drawn = order.groupby("sample")[_HANDLING].last().reindex(kept["sample"])
    for name in _HANDLING:
        kept[name] = kept[name].fillna(pd.Series(drawn[name].to_numpy(), index=kept.index, dtype=kept[name].dtype))
    kept = _with_parts(kept, order)
    waiting = kept[~kept["_reported"]]
    old = order.drop(index=kept.index).sort_index()
    why = old["_reported"].map({True: OLD_ISSUE, False: _FIELD_ROW})
    aside = pd.concat(
        [_not_used(old, why), _not_used(waiting, "no result of this bottle has come in yet")], ignore_index=True
    )
    return kept[kept["_reported"]].drop(columns=["_reported", "_issue"]).reset_index(drop=True), aside


def _with_parts(kept: pd.DataFrame, order: pd.DataFrame) -> pd.DataFrame:
    """Results that the newest issue leaves empty, taken from the newest issue that has them."""
    reported = order[order["_reported"]]
    parts = reported[reported["sample"].duplicated(keep=False)]
    if parts.empty:
        return kept
    analytes = [c.removesuffix("_below") for c in order.columns if c.endswith("_below")]
    # a flag or code counts only beside a value, so that both come from the same issue
    own = {a: a for a in analytes} | {flag(a): a for flag in (below, above) for a in analytes} | CODES
    bottle, bottles = pd.factorize(parts["sample"])
    newest = dict(zip(analytes, _newest_seen(parts[analytes].notna().to_numpy(), bottle, len(bottles)), strict=True))
    at = np.flatnonzero(kept["sample"].isin(bottles))
    of = pd.Index(bottles).get_indexer(kept["sample"].iloc[at])
    filled = {}
    for name, analyte in ((n, a) for n, a in own.items() if n in order):
        row = newest[analyte][of]
        none = np.nan if name == analyte or name in CODES else False
        filled[name] = kept[name].to_numpy(copy=True)
        filled[name][at] = np.where(row >= 0, parts[name].to_numpy()[row], none)
    return kept.assign(**filled)


def _newest_seen(seen: NDArray[np.bool_], bottle: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """The last row (n, A) in which each of `count` bottles has a value of each analyte, (A, count); -1 where none."""
    rows = np.full((seen.shape[1], count), -1, np.int64)
    at, analyte = np.nonzero(seen)
    rows[analyte, bottle[at]] = at  # of several the last stays
    return rows


_HANDLING = ["meter_h", "fluid_h", "makeup_l", "method", "sampler", "fluid_level", "planned_on", "sent_on"]
OLD_ISSUE = (
    "an earlier issue of this result; re-issued: the newest known issue is used, and this one only for what "
    "that leaves empty"
)
_FIELD_ROW = "how this bottle was drawn; joined to its laboratory report"


def without_report(samples: pd.DataFrame) -> pd.DataFrame:
    """One row per bottle of which no row holds a result, with what its rows say of how and when it was drawn and
    received.
    """
    open_ = ~samples["sample"].isin(samples.loc[has_result(samples), "sample"])
    rows = samples[open_].sort_values("received_on", kind="stable", na_position="first")
    if not rows["sample"].duplicated().any():
        return rows.sort_index().reset_index(drop=True)
    return rows.groupby("sample", sort=True).last().reset_index()[list(samples.columns)].astype(samples.dtypes)


def has_result(samples: pd.DataFrame) -> pd.Series:
    """Whether a row holds any analyte's value."""
    out = np.zeros(len(samples), bool)
    for name in samples.columns:
        if name.endswith("_below") and not out.all():
            out |= samples[name.removesuffix("_below")].notna().to_numpy()
    return pd.Series(out, index=samples.index)


def _not_used(rows: pd.DataFrame, reason: pd.Series | str) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "file": rows.get("file", "samples"),
            "row": rows.get("row", pd.NA),
            "column": "sample",
            "value": rows["sample"],
            "reason": reason,
            "table": "samples",
            "known_on": rows["reported_on"].fillna(rows["drawn_on"]),
            "what": "row",
        }
    )


def joined_bottles(samples: pd.DataFrame, corrections: pd.DataFrame, findings: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """samples, corrections and findings with every bottle that a correction calls the same as another under that
    other's number.
    """
    rows = corrections[corrections["field"] == "sample"].sort_values(["decided_on", "correction"])
    names = {"samples": "sample", "corrections": "sample", "findings": "prompted_by"}
    tables = {"samples": samples, "corrections": corrections, "findings": findings}
    if rows.empty:
        return tables
    number: dict[str, str] = {}
    for row in rows.itertuples():
        now = number.get(row.value, row.value)
        number = {old: now if new == row.sample else new for old, new in number.items()} | {row.sample: now}
    out = {t: frame.assign(**{names[t]: frame[names[t]].replace(number)}) for t, frame in tables.items()}
    own = corrections["field"] == "sample"
    out["corrections"]["sample"] = out["corrections"]["sample"].mask(own, corrections["sample"])
    return out


def concerning(corrections: pd.DataFrame, bottles: Collection[str], places: Collection[str]) -> pd.Series:
    """Whether a correction is of one of these bottles, calls another the same as one of them, or moves one to these
    compartments.
    """
    value = corrections["value"]
    return corrections["sample"].isin(bottles) | value.isin(bottles) | value.isin(places)


def apply_corrections(samples: pd.DataFrame, corrections: pd.DataFrame, names: set[str]) -> pd.DataFrame:
    """Samples with an analyst's confirmed corrections applied, in order of decision; `corrected` says which columns
    changed.

    A correction to a bottle that is not (yet) known changes nothing. The loader sets unusable corrections aside; in a
    fleet made in memory one raises RecordsError. names: of compartments.
    """
    out = samples.copy()
    target = corrections["value"].where(corrections["field"] == "sample", corrections["sample"])
    concerned = out.loc[out["sample"].isin(target), "sample"]
    rows = concerned.groupby(concerned).groups
    fields: dict[Hashable, list[str]] = {}
    values: dict[str, dict[Hashable, float | pd.Timestamp | str]] = {}
    own = corrections.assign(bottle=target)[target.isin(concerned)]
    for row in own.sort_values(["decided_on", "correction"]).itertuples():
        for at in rows[row.bottle]:
            fields.setdefault(at, []).append(row.field)
            if row.field != "sample":  # those are joined already
                new = _corrected_value(row.correction, row.field, row.value, names)
                values.setdefault(row.field, {})[at] = new
    for name, new in values.items():
        out.loc[list(new), name] = list(new.values())
    out["corrected"] = pd.Series([" ".join(fields.get(at, ())) for at in out.index], out.index, dtype="str")
    return out


def _corrected_value(correction: str, field_name: str, value: str, places: set[str]) -> float | pd.Timestamp | str:
    """The value a correction puts in, in its column's own type."""
    allowed = TABLES["corrections"].column("field").one_of
    kind = TABLES["samples"].column(field_name).kind if field_name in allowed else ""
    number = pd.to_numeric(value, errors="coerce") if kind == "number" else np.nan
    day = pd.to_datetime(value, errors="coerce", format="ISO8601") if kind == "date" else pd.NaT
    if kind == "text" and value in places:
        return value
    if (kind == "number" and 0 <= number < np.inf) or pd.notna(day):
        return float(number) if kind == "number" else day
    wanted = {
        "number": "a number of 0 or more",
        "date": "a date such as 2026-06-30",
        "text": "the name of a compartment",
    }
    raise RecordsError(
        f"correction {correction!r}: found {value!r} for {field_name!r}; wanted "
        f"{wanted.get(kind, 'one of the fields ' + ', '.join(allowed))}. "
        "Mend or leave out this correction."
    )
