"""Factors the lead has accepted for a laboratory's results, as fleet.toml says them; never applied unasked.

A factor multiplies the results of one laboratory and analyte that were reported from a day on, in every view of a day
on or after its acceptance. Earlier views, and so every published month, stay as they were. Taken out of fleet.toml, it
is gone.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.errors import SettingsError
from cmkit.records.typed_reader import Faults, read_block, said

_WANTED = '{ factor = 0.87, from_on = "2026-03-01", accepted_on = "2026-05-10", accepted_by = "who", reason = "why" }'
_DIGITS = 9  # significant figures kept, so that dividing by a factor gives back what the laboratory reported


@dataclass(frozen=True)
class LaboratoryFactor:
    """What results of `laboratory` for `analyte` are multiplied by (0.2 to 5), from the reports of `from_on` on and up
    to `until_on` (empty: still); accepted_on: the day of the decision. Days as 2026-06-30.
    """

    laboratory: str
    analyte: str
    factor: float
    from_on: str
    accepted_on: str
    accepted_by: str
    reason: str
    until_on: str = ""


def laboratory_factors(raw: dict[str, Any], where: str) -> tuple[LaboratoryFactor, ...]:
    """[laboratory_factors."North Laboratory"] Fe_ppm = { factor = 0.87, ... } -> one each; SettingsError otherwise."""
    out, faults = [], Faults()
    for laboratory, block in raw.items():
        for analyte, values in block.items():
            spot = f'{where}: [laboratory_factors."{laboratory}"] {analyte}'
            with faults.gathered():
                if not isinstance(values, dict):
                    wanted = (
                        '{ factor = number, from_on = "day", accepted_on = "day", accepted_by = ..., reason = ... }'
                    )
                    raise SettingsError(f"{spot}: found {said(values)}, wanted {wanted}.")
                named = {"laboratory": laboratory, "analyte": analyte, **values}
                out.append(read_block(LaboratoryFactor, named, spot, check=_check))
    faults.raise_any()
    return tuple(out)


def _check(factor: LaboratoryFactor, where: str) -> None:
    faults = [
        f"{where} {name}: found {said(getattr(factor, name))}, wanted a day such as 2026-06-30."
        for name in ("from_on", "accepted_on", *(["until_on"] if factor.until_on else []))
        if pd.isna(_day(getattr(factor, name)))
    ]
    faults += [
        f"{where} {name} is empty; wanted who accepted the factor and why."
        for name in ("accepted_by", "reason")
        if not getattr(factor, name).strip()
    ]
    if not faults and factor.until_on and _day(factor.until_on) < _day(factor.from_on):
        faults.append(f"{where} until_on {factor.until_on} is before from_on {factor.from_on}.")
    if faults:
        raise SettingsError("\n".join(faults))


def _day(text: str) -> pd.Timestamp:
    return pd.to_datetime(text, errors="coerce", format="%Y-%m-%d")


def in_force(factors: tuple[LaboratoryFactor, ...], day: pd.Timestamp) -> tuple[LaboratoryFactor, ...]:
    """Those accepted by the day."""
    return tuple(f for f in factors if _day(f.accepted_on) <= day)


def with_factors(
    samples: pd.DataFrame, now: tuple[LaboratoryFactor, ...], before: tuple[LaboratoryFactor, ...] = ()
) -> pd.DataFrame:
    """Samples with the factors `now` in their results; `before`: those that are in them already."""
    new, gone = [f for f in now if f not in before], [f for f in before if f not in now]
    if not new and not gone:
        return samples
    out = samples.copy()
    for factor, power in ((f, p) for p, part in ((1, new), (-1, gone)) for f in part if f.analyte in out):
        rows = concerned(out, factor)
        out.loc[rows, factor.analyte] = _scaled(out.loc[rows, factor.analyte].to_numpy(float), factor.factor**power)
    return out


def concerned(samples: pd.DataFrame, factor: LaboratoryFactor) -> NDArray[np.bool_]:
    """Which bottles a factor is for: of its laboratory, reported (drawn, where no report day is known) in its days."""
    on = samples["reported_on"].fillna(samples["drawn_on"])
    last = _day(factor.until_on) if factor.until_on else pd.Timestamp.max
    own: NDArray[np.bool_] = (
        (samples["lab"].fillna("") == factor.laboratory) & (on >= _day(factor.from_on)) & (on <= last)
    ).to_numpy(bool)
    return own


def reported(used: NDArray[np.float64], factor: LaboratoryFactor) -> NDArray[np.float64]:
    """What the laboratory wrote, from results that carry its factor."""
    return _scaled(used, 1 / factor.factor)


def _scaled(values: NDArray[np.float64], by: float) -> NDArray[np.float64]:
    return np.array([float(f"{v * by:.{_DIGITS}g}") for v in values])
