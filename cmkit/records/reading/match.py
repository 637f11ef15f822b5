"""An unknown laboratory file: what its columns seem to be, and why. A proposal for a person to edit; nothing is
applied.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from cmkit.errors import SettingsError
from cmkit.records.analytes import analyte_register
from cmkit.records.reading.clean import (
    NOT_DETECTED,
    PERHAPS_NOT_DETECTED,
    Words,
    parse_dates,
    parse_numbers,
    text_cells,
)
from cmkit.records.reading.files import (
    Form,
    Grid,
    read_grid,
)
from cmkit.records.reading.form import LIKE_DATES, LOOKED_AT, date_form, decimal_of, form_of, pattern_of
from cmkit.records.reading.headings import heading_guess, heading_words, headings
from cmkit.records.reading.layouts import known_columns
from cmkit.records.reading.places import PARTS, Naming, naming, near_places
from cmkit.records.reading.units import conversion, knows_unit
from cmkit.tables.records import TABLES

_LONG = ("test", "value", "unit")
_DAY_NUMBERS = re.compile(r"20\d{6}|[34]\d{4}")  # 20260630, or a spreadsheet's
_OTHER_DAYS = ("received_on", "reported_on")  # words such as report may stand for a number too


@dataclass(frozen=True)
class Guess:
    """What one heading (or test name) of the file seems to be.

    to: our column ('' where nothing fits; machine, kind, position, test, value, unit for parts). share: share of its
    `n` filled cells
    that can be such a value. doubt: what should be looked at, '' where nothing.
    """

    heading: str
    to: str
    unit: str
    why: str
    n: int
    share: float
    doubt: str
    examples: tuple[str, ...]


@dataclass(frozen=True)
class Proposal:
    """A layout as it could be. `tests`: names of a file with one row a result.

    join: headings that make up the compartment, with `join_with` between their texts; join_why says why they and no
    others. places: names of the file that are no compartment's, each with the nearest one. not_detected: words of the
    file that seem to say so.
    """

    file: str
    pattern: str
    form: Form
    decimal: str
    dates: str
    columns: tuple[Guess, ...]
    tests: tuple[Guess, ...]
    join: tuple[str, ...]
    doubts: tuple[str, ...]
    places: tuple[tuple[str, str], ...] = ()
    join_with: str = "/"
    join_why: str = ""
    not_detected: tuple[str, ...] = ()

    @property
    def long(self) -> bool:
        """True where the file has one row a result."""
        return bool(self.tests)


def propose_layout(
    path: str | Path, compartments: list[str] | None = None, find: Callable[[str], str] | None = None
) -> Proposal:
    """What a laboratory file seems to hold, as a layout to be looked at and edited.

    compartments: names of the fleet's compartments; with them, words of the file that may stand for them are proposed
    too. find: the compartment meant by a name of the file that is found without help, '' where none is. Raises
    WrongFile where the file is not readable or nothing in it looks like headings.
    """
    path = Path(path)
    form = form_of(path)
    known = tuple(heading_words())
    grid = read_grid(path, path.name, form, known=known)
    decimal, mixed = decimal_of(grid)
    first = _in_context(grid, _dates_by_content(grid, {h: heading_guess(h) for h in grid.headings}))
    dates, unclear = date_form(grid, [h for h, (to, _, _) in first.items() if to.endswith("_on")])
    found_words = _not_detected(grid)
    words = Words(decimal, dates, (*NOT_DETECTED, *(w.casefold() for w in found_words)))
    test = _test_column(grid, first)
    guesses = tuple(_guess(h, grid.columns[h], first[h], words, test == h) for h in grid.headings)
    guesses = _as_long(guesses, test) if test else _as_wide(guesses)
    tests = _test_guesses(grid, guesses, words) if test else ()
    texts = {g.to: text_cells(grid.columns[g.heading]) for g in guesses if g.to in (*PARTS, "compartment")}
    named = naming({to: t[:LOOKED_AT] for to, t in texts.items()}, compartments)
    guesses = _named(guesses, named)
    joined = named is not None and named.parts != ("compartment",)
    join = tuple(g.heading for p in named.parts for g in guesses if g.to == p) if named and joined else ()
    doubts = mixed + unclear + _missing(guesses, join)
    doubts += (f"{', '.join(map(repr, found_words))}: proposed as words for 'not detected'",) if found_words else ()
    doubts += tuple(f"{g.heading}: {g.doubt}" for g in (*guesses, *tests) if g.doubt)
    between, why = (named.between, named.why) if named and join else ("/", "")
    said = [s for s in _said(texts, named) if not (find and find(s))] if compartments and named else []
    places = near_places(said, compartments) if compartments else ()
    return Proposal(
        path.name,
        pattern_of(path.name),
        form,
        decimal,
        dates,
        guesses,
        tests,
        join,
        doubts,
        places,
        between,
        why,
        found_words,
    )


def _named(guesses: tuple[Guess, ...], named: Naming | None) -> tuple[Guess, ...]:
    """Headings that could be part of a compartment's name and are not needed for it mean nothing; the one that is whole
    says why.
    """
    parts = named.parts if named else ()
    several = sum(g.to in (*PARTS, "compartment") for g in guesses) > 1
    out = []
    for g in guesses:
        if g.to in (*PARTS, "compartment") and g.to not in parts:
            g = _nothing(g, "not needed for the compartment's name")
        elif named and g.to == "compartment" and len(parts) == 1 and several:
            g = replace(g, why=f"{g.why}; {named.why}", doubt=named.doubt)
        out.append(g)
    return tuple(out)


def _said(texts: dict[str, np.ndarray], named: Naming) -> list[str]:
    """The names of compartments as the file has them."""
    rows = dict.fromkeys(zip(*(texts[p] for p in named.parts), strict=True))
    return list(dict.fromkeys(named.between.join(p for p in row if p) for row in rows))


_OF_OILS = (
    "fuel_pct",
    "soot_pct",
    "visc40_cSt",
    "visc100_cSt",
    "TBN_mgKOH_g",
    "TAN_mgKOH_g",
    "oxidation_Acm",
    "ferrous_index",
)
_OF_COOLANTS = ("pH", "freeze_C", "nitrite_ppm", "conductivity_uS")


def _in_context(grid: Grid, first: dict[str, tuple[str, str, str]]) -> dict[str, tuple[str, str, str]]:
    """Headings whose meaning hangs on the others: a laboratory's own number, and glycol in a file of oils."""
    there = {to for to, _, _ in first.values()}
    oils = bool(there & set(_OF_OILS)) and not there & set(_OF_COOLANTS)
    out = dict(first)
    for heading, (to, unit, why) in first.items():
        if to == "lab_no":
            no_other = "sample" not in there
            out[heading] = (
                ("sample", unit, f"{why}, and no other number is in the file")
                if no_other
                else ("", unit, "the laboratory's own number")
            )
        elif to == "glycol_vol_pct" and not there & set(_OF_COOLANTS) and "coolant" not in why.casefold():
            of = "the file is of oils" if oils else _traces(grid.columns[heading])
            if of:
                out[heading] = "glycol_pct", unit, f"{why}, and {of}: glycol in oil, not a coolant's strength"
    return out


