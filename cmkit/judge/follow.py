"""The posterior of every kind of compartment in a frame of bottles, block by block so that arrays stay in cache."""

from dataclasses import fields
from typing import Any

import numpy as np
import pandas as pd

from cmkit.judge.events import events_of, hours_since
from cmkit.judge.hypotheses import States, make_states, pattern_shares, patterns_of
from cmkit.judge.looks import Events
from cmkit.judge.measures import Bottles
from cmkit.judge.posterior import Followed, follow
from cmkit.judge.priors import Priors, arrivals_of
from cmkit.judge.residue import with_old_fluid
from cmkit.records.fleet import Fleet

_BLOCK = 256  # compartments at once


def follow_kinds(
    known: Fleet, exposure: pd.DataFrame, kinds: list[Bottles], priors: Priors, without: frozenset[str] = frozenset()
) -> list[tuple[Bottles, States, Followed]]:
    """Bottles, states and chances of every kind; `without`: causes left out of the tables."""
    out = []
    for b in kinds:
        patterns = patterns_of(b.kind, without)
        share = pattern_shares(patterns, priors.counts.get(b.kind, {}))
        states = make_states(
            patterns,
            share,
            metals=b.metals,
            others=b.others,
            ways=b.ways,
            exponent=b.exponent,
            silent=(b.settles, b.stirred),
        )
        out.append((b, states, _in_blocks(known, exposure, b, states, priors)))
    return out


def _in_blocks(known: Fleet, exposure: pd.DataFrame, b: Bottles, states: States, priors: Priors) -> Followed:
    arrivals, events = arrivals_of(known, b.kind, priors.factor), events_of(known, exposure, b)
    since = hours_since(known, exposure, b, priors.pace)
    parts = []
    for start in range(0, len(b.places), _BLOCK):
        at = slice(start, start + _BLOCK)
        own = b.rows(at)
        n = own.row.shape[1]
        some = Events(
            *(
                np.column_stack([getattr(events, f.name)[at, :n], getattr(events, f.name)[at, -1:]])
                for f in fields(Events)
            )
        )
        own = with_old_fluid(own, some, known.settings.kind(b.kind).residual)
        parts.append(follow(own, states, arrivals, priors.shares, events=some, since_h=since[at]))
    return parts[0] if len(parts) == 1 else _stacked(parts, b.row.shape[1])


def _stacked(parts: list[Followed], longest: int) -> Followed:
    """Blocks as one; a block with fewer bottles is filled with NaN."""
    joined: dict[str, Any] = {}
    for f in fields(Followed):
        values = [getattr(p, f.name) for p in parts]
        if f.name in ("states", "prior", "oddities"):
            values = [np.pad(v, ((0, 0), (0, longest - v.shape[1]), (0, 0)), constant_values=np.nan) for v in values]
        joined[f.name] = np.concatenate(values)
    return Followed(**joined)
