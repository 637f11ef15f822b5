"""From a file's own headings to ours: our own form, or a laboratory's by a layout file of the fleet's `layouts/`
folder.
"""

import difflib
import fnmatch
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from cmkit.errors import SettingsError, UnknownColumn, WrongFile
from cmkit.records.analytes import above, below
from cmkit.records.reading.bounds import SHOWN
from cmkit.records.reading.clean import NOT_DETECTED, NOT_TESTED, Words, normal, text_cells
from cmkit.records.reading.files import SEPARATORS, Form, Grid
from cmkit.records.reading.iso_codes import ISO4406, codes_of_texts
from cmkit.records.reading.reshape import (
    CELL,
    HEADING,
    NUMBER,
    Shape,
    component_heading,
    fixed_heading,
    phrased_heading,
    quantity_heading,
    reshaped,
)
from cmkit.records.reading.shapes import SHAPE_SECTIONS, component_units, gallons_named, read_shape
from cmkit.records.reading.units import Conversion, conversion
from cmkit.records.typed_reader import Faults, checked, read_block, read_toml, refuse_unknown, section
from cmkit.tables.column import Table
from cmkit.tables.records import REGISTER, TABLES

LAYOUT_TABLES: dict[str, Table] = {**TABLES, REGISTER.name: REGISTER}
_MADE_NUMBERS = ("services", "findings")  # tables whose rows get a number made from their words where the file has none


@dataclass(frozen=True)
class Target:
    """Where a heading or test of the file goes: our column, and the unit the file's values are in ('' for ours)."""

    to: str
    unit: str = ""
    heading: str = ""  # as the layout spells it


@dataclass(frozen=True)
class Long:
    """Headings of a file with one row a result: the test's name, its value, and its unit where the file has one."""

    test: str
    value: str
    unit: str = ""


@dataclass(frozen=True)
class _Plain:
    """The top-level keys of a layout file."""

    files: str
    lab: str = ""
    table: str = "samples"
    encoding: str = ""
    separator: str = ""
    sheet: str = ""
    every_sheet: bool = False
    make_numbers: bool = False
    skip_rows: int = 0
    heading_rows: int = 1
    after_headings: int = 0
    fill_down: tuple[str, ...] = ()
    gallon: str = ""
    decimal: str = "."
    dates: str = ""
    join_with: str = "/"
    not_detected: tuple[str, ...] = NOT_DETECTED
    not_tested: tuple[str, ...] = NOT_TESTED
    ignore: tuple[str, ...] = ()


@dataclass(frozen=True)
class Layout:
    """One laboratory's way of writing a file. `files`: a pattern for names in inbox/; `where`: its name in messages.

    columns: heading -> target; join: our column -> headings whose texts are joined with `join_with`; words: our column
    -> their word -> ours; tests: (one row a result) test name -> target; ignore: headings and tests left out on
    purpose. shape: how rows of the file become rows of the table. every_sheet: all sheets of a spreadsheet are read.
    """

    where: str
    files: str
    lab: str
    table: str
    form: Form
    words: Words
    columns: dict[str, Target]
    ignore: tuple[str, ...] = ()
    join: dict[str, tuple[str, ...]] = field(default_factory=dict)
    join_with: str = "/"
    own_words: dict[str, dict[str, str]] = field(default_factory=dict)
    long: Long | None = None
    tests: dict[str, Target] = field(default_factory=dict)
    shape: Shape = field(default_factory=Shape)
    every_sheet: bool = False


@dataclass(frozen=True)
class Source:
    """Cells that become (part of) one of our columns, with the file's heading and each cell's row in the file."""

    cells: np.ndarray
    rows: np.ndarray
    heading: str
    conversion: Conversion = field(default_factory=Conversion)


