"""Exposure: how long a fluid has really gathered metal, once changes, top-ups, carry-out and filtering are allowed for.

Mass balance of one metal in a charge of V litres (C in ppm, t in operating hours, w the metal released, q the make-up,
r the removal by filter and settling, kappa the share of metal that leaves with lost fluid, c_f the metal in fresh
fluid):

    dC/dt = w/V - (q/V)(kappa C - c_f) - r C          beta = w/V, the wear rate in ppm per hour at full charge

It is linear, so between two bottles C = phi C_before + beta psi + chi c_f. phi is the share of the old level that is
still there, psi the *effective hours*, chi the share of the charge that is fresh. A fluid change is only another event
that multiplies. Source (guide how_it_is_computed, A): linear ordinary differential equation, solved in closed form and
checked against numerical integration in the tests; the equilibrium of production against removal is the classical
Anderson-Driver geometric series.
"""

from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cmkit.records.fleet import Fleet
from cmkit.tables.frames import names, typed
from cmkit.wear.timeline import timeline, usual_make_up, usual_pace, with_changes, with_make_up

Floats = NDArray[np.float64]
KINDS = ("run", "top_up", "change", "sample")
_RUN, _TOP_UP, _CHANGE, _SAMPLE = range(4)


def effective_hours(a: ArrayLike, hours: ArrayLike) -> Floats:
    """E(a, d) = (1 - exp(-a d))/a: hours that count when a share `a` per hour is lost on the way; d itself at a = 0.

    a: loss per hour (1/h), any sign; hours: operating hours d >= 0. Shapes broadcast. Series d (1 - ad/2 + (ad)^2/6)
    below |ad| = 1e-5.
    """
    a, d = np.broadcast_arrays(np.asarray(a, float), np.asarray(hours, float))
    x = a * d
    small = np.abs(x) < 1e-5
    closed = -np.expm1(-x) / np.where(a == 0, 1.0, a)
    return np.asarray(np.where(small, d * (1 - x / 2 + x * x / 6), closed))


@dataclass(frozen=True)
class Events:
    """Events of many compartments as arrays of one length, each compartment's together and in order of running hours.

    chain: integer, one per compartment or life (equal values adjacent); hours: run before the event; kind: index into
    KINDS; amount: litres of a top-up, residual share of a change; make_up, loss: litres per hour during the run,
    replaced as they go or left to fall until the next top-up; removal: 1/h; volume: charge in litres (NaN: unknown,
    then nothing dilutes); carry_out: kappa; sd: standard deviation of the event's own factor (residual share; top-up as
    a share of the charge; make-up missed before a sample);
    sd_hours: of the moment of a change.
    """

    chain: NDArray[np.int64]
    hours: Floats
    kind: NDArray[np.int64]
    amount: Floats
    make_up: Floats
    loss: Floats
    removal: Floats
    volume: Floats
    carry_out: Floats
    sd: Floats
    sd_hours: Floats


@dataclass(frozen=True)
class Exposure:
    """Per sample, in the order of the events: phi, psi (h), chi (share of fresh fluid), sd_phi, sd_psi (h), since the
    last sample.
    """

    phi: Floats
    psi: Floats
    chi: Floats
    sd_phi: Floats
    sd_psi: Floats


