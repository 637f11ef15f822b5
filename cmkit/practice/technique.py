"""Who draws noisy or biased bottles? The factor all metals of a bottle share is a matter of drawing; one metal alone is
not.

The quantity is the bottle's log factor divided by its own standard error (`trust.sediment.bottle_factors`: log_factor,
se). Samplers are compared within their site and kind of component only. The outcome is "technique worth a look", with
the number of bottles and an interval: never a league table, and names stay inside the site's own book.
"""

import numpy as np
import pandas as pd
from scipy.stats import false_discovery_control, norm, trim_mean

from cmkit.records.constants import HALF_NINETY
from cmkit.records.medians import medians_by
from cmkit.tables.frames import empty, names, typed

SPREAD = ["sampler", "n", "ratio", "low", "high", "p", "q", "flagged", "words"]
BIAS = ["sampler", "n", "bias", "low", "high", "shrunk", "p", "q", "flagged", "words"]
COMPONENTS = ["component", "variance", "share"]
WORTH_A_LOOK = "technique worth a look"
NOT_JUDGED = "not judged: too few bottles"
_FALSE_SHARE = 0.10  # Benjamini-Hochberg: share of those named that are named for nothing
_LEAST_SPREAD_N = 10  # bottles before a sampler's spread is judged
_LEAST_BIAS_N = 20  # bottles before a sampler's bias is acted on
_LEAST_RATIO = 1.25  # own choice: a smaller excess of spread is not worth a talk, however sure
_LEAST_BIAS = 0.05  # log; a smaller bias is not acted on
_LEAST_PAIR = 2  # samplers in a stratum before their spreads can be compared
_LEAST_CREWS = (
    3  # samplers in a stratum before it can be told whose bottles are rich or poor: of two, either may be right
)
_LEAST_EACH = 3  # bottles a sampler needs in a stratum to count there
_SMALL = 0.02  # keeps the logarithm of a residual of zero in bounds
_TRIM = 0.10
_CAP = 0.90  # distances beyond this share of all count as this large: genuine events are not technique


