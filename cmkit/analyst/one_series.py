"""One compartment and one result: the series with the exposure that a wear rate needs, counted from
its first bottle.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.analyst.asked import known_analyte, one_of, place_of, register_of, rows_of
from cmkit.assessment import Assessment
from cmkit.errors import ParameterError
from cmkit.records.analytes import by_rule
from cmkit.records.censoring import flags

Floats = NDArray[np.float64]
SERIES = [
    "sample",
    "drawn_on",
    "life",
    "run_h",
    "fluid_h",
    "value",
    "below",
    "above",
    "believed",
    "changed",
    "makeup_l",
    "kept",
    "effective_h",
    "phi",
    "psi",
    "chi",
    "expected",
    "expected_sd",
    "z",
    "level",
    "level_sd",
    "rate",
    "rate_sd",
]
_STEPS = ["sample", "life", "order", "drawn_on", "run_h", "fluid_h", "changed", "makeup_l", "phi", "psi", "chi"]
_TRACK = ["sample", "expected", "expected_sd", "z", "level", "level_sd", "rate", "rate_sd"]
LEAST = 3  # results below which a series says nothing about a rate


def series(
    a: Assessment, compartment: str, analyte: str = "Fe_ppm", bottles: int | None = None, *, life: int | None = None
) -> pd.DataFrame:
    """One compartment's results of one analyte, oldest first, with what happened to the fluid between the bottles
    (columns SERIES).

    bottles: only the newest so many (1 or more; None: all); life: which component in this place (1 the first on
    record), default the present one. value, expected, level and their sd in the analyte's unit; below, above: value is
    a limit it lies below or above; run_h, fluid_h (h); believed (0..1); rate, rate_sd (unit/h); kept, effective_h:
    share of the old level left and hours that count since the bottle before (1 and 0 at the first). phi (share), psi
    (h) and chi (unit) are counted from the first bottle of the series: at a constant wear rate r (unit/h) the level is
    phi C + r psi + chi, C being the level at the first. Columns of the wear filter are NaN for a result without a wear
    rate, such as viscosity. Raises ParameterError for a compartment, analyte or life that is not known. Source of the
    exposure: `cmkit.wear.exposure`.

    >>> cmkit.series(a, "WL-04/engine", "Fe_ppm", 3)[["sample", "run_h", "value", "changed"]]
           sample    run_h  value  changed
    0  WL-04-0090  13852.0   28.0     True
    1  WL-04-0094  14128.0   65.0    False
    2  WL-04-0096  14354.0   27.0     True
    """
    place_of(a, compartment)
    known_analyte(a, analyte)
    own = rows_of(a.exposure, compartment)[_STEPS].sort_values(["life", "order"])
    lives = own["life"].unique()
    wanted = life if life is not None else (lives.max() if len(lives) else 1)
    if len(lives):
        one_of("life", str(wanted), map(str, lives))
    own = own[own["life"] == wanted]
    results = a.samples.set_index("sample").reindex(own["sample"])
    under, over = (flags(results, [analyte], flag)[:, 0] for flag in ("below", "above"))
    own = own.assign(value=results[analyte].to_numpy(float), below=under, above=over)
    trust = a.trust.set_index("sample")["believed"]
    own["believed"] = trust.reindex(own["sample"]).to_numpy(float)
    own = _chained(own).merge(a.history.loc[a.history["analyte"] == analyte, _TRACK], on="sample", how="left")
    out = own[own["value"].notna()].tail(bottles if bottles else len(own)).reset_index(drop=True)
    out["kept"], out["effective_h"] = out["phi"].where(out.index > 0, 1.0), out["psi"].where(out.index > 0, 0.0)
    out["phi"], out["psi"], chi = cumulative_exposure(*(out[c].to_numpy(float) for c in ("phi", "psi", "chi")))
    out["chi"] = chi * _fresh(a, compartment, analyte)
    return out[SERIES]


def _chained(own: pd.DataFrame) -> pd.DataFrame:
    """Exposure of bottles without this result carried on to the next that has one: phi multiplies, psi and chi add up
    behind it.
    """
    phi, psi, chi = (own[c].to_numpy(float).copy() for c in ("phi", "psi", "chi"))
    missing = own["value"].isna().to_numpy()
    for i in range(len(own) - 1):
        if missing[i]:
            psi[i + 1] += phi[i + 1] * psi[i]
            chi[i + 1] += phi[i + 1] * chi[i]
            phi[i + 1] *= phi[i]
    return own.assign(phi=phi, psi=psi, chi=chi)


def _fresh(a: Assessment, compartment: str, analyte: str) -> float:
    """Content of fresh fluid, 0 where the analyte has no wear rate."""
    if analyte not in by_rule(register_of(a), "rate"):
        return 0.0
    rows = _numbers(a, compartment, analyte)
    return float(rows["fresh_ppm"].iloc[0]) if len(rows) else 0.0


def cumulative_exposure(phi: Floats, psi: Floats, chi: Floats) -> tuple[Floats, Floats, Floats]:
    """phi, psi, chi counted from the first bottle, from those counted bottle to bottle (n,); the first bottle's are 1,
    0, 0.

    C_i = phi_i C_(i-1) + beta psi_i + chi_i, so each step multiplies what was there and adds its own.
    """
    out = np.zeros((3, len(phi)))
    out[0, :1] = 1.0
    for i in range(1, len(phi)):
        out[:, i] = phi[i] * out[:, i - 1] + [0.0, psi[i], chi[i]]
    return out[0], out[1], out[2]


def wear_series(a: Assessment, compartment: str, analyte: str, bottles: int | None = None) -> pd.DataFrame:
    """`series` of an analyte that has a wear rate. ParameterError for any other, and for fewer than three results."""
    out = series(a, compartment, analyte, bottles)
    numbers_of(a, compartment, analyte)
    if len(out) < LEAST:
        raise ParameterError(
            f"compartment {compartment!r}, analyte {analyte!r}: {len(out)} result(s) in its present life; wanted "
            f"three or more."
        )
    return out


def numbers_of(a: Assessment, compartment: str, analyte: str) -> pd.Series:
    """The family's numbers behind one series: rate_mean, rate_sd (ppm/h), noise_floor (ppm), noise_share, level_mean,
    level_var, fresh_ppm, ...
    """
    place_of(a, compartment)
    rows = _numbers(a, compartment, analyte)
    if rows.empty:
        raise ParameterError(f"analyte: found {analyte!r}, wanted one with a wear rate, such as Fe_ppm.")
    return rows.iloc[0]


def _numbers(a: Assessment, compartment: str, analyte: str) -> pd.DataFrame:
    family = place_of(a, compartment)["family"]
    return a.numbers[(a.numbers["family"] == family) & (a.numbers["analyte"] == analyte)]
