"""What is usual in a family, and where a result stops being usual: alert and alarm limits per family and analyte.

Three sources, the first that speaks wins: a limit the maker or the site set (fleet.toml), a limit of common practice
(reference/practice_limits.csv: fluid condition, where a share of bottles would say nothing of the risk), a percentile of the family's own
results (maths C: trimmed, censored, lognormal, shrunk to the family's compartment kind). A limit that cannot be had is a row with NaN
and the reason.

Percentiles fix the share of bottles that pass the limit, not the risk: compute them once a year and keep them, or they creep up
with a fleet that wears out.
"""

from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm

from cmkit.records.analytes import below as below_name
from cmkit.records.settings import Alarm, FixedLimit, Settings
from cmkit.records.tables import typed
from cmkit.wear.family import paule_mandel
from cmkit.wear.percentiles import (
    EXACT,
    LEFT,
    CensoredFit,
    Floats,
    censored_normal,
    correlation,
    intraclass,
    samples_needed,
    shrink,
    spread_ties,
    tolerance_factor,
    trim_top,
)

LIMITS = ["family", "analyte", "measure", "direction", "alert", "alarm", "alarm_low", "alarm_high", "n", "n_eff", "method", "words"]  # fmt: skip
FIXED = ("maker", "practice")
# Own choices, all about when not to speak.
_MIN_EFFECTIVE = 4.0  # below this a family's own spread is not used at all
_TOLERANCE_BELOW = 30.0  # effective results below which the tolerance bound is quoted (maths C)
_USUAL_AGE, _AGE_WINDOW = (
    0.75,
    (0.6, 1.5),
)  # bottles about the third quartile of the family's fluid ages bear a level limit
_SCATTER = 3.0  # a level limit lies at least so many floors of laboratory scatter above the reporting limit
_UNIT_FACTOR = 50.0  # results this many times off their family's middle are left out of the fit: another unit?
_KIND_FACTOR = 30.0  # families this many times off their kind's middle do not bear the kind's numbers
_SHORT_H = 250.0  # a rate that fills the plausible range within these hours is not believed
_WIDE = 1.0  # spread of the logs beyond which a family is hardly one
_LEAST_SPREAD = 0.05  # of the logs: no family is taken to be more alike than this
# Compartments, and the distance of two groups in their own spread that 1 of 100 normal families of so many exceeds (40 000 simulated).
_TWO_GROUPS = (
    [6, 7, 8, 9, 10, 12, 14, 16, 20, 24, 32, 40, 60, 100],
    [11.4, 9.3, 8.1, 7.2, 6.7, 5.8, 5.4, 5.0, 4.6, 4.3, 4.0, 3.8, 3.5, 3.2],
)
_ZERO_SHARE = 0.1  # share of the family's middle rate below which a rate counts as "less than"


