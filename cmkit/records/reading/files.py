"""One file into a grid of cells: what stands in it, row by row, before anything is understood. Nothing is converted
here.
"""

import csv
import hashlib
import io
import os
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import python_calamine

from cmkit.errors import MissingTable, UnknownColumn, WriteError, WrongFile
from cmkit.records.reading.bounds import (
    LABORATORY,
    SHORT_ROWS,
    SHOWN,
    Bounds,
    check_bytes,
    check_packed,
    check_text,
    read_arrow,
    too_large,
)
from cmkit.records.reading.clean import visible
from cmkit.tables.records import TABLES

SPREADSHEETS = (".xlsx", ".xlsm", ".xls", ".ods")
TEXTS = (".csv", ".txt", ".tsv")
TABLE_FILES = (*TEXTS, *SPREADSHEETS, ".parquet")
SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
_ZIP, _OLE, _PARQUET = b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"PAR1"


@dataclass(frozen=True)
class Form:
    """How a file is written. Empty text and None: find out. Rows are counted as a person counts them, from 1.

    skip_rows: title rows above the headings; heading_rows: rows the headings take (2 where a group or a unit has its
    own row);
    after_headings: rows between headings and data (a unit row that is not wanted).
    """

    encoding: str = ""
    separator: str = ""
    sheet: str = ""
    skip_rows: int = 0
    heading_rows: int = 1
    after_headings: int = 0


@dataclass(frozen=True)
class Grid:
    """A file's cells by column. `rows` holds each data row's number in the file; `bad_rows` the rows that do not fit
    the headings.

    Cells are text (CSV), or also numbers, dates and truth values (spreadsheet, Parquet). Headings are unique and
    stripped.
    """

    file: str
    headings: list[str]
    columns: dict[str, np.ndarray]
    rows: np.ndarray
    bad_rows: pd.DataFrame
    repairs: pd.DataFrame
    separator: str = ""


_ROW_NOTE = ["row", "value", "reason"]
_LOOKED_AT = 100_000  # characters of the heading row


def file_hash(path: Path) -> str:
    """SHA-256 of a file's content, hexadecimal."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def read_grid(
    path: Path,
    file: str,
    form: Form = Form(),
    sheet_wanted: str = "",
    known: tuple[str, ...] = (),
    *,
    bounds: Bounds = LABORATORY,
) -> Grid:
    """The cells of one CSV, spreadsheet or Parquet file.

    file: its name in messages. sheet_wanted: the sheet to take when the form names none and there are several. known:
    headings that help to tell the separator of a CSV. Raises WrongFile when the file is empty, holds more than
    `bounds`, or is not what its name says.
    """
    suffix = path.suffix.lower()
    if suffix == ".parquet":
        return _from_parquet(read_arrow(path, file, bounds), file)
    lines: list[list[Any]]
    repairs = pd.DataFrame(columns=[*_ROW_NOTE, "used"])
    separator, cut = "", False
    if suffix in SPREADSHEETS:
        lines = read_sheet(path, file, form.sheet, sheet_wanted, bounds=bounds)
    else:
        text, repairs = read_text(path, file, form.encoding, bounds=bounds)
        separator = form.separator or _sniff_separator(text, form.skip_rows, known)
        check_text(text, separator, file, bounds)
        lines, cut = split_lines(text, separator, file), not text.endswith(("\n", "\r"))
    return _to_grid(lines, file, form, repairs=repairs, separator=separator, cut=cut)


def read_text(path: Path, file: str, encoding: str = "", *, bounds: Bounds = LABORATORY) -> tuple[str, pd.DataFrame]:
    """A text file's content and, where the encoding had to be guessed, a repair note. Raises WrongFile on other
    content.
    """
    check_bytes(path, file, bounds)
    raw = path.read_bytes()
    if not raw.strip(b"\xef\xbb\xbf\xff\xfe \r\n\t"):
        raise WrongFile(f"{file}: the file is empty; wanted a row of headings and rows of values. Export it again.")
    kinds = {_ZIP: "a spreadsheet or zip file", _OLE: "an old spreadsheet", _PARQUET: "a Parquet file"}
    for start, what in kinds.items():
        if raw.startswith(start):
            raise WrongFile(
                f"{file}: the content is {what}, its name says text. Give it the ending of what it is, or export it "
                f"as CSV."
            )
    repairs = pd.DataFrame(columns=[*_ROW_NOTE, "used"])
    tried = encoding or _encoding_by_mark(raw)
    try:
        text = raw.decode(tried)
    except LookupError:
        raise WrongFile(
            f"{file}: encoding {tried!r} is not known; wanted one such as utf-8, latin-1 or utf-16. Mend the layout."
        ) from None
    except UnicodeDecodeError as error:
        if encoding:
            raise WrongFile(
                f"{file}: not readable as {encoding} (byte {error.start + 1}: {error.reason}). Put the right encoding "
                f"into the layout."
            ) from None
        tried = "cp1252"
        text = raw.decode(tried, errors="replace")
        row = raw[: error.start].count(b"\n") + 1
        repairs.loc[0] = [row, f"byte {raw[error.start]:#04x}", "not UTF-8: the file was read as Windows-1252", tried]
    if "\x00" in text:
        raise WrongFile(f"{file}: holds bytes that are no text; wanted a CSV file. Export it again as CSV (UTF-8).")
    return text, repairs


def _encoding_by_mark(raw: bytes) -> str:
    """UTF-16 and UTF-8 by their byte order mark or, without one, UTF-16 by its zero bytes; UTF-8 otherwise."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    head = raw[:400]
    if len(head) >= 4 and head[1::2].count(0) > len(head) // 4:
        return "utf-16-le"
    if len(head) >= 4 and head[0::2].count(0) > len(head) // 4:
        return "utf-16-be"
    return "utf-8-sig"


