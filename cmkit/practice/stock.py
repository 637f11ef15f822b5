"""Is what is in the drums what their labels say? Wrong drums and viscosity grades by site, top-ups with another fluid,
and the way by which one compartment's fluid gets into another.
"""

from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import binom

from cmkit.fluids.viscosity import grade_range
from cmkit.records.fleet import Fleet
from cmkit.records.turnaround import constant
from cmkit.tables.frames import names, typed
from cmkit.trust.fluid import FUEL
from cmkit.trust.fluid_history import fluids_in_force

STOCK, MIXED = names("stock"), names("mixed_fluids")
DRUM, GRADE = "wrong drum", "not its grade"
TOPPED, PATH, UNKNOWN = "topped up with another fluid", "leak or wrong top-up", "another fluid, no path known"
STRANGE = "a fluid not known here"


def stock_findings(known: Fleet, checks: pd.DataFrame, exposure: pd.DataFrame) -> pd.DataFrame:
    """What is wrong with the fluids of a site, one row per site, product and finding (columns STOCK), newest first.

    checks: frame of `trust.fluid.check_fluids`; exposure: usable bottles. wrong drum: within `drum_days`, bottles of
    `drum_compartments` or more compartments of two machines or more begin to look like the same other fluid; two are
    enough where it makes up more than half, and chance must not explain it (`drum_luck`). not its grade: every one of
    `grade_bottles` or more young bottles of the
    last year lies outside the viscosity of the grade on the label (ISO 3448; SAE J300 and J306).
    """
    rows = [*_drums(known, checks), *_grades(known, exposure)]
    if not rows:
        return typed([], "stock")
    return typed(rows, "stock").sort_values(
        ["since", "site", "product"], ascending=[False, True, True], ignore_index=True
    )


def _drums(known: Fleet, checks: pd.DataFrame) -> list[dict[str, Any]]:
    rows = _onsets(known, checks)
    out = []
    for (site, product, like), own in rows[rows["like"] != ""].groupby(["site", "product", "like"]):
        there = rows[(rows["site"] == site) & (rows["product"] == product)]
        usual = known.settings.trust.fluid_false_calls
        found = _gathered(own[own["share"] > constant("drum_share")], there, 2, usual)
        found = found or _gathered(own, there, int(constant("drum_compartments")), usual)
        if found is None:
            continue
        mine, near, luck = found
        first = mine["drawn_on"].min()
        words = f"bottles of {mine['compartment'].nunique()} compartments look like {like} where {product} should be, "
        words += f"from {first:%Y-%m-%d} on ({', '.join(mine['sample'].head(5))}): "
        words += "ask which drum was used, close it, and take a bottle from it"
        row = {"site": site, "product": product, "what": DRUM, "like": like, "since": first, "words": words}
        out.append(row | {"n": len(mine), "of": near, "share": float(mine["share"].median()), "by_luck": luck})
    return out


def _gathered(
    rows: pd.DataFrame, there: pd.DataFrame, least: int, usual: float
) -> tuple[pd.DataFrame, int, float] | None:
    """The first `drum_days` in which `least` compartments of two machines or more are among `rows` and chance does not
    explain them: those rows, all bottles of that time, and the chance.

    there: all bottles of the fluid at the site; usual: chance of a false call of one bottle. Where the other days show
    more, theirs counts: some fluids are called more easily than they should be.
    """
    for first in rows["drawn_on"]:
        until = first + pd.Timedelta(days=constant("drum_days"))
        mine, inside = rows[rows["drawn_on"].between(first, until)], there["drawn_on"].between(first, until)
        if mine["compartment"].nunique() < least or mine["machine"].nunique() < 2:
            continue
        called, others = len(rows) - len(mine), int((~inside).sum())
        chance = max(usual, (called + 0.5) / (others + 1))
        luck = float(binom.sf(len(mine) - 1, int(inside.sum()), chance))
        if luck <= constant("drum_luck"):
            return mine, int(inside.sum()), luck
    return None


def _onsets(known: Fleet, checks: pd.DataFrame) -> pd.DataFrame:
    """Bottles of the last year that could be judged, with site, machine and day; like: the fluid a bottle begins to
    look like, empty where it looks like its own or the bottle before looked the same.
    """
    samples = known.samples[["sample", "drawn_on"]].drop_duplicates("sample")
    rows = checks[checks["p"].notna()].merge(samples, on="sample")
    rows = rows.merge(known.compartments[["compartment", "machine"]], on="compartment")
    rows = rows.merge(known.machines[["machine", "site"]], on="machine").sort_values(
        ["compartment", "drawn_on", "sample"]
    )
    mixed = (rows["ratio"] >= rows["threshold"]) & (rows["mixed_with"] != FUEL)
    unknown = (rows["p"] < known.settings.trust.fluid_unknown_p) & ~(rows["ratio"] >= rows["threshold"])
    like = rows["mixed_with"].where(mixed, "").mask(unknown, STRANGE)
    before = like.groupby(rows["compartment"]).shift().fillna("")
    rows = rows.assign(like=like.where(like != before, ""), share=rows["share"].where(mixed, np.nan))
    since = known.date - pd.Timedelta(days=constant("turnaround_window_days"))
    return rows[rows["drawn_on"] > since].sort_values(["drawn_on", "sample"], ignore_index=True)


