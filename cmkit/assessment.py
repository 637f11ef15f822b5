"""The frozen bundle of tables an assessment is, and its form on disk: one folder a run, one Parquet file a table."""

import difflib
import html
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from cmkit.errors import MissingTable, ParameterError
from cmkit.files import checked_rows, seal, write_file, written_folder
from cmkit.records.spreadsheets import SHEET_ROWS, workbook
from cmkit.tables.describe import arrow_table, describe
from cmkit.tables.dictionary import GROUPS
from cmkit.tables.judge import STATES

KIND = "assessment"  # in the manifest of its folder


@dataclass(frozen=True, repr=False)
class Assessment:
    """What a fleet's records say on one date. Books, desks and exports read this and nothing else.

    about: fleet (name), currency, as_of (ISO day), cmkit (version), sources (file -> SHA-256), settings (what was in
    force). Records as known on that date: sites, machines, compartments, samples, services, meters, findings,
    corrections, decisions, baselines (bottles of fresh fluid), not_drawn, set_aside, repairs, counts. Made from
    them, in the order of work: hours, use, exposure, numbers, history, trust, doubts, factors, wear, work, limits,
    fresh, evidence, bottle_chances, hypotheses, contributions, due, cards, forecast, verdicts, orders, reasons,
    before (verdicts as of the end of last month), intervals, curves, waiting, record, technique, turnaround, chain
    (bottles without a result), missed (failures without a useful warning), coverage, programme (measures by site
    and month), open_work (alarms and orders that stand, with their owners), decided (decisions and what their
    alarms came to), duplicates, laboratory_pairs (what they say of them), factored_results (changed by an accepted
    laboratory factor), changes, cleanliness, coolants (what each fluid needs), stock, mixed_fluids (fluids that are
    not what they should be), twins (left against right), load_rates (by the hour or by the load), batches and
    batch_results (fresh fluids delivered). Columns: `.columns("wear")`, from the dictionary `cmkit.tables`.
    """

    about: dict[str, Any]
    sites: pd.DataFrame
    machines: pd.DataFrame
    compartments: pd.DataFrame
    samples: pd.DataFrame
    services: pd.DataFrame
    meters: pd.DataFrame
    findings: pd.DataFrame
    corrections: pd.DataFrame
    decisions: pd.DataFrame
    baselines: pd.DataFrame
    not_drawn: pd.DataFrame
    set_aside: pd.DataFrame
    repairs: pd.DataFrame
    counts: pd.DataFrame
    hours: pd.DataFrame
    use: pd.DataFrame
    exposure: pd.DataFrame
    numbers: pd.DataFrame
    history: pd.DataFrame
    trust: pd.DataFrame
    doubts: pd.DataFrame
    factors: pd.DataFrame
    wear: pd.DataFrame
    work: pd.DataFrame
    limits: pd.DataFrame
    fresh: pd.DataFrame
    evidence: pd.DataFrame
    bottle_chances: pd.DataFrame
    hypotheses: pd.DataFrame
    contributions: pd.DataFrame
    due: pd.DataFrame
    cards: pd.DataFrame
    forecast: pd.DataFrame
    verdicts: pd.DataFrame
    orders: pd.DataFrame
    reasons: pd.DataFrame
    before: pd.DataFrame
    intervals: pd.DataFrame
    curves: pd.DataFrame
    waiting: pd.DataFrame
    record: pd.DataFrame
    technique: pd.DataFrame
    turnaround: pd.DataFrame
    chain: pd.DataFrame
    missed: pd.DataFrame
    coverage: pd.DataFrame
    programme: pd.DataFrame
    open_work: pd.DataFrame
    decided: pd.DataFrame
    duplicates: pd.DataFrame
    laboratory_pairs: pd.DataFrame
    factored_results: pd.DataFrame
    changes: pd.DataFrame
    cleanliness: pd.DataFrame
    coolants: pd.DataFrame
    stock: pd.DataFrame
    mixed_fluids: pd.DataFrame
    twins: pd.DataFrame
    load_rates: pd.DataFrame
    batches: pd.DataFrame
    batch_results: pd.DataFrame

    @property
    def as_of(self) -> pd.Timestamp:
        return pd.Timestamp(self.about["as_of"])

    def __repr__(self) -> str:
        words = [f"{group:<9} {', '.join(sizes)}" for group, sizes in _sizes(self).items()]
        return "\n".join([_title(self), f"  {_counts(self)}", *(f"  {line}" for line in words)])

    def _repr_html_(self) -> str:
        """What a notebook shows: the fleet, the day, states by site and the tables; every text escaped."""
        states = _states_by_site(self)
        head = "".join(f"<th>{html.escape(c)}</th>" for c in ("site", *states.columns))
        rows = "".join(
            f"<tr><th>{html.escape(str(site))}</th>{''.join(f'<td>{n:,}</td>' for n in row)}</tr>"
            for site, row in zip(states.index[:_SITES_SHOWN], states.to_numpy().tolist(), strict=False)
        )
        more = f"<p>and {len(states) - _SITES_SHOWN} more sites</p>" if len(states) > _SITES_SHOWN else ""
        tables = "".join(f"<dt>{g}</dt><dd>{html.escape(', '.join(s))}</dd>" for g, s in _sizes(self).items())
        title = f"<p><b>{html.escape(_title(self))}</b><br>{html.escape(_counts(self))}</p>"
        return f"<div>{title}<table><tr>{head}</tr>{rows}</table>{more}<dl>{tables}</dl></div>"

    def save(self, folder: Path) -> None:
        """One Parquet file a table, `about.json` and a manifest, all of them or nothing.

        folder: new, empty, or an earlier assessment's, which is replaced. Raises WriteError where it holds anything
        else.

        >>> a.save(folder / "june")
        >>> (folder / "june" / "verdicts.parquet").exists()
        True
        """
        save_tables(folder, {name: arrow_table(getattr(self, name), name) for name in table_names()}, self.about)

    def to_excel(self, path: str | Path, tables: Sequence[str] | None = None) -> Path:
        """Tables as one workbook, a sheet each, headings with their units; text stays text, whatever a laboratory wrote
        into it. The path of the file.

        tables: names of them; default: the short ones that people read (`FOR_PEOPLE`). The file is written as a whole,
        over an earlier workbook too. Raises ParameterError for an unknown table or one longer than a sheet, and for a
        name that does not end in `.xlsx`.

        >>> a.to_excel(folder / "june.xlsx", ["verdicts", "due"]).name
        'june.xlsx'
        """
        place = Path(path)
        if place.suffix.lower() != ".xlsx":
            raise ParameterError(f"path: found {place.name!r}, wanted a name that ends in .xlsx.")
        chosen = {name: getattr(self, _known_table(name)) for name in tables or FOR_PEOPLE}
        for name, frame in chosen.items():
            if len(frame) >= SHEET_ROWS:
                raise ParameterError(
                    f"tables: {name} has {len(frame):,} rows, a sheet holds {SHEET_ROWS - 1:,}; leave it out."
                )
        return write_file(place, workbook(chosen, self.as_of))

    def columns(self, table: str) -> pd.DataFrame:
        """What the columns of a table are, one a row: column, dtype, unit, meaning, one_of. Raises ParameterError for
        an unknown table.

        >>> a.columns("wear").set_index("column").loc["rate", "unit"]
        'of the analyte/h'
        """
        return describe(_known_table(table))

    def for_site(self, site: str) -> "Assessment":
        """The part of the assessment that concerns one site; fleet-wide tables (numbers, limits) keep the families seen
        there.

        A site that is not in it gives an assessment without compartments.

        >>> a.for_site("quarry").verdicts["site"].unique().tolist()
        ['quarry']
        """
        machines = self.machines[self.machines["site"] == site]
        compartments = self.compartments[self.compartments["machine"].isin(machines["machine"])]
        keep = {
            "site": {site},
            "machine": set(machines["machine"]),
            "compartment": set(compartments["compartment"]),
            "family": set(compartments["family"]),
        }
        own = {name: _part(name, getattr(self, name), keep) for name in table_names()}
        return Assessment(about=self.about, **own)


