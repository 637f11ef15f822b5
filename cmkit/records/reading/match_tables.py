"""An unknown register, workshop log, meter sheet or sheet of findings: what it seems to hold, as a layout to be looked
at and edited.
"""

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from cmkit.errors import UnknownColumn, WrongFile
from cmkit.records.reading.clean import Words, parse_dates, parse_numbers, text_cells
from cmkit.records.reading.components import component_of
from cmkit.records.reading.files import SPREADSHEETS, Form, Grid, read_grid, sheet_names
from cmkit.records.reading.form import LOOKED_AT, date_form, decimal_of, form_of, pattern_of
from cmkit.records.reading.headings import plain, split_unit
from cmkit.records.reading.layouts import LAYOUT_TABLES
from cmkit.records.reading.reshape import (
    DATE_IN,
    LEFT_OUT,
    ComponentColumn,
    date_headings,
    day_of,
    litres_in,
    phrase_for,
)
from cmkit.records.reading.shapes import is_gallon
from cmkit.records.reading.table_words import TABLE_NAMES, table_heading, work_words

_PHRASED = {"services": "kind", "findings": "outcome"}  # the column whose words are ours only after a list of phrases
_MATRIX = 3  # headings that are days, from which on a sheet is a matrix of readings
_SHOWN = 25  # texts that no phrase knows and that are listed


@dataclass(frozen=True)
class Heading:
    """What a heading seems to be: our column ('' for none), its unit, why, how many of its cells fit, and examples."""

    heading: str
    to: str
    unit: str
    why: str
    n: int
    share: float
    examples: tuple[str, ...]


@dataclass(frozen=True)
class TableProposal:
    """A layout of a file that is no laboratory's, as it could be.

    phrases: (what the text holds, ours, rows of this file it hits); unknown: (text, rows) that no phrase hits.
    components: heading -> what it stands for. join: headings that name the compartment together. quantity: heading in
    whose text volumes are named.
    """

    file: str
    table: str
    pattern: str
    form: Form
    decimal: str
    dates: str
    columns: tuple[Heading, ...]
    why: str
    join: tuple[str, ...] = ()
    phrases: tuple[tuple[str, str, int], ...] = ()
    unknown: tuple[tuple[str, int], ...] = ()
    components: tuple[tuple[str, ComponentColumn], ...] = ()
    quantity: str = ""
    fill_down: tuple[str, ...] = ()
    matrix: bool = False
    every_sheet: bool = False
    gallon: bool = False
    doubts: tuple[str, ...] = ()


def propose_table(
    path: Path, table: str = "", sheet: str = "", resolve: Callable[[str], str] | None = None
) -> TableProposal:
    """What a register, log, meter sheet or sheet of findings seems to hold.

    table: one of `TABLE_NAMES`, '' to find out. sheet: a sheet's name, '' for the one that looks most like a table.
    resolve: the fleet's compartment for what a file says, '' where none is meant. Raises WrongFile where nothing in it
    looks like headings.
    """
    found = table or guess_table(path, sheet)
    form = form_of(path, partial(_known, found), sheet)
    every = found == "meters" and not sheet and _all_matrices(path, form)
    grid = read_grid(path, path.name, form)
    days = date_headings(grid.headings) if found == "meters" else []
    matrix = len(days) >= _MATRIX
    columns = tuple(_heading(h, grid, found) for h in grid.headings if not (matrix and h in days))
    columns = _one_each(columns)
    decimal, mixed = decimal_of(grid)
    dates, unclear = _dates(grid, columns, days if matrix else [])
    draft = TableProposal(
        path.name,
        found,
        pattern_of(path.name),
        replace(form, sheet="" if every else form.sheet),
        decimal,
        dates,
        columns,
        "",
        matrix=matrix,
        every_sheet=every,
        doubts=mixed + unclear,
    )
    draft = {"register": _register, "services": _log, "findings": _log, "meters": _plain}[found](draft, grid, resolve)
    return _checked(draft)


def guess_table(path: Path, sheet: str = "") -> str:
    """The table a file that is no laboratory's seems to be; WrongFile where it looks like none."""
    best, top = "", 0.0
    for name in TABLE_NAMES:
        try:
            form = form_of(path, partial(_known, name), sheet)
            grid = read_grid(path, path.name, form)
        except (WrongFile, UnknownColumn):
            continue
        score = _score(name, grid)
        if score > top:
            best, top = name, score
    if not best:
        raise WrongFile(
            f"{path.name}: found no row of headings that looks like {', '.join(TABLE_NAMES)} or a laboratory's "
            f"results. "
            "Say which it is with --table, or look whether the file has headings."
        )
    return best


