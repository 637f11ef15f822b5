"""One file, or a whole inbox, to proposed layouts: a laboratory's results or any other table, told from what stands in
it.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from cmkit.errors import CmkitError, WrongFile
from cmkit.files import write_file
from cmkit.records.analytes import analyte_register, with_own
from cmkit.records.fleet import Fleet
from cmkit.records.reading.files import SPREADSHEETS, TABLE_FILES, folder_files, sheet_names
from cmkit.records.reading.layouts import layouts_for, read_layouts
from cmkit.records.reading.load import load_registers
from cmkit.records.reading.match import Proposal, propose_layout
from cmkit.records.reading.match_tables import TableProposal, propose_table
from cmkit.records.reading.names import read_names, resolver
from cmkit.records.reading.proposal import match_report, proposal_toml
from cmkit.records.reading.table_proposal import table_report, table_toml
from cmkit.records.reading.table_words import TABLE_NAMES
from cmkit.records.settings import read_settings

MATCHED = ("samples", *TABLE_NAMES)
_REGISTERS = ("sites", "machines", "compartments")  # all come from one register


@dataclass(frozen=True)
class Proposed:
    """A proposed layout of one file (or sheet): its table, how it reads, the layout file's text, and what is to be
    looked at.
    """

    file: str
    table: str
    report: str
    toml: str
    doubts: tuple[str, ...]


def propose(path: Path, fleet: Path | None = None, table: str = "", sheet: str = "", width: int = 100) -> Proposed:
    """The layout a file could have. table: one of `MATCHED` or of the registers' tables, '' to find out.

    fleet: the folder whose machines and compartments the file may name. Raises WrongFile where nothing in it looks like
    headings.
    """
    table = "register" if table in _REGISTERS else table
    known = load_registers(fleet) if fleet else None
    find = _finder(known, fleet)
    if table in ("", "samples"):
        found = _laboratory(path, known, find, required=table == "samples")
        if found:
            return Proposed(path.name, "samples", match_report(found, width), proposal_toml(found), found.doubts)
    other: TableProposal = propose_table(path, table, sheet, find)
    return Proposed(path.name, other.table, table_report(other, width), table_toml(other), other.doubts)


def _finder(known: Fleet | None, fleet: Path | None) -> Callable[[str], str] | None:
    """What finds a compartment of the fleet; None where the fleet has none yet."""
    if known is None or fleet is None or known.compartments.empty:
        return None
    tables = {n: getattr(known, n) for n in _REGISTERS}
    names = resolver(read_names(fleet), tables)
    exact = set(known.compartments["compartment"])
    return lambda said: said if said in exact else names.find("compartments", said).name


def _laboratory(path: Path, known: Fleet | None, find: Callable[[str], str] | None, required: bool) -> Proposal | None:
    """The proposal for a laboratory's file; None where the file holds fewer than two kinds of result and none was asked
    for.
    """
    places = known.compartments["compartment"].tolist() if known is not None and len(known.compartments) else None
    try:
        found = propose_layout(path, places, find)
    except WrongFile:
        if required:
            raise
        return None
    results = {g.to for g in (*found.columns, *found.tests)} & set(analyte_register().index)
    return found if required or len(results) >= 2 else None


def unmatched(fleet: Path) -> list[Path]:
    """Files of a fleet's inbox that no layout fits, in order of name."""
    inbox = fleet / "inbox"
    if not inbox.is_dir():
        return []
    layouts = read_layouts(fleet / "layouts", with_own(read_settings(fleet / "fleet.toml").analytes))
    return [p for p in folder_files(inbox) if p.suffix.lower() in TABLE_FILES and not layouts_for(p.name, layouts)]


def propose_inbox(fleet: Path, width: int = 100) -> tuple[list[tuple[Path, Proposed]], list[str]]:
    """(layout files to write with their proposals, what could not be proposed) for every file of the inbox without a
    layout.

    Files of one pattern get one layout, proposed from the largest of them. A workbook whose sheets hold different
    tables gets a layout for each sheet.
    """
    taken: dict[str, Path] = {}
    for path in unmatched(fleet):
        shape = re.sub(r"\d+", "#", path.name)
        if shape not in taken or path.stat().st_size > taken[shape].stat().st_size:
            taken[shape] = path
    out, failed = [], []
    for path in taken.values():
        try:
            found = _sheets(path, fleet, width)
        except CmkitError as error:
            failed.append(str(error))
            continue
        out += [(fleet / "layouts" / f"{_stem(path, p, len(found) > 1)}.toml", p) for p in found]
    return out, failed


def match_inbox(inbox: Path, width: int) -> str:
    """Write a layout for every file of a fleet's inbox that has none; what was written and what to look at, in lines.

    Raises WrongFile where the folder is no fleet's inbox.
    """
    fleet = inbox.parent if inbox.name == "inbox" else inbox
    if not (fleet / "inbox").is_dir() or not (fleet / "fleet.toml").is_file():
        raise WrongFile(f"{inbox}: a folder, not a file; wanted a CSV or XLSX, or the inbox/ folder of a fleet.")
    found, failed = propose_inbox(fleet, width)
    lines = []
    for path, proposed in found:
        look = f"; look at: {'; '.join(proposed.doubts)}" if proposed.doubts else ""
        lines.append(f"{proposed.file}: {proposed.table} -> {write_layout(proposed.toml, path)}{look}")
    lines += failed if found or failed else ["Every file of the inbox has a layout."]
    return "\n".join([*lines, f"Read the layouts and correct them, then: cmkit check {fleet}"])


def _sheets(path: Path, fleet: Path, width: int) -> list[Proposed]:
    """One proposal a file, or one a sheet where a workbook holds several tables."""
    names = sheet_names(path, path.name) if path.suffix.lower() in SPREADSHEETS else []
    if len(names) < 2:
        return [propose(path, fleet, width=width)]
    whole = propose(path, fleet, width=width)
    if whole.table == "samples" or "every_sheet = true" in whole.toml:
        return [whole]
    found = []
    for name in names:
        try:
            found.append(propose(path, fleet, sheet=name, table="" if len(names) > 1 else whole.table, width=width))
        except WrongFile:  # a cover sheet or notes
            continue
    return found or [whole]


def _stem(path: Path, proposed: Proposed, several: bool) -> str:
    stem = re.sub(r"[^a-z0-9]+", "_", re.sub(r"\d+", "", path.stem.casefold())).strip("_") or "file"
    return f"{stem}_{proposed.table}" if several else stem


def write_layout(text: str, path: Path) -> Path:
    """A proposed layout as a new file; WriteError where one of that name is there already (nothing is written over)."""
    return write_file(path, text, new=True)
