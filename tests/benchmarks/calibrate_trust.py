"""Calibration of the bottle screens on the reference fleets; writes a markdown table (minutes).

python -m tests.benchmarks.calibrate_trust [page.md]
"""

import sys
import time
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1] / "trust"))
import reference_fleet as ref

from cmkit.records.analytes import analyte_register
from cmkit.records.settings import default_trust
from cmkit.trust.exchange import exchange_chances, shared_factors
from cmkit.trust.fluid import (
    MARKS,
    fingerprint,
    fluid_check,
    fluid_library,
    ratio_threshold,
)
from cmkit.trust.sediment import bottle_factors

TRUST = default_trust()


def exchange_figures(name: str, noise: str, side_cv: float, pairs: int, seed: int) -> dict:
    """Share of exchanges found, share of calls right, false calls per pair and day, at > .9 from the 5th bottle."""
    truth = ref.simulate(name, noise, pairs, seed, side_cv=side_cv)
    chance = (
        exchange_chances(truth.panel, TRUST, shared_factors(truth.panel, TRUST))["chance"]
        .to_numpy()
        .reshape(pairs, -1, 2)[:, :, 0]
    )
    told, moved = chance[:, 4:], truth.exchanged[:, 4:]
    call = told > 0.9
    middle = (told > 0.3) & (told < 0.9)
    return {
        "found": call[moved].mean(), "right": moved[call].mean(), "false per pair and day": call[~moved].mean(),
        "said (.3-.9)": told[middle].mean(), "seen": moved[middle].mean(),
    }  # fmt: skip


def true_rise_called(name: str, noise: str, pairs: int, seed: int) -> dict:
    """One side truly rising fivefold from the 13th bottle: share of its bottles called an exchange, first bottle and
    later ones.
    """
    boost = np.ones((pairs, 2, 20, 7))
    boost[:, 0, 12:] = 5.0
    truth = ref.simulate(name, noise, pairs, seed, exchange=0.0, boost=boost)
    chance = (
        exchange_chances(truth.panel, TRUST, shared_factors(truth.panel, TRUST))["chance"]
        .to_numpy()
        .reshape(pairs, -1, 2)[:, 12:, 0]
    )
    return {"first bottle": (chance[:, 0] > 0.9).mean(), "later": (chance[:, 1:4] > 0.9).mean()}


def factor_figures(name: str, noise: str, pairs: int, seed: int) -> dict:
    """Share called of bottom-drawn (x2-4), diluted, normal, and truly worn (Fe, Cr x5 over the last
    interval) bottles.
    """
    register, out = analyte_register(), {}
    spoils = {
        "bottom-drawn": lambda y, rng: y * np.where(LAST, rng.uniform(2, 4, (*y.shape[:2], 1, 1)), 1.0),
        "diluted or changed": lambda y, rng: y * np.where(LAST, rng.uniform(0.08, 0.45, (*y.shape[:2], 1, 1)), 1.0),
        "normal": None,
    }
    for what, spoil in spoils.items():
        panel = ref.simulate(name, noise, pairs, seed, n=16, exchange=0.0, spoil=spoil).panel
        out[what] = (bottle_factors(panel, register, TRUST)["call"].to_numpy().reshape(-1, 16)[:, -1] != "").mean()
    boost = np.ones((pairs, 2, 16, 7))
    boost[:, :, 15:, [0, 3]] = 5.0
    panel = ref.simulate(name, noise, pairs, seed, n=16, exchange=0.0, boost=boost).panel
    out["real wear"] = (bottle_factors(panel, register, TRUST)["call"].to_numpy().reshape(-1, 16)[:, -1] != "").mean()
    return out


LAST = (np.arange(16) == 15)[:, None]


def fluid_figures(seed: int) -> list[dict]:
    """Share of mixtures found, source named, mean share, at the product's own threshold; false calls on fresh sound
    bottles.
    """
    rng = np.random.default_rng(seed)
    results = {name: ref.fluid_samples(rng, name, 600) for name in ref.FINGERPRINTS}
    x = np.concatenate([marks_of(r) for r in results.values()])
    product = np.repeat(np.array(list(results), dtype=object), 600)
    library = fluid_library(x, product, TRUST)
    own = library["engine oil A"]
    limit = ratio_threshold(fluid_check(x[product == own.name], own, library, TRUST)["ratio"].to_numpy(), TRUST)
    rows = [
        {
            "foreign": "none",
            "false calls": (
                fluid_check(marks_of(ref.fluid_samples(rng, own.name, 20_000)), own, library, TRUST)["ratio"] > limit
            ).mean(),
            "threshold": limit,
        }
    ]
    for other in ("drive oil", "hydraulic oil", "gear oil", "engine oil B"):
        for share in (0.05, 0.10, 0.20):
            found = fluid_check(marks_of(ref.fluid_samples(rng, own.name, 1500, other, share)), own, library, TRUST)
            call = found["ratio"] > limit
            named = (found["mixed_with"] == other)[call]
            rows.append(
                {
                    "foreign": other,
                    "share": share,
                    "found": call.mean(),
                    "named": named.mean(),
                    "share said": found["share"][call & (found["mixed_with"] == other)].mean(),
                }
            )
    return rows


