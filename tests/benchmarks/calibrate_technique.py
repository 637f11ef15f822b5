"""Calibration of the sampler comparison on invented crews; writes a markdown table (minutes).

python -m tests.benchmarks.calibrate_technique [page.md]
"""

import sys
from datetime import date
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "practice"))
from test_technique import crews, number

from cmkit.practice.technique import sampler_bias, sampler_spread


def figures(test, fleets: int, planted: int, **how) -> tuple[float, float, float]:
    """Over `fleets` fleets of 60 crews: share in which an innocent crew is named, share of planted crews named, false
    share of the named.
    """
    any_false, found, false = 0, 0, 0
    for seed in range(fleets):
        out = test(*crews(np.random.default_rng(10_000 + seed), **how))
        named = number(out[out["flagged"]])
        found, false, any_false = (
            found + (named < planted).sum(),
            false + (named >= planted).sum(),
            any_false + (named >= planted).any(),
        )
    nobody = planted == 0
    return (
        any_false / fleets,
        np.nan if nobody else found / (fleets * planted),
        np.nan if nobody else false / (found + false),
    )


def main(fleets: int = 200) -> str:
    """All figures as one page."""
    rows = [
        ("spread, all alike", figures(sampler_spread, fleets, 0)),
        ("spread, a tenth doubled", figures(sampler_spread, fleets // 2, 6, noisy=6)),
        ("bias, all alike", figures(sampler_bias, fleets, 0)),
        ("bias, a tenth at .10", figures(sampler_bias, fleets // 2, 6, biased=6)),
        ("bias, a tenth at .20", figures(sampler_bias, fleets // 2, 6, biased=6, bias=0.20)),
    ]
    page = [
        "# Calibration of the sampler comparison\n",
        f"{date.today():%Y-%m-%d}, `python -m tests.benchmarks.calibrate_technique`, {fleets} fleets of 60 crews with "
        f"10 to 80 bottles "
        "(INVENTED): t residuals (5 df), 2 % genuine events. Wanted: anyone accused in innocent fleets <= .10; false "
        "share of the named about .10 at most.\n",
        "| case | an innocent crew named | planted crews named | false share of the named |\n|---|---|---|---|",
        *(f"| {name} | {a:.3f} | {b:.2f} | {c:.3f} |".replace("nan", "") for name, (a, b, c) in rows),
    ]
    return "\n".join(page) + "\n"


if __name__ == "__main__":
    text = main()
    print(text)
    if len(sys.argv) > 1:
        Path(sys.argv[1]).write_text(text, encoding="utf-8")