def _score(table: str, grid: Grid) -> float:
    """How much a grid looks like a table: its columns found, where those it cannot do without are among them."""
    to = {table_heading(table, h)[0] for h in grid.headings} - {""}
    place = {"compartment", "component"} & to or len([h for h in grid.headings if _component(h)]) >= 2
    if table == "meters":
        if len(date_headings(grid.headings)) >= _MATRIX:
            return 20.0 * ("machine" in to)
        return len(to) + 0.5 if {"machine", "read_on", "meter_h"} <= to and len(grid.headings) <= 7 else 0.0
    if table == "services":
        return len(to) if "done_on" in to and "kind" in to and (place or "machine" in to) else 0.0
    if table == "findings":
        fits = "found_on" in to and "outcome" in to and bool(place)
        said = [
            t for h in grid.headings if table_heading(table, h)[0] == "outcome" for t in text_cells(grid.columns[h])
        ]
        hits = sum(phrase_for(t, work_words("outcome")) != "" for t in said if t)
        return (len(to) + 1.5) * (hits >= 0.5 * max(len(said), 1)) if fits else 0.0
    more = {"machine_kind", "capacity_l", "size_class", "in_service_on", "fluid", "site"} & to
    return len(to) + 0.1 if "machine" in to and (place or len(more) >= 2) else 0.0


def _known(table: str, heading: str) -> bool:
    """True for a heading with a meaning in this table."""
    if table_heading(table, heading)[0]:
        return True
    if table == "meters":
        return DATE_IN.fullmatch(heading.removesuffix(" 00:00:00")) is not None
    return table == "register" and _component(heading) is not None


def _all_matrices(path: Path, form: Form) -> bool:
    """True for a workbook of several sheets that are all matrices of readings."""
    if path.suffix.lower() not in SPREADSHEETS or len(names := sheet_names(path, path.name)) < 2:
        return False
    try:
        grids = [read_grid(path, path.name, replace(form, sheet=n)) for n in names]
    except (WrongFile, UnknownColumn):
        return False
    return all(len(date_headings(g.headings)) >= _MATRIX for g in grids)


def _heading(heading: str, grid: Grid, table: str) -> Heading:
    to, unit, why = table_heading(table, heading)
    cells = grid.columns[heading][:LOOKED_AT]
    texts = text_cells(cells)
    filled = texts != ""
    share = 1.0
    column = next((c for c in LAYOUT_TABLES[table].columns if c.name == to), None)
    if column and filled.any():
        if column.kind == "date":
            share = float((parse_dates(cells[filled], Words("", "")).problem == "").mean())
        elif column.kind == "number":
            found = parse_numbers(cells[filled], Words("either"))
            share = float((found.problem == "").mean())
    if column and column.kind == "number" and filled.any() and share < 0.3:
        to, why = "", f"{why}, but its cells are no numbers"
    examples = tuple(dict.fromkeys(texts[filled]))[:3]
    return Heading(heading, to, unit if to else "", why, int(filled.sum()), share, examples)


def _one_each(columns: tuple[Heading, ...]) -> tuple[Heading, ...]:
    """Two headings cannot be one column: the fuller one keeps it."""
    best: dict[str, Heading] = {}
    for h in columns:
        if h.to and (h.to not in best or h.n * h.share > best[h.to].n * best[h.to].share):
            best[h.to] = h
    return tuple(
        h
        if not h.to or best[h.to] is h
        else replace(h, to="", unit="", why=f"'{best[h.to].heading}' fits {h.to} better")
        for h in columns
    )


def _dates(grid: Grid, columns: tuple[Heading, ...], days: list[str]) -> tuple[str, tuple[str, ...]]:
    """The form of the file's dates, from its cells and from headings that are days."""
    heads = [h.heading for h in columns if h.to.endswith("_on")]
    if not days:
        return date_form(grid, heads)
    found = np.array([day_of(h) for h in days], dtype=object)
    return date_form(Grid(grid.file, ["d"], {"d": found}, grid.rows, grid.bad_rows, grid.repairs), ["d"])