_SITES_SHOWN = 12
FOR_PEOPLE = (
    "verdicts",
    "orders",
    "reasons",
    "due",
    "waiting",
    "record",
    "wear",
    "forecast",
    "trust",
    "doubts",
    "hypotheses",
    "intervals",
    "limits",
    "findings",
    "technique",
    "set_aside",
)


def _known_table(name: str) -> str:
    if name not in table_names():
        near = difflib.get_close_matches(str(name), table_names(), n=1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        raise ParameterError(f"table: found {name!r}, wanted one of {', '.join(table_names())}.{hint}")
    return name


def _title(result: Assessment) -> str:
    return f"Assessment of {result.about['fleet']} as of {result.about['as_of']} (cmkit {result.about['cmkit']})"


def _counts(result: Assessment) -> str:
    """How many compartments stand in which state, in one line."""
    states = result.verdicts["state"].value_counts()
    found = ", ".join(f"{states.get(state, 0):,} {state}" for state in STATES)
    return f"{len(result.verdicts):,} compartments of {result.verdicts['machine'].nunique():,} machines: {found}"


def _states_by_site(result: Assessment) -> pd.DataFrame:
    """Compartments by site (rows) and state (columns)."""
    return pd.crosstab(result.verdicts["site"], result.verdicts["state"]).reindex(columns=list(STATES), fill_value=0)


def _sizes(result: Assessment) -> dict[str, list[str]]:
    """Chapter -> its tables, each with rows x columns."""
    shapes = {name: getattr(result, name).shape for name in table_names()}
    sizes = {g: [f"{n} {shapes[n][0]}x{shapes[n][1]}" for n in tables if n in shapes] for g, tables in GROUPS.items()}
    return {group: own for group, own in sizes.items() if own}


def table_names() -> list[str]:
    """Names of the tables in the order of the bundle."""
    return [f.name for f in fields(Assessment) if f.name != "about"]


def save_tables(folder: Path, tables: Mapping[str, pa.Table], about: Mapping[str, Any]) -> None:
    """What :meth:`Assessment.save` does, of tables that are in Arrow's form (`tables.describe.arrow_table`) by name."""
    with written_folder(folder, KIND) as aside:
        for name, table in tables.items():
            pq.write_table(table, aside / f"{name}.parquet")
        (aside / "about.json").write_text(json.dumps(about, indent=1, sort_keys=True), encoding="utf-8")
        seal(aside, KIND, {f"{name}.parquet": len(table) for name, table in tables.items()})


_WHOLE = ("set_aside", "repairs", "counts", "corrections")


def _part(name: str, frame: pd.DataFrame, keep: dict[str, set[str]]) -> pd.DataFrame:
    """Rows of one table that belong to a site, by the narrowest key the table has."""
    if name in _WHOLE:
        return frame
    for key in ("compartment", "machine", "site", "family"):
        if key in frame.columns:
            return frame[frame[key].isin(keep[key])].reset_index(drop=True)
    return frame


def load_assessment(folder: str | Path, site: str | None = None) -> Assessment:
    """An assessment saved earlier (`Assessment.save`, `cmkit assess`); `site` cuts it down to one site.

    Raises MissingTable when the folder holds none, WrongFile when a file of it is missing or not as it was written.

    >>> a.save(folder / "june")
    >>> cmkit.load_assessment(folder / "june").as_of
    Timestamp('2026-06-30 00:00:00')
    """
    folder = Path(folder)
    if not (folder / "about.json").exists():
        raise MissingTable(
            f"{folder}: no about.json here; wanted the folder an assessment was saved in (`cmkit assess` makes one)."
        )
    checked_rows(folder, KIND, "Write it again with `cmkit assess`.")
    about = json.loads((folder / "about.json").read_text(encoding="utf-8"))
    tables = {name: pd.read_parquet(folder / f"{name}.parquet") for name in table_names()}
    whole = Assessment(about=about, **tables)
    return whole if site is None else whole.for_site(site)