def exposure_chain(
    events: pd.DataFrame,
    volume_l: ArrayLike,
    carry_out: ArrayLike = 1.0,
    fresh_ppm: ArrayLike = 1.0,
    level: str = "held",
) -> Exposure:
    """phi, psi, chi of each sample of an event list (interval form: counted from the sample before, or from the list's
    start).

    events: columns compartment, kind (run, top_up, change, sample), hours (run before the event, or of a `run`), amount
    (litres or residual share), and if wanted make_up_l_per_h, removal_per_h, sd. volume_l, carry_out, fresh_ppm: one
    number or one per event. level: `held` (make-up is added as it is lost) or `falling` (the level falls until the next
    top-up). chi is in ppm when fresh_ppm is given. Raises ValueError for a top-up larger than the charge, hours that
    are negative, an unknown kind or level.
    """
    if level not in ("held", "falling"):
        raise ValueError(f"level {level!r}, wanted 'held' or 'falling'")
    n = len(events)
    codes = events["kind"].map({name: code for code, name in enumerate(KINDS)})
    if codes.isna().any():
        raise ValueError(f"event kind {events['kind'][codes.isna()].iloc[0]!r}, wanted one of {', '.join(KINDS)}")
    kind = codes.to_numpy(np.int64)

    def column(name: str) -> Floats:
        return events[name].fillna(0.0).to_numpy(float) if name in events else np.zeros(n)

    rate, zero = column("make_up_l_per_h"), np.zeros(n)
    make_up, loss = (rate, zero) if level == "held" else (zero, rate)
    volume, carried = (np.broadcast_to(np.asarray(v, float), n).copy() for v in (volume_l, carry_out))
    number = pd.factorize(events["compartment"])[0].astype(np.int64)
    packed = Events(
        number,
        column("hours"),
        kind,
        column("amount"),
        make_up,
        loss,
        column("removal_per_h"),
        volume,
        carried,
        column("sd"),
        column("sd_hours"),
    )
    _refuse_impossible(packed)
    out = chain(packed)
    fresh = np.broadcast_to(np.asarray(fresh_ppm, float), n)[kind == _SAMPLE]
    return Exposure(out.phi, out.psi, out.chi * fresh, out.sd_phi, out.sd_psi)


def _refuse_impossible(events: Events) -> None:
    if (events.hours < 0).any():
        raise ValueError(
            f"event {int(np.argmin(events.hours))}: {events.hours.min():g} hours; hours must not be negative"
        )
    over = (events.kind == _TOP_UP) & (events.amount > events.volume)
    if over.any():
        i = int(np.argmax(over))
        raise ValueError(
            f"event {i}: top-up of {events.amount[i]:g} l into a charge of {events.volume[i]:g} l; more than fits"
        )


def chain(events: Events) -> Exposure:
    """The one pass over all events: the k-th event of every compartment at once. Cost grows with the longest
    compartment's list.
    """
    starts, lengths = _runs_of(events.chain)
    longest_first = np.argsort(-lengths, kind="stable")
    starts, lengths = starts[longest_first], lengths[longest_first]
    n = len(events.chain)
    out = np.empty((5, n))
    state = _fresh_state(len(starts))
    for k in range(int(lengths[0]) if len(lengths) else 0):
        live = int(np.searchsorted(-lengths, -k, side="left"))
        at = starts[:live] + k
        now = _step(state[:, :live], _take(events, at))
        out[:, at] = now[:5]
        reset = events.kind[at] == _SAMPLE
        now[:5, reset] = np.array([1.0, 0.0, 0.0, 0.0, 0.0])[:, None]
        state[:, :live] = now
    phi, psi, chi, var_phi, var_psi = out[:, events.kind == _SAMPLE]
    return Exposure(phi, psi, chi, np.sqrt(var_phi), np.sqrt(var_psi))


