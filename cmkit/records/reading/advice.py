"""What a reading teaches: names and words to put right, what is assumed where nothing is said, records that contradict
one another, and the next command."""

from collections.abc import Callable

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet, has_result, newest_set_aside
from cmkit.records.reading.names import squeezed
from cmkit.records.reading.places import bags_of, clearly_nearest
from cmkit.records.reading.same_bottle import same_bottles

_LINES = 20  # names or words that are listed
_FAR = (0.5, 1.5)  # own choice: a change of less or more than these shares of the sump is far from it
LARGE = 0.05  # own choice: share of the newest quarter set aside from which on it is said first
_HOURS, _SHARE = 50.0, 0.2  # own choice: hours and share by which a label and the log of work may differ


def advice(fleet: Fleet, folder: str) -> list[str]:
    """Lines of advice after a reading, the next command last. folder: the fleet's folder as the user wrote it."""
    parts: tuple[Callable[[Fleet], list[str]], ...] = (
        _newest,
        _names,
        _words,
        _assumed,
        _volumes,
        _meters,
        _numbers,
        _changes,
    )
    lines = [*(line for part in parts for line in part(fleet)), *_two_numbers(fleet, folder)]
    return [*([""] if lines else []), *lines, "", _next(fleet, folder)]


def _newest(fleet: Fleet) -> list[str]:
    """How much of what came in lately is not used."""
    share = newest_set_aside(fleet)
    words = f"{share:.0%} of the rows of the newest quarter are set aside: look at these first."
    return [words] if share > LARGE else []


def _names(fleet: Fleet) -> list[str]:
    """Names nothing was found for, as lines for names.csv."""
    aside = fleet.set_aside
    lost = aside[aside["column"].isin(["compartment", "machine"]) & aside["reason"].str.startswith("not in ")]
    if lost.empty:
        return []
    lines = [
        "Names of the files that are not in the register. Lines for names.csv (fill in or correct the name):",
        "  said,means,name",
    ]
    machines = {squeezed(name) for name in fleet.machines["machine"]}
    machine = lost["value"].str.partition("/")[0]
    stranger = (
        (lost["column"] == "compartment") & lost["value"].str.contains("/") & ~machine.map(squeezed).isin(machines)
    )
    lost = lost.assign(  # one line for a machine of another name, not one for each of its compartments
        column=lost["column"].mask(stranger, "machine"), value=lost["value"].mask(stranger, machine)
    )
    counts = lost.groupby(["column", "value"]).size().sort_values(ascending=False)
    for (column, said), n in counts.head(_LINES).items():
        known = fleet.compartments["compartment"] if column == "compartment" else fleet.machines["machine"]
        near = clearly_nearest(str(said), bags_of(known.tolist())) if len(known) else ""
        lines.append(f"  {_cell(str(said))},{column},{_cell(near)}   <- {n} row(s)")
    if len(counts) > _LINES:
        lines.append(f"  ... and {len(counts) - _LINES} more names")
    return lines


