"""Speed of the wear estimators against named peers in the same run; prints a table of ratios.

    python tests/benchmarks/bench_wear.py [scale]       scale 1: the goals' sizes; 0.1 (default under `make bench`): a
    tenth

Standard errors of the batched forms are checked against statsmodels on a sample of the very groups that are timed.
"""

import os
import resource
import sys
import time
from collections.abc import Callable
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import statsmodels.api as sm
from scipy.stats import theilslopes

from cmkit.wear.exposure import KINDS, Events, chain
from cmkit.wear.filter import Numbers, wear_rates
from cmkit.wear.slopes import huber_slopes, theil_sen_slopes, weighted_slopes


def best(work: Callable[[], Any], times: int = 3) -> float:
    """Shortest of `times` runs, seconds."""
    found = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        work()
        found = min(found, time.perf_counter() - start)
    return found


def regression_data(compartments: int, analytes: int = 20) -> tuple[np.ndarray, ...]:
    """Five fluid lives of six bottles each per compartment, 5 % of results missing."""
    rng = np.random.default_rng(1)
    rows = compartments * 30
    groups = np.repeat(np.arange(rows // 6), 6)
    x = np.tile(np.arange(1, 7) * 250.0, rows // 6) + rng.uniform(-25, 25, rows)
    y = np.empty((rows, analytes))
    for a in range(analytes):
        y[:, a] = np.round(5 + 0.03 * x + rng.normal(0, 3, rows))
    y[rng.random(y.shape) < 0.05] = np.nan
    return groups, x, y, rng.uniform(0.5, 2.0, rows)


def polars_sums(frame: pl.DataFrame, analytes: int) -> pl.DataFrame:
    """Weighted sums of every group, from which slopes follow: less than our function returns."""
    w, x = pl.col("w"), pl.col("x")
    sums = []
    for a in range(analytes):
        y = pl.col(f"y{a}")
        seen = w * y.is_not_null()
        sums += [seen.sum().alias(f"w{a}"), (seen * x).sum().alias(f"wx{a}"), (seen * x * x).sum().alias(f"wxx{a}"),
                 (w * y).sum().alias(f"wy{a}"), (w * x * y).sum().alias(f"wxy{a}"),
                 (w * y * y).sum().alias(f"wyy{a}")]  # fmt: skip
    return frame.group_by("g").agg(sums)


def duck_query(names: tuple[str, ...], analytes: int) -> str:
    """Group-by of DuckDB's own regression aggregates."""
    fits = ", ".join(f"regr_{name}(y{a}, x)" for a in range(analytes) for name in names)
    return f"SELECT g, {fits} FROM rows GROUP BY g"  # noqa: S608


def slopes_against_peers(compartments: int) -> list[tuple[str, str, float, float, str]]:
    analytes = 20
    groups, x, y, w = regression_data(compartments, analytes)
    ours = best(lambda: weighted_slopes(x, y, groups, w))
    columns = {f"y{a}": y[:, a] for a in range(analytes)}
    frame = pl.DataFrame({"g": groups, "x": x, "w": w, **columns}).fill_nan(None)
    polars = best(lambda: polars_sums(frame, analytes))
    one_read = best(y.sum)
    con = duckdb.connect()
    con.execute("SET autoinstall_known_extensions = false; SET autoload_known_extensions = false")
    con.register("arrow_rows", frame.to_arrow())
    con.execute("CREATE TABLE rows AS SELECT * FROM arrow_rows")
    same = ("slope", "intercept", "count", "sxx", "syy", "sxy")  # what slopes and standard errors follow from
    duck, bare = (
        best(lambda n=names: con.sql(duck_query(n, analytes)).to_arrow_table(), 2) for names in (same, same[:2])
    )
    con.close()
    loop, worst = statsmodels_loop(groups, x, y, w)
    size = f"{compartments * 5 * analytes:,} regressions of 6"
    return [
        ("weighted slopes with standard errors", f"Polars weighted sums, {size}", ours, polars / ours, ">= 3"),
        ("", "DuckDB regr_* that give the same (count, sxx, syy, sxy too), unweighted", ours, duck / ours, ">= 6"),
        ("", "DuckDB regr_slope and regr_intercept alone, unweighted, no standard errors", ours, bare / ours, ""),
        ("", "np.sum of the results, one read of memory: ours takes 1/ratio of it", ours, one_read / ours, ">= 1/80"),
        ("", f"statsmodels WLS loop (largest relative difference {worst:.0e})", ours,
        loop * compartments * 5 * analytes / ours, ">= 1,000"),
    ]  # fmt: skip


def statsmodels_loop(groups: np.ndarray, x: np.ndarray, y: np.ndarray, w: np.ndarray) -> tuple[float, float]:
    """Seconds a regression by statsmodels on 300 of the groups, and the largest relative difference of slope and
    standard error.
    """
    line = weighted_slopes(x, y, groups, w)
    picks = np.random.default_rng(2).integers(0, len(line.slope), 300)
    spent, worst = 0.0, 0.0
    for g in picks:
        rows = slice(6 * g, 6 * g + 6)
        use = np.isfinite(y[rows, 0])
        design, values, weights = sm.add_constant(x[rows][use]), y[rows, 0][use], w[rows][use]
        start = time.perf_counter()
        fit = sm.WLS(values, design, weights).fit()
        slope, se = fit.params[1], fit.bse[1]
        spent += time.perf_counter() - start
        if use.sum() >= 3:
            worst = max(worst, abs(line.slope[g, 0] / slope - 1), abs(line.se_slope[g, 0] / se - 1))
    return spent / len(picks), worst


def robust_against_loop(count: int, n: int, goals: tuple[str, str]) -> list[tuple[str, str, float, float, str]]:
    """Huber's and Theil and Sen's slopes of so many series of n points against loops over statsmodels and scipy, of 100
    series each.
    """
    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(0, 7500, (count, n)), axis=1)
    y = 5 + 0.03 * x + 8 * rng.standard_t(3, (count, n))
    huber, sen = best(lambda: huber_slopes(x, y), 2), best(lambda: theil_sen_slopes(x, y), 2)
    lines, medians = huber_slopes(x, y).slope, theil_sen_slopes(x, y)[0]

    def rlm() -> list[float]:
        return [sm.RLM(b, sm.add_constant(a), sm.robust.norms.HuberT()).fit(maxiter=50).params[1] for a, b in some]

    def scipy_loop() -> list[float]:
        return [theilslopes(b, a)[0] for a, b in some]

    some = list(zip(x[:100], y[:100], strict=True))
    off = [np.abs(np.array(peer()) - own[:100]).max() for peer, own in ((rlm, lines), (scipy_loop, medians))]
    slow = [best(peer, 2) / 100 * count for peer in (rlm, scipy_loop)]
    return [
        (f"Huber, n = {n}", f"statsmodels RLM loop (largest difference of a slope {off[0]:.0e})", huber,
        slow[0] / huber, goals[0]),
        (f"Theil-Sen, n = {n}", f"scipy theilslopes loop (largest difference {off[1]:.0e})", sen, slow[1] / sen,
        goals[1]),
    ]  # fmt: skip


def filter_run(compartments: int, analytes: int = 20, bottles: int = 20) -> float:
    """Seconds of one run, single precision results, change of rate and acceptance on, a tenth of the results below the
    limit.
    """
    rng = np.random.default_rng(4)
    phi = np.where(rng.random((compartments, bottles)) < 0.25, 0.1, 0.97).astype(np.float32)
    psi = np.full((compartments, bottles), 245.0, np.float32)
    size = compartments * analytes
    y, below = np.empty((size, bottles), np.float32), np.zeros((size, bottles), bool)
    for start in range(0, size, 100_000):
        part = slice(start, start + 100_000)
        y[part] = np.round(rng.gamma(3, 6, y[part].shape))
        below[part] = rng.random(y[part].shape) < 0.1
    y[below] = 1
    numbers = Numbers(rate_mean=np.full(size, 0.06), rate_sd=0.024, level_mean=6.0, level_var=9.0)
    of = np.repeat(np.arange(compartments), analytes)
    start_time = time.perf_counter()
    wear_rates(
        y,
        below,
        phi,
        psi,
        np.float32(0),
        sd_phi=np.float32(0.02),
        hours=np.float32(250),
        numbers=numbers,
        exposure_of=of,
        dtype=np.float32,
    )
    return time.perf_counter() - start_time


def chain_run(events: int) -> float:
    """Seconds for so many events in compartments of a hundred."""
    rng = np.random.default_rng(5)
    kind = np.tile(np.array([KINDS.index(k) for k in ("run", "top_up", "run", "sample", "change")]), events // 5)
    zero = np.zeros(len(kind))
    packed = Events(
        np.repeat(np.arange(len(kind) // 100 + 1), 100)[: len(kind)], rng.uniform(0, 200, len(kind)), kind,
        np.where(kind == 2, 0.1, 1.0),
        zero + 0.01, zero, zero, zero + 60, zero + 1, zero, zero,
    )  # fmt: skip
    return best(lambda: chain(packed))


def growth(work: Callable[[int], float], sizes: tuple[int, int]) -> float:
    """Exponent of time against size."""
    small, large = (min(work(n) for _ in range(2)) for n in sizes)
    return float(np.log(large / small) / np.log(sizes[1] / sizes[0]))


def slope_time(compartments: int) -> float:
    groups, x, y, w = regression_data(compartments)
    return best(lambda: weighted_slopes(x, y, groups, w), 2)


def filter_peak(compartments: int) -> tuple[float, float]:
    """Seconds and peak memory (GB) of the filter in a process of its own, so that the peers' memory does not count."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        seconds = filter_run(compartments)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        os.write(writer, f"{seconds} {peak}".encode())
        os._exit(0)
    os.waitpid(child, 0)
    seconds, peak = (float(v) for v in os.read(reader, 100).decode().split())
    return seconds, peak


def main(scale: float) -> None:
    """Measures and prints."""
    compartments = int(100_000 * scale)
    seconds, peak = filter_peak(compartments)
    rows: list[tuple[str, str, float, float, str]] = [
        (f"filter, {compartments * 20:,} series x 20", f"peak memory {peak:.2f} GB (goal 2 GB at scale 1)", seconds,
        float("nan"), f"<= {30 * scale:g} s"),
        ("exposure chain, 1,000,000 events", "", chain_run(1_000_000), float("nan"), "<= 1 s"),
    ]  # fmt: skip
    rows += slopes_against_peers(compartments)
    rows += robust_against_loop(int(1_000_000 * scale), 6, (">= 300", ">= 1,000"))
    rows += robust_against_loop(int(200_000 * scale), 30, (">= 50", ">= 50"))
    top = max(compartments, 10_000)
    for name, work in (("weighted slopes", slope_time), ("filter", filter_run)):
        rows.append(
            (
                f"growth of {name}",
                f"1,000 to {top:,} compartments, exponent",
                float("nan"),
                growth(work, (1000, top)),
                "<= 1.1",
            )
        )
    table = pd.DataFrame(rows, columns=["what", "peer or note", "ours, s", "ratio", "goal"])
    print(table.to_string(index=False, na_rep="", float_format=lambda v: f"{v:,.3g}"))


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 0.1)
