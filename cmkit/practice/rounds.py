"""The next round of bottles: what to draw, on which machine, by which method, and what to bring.

Common practice throughout (no source): how each is drawn is in `practice.drawing`; never from the drain stream; left
and right as seen from the operator's seat facing forward.
"""

import hashlib
import math
from typing import Any

import numpy as np
import pandas as pd

from cmkit.practice.drawing import NO_DRAWING, Tube, clean_ranks, how_drawn, surface_below, tube_for
from cmkit.practice.visits import plan_visits
from cmkit.records.fleet import Fleet
from cmkit.records.settings import Sampling
from cmkit.tables.frames import names, typed
from cmkit.tables.practice import DUPLICATE

CARDS = names("cards")
AHEAD_DAYS = 31
DUPLICATE_VISIT = 9  # past any further visit (`visits.MAX_VISITS`), so that the numbers never meet
LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ2345678"  # 31, a prime, without letters that look alike in handwriting
_PLACE = [
    "position",
    "fluid",
    "grade",
    "access",
    "pressurised",
    "sampling_point",
    "depth_mm",
    "surface_mm",
    "dead_volume_ml",
]
_TUBE_NOT_KNOWN_MM = 1000.0  # own choice: tube to bring for a compartment whose depth is not recorded
_SPARE = 1.1  # own choice: bottles and tube to spare on a round


def plan_round(known: Fleet, due: pd.DataFrame, use: pd.DataFrame, days: int = AHEAD_DAYS) -> pd.DataFrame:
    """Cards, one a bottle, of what falls due within `days` of the view's date (columns CARDS), by site, day, machine
    and cleanest system.

    due: frame of `practice.due.next_due`; use: machine and h_per_day of `trust.hours.machine_use`. Compartments of idle
    machines wait until the machine works again. On which day: `on_days`.
    """
    until = known.date + pd.Timedelta(days=days)
    wanted = due[due["overdue"] | (due["due_on"] <= until)]
    return on_days(_drafts(known, wanted), due, use, date=known.date, rule=known.settings.sampling, days=days)


def on_days(
    cards: pd.DataFrame,
    due: pd.DataFrame,
    use: pd.DataFrame,
    *,
    date: pd.Timestamp,
    rule: Sampling,
    days: int = AHEAD_DAYS,
) -> pd.DataFrame:
    """`cards` planned anew within what the crews can draw over all sites (rule.crew_samples_per_week; 0 means no
    limit).

    plan_on: the day to draw it (`practice.visits`); visit: 2, 3, ... for a further bottle of the same compartment in
    this round, 9 its blind duplicate (rule.duplicate_share); later: True for what is due too but past the crews'
    capacity. method `none`: no safe point is recorded, so it has no day and takes no capacity.
    """
    first = cards[cards["visit"] == 1].drop(columns=["visit", "plan_on", "later", "bottle"])
    first = first.merge(due[["compartment", "every_h", "overdue_h"]], on="compartment")
    first = first.merge(use[["machine", "h_per_day"]], on="machine", how="left")
    drawable = first["method"] != NO_DRAWING
    planned = plan_visits(first[drawable], date, days, rule.crew_samples_per_week, rule.interval_tolerance)
    waiting = first[~drawable].assign(plan_on=pd.NaT, visit=1, later=False)
    out = pd.concat([planned, waiting]) if len(waiting) else planned
    out["clean_rank"] = clean_ranks(out["kind"], out["coolant"])
    out = out.sort_values(["site", "later", "plan_on", "machine", "clean_rank", "compartment"]).reset_index(drop=True)
    out = _with_duplicates(out, date, rule.duplicate_share)
    out["bottle"] = [bottle_number(c, date, v) for c, v in zip(out["compartment"], out["visit"], strict=True)]
    return typed(out[CARDS], "cards")


def _with_duplicates(planned: pd.DataFrame, date: pd.Timestamp, share: float) -> pd.DataFrame:
    """`planned` with a second bottle, right after the first, for a share of each site's oil compartments of this round.

    Which ones changes from round to round without anybody choosing. The crew is at the machine anyway, so they take no
    capacity.
    """
    able = (planned["visit"] == 1) & ~planned["later"].astype(bool) & planned["plan_on"].notna() & ~planned["coolant"]
    lot = planned["compartment"].map(lambda c: hashlib.sha256(f"{c}|{date:%Y-%m-%d}|duplicate".encode()).hexdigest())
    place = lot[able].groupby(planned.loc[able, "site"]).rank(method="first")
    wanted = np.ceil(share * able.groupby(planned["site"]).transform("sum"))
    again = planned[place.reindex(planned.index) <= wanted].assign(visit=DUPLICATE_VISIT, why=DUPLICATE)
    return pd.concat([planned, again]).sort_index(kind="stable").reset_index(drop=True) if len(again) else planned