def _sniff_separator(text: str, skip_rows: int, known: tuple[str, ...]) -> str:
    """The separator that splits the heading row into the most known headings, then into the most cells."""
    lines = list(islice(io.StringIO(text, newline=None), skip_rows + 1))
    line = lines[min(skip_rows, len(lines) - 1)][:_LOOKED_AT].rstrip("\n")

    def fit(separator: str) -> tuple[int, int]:
        cells = [c.strip().strip('"') for c in line.split(separator)]
        return sum(c in known for c in cells), len(cells)

    return max(SEPARATORS.values(), key=fit)


def split_lines(text: str, separator: str, file: str) -> list[list[str]]:
    """CSV text into rows of cells. Raises WrongFile on a quotation mark that is never closed, with
    the row it opens in.
    """
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    lines: list[list[str]] = []
    try:
        lines.extend(reader)
    except csv.Error as error:
        raise WrongFile(
            f"{file}: row {len(lines) + 1} cannot be split into cells ({error}); "
            'wanted quotation marks in pairs, "" inside quoted text. Mend that row.'
        ) from None
    return lines


def read_sheet(
    path: Path, file: str, sheet: str = "", wanted: str = "", *, bounds: Bounds = LABORATORY
) -> list[list[Any]]:
    """Rows of one sheet. `sheet` must exist; else the sheet called `wanted`, else the only one. Raises WrongFile
    otherwise.
    """
    book = _workbook(path, file, bounds)
    names = book.sheet_names
    name = sheet or (wanted if wanted in names else names[0] if len(names) == 1 else "")
    if name not in names:
        asked = f"sheet '{sheet}' is not there" if sheet else f"several sheets and none called '{wanted}'"
        raise WrongFile(
            f"{file}: {asked}; found {', '.join(repr(n) for n in names)}. Rename the sheet or say `sheet = ...` in "
            f"the layout."
        )
    try:
        found = book.get_sheet_by_name(name)
        if found.total_height * found.total_width > bounds.cells:
            raise too_large(file, f"{found.total_height:,} rows by {found.total_width:,} columns", bounds)
        return found.to_python(skip_empty_area=False)
    except (python_calamine.CalamineError, python_calamine.XmlError, ValueError) as error:
        raise WrongFile(f"{file}: sheet '{name}' cannot be read ({error}). Open the file and save it again.") from None


def sheet_names(path: Path, file: str) -> list[str]:
    """Names of a spreadsheet's sheets. Raises WrongFile where it is none."""
    return list(_workbook(path, file, LABORATORY).sheet_names)