def _runs_of(keys: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Start and length of each run of equal keys."""
    if not len(keys):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    starts = np.r_[0, np.flatnonzero(np.diff(keys)) + 1]
    return starts, np.diff(np.r_[starts, len(keys)])


def _fresh_state(n: int) -> Floats:
    """Rows: phi, psi, chi, var phi, var psi, share of the charge that is there."""
    state = np.zeros((6, n))
    state[0] = state[5] = 1.0
    return state


def _take(events: Events, at: NDArray[np.int64]) -> Events:
    return Events(*(getattr(events, f.name)[at] for f in fields(events)))


def _step(state: Floats, e: Events) -> Floats:
    """One event each: run the hours, then do what the event does."""
    phi, psi, chi, var_phi, var_psi, filled = state
    known = np.isfinite(e.volume) & (e.volume > 0)
    volume = np.where(known, e.volume, 1.0)
    q, lost = np.where(known, e.make_up / volume / filled, 0.0), np.where(known, e.loss / volume, 0.0)

    # run: make-up as it goes dilutes; a falling level concentrates what is released (closed form without removal)
    a = e.carry_out * q + e.removal
    g, hours = np.exp(-a * e.hours), effective_hours(a, e.hours)
    left = np.maximum(filled - lost * e.hours, 0.5 * filled)
    shrink = np.log(filled / left)
    falls = shrink > 0
    grow = np.where(falls, np.exp((1 - e.carry_out) * shrink), 1.0)
    factor = effective_hours(e.carry_out - 1, shrink) / np.where(falls, filled - left, 1.0)
    hours = hours * np.where(falls, factor, 1.0 / filled)
    g = g * grow
    fresh = q * effective_hours(a, e.hours)

    # event: a top-up fills to what it was, a change leaves the residual
    top = (e.kind == _TOP_UP) & known
    share = np.where(top, e.amount / volume, 0.0)
    short = (
        1 - left
    )  # what fell away since the charge was full; only beyond it does a top-up stand for fluid carried out unseen
    in_fall = np.minimum(share, short)
    excess, filled_up = share - in_fall, left + in_fall
    change = e.kind == _CHANGE
    h = np.where(change, e.amount, left / filled_up * (1 - e.carry_out * excess))
    added = np.where(change, 1 - e.amount, in_fall / filled_up * (1 - e.carry_out * excess) + excess)

    phi1, psi1, chi1 = phi * g, psi * g + hours, chi * g + fresh
    var_phi1 = var_phi * (g * h) ** 2 + (phi1 * e.sd) ** 2
    var_psi1 = var_psi * (g * h) ** 2 + (psi1 * e.sd) ** 2 + np.where(change, (1 - e.amount) * e.sd_hours, 0.0) ** 2
    filled1 = np.where(change, 1.0, filled_up)
    return np.stack([phi1 * h, psi1 * h, chi1 * h + added, var_phi1, var_psi1, filled1])


COLUMNS = names("exposure")


def sample_exposure(
    known: Fleet,
    hours: pd.DataFrame,
    services: pd.DataFrame,
    make_up: pd.DataFrame | None = None,
    pace: float | None = None,
    *,
    residuals: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """One row per usable sample (columns COLUMNS), sorted by compartment, life, run_h, drawn_on; interval form, chi per
    1 ppm in fresh fluid.

    known: the fleet as known on a day. hours: sample, compartment, meter_h, run_h, sd_h, usable. services: service,
    compartment, run_h, sd_h, usable; make_up, pace: of the whole fleet (`wear.timeline`), learnt from `known` itself
    when left out; residuals: what a change leaves in each kind (`wear.residual`), the kinds' assumed shares when left
    out. A service without usable hours is placed by its date. A `replace` service or `fitted_on` starts a new life.
    `start` says
    how the first bottle of a life is chained: `component` (from new), `fluid` (from the last change known), `unknown`
    (then fluid_h is NaN, phi 1, psi 0, and only the family's usual level is known beforehand), empty for later bottles.
    sd_phi, sd_psi: standard deviations from residual fluid, from top-ups not recorded and from the moment of a change.
    volume_known False: no correction for top-ups.
    """
    line = timeline(known, hours, services, usual_pace(known, hours) if pace is None else pace)
    line = with_make_up(line, usual_make_up(line) if make_up is None else make_up)
    return exposure_of(with_changes(line, residuals))


def exposure_of(line: pd.DataFrame) -> pd.DataFrame:
    """:func:`sample_exposure` of a timeline that is settled (`wear.timeline.with_changes`)."""
    n = len(line)

    def column(name: str) -> Floats:
        return line[name].to_numpy(float) if n else np.zeros(0)

    kind = line["what"].map({name: code for code, name in enumerate(KINDS)}).to_numpy(np.int64)
    done = chain(
        Events(
            line["chain"].to_numpy(np.int64),
            column("hours"),
            kind,
            column("amount"),
            column("make_up"),
            column("loss"),
            column("removal"),
            column("volume_l"),
            column("carry_out"),
            column("sd"),
            column("sd_hours"),
        )
    )
    out = line[kind == _SAMPLE].reset_index(drop=True)
    for f in fields(Exposure):
        out[f.name] = getattr(done, f.name)
    out["season"] = out["work"] = out["running_in"] = 1.0  # until their modules say otherwise
    out["age_h"] = np.nan
    out = out.drop(columns="hours").rename(columns={"id": "sample", "date": "drawn_on", "interval_h": "hours"})
    return typed(out[COLUMNS], "exposure")
