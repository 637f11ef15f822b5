"""The frozen bundle of tables an assessment is, and its form on disk: one folder a run, one Parquet file a table."""

import json
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import pandas as pd

from cmkit.errors import MissingTable
from cmkit.files import checked_rows, seal, written_folder

KIND = "assessment"  # in the manifest of its folder


@dataclass(frozen=True)
class Assessment:
    """What a fleet's records say on one date. Books, desks and exports read this and nothing else.

    about: fleet (name), currency, as_of (ISO day), cmkit (version), sources (file -> SHA-256), settings (what was in force).
    Records as known on that date: sites, machines, compartments, samples, services, meters, findings, corrections, set_aside,
    repairs, counts. Made from them, in the order of work: hours, use, exposure, numbers, history, trust, doubts, factors, wear, limits,
    evidence, due, cards, forecast, verdicts, before (verdicts as of the end of last month), causes, intervals, curves, waiting, record,
    technique. Columns: see DEVELOPERS.md, "The tables".
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
    limits: pd.DataFrame
    evidence: pd.DataFrame
    due: pd.DataFrame
    cards: pd.DataFrame
    forecast: pd.DataFrame
    verdicts: pd.DataFrame
    before: pd.DataFrame
    causes: pd.DataFrame
    intervals: pd.DataFrame
    curves: pd.DataFrame
    waiting: pd.DataFrame
    record: pd.DataFrame
    technique: pd.DataFrame

    @property
    def as_of(self) -> pd.Timestamp:
        return pd.Timestamp(self.about["as_of"])

    def save(self, folder: Path) -> None:
        """One Parquet file a table, `about.json` and a manifest, all of them or nothing.

        folder: new, empty, or an earlier assessment's, which is replaced. WriteError where it holds anything else.
        """
        with written_folder(folder, KIND) as aside:
            for name in table_names():
                getattr(self, name).to_parquet(aside / f"{name}.parquet", index=False)
            (aside / "about.json").write_text(json.dumps(self.about, indent=1, sort_keys=True), encoding="utf-8")
            seal(aside, KIND, {f"{name}.parquet": len(getattr(self, name)) for name in table_names()})

    def for_site(self, site: str) -> "Assessment":
        """The part of the assessment that concerns one site; fleet-wide tables (numbers, limits) keep the families seen there."""
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


def table_names() -> list[str]:
    """Names of the tables in the order of the bundle."""
    return [f.name for f in fields(Assessment) if f.name != "about"]


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
    """An assessment saved earlier; `site` cuts it down to one site.

    Raises MissingTable when the folder holds none, WrongFile when a file of it is missing or not as it was written.
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
