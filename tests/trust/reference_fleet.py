"""The reference fleets: left and right compartments of many machines with known truth, as arrays. INVENTED rates and
fluids, shape only.

The truth is a mass balance stepped bottle by bottle; the forecasts are those of the wear filter with change acceptance
off.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from cmkit.trust.bottle_arrays import Panel
from cmkit.wear.filter import Numbers, wear_rates

METALS = ["Fe_ppm", "Cu_ppm", "Pb_ppm", "Cr_ppm", "Al_ppm", "Si_ppm", "Sn_ppm"]
# rates ppm/h, make-up per charge and hour, bottles per oil life, share left at a change
FLEETS = {
    "engine": ([0.060, 0.012, 0.010, 0.006, 0.012, 0.020, 0.004], 3e-4, 2, 0.10),
    "drive": ([0.080, 0.006, 0.003, 0.005, 0.010, 0.025, 0.002], 0.0, 8, 0.08),
    "hydraulic": ([0.006, 0.010, 0.002, 0.0015, 0.003, 0.006, 0.001], 1e-4, 8, 0.35),
}
NOISE = {"cv5": (0.04, 0.03), "cv10": (0.07, 0.07), "cv15": (0.12, 0.09)}  # own multiplicative, shared by the bottle


@dataclass(frozen=True)
class Truth:
    """exchanged: bool [pairs, n]; panel: forecasts and results of 2 * pairs compartments, bottle by bottle."""

    exchanged: np.ndarray
    panel: Panel


def lognormal(rng: np.random.Generator, cv: float, shape: tuple, shared: float = 0.5) -> np.ndarray:
    """Factors of mean 1 and coefficient of variation cv, correlated by `shared` along the last axis (the metals)."""
    sd = np.sqrt(np.log1p(cv**2))
    common = rng.standard_normal((*shape[:-1], 1)) * np.sqrt(shared)
    return np.exp(sd * (common + rng.standard_normal(shape) * np.sqrt(1 - shared)) - sd**2 / 2)


def simulate(
    name: str,
    noise: str,
    pairs: int,
    seed: int,
    *,
    n: int = 20,
    side_cv: float = 0.25,
    exchange: float = 0.015,
    spoil=None,
    boost=None,
) -> Truth:
    """A fleet of left/right pairs. spoil(y, rng): changes the results of bottles (pairs, 2, n, metals) before rounding;
    boost: [pairs, 2, n, metals] factors on the true wear rates."""
    rng = np.random.default_rng(seed)
    base, q, life, residual = FLEETS[name]
    base = np.array(base)
    b_own, b_bottle = NOISE[noise]
    shape = (pairs, 2, len(METALS))
    unit = lognormal(rng, np.sqrt(0.40**2 - side_cv**2), (pairs, 1, len(METALS))) * lognormal(rng, side_cv, shape)
    hours = 250 * (1 + 0.1 * rng.uniform(-1, 1, (pairs, 1, n)))
    lost = q * hours * rng.lognormal(0, 0.2, (pairs, 2, n)) if q else np.zeros((pairs, 2, n))
    change = np.arange(n) % life == 0
    change[0] = False
    left = np.where(change, residual * rng.normal(1, 0.25, (pairs, 2, n)).clip(0.3, 2), 1.0)
    level = true_levels(rng, base * unit, hours, lost, left, boost)
    seen = level * np.exp(b_bottle * rng.standard_normal((pairs, 2, n, 1)) + b_own * rng.standard_normal(level.shape))
    if spoil is not None:
        seen = spoil(seen, rng)
    seen = np.maximum(seen + 0.5 * rng.standard_normal(level.shape), 0)
    exchanged = rng.random((pairs, n)) < exchange
    seen = np.where(exchanged[:, None, :, None], seen[:, ::-1], seen)
    exposure = known_exposure(rng, hours, lost, q, np.where(change, residual, 1.0), change)
    return Truth(exchanged, forecasts(np.round(seen), exposure, base, np.hypot(b_own, b_bottle)))


def true_levels(rng, rate, hours, lost, left, boost) -> np.ndarray:
    """ppm [pairs, 2, n, metals]: slow drift of the rate, load shared by the metals, make-up, changes."""
    pairs, _, n = lost.shape
    memory = np.exp(-250 / 1000)
    drift = rng.standard_normal(rate.shape)
    level, out = np.zeros(rate.shape), []
    for i in range(n):
        drift = memory * drift + np.sqrt(1 - memory**2) * rng.standard_normal(rate.shape)
        load = 1 + 0.10 * rng.standard_normal((pairs, 2, 1))
        now = rate * np.exp(0.15 * drift - 0.15**2 / 2) * load.clip(0.3) * (1 if boost is None else boost[:, :, i])
        kept = np.exp(-lost[:, :, i, None])
        psi = hours[:, :, i, None] * np.where(
            lost[:, :, i, None] > 0, (1 - kept) / np.maximum(lost[:, :, i, None], 1e-12), 1.0
        )
        level = level * left[:, :, i, None] * kept + now * psi
        out.append(level)
    return np.stack(out, axis=2)


def known_exposure(rng, hours, lost, q, left, change) -> tuple[np.ndarray, ...]:
    """phi, psi, sd_phi, hours as the records tell: 30 % of top-ups missing (the usual make-up is taken), the rest
    within 20 %.
    """
    missing = rng.random(lost.shape) < 0.3
    told = np.where(missing, q * hours, lost * rng.uniform(0.8, 1.2, lost.shape))
    kept = np.exp(-told)
    psi = hours * np.where(told > 0, (1 - kept) / np.maximum(told, 1e-12), 1.0)
    phi = left * kept
    sd = phi * np.hypot(np.where(change, 0.25, 0.0), np.where(missing, 0.25, 0.12) * told)
    return phi, psi, sd, np.broadcast_to(hours, lost.shape)


def forecasts(y: np.ndarray, exposure: tuple[np.ndarray, ...], base: np.ndarray, b: float) -> Panel:
    """One-step forecasts of all series by the wear filter, change acceptance off, as a panel."""
    pairs, _, n, a = y.shape
    below = y < 1
    series = np.moveaxis(np.where(below, 1.0, y), 3, 2).reshape(-1, n)
    flags = np.moveaxis(below, 3, 2).reshape(-1, n)
    m = np.tile(base, pairs * 2)
    numbers = Numbers(
        rate_mean=m, rate_sd=0.4 * m, level_mean=0.0, level_var=0.01, noise_floor=0.5, noise_share=b, load_share=0.12
    )
    phi, psi, sd, hours = (np.repeat(e.reshape(-1, n), a, axis=0) for e in exposure)
    track = wear_rates(
        series, flags, phi, psi, np.zeros_like(phi), sd_phi=sd, hours=hours, numbers=numbers, accept=False
    )
    side = np.tile(np.repeat(["left", "right"], n), pairs)
    machine = np.repeat([f"M{p:05d}" for p in range(pairs)], 2 * n)
    order = np.tile(np.arange(n), pairs * 2)
    bottles = pd.DataFrame({"machine": machine, "kind": "final drive", "order": order})
    bottles["compartment"] = bottles["machine"] + "/" + side
    bottles["sample"] = bottles["compartment"] + "/" + bottles["order"].astype(str)
    bottles["drawn_on"] = pd.Timestamp("2024-01-01") + pd.to_timedelta(order * 20, unit="D")
    grid = lambda v: v.reshape(pairs * 2, a, n).transpose(0, 2, 1).reshape(-1, a)  # noqa: E731
    return Panel(
        bottles,
        METALS,
        grid(series),
        grid(flags),
        grid(np.zeros_like(flags)),
        grid(track.expected),
        grid(track.expected_sd),
    )


# additive fingerprints (ppm P, Zn, Ca, Mg, B, Mo; viscosity at 40 and 100 C, mm2/s)
FINGERPRINTS = {
    "engine oil A": (1000, 1150, 2400, 60, 80, 60, 105, 14.2),
    "engine oil B": (1000, 1150, 1100, 1000, 80, 60, 105, 14.2),
    "drive oil": (950, 1050, 3100, 15, 20, 5, 95, 10.5),
    "hydraulic oil": (420, 480, 120, 5, 1, 0.5, 46, 6.8),
    "gear oil": (1400, 10, 20, 5, 180, 1, 150, 14.8),
}


def fluid_samples(
    rng: np.random.Generator, product: str, n: int, other: str | None = None, share: float = 0.0
) -> np.ndarray:
    """Results [n, 8] of bottles of `product` with `share` of `other`: 6 % own and 3 % shared noise, boron depleted up
    to 35 %.
    """
    a, b = np.array(FINGERPRINTS[product], float), np.array(FINGERPRINTS[other or product], float)
    mix = (1 - share) * a + share * b
    mix[6:] = np.exp((1 - share) * np.log(a[6:]) + share * np.log(b[6:]))
    out = np.tile(mix, (n, 1))
    out[:, 4] *= 1 - 0.35 * rng.random(n)
    noise = np.r_[np.full(6, 0.06), 0.02, 0.02]
    out *= np.exp(noise * rng.standard_normal((n, 8)))
    out[:, :6] *= np.exp(0.03 * rng.standard_normal((n, 1)))
    out[:, :6] = np.round(np.maximum(out[:, :6] + rng.standard_normal((n, 6)), 0))
    return out