def _workbook(path: Path, file: str, bounds: Bounds) -> python_calamine.CalamineWorkbook:
    check_bytes(path, file, bounds)
    check_packed(path, file, bounds)
    try:
        return python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(path.read_bytes()))
    except python_calamine.PasswordError:
        raise WrongFile(f"{file}: protected by a password. Save it without one.") from None
    except python_calamine.CalamineError as error:
        raise WrongFile(
            f"{file}: not a spreadsheet ({error}), though its name says so. "
            f"Open it and save it as {path.suffix.lower()}, or export it as CSV."
        ) from None


def _from_parquet(table: pa.Table, file: str) -> Grid:
    frame = table.to_pandas(date_as_object=False)
    columns = {}
    for name in frame.columns:
        values = frame[name]
        if values.dtype.kind in "fiuMb" and not isinstance(values.dtype, pd.api.extensions.ExtensionDtype):
            columns[str(name)] = values.to_numpy()
        elif isinstance(values.dtype, pd.StringDtype):
            columns[str(name)] = values.array
        else:
            columns[str(name)] = np.where(values.isna(), "", values.astype(object)).astype(object)
    rows = np.arange(2, len(frame) + 2)
    note = pd.DataFrame(columns=_ROW_NOTE)
    return Grid(file, list(columns), columns, rows, note, note.assign(used=""))


# first signs of a text that a spreadsheet takes for a formula
FORMULA_MARKS = ("=", "+", "-", "@", "\t", "\r")


def spreadsheet_text(value: object) -> object:
    """Text a spreadsheet would take for a formula gets an apostrophe before it; anything else as it is (numbers stay
    numbers).
    """
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA_MARKS) else value


def is_blank(cell: object) -> bool:
    """True for a cell that holds nothing but white space."""
    return cell is None or (isinstance(cell, str) and not cell.strip())


