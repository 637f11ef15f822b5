"""The next round of bottles: what to draw, on which machine, by which method, and what to bring.

Common practice throughout (no source): how each is drawn is in `practice.drawing`; never from the drain stream; left and right as seen
from the operator's seat facing forward; a final drive's level stands at the bottom of its plug's thread; a low level in a sealed
compartment means suspect a leak.
"""

import hashlib
import math
from typing import Any

import pandas as pd

from cmkit.practice.drawing import NO_DRAWING, Tube, how_drawn, surface_below, tube_for
from cmkit.records.fleet import Fleet
from cmkit.records.tables import typed

CARDS = [
    "site", "machine", "compartment", "kind", "position", "side", "fluid", "grade", "access", "method", "tool", "coolant", "tube_mm",
    "mark_mm", "tube_words", "ready", "level_words", "due_meter_h", "due_on", "why", "last_run_h", "bottle", "later",
]  # fmt: skip
AHEAD_DAYS = 31
_URGENT = {"repeat after alarm": 0, "never sampled": 1, "repeat of a doubted bottle": 2, "sooner after alert": 2}
_DAYS_A_WEEK = 7
LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ2345678"  # 31, a prime, without letters that look alike in handwriting
_TUBE_NOT_KNOWN_MM = 1000.0  # own choice: tube to bring for a compartment whose depth is not recorded
_SPARE = 1.1  # own choice: bottles and tube to spare on a round


def plan_round(known: Fleet, due: pd.DataFrame, days: int = AHEAD_DAYS) -> pd.DataFrame:
    """Cards, one a bottle, of what falls due within `days` of the view's date (columns CARDS), by site, machine and compartment.

    later: True for what is due too but past the crew's capacity; urgent bottles are never left for routine ones.

    due: frame of `practice.due.next_due`. Capacity: settings.sampling.crew_samples_per_week over the period and all sites, shared
    in proportion to what is due at each site; 0 means no limit. Compartments of idle machines wait until the machine works again.
    """
    until = known.date + pd.Timedelta(days=days)
    wanted = due[due["overdue"] | (due["due_on"] <= until)].copy()
    wanted["order"] = wanted["why"].map(_URGENT).fillna(3)
    wanted["share_past"] = (wanted["overdue_h"] / wanted["every_h"]).fillna(0)
    wanted = wanted.sort_values(["order", "share_past", "due_on", "compartment"], ascending=[True, False, True, True])
    per_week = known.settings.sampling.crew_samples_per_week
    room = math.floor(per_week * days / _DAYS_A_WEEK) if per_week > 0 else len(wanted)
    kept = _within_capacity(wanted, room)
    return _cards(known, wanted.assign(later=~kept))


def _within_capacity(wanted: pd.DataFrame, room: int) -> pd.Series:
    """Flags the rows that fit: all urgent ones anywhere first, the rest by each site's share of the room left."""
    if room >= len(wanted):
        return pd.Series(True, index=wanted.index)
    urgent = wanted["order"] < 3
    kept = urgent & (urgent.cumsum() <= room)
    routine = wanted[~urgent]
    left = room - int(kept.sum())
    turn = routine.groupby("site").cumcount() / routine.groupby("site")["site"].transform("size")
    kept.loc[turn.sort_values(kind="stable").index[: max(left, 0)]] = True
    return kept


def _cards(known: Fleet, rows: pd.DataFrame) -> pd.DataFrame:
    places = known.compartments.set_index("compartment").rename_axis(None)
    wanted = ["position", "fluid", "grade", "access", "pressurised", "sampling_point", "depth_mm", "surface_mm"]
    out = rows.merge(places[wanted], left_on="compartment", right_index=True)
    out = out.sort_values(["site", "machine", "compartment"]).reset_index(drop=True)
    out = out.join(how_drawn(out, known.settings))
    tubes = [_tube(r, known) for r in out.itertuples()]
    out["tube_mm"], out["mark_mm"] = [t.cut_mm for t in tubes], [t.mark_mm for t in tubes]
    out["tube_words"] = [t.words for t in tubes]
    out["ready"] = [_ready_words(m, c, k) for m, c, k in zip(out["method"], out["coolant"], out["kind"], strict=True)]
    out["level_words"] = [_level_words(kind) for kind in out["kind"]]
    out["side"] = out["position"].map(side_words)
    out["bottle"] = [bottle_number(c, known.date) for c in out["compartment"]]
    return typed(
        out[CARDS], ("tube_mm", "mark_mm", "due_meter_h", "last_run_h"), dates=("due_on",), flags=("later", "coolant")
    )


