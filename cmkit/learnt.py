"""What a fleet teaches about its families, as of one day: small tables, used to assess any part of it.

`cmkit.learn.learn` makes it, `cmkit.assess.assess` uses it and looks at nothing outside the machines it is given. Kept
as it is, it lets a site be assessed by itself, on any machine, with the numbers of the whole fleet.
"""

import json
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import pandas as pd

from cmkit.errors import MissingTable
from cmkit.files import checked_rows, seal, written_folder
from cmkit.tables.describe import write_parquet

KIND = "learnt"  # in the manifest of its folder


@dataclass(frozen=True)
class Learnt:
    """Tables learnt from a whole fleet; columns in `cmkit.tables`.

    about: fleet, as_of (ISO day), cmkit (version), compartments and bottles (how many it was learnt from).
    usual: family x analyte, the middle result. shifts: days on which a
    laboratory's results moved together. fluids: product x mark, the fingerprint of each fluid. bottle_factors: kind,
    spread of what a bottle's metals share. laboratory_bias: kind x laboratory x analyte, its results over the reference
    laboratory's. seasons: kind x site whose wear follows the year. workload: kind whose wear follows fuel or tonnes.
    running_in: kind, extra wear of its new components.
    own_fresh: compartment x analyte, fresh fluid that is not its family's. make_up: family, top-up habits. pace:
    running hours a day of the middle compartment. residuals: kind, what a fluid change leaves behind. numbers: family x
    analyte, wear. dilution: family, share of the fluid lost and renewed per hour. visits: one row, how punctual
    bottles, changes and results are. limits: family x analyte x measure. fresh: site x fluid x grade x analyte.
    defects: kind, how often defects start and how long they take. sampled: family, shortest and longest interval seen.
    in_use: sampling intervals in use anywhere. measures, ageing, middles: what is usual of each result for the judge;
    priors: how often faults begin and bottles are odd. turnaround: site x laboratory, days from drawing to a result.
    laboratory_pairs: what duplicates say of them. batch_results: batch of fresh fluid x analyte, beside what was
    usual before it.
    """

    about: dict[str, Any]
    usual: pd.DataFrame
    shifts: pd.DataFrame
    fluids: pd.DataFrame
    bottle_factors: pd.DataFrame
    laboratory_bias: pd.DataFrame
    seasons: pd.DataFrame
    workload: pd.DataFrame
    running_in: pd.DataFrame
    own_fresh: pd.DataFrame
    make_up: pd.DataFrame
    pace: pd.DataFrame
    residuals: pd.DataFrame
    numbers: pd.DataFrame
    dilution: pd.DataFrame
    visits: pd.DataFrame
    limits: pd.DataFrame
    fresh: pd.DataFrame
    defects: pd.DataFrame
    sampled: pd.DataFrame
    in_use: pd.DataFrame
    measures: pd.DataFrame
    ageing: pd.DataFrame
    middles: pd.DataFrame
    priors: pd.DataFrame
    turnaround: pd.DataFrame
    laboratory_pairs: pd.DataFrame
    batch_results: pd.DataFrame

    @property
    def as_of(self) -> pd.Timestamp:
        return pd.Timestamp(self.about["as_of"])

    def of_families(self, families: pd.Series, sites: pd.Series) -> dict[str, pd.DataFrame]:
        """numbers and limits of some families and fresh fluids of some sites: what an assessment of them keeps.

        >>> list(learnt.of_families(fleet.compartments["family"], fleet.sites["site"]))
        ['numbers', 'limits', 'fresh']
        """
        own = {"numbers": self.numbers, "limits": self.limits}
        fresh = self.fresh[self.fresh["site"].isin(sites)].sort_values(["site", "fluid", "grade", "analyte"])
        kept = {name: t[t["family"].isin(families)].reset_index(drop=True) for name, t in own.items()}
        return kept | {"fresh": fresh.reset_index(drop=True)}

    def save(self, folder: Path) -> None:
        """One Parquet file a table, `learnt.json` and a manifest, all of them or nothing; `cmkit.learnt.load_learnt`
        reads it.

        folder: new, empty, or one that was learnt earlier, which is replaced. Raises WriteError where it holds anything
        else.

        >>> learnt.save(folder / "learnt")
        >>> (folder / "learnt" / "learnt.json").exists()
        True
        """
        with written_folder(folder, KIND) as aside:
            for name in learnt_names():
                write_parquet(getattr(self, name), name, aside / f"{name}.parquet")
            (aside / "learnt.json").write_text(json.dumps(self.about, indent=1, sort_keys=True), encoding="utf-8")
            seal(aside, KIND, {f"{name}.parquet": len(getattr(self, name)) for name in learnt_names()})


def learnt_names() -> list[str]:
    """Names of the tables of :class:`Learnt`."""
    return [f.name for f in fields(Learnt) if f.name != "about"]


def load_learnt(folder: str | Path) -> Learnt:
    """What was learnt and saved earlier. Raises MissingTable when the folder holds none, WrongFile when it is not
    whole.
    """
    folder = Path(folder)
    if not (folder / "learnt.json").exists():
        raise MissingTable(f"{folder}: no learnt.json here; wanted the folder `Learnt.save` wrote.")
    checked_rows(folder, KIND, "Learn again and save it.")
    about = json.loads((folder / "learnt.json").read_text(encoding="utf-8"))
    return Learnt(about, **{name: pd.read_parquet(folder / f"{name}.parquet") for name in learnt_names()})