def _component(heading: str) -> ComponentColumn | None:
    """What a register's heading stands for, where it names a component: 'Engine oil (L)', 'FD LH grade', 'Final drives
    (each)'.
    """
    name, unit = split_unit(heading)
    words = plain(name).split()
    gives, parts = "there", []
    for word in words:
        gives = _GIVES.get(word, gives) if gives == "there" or word in ("grade", "interval") else gives
        if word not in _GIVES and word not in ("each", "l", "litres", "liters", "gal", "gallons"):
            parts.append(word)
    means = component_of(" ".join(parts))
    if not means.plain:
        return None
    tail = next((w for w in words if w in ("litres", "liters", "gal", "gallons", "qt", "quarts")), "")
    unit = unit or tail
    if unit and gives == "there":
        gives = "capacity_l"
    each = "each" in words and not means.position and means.kind in ("final drive", "travel drive")
    return ComponentColumn(
        means.kind, "left + right" if each else means.position, gives, unit if gives == "capacity_l" else ""
    )


_GIVES = {
    "capacity": "capacity_l",
    "cap": "capacity_l",
    "volume": "capacity_l",
    "vol": "capacity_l",
    "litre": "capacity_l",
    "grade": "grade",
    "viscosity": "grade",
    "interval": "change_every_h",
    "type": "fluid",
    "product": "fluid",
    "spec": "grade",
}


def _register(draft: TableProposal, grid: Grid, resolve: object) -> TableProposal:
    """A register with one row a machine, its component columns if it has any, or one row a component."""
    by_row = any(h.to in ("component", "compartment") for h in draft.columns)
    found = {} if by_row else {h.heading: _component(h.heading) for h in draft.columns}
    parts = {h: _filled_in(c, grid.columns[h]) for h, c in found.items() if c}
    gallon = any(is_gallon(c.unit) for c in parts.values()) or any(is_gallon(h.unit) for h in draft.columns)
    columns = tuple(h for h in draft.columns if h.heading not in parts)
    machine = next((h for h in columns if h.to == "machine"), None)
    holes = machine is not None and by_row and 0 < machine.n < 0.9 * len(grid.rows)
    why = (
        "one row a component"
        if by_row
        else f"one row a machine, {len(parts)} component columns"
        if parts
        else "one row a machine"
    )
    doubts = draft.doubts
    if not by_row and not parts:
        doubts += ("no component is named here: `cmkit draft-register` proposes them from the laboratory's files",)
    down = tuple(
        h.heading
        for h in columns
        if h.to in ("machine", "site", "machine_kind", "size_class") and 0 < h.n < len(grid.rows)
    )
    return replace(
        draft,
        columns=columns,
        components=tuple(parts.items()),
        gallon=gallon,
        why=why,
        doubts=doubts,
        fill_down=down if holes else (),
    )


def _filled_in(column: ComponentColumn, cells: np.ndarray) -> ComponentColumn:
    """What the cells say where the heading does not: numbers are litres, other words are a grade or
    that it is there.
    """
    if column.gives != "there":
        return column
    texts = [t for t in text_cells(cells[:LOOKED_AT]) if t and t.casefold() not in ("-", "n/a", "na", "no")]
    numbers = sum(bool(re.fullmatch(r"\d+(?:[.,]\d+)?", t)) and t not in ("1", "2") for t in texts)
    return replace(column, gives="capacity_l" if texts and numbers >= 0.5 * len(texts) else "there")


def _log(draft: TableProposal, grid: Grid, resolve: Callable[[str], str] | None) -> TableProposal:
    """A log of work or of what was found: its words as phrases, the columns that name the compartment, volumes in the
    text.
    """
    column = _PHRASED[draft.table]
    by = {h.to: h for h in draft.columns if h.to}
    phrases, unknown = _phrases(grid, by.get(column), column)
    join = _place(grid, by, resolve)
    text = by.get(column)
    volumes = [litres_in(t, "usgal") for t in text_cells(grid.columns[text.heading][:LOOKED_AT])] if text else []
    named = draft.table == "services" and any(v != "" for v in volumes)
    gallon = any(is_gallon(h.unit) for h in draft.columns) or (named and _says_gallons(grid, text))
    return replace(
        draft,
        phrases=phrases,
        unknown=unknown,
        join=join if len(join) > 1 else (),
        columns=_as_place(draft.columns, join),
        quantity=text.heading if named and text else "",
        gallon=gallon,
        why=f"words of '{text.heading}' are read by phrases" if text and phrases else "its words are ours",
    )


def _says_gallons(grid: Grid, text: Heading | None) -> bool:
    cells = list(text_cells(grid.columns[text.heading][:LOOKED_AT])) if text else []
    return any(re.search(r"\d\s*gal", t.casefold()) for t in cells)