def _cell(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"') else text


def _words(fleet: Fleet) -> list[str]:
    """Words that are none of a list, as lines for a layout."""
    aside = fleet.set_aside
    lost = aside[aside["reason"].str.startswith("not one of ")]
    lines = []
    for (table, column), part in lost.groupby(["table", "column"]):
        wanted = part["reason"].iloc[0].removeprefix("not one of ").partition(";")[0]
        lines += [
            f"Words of {table}.{column} that are none of {wanted}. Lines for [phrases.{column}] of the layout ('-' "
            f"leaves out):"
        ]
        counts = part["value"].value_counts()
        lines += [f'  "{word}" = ""   # {n} row(s)' for word, n in counts.head(_LINES).items()]
        lines += [f"  ... and {len(counts) - _LINES} more"] if len(counts) > _LINES else []
    return lines


def _assumed(fleet: Fleet) -> list[str]:
    """What is not in the register, and what is taken instead."""
    places, lines = fleet.compartments, []
    strange = places[~places["kind"].isin(list(fleet.settings.kinds))]["kind"].value_counts()
    for kind, n in strange.items():
        lines.append(
            f"Kind '{kind}' ({n} compartment(s)) is not known: costs, intervals and residual of 'other' are assumed. "
            f'Give it [kinds."{kind}"] in fleet.toml.'
        )
    for column, instead in (
        ("capacity_l", "a top-up is taken as the usual share of the charge"),
        ("fluid", "a wrong fluid cannot be found"),
    ):
        n = int(places[column].isna().sum())
        lines += [f"{column} is not known for {n} of {len(places)} compartments: {instead}."] if n else []
    kinds = sorted(set(places["kind"]))
    assumed = [k for k in kinds if fleet.settings.assumed_costs(k)]
    lines += (
        [f"Costs are assumed for {', '.join(assumed)}: put your own six numbers under [costs] in fleet.toml."]
        if assumed
        else []
    )
    return lines


def _volumes(fleet: Fleet) -> list[str]:
    """Volumes of work that do not go with the sump."""
    sump = fleet.services["compartment"].map(fleet.compartments.set_index("compartment")["capacity_l"]).astype(float)
    share = fleet.services["volume_l"] / sump
    change = fleet.services["kind"] == "change"
    far = (change & ~share.between(*_FAR) & share.notna()) | (share > _FAR[1])
    if not far.any():
        return []
    row = fleet.services[far].iloc[0]
    return [
        f"{int(far.sum())} volume(s) of work are far from the sump's capacity, such as {row['volume_l']:g} l for "
        f"{row['compartment']} "
        f"({sump[far].iloc[0]:g} l): is the unit right (gallons, quarts), or the capacity?"
    ]


def _meters(fleet: Fleet) -> list[str]:
    """Meters that fall without a word of a new one."""
    rows = fleet.meters.sort_values(["machine", "read_on"])
    step = rows.groupby("machine")["meter_h"].diff()
    falls = rows[(step < 0) & ~rows["new_meter"].fillna(False).astype(bool)]
    if falls.empty:
        return []
    said = ", ".join(f"{r.machine} on {r.read_on:%Y-%m-%d}" for r in falls.head(5).itertuples())
    return [
        f"{len(falls)} meter reading(s) fall ({said}): a slip, or a new meter? new_meter = true in meters says that "
        f"it was changed since "
        "the reading before; a fall that lasts is taken as one."
    ]


def _numbers(fleet: Fleet) -> list[str]:
    """Bottle numbers used again."""
    aside = fleet.set_aside
    lost = aside[aside["reason"].str.startswith("two bottles with one number")]
    if lost.empty:
        return []
    return [
        f"{len(lost)} bottle(s) have a number that another bottle has, such as {lost['value'].iloc[0]!r}. If the "
        f"laboratory begins again "
        'each year, join its number with the day in the layout: [join] sample = ["Lab No", "Sample Date"].'
    ]


def _two_numbers(fleet: Fleet, folder: str) -> list[str]:
    """Bottles that a field sheet and a laboratory seem to call by different numbers."""
    pairs = same_bottles(fleet)
    if pairs.empty:
        return []
    first = pairs.iloc[0]
    return [
        f"{len(pairs)} field-sheet bottle(s) without a result have a laboratory's row of the same compartment, day "
        f"and hours under another "
        f"number, such as {first['bottle']} and {first['sample']}. If they are one bottle each: cmkit join-bottles "
        f"{folder}"
    ]


def _changes(fleet: Fleet) -> list[str]:
    """Where the label's hours on the fluid and the log of changes do not agree."""
    shots = fleet.samples[has_result(fleet.samples) & (fleet.samples["fluid_h"] > 0) & fleet.samples["meter_h"].notna()]
    shots = shots[["compartment", "drawn_on", "meter_h", "fluid_h"]].sort_values("drawn_on", kind="stable")
    if shots.empty:
        return []
    shots["since"] = shots["meter_h"] - shots.groupby("compartment")["meter_h"].shift()
    done = fleet.services[fleet.services["kind"].isin(["change", "replace"]) & fleet.services["meter_h"].notna()]
    done = done[["compartment", "done_on", "meter_h"]].rename(columns={"meter_h": "changed_h"}).sort_values("done_on")
    both = pd.merge_asof(
        shots, done, left_on="drawn_on", right_on="done_on", by="compartment", allow_exact_matches=False
    )
    logged = both["meter_h"] - both["changed_h"]
    off = (logged - both["fluid_h"]).abs() > np.maximum(_HOURS, _SHARE * both["fluid_h"])
    absent = (both["fluid_h"] < both["since"]) & (~(logged < both["since"]) | both["changed_h"].isna())
    lines = []
    if absent.any():
        lines.append(
            f"{int(absent.sum())} bottle(s) say the fluid was changed, and no change is on record: the change is put "
            f"in from the label's hours."
        )
    if (off & ~absent & both["changed_h"].notna()).any():
        n = int((off & ~absent & both["changed_h"].notna()).sum())
        lines.append(f"{n} bottle(s) say other hours on the fluid than the log of changes: the log's change is used.")
    return lines


def _next(fleet: Fleet, folder: str) -> str:
    """The next command to type."""
    if fleet.samples.empty:
        return f"Next: put the laboratory's files into {folder}/inbox and run: cmkit match {folder}/inbox"
    return f"Next: cmkit books {folder} --month newest"