@dataclass(frozen=True)
class Cells:
    """A file under our names, not yet converted. `place` is the index of each cell of a source among `rows`, None where
    it is 1:1.

    lost: rows of the file that cannot be used (row, column, value, reason). members: for a file with one row a result,
    the rows of the file behind each of `rows`.
    """

    file: str
    rows: np.ndarray
    columns: dict[str, list[tuple[Source, np.ndarray | None]]]
    words: Words
    lost: pd.DataFrame
    repairs: pd.DataFrame
    members: dict[int, list[int]] = field(default_factory=dict)


_LOST = ["row", "column", "value", "reason"]
_SECTIONS = ("columns", "join", "words", "long", "tests", *SHAPE_SECTIONS)


def known_columns(table: Table, register: pd.DataFrame) -> dict[str, str]:
    """Every heading a table of ours may have -> its unit ('' for text, dates and flags)."""
    names = {c.name: c.unit if c.kind == "number" else "" for c in table.columns}
    if table.results:
        names |= register["unit"].to_dict()
        names |= {flag(a): "" for flag in (below, above) for a in register.index}
    return names


def own_cells(grid: Grid, table: Table, register: pd.DataFrame) -> Cells:
    """A file in our own form. Raises UnknownColumn for a heading we do not know, WrongFile where a needed one is
    missing.
    """
    known = known_columns(table, register)
    for heading in grid.headings:
        if heading not in known:
            raise UnknownColumn(f"{grid.file}: row 1: unknown column '{heading[:SHOWN]}'. {_nearest(heading, known)}")
    missing = [c.name for c in table.columns if c.required and c.name not in grid.headings]
    if missing:
        raise WrongFile(
            f"{grid.file}: row 1: the column{'s' * (len(missing) > 1)} {', '.join(missing)} must be there; found "
            f"{', '.join(grid.headings[:12])}. "
            "Add it, or name the right heading so."
        )
    sources: dict[str, list[tuple[Source, np.ndarray | None]]] = {
        h: [(Source(grid.columns[h], grid.rows, h), None)] for h in grid.headings
    }
    # a file cut by semicolons can only mean decimals by its commas
    words = Words(decimal="either" if grid.separator == ";" else "")
    return Cells(grid.file, grid.rows, sources, words, _lost(grid), grid.repairs)


def _lost(grid: Grid) -> pd.DataFrame:
    return grid.bad_rows.assign(column="")[_LOST]


def _nearest(name: str, known: Any) -> str:
    by_normal = {normal(k): k for k in known}
    near = difflib.get_close_matches(normal(name[:SHOWN]), by_normal, n=1, cutoff=0.5)
    return f"Did you mean '{by_normal[near[0]]}'?" if near else f"Known: {', '.join(list(known)[:20])}, ..."


def read_layouts(folder: Path, register: pd.DataFrame) -> list[Layout]:
    """Every layout of a fleet's `layouts/` folder, in order of name; empty where there is none."""
    if not folder.is_dir():
        return []
    return [read_layout(p, f"layouts/{p.name}", register) for p in sorted(folder.glob("*.toml"))]


def read_layout(path: Path, where: str, register: pd.DataFrame) -> Layout:
    """One layout file. Raises SettingsError naming the file, the key, what was found and what is known."""
    return parse_layout(read_toml(path, where), where, register)


