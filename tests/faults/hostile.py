"""Files of inbox/ that are wrong by mistake or on purpose, and a measure of what reading each costs.

python -m tests.faults.hostile        one line a file: seconds, peak memory, what was said; the record is `hostile.md`
beside this file
"""

import html
import io
import json
import multiprocessing
import os
import queue
import shutil
import sys
import tempfile
import time
import traceback
import unicodedata
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import xlsxwriter

from cmkit.errors import CmkitError
from cmkit.records.reading.load import load_fleet
from cmkit.records.reading.reading_report import reading_report
from cmkit.records.reading.start import start_fleet

HEAD = "sample,compartment,drawn_on,Fe_ppm,note\n"
ROW = "H1,WL-01/engine,2026-03-02,"


def base_fleet(folder: Path) -> Path:
    """The example fleet of `cmkit start`, its tables filled, and one good laboratory file."""
    start_fleet(folder)
    for table in (folder / "examples").glob("*.csv"):
        shutil.copy(table, folder / table.name)
    (folder / "inbox" / "good.csv").write_text(HEAD + "GOOD,WL-01/engine,2026-03-09,22,\n")
    return folder


def text(content: str | bytes, name: str = "x.csv", times: int = 1) -> Callable[[Path], None]:
    def write(inbox: Path) -> None:
        raw = content.encode("utf-8", "surrogatepass") if isinstance(content, str) else content
        (inbox / name).write_bytes(raw * times)

    return write


def packed(parts: dict[str, bytes], name: str = "x.xlsx") -> Callable[[Path], None]:
    def write(inbox: Path) -> None:
        with zipfile.ZipFile(inbox / name, "w", zipfile.ZIP_DEFLATED) as out:
            for part, content in parts.items():
                out.writestr(part, content)

    return write


def sheet(
    cells: str, part: str = "xl/worksheets/sheet1.xml", more: dict[str, bytes] | None = None
) -> Callable[[Path], None]:
    """A workbook of one sheet whose XML is given, under any part name."""
    space = "http" + "://schemas.openxmlformats.org"  # a name, and no address that leads anywhere
    types = (
        f'<Types xmlns="{space}/package/2006/content-types"><Default Extension="xml" ContentType="application/xml"/>'
        '<Override PartName="/xl/workbook.xml" '
        'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>'
    )
    main = f"{space}/spreadsheetml/2006/main"
    links = f"{space}/officeDocument/2006/relationships"
    package = f"{space}/package/2006/relationships"
    return packed(
        {
            "[Content_Types].xml": types.encode(),
            "_rels/.rels": f'<Relationships xmlns="{package}"><Relationship Id="r1" Type="{links}/officeDocument" '
            f'Target="xl/workbook.xml"/></Relationships>'.encode(),
            "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{links}"><sheets><sheet name="samples" sheetId="1" '
            f'r:id="r1"/></sheets></workbook>'.encode(),
            "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}"><Relationship Id="r1" '
            f'Type="{links}/worksheet" Target="{part.removeprefix("xl/")}"/></Relationships>'.encode(),
            part: f'<worksheet xmlns="{main}"><sheetData>{cells}</sheetData></worksheet>'.encode(),
            **(more or {}),
        }
    )


def cell(place: str, words: str = "x") -> str:
    row = "".join(c for c in place if c.isdigit())
    return f'<row r="{row}"><c r="{place}" t="inlineStr"><is><t>{words}</t></is></c></row>'


def parquet(table: pa.Table, name: str = "x.parquet", **how: object) -> Callable[[Path], None]:
    return lambda inbox: pq.write_table(table, inbox / name, **how)


def long_parquet(inbox: Path) -> None:
    """A hundred million equal rows in a few kilobytes."""
    batch = pa.table({n: pa.array(np.zeros(1_000_000)) for n in ("sample", "a", "b")})
    with pq.ParquetWriter(inbox / "x.parquet", batch.schema, compression="zstd") as out:
        for _ in range(20):
            out.write_table(batch, row_group_size=1_000_000)


def wide_words_parquet(inbox: Path) -> None:
    """One word of a megabyte, a hundred thousand times, in a dictionary."""
    words = pa.DictionaryArray.from_arrays(pa.array(np.zeros(100_000, dtype=np.int32)), pa.array(["x" * 1_000_000]))
    pq.write_table(pa.table({"sample": words}), inbox / "x.parquet", compression="zstd")


def odd_metadata(inbox: Path) -> None:
    for n, value in enumerate(
        [b"{not json", json.dumps({"index_columns": [{"kind": "range"}], "columns": 5}).encode()]
    ):
        table = pa.table({"sample": ["H1"], "compartment": ["WL-01/engine"], "drawn_on": ["2026-03-02"]})
        pq.write_table(table.replace_schema_metadata({b"pandas": value}), inbox / f"x{n}.parquet")