_WEAK = 10.0  # own choice: per cent of glycol above which no result in an oil lies, and below which no coolant


def _traces(cells: np.ndarray) -> str:
    """Words where a column of glycol holds traces or none at all; empty where it holds a coolant's strength, or nothing
    that says.
    """
    cells = cells[:LOOKED_AT]
    found = parse_numbers(cells, Words("either", not_detected=(*NOT_DETECTED, *PERHAPS_NOT_DETECTED)), 0.1)
    seen = found.value[np.isfinite(found.value)]
    return f"its values are below {_WEAK:g} %" if len(seen) and (seen < _WEAK).all() else ""


def _not_detected(grid: Grid) -> tuple[str, ...]:
    """Words of the file, as it spells them, that some laboratories write for 'not detected'."""
    texts = {t for c in grid.columns.values() for t in text_cells(c[:LOOKED_AT])}
    return tuple(sorted(t for t in texts if t.casefold() in PERHAPS_NOT_DETECTED))


def _dates_by_content(grid: Grid, first: dict[str, tuple[str, str, str]]) -> dict[str, tuple[str, str, str]]:
    """Headings with what their cells say about days: a report that is a number is none, and a column of dates may be
    the day of drawing.
    """
    out = dict(first)
    for heading, (to, unit, why) in first.items():
        texts = [t for t in text_cells(grid.columns[heading][:LOOKED_AT]) if t]
        dates = float(np.mean([bool(LIKE_DATES.fullmatch(t)) for t in texts])) if texts else 0.0
        if to in _OTHER_DAYS and texts and not dates and not any(_DAY_NUMBERS.fullmatch(t) for t in texts):
            out[heading] = "", unit, f"{why}, but its cells are no dates"
        elif not to and dates > 0.8 and all(t != "drawn_on" for t, _, _ in out.values()):
            out[heading] = "drawn_on", unit, "its cells are dates, and no heading names the day of drawing"
    return out


