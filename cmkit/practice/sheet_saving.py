"""Where a field sheet that came back is kept in a fleet folder: its bottles, and those that were not drawn."""

import hashlib
from pathlib import Path

from cmkit.errors import WrongFile
from cmkit.files import write_file
from cmkit.practice.sheets import FieldSheet
from cmkit.records.analytes import with_own
from cmkit.records.reading.files import spreadsheet_text
from cmkit.records.reading.layouts import Layout, layout_for, read_layouts
from cmkit.records.settings import read_settings


def save_field_sheet(sheet: FieldSheet, folder: Path) -> list[Path]:
    """Write a checked sheet's rows into a fleet folder, `samples/` and `not_drawn/`; the files written.

    Each is named by its content, so that the same sheet twice is one file, and is there whole or not at all. Where the
    fleet keeps that table in one file, to which nothing is added unasked, the rows go into inbox/. Notes that a
    spreadsheet would take for a formula get an apostrophe. Raises WrongFile where a layout would take a file for a
    laboratory's.
    """
    parts = {
        "samples": ("field", sheet.samples.drop(columns="row"), ("sampler", "note")),
        "not_drawn": ("not-drawn", sheet.undrawn, ("note",)),
    }
    texts = {}
    for table, (word, rows, free) in parts.items():
        if len(rows):
            safe = {name: rows[name].map(spreadsheet_text, na_action="ignore") for name in free}
            text = rows.assign(**safe).to_csv(index=False, date_format="%Y-%m-%d", lineterminator="\n")
            texts[_place(folder, table, f"{word}-{hashlib.sha256(text.encode()).hexdigest()[:12]}.csv")] = text
    return [write_file(path, text) for path, text in texts.items()]


def _place(folder: Path, table: str, name: str) -> Path:
    """Where a file of one table goes: the table's folder, or inbox/ where the table is one file."""
    if not any((folder / f"{table}{kind}").exists() for kind in (".csv", ".xlsx", ".parquet")):
        return folder / table / name
    path = folder / "inbox" / name
    if layout := layout_for(path.name, _layouts(folder)):
        raise WrongFile(
            f"{path}: {layout.where} would read this file of inbox/ as a laboratory's. Make its `files` pattern "
            f"narrower, or move the {table} into a folder {table}/, and try again; nothing was written."
        )
    return path


def _layouts(folder: Path) -> list[Layout]:
    """The fleet's layouts; none where it has no folder for them."""
    if not any((folder / "layouts").glob("*.toml")):
        return []
    return read_layouts(folder / "layouts", with_own(read_settings(folder / "fleet.toml").analytes))