def marks_of(results: np.ndarray) -> np.ndarray:
    frame = pd.DataFrame(results, columns=list(MARKS))
    return fingerprint(frame.assign(**{f"{m}_below": False for m in MARKS}), TRUST.fluid_floor_ppm)


def table(title: str, rows: list[dict]) -> str:
    """Rows as a markdown table."""
    frame = pd.DataFrame(rows)
    lines = [f"\n### {title}\n", "| " + " | ".join(frame.columns) + " |", "|" + "---|" * len(frame.columns)]
    for row in frame.itertuples(index=False):
        lines.append(
            "| " + " | ".join("" if v != v else f"{v:.4g}" if isinstance(v, float) else str(v) for v in row) + " |"
        )
    return "\n".join(lines)


CASES = (("cv10", 0.40), ("cv10", 0.25), ("cv10", 0.15), ("cv5", 0.25), ("cv15", 0.25))
HOW = """
How exchanged labels are told: the sd of the factor that a bottle's metals share is learnt from each kind's own bottles (it holds the
interval's load and make-up beside the drawing, so that it is .10 in the engine fleet at cv10 and .04 in the drives at cv5; the .07 taken for
all before made the chance overconfident where it is more), and nothing is said of a bottle whose predecessor was itself more likely than
not exchanged (the wrong result stands in its forecast: at cv5 nine in ten false calls were such bottles). Both were chosen on seeds 101-103,
by what they explain and without tuning a number; neither the temper (.8) nor the tail (6 df) was changed. Before them the share right was
.933 (engine, cv10, .15) and .947 (drive, cv5). A row above holds few calls (its sd is about .01); over 16 further seeds (301-316) the three
hardest are right in .960 (sd .004; engine, cv10, .15), .966 (.003; hydraulic, cv10, .15) and .985 (.002; drive, cv5).

What is left: between .3 and .9 the chance still says about .10 too much where left and right are nearly alike (cv .15) and at the lowest
noise (cv5). One temper cannot mend it: fitted case by case (logistic regression of the truth on the log likelihood ratio, seeds 101-103) it
runs from .61 (drive, cv5) to .86 (engine, .40), .75 over all, and no fleet can tell its own, since it does not know its exchanges. The chance
is a reason to compare labels, never acted upon.
"""


def main(pairs: int = 1500, seeds: tuple[int, ...] = (1, 2, 3), check: tuple[int, ...] = (201, 202, 203)) -> str:
    """All figures over the seeds, as one page; those of exchanged labels also over seeds `check`, on which nothing was
    ever chosen.
    """
    start = time.perf_counter()
    exchange, rise, factor = [], [], []
    for name in ref.FLEETS:
        for noise, side in CASES:
            for some in (seeds, check):
                runs = pd.DataFrame([exchange_figures(name, noise, side, pairs, s) for s in some]).mean().to_dict()
                told = f"{some[0]}-{some[-1]}"
                exchange.append({"fleet": name, "noise": noise, "left/right cv": side, "seeds": told, **runs})
        rise.append(
            {"fleet": name, **pd.DataFrame([true_rise_called(name, "cv10", pairs, s) for s in seeds]).mean().to_dict()}
        )
        for noise in ref.NOISE:
            runs = pd.DataFrame([factor_figures(name, noise, pairs // 2, s) for s in seeds]).mean().to_dict()
            factor.append({"fleet": name, "noise": noise, **runs})
    fluid = (
        pd.concat([pd.DataFrame(fluid_figures(s)) for s in seeds])
        .groupby(["foreign", "share"], dropna=False, sort=False)
        .mean()
        .reset_index()
    )
    page = [
        "# Calibration of the bottle screens",
        f"\n{date.today():%Y-%m-%d}, `python -m tests.benchmarks.calibrate_trust`, {pairs} pairs, seeds "
        f"{', '.join(map(str, seeds))}, "
        f"{time.perf_counter() - start:.0f} s. Reference fleets (INVENTED rates and fluids).",
        table(
            "Exchanged labels, called at > .9 from the 5th bottle (wanted: right >= .95; drive cv .25 found >= .75)",
            exchange,
        ),
        HOW,
        table("A true fivefold rise called an exchange (wanted <= .005)", rise),
        table("Bottles that do not represent the charge (wanted: bottom-drawn >= .90, real wear <= .05)", factor),
        table("Foreign oil in engine oil A (wanted: 20 % found >= .90 at .5 % false calls)", fluid.to_dict("records")),
    ]
    return "\n".join(page) + "\n"


if __name__ == "__main__":
    text = main()
    print(text)
    if len(sys.argv) > 1:
        Path(sys.argv[1]).write_text(text, encoding="utf-8")
