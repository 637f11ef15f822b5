"""What the records say happened between bottles: looks inside, repairs, new components; and the hours since the newest
bottle.
"""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.judge.looks import Events
from cmkit.judge.measures import Bottles
from cmkit.records.fleet import Fleet


def events_of(known: Fleet, exposure: pd.DataFrame, b: Bottles) -> Events:
    """Events before each bottle of a kind. A bottle is drawn before the work of its day, so work of that day comes
    after it.
    """
    shape = (b.row.shape[0], b.row.shape[1] + 1)
    drawn = _days(exposure["drawn_on"])
    own = [drawn[row[row >= 0]] for row in b.row]
    findings, services = known.findings, known.services
    nothing = findings[findings["outcome"] == "no defect"]
    defects = findings[findings["outcome"].isin(["defect", "failed"])]
    repairs = services[services["kind"] == "repair"]
    replaced = services[services["kind"] == "replace"]
    worked = _count(b.places, own, defects, "found_on", shape) + _count(b.places, own, repairs, "done_on", shape)
    new = np.zeros(shape, bool)
    new[:, 1:-1] = b.first[:, 1:]
    new[:, -1] = _count(b.places, own, replaced, "done_on", shape)[:, -1] > 0
    return Events(_count(b.places, own, nothing, "found_on", shape), worked > 0, new)


def _count(
    places: NDArray[Any], own: list[Any], rows: pd.DataFrame, day: str, shape: tuple[int, int]
) -> NDArray[np.int64]:
    """How many of `rows` lie before each bottle and not before the one before; last column: since the newest."""
    out = np.zeros(shape, np.int64)
    at = pd.Index(places).get_indexer(rows["compartment"])
    for c, on in zip(at, _days(rows[day]), strict=True):
        if c >= 0 and on >= 0:
            i = int(np.searchsorted(own[c], on, side="right"))
            out[c, i if i < len(own[c]) else -1] += 1
    return out


def _days(dates: pd.Series) -> NDArray[np.int64]:
    """Days since 1970; -1 where there is no date."""
    whole = dates.to_numpy("datetime64[D]")
    return np.where(np.isnat(whole), -1, whole.astype(np.int64))


def hours_since(known: Fleet, exposure: pd.DataFrame, b: Bottles, usual: float) -> NDArray[np.float64]:
    """Operating hours (C) from each compartment's newest bottle to the day of `known`, at its own pace, or the usual
    one (h a day) where it shows none.
    """
    last = b.row[np.arange(len(b.row)), (b.row >= 0).sum(axis=1) - 1]
    drawn, run = _days(exposure["drawn_on"]), exposure["run_h"].to_numpy(float)
    days, hours = drawn[last] - drawn[b.row[:, 0]], run[last] - run[b.row[:, 0]]
    pace = np.divide(hours, days, out=np.full(len(b.row), np.nan), where=days > 0)
    today = np.datetime64(pd.Timestamp(known.date), "D").astype(np.int64)
    return np.asarray(np.clip(np.nan_to_num(pace, nan=usual), 0, 24) * np.maximum(today - drawn[last], 0))
