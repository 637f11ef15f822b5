"""A file's grid in the shape a table has: matrices unpivoted, groups filled down, work told by its words, numbers made
where there are none.

What a person sees of a row stays its row in the file: a row that is made from one cell carries the cell's column too
(`notes.cell_row`).
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from cmkit.errors import WrongFile
from cmkit.records.reading.clean import normal, text_cells
from cmkit.records.reading.files import Grid
from cmkit.records.reading.notes import cell_row
from cmkit.records.reading.units import conversion

HEADING, CELL = "(heading)", "(cell)"  # columns made from a heading and its cell
NUMBER = "(number)"  # a made number of a row that has none
LEFT_OUT = "-"  # ours, for work that is no fluid service
DATE_IN = re.compile(
    r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/. ](?:\d{1,2}|[A-Za-z]{3,9})[-/. ]\d{2,4}|\b20\d{6}\b|\b4\d{4}\b"
)
_QUANTITY = re.compile(
    r"(\d+(?:[.,]\d+)?)\s*(imp(?:erial)?\.?\s*gal\w*|us\s*gal\w*|gal\w*|qts?|quarts?|lit(?:re|er)s?|ltrs?|lts?|l)\b"
)


@dataclass(frozen=True)
class ComponentColumn:
    """A heading of a register that stands for a component of the row's machine. position: several sides with ' + '
    between.

    gives: what its cells say of it (a column of compartments; 'there': that the machine has it).
    """

    kind: str
    position: str = ""
    gives: str = "there"
    unit: str = ""


@dataclass(frozen=True)
class Unpivot:
    """A matrix: each heading of `columns` ('dates': every heading that is a date) and its cell become a row of their
    own.
    """

    heading: str
    cell: str
    columns: str = "dates"


@dataclass(frozen=True)
class Shape:
    """How a file's rows become rows of its table.

    fill_down: headings whose empty cells mean the one above; fixed: our column -> a text for every row; phrases: our
    column -> (what the text holds, ours), the first that fits wins; phrased: our column -> the heading the phrases
    read; quantity: our volume column -> the heading in whose text litres or gallons are named;
    components: heading -> what it stands for (registers); made: headings a row's number is made from, where the file
    has none.
    """

    fill_down: tuple[str, ...] = ()
    fixed: dict[str, str] = field(default_factory=dict)
    phrases: dict[str, tuple[tuple[str, str], ...]] = field(default_factory=dict)
    quantity: dict[str, str] = field(default_factory=dict)
    components: dict[str, ComponentColumn] = field(default_factory=dict)
    phrased: dict[str, str] = field(default_factory=dict)
    unpivot: Unpivot | None = None
    made: tuple[str, ...] = ()
    gallon: str = ""


def reshaped(grid: Grid, shape: Shape, sources: Mapping[str, str], where: str) -> Grid:
    """The grid in its table's shape. sources: our column -> the file's heading (normal form) that is mapped to it.

    Raises WrongFile where a heading the layout's shape names is not there.
    """
    if shape.fill_down:
        grid = _filled_down(grid, [_heading(grid, h, where) for h in shape.fill_down])
    if shape.components:
        grid = _by_component(grid, shape, where)
    if shape.unpivot:
        grid = _unpivoted(grid, where)
    for name, text in shape.fixed.items():
        grid = _with(grid, fixed_heading(name), np.full(len(grid.rows), text, dtype=object))
    for name, heading in shape.quantity.items():
        grid = _with_quantity(grid, name, _heading(grid, heading, where), sources, shape.gallon)
    for name, phrases in shape.phrases.items():
        grid = _by_phrases(grid, name, _heading(grid, shape.phrased[name], where), phrases, where)
    return _numbered(grid, shape.made) if shape.made else grid


def fixed_heading(name: str) -> str:
    """The heading of a column in which the layout puts one text for every row."""
    return f"(every row: {name})"


def component_heading(gives: str) -> str:
    """The heading of a column made from the component columns of a register."""
    return f"(component: {gives})"


def phrased_heading(name: str) -> str:
    """The heading of a column read from a text by phrases."""
    return f"(by its words: {name})"


def quantity_heading(name: str) -> str:
    """The heading of litres read from a text."""
    return f"(in the text: {name})"


def _heading(grid: Grid, wanted: str, where: str) -> str:
    by_normal = {normal(h): h for h in grid.headings}
    if normal(wanted) not in by_normal:
        raise WrongFile(
            f"{grid.file}: no heading '{wanted}', which {where} needs; found {', '.join(grid.headings[:12])}. "
            "Is it the right file, sheet and skip_rows?"
        )
    return by_normal[normal(wanted)]


def _with(grid: Grid, heading: str, cells: np.ndarray) -> Grid:
    return replace(grid, headings=[*dict.fromkeys([*grid.headings, heading])], columns={**grid.columns, heading: cells})


def _taken(grid: Grid, at: np.ndarray, rows: np.ndarray, without: set[str]) -> Grid:
    """Rows of the grid by place, some more than once, without some columns."""
    columns = {h: c[at] for h, c in grid.columns.items() if h not in without}
    return replace(grid, headings=list(columns), columns=columns, rows=rows)


def _filled_down(grid: Grid, headings: list[str]) -> Grid:
    for heading in headings:
        texts = text_cells(grid.columns[heading])
        last = np.maximum.accumulate(np.where(texts != "", np.arange(len(texts)), 0)) if len(texts) else texts
        grid = _with(grid, heading, grid.columns[heading][last] if len(texts) else grid.columns[heading])
    return grid


def date_headings(headings: list[str]) -> list[str]:
    """Headings that are days."""
    return [h for h in headings if DATE_IN.search(h)]


def _unpivoted(grid: Grid, where: str) -> Grid:
    wanted = date_headings(grid.headings)
    if not wanted:
        raise WrongFile(
            f"{grid.file}: no heading is a date, and {where} wants one column a day; found "
            f"{', '.join(grid.headings[:12])}."
        )
    at, rows, heads, cells = [], [], [], []
    for heading in wanted:
        texts = text_cells(grid.columns[heading])
        filled = np.flatnonzero((texts != "") & ~np.isin(texts, ["-", "--", "n/a", "N/A"]))
        column = grid.headings.index(heading) + 1
        at.append(filled)
        rows.append(cell_row(grid.rows[filled], column))
        heads.append(np.full(len(filled), day_of(heading), dtype=object))
        cells.append(grid.columns[heading][filled])
    grid = _taken(grid, np.concatenate(at), np.concatenate(rows), set(wanted))
    return _with(_with(grid, HEADING, np.concatenate(heads)), CELL, np.concatenate(cells))


def day_of(heading: str) -> str:
    """The day a heading names, as it is written there."""
    found = DATE_IN.search(heading)
    return found.group(0) if found else heading


_NOT_THERE = {"", "-", "--", "n/a", "na", "0", "no", "none", "nil", "n"}
_THERE = {"x", "yes", "y", "1", "true", "✓"}


def _by_component(grid: Grid, shape: Shape, where: str) -> Grid:
    """One row a machine and component. What several headings give of one component is put together."""
    heads = {_heading(grid, h, where): c for h, c in shape.components.items()}
    texts = {h: text_cells(grid.columns[h]) for h in heads}
    groups: dict[tuple[str, str], list[str]] = {}
    for heading, c in heads.items():
        for side in c.position.split(" + "):
            groups.setdefault((c.kind, side.strip()), []).append(heading)
    gives = list(dict.fromkeys(c.gives for c in heads.values() if c.gives != "there"))
    at: list[np.ndarray] = []
    rows: list[np.ndarray] = []
    made: dict[str, list[np.ndarray]] = {name: [] for name in ("kind", "position", *gives)}
    for number, ((kind, side), mine) in enumerate(groups.items(), 1):
        said = np.array([[t.casefold() not in _NOT_THERE for t in texts[h]] for h in mine])
        filled = np.flatnonzero(said.any(axis=0)) if said.size else np.zeros(0, dtype=np.intp)
        at.append(filled)
        rows.append(cell_row(grid.rows[filled], number))
        made["kind"].append(np.full(len(filled), kind, dtype=object))
        made["position"].append(np.full(len(filled), side, dtype=object))
        for name in gives:
            own = [h for h in mine if heads[h].gives == name]
            made[name].append(_values(texts[own[0]][filled]) if own else np.full(len(filled), "", dtype=object))
    bare = [h for h in grid.headings if h not in heads]
    none = np.setdiff1d(np.arange(len(grid.rows)), np.concatenate(at))  # machines without any component are machines
    parts = {n: np.concatenate([*v, np.full(len(none), "", dtype=object)]) for n, v in made.items()}
    out = _taken(grid, np.concatenate([*at, none]), np.concatenate([*rows, grid.rows[none]]), set(heads))
    assert [*out.headings] == bare
    for name, cells in parts.items():
        out = _with(out, component_heading(name), cells)
    return out


def _values(texts: np.ndarray) -> np.ndarray:
    """Cells that only say a component is there hold no value."""
    return np.array(
        ["" if t.casefold() in _THERE - {"1"} or t.casefold() in _NOT_THERE else t for t in texts], dtype=object
    )


def _with_quantity(grid: Grid, name: str, heading: str, sources: Mapping[str, str], gallon: str) -> Grid:
    """Litres named in a text; a volume that has a column and is given there wins."""
    found = np.array([litres_in(t, gallon) for t in text_cells(grid.columns[heading])], dtype=object)
    column = next((h for h in grid.headings if normal(h) == sources.get(name)), "")
    if column:
        given = grid.columns[column]
        return _with(grid, column, np.where(text_cells(given) == "", found, given))
    return _with(grid, quantity_heading(name), found)


def litres_in(text: str, gallon: str) -> float | str:
    """Litres named in a text ('topped up 4 l'); '' where none are, or gallons of which the layout
    does not say which.
    """
    hit = _QUANTITY.search(text.casefold())
    if not hit:
        return ""
    unit = re.sub(r"[^a-z]", "", hit[2])
    named = "impgal" if unit.startswith("imp") else "usgal" if unit.startswith("us") else ""
    kind = named or (gallon if unit.startswith("gal") else "qt" if unit.startswith("q") else "l")
    if not kind:
        return hit[0]  # read as text, so that the row says what is wrong with it
    return conversion(kind, "l", "volume_l", "here").scale * float(hit[1].replace(",", "."))


def _by_phrases(grid: Grid, name: str, heading: str, phrases: tuple[tuple[str, str], ...], where: str) -> Grid:
    texts = text_cells(grid.columns[heading])
    codes, unique = pd.factorize(texts)
    ours = np.array([phrase_for(t, phrases) for t in unique], dtype=object)[codes]
    gone = ours == LEFT_OUT
    reason = f"work that {where} leaves out"
    lost = pd.DataFrame({"row": grid.rows[gone], "value": texts[gone], "reason": reason})
    grid = _with(grid, phrased_heading(name), np.where(ours == "", texts, ours))
    kept = _taken(grid, np.flatnonzero(~gone), grid.rows[~gone], set())
    return replace(kept, bad_rows=pd.concat([grid.bad_rows, lost], ignore_index=True) if len(lost) else grid.bad_rows)


def phrase_for(text: str, phrases: tuple[tuple[str, str], ...]) -> str:
    """Ours for the first phrase that the text holds as whole words; '' where none does."""
    padded = f" {' '.join(re.findall(r'[a-z0-9]+', text.casefold()))} "
    return next((o for p, o in phrases if f" {' '.join(re.findall(r'[a-z0-9]+', p.casefold()))} " in padded), "")


def _numbered(grid: Grid, made: tuple[str, ...]) -> Grid:
    """A number from a row's own words, the same whenever the row comes in again; a second one of the same words is its
    number 2.
    """
    headings = {normal(h): h for h in grid.headings}
    parts = [text_cells(grid.columns[headings[m]]) for m in made if m in headings]
    names = [" ".join(t for t in row if t) for row in zip(*parts, strict=True)] if parts else []
    again = pd.Series(names, dtype=object).groupby(pd.Series(names, dtype=object)).cumcount()
    numbers = [n if not k else f"{n} ({k + 1})" for n, k in zip(names, again, strict=True)]
    return _with(grid, NUMBER, np.array(numbers, dtype=object))