def _to_grid(
    lines: list[list[Any]], file: str, form: Form, *, repairs: pd.DataFrame, separator: str, cut: bool
) -> Grid:
    first = form.skip_rows + form.heading_rows
    if len(lines) < first or not any(not is_blank(c) for c in lines[first - 1]):
        raise WrongFile(
            f"{file}: no headings in row {first}; wanted the names of the columns there. "
            "Put them there, or set skip_rows in the layout."
        )
    headings = join_headings(lines[form.skip_rows : first])
    data = lines[first + form.after_headings :]
    start = first + form.after_headings + 1
    numbers: list[int] = []
    kept: list[list[Any]] = []
    bad, short = [], []
    width = len(headings)
    for number, line in enumerate(data, start):
        if not any(line) or all(is_blank(c) for c in line):
            continue
        if len(line) > width and any(not is_blank(c) for c in line[width:]):
            too_many = f"{len(line)} cells, {width} headings: a separator too many?"
            bad.append((number, _shown(line), f"more cells than headings; {too_many}"))
            continue
        if len(line) < width and separator:
            if cut and number == start + len(data) - 1:
                bad.append((number, _shown(line), "the file ends in the middle of this row; was it copied whole?"))
                continue
            short.append((number, _shown(line), "the row ends early, what is missing is read as not recorded", ""))
            if len(short) > max(SHORT_ROWS, len(kept) // 2):
                raise WrongFile(
                    f"{file}: more than half of the first {len(kept) + 1:,} rows have fewer cells than the headings. "
                    f"Is it the right separator? Export it again."
                )
        numbers.append(number)
        kept.append(line if len(line) == width else (line + [""] * width)[:width])
    columns = _by_column(kept, headings, file)
    if short:
        early = pd.DataFrame(short, columns=list(repairs.columns))
        repairs = pd.concat([repairs, early], ignore_index=True) if len(repairs) else early
    rows = np.array(numbers, dtype=np.int64)
    return Grid(file, list(columns), columns, rows, pd.DataFrame(bad, columns=_ROW_NOTE), repairs, separator)


def _shown(line: list[Any]) -> str:
    return " | ".join(str(c)[:SHOWN] for c in line[:SHOWN])[:SHOWN]


def join_headings(lines: list[list[Any]]) -> list[str]:
    """One heading a column. Of several heading rows the upper ones are spread to the right (merged cells), then joined
    with ' / '.
    """
    width = max(len(line) for line in lines)
    rows = [
        [("" if c is None else " ".join(visible(str(c)).split())) for c in line] + [""] * (width - len(line))
        for line in lines
    ]
    for row in rows[:-1]:
        for i in range(1, width):
            row[i] = row[i] or row[i - 1]
    joined = [" / ".join(dict.fromkeys(part for part in parts if part)) for parts in zip(*rows, strict=True)]
    seen: dict[str, int] = {}
    out = []
    for name in joined:
        seen[name] = seen.get(name, 0) + 1
        out.append(name if seen[name] == 1 or not name else f"{name}#{seen[name]}")
    return out


def _by_column(kept: list[list[Any]], headings: list[str], file: str) -> dict[str, np.ndarray]:
    """Columns as object arrays. A column without a heading may be blank, not hold values."""
    columns: dict[str, np.ndarray] = {}
    across = zip(*kept, strict=True) if kept else [()] * len(headings)
    for place, (heading, cells) in enumerate(zip(headings, across, strict=True), 1):
        if not heading:
            filled = next((str(c) for c in cells if not is_blank(c)), None)
            if filled is not None:
                raise UnknownColumn(
                    f"{file}: column {place} has no heading but holds values (such as {filled[:SHOWN]!r}). Name it or "
                    f"empty it."
                )
            continue
        values = np.empty(len(cells), dtype=object)
        values[:] = cells
        columns[heading] = values
    return columns


def table_files(folder: Path, name: str) -> list[Path]:
    """The file or files of one table of a fleet folder, in order of name; empty when there are none.

    Raises WrongFile when the table stands there twice (a file and a folder, or two kinds of file).
    """
    found = [folder / f"{name}{s}" for s in (".csv", ".xlsx", ".parquet") if (folder / f"{name}{s}").is_file()]
    inside = folder_files(folder / name) if (folder / name).is_dir() else []
    if len(found) + bool(inside) > 1:
        what = ", ".join(f.name for f in found) + (f" and the folder {name}/" if inside else "")
        raise WrongFile(f"{folder}: the table '{name}' is there more than once ({what}). Keep one of them.")
    return found or inside


def folder_files(folder: Path) -> list[Path]:
    """Files of a folder that are meant to be read, in order of name; hidden files and a spreadsheet's lock files are
    not.
    """
    return sorted(p for p in folder.iterdir() if p.is_file() and not p.name.startswith((".", "~$")))


def unread_entries(folder: Path, links: bool) -> dict[str, str]:
    """Entries of a folder that are not read, with the reason. links: links to files elsewhere are read too.

    A link that came in with a laboratory's files could bring in any file of the machine.
    """
    out = {}
    for path in sorted(folder.iterdir() if folder.is_dir() else []):
        if path.name.startswith((".", "~$")):
            continue
        if path.is_symlink() and not links and os.path.dirname(os.path.realpath(path)) != os.path.realpath(folder):
            out[path.name] = "a link to somewhere else; put the file itself here"
        elif not path.is_file():
            out[path.name] = "a folder; put its files here" if path.is_dir() else "not a file"
    return out


def refuse_record_place(path: Path, but: str = "") -> None:
    """WriteError where `path` is a fleet's folder, or one of its records or the place of one; `but`: a place of it that
    may be written.
    """
    real = Path(os.path.realpath(path))
    folder = next((f for f in (real, *real.parents) if (f / "fleet.toml").is_file()), None)
    if folder is None:
        return
    first = real.relative_to(folder).parts[0] if real != folder else ""
    if not first or (first != but and (first in _OF_A_FLEET or first.partition(".")[0] in TABLES)):
        what = "a fleet's own folder" if not first else "among the records of a fleet"
        raise WriteError(
            f"{path}: {what}, and no record is written over. Name another place, such as {folder / 'out'}."
        )


_OF_A_FLEET = ("fleet.toml", "inbox", "layouts", "store", "review")


def missing_table(folder: Path, name: str) -> MissingTable:
    """The error for a table that must be there."""
    there = sorted(p.name for p in folder.iterdir() if not p.name.startswith("."))
    return MissingTable(
        f"{folder}: the table '{name}' is missing; wanted {name}.csv, {name}.xlsx, {name}.parquet or a folder {name}/. "
        f"Found: {', '.join(there) or 'nothing'}."
    )
