"""How often the fan of a compartment's figure holds the next result of a growing fault: 8 in 10 is wanted.
`python -m tests.benchmarks.calibrate_fan CACHE [SEED ...]`

Truth of invented fleets where nobody acts on what is found, so that faults grow on: levels of metals that a fault moves,
with scatter and rounding of a laboratory put on by this script. Pairs of bottles of one charge after a fault has gone a
tenth of its way; the fan is drawn from the first two of three bottles (`wear.pace`) and the third is looked for in it.
pace_growth and pace_spread were chosen on seeds 101 to 106. 201 to 210 had been seen when they were chosen, so what
they say is no blind test.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import norm

from cmkit.wear.pace import Newest, next_at_pace
from tests.benchmarks.recipes import fleet_of, nobody_acts

CHOSEN, LOOKED_AT = range(101, 107), range(201, 211)
FLOOR, SHARE = 0.6, 0.12  # scatter of one result as the register has it for metals, ppm and share
_MOVED = {
    "fuel dilution": ("Fe_ppm", "Pb_ppm"),
    "bushing wear": ("Cu_ppm", "Sn_ppm", "Pb_ppm"),
    "coolant leak": ("Cu_ppm", "Pb_ppm"),
    "bearing fatigue": ("Fe_ppm", "Cr_ppm"),
    "seal leak": ("Si_ppm", "Fe_ppm"),
    "dirt entry": ("Si_ppm", "Al_ppm", "Fe_ppm"),
    "pump wear": ("Cu_ppm", "Fe_ppm"),
}
_RISES = 1.2  # times the usual pace from which a rise is taken as the fault's


def pairs(truth: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Three bottles running of one compartment and result, with the fan drawn from the first two: low, high, v.
    truth: of samples.
    """
    truth = truth[truth["drawing"] == "good"].sort_values(["compartment", "life", "run_h"])
    return pd.concat([_of_metal(truth, m, rng) for m in sorted({m for ms in _MOVED.values() for m in ms})])


def _of_metal(truth: pd.DataFrame, metal: str, rng: np.random.Generator) -> pd.DataFrame:
    own = truth[["compartment", "life", "run_h", "fluid_h", "share_of_way", "cause"]].copy()
    level = truth[f"{metal}_level"]
    n = len(own)
    scatter = level * np.exp(0.1 * rng.standard_normal(n)) + 0.5 * rng.standard_normal(n)
    own["v"] = np.round(np.maximum(scatter, 0))
    by = own.groupby(["compartment", "life"])
    for name in ("v", "run_h", "fluid_h", "share_of_way", "cause"):
        own[f"{name}1"], own[f"{name}2"] = by[name].shift(1), by[name].shift(2)
    ahead, before = own["run_h"] - own["run_h1"], own["run_h1"] - own["run_h2"]
    same = (own["fluid_h"] - own["fluid_h1"] - ahead).abs() < 2  # no change before the bottle to come
    fresh = own["fluid_h1"] < before - 1  # changed between the two
    left = np.where(fresh, 0.1 * own["v2"], own["v2"])
    over = np.where(fresh, own["fluid_h1"].clip(lower=1), before)
    place = own["compartment"]
    usual = level.groupby(place).transform("median") / own["fluid_h"].groupby(place).transform("median")
    causes = [cause for cause, metals in _MOVED.items() if metal in metals]
    rising = (own["v1"] - left) / over > _RISES * usual
    take = same & (own["share_of_way1"] > 0.1) & own["cause1"].isin(causes) & rising & own["v2"].notna()
    own = own.assign(left=left, over=over, ahead=ahead)[take]
    fans = [next_at_pace(Newest(r.v1, r.left, r.over), r.ahead, FLOOR, SHARE) for r in own.itertuples()]
    mean, sd = np.array(fans, float).reshape(-1, 2).T
    half = norm.ppf(0.9)
    return own.assign(metal=metal, low=mean - half * sd, high=mean + half * sd)[["metal", "low", "high", "v"]]


def measured(cache: Path, seeds: list[int]) -> str:
    """One line: how many pairs, and the share within, above and below the fan."""
    rng = np.random.default_rng(1)
    rows = pd.concat([pairs(fleet_of(nobody_acts(), s, cache)[1]["samples"], rng) for s in seeds])
    over, under = (rows["v"] > rows["high"]).mean(), (rows["v"] < rows["low"]).mean()
    shares = f"{1 - over - under:.3f} within, {over:.3f} above, {under:.3f} below"
    return f"{min(seeds)} to {max(seeds)}: {len(rows)} pairs, {shares}"


def main(cache: str = "", *seeds: str) -> None:
    """Prints a line for the seeds given, else for those chosen on and those looked at."""
    with tempfile.TemporaryDirectory() as own:
        for some in [list(map(int, seeds))] if seeds else [list(CHOSEN), list(LOOKED_AT)]:
            print(measured(Path(cache or own), some))


if __name__ == "__main__":
    main(*sys.argv[1:])
