"""What the tests done on a compartment's bottles can see: every failure mode of its kind is watched, shown a little, or
not watched.
"""

import math
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import pandas as pd

from cmkit.judge.hypotheses import all_patterns, columns
from cmkit.records.analytes import below, with_own
from cmkit.records.fleet import Fleet
from cmkit.records.turnaround import constant
from cmkit.tables.frames import names, typed

COVERAGE = names("coverage")
WATCHED, LITTLE, UNWATCHED, NEVER = "watched", "shown a little", "not watched", "not in the fluid"
ANY, OTHER = "*", "other"
LEVEL, MAKEUP = "low", "makeup"


@dataclass(frozen=True)
class Mode:
    """A failure mode of some kinds of compartments (a row of reference/failure_modes.csv).

    sees: results of which one alone can show it; shows: results that move a little with it; neither: no fluid test sees
    it. causes: what findings call it. not_seen: what of it stays unseen; ask: the test to add.
    """

    kinds: frozenset[str]
    mode: str
    causes: frozenset[str]
    sees: frozenset[str]
    shows: frozenset[str]
    not_seen: str
    ask: str


@cache
def all_modes() -> tuple[Mode, ...]:
    """reference/failure_modes.csv; causes with the other names reference/hypotheses.csv has for them."""
    with files("cmkit.reference").joinpath("failure_modes.csv").open(encoding="utf-8") as handle:
        rows = pd.read_csv(handle, keep_default_na=False).to_dict("records")
    return tuple(_mode({str(k): str(v) for k, v in row.items()}) for row in rows)


@cache
def added_tests() -> dict[str, float]:
    """reference/added_tests.csv: a test that failure_modes.csv asks for to what it costs a bottle (starting prices)."""
    with files("cmkit.reference").joinpath("added_tests.csv").open(encoding="utf-8") as handle:
        rows = pd.read_csv(handle)
    return dict(zip(rows["test"], rows["price"].astype(float), strict=True))


def _mode(row: dict[str, str]) -> Mode:
    kinds = frozenset(row["kinds"].split("|"))
    causes = set(row["causes"].split("|"))
    also = {name for p in all_patterns() if p.cause in causes and kinds & set(p.kinds) for name in p.also}
    sees, shows = (frozenset(c for name in row[key].split() for c in _results(name)) for key in ("sees", "shows"))
    return Mode(kinds, row["mode"], frozenset(causes | also), sees, shows, row["not_seen"], row["ask"])


def _results(name: str) -> tuple[str, ...]:
    return (name,) if name == LEVEL else columns(name)


@cache
def modes_of(kind: str) -> tuple[Mode, ...]:
    """Failure modes of a kind of compartment; a kind without its own has those of `other`."""
    own = [m for m in all_modes() if kind in m.kinds]
    return (*(own or [m for m in all_modes() if OTHER in m.kinds]), *(m for m in all_modes() if ANY in m.kinds))


def mode_of(kind: str, cause: str) -> Mode | None:
    """The failure mode that a finding's words name; None for one that is not in the table."""
    said = cause.strip().lower()
    return next((m for m in modes_of(kind) if said in m.causes or said == m.mode), None)


def how_watched(mode: Mode, tests: frozenset[str]) -> str:
    """`watched`, `shown a little`, `not watched` by these tests (columns of samples), or `not in the fluid` by any."""
    if not mode.sees and not mode.shows:
        return NEVER
    if mode.sees & tests:
        return WATCHED
    return LITTLE if mode.shows & tests else UNWATCHED


def tests_done(samples: pd.DataFrame, register: pd.DataFrame) -> dict[str, frozenset[str]]:
    """By compartment: results reported in at least half of its bottles in `samples`; `low` where the level is written
    down as often.
    """
    analytes = [a for a in register.index if a in samples.columns]
    there = samples[analytes].notna() | samples[[below(a) for a in analytes]].to_numpy(dtype=bool)
    there[LEVEL] = samples["fluid_level"].fillna("").ne("").to_numpy()
    there[MAKEUP] = samples["makeup_l"].notna().to_numpy()
    share = there.groupby(samples["compartment"].to_numpy()).mean()
    done = share.to_numpy() >= constant("tested_share")
    return {str(c): frozenset(share.columns[row]) for c, row in zip(share.index, done, strict=True)}


def coverage(known: Fleet) -> pd.DataFrame:
    """One row per compartment of a working machine and failure mode of its kind (columns COVERAGE), by the bottles of
    the last year.
    """
    assert known.date is not None
    register = with_own(known.settings.analytes)
    recent = known.samples[
        known.samples["drawn_on"] > known.date - pd.Timedelta(days=constant("turnaround_window_days"))
    ]
    done = tests_done(recent, register)
    places = known.compartments.merge(known.machines.loc[known.machines["retired_on"].isna(), ["machine", "site"]])
    rows = [row for p in places.itertuples() for row in _rows(p, done.get(str(p.compartment), frozenset()))]
    return typed(rows, "coverage").sort_values(["compartment", "mode"], ignore_index=True)


def _rows(place: Any, tests: frozenset[str]) -> list[dict[str, Any]]:
    base = {"compartment": place.compartment, "site": place.site, "kind": place.kind}
    out = []
    for mode in modes_of(str(place.kind)):
        how = how_watched(mode, tests) if tests else (NEVER if not (mode.sees or mode.shows) else UNWATCHED)
        by = ", ".join(sorted((mode.sees if how == WATCHED else mode.shows) & tests))
        ask = "" if how == WATCHED else mode.ask
        price = added_tests().get(ask, math.nan)
        out.append(
            base | {"mode": mode.mode, "watched": how, "by": by, "not_seen": mode.not_seen, "ask": ask, "price": price}
        )
    return out