def parse_layout(raw: dict[str, Any], where: str, register: pd.DataFrame) -> Layout:
    """A layout from the parsed content of its file; raises SettingsError that names every fault of it."""
    faults, parts = Faults(), dict[str, Any]()
    plain = _Plain("*")
    with faults.gathered():
        plain = _plain_keys(raw, where)
    known = known_columns(LAYOUT_TABLES[plain.table], register) | ({ISO4406: ""} if plain.table == "samples" else {})
    raw = gallons_named(raw, plain.gallon)
    for name in ("columns", "tests"):
        with faults.gathered():
            parts[name] = _targets(raw.get(name, {}), known, f"{where}: [{name}]")
    with faults.gathered():
        parts["join"] = _joins(section(raw, "join", where), known, where)
    with faults.gathered():
        parts["own_words"] = _own_words(section(raw, "words", where, deep=True), known, where)
    with faults.gathered():
        parts["long"] = read_block(Long, raw["long"], f"{where}: [long]") if "long" in raw else None
    with faults.gathered():
        parts["shape"] = read_shape(raw, known, where, plain.fill_down, plain.gallon)
    faults.raise_any()
    layout = Layout(
        where=where,
        files=plain.files,
        lab=plain.lab,
        table=plain.table,
        form=_form(plain),
        words=Words(plain.decimal, plain.dates, _folded(plain.not_detected), _folded(plain.not_tested)),
        ignore=tuple(normal(i) for i in plain.ignore),
        join_with=plain.join_with,
        every_sheet=plain.every_sheet,
        **parts,
    )
    layout = _with_shape(layout, plain.make_numbers or plain.table in _MADE_NUMBERS)
    _check_complete(layout)
    return layout


def _with_shape(layout: Layout, numbers: bool) -> Layout:
    """The layout with targets for the columns its shape makes, and with made numbers where the file has none."""
    shape, columns = layout.shape, dict(layout.columns)
    given = {t.to for t in columns.values()} | set(layout.join)
    for name in shape.fixed:
        columns[normal(fixed_heading(name))] = Target(name, "", fixed_heading(name))
    for name in set(shape.quantity) - given:
        columns[normal(quantity_heading(name))] = Target(name, "", quantity_heading(name))
    for name, unit in component_units(shape, layout.where).items():
        columns[normal(component_heading(name))] = Target(name, unit, component_heading(name))
    if shape.unpivot:
        columns[HEADING] = Target(shape.unpivot.heading, "", HEADING)
        columns[CELL] = Target(shape.unpivot.cell, "", CELL)
    phrased = {}
    for name in shape.phrases:
        heading = next((h for h, t in columns.items() if t.to == name), "")
        if not heading:
            raise SettingsError(
                f"{layout.where}: [phrases.{name}]: nothing in [columns] is {name}. Name the heading with the words."
            )
        phrased[name] = heading
        columns[normal(phrased_heading(name))] = Target(name, "", phrased_heading(name))
        columns[heading] = Target("" if "note" in given else "note", "", columns[heading].heading)
    table = LAYOUT_TABLES[layout.table]
    key = table.key[0]
    made: tuple[str, ...] = ()
    if numbers and key not in given | set(shape.fixed) and not layout.long:
        of = [c.name for c in table.columns if c.required and c.name != key]
        made = tuple(
            h
            for c in of
            for h in [
                *layout.join.get(c, ()),
                *([phrased[c]] if c in phrased else (k for k, t in columns.items() if t.to == c)),
            ]
        )
        columns[NUMBER] = Target(key, "", NUMBER)
    return replace(layout, columns=columns, shape=replace(shape, made=made, phrased=phrased))


def _plain_keys(raw: dict[str, Any], where: str) -> _Plain:
    plain: _Plain = read_block(_Plain, {k: v for k, v in raw.items() if k not in _SECTIONS}, where)
    if plain.table not in LAYOUT_TABLES:
        raise SettingsError(f"{where}: table {plain.table!r}; wanted one of {', '.join(LAYOUT_TABLES)}.")
    if plain.gallon not in ("", "US", "imperial"):
        raise SettingsError(f"{where}: gallon {plain.gallon!r}; wanted 'US' or 'imperial'.")
    if plain.decimal not in (".", ",", ""):
        raise SettingsError(f"{where}: decimal {plain.decimal!r}; wanted '.' or ','.")
    return plain


def _form(plain: _Plain) -> Form:
    separator = SEPARATORS.get(plain.separator, plain.separator)
    return Form(plain.encoding, separator, plain.sheet, plain.skip_rows, plain.heading_rows, plain.after_headings)


