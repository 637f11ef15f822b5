"""Results that are limits or ranges say what they can: the same courses judged by numbers, by ISO 4406 codes, and with
metals as `>` a limit.
"""

import numpy as np
import pandas as pd
import pytest

from cmkit.fluids.cleanliness import iso_codes
from cmkit.judge.judge import Judged, judge_bottles
from cmkit.judge.learning import learn_judgement
from cmkit.judge.measures import ToJudge
from cmkit.records.analytes import analyte_register
from cmkit.records.censoring import CODES, counts_of_codes

REGISTER = analyte_register()


def judged(made: tuple, samples: pd.DataFrame) -> Judged:
    known, _, exposure, numbers, expected = made
    parts = ToJudge(known, samples, exposure, numbers, expected, REGISTER)
    return judge_bottles(parts, learn_judgement(parts))


def chances(result: Judged, compartments: list[str]) -> np.ndarray:
    """Chance of a fault at the newest bottle of each."""
    rows = result.bottle_chances.sort_values(["compartment", "order"]).drop_duplicates("compartment", keep="last")
    return rows.set_index("compartment")["p_fault"].reindex(compartments).to_numpy()


def as_codes(samples: pd.DataFrame) -> pd.DataFrame:
    """Counts given as codes: the middle of the code's range, and the code beside it."""
    out = samples.copy()
    for code, count in CODES.items():
        out[code] = iso_codes(out[count])
        low, high = counts_of_codes(out[code].to_numpy(float))
        out[count] = np.sqrt(low * high)
    return out


def test_codes_judge_nearly_as_counts_do(given, course) -> None:
    """A code leaves a count open by a factor of two: sound stays sound, dirt is found, and in between the chance moves
    little.
    """
    dirty = {"p4": 20, "p6": 20, "p14": 20, "Si": 14, "Al": 10, "Fe": 4, "Cr": 4}
    courses = {f"dirty {k}": course("hydraulic", dirty, start=6) for k in range(6)}
    made = given(courses)
    sound = [c for c in made[0].compartments["compartment"] if c.startswith("sound")]
    by_count, by_code = judged(made, made[1]), judged(made, as_codes(made[1]))
    for names, least, most in ((list(courses), 0.8, 1.0), (sound, 0.0, 0.3)):
        counts, codes = chances(by_count, names), chances(by_code, names)
        assert ((counts >= least) & (counts <= most)).mean() >= 0.9
        assert ((codes >= least) & (codes <= most)).mean() >= 0.9
        assert np.abs(counts - codes).mean() < 0.05


def test_a_metal_above_its_limit_is_never_taken_for_its_limit(given, course) -> None:
    """Iron risen beyond what the laboratory can say (`>` the level it would have had): the chance is at least that of
    the bare limit.
    """
    courses = {f"drive {k}": course("final drive", {"Fe": 2.2, "Cr": 1.5}, start=9) for k in range(8)}
    made = given(courses)
    samples = made[1]
    newest = samples.sort_values("drawn_on").drop_duplicates("compartment", keep="last")
    hit = samples["sample"].isin(newest["sample"]) & samples["compartment"].isin(list(courses))
    limit = samples["Fe_ppm"].where(~hit, (samples["Fe_ppm"] * 0.8).round())
    bare = judged(made, samples.assign(Fe_ppm=limit))
    told = judged(made, samples.assign(Fe_ppm=limit, Fe_ppm_above=hit))
    before, after = chances(bare, list(courses)), chances(told, list(courses))
    assert (after >= before - 1e-6).all()
    assert np.median(after / before) > 1.5


@pytest.mark.parametrize("limit", [1e3, 1e5])
def test_far_above_is_finite(given, course, limit: float) -> None:
    """A limit no state explains leaves chances that are numbers and sum to one."""
    made = given({"drive": course("final drive")})
    samples = made[1].assign(Fe_ppm=limit, Fe_ppm_above=True)
    result = judged(made, samples)
    assert np.isfinite(result.bottle_chances[["p_fault", "p_good"]].to_numpy()).all()
