"""The next round of bottles: what to draw, on which machine, by which method, and what to bring.

Common practice throughout (no source): tube to mid-depth, never to the bottom; a hand pump where there is no pressure, a probe at a
valve where there is, never the drain stream; a pump of its own for coolant; left and right as seen from the operator's seat facing
forward; a final drive's level stands at the bottom of its plug's thread; a low level in a sealed compartment means suspect a leak.
"""

import hashlib
import math

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.tables.frames import names, typed

CARDS = names("cards")
AHEAD_DAYS = 31
_URGENT = {
    "repeat after alarm": 0, "repeat after alert": 0, "never sampled": 1, "repeat of a doubted bottle": 1, "sooner after alarm": 1, "sooner after alert": 2,
}  # fmt: skip
_DAYS_A_WEEK = 7
LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ2345678"  # 31, a prime, without letters that look alike in handwriting
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
    out = rows.merge(
        places[["position", "fluid", "grade", "access", "pressurised", "depth_mm"]],
        left_on="compartment",
        right_index=True,
    )
    out = out.sort_values(["site", "machine", "compartment"]).reset_index(drop=True)
    kinds = [known.settings.kind(k) for k in out["kind"]]
    usual = pd.Series([k.pressurised for k in kinds], index=out.index, dtype="boolean")
    probe = out["pressurised"].astype("boolean").fillna(usual).astype(bool)
    out["method"] = np.where(probe, "probe", "pump")
    coolant = (out["fluid"] == "coolant") | (out["kind"] == "coolant")
    out["pump"] = np.select([probe, coolant], ["", "coolant pump"], "oil pump")
    out["tube_mm"] = tube_length(out["depth_mm"], np.array([k.tube_extra_mm for k in kinds], float)).where(~probe)
    out["tube_words"] = [
        _tube_words(m, d, t) for m, d, t in zip(out["method"], out["depth_mm"], out["tube_mm"], strict=True)
    ]
    out["ready"] = [_ready_words(p, c) for p, c in zip(probe, coolant, strict=True)]
    out["level_words"] = [_level_words(kind) for kind in out["kind"]]
    out["side"] = out["position"].map(side_words)
    out["bottle"] = [bottle_number(c, known.date) for c in out["compartment"]]
    return typed(out[CARDS], "cards")


def tube_length(depth_mm: pd.Series, extra_mm: np.ndarray) -> pd.Series:
    """Length to cut, in mm: half the depth from access to bottom, so that it never reaches the bottom, plus what goes into the pump."""
    return depth_mm / 2 + extra_mm


def _tube_words(method: str, depth: float, tube: float) -> str:
    if method == "probe":
        return "no tube: probe at the valve"
    if pd.isna(tube):
        return "measure on site: tube to half the fluid's depth, never to the bottom"
    return f"cut {tube:,.0f} mm: half of {depth:,.0f} mm depth, and the rest for the pump"


def _ready_words(probe: bool, coolant: bool) -> str:
    if coolant and not probe:
        return "Cool enough to open safely; open the cap slowly, a warm system is under pressure. Fluid mixed by recent running."
    if probe:
        return "Working temperature, engine at low idle so the line is under its working pressure; let the dead volume run off into a waste bottle first."
    return (
        "Fluid warm and mixed: within half an hour of working. Machine level, power isolated by the site's procedure."
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
    """Totals to bring: item, number, unit (bottles and tube with a tenth to spare, a pump for each fluid, probes)."""
    pumped = cards[cards["method"] == "pump"]
    tube_m = pumped["tube_mm"].fillna(pumped["tube_mm"].max() if pumped["tube_mm"].notna().any() else 1000).sum() / 1000
    rows = [
        ("sample bottles, clean and sealed", math.ceil(len(cards) * _SPARE), ""),
        ("new tube, one piece a bottle", math.ceil(10 * tube_m * _SPARE) / 10, "m"),
        ("hand vacuum pump for oil", int((pumped["pump"] == "oil pump").any()), ""),
        ("hand vacuum pump for coolant, kept apart", int((pumped["pump"] == "coolant pump").any()), ""),
        ("sampling probe", int((cards["method"] == "probe").any()), ""),
        ("waste bottle, rags, gloves, eye protection, labels, pen", int(len(cards) > 0), "set"),
    ]
    return pd.DataFrame([r for r in rows if r[1]], columns=["item", "number", "unit"])