def _folded(words: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(w.casefold().strip() for w in words)


def _targets(raw: Any, known: dict[str, str], where: str) -> dict[str, Target]:
    """`"Their heading" = "Fe_ppm"` or `{ to = "Fe_ppm", unit = "mg/kg" }`, keyed by the heading without case and
    spacing.
    """
    if not isinstance(raw, dict):
        raise SettingsError(f'{where}: found {raw!r}, wanted lines such as "Their heading" = "Fe_ppm".')
    out, faults = {}, Faults()
    for heading, value in raw.items():
        with faults.gathered():
            out[normal(heading)] = _target(heading, value, known, f"{where} {heading!r}")
    faults.raise_any()
    return out


def _target(heading: str, value: Any, known: dict[str, str], spot: str) -> Target:
    target: Target = read_block(Target, {"to": value} if isinstance(value, str) else value, spot)
    if target.to not in known:
        raise SettingsError(f"{spot}: unknown column '{target.to}'. {_nearest(target.to, known)}")
    if target.unit and not known[target.to]:
        raise SettingsError(f"{spot}: '{target.to}' is no number and has no unit; take unit = {target.unit!r} out.")
    conversion(target.unit, known[target.to] or "1", target.to, spot)
    return replace(target, heading=heading)


def _joins(raw: dict[str, Any], known: dict[str, str], where: str) -> dict[str, tuple[str, ...]]:
    refuse_unknown(raw, list(known), f"{where}: [join]")
    for name, headings in raw.items():
        if not isinstance(headings, list) or not headings:
            raise SettingsError(f"{where}: [join] {name}: found {headings!r}, wanted a list of headings.")
    return {k: tuple(normal(checked(h, str, f"{where}: [join] {k}")) for h in v) for k, v in raw.items()}


def _own_words(raw: dict[str, Any], known: dict[str, str], where: str) -> dict[str, dict[str, str]]:
    refuse_unknown(raw, list(known), f"{where}: [words]")
    return {
        k: {normal(w): checked(o, str, f"{where}: [words.{k}] {w}") for w, o in block.items()}
        for k, block in raw.items()
    }


def _check_complete(layout: Layout) -> None:
    """Every column the table cannot do without must come from somewhere, and a long layout must name its tests."""
    given = {t.to for t in layout.columns.values()} | set(layout.join)
    missing = [c.name for c in LAYOUT_TABLES[layout.table].columns if c.required and c.name not in given]
    if missing:
        raise SettingsError(
            f"{layout.where}: nothing is mapped to {', '.join(missing)}. Add lines to [columns] (or [join])."
        )
    if layout.long and not layout.tests:
        raise SettingsError(f'{layout.where}: [long] needs [tests]: lines such as "Iron" = "Fe_ppm".')
    if layout.tests and not layout.long:
        raise SettingsError(f"{layout.where}: [tests] needs [long] with test = and value = (the headings of both).")


def layout_for(name: str, layouts: list[Layout]) -> Layout | None:
    """The layout whose pattern fits a file name; None where none does. Raises SettingsError when two fit."""
    fit = layouts_for(name, layouts)
    return fit[0] if fit else None


def layouts_for(name: str, layouts: list[Layout]) -> list[Layout]:
    """The layouts whose pattern fits a file name: several where each reads a sheet of its own. SettingsError when two
    read the same.
    """
    fit = [la for la in layouts if fnmatch.fnmatchcase(name.casefold(), la.files.casefold())]
    if len(fit) > 1 and (len({la.form.sheet for la in fit}) < len(fit) or not all(la.form.sheet for la in fit)):
        raise SettingsError(
            f"inbox/{name}: fits more than one layout ({', '.join(la.where for la in fit)}). Make their `files` "
            f"patterns narrower, "
            "or name a sheet of its own in each."
        )
    return fit


def layout_cells(grid: Grid, layout: Layout, register: pd.DataFrame) -> Cells:
    """A laboratory's file under our names. Raises UnknownColumn for a heading the layout does not know, WrongFile for a
    missing one.
    """
    sources_of = {t.to: h for h, t in layout.columns.items()}
    grid = reshaped(grid, layout.shape, sources_of, layout.where)
    by_normal = {normal(h): h for h in grid.headings}
    _check_headings(grid, layout, by_normal)
    known = known_columns(LAYOUT_TABLES[layout.table], register) | {ISO4406: ""}
    sources: dict[str, list[Source]] = {}
    for heading, target in layout.columns.items():
        if heading in by_normal and target.to:
            name = by_normal[heading]
            convert = conversion(target.unit, known[target.to] or "1", target.to, layout.where)
            sources.setdefault(target.to, []).append(Source(grid.columns[name], grid.rows, name, convert))
    for column, headings in layout.join.items():
        texts = [text_cells(grid.columns[by_normal[h]]) for h in headings if h in by_normal]
        joined = [layout.join_with.join(p for p in parts if p) for parts in zip(*texts, strict=True)]
        sources[column] = [Source(np.array(joined, dtype=object), grid.rows, " + ".join(headings))]
    for column, words in layout.own_words.items():
        sources[column] = [_translated(s, words) for s in sources.get(column, [])]
    if layout.lab and "lab" not in sources and "lab" in known:
        sources["lab"] = [Source(np.full(len(grid.rows), layout.lab, dtype=object), grid.rows, "lab")]
    _split_codes(sources)
    for column, found in sources.items():
        if len(found) > 1:
            raise WrongFile(
                f"{grid.file}: the headings {', '.join(repr(s.heading) for s in found)} are both mapped to {column} "
                f"by {layout.where}. Keep one."
            )
    if layout.long:
        return _from_long(grid, layout, sources, by_normal, known)
    plain: dict[str, list[tuple[Source, np.ndarray | None]]] = {c: [(s, None) for s in f] for c, f in sources.items()}
    return Cells(grid.file, grid.rows, plain, layout.words, _lost(grid), grid.repairs)


def _split_codes(sources: dict[str, list[Source]]) -> None:
    """A column of ISO 4406 codes as one column a size."""
    for source in sources.pop(ISO4406, []):
        for name, cells in codes_of_texts(text_cells(source.cells)).items():
            sources.setdefault(name, []).append(Source(cells, source.rows, source.heading))


def _translated(source: Source, words: dict[str, str]) -> Source:
    cells = np.array([words.get(normal(t), t) for t in text_cells(source.cells)], dtype=object)
    return replace(source, cells=cells)


def _check_headings(grid: Grid, layout: Layout, by_normal: dict[str, str]) -> None:
    joined = {h for headings in layout.join.values() for h in headings}
    long = {normal(h) for h in (layout.long.test, layout.long.value, layout.long.unit) if h} if layout.long else set()
    known = set(layout.columns) | joined | long | {normal(h) for h in layout.shape.quantity.values()}
    shown = [layout.columns[h].heading if h in layout.columns else h for h in sorted(known)]
    for heading, name in by_normal.items():
        if heading not in known and not {heading, heading.partition("#")[0]} & set(layout.ignore):
            raise UnknownColumn(
                f"{grid.file}: heading '{name}' is not in {layout.where}. {_nearest(name, shown)} "
                "Add it to [columns], or to ignore = [...] if it is not wanted."
            )
    required = {c.name for c in LAYOUT_TABLES[layout.table].columns if c.required}
    given = {t.to for h, t in layout.columns.items() if h in by_normal} | set(layout.join)
    gone = [
        t.heading for t in layout.columns.values() if t.to in required - given and not t.heading.startswith("(")
    ] + sorted((joined | long) - set(by_normal))
    if gone:
        raise WrongFile(
            f"{grid.file}: no heading '{gone[0]}', which {layout.where} needs; found {', '.join(grid.headings[:12])}. "
            "Is it the right file, sheet and skip_rows?"
        )


def _from_long(
    grid: Grid, layout: Layout, identity: dict[str, list[Source]], by_normal: dict[str, str], known: dict[str, str]
) -> Cells:
    """One row a result -> one row a sample. Rows with the same identity columns are one sample; its row number is its
    first one.
    """
    results, lost = _long_results(grid, layout, by_normal, known)
    keys = pd.DataFrame({c: text_cells(s[0].cells) for c, s in identity.items()}, dtype=object)
    results["sample"] = keys.groupby(list(keys.columns), sort=False).ngroup().to_numpy()[results.index]
    again = results.duplicated(["sample", "to"])
    reason = "a second result of the same test of this sample; the first one in the file is used"
    lost = pd.concat([lost, results[again].assign(reason=reason)[_LOST]], ignore_index=True)
    results = results[~again]
    first = results.groupby("sample", sort=False)["row"].min().astype("int64")
    at = np.searchsorted(grid.rows, first.to_numpy())
    columns: dict[str, list[tuple[Source, np.ndarray | None]]] = {
        c: [(replace(s[0], cells=s[0].cells[at], rows=first.to_numpy()), None)] for c, s in identity.items()
    }
    place = pd.Series(np.arange(len(first)), index=first.index)
    for (to, unit), part in results.groupby(["to", "unit"]):
        convert = conversion(str(unit), known[str(to)] or "1", str(to), layout.where)
        source = Source(part["value"].to_numpy(dtype=object), part["row"].to_numpy(), str(to), convert)
        columns.setdefault(str(to), []).append((source, part["sample"].map(place).to_numpy()))
    members = {int(first[s]): rows.tolist() for s, rows in results.groupby("sample")["row"]}
    return Cells(
        grid.file, first.to_numpy(), columns, layout.words, pd.concat([_lost(grid), lost]), grid.repairs, members
    )


def _long_results(
    grid: Grid, layout: Layout, by_normal: dict[str, str], known: dict[str, str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """(row, to, unit, value, column) of the results that can be used, and the rows that cannot, with the reason."""
    assert layout.long is not None
    cells = {name: grid.columns[by_normal[normal(h)]] for name, h in vars(layout.long).items() if h}
    frame = pd.DataFrame({"row": grid.rows, "test": text_cells(cells["test"]), "value": cells["value"]}, dtype=object)
    frame["said"] = text_cells(cells["unit"]) if "unit" in cells else ""
    frame["column"] = layout.long.value
    pairs = frame[["test", "said"]].drop_duplicates()
    found = [_long_target(t, u, layout, known) for t, u in zip(pairs["test"], pairs["said"], strict=True)]
    pairs = pairs.assign(to=[f[0] for f in found], unit=[f[1] for f in found], reason=[f[2] for f in found])
    frame = frame.merge(pairs, on=["test", "said"], how="left")
    bad = frame["reason"] != ""
    lost = frame[bad]
    return frame[~bad].copy(), lost.assign(value=lost["test"], column=layout.long.test)[_LOST]


def _long_target(test: str, unit: str, layout: Layout, known: dict[str, str]) -> tuple[str, str, str]:
    """(our column, unit, reason it cannot be used) of one test and unit as the file writes them."""
    target = layout.tests.get(normal(test))
    if normal(test) in layout.ignore:
        return "", "", f"{layout.where} leaves this test out"
    if target is None:
        return (
            "",
            "",
            f"a test that {layout.where} does not know; {_nearest(test, [t.heading for t in layout.tests.values()])}",
        )
    try:
        conversion(unit or target.unit, known[target.to] or "1", target.to, layout.where)
    except SettingsError as error:
        return "", "", f"a unit that does not fit; {error}"
    return target.to, unit or target.unit, ""