def false_size(inbox: Path) -> None:
    """A part that claims a hundred bytes and unpacks to three hundred megabytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("xl/worksheets/sheet1.xml", b" " * 300_000_000)
    raw, size = bytearray(buffer.getvalue()), (300_000_000).to_bytes(4, "little")
    while (at := raw.find(size)) >= 0:
        raw[at : at + 4] = (100).to_bytes(4, "little")
    (inbox / "x.xlsx").write_bytes(raw)


def spaces(inbox: Path) -> None:
    packed({"xl/sharedStrings.xml": b" " * 300_000_000})(inbox)


def open_document(table: str) -> Callable[[Path], None]:
    office = "urn:oasis:names:tc:opendocument:xmlns"
    content = (
        f'<office:document-content xmlns:office="{office}:office:1.0" xmlns:table="{office}:table:1.0" '
        f'xmlns:text="{office}:text:1.0">'
        f"<office:body><office:spreadsheet><table:table "
        f'table:name="samples">{table}</table:table></office:spreadsheet></office:body></office:document-content>'
    )
    return packed(
        {"mimetype": b"application/vnd.oasis.opendocument.spreadsheet", "content.xml": content.encode()}, "x.ods"
    )


def loop(inbox: Path) -> None:
    (inbox / "x.csv").symlink_to("y.csv")
    (inbox / "y.csv").symlink_to("x.csv")


def many_sheets(inbox: Path) -> None:
    with xlsxwriter.Workbook(inbox / "x.xlsx") as book:
        for n in range(200):
            book.add_worksheet(f"s{n}").write(0, 0, "sample")


TIMES = pa.array([893_000_000_000, 1_700_000_000], pa.timestamp("s"))  # the year 30267, and 2023
THREE = {"sample": ["H1", "H2"], "compartment": ["WL-01/engine"] * 2}
DAY = {"drawn_on": ["2026-03-02"] * 2}
HOSTILE: dict[str, Callable[[Path], None]] = {
    "20,000 digits": text(HEAD + ROW + "9" * 20_000 + ",\n"),
    "100,000 digits": text(HEAD + ROW + "9" * 100_000 + ",\n"),
    "100,000 digits with points": text(HEAD + ROW + "123." * 25_000 + ",\n"),
    "digits as a name": text(HEAD + f"H1,{'9' * 100_000},2026-03-02,5,\n"),
    "digits as a day": text(HEAD + f"H1,WL-01/engine,{'9' * 100_000},5,\n"),
    "exponent": text(HEAD + ROW + "1e999999999,\n"),
    "far corner": sheet(cell("XFD1048576")),
    "far corner, unusual part name": sheet(cell("XFD1048576"), "xl/sheets/odd.data"),
    "far corner, small letters": sheet(cell("XFD1048576").replace("XFD", "xfd")),
    "far corner, spaced attributes": sheet(cell("XFD1048576").replace('r="', "r = '").replace('" t',
    "' t").replace('"><c', "'><c")),
    "long Parquet": long_parquet,
    "wide words in Parquet": wide_words_parquet,
    "nested Parquet": parquet(pa.table({"sample": [[1], [2]], "x": [{"a": 1}, {"a": 2}]})),
    "bytes as ids": parquet(pa.table({"sample": [b"H1", b"H2"], "compartment": [b"WL-01/engine"] * 2, **DAY})),
    "bytes that are no text": parquet(pa.table({"sample": [b"\xff\xfe", b"\x80"], "compartment": THREE["compartment"],
    **DAY})),
    "the year 30000": parquet(pa.table({**THREE, "drawn_on": TIMES})),
    "the year 30000 in microseconds": parquet(pa.table({**THREE, "drawn_on": TIMES.cast(pa.timestamp("us"))})),
    "odd metadata": odd_metadata,
    "columns twice in Parquet": parquet(pa.Table.from_arrays([pa.array(["a"])] * 2, ["sample", "sample"])),
    "decimals and times in Parquet": parquet(pa.table({**THREE, **DAY,
    "Fe_ppm": pa.array([1, 2]).cast(pa.decimal128(38, 0)), "meter_h": pa.array([1, 2], pa.time64("us"))})),
    "cut Parquet": text(b"PAR1" + b"\x00" * 200 + b"PAR1", "x.parquet"),
    "60 MB of separators": text(b",", times=60_000_000),
    "40 MB of separators": text(b"," * 1000, times=40_000),
    "30 MB of line ends": text(b"sample,drawn_on" + b"\n" * 1000, times=30_000),
    "a million short rows": text(HEAD + "a\n" * 1_000_000),
    "a heading of a million signs": text("x" * 1_000_000 + ",y\n1,2\n"),
    "50,000 equal headings": text(",".join(["sample"] * 50_000) + "\n"),
    "5 million columns": text(b"x,", times=5_000_000),
    "a quotation mark left open": text(HEAD + '"' + ROW * 10_000),
    "zero bytes": text(HEAD + "\x00" * 1000),
    "half of UTF-16": text(HEAD.encode("utf-16")[:-1]),
    "no UTF-8": text(HEAD.encode() + b"\xff\xfe\xfd,\x80\n"),
    "only a mark": text(b"\xef\xbb\xbf"),
    "a part with a false size": false_size,
    "300 MB of spaces": spaces,
    "entities in entities": sheet('<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>' + cell("A1", "&b;")),
    "a zip that is no workbook": packed({"hello.txt": b"hello"}),
    "a binary workbook": packed({"xl/workbook.bin": b"\x00" * 100}),
    "random bytes": text(bytes(np.random.default_rng(1).integers(0, 256, 100_000, dtype=np.uint8)), "x.xls"),
    "repeated cells": open_document('<table:table-row table:number-rows-repeated="1048576"><table:table-cell '
    'table:number-columns-repeated="16384" office:value-type="float" '
    'office:value="1"><text:p>1</text:p></table:table-cell></table:table-row>'),
    "nested elements": packed({"content.xml": b"<a>" * 200_000}, "x.ods"),
    "200 sheets": many_sheets,
    "a loop of links": loop,
    "a link elsewhere": lambda inbox: (inbox / "x.csv").symlink_to("/etc/passwd"),
    "a folder": lambda inbox: (inbox / "x.csv").mkdir(),
    "a pipe": lambda inbox: os.mkfifo(inbox / "x.csv"),
    "a name with marks": text(HEAD + ROW + "5,\n", "x\n\x1b[31m<b>=1+1.csv"),
    "formulas everywhere": text(HEAD + "=1+1,@x,+2026,-5,=cmd|' /C calc'!A0\n"),
    "letters in two parts": text(HEAD + unicodedata.normalize("NFD", "Hé1,WL-01/engine,2026-03-02,5,é\n")),
    "marks that cannot be seen": text("\u200bsample,\ufeffcompartment,drawn_on\u2060,Fe_ppm\nH\u202e1,WL-01/engine\u200b,2026-03-02,5\n"),
}  # fmt: skip


def _measured(name: str, answer: multiprocessing.Queue) -> None:
    with tempfile.TemporaryDirectory() as folder:
        fleet = base_fleet(Path(folder) / "fleet")
        load_fleet(fleet)
        HOSTILE[name](fleet / "inbox")
        try:
            with open("/proc/self/clear_refs", "w") as peak:  # the writing of the file is not the reading of it
                peak.write("5")
        except OSError:
            pass
        begin = time.perf_counter()
        used = time.process_time()
        try:
            said = reading_report(load_fleet(fleet)).partition("Files not read")[2] or "read"
        except CmkitError as error:
            said = f"STOPPED {error}"
        except BaseException:
            said = f"TRACEBACK {traceback.format_exc()[-300:]}"
        status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
        peak_mb = int(status["VmHWM"].split()[0]) / 1024
        answer.put((time.perf_counter() - begin, time.process_time() - used, peak_mb, " ".join(said.split())[:110]))


def main() -> None:
    context = multiprocessing.get_context("spawn" if sys.platform != "linux" else "fork")
    rows = []
    for name in HOSTILE:
        answer = context.Queue()
        process = context.Process(target=_measured, args=(name, answer))
        process.start()
        try:
            measured = answer.get(timeout=300)
        except queue.Empty:
            measured = (300.0, 300.0, 0.0, "NO ANSWER")
        process.kill()
        process.join()
        rows.append((name, *measured))
        print("{:<34} {:6.2f} s {:6.2f} s CPU {:6.0f} MB  {}".format(*rows[-1]), flush=True)
    PAGE.write_text(page(rows), encoding="utf-8")
    print(f"Written to {PAGE.name}")


PAGE = Path(__file__).with_suffix(".md")
MOST_S, MOST_MB = 2.0, 500.0  # of one file; seconds of the processor, which a busy machine does not stretch


def page(rows: list[tuple[str, float, float, float, str]]) -> str:
    """The record as Markdown."""
    failed = [
        r[0] for r in rows if r[2] > MOST_S or r[3] > MOST_MB or r[4].startswith(("STOPPED", "TRACEBACK", "NO ANSWER"))
    ]
    lines = [
        f"| {name} | {wall:.2f} | {used:.2f} | {peak:.0f} | "
        f"{html.escape(said).replace('|', '&#124;').replace('`', '&#96;')} |"
        for name, wall, used, peak, said in rows
    ]
    return "\n".join(
        [
            "# Files that are wrong by mistake or on purpose",
            "",
            "Written by `python -m tests.faults.hostile`, which holds the files: reading a fleet of one good file and "
            "this one.",
            "",
            f"{len(rows)} files; over {MOST_S:g} s of the processor or {MOST_MB:g} MB, stopped the fleet or ended in "
            f"a traceback: "
            f"**{', '.join(failed) or 'none'}**. Load of the machine while measured: {os.getloadavg()[0]:.0f} on "
            f"{os.cpu_count()} cores.",
            "",
            "| file | seconds | of the processor | peak MB of the process | what was said |",
            "|---|---|---|---|---|",
            *lines,
            "",
        ]
    )


if __name__ == "__main__":
    main()
