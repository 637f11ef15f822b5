"""A register drafted from the laboratory's own files: the machines and components they name, for the analyst to
correct.
"""

import csv
import io
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from cmkit.errors import RecordsError
from cmkit.files import write_file
from cmkit.records.analytes import with_own
from cmkit.records.reading.clean import text_cells
from cmkit.records.reading.components import Component, component_of, has_corners, usual_fluid
from cmkit.records.reading.files import (
    SPREADSHEETS,
    TABLE_FILES,
    Grid,
    folder_files,
    read_grid,
    sheet_names,
    spreadsheet_text,
)
from cmkit.records.reading.headings import heading_guess
from cmkit.records.reading.layouts import Layout, layouts_for, read_layouts
from cmkit.records.reading.load import load_registers
from cmkit.records.reading.names import SEPARATED, read_names, resolver, squeezed
from cmkit.records.reading.register import NO_KIND, NO_SITE
from cmkit.records.reading.table_words import table_heading
from cmkit.records.settings import read_settings
from cmkit.tables.records import COMPARTMENTS, MACHINES, NAMES, SITES

_PARTS = ("site", "machine", "compartment", "kind", "position")
_FACTS = (
    "machine_kind",
    "size_class",
    "fluid",
    "grade",
)  # what a laboratory's file may say of the machine or its fluid


@dataclass(frozen=True)
class Draft:
    """A drafted register: frames of sites, machines, compartments and names as they would be written, and why each line
    is there.

    why: compartment -> what the files say and how many bottles; unread: what no machine was found in, with its
    bottles.
    """

    sites: pd.DataFrame
    machines: pd.DataFrame
    compartments: pd.DataFrame
    names: pd.DataFrame
    why: dict[str, str] = field(default_factory=dict)
    unread: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class _Said:
    """What the files say of one bottle's place."""

    site: str
    machine: str
    component: str
    facts: tuple[str, ...]


def draft_register(fleet: Path) -> Draft:
    """The machines and compartments that files of the inbox with a layout for samples name and the fleet's register has
    not yet.

    Raises RecordsError where no such file is there.
    """
    said = _said(fleet)
    known = load_registers(fleet)
    find = resolver(
        read_names(fleet), {"sites": known.sites, "machines": known.machines, "compartments": known.compartments}
    )
    machines = _spellings([s.machine for s in said if s.machine])
    corners = has_corners(list(dict.fromkeys(s.component for s in said)))
    places: dict[tuple[str, str, str], Counter[_Said]] = {}
    unread: Counter[str] = Counter()
    for one, n in Counter(said).items():
        if find.find("compartments", f"{one.machine}/{one.component}").name:
            continue
        machine = find.machine(one.machine) or machines.get(squeezed(one.machine), "")
        means = _component(one.component, corners)
        if machine and means.kind:
            places.setdefault((machine, means.kind, means.position), Counter())[one] += n
        else:
            unread[f"{one.machine} {one.component}".strip() or "(empty)"] += n
    return _draft(places, known.machines["machine"].tolist(), unread)


def _said(fleet: Path) -> list[_Said]:
    """One entry a row of every laboratory file."""
    layouts = read_layouts(fleet / "layouts", with_own(read_settings(fleet / "fleet.toml").analytes))
    out: list[_Said] = []
    for path in folder_files(fleet / "inbox") if (fleet / "inbox").is_dir() else []:
        if path.suffix.lower() in TABLE_FILES:
            for layout in layouts_for(path.name, layouts):
                out += _rows(path, layout) if layout.table == "samples" else []
    if not out:
        raise RecordsError(
            f"{fleet}: no laboratory file with a layout is in inbox/. Put the files there and run `cmkit match "
            f"{fleet / 'inbox'}` first."
        )
    return out


def _rows(path: Path, layout: Layout) -> list[_Said]:
    sheets = (
        sheet_names(path, path.name)
        if layout.every_sheet and path.suffix.lower() in SPREADSHEETS
        else [layout.form.sheet]
    )
    grids = [read_grid(path, path.name, replace(layout.form, sheet=s)) for s in sheets]
    return [one for grid in grids for one in _of_grid(grid)]


def _of_grid(grid: Grid) -> list[_Said]:
    texts: dict[str, np.ndarray] = {}
    for heading in grid.headings:
        part = heading_guess(heading)[0]
        fact = table_heading("register", heading)[0]
        name = part if part in _PARTS else fact if fact in _FACTS else ""
        if name and name not in texts:
            texts[name] = text_cells(grid.columns[heading])
    none = np.full(len(grid.rows), "", dtype=object)
    out = []
    rows = zip(*(texts.get(p, none) for p in (*_PARTS, *_FACTS)), strict=True)
    for site, machine, whole, kind, position, *facts in rows:
        component = " ".join(t for t in (whole, kind, position) if t)
        if not machine:
            machine, component = _cut(component)
        elif whole and squeezed(whole).startswith(squeezed(machine)) and whole != machine:
            component = " ".join(t for t in (_cut(whole)[1], kind, position) if t)
        out.append(_Said(site, machine, component, tuple(facts)))
    return out


def _cut(text: str) -> tuple[str, str]:
    """(machine, component) of a name that holds both; ('', text) where no component's words end it."""
    for mark in SEPARATED.finditer(text):
        if text[: mark.start()].strip() and component_of(text[mark.end() :]).plain:
            return text[: mark.start()].strip(), text[mark.end() :].strip()
    return "", text