def _grades(known: Fleet, exposure: pd.DataFrame) -> list[dict[str, Any]]:
    filled = fluids_in_force(known)
    rows = known.samples.reset_index(drop=True).assign(fluid=filled["fluid"], grade=filled["grade"])
    rows = rows[rows["drawn_on"] > known.date - pd.Timedelta(days=constant("turnaround_window_days"))]
    hours = exposure.drop_duplicates("sample").set_index("sample")["fluid_h"].reindex(rows["sample"]).to_numpy(float)
    rows = rows[hours <= constant("grade_young_h")].merge(
        known.compartments[["compartment", "machine"]], on="compartment"
    )
    rows = rows.merge(known.machines[["machine", "site"]], on="machine")
    out = []
    for (site, fluid, grade), own in rows.groupby(["site", "fluid", "grade"]):
        column, low, high = grade_range(str(grade))
        values = own.loc[own[column].notna(), [column, "sample", "drawn_on"]] if column in own else own.iloc[:0]
        if len(values) < constant("grade_bottles"):
            continue
        thin, thick = (values[column] < low).all(), (values[column] > high).all()
        if thin or thick:
            middle = float(values[column].median())
            words = (
                f"{len(values)} young bottles of {fluid} {grade} all lie {'below' if thin else 'above'} the grade: "
                f"{middle:.1f} mm2/s in the middle, {low:g} to {high:g} wanted; check the drums' labels with a bottle "
                "of fresh fluid"
            )
            out.append({"site": site, "product": f"{fluid} {grade}".strip(), "what": GRADE, "like": "", "since":
                        values["drawn_on"].min(), "n": len(values), "of": len(values), "share": np.nan,
                        "by_luck": np.nan, "words": words})  # fmt: skip
    return out


@cache
def leak_paths() -> dict[tuple[str, str], str]:
    """(kind it comes from, kind it gets into) -> path in words (reference/leak_paths.csv)."""
    with files("cmkit.reference").joinpath("leak_paths.csv").open(encoding="utf-8") as handle:
        rows = pd.read_csv(handle)
    return {(a, b): path for a, b, path in zip(rows["from_kind"], rows["to_kind"], rows["path"], strict=True)}


def mixed_fluids(known: Fleet, checks: pd.DataFrame) -> pd.DataFrame:
    """Fluids that do not belong in a compartment, one row per finding (columns MIXED), by compartment.

    By records: top-ups of the last year with a fluid other than what is in. By results: newest bottles that look like a
    mixture, with the neighbour on the same machine that holds the other fluid and the way it can take, where there is
    one (reference/leak_paths.csv). checks: frame of `trust.fluid.check_fluids`.
    """
    rows = [*_wrong_top_ups(known), *_leaks(known, checks)]
    return typed(rows, "mixed_fluids").sort_values(["compartment", "on"], kind="stable", ignore_index=True)


def _wrong_top_ups(known: Fleet) -> list[dict[str, Any]]:
    since = known.date - pd.Timedelta(days=constant("turnaround_window_days"))
    text = ["fluid", "grade"]
    work = known.services[known.services["kind"].isin(["change", "flush", "replace", "top-up"])].fillna(
        dict.fromkeys(text, "")
    )
    place = known.compartments.set_index("compartment")[text].fillna("")
    in_it = {c: tuple(place.loc[c]) for c in place.index}
    out = []
    for r in work.sort_values(["done_on", "service"], kind="stable").itertuples():
        given, own = (r.fluid, r.grade), in_it.get(r.compartment, ("", ""))
        if r.kind != "top-up":
            in_it[r.compartment] = (given[0] or own[0], given[1] or own[1])
        elif r.done_on > since and any(
            g and o and g.casefold() != o.casefold() for g, o in zip(given, own, strict=True)
        ):
            litres = f"{r.volume_l:,.1f} l of " if r.volume_l > 0 else ""
            words = f"{litres}{' '.join(filter(None, given))} added to {' '.join(filter(None, own))}: ask whether the "
            words += "record or the fluid is wrong, and draw a bottle"
            out.append({"compartment": r.compartment, "on": r.done_on, "what": TOPPED, "sample": "", "like":
                        " ".join(filter(None, given)), "share": np.nan, "source": "", "words": words})  # fmt: skip
    return out


def _leaks(known: Fleet, checks: pd.DataFrame) -> list[dict[str, Any]]:
    samples = known.samples[["sample", "drawn_on"]].drop_duplicates("sample")
    newest = checks.merge(samples, on="sample").sort_values(["drawn_on", "sample"])
    newest = newest.drop_duplicates("compartment", keep="last")
    hit = newest[(newest["ratio"] >= newest["threshold"]) & (newest["mixed_with"] != FUEL)]
    place = known.compartments.set_index("compartment")
    product = newest.set_index("compartment")["product"]
    out = []
    for r in hit.itertuples():
        own = place.loc[r.compartment]
        beside = place[(place["machine"] == own["machine"]) & (place.index != r.compartment)]
        held = beside[product.reindex(beside.index).eq(r.mixed_with).to_numpy()]
        ways = [
            (c, leak_paths()[(k, own["kind"])]) for c, k in held["kind"].items() if (k, own["kind"]) in leak_paths()
        ]
        words = f"about {100 * r.share:.0f} % of {r.mixed_with}"
        if ways:
            words += (
                f", as {ways[0][0]} holds: a leak or a wrong top-up; ask what was used for topping up, "
                f"and look at the {ways[0][1]}"
            )
        else:
            words += "; no neighbour that holds it has a way in: ask what was used for topping up"
        out.append({"compartment": r.compartment, "on": r.drawn_on, "what": PATH if ways else UNKNOWN, "sample":
                    r.sample, "like": r.mixed_with, "share": r.share, "source": ways[0][0] if ways else "",
                    "words": words})  # fmt: skip
    return out