def _tube(card: Any, known: Fleet) -> Tube:
    """The tube of a card's bottle; none for a probe."""
    if card.method != "pump":
        return Tube(math.nan, math.nan, "no tube" if card.method == "probe" else "")
    access = card.access if isinstance(card.access, str) else ""
    surface = surface_below(card.kind, access, card.surface_mm, card.depth_mm)
    return tube_for(card.depth_mm, surface, known.settings.kind(card.kind).tube_extra_mm, access)


def _ready_words(method: str, coolant: bool, kind: str) -> str:
    if method == NO_DRAWING:
        return (
            "Do not draw. The register names no low-pressure sampling point here. Have a competent person name one, by the maker's manual, and "
            "write 'low-pressure' as its sampling_point in compartments."
        )
    if coolant and method == "pump":
        return (
            "Never from a hot system. Let it cool until the cap can be touched, then let the pressure off slowly at the cap's first stop. Draw at the "
            "cap, by pump. Have it run earlier the same day, so that it is mixed."
        )
    if coolant:
        return "Only at the valve made and rated for hot coolant; the cap stays closed. Face shield and gloves: it scalds. Let the dead volume run off first."
    if method == "probe":
        hydraulic = "Only at the point recorded as low-pressure. " if kind == "hydraulic" else ""
        return (
            f"{hydraulic}Never feel for a leak by hand: oil under pressure goes through gloves and skin, and any such wound is an emergency. Working "
            "temperature, low idle; let the dead volume run off into a waste bottle first."
        )
    return (
        "Fluid warm and mixed: within half an hour of working. Machine level, power isolated by the site's procedure. Open the plug slowly: a "
        "warm compartment can hold pressure. Never lean over it."
    )


def _level_words(kind: str) -> str:
    if kind == "final drive":
        return "Level should stand at the bottom of the plug's thread."
    return "Note the level before topping up."


def side_words(position: str) -> str:
    """The position as written on a label; sides are always told from the operator's seat."""
    if not isinstance(position, str) or not position:
        return ""
    if "left" in position or "right" in position:
        return f"{position.upper()} as seen from the operator's seat, facing forward"
    return position


def bottle_number(compartment: str, day: pd.Timestamp) -> str:
    """A bottle number that is the same for the same compartment and round: 8 characters and a check letter."""
    digest = hashlib.sha256(f"{compartment}|{day:%Y-%m-%d}".encode()).digest()
    body = "".join(LETTERS[b % 31] for b in digest[:8])
    return body + check_letter(body)


def check_letter(body: str) -> str:
    """Check letter over a bottle number's body: any one wrong letter and any exchange of neighbours changes it (weights 1, 3, 5, ... mod 31)."""
    return LETTERS[sum((2 * i + 1) * LETTERS.index(c) for i, c in enumerate(body)) % 31]


def what_to_bring(cards: pd.DataFrame) -> pd.DataFrame:
    """Totals to bring: item, number, unit (bottles and tube with a tenth to spare; a pump or probe of its own for each fluid)."""
    drawn = cards[cards["method"] != NO_DRAWING]
    pumped = drawn[drawn["method"] == "pump"]
    longest = (
        max(pumped["tube_mm"].max(), _TUBE_NOT_KNOWN_MM) if pumped["tube_mm"].notna().any() else _TUBE_NOT_KNOWN_MM
    )
    tube_m = pumped["tube_mm"].fillna(longest).sum() / 1000
    rows = [
        ("sample bottles, clean and sealed", math.ceil(len(drawn) * _SPARE), ""),
        ("new tube, one piece a bottle", math.ceil(10 * tube_m * _SPARE) / 10, "m"),
        *(
            (f"{'hand vacuum ' if tool.startswith('pump') else 'sampling '}{tool}, marked", 1, "")
            for tool in sorted(drawn["tool"].unique())
        ),
        ("waste bottle, rags, gloves, eye protection, labels, pen", int(len(drawn) > 0), "set"),
    ]
    return pd.DataFrame([r for r in rows if r[1]], columns=["item", "number", "unit"])
