"""What one file may hold, so that a wrong or hostile one is said at once and fills neither the memory nor the day.

Everything is looked at before it is unpacked or spread out: sizes by the disk, parts of a spreadsheet piece by piece,
rows and columns by the cells' own addresses, a Parquet file by its footer and its dictionaries.
"""

import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from cmkit.errors import WrongFile


@dataclass(frozen=True)
class Bounds:
    """Most bytes of a file, most bytes when unpacked, most cells, most columns."""

    bytes: int
    unpacked: int
    cells: int
    columns: int = 20_000


# own choice: a fleet's own tables may be the records of decades, a laboratory's file is a report of weeks
OWN = Bounds(1_000_000_000, 1_000_000_000, 30_000_000)
LABORATORY = Bounds(50_000_000, 100_000_000, 3_000_000)
SHORT_ROWS = 10_000  # rows that end early; more of them, and more than half, are no slips
NUMBER = 60  # characters of a number or date
SHOWN = 200  # characters of a cell in a note
_PIECE = 1 << 20


def check_bytes(path: Path, file: str, bounds: Bounds) -> None:
    """WrongFile where the file is longer than is read."""
    if path.stat().st_size > bounds.bytes:
        raise too_large(file, f"{path.stat().st_size / 1e6:,.0f} MB", bounds)


def check_text(text: str, separator: str, file: str, bounds: Bounds) -> None:
    """WrongFile where a text has more cells or columns than are read."""
    cells, first = text.count(separator) + text.count("\n"), text.partition("\n")[0].count(separator)
    if cells > bounds.cells:
        raise too_large(file, f"{cells:,} cells", bounds)
    if first > bounds.columns:
        raise too_large(file, f"{first:,} columns", bounds)


def check_packed(path: Path, file: str, bounds: Bounds) -> None:
    """WrongFile on a packed spreadsheet whose parts, unpacked, or whose sheets, spread out, are more than is read.
    Other files pass.
    """
    if not zipfile.is_zipfile(path):
        return
    try:
        with zipfile.ZipFile(path) as packed:
            if any(name.casefold().endswith("workbook.bin") for name in packed.namelist()):
                raise WrongFile(
                    f"{file}: a binary workbook, whatever its name says. Save it as .xlsx, or export it as CSV."
                )
            left = bounds.unpacked
            for part in packed.infolist():
                left = _check_part(packed, part, file, bounds, left)
            if "content.xml" in packed.namelist():
                _check_open_document(packed, file, bounds)
    except (
        zipfile.BadZipFile,
        zlib.error,
        RuntimeError,  # a password, or a way of packing that zipfile does not know
        EOFError,
        ElementTree.ParseError,
    ) as error:
        raise WrongFile(
            f"{file}: a damaged spreadsheet ({error}). Open it and save it again, or export it as CSV."
        ) from None


def _check_part(packed: zipfile.ZipFile, part: zipfile.ZipInfo, file: str, bounds: Bounds, left: int) -> int:
    """Bytes that may still be unpacked after this part; its cells are looked at on the way."""
    last = _Corner()
    tail = b""
    for piece in _pieces(packed, part):
        left -= len(piece)
        if left < 0:
            raise too_large(file, f"more than {bounds.unpacked / 1e6:,.0f} MB when unpacked", bounds)
        last.look(tail + piece)
        tail = piece[-_OVERLAP:]
        if last.rows * last.columns > bounds.cells:
            raise too_large(file, f"{last.rows:,} rows by {last.columns:,} columns", bounds)
    return left


def _pieces(packed: zipfile.ZipFile, part: zipfile.ZipInfo) -> Iterator[bytes]:
    """A part's content, whatever size its entry claims."""
    part.file_size = 1 << 60  # read to the end of the packed stream; the checksum there is still compared
    with packed.open(part) as content:
        while piece := content.read(_PIECE):
            yield piece


_OVERLAP = 400
# a sheet is spread out as a whole rectangle: one cell far out makes it as large as a sheet can be
_ROWS = re.compile(rb"""row\s[^>]{0,200}?\br\s*=\s*["'](\d{1,9})["']""")
_FAR_ROWS = re.compile(rb"""\br\s*=\s*["'][A-Za-z]{1,3}(\d{5,9})["']""")
_COLUMNS = re.compile(rb"""\br\s*=\s*["']([A-Za-z]{2,3})\d""")


class _Corner:
    """The last row and column that any cell of a part names."""

    def __init__(self) -> None:
        self.rows, self.columns = 0, 26

    def look(self, piece: bytes) -> None:
        rows = {*_ROWS.findall(piece), *_FAR_ROWS.findall(piece)}
        self.rows = max([self.rows, *map(int, rows)])
        self.columns = max([self.columns, *map(_column_number, set(_COLUMNS.findall(piece)))])


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = 26 * number + letter - 64
    return number


