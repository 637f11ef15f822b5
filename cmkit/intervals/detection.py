"""The chance that a sample raises an alarm on a growing defect, taken from the filter that will judge it.

Between changes the two-state filter of `wear.rates` settles to steady gains that depend on the interval, the noise and
the wear rate. A growing defect adds to the level; the filter follows part of it, and what it does not follow stands out
against the forecast's own spread. Derived in guide how_it_is_computed, F1; checked against the real filter on planted
defects.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from scipy.special import ndtr

from cmkit.intervals.delay import Array, raised
from cmkit.intervals.normal import STEPS, normal_cdf

DOUBLINGS = 10
PHASES = np.array([0.5 - 0.5 / 3**0.5, 0.5 + 0.5 / 3**0.5])  # two-point Gauss rule over a fluid life


@dataclass(frozen=True)
class SteadyFilter:
    """Spread of the forecast of the next result (ppm^2) and gains on level (-) and on rate (1/h) once the filter has
    settled.
    """

    variance: Array
    gain_level: Array
    gain_rate: Array

    def rows(self, at: Array) -> "SteadyFilter":
        """Of these compartments."""
        return SteadyFilter(self.variance[at], self.gain_level[at], self.gain_rate[at])


def steady_filter(
    every_h: Array,
    rate: Array,
    *,
    noise_floor: Array,
    noise_share: Array,
    load_share: Array,
    drift_share: Array,
    level: Array,
) -> SteadyFilter:
    """Steady state of the level-and-rate filter at a sampling interval.

    every_h: interval (h, > 0); rate: wear rate (ppm/h); noise_floor: additive noise (ppm); noise_share: noise as a
    share of the level; load_share: spread of the rate from interval to interval (share); drift_share: drift of the rate
    per sqrt(1000 h) (share); level: typical level (ppm). Arrays broadcast. No loss of fluid between samples. The
    Riccati recursion is run by doubling (structure-preserving; ten doublings stand for a thousand samples), so that
    short intervals, which settle slowly, settle too.
    """
    noise = noise_floor**2 + (noise_share * level) ** 2
    drift = (drift_share * rate) ** 2 * every_h / 1000
    load = (load_share * rate * every_h) ** 2 + drift * np.square(every_h) / 3
    shape = np.broadcast_shapes(np.shape(noise), np.shape(drift), np.shape(load), np.shape(every_h))
    # measured in units of the interval and of the noise, so that all numbers are near 1
    spread = _matrix(shape, load / noise, drift * every_h / 2 * every_h / noise, drift * np.square(every_h) / noise)
    move = np.broadcast_to(np.array([[1.0, 0.0], [1.0, 1.0]]), (*shape, 2, 2))
    seen = np.broadcast_to(np.array([[1.0, 0.0], [0.0, 0.0]]), (*shape, 2, 2))
    for _ in range(DOUBLINGS):
        inner = np.linalg.inv(np.eye(2) + seen @ spread)
        forward = move @ inner
        seen, spread, move = (
            seen + forward @ seen @ _turned(move),
            spread + _turned(move) @ spread @ inner @ move,
            forward @ move,
        )
    a11, a12 = spread[..., 0, 0], spread[..., 0, 1]
    return SteadyFilter((a11 + 1) * noise, a11 / (a11 + 1), a12 / (a11 + 1) / every_h)


def _matrix(shape: tuple[int, ...], a11: Array, a12: Array, a22: Array) -> Array:
    parts = [np.broadcast_to(part, shape) for part in (a11, a12, a12, a22)]
    return np.stack(parts, axis=-1).reshape(*shape, 2, 2)


def _turned(matrix: Array) -> Array:
    return np.swapaxes(matrix, -1, -2)


def typical_levels(rate: Array, change_every_h: Array, residual: Array) -> Array:
    """Levels (ppm) at two representative ages of a fluid life; shape (..., 2).

    With a share `residual` left at each change the level runs from r w/(1-r) to w/(1-r), w = rate x change interval (no
    make-up).
    """
    gained = np.asarray(rate * change_every_h)[..., None]
    left = np.asarray(residual)[..., None]
    return gained * (left / (1 - left) + PHASES)


def retention(every_h: Array, change_every_h: Array, residual: Array) -> Array:
    """Average share of the level still there one interval later: 1 - (1 - residual) min(1, every/change)."""
    return 1 - (1 - residual) * np.minimum(1.0, every_h / change_every_h)


@dataclass(frozen=True)
class Signature:
    """Where a growing defect stands at one sample, for a delay of 1 h: multiply by delay**-growth for a delay of h
    hours.

    departure: rise above the filter's forecast (ppm); followed: rise the filter has already taken for normal (ppm).
    """

    departure: Array
    followed: Array

    def rows(self, at: Array) -> "Signature":
        """At these places."""
        return Signature(self.departure[at], self.followed[at])

    def precise(self, kind: Any) -> "Signature":
        """The same in another precision."""
        return Signature(self.departure.astype(kind), self.followed.astype(kind))


def signatures(
    first_h: Array, every_h: float, excess: Array, growth: Array, *, kept: Array, steady: SteadyFilter, last: int
) -> Iterator[Signature]:
    """Yield the :class:`Signature` of samples 1..last, the first drawn `first_h` hours after the defect began.

    excess: rate added at failure, base rate x (multiple - 1), ppm/h; growth: power of (age / delay); kept: see
    :func:`retention`. All arrays broadcast against first_h. The chain is linear in the excess and in delay**-growth, so
    the delay stays outside.
    """
    error_level = np.zeros_like(first_h)
    error_rate = np.zeros_like(first_h)
    risen = np.zeros_like(first_h)
    power = growth + 1
    before = np.zeros_like(first_h)
    for k in range(last):
        age = raised(first_h + k * every_h, power)
        added = excess / power * (age - before)
        before = age
        departure = kept * error_level + every_h * error_rate + added
        risen = kept * risen + added
        error_level = (1 - steady.gain_level) * departure
        error_rate = error_rate - steady.gain_rate * departure
        yield Signature(departure, risen - departure)


def alarm_chance(
    departure: Array,
    followed: Array,
    steady: SteadyFilter,
    *,
    noise_share: Array,
    level: Array,
    z_alarm: Array,
    acted: Array,
    metals: Array = 1.0,
) -> Array:
    """Chance that a result `departure` ppm above its forecast is called and acted on; noise grows with the risen level.

    metals: how many metals rise alike and are each watched; their noise is taken as independent.
    """
    spread = np.sqrt(steady.variance + noise_share**2 * (followed * (2 * level + followed)))
    missed = ndtr(z_alarm - departure / spread)
    pair = np.all(np.asarray(metals) == 2)  # the usual number; a general power takes longer than all the rest
    return acted * (1 - (missed * missed if pair else missed**metals))


@dataclass(frozen=True)
class Watch:
    """How results are watched at each place (M,): variance of the forecast (ppm^2), noise share, level (ppm), alarm
    bound (sd), share of alarms acted on, metals that rise alike."""

    variance: Array
    noise_share: Array
    level: Array
    z_alarm: Array
    acted: Array
    metals: Array

    def rows(self, at: Array) -> "Watch":
        """At these places."""
        return Watch(*(getattr(self, f.name)[at] for f in fields(self)))

    def precise(self, kind: Any) -> "Watch":
        """The same in another precision."""
        return Watch(*(getattr(self, f.name).astype(kind) for f in fields(self)))


def not_called(watch: Watch, mark: Signature, size: Array, room: Array) -> Array:
    """1 - :func:`alarm_chance` of a signature (M,) on delays with size = delay**-growth (H, M), to 1e-9 (single
    precision: 1e-6), computed in `room` (4, H, M); all of one precision.
    """
    spread, missed = room[:2]
    bend = watch.noise_share**2 * mark.followed
    np.multiply(size, bend * mark.followed, out=spread)
    spread += 2 * bend * watch.level
    spread *= size
    spread += watch.variance
    np.sqrt(spread, out=spread)
    np.divide(size, spread, out=spread)
    spread *= -STEPS * mark.departure
    spread += STEPS * watch.z_alarm
    normal_cdf(spread, missed, room[2:])
    np.multiply(missed, missed, out=missed) if np.all(watch.metals == 2) else np.power(missed, watch.metals, out=missed)
    missed *= watch.acted
    missed += 1 - watch.acted
    return missed