def sampler_technique(
    factors: pd.DataFrame, places: pd.DataFrame, factor_sd: float
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """(spread, bias): :func:`sampler_spread` and :func:`sampler_bias` of a fleet's bottles, compared within site and
    kind of component.

    factors: columns FACTORS and sampler; places: site and kind, by compartment; factor_sd: usual sd of the factor of
    one bottle. First bottles of a component do not count. For the spread each factor is put on the scale of the middle
    bottle by its own standard error, so that hard compartments accuse nobody.
    """
    rows = factors[(factors["order"] >= 1) & factors["log_factor"].notna()]
    stratum = (rows["compartment"].map(places["site"]) + ", " + rows["compartment"].map(places["kind"])).to_numpy()
    factor, sampler = rows["log_factor"].to_numpy(), rows["sampler"].to_numpy()
    error = np.hypot(rows["se"].to_numpy(), factor_sd)
    scaled = factor / error * np.median(error) if len(error) else factor
    return sampler_spread(scaled, sampler, stratum), sampler_bias(factor, sampler, stratum)


TECHNIQUE = names("technique")
NO_TECHNIQUE = empty("technique")


def crew_technique(
    factors: pd.DataFrame, samples: pd.DataFrame, compartments: pd.DataFrame, machines: pd.DataFrame, factor_sd: float
) -> pd.DataFrame:
    """One row per sampler and measure (`spread`: ratio of spreads; `bias`: shrunk log factor), columns TECHNIQUE, by
    site and sampler.

    factors: of every usable bottle of the whole fleet (`trust.sediment.bottle_factors`). A sampler belongs to the site
    where most of the bottles were drawn.
    """
    places = compartments.merge(machines[["machine", "site"]], on="machine").set_index("compartment")
    rows = factors.sort_values("compartment", kind="stable").merge(samples[["sample", "sampler"]], on="sample")
    spread, bias = sampler_technique(rows, places, factor_sd)
    both = pd.concat(
        [spread.assign(measure="spread", value=spread["ratio"]), bias.assign(measure="bias", value=bias["shrunk"])],
        ignore_index=True,
    )
    drawn = samples[["sampler", "compartment"]].merge(places[["site"]], left_on="compartment", right_index=True)
    home = drawn.groupby(["sampler", "site"]).size().reset_index(name="bottles")
    home = home.sort_values(["sampler", "bottles", "site"], ascending=[True, False, True]).drop_duplicates("sampler")
    both["site"] = both["sampler"].map(dict(zip(home["sampler"], home["site"], strict=True))).fillna("").astype("str")
    return typed(both[TECHNIQUE].sort_values(["site", "sampler", "measure"]).reset_index(drop=True), "technique")


def sampler_spread(
    factor: np.ndarray, sampler: np.ndarray, stratum: np.ndarray, permutations: int = 400, seed: int = 0
) -> pd.DataFrame:
    """Whose bottles scatter more than those of others like them: one row per sampler (columns SPREAD), sorted by name.

    factor: log bottle factors (1), NaN left out; sampler, stratum (site and kind of component): a name per bottle. Per
    bottle L = log(|g - the sampler's own median| + small); score = mean L less the middle sampler's of the stratum.
    What chance does to it is found by dealing the bottles of a stratum out again among its samplers (`permutations`
    times, from `seed`), which allows for small numbers and unbalanced strata. One-sided normal p of the standardised
    score, Benjamini-Hochberg q at .10 over samplers with at least 10 bottles; flagged only from a ratio of 1.25 on.
    ratio: spread against the usual one, with a 90 % interval. Heavy tails accuse nobody, as the textbook chi-square
    test of variances would. Source: guide how_it_is_computed, H (derived).
    """
    rows = _rows(factor, sampler, stratum)
    cells = rows.groupby(["stratum", "sampler"]).size().rename("n").reset_index()
    rows = rows.sort_values(["stratum", "sampler"], kind="stable").reset_index(drop=True)
    seen, chance = _log_spreads(rows, cells, permutations, np.random.default_rng(seed))
    out = _by_sampler(cells, seen, chance)
    out["p"] = norm.sf((out["mean"] - out["usual"]) / out["se"])
    out = _discoveries(out, _LEAST_SPREAD_N)
    for name, shift in (("ratio", 0.0), ("low", -HALF_NINETY), ("high", HALF_NINETY)):
        out[name] = np.exp(out["mean"] - out["usual"] + shift * out["se"])
    out["flagged"] &= out["ratio"] >= _LEAST_RATIO
    out["words"] = [
        _words(
            r.n,
            _LEAST_SPREAD_N,
            r.compared,
            r.flagged,
            f"spread {r.ratio:.1f} times the usual ({r.low:.1f} to {r.high:.1f}) over {r.n} bottles",
        )
        for r in out.itertuples()
    ]
    return out[SPREAD]


def _log_spreads(
    rows: pd.DataFrame, cells: pd.DataFrame, permutations: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Mean L of every cell (sampler in a stratum) less the stratum's middle: as seen [cells], and dealt out again
    [permutations, cells].
    """
    stratum = pd.factorize(cells["stratum"])[0]
    size = cells["n"].to_numpy()
    cell = np.repeat(np.arange(len(cells)), size)
    g = rows["g"].to_numpy()
    centred = g - _medians(g, cell, size)[cell]
    cap = np.quantile(np.abs(centred), _CAP) if len(centred) else 0.0
    chance, home = np.empty((permutations, len(cells))), stratum[cell]
    for k in range(permutations):
        dealt = centred[np.argsort(home + rng.random(len(g)))]  # rows are sorted by stratum
        chance[k] = _mean_log(dealt, cell, size, stratum, cap)
    return _mean_log(g, cell, size, stratum, cap), chance


def _medians(g: np.ndarray, cell: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Median of each cell; rows are sorted by cell."""
    low, high = g.min(initial=np.inf), g.max(initial=-np.inf)
    ordered = g[np.argsort(cell + (g - low) / (2 * max(high - low, 1e-300)))]  # one key sorts faster than two
    start = np.cumsum(size) - size
    return np.asarray((ordered[start + (size - 1) // 2] + ordered[start + size // 2]) / 2)


def _mean_log(g: np.ndarray, cell: np.ndarray, size: np.ndarray, stratum: np.ndarray, cap: float) -> np.ndarray:
    """Mean of log(|g - median| + small) per cell less the middle of the stratum's cells with enough bottles; NaN with
    too few of them.
    """
    apart = np.minimum(np.abs(g - _medians(g, cell, size)[cell]), cap)
    mean = np.bincount(cell, np.log(apart + _SMALL), len(size)) / size
    own = size >= _LEAST_EACH
    middle, cells = medians_by(stratum[own], mean[own], int(stratum.max(initial=-1)) + 1)
    return np.asarray(mean - np.where(cells >= _LEAST_PAIR, middle, np.nan)[stratum])


def _by_sampler(cells: pd.DataFrame, seen: np.ndarray, chance: np.ndarray) -> pd.DataFrame:
    """Cells joined to samplers, weighted by bottles: n, mean, usual and se by chance, compared; sorted by name."""
    names, code = np.unique(cells["sampler"].to_numpy(dtype=object), return_inverse=True)
    told = np.isfinite(seen)
    weight = np.where(told, cells["n"], 0.0)
    total = np.bincount(code, weight, len(names))
    share = np.zeros((len(names), len(cells)))
    share[code, np.arange(len(cells))] = np.divide(weight, total[code], out=np.zeros(len(cells)), where=total[code] > 0)
    dealt = np.where(told, chance, 0.0) @ share.T
    out = pd.DataFrame({"sampler": names, "n": total.astype(int), "mean": share @ np.where(told, seen, 0.0)})
    out["usual"], out["se"] = dealt.mean(axis=0), np.maximum(dealt.std(axis=0, ddof=1), 1e-9)
    out["compared"] = total > 0
    out.loc[~out["compared"], ["mean", "usual", "se"]] = np.nan
    return out.astype({"sampler": "str"})


def sampler_bias(factor: np.ndarray, sampler: np.ndarray, stratum: np.ndarray) -> pd.DataFrame:
    """Whose bottles are richer or poorer than those of others like them: one row per sampler (columns BIAS), sorted by
    name.

    bias: 10 % trimmed mean of the log factors against the middle sampler of the stratum, with a 90 % interval from a
    robust standard error; shrunk: drawn towards none by the spread between samplers; two-sided p, Benjamini-Hochberg q
    at .10. Flagged only from 20 bottles and 5 % on. Source: guide how_it_is_computed, H (derived).
    """
    rows = _rows(factor, sampler, stratum)
    rows = _against_stratum(rows)
    out = _scored(rows)
    spread = out["spread"].to_numpy()
    usual = np.nanmedian(spread) if np.isfinite(spread).any() else np.nan
    out["se"] = np.maximum(spread, usual / 2) / np.sqrt(out["n"].clip(lower=1))
    out["p"] = 2 * norm.sf((out["mean"] / out["se"]).abs())
    out = _discoveries(out, _LEAST_SPREAD_N)
    out["bias"], out["low"], out["high"] = (
        out["mean"],
        out["mean"] - HALF_NINETY * out["se"],
        out["mean"] + HALF_NINETY * out["se"],
    )
    between = (
        max(float(np.nanvar(out["mean"]) - np.nanmean(out["se"] ** 2)), 0.0) if out["mean"].notna().sum() > 1 else 0.0
    )
    out["shrunk"] = out["mean"] * between / (between + out["se"] ** 2)
    out["flagged"] &= (out["n"] >= _LEAST_BIAS_N) & (out["bias"].abs() > _LEAST_BIAS)
    out["words"] = [
        _words(
            r.n,
            _LEAST_BIAS_N,
            r.compared,
            r.flagged,
            f"metals {100 * np.expm1(r.shrunk):+.0f} % against others ({100 * np.expm1(r.low):+.0f} to "
            f"{100 * np.expm1(r.high):+.0f} %) over {r.n} bottles",
        )
        for r in out.itertuples()
    ]
    return out[BIAS]


def _rows(factor: np.ndarray, sampler: np.ndarray, stratum: np.ndarray) -> pd.DataFrame:
    """One row per bottle that counts: a factor, a named sampler."""
    rows = pd.DataFrame({"g": np.asarray(factor, dtype=float), "sampler": sampler, "stratum": stratum})
    rows = rows.astype({"sampler": "str", "stratum": "str"})
    return rows[np.isfinite(rows["g"]) & rows["sampler"].notna() & (rows["sampler"] != "")].reset_index(drop=True)


def _against_stratum(rows: pd.DataFrame) -> pd.DataFrame:
    """score: g less the middle of the stratum's samplers' trimmed means; compared: whether there are enough samplers to
    compare with.
    """
    groups = rows.groupby(["stratum", "sampler"])["g"]
    means = groups.agg(_trimmed)[groups.size() >= _LEAST_EACH].groupby("stratum")
    out = rows.assign(score=rows["g"] - rows["stratum"].map(means.median()).astype(float))
    return out.assign(compared=rows["stratum"].map(means.size()).fillna(0).astype(float) >= _LEAST_CREWS)


def _scored(rows: pd.DataFrame) -> pd.DataFrame:
    """Per sampler: n, trimmed mean, robust spread, and whether there was anybody to compare with; sorted by name."""
    names = np.array(sorted(rows["sampler"].unique()), dtype=object)
    groups = rows[rows["compared"]].groupby("sampler")["score"]
    out = pd.DataFrame({"sampler": names, "n": groups.size().reindex(names, fill_value=0).to_numpy(dtype=int)})
    out["mean"] = groups.agg(_trimmed).reindex(names).to_numpy(dtype=float)
    out["spread"] = groups.agg(_robust_sd).reindex(names).to_numpy(dtype=float)
    out["compared"] = out["n"] > 0
    return out.astype({"sampler": "str"})


def _trimmed(v: pd.Series) -> float:
    return float(trim_mean(v, _TRIM))


def _discoveries(out: pd.DataFrame, least: int) -> pd.DataFrame:
    """Benjamini-Hochberg over the samplers with enough bottles: q (adjusted p) and flagged."""
    judged = ((out["n"] >= least) & out["p"].notna()).to_numpy()
    q = np.full(len(out), np.nan)
    if judged.any():
        q[judged] = false_discovery_control(out.loc[judged, "p"])
    return out.assign(q=q, p=out["p"].where(judged), flagged=judged & (q <= _FALSE_SHARE))


def _robust_sd(v: pd.Series) -> float:
    """Standard deviation that a trimmed mean's error follows: winsorised at the trimming share, over the share that is
    kept.
    """
    low, high = np.quantile(v, [_TRIM, 1 - _TRIM])
    return float(np.std(np.clip(v, low, high), ddof=1) / (1 - 2 * _TRIM)) if len(v) > 1 else np.nan


def _words(n: int, least: int, compared: bool, flagged: bool, figures: str) -> str:
    if not compared:
        return "not judged: too few others to compare with at the same site and kind of component"
    if n < least:
        return NOT_JUDGED
    return f"{WORTH_A_LOOK}: {figures}" if flagged else f"like the others: {figures}"


def variance_components(values: np.ndarray, crew: np.ndarray, machine: np.ndarray) -> pd.DataFrame:
    """How much of the scatter lies between crews, between machines and within: three rows (columns COMPONENTS).

    values: log bottle factors; crew, machine: crossed groups, unbalanced allowed. Method of moments (Henderson's
    first): the uncorrected sums of squares of each grouping equal their expectations, coefficients counted from the
    data. Components below zero are set to zero. NaN when there are fewer than two crews or machines, or crew and
    machine go together so that they cannot be told apart.
    """
    good = np.isfinite(values)
    y = np.asarray(values, dtype=float)[good]
    a, b = pd.factorize(np.asarray(crew)[good])[0], pd.factorize(np.asarray(machine)[good])[0]
    found = _moments(y, a, b) if len(y) > 3 and a.max() > 0 and b.max() > 0 else np.full(3, np.nan)
    found = np.maximum(found, 0.0)
    return pd.DataFrame({"component": ["crew", "machine", "residual"], "variance": found, "share": found / found.sum()})


def _moments(y: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Solve the three moment equations for (crew, machine, residual)."""
    n = len(y)
    count_a, count_b = np.bincount(a).astype(float), np.bincount(b).astype(float)
    cell = np.zeros((len(count_a), len(count_b)))
    np.add.at(cell, (a, b), 1.0)
    total = y.sum() ** 2 / n
    between_a = np.sum(np.bincount(a, y) ** 2 / count_a) - total
    between_b = np.sum(np.bincount(b, y) ** 2 / count_b) - total
    within = np.sum(y**2) - total
    square_a, square_b = np.sum(count_a**2) / n, np.sum(count_b**2) / n
    cross_a, cross_b = np.sum(cell**2 / count_a[:, None]), np.sum(cell**2 / count_b)
    expected = np.array(
        [
            [n - square_a, cross_a - square_b, len(count_a) - 1.0],
            [cross_b - square_a, n - square_b, len(count_b) - 1.0],
            [n - square_a, n - square_b, n - 1.0],
        ]
    )
    if np.linalg.cond(expected) > 1e8:
        return np.full(3, np.nan)
    return np.linalg.solve(expected, [between_a, between_b, within])
