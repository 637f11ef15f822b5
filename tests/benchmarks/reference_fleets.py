"""Invented fleets with known wear rates, as arrays: the reference fleets of the calibration of exposure, filter and
alarm rule.

Shape only, no field fact: three kinds of compartment, seven metals, machine-to-machine and slow drift of rates, load,
top-ups partly not recorded, a residual that differs from what is assumed, bottle and metal noise, rounding and
censoring, exchanged left and right labels. The levels follow the mass balance exactly; what is *known* of exposure goes
through cmkit's own chain.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.wear.exposure import Events, chain, effective_hours

METALS = ["Fe_ppm", "Cu_ppm", "Pb_ppm", "Cr_ppm", "Al_ppm", "Si_ppm", "Sn_ppm"]
NOISE = {"cv5": (0.04, 0.03), "cv10": (0.07, 0.07), "cv15": (0.12, 0.09)}  # own of each metal, shared by the bottle
_MISSED_SD = 0.5  # sd of a make-up not recorded, share of the usual one; as in wear.timeline


@dataclass(frozen=True)
class Kind:
    """Rates in ppm/h of METALS, make-up as a share of the charge per hour, bottles per fluid life, residual share."""

    rates: tuple[float, ...]
    make_up: float
    per_life: int
    residual: float


KINDS = {
    "engine": Kind((0.060, 0.012, 0.010, 0.006, 0.012, 0.020, 0.004), 3e-4, 2, 0.10),
    "drive": Kind((0.080, 0.006, 0.003, 0.005, 0.010, 0.025, 0.002), 0.0, 8, 0.08),
    "hydraulic": Kind((0.006, 0.010, 0.002, 0.0015, 0.003, 0.006, 0.001), 1e-4, 8, 0.35),
}


@dataclass(frozen=True)
class Simulated:
    """y, below: results (metals, compartments, bottles); rate: true rate during, and at the end of, the interval before
    each bottle (load left out).
    """

    y: NDArray[np.float64]
    below: NDArray[np.bool_]
    rate: NDArray[np.float64]
    exposure: pd.DataFrame
    samples: pd.DataFrame


def simulate(
    kind: str,
    noise: str,
    n: int,
    rng: np.random.Generator,
    bottles: int = 20,
    hours: float = 250.0,
    exchanges: float = 0.0,
    missing: float = 0.3,
    machine_cv: float = 0.40,
    drift_cv: float = 0.15,
    step: tuple[int, dict[str, float]] | None = None,
    skewed: bool = False,
) -> Simulated:
    """A fleet of `n` compartments (even: left and right of one machine are neighbours). step: (from which bottle, metal
    -> multiple of its rate).

    skewed: the bottle's factor is log-normal and multiplies the metal's own error, which makes the upper tail heavier
    than the reference fleets'.
    """
    k, a = KINDS[kind], len(METALS)
    burn = 2 * k.per_life
    total = burn + bottles
    dt = hours * rng.uniform(0.9, 1.1, (n, total))
    rate = _true_rates(k, n, total, dt, rng, machine_cv, drift_cv)
    if step is not None:
        for metal, multiple in step[1].items():
            rate[METALS.index(metal), :, burn + step[0] :] *= multiple
    load = np.exp(0.10 * rng.standard_normal((n, total)))
    q = k.make_up * np.maximum(1 + 0.3 * rng.standard_normal((n, total)), 0.0)
    renewed = np.arange(total) % k.per_life == 0
    kept = np.where(renewed, np.maximum(k.residual * (1 + 0.25 * rng.standard_normal((n, total))), 0.0), 1.0)
    level, levels = np.zeros((a, n)), np.empty((a, n, total))
    for i in range(total):
        level = level * kept[:, i] * np.exp(-q[:, i] * dt[:, i]) + rate[:, :, i] * load[:, i] * effective_hours(
            q[:, i], dt[:, i]
        )
        levels[:, :, i] = level
    y, below = _results(levels[:, :, burn:], NOISE[noise], skewed, rng)
    y, below = _exchanged(y, below, exchanges, rng)
    exposure, samples = _frames(kind, y, below, dt[:, burn:], q[:, burn:], renewed[burn:], missing, rng)
    return Simulated(y, below, rate[:, :, burn:], exposure, samples)


def _true_rates(
    k: Kind, n: int, total: int, dt: NDArray[np.float64], rng: np.random.Generator, machine_cv: float, drift_cv: float
) -> NDArray[np.float64]:
    """Rates (metals, n, total): log-normal between machines, metals correlated 0.5; AR(1) drift of the logarithm with
    1,000 h of memory.
    """
    a = len(METALS)
    sd = np.sqrt(np.log1p(machine_cv**2))
    z = np.sqrt(0.5) * rng.standard_normal((1, n)) + np.sqrt(0.5) * rng.standard_normal((a, n))
    base = np.array(k.rates)[:, None] * np.exp(sd * z)
    drift = np.empty((a, n, total))
    drift[:, :, 0] = drift_cv * rng.standard_normal((a, n))
    for i in range(1, total):
        memory = np.exp(-dt[:, i] / 1000)
        drift[:, :, i] = memory * drift[:, :, i - 1] + drift_cv * np.sqrt(1 - memory**2) * rng.standard_normal((a, n))
    return base[:, :, None] * np.exp(drift)


def _results(
    levels: NDArray[np.float64], noise: tuple[float, float], skewed: bool, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Whole ppm; below 1 ppm reported as "<1"."""
    own, shared = noise[0] * rng.standard_normal(levels.shape), noise[1] * rng.standard_normal(levels.shape[1:])
    factor = np.exp(shared) * (1 + own) if skewed else 1 + shared + own
    y = np.maximum(np.round(levels * factor + 0.5 * rng.standard_normal(levels.shape)), 0.0)
    return np.maximum(y, 1.0), y < 1.0


