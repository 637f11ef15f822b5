"""Bottles side by side as arrays: results against what was expected of them, and against the bottles before."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from cmkit.records.analytes import below
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import names, typed

DOUBTS = names("doubts")
_BEFORE = 4  # bottles before that make up a compartment's usual result


@dataclass(frozen=True)
class Panel:
    """n bottles x A analytes of rule `rate`, from the wear filter's one-step forecasts (change acceptance off).

    bottles: frame of n rows (sample, compartment, machine, kind, drawn_on, order), sorted by compartment and order.
    value, expected, sd: float [n, A], NaN where there is none, ppm; sd is the predictive standard deviation of the
    result. below, above: bool [n, A].
    """

    bottles: pd.DataFrame
    analytes: list[str]
    value: np.ndarray
    below: np.ndarray
    above: np.ndarray
    expected: np.ndarray
    sd: np.ndarray

    @property
    def z(self) -> np.ndarray:
        """Departures in predictive standard deviations; one reported below a limit never counts as high, one above
        never as low.
        """
        departure = (self.value - self.expected) / self.sd
        departure = np.where(self.below, np.minimum(departure, 0.0), departure)
        return np.asarray(np.where(self.above, np.maximum(departure, 0.0), departure))

    @property
    def side(self) -> np.ndarray:
        """-1 where the value is a limit the result was reported below, 1 above, 0 where it is the
        result (int8 [n, A]).
        """
        return np.asarray(self.above.astype(np.int8) - self.below)

    def before(self, flag: np.ndarray) -> np.ndarray:
        """`flag` (bool [n]) of the bottle before of the same compartment; False where there is none."""
        place = self.bottles["compartment"].to_numpy()
        return np.asarray(np.r_[False, flag[:-1] & (place[1:] == place[:-1])][: len(flag)])

    def only(self, samples: pd.Series) -> "Panel":
        """The panel's rows of these bottles."""
        at = np.flatnonzero(self.bottles["sample"].isin(samples))
        rows = {name: getattr(self, name)[at] for name in ("value", "below", "above", "expected", "sd")}
        return replace(self, bottles=self.bottles.iloc[at].reset_index(drop=True), **rows)


def make_panel(known: Fleet, history: pd.DataFrame, register: pd.DataFrame) -> Panel:
    """Panel of the filter's `history` (sample, compartment, order, analyte, drawn_on, value, below, above, expected,
    expected_sd).
    """
    rows = history.drop_duplicates(["sample", "analyte"], keep="last")
    heads = rows.drop_duplicates("sample")[["sample", "compartment", "drawn_on", "order"]]
    places = known.compartments[["compartment", "machine", "kind"]]
    heads = heads.merge(places, on="compartment").sort_values(["compartment", "drawn_on", "order", "sample"])
    heads = heads.reset_index(drop=True)
    present = set(rows["analyte"].unique())
    analytes = [a for a in register.index if a in present]
    i = pd.Index(heads["sample"]).get_indexer(rows["sample"])
    j = pd.Index(analytes).get_indexer(rows["analyte"])
    inside = (i >= 0) & (j >= 0)

    def grid(column: str, empty: float) -> np.ndarray:
        out = np.full((len(heads), len(analytes)), empty)
        out[i[inside], j[inside]] = rows[column].to_numpy(dtype=float)[inside]
        return out

    return Panel(
        heads,
        analytes,
        grid("value", np.nan),
        grid("below", 0.0) > 0,
        grid("above", 0.0) > 0,
        grid("expected", np.nan),
        grid("expected_sd", np.nan),
    )


def usual_results(samples: pd.DataFrame, analytes: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Median of up to four bottles before of the same compartment, and how many there were: float [n, A], int [n, A],
    in sample order.
    """
    order = samples.sort_values(["compartment", "drawn_on", "sample"], kind="stable")
    values = order[analytes].to_numpy(dtype=float)
    place, _ = pd.factorize(order["compartment"])
    back = np.full((_BEFORE, *values.shape), np.nan)
    for k in range(1, min(_BEFORE, len(values) - 1) + 1):
        same = place[k:] == place[:-k]
        back[k - 1, k:][same] = values[:-k][same]
    count = np.isfinite(back).sum(axis=0)
    back.sort(axis=0)
    low = np.take_along_axis(back, np.maximum((count - 1) // 2, 0)[None], 0)[0]
    high = np.take_along_axis(back, np.minimum(count // 2, _BEFORE - 1)[None], 0)[0]
    middle = np.where(count > 0, (low + np.where(np.isfinite(high), high, low)) / 2, np.nan)
    position = order.index.get_indexer(samples.index)
    return middle[position], count[position]


def results(samples: pd.DataFrame, analytes: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Values and below-the-limit flags of `analytes`: float [n, A], bool [n, A]."""
    return samples[analytes].to_numpy(dtype=float), samples[[below(a) for a in analytes]].to_numpy(dtype=bool)


def doubt_rows(
    heads: pd.DataFrame,
    doubt: str,
    statistic: str,
    value: np.ndarray,
    *,
    threshold: np.ndarray | float,
    probability: np.ndarray | float,
    reason: list[str],
    todo: list[str] | str,
) -> pd.DataFrame:
    """Doubts of one kind (columns DOUBTS) for the bottles of `heads` (sample, compartment)."""
    out = heads[["sample", "compartment"]].reset_index(drop=True)
    out["doubt"], out["statistic"], out["value"], out["threshold"] = doubt, statistic, value, threshold
    out["probability"], out["reason"], out["todo"] = probability, reason, todo
    return typed_doubts(out)


def typed_doubts(rows: pd.DataFrame) -> pd.DataFrame:
    """The columns DOUBTS in their types, also when there is no row."""
    return typed(rows.reindex(columns=DOUBTS), "doubts")
