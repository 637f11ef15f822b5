"""One compartment at a time, for the notebook an analyst reads and runs: its series, with exposure counted from the first bottle."""

import numpy as np
import pandas as pd

from cmkit.assessment import Assessment
from cmkit.errors import ParameterError

SERIES = ["sample", "drawn_on", "run_h", "fluid_h", "value", "phi", "psi", "chi", "expected", "expected_sd", "rate", "rate_sd"]  # fmt: skip


def cumulative_exposure(phi: np.ndarray, psi: np.ndarray, chi: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """phi, psi, chi counted from the first bottle, from those counted bottle to bottle (n,); the first bottle's are 1, 0, 0.

    C_i = phi_i C_(i-1) + beta psi_i + chi_i, so each step multiplies what was there and adds its own.
    """
    out = np.zeros((3, len(phi)))
    out[0, 0] = 1.0
    for i in range(1, len(phi)):
        out[:, i] = phi[i] * out[:, i - 1] + [0.0, psi[i], chi[i]]
    return out[0], out[1], out[2]


def one_series(assessment: Assessment, compartment: str, analyte: str, bottles: int = 12) -> pd.DataFrame:
    """The newest `bottles` results of the present life (columns SERIES): value in ppm, phi and chi in ppm and psi in h from the first of
    them, expected (ppm) and rate (ppm/h) as the filter has them. Raises ParameterError when there are fewer than three.
    """
    own = assessment.history[
        (assessment.history["compartment"] == compartment) & (assessment.history["analyte"] == analyte)
    ]
    own = own[own["life"] == own["life"].max()]
    steps = assessment.exposure.set_index("sample")[["phi", "psi", "chi"]]
    out = own.join(steps, on="sample").tail(bottles).reset_index(drop=True)
    if len(out) < 3:
        raise ParameterError(
            f"compartment {compartment!r}, analyte {analyte!r}: {len(out)} result(s) in its present life; wanted three or more."
        )
    fresh = numbers_of(assessment, compartment, analyte)["fresh_ppm"]
    out["phi"], out["psi"], chi = cumulative_exposure(*(out[c].to_numpy(float) for c in ("phi", "psi", "chi")))
    return out.assign(chi=chi * fresh)[SERIES]


def numbers_of(assessment: Assessment, compartment: str, analyte: str) -> pd.Series:
    """The family's numbers behind one series: rate_mean, rate_sd (ppm/h), noise_floor (ppm), noise_share, level_mean, level_var, fresh_ppm, ..."""
    families = assessment.compartments.set_index("compartment")["family"]
    if compartment not in families.index:
        raise ParameterError(f"compartment: found {compartment!r}, wanted one of the fleet's {len(families)}.")
    rows = assessment.numbers[
        (assessment.numbers["family"] == families[compartment]) & (assessment.numbers["analyte"] == analyte)
    ]
    if rows.empty:
        raise ParameterError(f"analyte: found {analyte!r}, wanted one with a wear rate, such as Fe_ppm.")
    return rows.iloc[0]


def longest_clear(assessment: Assessment) -> str:
    """A compartment to begin with: clear, believed, with the most bottles."""
    clear = assessment.verdicts.loc[assessment.verdicts["state"] == "clear", "compartment"]
    counts = (
        assessment.history[assessment.history["compartment"].isin(clear)].groupby("compartment")["sample"].nunique()
    )
    return str(counts.sort_values(ascending=False, kind="stable").index[0])