def _exchanged(
    y: NDArray[np.float64], below: NDArray[np.bool_], share: float, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Left and right bottles of a machine under each other's label."""
    pair, bottle = np.nonzero(rng.random((y.shape[1] // 2, y.shape[2])) < share)
    order = np.tile(np.arange(y.shape[1])[:, None], (1, y.shape[2]))
    order[2 * pair, bottle], order[2 * pair + 1, bottle] = 2 * pair + 1, 2 * pair
    column = np.arange(y.shape[2])[None, :]
    return y[:, order, column], below[:, order, column]


def _frames(
    kind: str,
    y: NDArray[np.float64],
    below: NDArray[np.bool_],
    dt: NDArray[np.float64],
    q: NDArray[np.float64],
    renewed: NDArray[np.bool_],
    missing: float,
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Exposure as far as records tell, through cmkit's chain, and the results as a wide table."""
    k, (_, n, bottles) = KINDS[kind], y.shape
    lost = rng.random((n, bottles)) < missing
    seen = np.where(lost, k.make_up, q * np.maximum(1 + 0.2 * rng.standard_normal((n, bottles)), 0.0))
    done = _chained(k, dt, seen, lost, renewed)
    count = n * bottles
    exposure = pd.DataFrame(
        {
            "sample": [f"b{i:07d}" for i in range(count)],
            "compartment": np.repeat([f"c{i:06d}" for i in range(n)], bottles),
            "kind": kind, "family": kind, "site": "A", "season": 1.0, "makeup_sd": 0.0, "life": 1, "order": np.tile(np.arange(bottles), n),
            "drawn_on": pd.Timestamp("2025-01-01"),
            "run_h": dt.cumsum(axis=1).ravel(), "hours": dt.ravel(), "fluid_h": dt.ravel(),
            "changed": np.tile(renewed & (np.arange(bottles) > 0), n), **done,
        }
    )  # fmt: skip
    exposure.loc[exposure["order"] == 0, "hours"] = np.nan
    samples = pd.DataFrame({"sample": exposure["sample"]})
    for i, metal in enumerate(METALS):
        samples[metal], samples[f"{metal}_below"] = y[i].ravel(), below[i].ravel()
    return exposure, samples


def _chained(
    k: Kind, dt: NDArray[np.float64], make_up: NDArray[np.float64], lost: NDArray[np.bool_], renewed: NDArray[np.bool_]
) -> dict[str, NDArray[np.float64]]:
    """Per bottle two events: the change before its interval (residual 1: none) and the bottle after it."""
    n, bottles = dt.shape

    def pairs(first: object, second: object) -> NDArray[np.float64]:
        both = [np.broadcast_to(np.asarray(v, float), (n, bottles)) for v in (first, second)]
        return np.stack(both, axis=2).ravel()

    zero = np.zeros(2 * n * bottles)
    done = chain(
        Events(
            np.repeat(np.arange(n), 2 * bottles), pairs(0, dt), pairs(2, 3).astype(np.int64),
            pairs(np.where(renewed, k.residual, 1.0), 0),
            pairs(0, make_up), zero, zero, zero + 1.0, zero + 1.0,
            pairs(np.where(renewed, 0.25 * k.residual, 0.0), np.where(lost, _MISSED_SD * k.make_up * dt, 0.0)), zero,
        )
    )  # fmt: skip
    return {name: getattr(done, name) for name in ("phi", "psi", "chi", "sd_phi", "sd_psi")}
