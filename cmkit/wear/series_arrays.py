"""Results and exposure as rectangles for the filter: one row per compartment life and analyte, one column per bottle of
that life.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.records.censoring import flags as flags_of

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Panel:
    """lives: one row per compartment life (compartment, life, kind, family), longest first. exposure: name -> (lives,
    n). series: one row per life and analyte with a result (life_row, analyte). y, censored (-1: reported below y, 1:
    above it): (series, n). bottle: row of the `exposure` frame of each life's bottle (lives, n), -1 beyond the last.
    fresh: content of the series' fresh fluid over that of its family, ppm (series,) or one for all.
    """

    lives: pd.DataFrame
    exposure: dict[str, Floats]
    series: pd.DataFrame
    y: Floats
    censored: NDArray[np.int8]
    bottle: NDArray[np.int64]
    fresh: Floats | float = 0.0

    def with_fresh(self, own_fresh: pd.DataFrame | None) -> "Panel":
        """The same with what the fresh fluid of single compartments carries over their family's (`wear.own_fresh`)."""
        return self if own_fresh is None or own_fresh.empty else replace(self, fresh=self._own(own_fresh, "offset_ppm"))

    def fresh_sd(self, own_fresh: pd.DataFrame | None) -> Floats | float:
        """Standard deviation of :attr:`fresh` (series,), ppm."""
        return 0.0 if own_fresh is None or own_fresh.empty else self._own(own_fresh, "offset_sd")

    def _own(self, own_fresh: pd.DataFrame, name: str) -> Floats:
        place = self.lives["compartment"].to_numpy()[self.series["life_row"].to_numpy()]
        keys = pd.MultiIndex.from_arrays([place, self.series["analyte"].to_numpy()])
        found = own_fresh.set_index(["compartment", "analyte"])[name].reindex(keys)
        return np.asarray(found.fillna(0.0).to_numpy(float))


def panel(exposure: pd.DataFrame, samples: pd.DataFrame, analytes: list[str]) -> Panel:
    """Arrange the results of `analytes` (columns of wide `samples`, with their flags) by life and
    order of `exposure`.
    """
    lives, row = _lives(exposure)
    order = exposure["order"].to_numpy(np.int64)
    shape = (len(lives), int(order.max(initial=-1)) + 1)
    at = np.full(shape, -1, np.int64)
    at[row, order] = np.arange(len(exposure))

    def rectangle(name: str) -> Floats:
        out = np.full(shape, np.nan)
        out[row, order] = exposure[name].to_numpy(float)
        return out

    chained = {name: rectangle(name) for name in ("phi", "psi", "chi", "sd_phi", "sd_psi", "hours", "changed")}
    wide = samples.set_index("sample").reindex(exposure["sample"])
    values = np.full((len(analytes), *shape), np.nan)
    sides = np.zeros((len(analytes), *shape), np.int8)
    under, over = (flags_of(wide, analytes, f) for f in ("below", "above"))
    for a, name in enumerate(analytes):
        values[a][row, order] = wide[name].to_numpy(float)
        sides[a][row, order] = over[:, a].astype(np.int8) - under[:, a]
    has = np.isfinite(values).any(axis=2)
    life_row, which = np.nonzero(has.T)
    series = pd.DataFrame({"life_row": life_row, "analyte": np.array(analytes, dtype=object)[which]})
    series["analyte"] = series["analyte"].astype("str")
    return Panel(lives, chained, series, values[which, life_row], sides[which, life_row], at)


def _lives(exposure: pd.DataFrame) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """The lives, longest first, and each exposure row's life."""
    keys = exposure.groupby(["compartment", "life"], sort=True)
    number = keys.ngroup().to_numpy(np.int64)
    lives = exposure.drop_duplicates(["compartment", "life"])[["compartment", "life", "kind", "family"]]
    lives = lives.sort_values(["compartment", "life"]).reset_index(drop=True)
    length = np.bincount(number, minlength=len(lives))
    longest_first = np.argsort(-length, kind="stable")
    place = np.empty_like(longest_first)
    place[longest_first] = np.arange(len(lives))
    return lives.iloc[longest_first].reset_index(drop=True), place[number]