def _check_open_document(packed: zipfile.ZipFile, file: str, bounds: Bounds) -> None:
    """An open document repeats rows and cells by a number: only those that hold something count."""
    rows, width, at = 0, 0, 0
    filled = False
    with packed.open("content.xml") as content:
        for event, node in ElementTree.iterparse(content, ("start", "end")):
            name = node.tag.rpartition("}")[2]
            if event == "start" and name == "table-row":
                at, filled = 0, False
            elif event == "end" and name in ("table-cell", "covered-table-cell"):
                at += _repeats(node, "number-columns-repeated")
                if len(node) or any(key.endswith("}value-type") for key in node.attrib):
                    filled, width = True, max(width, at)
                node.clear()
            elif event == "end" and name == "table-row":
                rows += _repeats(node, "number-rows-repeated") if filled else 0
                node.clear()
                if rows * width > bounds.cells:
                    raise too_large(file, f"{rows:,} rows by {width:,} columns", bounds)


def _repeats(node: ElementTree.Element, name: str) -> int:
    found = next((v for k, v in node.attrib.items() if k.endswith(f"}}{name}")), "1")
    return int(found) if found.isdigit() and len(found) < 10 else 1


def read_arrow(path: Path, file: str, bounds: Bounds) -> pa.Table:
    """A Parquet file's plain columns, texts as texts, without what its metadata says of frames. WrongFile on any other
    file.
    """
    check_bytes(path, file, bounds)
    try:
        with pq.ParquetFile(path) as stored:
            rows, columns = stored.metadata.num_rows, len(stored.schema_arrow)
            if rows * max(columns, 1) > bounds.cells or columns > bounds.columns:
                raise too_large(file, f"{rows:,} rows by {columns:,} columns", bounds)
            unpacked = sum(stored.metadata.row_group(i).total_byte_size for i in range(stored.num_row_groups))
            if unpacked > bounds.unpacked:
                raise too_large(file, f"{unpacked / 1e6:,.0f} MB when unpacked", bounds)
            _refuse_nested(stored.schema_arrow, file)
        texts = [f.name for f in stored.schema_arrow if _is_text(f.type)]
        table = pq.read_table(path, read_dictionary=texts, partitioning=None)
        spread = sum(_spread_bytes(c) for c in table.columns if pa.types.is_dictionary(c.type))
        if spread > bounds.unpacked:
            raise too_large(file, f"{spread / 1e6:,.0f} MB of text", bounds)
        return _plain(table, file)
    except (OSError, ValueError, TypeError, KeyError, pa.ArrowException) as error:
        raise WrongFile(
            f"{file}: not a Parquet file that can be read ({_first_line(error)}). Write it again."
        ) from None


def _first_line(error: Exception) -> str:
    return (str(error).strip() or type(error).__name__).splitlines()[0][:SHOWN]


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_binary(kind) or pa.types.is_large_string(kind))


def _refuse_nested(schema: pa.Schema, file: str) -> None:
    twice = sorted({n for n in schema.names if schema.names.count(n) > 1}) if len(schema) < 1000 else []
    if twice:
        raise WrongFile(f"{file}: the column {twice[0][:SHOWN]!r} is there more than once. Keep one of them.")
    for column in schema:
        if pa.types.is_nested(column.type):
            raise WrongFile(
                f"{file}: the column {column.name[:SHOWN]!r} holds lists or tables ({str(column.type)[:40]}); wanted "
                f"one value a cell."
            )


def _spread_bytes(column: pa.ChunkedArray) -> int:
    """Bytes of a dictionary's texts once each row has its own."""
    total = 0
    for chunk in column.chunks:
        lengths = pc.binary_length(chunk.dictionary).cast(pa.int64())
        total += pc.sum(lengths.take(chunk.indices)).as_py() or 0
    return total


def _plain(table: pa.Table, file: str) -> pa.Table:
    """Dictionaries as their values, bytes as the text they are; an index that a frame left behind is no column."""
    table = table.replace_schema_metadata(None)
    table = table.select([n for n in table.column_names if not re.fullmatch(r"__index_level_\d+__", n)])
    for i, column in enumerate(table.schema):
        kind = column.type.value_type if pa.types.is_dictionary(column.type) else column.type
        if pa.types.is_dictionary(column.type):
            table = table.set_column(i, column.name, table.column(i).cast(kind))
        if pa.types.is_binary(kind) or pa.types.is_large_binary(kind) or pa.types.is_fixed_size_binary(kind):
            try:
                table = table.set_column(i, column.name, table.column(i).cast(pa.binary()).cast(pa.string()))
            except pa.ArrowInvalid:
                raise WrongFile(
                    f"{file}: the column {column.name[:SHOWN]!r} holds bytes that are no text; wanted text (UTF-8)."
                ) from None
    return table


def too_large(file: str, found: str, bounds: Bounds) -> WrongFile:
    """The error for a file that holds more than is read."""
    return WrongFile(
        f"{file}: {found}; at most {bounds.bytes / 1e6:,.0f} MB, {bounds.unpacked / 1e6:,.0f} MB when unpacked, or "
        f"{bounds.cells:,} cells are "
        "read. If it is a result file, delete what is far below or beside the table, or export it as CSV in parts."
    )
