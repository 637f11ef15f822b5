"""A field sheet that came back, as rows of text: whatever it was saved as, wherever its headings stand, with merged
cells filled.
"""

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import python_calamine

from cmkit.errors import WrongFile
from cmkit.records.reading.clean import text_cells
from cmkit.records.reading.files import SEPARATORS, SPREADSHEETS, read_sheet, read_text, sheet_names, split_lines

_SEND = "Send back the XLSX that came with the round, headings unchanged."
_TITLES = 30  # rows in which the headings are looked for


@dataclass(frozen=True)
class SheetRows:
    """Rows of a field sheet: `rows` (name of the column -> text) by their number in the file, and remarks on the sheet
    as a whole.
    """

    rows: dict[int, dict[str, str]]
    remarks: list[str]


def sheet_rows(path: Path, sheet: str, wanted: list[str], needed: list[str]) -> SheetRows:
    """Rows of a field sheet saved as XLSX or another spreadsheet, or as CSV. Rows without anything in them are left
    out.

    sheet: its name when it went out; another one is taken where only that has the headings. wanted: columns that are
    read ('' in a row where the sheet has not got one); needed: those without which it is no field sheet. Raises
    WrongFile when it is none.
    """
    grids = _grids(path)
    places = {name: _heading_row(rows, needed) for name, rows in grids.items()}
    fit = [name for name, at in places.items() if at is not None]
    name = sheet if sheet in fit else fit[0] if len(fit) == 1 else ""
    if name not in fit:
        raise WrongFile(f"{path}: {_why_none(grids, fit, sheet, needed)} {_SEND}")
    at = places[name]
    assert at is not None
    names = [_name(c) for c in grids[name][at]]
    known = {_name(w): w for w in wanted}
    cells = [
        text_cells(np.array([*row, *[""] * (len(names) - len(row))], dtype=object)) for row in grids[name][at + 1 :]
    ]
    rows = {
        number: dict.fromkeys(wanted, "")
        | {known[n]: _shown(t) for n, t in zip(names, row, strict=False) if n in known}
        for number, row in enumerate(cells, at + 2)
        if any(row)
    }
    return SheetRows(rows, _remarks(names, known, cells))


def _shown(text: str) -> str:
    """Text in one line, without marks that a terminal or a page would obey."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _name(cell: object) -> str:
    return _shown(str(cell).replace("_", " ").casefold())


def _grids(path: Path) -> dict[str, list[list[Any]]]:
    """Rows of cells of every sheet of the file, by the sheet's name."""
    if path.suffix.lower() in SPREADSHEETS:
        return {name: _with_merged(path, name) for name in sheet_names(path, str(path))}
    text = read_text(path, str(path))[0]
    heads = text.splitlines()[:_TITLES]
    separator = max(SEPARATORS.values(), key=lambda s: max(line.count(s) for line in heads))
    return {path.stem: split_lines(text, separator, str(path))}


def _with_merged(path: Path, name: str) -> list[list[Any]]:
    """Rows of one sheet, the text of merged cells in each of them: someone wrote it once for all."""
    rows = read_sheet(path, str(path), name)
    book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(path.read_bytes()))
    for (top, left), (bottom, right) in book.get_sheet_by_name(name).merged_cell_ranges or []:
        if top < len(rows) and left < len(rows[top]):
            for row in rows[top : bottom + 1]:
                row[left : right + 1] = [rows[top][left]] * len(row[left : right + 1])
    return rows


def _heading_row(rows: list[list[Any]], needed: list[str]) -> int | None:
    """Place of the row that has all needed headings."""
    wanted = {_name(n) for n in needed}
    return next((i for i, row in enumerate(rows[:_TITLES]) if wanted <= {_name(c) for c in row}), None)


def _why_none(grids: dict[str, list[list[Any]]], fit: list[str], sheet: str, needed: list[str]) -> str:
    if fit:
        return f"several sheets look like a round ({', '.join(map(repr, fit))}) and none is named '{sheet}'."
    found = ", ".join(
        _shown(str(c)) for rows in grids.values() for c in (rows[0] if rows else [])[:8] if str(c).strip()
    )
    return f"not a field sheet: no row with the headings {', '.join(needed)}; found {found[:200] or 'nothing'}."


def _remarks(names: list[str], known: dict[str, str], cells: list[np.ndarray]) -> list[str]:
    """What is said of the sheet as a whole: columns that are gone, and columns that were added and hold something."""
    gone = [w for n, w in known.items() if n not in names]
    out = [f"the columns {', '.join(gone)} are gone; read as not noted."] if gone else []
    for place, name in enumerate(names):
        filled = [row[place] for row in cells if row[place]]
        if filled and name not in known:
            out.append(
                f"the column '{name or place + 1}' is not of this sheet and is not read (it holds "
                f"{_shown(filled[0])[:40]!r}); use the note."
            )
        elif name in names[:place] and name:
            out.append(f"the column '{name}' stands there twice; the last one is read.")
    return out