def _drafts(known: Fleet, wanted: pd.DataFrame) -> pd.DataFrame:
    """A card for each of the `wanted` compartments, without its day."""
    places = known.compartments.set_index("compartment").rename_axis(None)[_PLACE]
    out = wanted.merge(places, left_on="compartment", right_index=True)
    out = out.join(how_drawn(out, known.settings))
    tubes = [_tube(r, known) for r in out.itertuples()]
    out["tube_mm"], out["mark_mm"] = [t.cut_mm for t in tubes], [t.mark_mm for t in tubes]
    out["tube_words"] = [t.words for t in tubes]
    out["dead_ml"] = out["dead_volume_ml"].fillna(out["usual_dead_ml"]).where(out["method"] == "probe")
    out["dead_assumed"] = out["dead_volume_ml"].isna() & (out["method"] == "probe")
    out["purge_times"] = out["purge_times"].where(out["method"] == "probe")
    out["side"] = out["position"].map(side_words)
    out["where"] = [where_words(a, m, c) for a, m, c in zip(out["access"], out["method"], out["coolant"], strict=True)]
    return out.assign(visit=1, plan_on=pd.NaT, later=False, bottle="")[CARDS]


def _tube(card: Any, known: Fleet) -> Tube:
    """The tube of a card's bottle; none for a probe."""
    if card.method != "pump":
        return Tube(math.nan, math.nan, "no tube" if card.method == "probe" else "")
    access = card.access if isinstance(card.access, str) else ""
    surface = surface_below(card.kind, access, card.surface_mm, card.depth_mm)
    return tube_for(card.depth_mm, surface, known.settings.kind(card.kind).tube_extra_mm, access)


def where_words(access: str, method: str, coolant: bool) -> str:
    """Where the bottle is drawn; coolant by pump at the cap of the cold system, never at a valve that is not rated for
    it.
    """
    named = access if isinstance(access, str) else ""
    if coolant and method == "pump" and (not named or "valve" in named.casefold()):
        return "pressure cap, system cold"
    return named or "access not recorded: ask first"


def side_words(position: str) -> str:
    """The position as written on a label; sides are always as seen from the operator's seat."""
    if not isinstance(position, str) or not position:
        return ""
    if "left" in position or "right" in position:
        return f"{position.upper()} as seen from the operator's seat, facing forward"
    return position


def bottle_number(compartment: str, day: pd.Timestamp, visit: int = 1) -> str:
    """A bottle number that is the same for the same compartment, round and visit: 8 characters and a check letter."""
    again = f"|{visit}" if visit > 1 else ""
    digest = hashlib.sha256(f"{compartment}|{day:%Y-%m-%d}{again}".encode()).digest()
    body = "".join(LETTERS[b % 31] for b in digest[:8])
    return body + check_letter(body)


def check_letter(body: str) -> str:
    """Check letter over a bottle number's body: any one wrong letter and any exchange of neighbours changes it (weights
    1, 3, 5, ... mod 31).
    """
    return LETTERS[sum((2 * i + 1) * LETTERS.index(c) for i, c in enumerate(body)) % 31]


def what_to_bring(cards: pd.DataFrame) -> pd.DataFrame:
    """Totals to bring: item, number, unit, why (bottles and tube with a tenth to spare; a pump or probe of its own for
    each fluid).
    """
    drawn = cards[cards["method"] != NO_DRAWING]
    pumped = drawn[drawn["method"] == "pump"]
    longest = (
        max(pumped["tube_mm"].max(), _TUBE_NOT_KNOWN_MM) if pumped["tube_mm"].notna().any() else _TUBE_NOT_KNOWN_MM
    )
    tube_m = pumped["tube_mm"].fillna(longest).sum() / 1000
    bottles, unknown = math.ceil(round(len(drawn) * _SPARE, 9)), int(pumped["tube_mm"].isna().sum())
    spare = f"{len(drawn)} to draw and {bottles - len(drawn)} spare, for one dropped, dirtied or overfilled"
    tube = f"{len(pumped)} pieces and a tenth to spare, for one cut wrong or that touched the ground"
    tube += f"; {longest / 1000:g} m for each bottle of unknown depth: {unknown}" if unknown else ""
    rows = [
        ("sample bottles, clean and sealed", bottles, "", spare),
        ("new tube, one piece a bottle", math.ceil(round(10 * tube_m * _SPARE, 9)) / 10, "m", tube),
        *_tools(drawn),
        ("waste bottle, rags, gloves, eye protection, labels, pen", int(len(drawn) > 0), "set", ""),
    ]
    return pd.DataFrame([r for r in rows if r[1]], columns=["item", "number", "unit", "why"])


def _tools(drawn: pd.DataFrame) -> list[tuple[str, int, str, str]]:
    """A row for each pump and probe of the round."""
    uses = drawn["tool"].value_counts().sort_index()
    return [
        (
            f"{'hand vacuum ' if tool.startswith('pump') else 'sampling '}{tool}",
            1,
            "",
            f"marked, for no other fluid; {n} on this round",
        )
        for tool, n in uses.items()
    ]
