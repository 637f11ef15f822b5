"""Questions in SQL: to an assessment, or to a fleet's whole store."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from cmkit.assessment import Assessment, load_assessment, table_names
from cmkit.records.storing.query import fleet_query, frames_query


def query(source: Assessment | str | Path, sql: str, parameters: Sequence[Any] = ()) -> pd.DataFrame:
    """The answer to one SELECT, as a frame.

    source: an assessment, or the folder of a saved one: its tables are there under their names (`verdicts`, `wear`,
    `samples`, ...; `Assessment.columns` says what is in them). Or a fleet's folder or its `store`: the records of the
    version in force, of every site. parameters: values, a `?` each in the text. Nothing can be changed, no other file
    is reached. Raises StoreError for wrong SQL, anything but one SELECT, or a question that takes too much memory or
    time.

    >>> cmkit.query(a, "SELECT count(*) AS n FROM compartments WHERE kind = ?", ["swing drive"])
       n
    0  4
    """
    if isinstance(source, Assessment):
        return frames_query({name: getattr(source, name) for name in table_names()}, sql, parameters)
    place = Path(source)
    if (place / "about.json").exists():
        return query(load_assessment(place), sql, parameters)
    inside = place / "store"
    return fleet_query(inside if inside.exists() else source, sql, parameters)