def _spellings(said: list[str]) -> dict[str, str]:
    """A machine's name without spacing and marks -> the spelling that most rows have."""
    best: dict[str, str] = {}
    for name, _ in Counter(said).most_common():
        best.setdefault(squeezed(name), name)
    return best


def _component(text: str, corners: bool) -> Component:
    """Kind and position; words nobody knows are the position of a known kind, or a kind of their own."""
    means = component_of(text, corners)
    if not means.kind:
        return Component(" ".join(text.casefold().split()), "")
    return Component(means.kind, " ".join(t for t in (means.position, *means.rest) if t))


def _draft(places: dict[tuple[str, str, str], Counter[_Said]], known: list[str], unread: Counter[str]) -> Draft:
    machines: dict[str, Counter[_Said]] = {}
    compartments, names, why = [], {}, {}
    for (machine, kind, position), said in sorted(places.items()):
        machines.setdefault(machine, Counter()).update(said)
        name = "/".join(p for p in (machine, kind, position) if p)
        fluid, grade = _usual(said, 2), _usual(said, 3)
        compartments.append(
            {
                "compartment": name,
                "machine": machine,
                "kind": kind,
                "position": position,
                "fluid": fluid or usual_fluid(kind),
                "grade": grade,
            }
        )
        texts = Counter[str]()
        for one, n in said.items():
            texts[one.component] += n
            if not component_of(one.component).plain:
                names[one.component] = "/".join(p for p in (kind, position) if p)
        words = ", ".join(f"{t!r}" for t, _ in texts.most_common(4))
        why[name] = (
            f"{sum(said.values())} bottles say {words}; "
            f"{'fluid from the file' if fluid else 'fluid usual for the kind'}"
        )
    new = [
        {
            "machine": m,
            "site": _usual_site(said),
            "kind": (_usual(said, 0) or NO_KIND).lower(),
            "size_class": _usual(said, 1),
        }
        for m, said in machines.items()
        if m not in known
    ]
    sites = sorted({row["site"] for row in new})
    return Draft(
        pd.DataFrame({"site": sites}, columns=SITES.names),
        pd.DataFrame(new, columns=MACHINES.names),
        pd.DataFrame(compartments, columns=COMPARTMENTS.names),
        pd.DataFrame(
            [{"said": s, "means": "component", "name": n, "note": "drafted"} for s, n in names.items()],
            columns=NAMES.names,
        ),
        why,
        dict(unread),
    )


def _usual(said: Counter[_Said], fact: int) -> str:
    counts: Counter[str] = Counter()
    for one, n in said.items():
        counts[one.facts[fact]] += n if one.facts[fact] else 0
    return counts.most_common(1)[0][0] if counts and counts.most_common(1)[0][1] else ""


def _usual_site(said: Counter[_Said]) -> str:
    counts: Counter[str] = Counter()
    for one, n in said.items():
        counts[one.site] += n if one.site else 0
    return counts.most_common(1)[0][0] if counts and counts.most_common(1)[0][1] else NO_SITE


def draft_words(draft: Draft) -> str:
    """The draft as plain text: machines, compartments with what the files say, and what could not be read."""
    lines = [
        f"{len(draft.machines)} new machine(s), {len(draft.compartments)} new compartment(s), {len(draft.sites)} "
        f"site(s)."
    ]
    kinds = draft.compartments["kind"].value_counts()
    lines += [
        f"  {n:>4} x {kind}"
        + ("" if usual_fluid(str(kind)) else "   <- no kind this package knows: assumed as 'other'")
        for kind, n in kinds.items()
    ]
    lines += [f"  {name}: {why}" for name, why in draft.why.items()]
    if len(draft.names):
        lines.append("Words read as a component (names.csv):")
        lines += [f"  {s!r} -> {n}" for s, n in zip(draft.names["said"], draft.names["name"], strict=True)]
    if draft.unread:
        lines.append("No machine or component was found in:")
        lines += [f"  {text!r}: {n} bottle(s)" for text, n in draft.unread.items()]
    return "\n".join(lines)


def write_draft(draft: Draft, fleet: Path) -> list[Path]:
    """Write the draft's tables into the fleet folder. A table that holds rows stays as it is: its draft goes into
    drafts/.

    Returns the files written.
    """
    written = []
    for name in ("sites", "machines", "compartments", "names"):
        frame = getattr(draft, name)
        if frame.empty:
            continue
        path = fleet / f"{name}.csv"
        others = [fleet / f"{name}.xlsx", fleet / f"{name}.parquet", fleet / name]
        if any(p.exists() for p in others) or (path.exists() and _rows_in(path)):
            path = fleet / "drafts" / f"{name}.csv"
        written.append(write_file(path, safe_text(frame).to_csv(index=False, lineterminator="\n")))
    return written


def safe_text(frame: pd.DataFrame) -> pd.DataFrame:
    """Text of a laboratory's file for a CSV a spreadsheet may open: what it would take for a formula gets an
    apostrophe.
    """
    return frame.map(spreadsheet_text)


def _rows_in(path: Path) -> bool:
    """True where a CSV holds more than its headings."""
    rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
    return any(any(cell.strip() for cell in row) for row in rows[1:])