def _phrases(
    grid: Grid, heading: Heading | None, column: str
) -> tuple[tuple[tuple[str, str, int], ...], tuple[tuple[str, int], ...]]:
    """(phrases that hit, with the rows they hit; texts none hits, with theirs)."""
    if heading is None:
        return (), ()
    one_of = next(c.one_of for t in ("services", "findings") for c in LAYOUT_TABLES[t].columns if c.name == column)
    counts = Counter(t for t in text_cells(grid.columns[heading.heading]) if t)
    if all(t.casefold() in one_of for t in counts):
        return (), ()
    words, unknown = work_words(column), []
    hits: Counter[tuple[str, str]] = Counter()
    for text, n in counts.most_common():
        hit = next((p for p in words if phrase_for(text, (p,))), None)
        if hit:
            hits[hit] += n
        else:
            unknown.append((text, n))
    return tuple((p, o, hits[p, o]) for p, o in words if hits[p, o]), tuple(unknown[:_SHOWN])


def _place(grid: Grid, by: dict[str, Heading], resolve: Callable[[str], str] | None) -> tuple[str, ...]:
    """Headings that name the compartment: the choice that gives most of the fleet's or, without a fleet, the one that
    says most.
    """
    text = next((by[c].heading for c in ("kind", "outcome", "note") if c in by), "")
    parts = [by[c].heading for c in ("machine", "compartment", "component", "position") if c in by]
    choices = [[by["compartment"].heading]] if "compartment" in by else []
    choices += [parts, [p for p in parts if p != (by["compartment"].heading if "compartment" in by else "")]]
    if "machine" in by and text:
        choices.append([by["machine"].heading, text])
    choices = [c for c in choices if c]
    if not choices:
        return ()
    rows = slice(0, LOOKED_AT)
    shares = []
    for choice in choices:
        names = {
            "/".join(p for p in row if p)
            for row in zip(*(text_cells(grid.columns[h][rows]) for h in choice), strict=True)
        }
        hit = [bool(resolve(n)) if resolve else component_of(" ".join(n.split("/")[1:])).kind != "" for n in names]
        shares.append(float(np.mean(hit)) if hit else 0.0)
    return tuple(choices[int(np.argmax(shares))])


def _as_place(columns: tuple[Heading, ...], join: tuple[str, ...]) -> tuple[Heading, ...]:
    """Headings of parts of a name are no columns of their own; one heading alone is the compartment."""
    out = []
    for h in columns:
        if len(join) == 1 and h.heading == join[0]:
            h = replace(h, to="compartment")
        elif h.to in ("machine", "component", "position", "compartment"):
            h = replace(
                h,
                to="",
                why="part of the compartment's name" if h.heading in join else "not needed for the compartment's name",
            )
        out.append(h)
    return tuple(out)


def _plain(draft: TableProposal, grid: Grid, resolve: object) -> TableProposal:
    days = len(date_headings(grid.headings))
    return replace(draft, why=f"machines down, {days} days across" if draft.matrix else "one row a reading")


def _checked(draft: TableProposal) -> TableProposal:
    """The proposal with what it still lacks and what should be looked at."""
    given = {h.to for h in draft.columns} | ({"compartment"} if draft.join else set())
    given |= {"read_on", "meter_h"} if draft.matrix else set()
    table = LAYOUT_TABLES[draft.table]
    made = {"service", "finding"}
    gone = [c.name for c in table.columns if c.required and c.name not in given | made]
    doubts = tuple(f"nothing in the file looks like `{name}`, which is needed: find its heading" for name in gone)
    doubts += ("gallons: US (3.785 l) or imperial (4.546 l)? Fill in `gallon`",) if draft.gallon else ()
    misfits = [h for h in draft.columns if h.to and h.share < 0.95 and not h.to.endswith("_on")]
    doubts += tuple(f"{h.heading}: {1 - h.share:.0%} of its cells do not fit {h.to}" for h in misfits)
    if draft.unknown:
        rows = sum(n for _, n in draft.unknown)
        doubts += (
            f"{len(draft.unknown)} texts ({rows} rows) fit no phrase and are set aside: add phrases for those that "
            f"matter",
        )
    if LEFT_OUT in {o for _, o, _ in draft.phrases}:
        doubts += (f"work of phrases with '{LEFT_OUT}' is left out: it is no fluid service",)
    return replace(draft, doubts=draft.doubts + doubts)
