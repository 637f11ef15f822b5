"""Is it the right fluid, and is it pure? Each product's fingerprint from the organisation's own bottles, and a test of
mixtures.

The fingerprint is the additive elements and viscosity on a log scale; its centre and scatter come from a deterministic
robust estimate (orthogonalised Gnanadesikan-Kettenring, OGK), so that wrong bottles in the records do not spoil it.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import chi2
from scipy.stats import f as f_distribution

from cmkit.records.fleet import Fleet
from cmkit.records.settings import Trust
from cmkit.tables.frames import names, typed
from cmkit.trust.bottle_arrays import doubt_rows, results
from cmkit.trust.fluid_history import fluids_in_force

ELEMENTS = ("P_ppm", "Zn_ppm", "Ca_ppm", "Mg_ppm", "B_ppm", "Mo_ppm")
VISCOSITIES = ("visc40_cSt", "visc100_cSt")
MARKS = (*ELEMENTS, *VISCOSITIES)
FUEL = "fuel"
SHARES = np.arange(0.0, 1.0001, 0.025)
FLUIDS = names("fluid_checks")
_FILLED = 0.8  # own choice: a mark belongs to a product's fingerprint when this share of its bottles has it
_CALIBRATE_ON = 2000  # bottles of a product that set its threshold
_BLOCK = 4096
_BULK = np.array([0.5, 0.9])  # own choice: shares of bottles by which distances are matched to chi-square
_LEAST_SPREAD = 0.02  # log scale: no laboratory repeats itself better


@dataclass(frozen=True)
class Product:
    """A product's fingerprint: name (fluid and grade), marks (columns), centre [p] and scatter [p, p] of log(mark +
    floor), bottles n.

    stretch: factor on squared distances so that their median and 90th percentile are at most those of chi-square.
    """

    name: str
    marks: tuple[str, ...]
    centre: np.ndarray
    scatter: np.ndarray
    n: int
    stretch: float


def ogk(x: np.ndarray, widen: float) -> tuple[np.ndarray, np.ndarray]:
    """Robust centre [p] and scatter [p, p] of x [n, p] without gaps; two orthogonalisation steps, then hard reweighting
    (beta .9).

    widen: factor on the scatter for what hard reweighting cuts off. Deterministic. n >= 2 p wanted. Source: Maronna &
    Zamar 2002 as described in the documentation of R's robustbase (covOGK).
    """
    z, back = x, np.eye(x.shape[1])
    for _ in range(2):
        spread = np.maximum(_spread(z), 1e-9)
        y = z / spread
        plus, minus = _pairwise(y, 1.0), _pairwise(y, -1.0)
        turn = np.linalg.eigh((plus - minus) / 4 + np.diag(1 - np.diag(plus - minus) / 4))[1]
        z = y @ turn
        back = back @ (spread[:, None] * turn)
    centre, spread = np.median(z, axis=0), np.maximum(_spread(z), 1e-9)
    d = np.sum(((z - centre) / spread) ** 2, axis=1)
    p = x.shape[1]
    kept = d <= chi2.ppf(0.9, p) * np.median(d) / chi2.ppf(0.5, p)
    inside = x[kept] if kept.sum() > p else x
    scatter = np.atleast_2d(np.cov(inside, rowvar=False)) * widen
    return inside.mean(axis=0), scatter + np.eye(p) * _LEAST_SPREAD**2 / 4


def _spread(z: np.ndarray) -> np.ndarray:
    """Robust spread of each column: median absolute deviation on the normal scale."""
    return np.asarray(1.4826 * np.median(np.abs(z - np.median(z, axis=0)), axis=0))


def _pairwise(y: np.ndarray, sign: float) -> np.ndarray:
    """Squared robust spread of every sum (sign +1) or difference (-1) of two columns."""
    p = y.shape[1]
    pairs = y[:, :, None] + sign * y[:, None, :]
    return _spread(pairs.reshape(len(y), p * p)).reshape(p, p) ** 2


def fingerprint(samples: pd.DataFrame, floor_ppm: float) -> np.ndarray:
    """log(element + floor) and log viscosity of every sample: float [n, 8] in the order of MARKS, NaN where not
    reported.
    """
    value, under = results(samples, list(MARKS))
    value = np.where(under, value / 2, value)
    floor = np.r_[np.full(len(ELEMENTS), floor_ppm), np.zeros(len(VISCOSITIES))]
    sound = np.isfinite(value) & (value + floor > 0)
    return np.where(sound, np.log(np.where(sound, value + floor, 1.0)), np.nan)


def fluid_library(x: np.ndarray, product: np.ndarray, trust: Trust) -> dict[str, Product]:
    """Fingerprints of all products with enough bottles. x: :func:`fingerprint`; product: name per row, empty where not
    known.
    """
    out = {}
    for name in sorted(set(product) - {""}):
        own = x[product == name]
        marks = np.flatnonzero(np.isfinite(own).mean(axis=0) >= _FILLED)
        whole = own[:, marks][np.isfinite(own[:, marks]).all(axis=1)]
        if len(marks) < 2 or len(whole) < max(trust.fluid_least_bottles, 3 * len(marks)):
            continue
        centre, scatter = ogk(whole, trust.fluid_scatter)
        d = _distance(whole, centre, np.linalg.inv(scatter))
        stretch = float(np.max(np.quantile(d, _BULK) / chi2.ppf(_BULK, len(marks)), initial=1.0))
        out[name] = Product(name, tuple(MARKS[m] for m in marks), centre, scatter, len(whole), stretch)
    return out


def _distance(x: np.ndarray, centre: np.ndarray, inverse: np.ndarray) -> np.ndarray:
    """Squared Mahalanobis distance of x [..., p] from centre [..., p]."""
    d = x - centre
    return np.asarray(np.einsum("...i,...i->...", d @ inverse, d))


def mixture_path(own: Product, other: Product, marks: tuple[str, ...], floor_ppm: float) -> np.ndarray:
    """Log fingerprint of mixtures of `own` with a share 0, .025 .. 1 of `other`: [41, len(marks)].

    Elements mix by mass; viscosity by the logarithm (a common rule for neighbouring grades, good to a few per cent).
    """
    floor = np.array([floor_ppm if m in ELEMENTS else 0.0 for m in marks])
    a = own.centre[[own.marks.index(m) for m in marks]]
    b = other.centre[[other.marks.index(m) for m in marks]]
    share = SHARES[:, None]
    by_mass = (1 - share) * (np.exp(a) - floor) + share * (np.exp(b) - floor)
    by_log = (1 - share) * a + share * b
    is_element = np.array([m in ELEMENTS for m in marks])
    return np.asarray(np.where(is_element, np.log(np.maximum(by_mass, 0.0) + np.maximum(floor, 1e-9)), by_log))


def fluid_check(x: np.ndarray, own: Product, library: dict[str, Product], trust: Trust) -> pd.DataFrame:
    """Every row of x [n, 8] against its own product and mixtures of it: distance, df, p, ratio, mixed_with, share.

    distance: squared Mahalanobis distance over the marks the row has; p: its tail (Hotelling's T-squared), widened by
    the product's stretch;
    ratio: how much the best mixture lowers the distance over the marks that both products have (likelihood ratio);
    share: of the other fluid in it. Fuel is one of the fluids that may be mixed in. NaN where the row has
    fewer than two marks of the product. Source: guide how_it_is_computed, D2.
    """
    out = pd.DataFrame(
        {"distance": np.nan, "df": 0, "p": np.nan, "ratio": np.nan, "mixed_with": "", "share": np.nan},
        index=range(len(x)),
    )
    for rows, marks in _patterns(x, own):
        distance, _ = _from_own(x, rows, own, marks)
        best, source, share = np.zeros(len(rows)), np.full(len(rows), "", dtype=object), np.zeros(len(rows))
        for name, other in {**library, FUEL: fuel(trust)}.items():
            common = tuple(m for m in marks if m in other.marks)
            if name == own.name or len(common) < 2 or _is_oil(own) != _is_oil(other):
                continue
            d, part = _from_own(x, rows, own, common)
            low, at_share = _best_share(
                part, mixture_path(own, other, common, trust.fluid_floor_ppm), _inverse(own, common)
            )
            better = d - low > best
            best, share = np.where(better, d - low, best), np.where(better, at_share, share)
            source[better] = name
        out.loc[rows, "distance"], out.loc[rows, "df"] = distance, len(marks)
        out.loc[rows, "p"] = _tail(distance / own.stretch, len(marks), own.n)
        out.loc[rows, "ratio"], out.loc[rows, "mixed_with"], out.loc[rows, "share"] = best, source, share
    return out.astype({"mixed_with": "str"})


def _tail(distance: np.ndarray, p: int, n: int) -> np.ndarray:
    """Chance of a larger squared distance of a new row when centre and scatter come from n rows (Hotelling's
    T-squared).
    """
    return np.asarray(f_distribution.sf(distance * n * (n - p) / (p * (n - 1) * (n + 1)), p, n - p))


def fuel(trust: Trust) -> Product:
    """Fuel as a fluid that may be in the oil: no additives, thin. It competes with foreign oils for what it would
    explain.
    """
    thin = [trust.fuel_visc40, trust.fuel_visc100]
    return Product(FUEL, MARKS, np.log([trust.fluid_floor_ppm] * len(ELEMENTS) + thin), np.eye(len(MARKS)), 0, 1.0)


def _is_oil(product: Product) -> bool:
    """Whether viscosity belongs to its fingerprint; coolants are compared with coolants."""
    return any(m in product.marks for m in VISCOSITIES)


def _inverse(own: Product, marks: tuple[str, ...]) -> np.ndarray:
    at = np.array([own.marks.index(m) for m in marks])
    return np.linalg.inv(own.scatter[np.ix_(at, at)])


def _from_own(x: np.ndarray, rows: np.ndarray, own: Product, marks: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Squared distance of `rows` of x from their own product over `marks`, and those columns."""
    part = x[np.ix_(rows, np.array([MARKS.index(m) for m in marks]))]
    centre = own.centre[[own.marks.index(m) for m in marks]]
    return _distance(part, centre, _inverse(own, marks)), part


def _patterns(x: np.ndarray, own: Product) -> Iterator[tuple[np.ndarray, tuple[str, ...]]]:
    """Rows that have the same marks of the product, with those marks."""
    given = np.isfinite(x[:, [MARKS.index(m) for m in own.marks]])
    code = given @ (1 << np.arange(given.shape[1]))
    for value in np.unique(code):
        marks = tuple(m for k, m in enumerate(own.marks) if int(value) >> k & 1)
        if len(marks) >= 2:
            yield np.flatnonzero(code == value), marks


def _best_share(x: np.ndarray, path: np.ndarray, inverse: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Smallest distance of each row from the path of mixtures and the share it is found at."""
    low, share = np.empty(len(x)), np.empty(len(x))
    own = path - path[0]  # squares written out lose no digits near the product's own fluid
    seen, squares = own @ inverse, _distance(path, path[0], inverse)
    for a in range(0, len(x), _BLOCK):
        d = squares - 2 * ((x[a : a + _BLOCK] - path[0]) @ seen.T)
        k = d.argmin(axis=1)
        low[a : a + _BLOCK] = np.maximum(d[np.arange(len(d)), k] + _distance(x[a : a + _BLOCK], path[0], inverse), 0.0)
        share[a : a + _BLOCK] = SHARES[k]
    return low, share


def ratio_threshold(ratio: np.ndarray, trust: Trust) -> float:
    """Likelihood ratio that a share `trust.fluid_false_calls` of a product's own sound bottles passes.

    From the bulk, not the extreme: the 90th percentile, carried on at the chi-square rate of decay, so that the wrong
    bottles that are to be found do not raise it.
    """
    bulk = ratio[np.isfinite(ratio)]
    if len(bulk) < trust.fluid_least_bottles:
        return np.inf
    return max(
        trust.fluid_least_ratio,
        float(np.quantile(bulk, 0.90) + 2 * np.log(0.10 / min(trust.fluid_false_calls, 0.10))),
    )


PRODUCTS = names("fluids")


def learn_fluids(known: Fleet, trust: Trust) -> pd.DataFrame:
    """Each product's fingerprint from the whole fleet's bottles, one row per product and mark (columns PRODUCTS),
    sorted.

    threshold: likelihood ratio of a mixture above which a bottle is doubted, such that a share
    `trust.fluid_false_calls` of the product's
    own bottles passes it. scatter_MARK: column of the scatter matrix, NaN for marks the product has not.
    """
    product, x = _products(known), fingerprint(known.samples, trust.fluid_floor_ppm)
    library = fluid_library(x, product, trust)
    rows = []
    for name, own in library.items():
        some = x[product == name]
        ratio = fluid_check(some, own, library, trust)["ratio"].to_numpy()[:: max(1, len(some) // _CALIBRATE_ON)]
        threshold = ratio_threshold(ratio, trust)
        for mark, centre, scatter in zip(own.marks, own.centre, own.scatter, strict=True):
            row = {
                "product": name,
                "mark": mark,
                "centre": centre,
                "n": own.n,
                "stretch": own.stretch,
                "threshold": threshold,
            }
            rows.append(row | {f"scatter_{m}": s for m, s in zip(own.marks, scatter, strict=True)})
    return typed(pd.DataFrame(rows, columns=PRODUCTS), "fluids")


def _products(known: Fleet) -> np.ndarray:
    """Name (fluid and grade) of what was in the compartment at every bottle; empty where not known."""
    filled = fluids_in_force(known)
    return np.asarray((filled["fluid"] + " " + filled["grade"]).str.strip().to_numpy(dtype=object))


def _library(fluids: pd.DataFrame) -> dict[str, Product]:
    """The fingerprints of :func:`learn_fluids` as :class:`Product`."""
    out = {}
    for name, own in fluids.groupby("product", sort=True):
        marks = tuple(own["mark"])
        scatter = own[[f"scatter_{m}" for m in marks]].to_numpy(dtype=float)
        first = own.iloc[0]
        out[str(name)] = Product(
            str(name), marks, own["centre"].to_numpy(dtype=float), scatter, int(first["n"]), float(first["stretch"])
        )
    return out


def check_fluids(known: Fleet, fluids: pd.DataFrame) -> pd.DataFrame:
    """One row per sample (columns FLUIDS), in the order of `known.samples`; words say why a bottle could not be judged.

    fluids: :func:`learn_fluids` of the whole fleet.
    """
    trust = known.settings.trust
    product, x = _products(known), fingerprint(known.samples, trust.fluid_floor_ppm)
    library, threshold = _library(fluids), fluids.drop_duplicates("product").set_index("product")["threshold"]
    out = (
        known.samples[["sample", "compartment"]].reset_index(drop=True).assign(product=pd.Series(product, dtype="str"))
    )
    blank = {"distance": np.nan, "p": np.nan, "ratio": np.nan, "threshold": np.nan, "mixed_with": "", "share": np.nan}
    out = out.assign(**blank, words="not judged: too few bottles of this product to know it")
    for name, own in library.items():
        rows = np.flatnonzero(product == name)
        found = fluid_check(x[rows], own, library, trust)
        for column in ("distance", "p", "ratio", "mixed_with", "share"):
            out.loc[rows, column] = found[column].to_numpy()
        out.loc[rows, "threshold"] = threshold[name]
        out.loc[rows, "words"] = np.where(found["df"] >= 2, "", "not judged: too few of the product's marks reported")
    out.loc[out["product"] == "", "words"] = "not judged: no fluid on record"
    return out[FLUIDS]


def fluid_doubts(fluids: pd.DataFrame, trust: Trust) -> pd.DataFrame:
    """Doubts `fluid` from :func:`check_fluids`: a mixture with a known product, or a fluid like none of them."""
    hit = fluids[fluids["ratio"] >= fluids["threshold"]]
    thinned = hit[hit["mixed_with"] == FUEL]
    strange = fluids[(fluids["p"] < trust.fluid_unknown_p) & ~fluids.index.isin(hit.index)]
    parts = [_mixed(hit.drop(index=thinned.index)), _thinned(thinned, trust), _strange(strange, trust)]
    return pd.concat(parts, ignore_index=True)


def _thinned(hit: pd.DataFrame, trust: Trust) -> pd.DataFrame:
    """Fuel in the oil is a matter of the machine: the bottle is hardly doubted for it."""
    reason = [
        f"thinner and poorer in additives than {r.product}, as with about {100 * r.share:.0f} % of fuel in it"
        for r in hit.itertuples()
    ]
    return doubt_rows(
        hit,
        "fluid",
        "likelihood ratio of a mixture",
        hit["ratio"].to_numpy(),
        threshold=hit["threshold"].to_numpy(),
        probability=trust.fuel_probability,
        reason=reason,
        todo="Have fuel dilution measured in this bottle; if it is so, look for the leak. The bottle itself may well "
        "be right.",
    )


def _mixed(hit: pd.DataFrame) -> pd.DataFrame:
    reason = [
        f"looks like {r.mixed_with} altogether, not {r.product}"
        if r.share > 0.9
        else f"looks like {r.product} with about {100 * r.share:.0f} % of {r.mixed_with} in it"
        for r in hit.itertuples()
    ]
    todo = [
        "Ask what was filled. If the wrong fluid is in, follow the maker's manual on flushing and changing; if only "
        "the label is wrong, record it."
        if r.share > 0.5
        else f"Ask what was used for topping up, and whether {r.mixed_with} can leak in past a seal or cooler; take a "
        f"repeat bottle."
        for r in hit.itertuples()
    ]
    excess = (hit["ratio"] - hit["threshold"]).to_numpy()
    chance = 1 - 0.5 * np.exp(-excess / 2)  # even at the threshold, where wrong and sound bottles are about as common
    return doubt_rows(
        hit,
        "fluid",
        "likelihood ratio of a mixture",
        hit["ratio"].to_numpy(),
        threshold=hit["threshold"].to_numpy(),
        probability=chance,
        reason=reason,
        todo=todo,
    )


def _strange(hit: pd.DataFrame, trust: Trust) -> pd.DataFrame:
    reason = [
        f"additives and viscosity do not look like {r.product}, nor like a mixture with a product known here"
        for r in hit.itertuples()
    ]
    todo = "Ask what was filled and from which drum; compare with a bottle of fresh fluid."
    return doubt_rows(
        hit,
        "fluid",
        "chance of such a fluid",
        hit["p"].to_numpy(),
        threshold=trust.fluid_unknown_p,
        probability=0.5,
        reason=reason,
        todo=todo,
    )