@cache
def practice_limits() -> pd.DataFrame:
    """reference/practice_limits.csv: kind (`*` any), analyte, measure, direction, alert, alarm, words, basis, source."""
    with files("cmkit.reference").joinpath("practice_limits.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle).astype({"alert": float, "alarm": float})


def family_limits(
    exposure: pd.DataFrame, samples: pd.DataFrame, history: pd.DataFrame, settings: Settings, register: pd.DataFrame
) -> pd.DataFrame:
    """Alert and alarm limits per family x analyte x measure x direction (columns LIMITS), sorted by these.

    measure: `rate` ppm/h; `level` the analyte's unit; `change` share of the fresh value; `rise` above the fresh value, in the analyte's
    unit; `code` ISO 4406 code. method: `maker`, `practice`, `trimmed and shrunk`, `tolerance` (few results, no parent: the bound that
    covers the share with the stated confidence), `parent` (the kind's number), `not judged` (NaN, reason in words). alarm_low and
    alarm_high bound the alarm limit, each with `settings.alarm.confidence`; a fixed limit is its own bound. n_eff: results the n are worth,
    as bottles of one compartment resemble one another.
    """
    families = exposure[["family", "kind"]].drop_duplicates("family").sort_values("family", ignore_index=True)
    fixed = _fixed_rows(families, settings.limits)
    practice = _practice_rows(families, register)
    statistical = _statistical_rows(families, exposure, samples, history, settings.alarm, register)
    key = ["family", "analyte", "measure", "direction"]
    rows = pd.concat([f for f in (fixed, practice, statistical) if len(f)] or [pd.DataFrame(columns=LIMITS)])
    rows = _first_speaker(rows.reset_index(drop=True))
    rows = typed(rows[LIMITS], numbers=("alert", "alarm", "alarm_low", "alarm_high", "n_eff"), whole=("n",))
    return rows.sort_values(key, kind="stable", ignore_index=True)


def _first_speaker(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per key; a maker's limit silences practice on the same side; a word of practice silences the level percentile."""
    rows = rows.drop_duplicates(["family", "analyte", "measure", "direction"], keep="first")
    side = pd.MultiIndex.from_frame(rows[["family", "analyte", "direction"]])
    maker = side.isin(side[rows["method"] == "maker"])
    practice = side.isin(side[rows["method"] == "practice"])
    silenced = (rows["method"] == "practice") & maker
    silenced |= ~rows["method"].isin(FIXED) & (practice | maker) & (rows["measure"] == "level")
    silenced |= ~rows["method"].isin(FIXED) & side.isin(side[rows["measure"] == "none"])
    return rows[~silenced & (rows["measure"] != "none")]


def _fixed_rows(families: pd.DataFrame, limits: tuple[FixedLimit, ...]) -> pd.DataFrame:
    """Limits from fleet.toml; one for the family itself comes before one for its compartment kind."""
    rows = [
        {"family": f.family, "analyte": x.analyte, "measure": "level", "direction": x.direction, "alert": x.alert, "alarm": x.alarm,
         "alarm_low": x.alarm, "alarm_high": x.alarm, "n": 0, "n_eff": np.nan, "method": "maker",
         "words": f"set in fleet.toml for {x.where}"}
        for f in families.itertuples()
        for x in sorted(limits, key=lambda x: x.where != f.family)
        if x.where in (f.family, f.kind)
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=LIMITS)


def _practice_rows(families: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """Limits of common practice; a row for the family's kind comes before one for any kind."""
    table = practice_limits()
    table = table[table["analyte"].isin(register.index)]
    own = families.merge(table, on="kind")
    general = families[families["kind"] != "coolant"].merge(
        table[table["kind"] == "*"].drop(columns="kind"), how="cross"
    )
    covered = pd.MultiIndex.from_frame(own[["family", "analyte"]])
    general = general[~pd.MultiIndex.from_frame(general[["family", "analyte"]]).isin(covered)]
    rows = pd.concat([own, general], ignore_index=True)
    rows["words"] = rows["words"] + " (" + rows["basis"] + ")"
    return rows.assign(alarm_low=rows["alarm"], alarm_high=rows["alarm"], n=0, n_eff=np.nan, method="practice")[LIMITS]


@dataclass(frozen=True)
class FamilyFits:
    """What the results of each family 0..F-1 say on log scale, before shrinkage. Arrays of length F.

    mu, s with variances (clustering allowed for); n results, n_below of them censored, n_aside left out as another unit; compartments;
    n_eff; groups: how many times higher the upper of two groups of compartments lies, NaN where there is one group.
    """

    mu: Floats
    s: Floats
    var_mu: Floats
    var_log_s: Floats
    n: Floats
    n_below: Floats
    n_aside: Floats
    compartments: Floats
    n_eff: Floats
    groups: Floats


def fit_families(
    x: Floats, is_below: NDArray, family: NDArray, parent: NDArray, compartment: NDArray, resolution: float = 0.0, trim: float = 0.90
) -> FamilyFits:  # fmt: skip
    """Trimmed censored lognormal per family. x [N] > 0 (the limit where is_below), family, compartment [N] integers, parent [F] integers.

    The intraclass correlation is pooled over the families of a parent (compartment kind). var(mu) grows by 1 + (m - 1) icc, var(log s)
    by 1 + (m - 1) icc^2, with m the mean bottles per compartment, weighted by bottles (maths C).
    """
    count = len(parent)
    keep = ~_other_unit(x, family, count)
    n_aside = np.bincount(family[~keep], minlength=count).astype(float)
    x, is_below, family, compartment = x[keep], is_below[keep], family[keep], compartment[keep]
    spread = np.where(is_below, x, spread_ties(x, family, resolution))
    y, status = trim_top(np.log(spread), np.where(is_below, LEFT, EXACT), family, trim)
    fit = _padded(censored_normal(y, status, family), count)
    sums = [_pad(v, count, 0.0) for v in intraclass(y, family, compartment)]
    pooled = [np.bincount(parent, v)[parent] for v in sums]
    icc = correlation(*pooled)
    n = np.bincount(family, minlength=count).astype(float)
    _, first, size = np.unique(compartment, return_index=True, return_counts=True)
    home = family[first]
    with np.errstate(invalid="ignore", divide="ignore"):
        m = np.bincount(home, size.astype(float) ** 2, count) / n
        n_eff = n / (1 + (m - 1) * icc)
    return FamilyFits(
        fit["mu"], np.maximum(fit["s"], _LEAST_SPREAD), fit["var_mu"] * (1 + (m - 1) * icc), fit["var_log_s"] * (1 + (m - 1) * icc**2), n,
        np.bincount(family[is_below], minlength=count).astype(float), n_aside, np.bincount(home, minlength=count).astype(float),
        np.nan_to_num(n_eff), two_groups(np.log(x), family, compartment, count),
    )  # fmt: skip


def _pad(values: Floats, count: int, fill: float) -> Floats:
    return np.r_[values, np.full(count - len(values), fill)]


def _padded(fit: CensoredFit, count: int) -> dict[str, Floats]:
    """Fits with NaN for families at the end that have no result."""
    return {k: _pad(getattr(fit, k), count, np.nan) for k in ("mu", "s", "var_mu", "var_log_s")}


def _other_unit(x: Floats, family: NDArray, count: int) -> NDArray:
    """Results so far off their family's middle that another unit is likelier than another machine."""
    if len(x) == 0:
        return np.zeros(0, bool)
    y = np.log(x)
    middle = pd.Series(y).groupby(family).median().reindex(range(count)).to_numpy()
    off = np.abs(y - middle[family])
    wide = pd.Series(off).groupby(family).median().reindex(range(count)).to_numpy() * 1.4826
    return off > np.maximum(np.log(_UNIT_FACTOR), 6 * wide[family])


def two_groups(y: Floats, family: NDArray, compartment: NDArray, count: int) -> Floats:
    """Ratio between two groups of compartments of a family where their means (of logs) split clearly, else NaN.

    Split at the widest gap with at least a fifth, and two, of six or more compartments on either side. Clear: means apart by a factor of two or more,
    and by more of the groups' own spread than 99 of 100 normal families are (simulated, by the number of compartments).
    """
    out = np.full(count, np.nan)
    if len(y) == 0:
        return out
    unit, inverse = np.unique(compartment, return_inverse=True)
    home = np.zeros(len(unit), int)
    home[inverse] = family
    means = np.bincount(inverse, y) / np.bincount(inverse)
    at = np.lexsort((means, home))
    home, v = home[at], means[at]
    n = np.bincount(home, minlength=count)
    v = v - (np.bincount(home, v, count) / np.maximum(n, 1))[home]
    low = _widest_gap(v, home, n)
    f = np.flatnonzero((low > 0) & (n >= 6))
    first = np.cumsum(n) - n
    sums = np.array([np.r_[0.0, np.cumsum(v)], np.r_[0.0, np.cumsum(v**2)]])
    below, whole = (sums[:, first[f] + k] - sums[:, first[f]] for k in (low[f], n[f]))
    above, k, m = whole - below, low[f], n[f] - low[f]
    within = np.sqrt(np.maximum(whole[1] - below[0] ** 2 / k - above[0] ** 2 / m, 0.0) / n[f])
    apart = above[0] / m - below[0] / k
    clear = apart > np.maximum(np.log(2), np.interp(n[f], *_TWO_GROUPS) * within)
    out[f[clear]] = np.exp(apart[clear])
    return out


def _widest_gap(v: Floats, home: NDArray, n: NDArray) -> NDArray:
    """How many of each family's sorted values lie below its widest gap, keeping a fifth, and two, on either side; 0: no such gap."""
    first = np.cumsum(n) - n
    below = np.arange(len(v)) - first[home] + 1
    edge = np.maximum(2, np.ceil(0.2 * n).astype(int))[home]
    gap = np.where((below >= edge) & (below <= n[home] - edge), np.diff(v, append=np.inf), -np.inf)
    order = np.lexsort((gap, home))
    last = order[np.cumsum(n)[n > 0] - 1]
    out = np.zeros(len(n), int)
    out[n > 0] = np.where(np.isfinite(gap[last]), below[last], 0)
    return out


@dataclass(frozen=True)
class Percentiles:
    """Limits of families from their fits, in the results' own unit (arrays of length F): alert, alarm, its bounds, method."""

    alert: Floats
    alarm: Floats
    low: Floats
    high: Floats
    method: NDArray
    far: Floats


def shrunk_percentiles(fits: FamilyFits, parent: NDArray, alarm: Alarm) -> Percentiles:
    """Percentile limits of every family, each leaning on its parent as far as the families of that parent are alike (maths C).

    far: how many times the family lies off its parent where that is beyond belief (another unit?), else NaN; such a family stands alone.
    """
    za, zb, zc = norm.ppf(alarm.alert_share), norm.ppf(alarm.alarm_share), norm.ppf(alarm.confidence)
    mu, log_s = fits.mu.copy(), np.log(fits.s)
    var_mu, var_ls = fits.var_mu.copy(), fits.var_log_s.copy()
    bears = np.isfinite(mu) & (fits.n_eff >= 2)
    far = np.full(len(mu), np.nan)
    leaning = np.zeros(len(mu), bool)
    for p in np.unique(parent):
        at = np.flatnonzero(parent == p)
        middle = np.median(mu[at][bears[at]]) if bears[at].any() else np.nan
        off = np.abs(mu[at] - middle) > np.log(_KIND_FACTOR)
        far[at] = np.where(off, np.exp(mu[at] - middle), np.nan)
        use = at[bears[at] & ~off]
        if len(use) < 3:
            continue
        lean = at[~off]
        for value, var in ((mu, var_mu), (log_s, var_ls)):
            tau2, mean, se, _ = paule_mandel(value[use], var[use])
            value[lean], var[lean] = shrink(value[lean], var[lean], tau2, mean, se**2)
        leaning[lean] = True
    s = np.exp(log_s)
    top = mu + zb * s
    width = zc * np.sqrt(var_mu + (zb * s) ** 2 * var_ls)
    method = np.where(leaning, np.where(fits.n_eff >= _MIN_EFFECTIVE, "trimmed and shrunk", "parent"), "trimmed")
    own = Percentiles(mu + za * s, top, top - width, top + width, method, far)
    return _logged_back(_quote_tolerance(own, fits, leaning, alarm))


def _quote_tolerance(own: Percentiles, fits: FamilyFits, leaning: NDArray, alarm: Alarm) -> Percentiles:
    """Few results: the tolerance bound is the upper bound, and without a parent the limit itself; too few: nothing."""
    few = fits.n_eff < _TOLERANCE_BELOW
    usable = np.where(few & (fits.n_eff >= _MIN_EFFECTIVE), fits.n_eff, np.nan)
    bound = fits.mu + tolerance_factor(usable, alarm.alarm_share, alarm.confidence) * fits.s
    watch = fits.mu + tolerance_factor(usable, alarm.alert_share, alarm.confidence) * fits.s
    high = np.where(few, np.fmax(own.high, bound), own.high)
    alone = few & ~leaning
    told = np.isfinite(np.where(alone, bound, own.alarm))
    method = np.where(told, np.where(alone, "tolerance", own.method), "not judged")

    def only(values: Floats) -> Floats:
        return np.where(told, values, np.nan)

    return Percentiles(
        only(np.where(alone, watch, own.alert)), only(np.where(alone, bound, own.alarm)), only(own.low), only(high), method, own.far
    )  # fmt: skip


def _logged_back(p: Percentiles) -> Percentiles:
    return replace(p, alert=np.exp(p.alert), alarm=np.exp(p.alarm), low=np.exp(p.low), high=np.exp(p.high))


def _percentiles(
    x: Floats, is_below: NDArray, family: NDArray, parent: NDArray, compartment: NDArray, alarm: Alarm, resolution: float = 0.0
) -> tuple[FamilyFits, Percentiles]:  # fmt: skip
    """Fits and limits of every family; one that cannot be judged by itself gets the number of its kind, fitted as one family, if it has one."""
    fits = fit_families(x, is_below, family, parent, compartment, resolution)
    own = shrunk_percentiles(fits, parent, alarm)
    silent = own.method == "not judged"
    if not silent.any() or not len(x):
        return fits, own
    kinds = np.arange(parent.max() + 1)
    kind = shrunk_percentiles(fit_families(x, is_below, parent[family], kinds, compartment, resolution), kinds, alarm)
    lent = silent & (kind.method[parent] != "not judged")
    values = {
        name: np.where(lent, getattr(kind, name)[parent], getattr(own, name))
        for name in ("alert", "alarm", "low", "high")
    }
    return fits, replace(own, **values, method=np.where(lent, "parent", own.method))


def _statistical_rows(
    families: pd.DataFrame, exposure: pd.DataFrame, samples: pd.DataFrame, history: pd.DataFrame, alarm: Alarm, register: pd.DataFrame,
) -> pd.DataFrame:  # fmt: skip
    code = pd.Series(np.arange(len(families)), index=families["family"])
    parent = pd.factorize(families["kind"])[0]
    seat = _seats(exposure, samples, code)
    rates = {str(a): g for a, g in history.groupby("analyte", sort=False)}
    parts = []
    for analyte in register.index[register["rule"].isin(["rate", "level", "two-sided"])]:
        row = register.loc[analyte]
        if analyte in samples and samples[analyte].notna().any():
            parts += _level_parts(families, parent, seat, samples, row, alarm)
        if analyte in rates and row["rule"] == "rate":
            parts.append(_rate_part(families, parent, code, rates[analyte], alarm, row))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=LIMITS)


def _seats(exposure: pd.DataFrame, samples: pd.DataFrame, code: pd.Series) -> pd.DataFrame:
    """For every usable bottle: its row in samples, family and compartment numbers, and whether its fluid age is usual in the family."""
    seat = exposure[["sample", "family", "compartment", "fluid_h"]].copy()
    seat["row"] = pd.Series(np.arange(len(samples)), index=samples["sample"]).reindex(seat["sample"]).to_numpy()
    seat["f"] = code.reindex(seat["family"]).to_numpy()
    seat["c"] = pd.factorize(seat["compartment"])[0]
    age = seat["fluid_h"].where(seat["fluid_h"] > 0).groupby(seat["family"]).transform("quantile", _USUAL_AGE)
    usual = seat["fluid_h"].between(_AGE_WINDOW[0] * age, _AGE_WINDOW[1] * age)
    return seat.assign(age=age, usual=usual | age.isna())


def _level_parts(
    families: pd.DataFrame, parent: NDArray, seat: pd.DataFrame, samples: pd.DataFrame, row: pd.Series, alarm: Alarm
) -> list[pd.DataFrame]:
    """Percentiles of results at the family's usual fluid age; upper, and lower for an analyte whose fall means trouble too."""
    if row["plausible_low"] < 0:
        return []  # a scale through zero (freeze point) has no logarithm; practice limits speak for it
    own = seat[seat["usual"]]
    name, half = row["analyte"], 10.0 ** -float(row["decimals"]) / 2
    x = samples[name].to_numpy(dtype=float)[own["row"]]
    flag = samples[below_name(name)].to_numpy(dtype=bool)[own["row"]] if below_name(name) in samples else np.zeros(len(x), bool)  # fmt: skip
    here = np.isfinite(x)
    zero = here & (x <= 0)
    x, flag = np.where(zero, half, x)[here], (flag | zero)[here]
    age = own.groupby("f")["age"].first().reindex(range(len(families))).to_numpy()
    args = (own["f"].to_numpy()[here], parent, own["c"].to_numpy()[here])
    out = []
    if row["bad"] in ("up", "both"):
        fits, p = _percentiles(x, flag, *args, alarm, 2 * half)
        p = _as_reported(p, row, half)
        out.append(_frame(families, fits, p, name, "level", "up", alarm, age))
    if row["bad"] in ("down", "both"):
        fits, p = _percentiles(1 / x, np.zeros(len(x), bool), *args, alarm)
        p = _turned(p)
        out.append(_frame(families, fits, p, name, "level", "down", alarm, age))
    return out


def _as_reported(p: Percentiles, row: pd.Series, half: float) -> Percentiles:
    """Upper limits that a rounded result is held against: half a reported unit up, the alarm clear of the laboratory's own scatter."""
    lowest = np.nan_to_num(float(row["reporting_limit"])) + _SCATTER * float(row["noise_floor"])
    up = {name: np.maximum(getattr(p, name) + half, lowest) for name in ("alarm", "low", "high")}
    return _believable(replace(p, alert=p.alert + half, **up), float(row["plausible_high"]))


def _believable(p: Percentiles, highest: float) -> Percentiles:
    """A limit beyond what the register calls plausible is none: the results are in another unit, or not what their heading says."""
    beyond = p.alarm > highest
    values = {name: np.where(beyond, np.nan, getattr(p, name)) for name in ("alert", "alarm", "low", "high")}
    return replace(p, **values, method=np.where(beyond, "not judged", p.method))


def _turned(p: Percentiles) -> Percentiles:
    """Limits fitted on 1/x, back on x: the upper bound of 1/x is the lower of x."""
    return replace(p, alert=1 / p.alert, alarm=1 / p.alarm, low=1 / p.high, high=1 / p.low)


def _rate_part(
    families: pd.DataFrame, parent: NDArray, code: pd.Series, history: pd.DataFrame, alarm: Alarm, row: pd.Series
) -> pd.DataFrame:  # fmt: skip
    """Percentiles of the wear rate held after each bottle from a life's second on; a rate about zero counts as less than a tenth of usual."""
    own = history[(history["order"] >= 1) & np.isfinite(history["rate"]) & history["family"].isin(code.index)]
    rate, sd = own["rate"].to_numpy(dtype=float), own["rate_sd"].to_numpy(dtype=float)
    f = code.reindex(own["family"]).to_numpy()
    positive = pd.Series(np.where(rate > 0, rate, np.nan)).groupby(f).median().reindex(range(len(code))).to_numpy()
    floor = _ZERO_SHARE * positive[f]
    flag = own["below"].to_numpy(dtype=bool)
    x = np.where(flag, rate + np.nan_to_num(sd), rate)
    flag = flag | (x <= floor)
    x = np.maximum(x, floor)
    here = np.isfinite(x) & (x > 0)
    fits, p = _percentiles(x[here], flag[here], f[here], parent, pd.factorize(own["compartment"])[0][here], alarm)
    p = _believable(p, float(row["plausible_high"]) / _SHORT_H)
    return _frame(families, fits, p, row["analyte"], "rate", "up", alarm, np.full(len(families), np.nan))


def _frame(
    families: pd.DataFrame, fits: FamilyFits, p: Percentiles, analyte: str, measure: str, direction: str, alarm: Alarm, age: Floats
) -> pd.DataFrame:  # fmt: skip
    seen = (fits.n + fits.n_aside > 0) | np.isfinite(p.alarm)
    words = [_words(fits, p, i, alarm, age[i]) for i in range(len(families))]
    out = pd.DataFrame(
        {"family": families["family"], "analyte": analyte, "measure": measure, "direction": direction, "alert": p.alert, "alarm": p.alarm,
         "alarm_low": p.low, "alarm_high": p.high, "n": fits.n.astype(int), "n_eff": fits.n_eff, "method": p.method, "words": words}
    )  # fmt: skip
    return out[seen]


def _words(fits: FamilyFits, p: Percentiles, i: int, alarm: Alarm, age: float) -> str:
    """What bears the limit, and what makes it doubtful."""
    n, k = int(fits.n[i]), int(fits.compartments[i])
    words = [
        f"{n} bottle(s) of {k} compartment(s)" + (f" at a fluid age of about {age:,.0f} h" if np.isfinite(age) else "")
    ]
    if p.method[i] == "not judged":
        words.append(_why_not(fits, i))
    elif p.method[i] == "parent":
        words.append("mostly the number of its compartment kind, too few of its own")
    elif fits.n_eff[i] < _TOLERANCE_BELOW:
        words.append(f"worth {fits.n_eff[i]:.0f} independent results; a limit without assumptions needs {samples_needed(alarm.alarm_share, alarm.confidence)}")  # fmt: skip
    if fits.s[i] > _WIDE:
        words.append("its results are very unlike one another: not one family, or part of it is sick")
    if np.isfinite(fits.groups[i]):
        words.append(
            f"two groups, the upper about {fits.groups[i]:.1f} times the lower: the limit sits between them, look at the upper"
        )
    if np.isfinite(p.far[i]):
        words.append(f"lies {p.far[i]:.2g} times its compartment kind: another unit?")
    if fits.n_aside[i]:
        words.append(f"{int(fits.n_aside[i])} result(s) far off the rest left out: another unit?")
    return "; ".join(words)


def _why_not(fits: FamilyFits, i: int) -> str:
    if fits.n[i] and fits.n_below[i] == fits.n[i]:
        return "not judged: every result is below the reporting limit"
    if not np.isfinite(fits.mu[i]):
        return "not judged: too few differing results above the reporting limit"
    if fits.n_eff[i] >= _MIN_EFFECTIVE:
        return "not judged: the limit would lie beyond what is plausible; another unit?"
    return f"not judged: worth {fits.n_eff[i]:.1f} independent results, at least {_MIN_EFFECTIVE:.0f} wanted"
