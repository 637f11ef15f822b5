"""How a bottle is drawn from a compartment: by pump or probe, with which tool, and how long a tube. In doubt, not at
all.

Common practice throughout (no source; reference/drawing.csv): no probe in a hydraulic system unless its point is
recorded as low-pressure; coolant never from a hot system under pressure, except at a valve rated for it; a tool of its
own for every fluid; a tube that ends half way between the fluid's surface and the bottom.
"""

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd

from cmkit.records.settings import Settings

NO_DRAWING = "none"  # no card: a safe sampling point must be named first


@dataclass(frozen=True)
class Tube:
    """Tube of one bottle. cut_mm: length to cut; mark_mm: length below the access, marked on it. NaN: to be measured on
    site.
    """

    cut_mm: float
    mark_mm: float
    words: str


@cache
def drawing_table() -> pd.DataFrame:
    """reference/drawing.csv by kind: clean_rank (1: cleanest, drawn first), probe_point (word the register must have
    for a probe; empty: none), level_at_plug, dead_volume_ml (where the register is silent), purge_times (dead volumes
    to run off)."""
    with files("cmkit.reference").joinpath("drawing.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle, keep_default_na=False).set_index("kind")


def how_drawn(places: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """method (pump, probe or NO_DRAWING), coolant, tool, usual_dead_ml and purge_times of each row of `places` (columns
    of the compartments table).

    Where the register does not say whether a compartment is under pressure, its kind decides. Coolant without a rated
    valve is drawn by pump from the cold system.
    """
    fluid = places["fluid"].astype("str").fillna("").str.strip().str.casefold()
    coolant = (fluid == "coolant") | (places["kind"] == "coolant")
    known = _rows(places["kind"], coolant)
    usual = pd.Series([settings.kind(k).pressurised for k in places["kind"]], index=places.index, dtype="boolean")
    pressure = places["pressurised"].astype("boolean").fillna(usual).astype(bool)
    safe = (known["probe_point"] == "") | (known["probe_point"] == places["sampling_point"].astype("str").fillna(""))
    method = np.select([~pressure, safe, coolant], ["pump", "probe", "pump"], NO_DRAWING)
    family = fluid.where(fluid != "", places["kind"]).where(~coolant, "coolant")
    tool = [f"{m} for {f}" if m != NO_DRAWING else "" for m, f in zip(method, family, strict=True)]
    found = {
        "method": method,
        "coolant": coolant,
        "tool": tool,
        "usual_dead_ml": known["dead_volume_ml"].astype(float),
        "purge_times": known["purge_times"].astype(float),
    }
    return pd.DataFrame(found, index=places.index)


def clean_ranks(kinds: pd.Series, coolant: pd.Series) -> pd.Series:
    """Place of each compartment in the order of drawing, 1 for the cleanest system. kinds: kind of compartment;
    coolant: flags.
    """
    return _rows(kinds, coolant)["clean_rank"]


def _rows(kinds: pd.Series, coolant: pd.Series) -> pd.DataFrame:
    """Row of the drawing table for each compartment; that of `other` for a kind that is not in it."""
    names = kinds.where(~coolant.astype(bool), "coolant").map(lambda k: k if k in drawing_table().index else "other")
    return drawing_table().loc[names].set_index(kinds.index)


def surface_below(kind: str, access: str, surface_mm: float, depth_mm: float) -> float:
    """Length from the access to the fluid's surface, in mm; NaN where it is not known or does not lie above the bottom.

    Where the register is silent: 0 at the plug of a compartment that is filled to its plug.
    """
    if pd.notna(surface_mm):
        return float(surface_mm) if 0 <= surface_mm < depth_mm else float("nan")
    table = drawing_table()
    at_plug = kind in table.index and bool(table.loc[kind, "level_at_plug"]) and "plug" in access
    return 0.0 if at_plug else float("nan")


def tube_for(depth_mm: float, surface_mm: float, extra_mm: float, access: str = "") -> Tube:
    """The tube of one bottle: down to half way between the fluid's surface and the bottom, and `extra_mm` more for the
    pump.

    depth_mm, surface_mm: from the access to the bottom and to the fluid's surface (`surface_below`). Without a surface
    it is cut to the whole depth, so that it reaches the fluid in any case, and the mark is set on site.
    """
    half = "half way between the fluid's surface and the bottom"
    gauge = "lay it beside the dipstick" if "dipstick" in access else "measure with a clean rod"
    if pd.isna(depth_mm):
        words = f"depth not on record: {gauge}, mark it {half}, cut it {extra_mm:,.0f} mm longer for the pump"
        return Tube(float("nan"), float("nan"), words)
    if pd.isna(surface_mm):
        cut = depth_mm + extra_mm
        return Tube(cut, float("nan"), f"cut {cut:,.0f} mm, {gauge}, mark it {half} ({depth_mm:,.0f} mm down)")
    mark = (surface_mm + depth_mm) / 2
    stands = "dipstick's mark" if "dipstick" in access else "fluid"
    words = (
        f"cut {mark + extra_mm:,.0f} mm, mark {mark:,.0f} mm ({stands} at {surface_mm:,.0f}, bottom at "
        f"{depth_mm:,.0f} mm)"
    )
    return Tube(mark + extra_mm, mark, words)