def _test_column(grid: Grid, first: dict[str, tuple[str, str, str]]) -> str:
    """The heading of the column that names tests, in a file with one row a result; '' in other files."""
    register = analyte_register().index
    if sum(to in register for to, _, _ in first.values()) > 3:
        return ""
    best, top = "", 0.5
    for heading in grid.headings:
        names = [n for n in pd.unique(text_cells(grid.columns[heading][:LOOKED_AT])) if n]
        known = [n for n in names if heading_guess(n)[0] in register and not re.fullmatch(r"[\d.,]+", n)]
        if len(known) >= 2 and len(known) / len(names) > top:
            best, top = heading, len(known) / len(names)
    return best


def _guess(heading: str, cells: np.ndarray, first: tuple[str, str, str], words: Words, is_test: bool) -> Guess:
    to, unit, why = ("test", "", "its cells are names of tests") if is_test else first
    cells = cells[:LOOKED_AT]
    texts = text_cells(cells)
    filled = texts != ""
    examples = tuple(dict.fromkeys(texts[filled]))[:3]
    n, share, doubt = int(filled.sum()), 1.0, ""
    if to.endswith("_on"):
        share = float((parse_dates(cells[filled], words).problem == "").mean()) if n else 0.0
        doubt = "" if share == 1 or not n else f"{1 - share:.0%} of its dates cannot be read"
    elif to in known_columns(TABLES["samples"], analyte_register()) and _unit_of(to):
        share, doubt = _fit(cells[filled], to, unit, words)
    return Guess(heading, to, unit, why, n, share, doubt, examples)


def _unit_of(to: str) -> str:
    return known_columns(TABLES["samples"], analyte_register())[to]


def _fit(cells: np.ndarray, to: str, unit: str, words: Words) -> tuple[float, str]:
    """(share of cells that can be such a value, doubt)."""
    if not len(cells):
        return 0.0, "the column is empty"
    try:
        convert = conversion(unit, _unit_of(to), to, "here")
    except SettingsError as error:
        return 0.0, str(error).removeprefix("here: ")
    found = parse_numbers(cells, words, 1.0)
    values = convert.apply(found.value)
    low, high = _plausible(to)
    fine = (found.problem == "") & ~((values < low) | (values > high))
    strange = tuple(dict.fromkeys(text_cells(cells[found.problem != ""])))[:3]
    doubt = f"not understood: {', '.join(map(repr, strange))}" if strange else ""
    return float(fine.mean()), _thousand_fold(values, to) or doubt


def _plausible(to: str) -> tuple[float, float]:
    register = analyte_register()
    if to not in register.index:
        return 0.0, 1e6
    return float(register.loc[to, "plausible_low"]), float(register.loc[to, "plausible_high"])


