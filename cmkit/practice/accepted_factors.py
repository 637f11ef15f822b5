"""Results that an accepted laboratory factor changed, with what the laboratory reported."""

import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.records.laboratory_factors import LaboratoryFactor, concerned, reported
from cmkit.records.turnaround import sites_of
from cmkit.tables.frames import names, typed

_COLUMNS = names("factored_results")


def factored_results(known: Fleet) -> pd.DataFrame:
    """One row per result in `known` (a view of a day) that carries an accepted factor, by bottle and analyte."""
    parts = [_of_factor(known, f) for f in known.laboratory_factors if f.analyte in known.samples]
    if not parts:
        return typed([], "factored_results")
    rows = pd.concat(parts, ignore_index=True)
    rows["site"] = sites_of(known, rows["compartment"])
    return typed(rows[_COLUMNS].sort_values(["sample", "analyte"], ignore_index=True), "factored_results")


def _of_factor(known: Fleet, factor: LaboratoryFactor) -> pd.DataFrame:
    own = known.samples[concerned(known.samples, factor) & known.samples[factor.analyte].notna().to_numpy()]
    used = own[factor.analyte].to_numpy(float)
    return own[["compartment", "sample", "drawn_on", "lab"]].assign(
        analyte=factor.analyte,
        reported=reported(used, factor),
        used=used,
        factor=factor.factor,
        from_on=pd.Timestamp(factor.from_on),
        accepted_on=pd.Timestamp(factor.accepted_on),
        accepted_by=factor.accepted_by,
        reason=factor.reason,
    )