def _thousand_fold(values: np.ndarray, to: str) -> str:
    """A doubt where the middle value is far from what is usual, and a factor of 1,000 or 10,000
    would bring it there.
    """
    table = headings().set_index("to")
    middle = np.nanmedian(np.abs(values)) if np.isfinite(values).any() else np.nan
    if to not in table.index or table.loc[to, "usual_low"] == "" or not middle > 0:
        return ""
    low, high = sorted(abs(float(table.loc[to, c])) for c in ("usual_low", "usual_high"))
    if low <= middle <= high:
        return ""
    for factor in (1000.0, 10000.0):
        for scale in (factor, 1 / factor):
            if low <= middle * scale <= high and not low / 30 <= middle <= high * 30:
                return (
                    f"the middle value {middle:g} {_unit_of(to)} is unusual; {middle * scale:g} would be usual: is "
                    f"the unit right?"
                )
    return ""


def _as_wide(guesses: tuple[Guess, ...]) -> tuple[Guess, ...]:
    """Two headings cannot be one column: the better one keeps it. Words for test, value and unit mean nothing here."""
    best: dict[str, Guess] = {}
    for g in guesses:
        if g.to and (g.to not in best or (g.share, g.n) > (best[g.to].share, best[g.to].n)):
            best[g.to] = g
    out = []
    for g in guesses:
        if g.to in ("test", "value"):
            g = _nothing(g, "no known word")
        elif not g.to:
            g = _nothing(g, g.why)
        elif best[g.to] is not g:
            g = _nothing(g, f"'{best[g.to].heading}' fits {g.to} better")
        out.append(g)
    return tuple(out)


def _nothing(g: Guess, why: str) -> Guess:
    return Guess(g.heading, "", g.unit, why, g.n, g.share, "", g.examples)


def _as_long(guesses: tuple[Guess, ...], test: str) -> tuple[Guess, ...]:
    """A file with one row a result: a unit column is told from a machine's by its cells."""
    out = []
    for g in guesses:
        if g.examples and g.heading != test and g.to not in ("value",) and all(knows_unit(e) for e in g.examples):
            g = Guess(g.heading, "unit", "", "its cells are units", g.n, 1.0, "", g.examples)
        elif g.to in analyte_register().index:
            g = _nothing(g, "the file has one row a result")
        out.append(g)
    return _one_each(tuple(out))


def _one_each(guesses: tuple[Guess, ...]) -> tuple[Guess, ...]:
    seen: set[str] = set()
    out = []
    for g in guesses:
        out.append(_nothing(g, f"another heading is {g.to} already") if g.to and g.to in seen else g)
        seen.add(g.to)
    return tuple(out)


def _test_guesses(grid: Grid, guesses: tuple[Guess, ...], words: Words) -> tuple[Guess, ...]:
    heading = {g.to: g.heading for g in guesses if g.to in _LONG}
    names = text_cells(grid.columns[heading["test"]])
    values = grid.columns[heading["value"]] if "value" in heading else np.full(len(names), "", dtype=object)
    units = text_cells(grid.columns[heading["unit"]]) if "unit" in heading else np.full(len(names), "", dtype=object)
    out = []
    for name in dict.fromkeys(n for n in names if n):
        mine = names == name
        to, unit, why = heading_guess(name)
        to = to if to in analyte_register().index else ""
        written = unit or (pd.Series(units[mine]).mode().iloc[0] if mine.any() else "")
        out.append(_guess(name, values[mine], (to, written, why), words, False))
    return tuple(out)


def _missing(guesses: tuple[Guess, ...], join: tuple[str, ...]) -> tuple[str, ...]:
    """What a layout cannot do without and nothing was found for."""
    found = {g.to for g in guesses} | ({"compartment"} if join else set())
    gone = [c.name for c in TABLES["samples"].columns if c.required and c.name not in found]
    gone += ["value"] if "test" in found and "value" not in found else []
    return tuple(f"nothing in the file looks like `{name}`, which is needed: find its heading" for name in gone)
