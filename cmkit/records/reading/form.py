"""How an unknown file is written: its sheet, title rows, headings, separator, decimal mark and dates, told from what
stands in it.
"""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from cmkit.errors import WrongFile
from cmkit.records.analytes import analyte_register
from cmkit.records.reading.clean import NOT_TESTED, parse_dates, text_cells
from cmkit.records.reading.files import (
    SEPARATORS,
    SPREADSHEETS,
    Form,
    Grid,
    is_blank,
    read_sheet,
    read_text,
    sheet_names,
    split_lines,
)
from cmkit.records.reading.headings import bare_unit, heading_guess
from cmkit.records.reading.units import knows_unit

LOOKED_AT = 2000  # cells of a column that are looked at
_TITLES = 30  # rows in which the headings are looked for
DATE_FORMS = (
    "%d.%m.%Y",
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%d-%m-%Y",
    "%d.%m.%y",
    "%d/%m/%y",
    "%m/%d/%y",
    "%d-%b-%Y",
    "%d %b %Y",
    "%d-%b-%y",
    "%Y%m%d",
)
LIKE_DATES = re.compile(r"\d{1,4}[-./ ](?:\d{1,2}|[A-Za-z]{3})[-./ ]\d{2,4}(?:[ T].*)?")
Known = Callable[[str], bool]  # True for a heading with a known meaning


def known_result(heading: str) -> bool:
    """True for a heading of a laboratory's file with a known meaning."""
    return heading_guess(heading)[0] != ""


def pattern_of(name: str) -> str:
    """A pattern for the files to come: numbers and dates of the name may change."""
    safe = re.sub(r"([\[?*])", r"[\1]", name)
    stem, dot, ending = safe.rpartition(".")
    return re.sub(r"\*(?:[-_ .]*\*)+", "*", re.sub(r"\d+", "*", stem)) + dot + ending


def form_of(path: Path, known: Known = known_result, wanted: str = "") -> Form:
    """Encoding, separator, sheet, title rows and heading rows of a file. known: what a heading is told by; wanted: a
    sheet's name.
    """
    if path.suffix.lower() == ".parquet":
        return Form()
    if path.suffix.lower() in SPREADSHEETS:
        sheets = {n: read_sheet(path, path.name, n) for n in ([wanted] if wanted else sheet_names(path, path.name))}
        name = max(sheets, key=lambda n: _best_row(sheets[n], known)[1])
        rows, encoding, separator = sheets[name], "", ""
        sheet = name if len(sheets) > 1 or wanted else ""
    else:
        text, repaired = read_text(path, path.name)
        encoding = (
            "cp1252" if len(repaired) else ("utf-16" if path.read_bytes()[:2] in (b"\xff\xfe", b"\xfe\xff") else "")
        )
        separator, rows = _best_split(text, path.name, known)
        sheet = ""
    at, score = _best_row(rows, known)
    if score <= 0:
        raise WrongFile(
            f"{path.name}: found no row of headings in the first {_TITLES} rows; wanted one with names such as "
            f"sample, date, Fe. Is it a table?"
        )
    below_is_units = at + 1 < len(rows) and (
        _is_unit_row(rows[at + 1]) or _is_more_heading(rows[at], rows[at + 1], known)
    )
    above = _needs_group_row(rows, at)
    return Form(encoding, separator, sheet, at - above, 1 + above + below_is_units, 0)


def _best_split(text: str, file: str, known: Known) -> tuple[str, list[list[Any]]]:
    """The separator that gives the best row of headings."""
    found = {}
    for name, separator in SEPARATORS.items():
        try:
            rows = split_lines("\n".join(text.splitlines()[: _TITLES + 5]), separator, file)
        except WrongFile:
            continue
        found[name] = (_best_row(rows, known)[1], rows)
    if not found:
        split_lines(text, ",", file)
    best = max(found, key=lambda n: found[n][0])
    return SEPARATORS[best], found[best][1]


def _best_row(rows: list[list[Any]], is_known: Known) -> tuple[int, float]:
    """(place, score) of the row that looks most like headings: known names count most, then filled text cells."""
    best, top = 0, 0.0
    for i, row in enumerate(rows[:_TITLES]):
        texts = [str(c) for c in row if not is_blank(c)]
        known = sum(is_known(t) for t in texts)
        score = known + 0.01 * len(texts) if len(texts) >= 3 and known >= 2 else 0.0
        if score > top:
            best, top = i, score
    return best, top


def _is_unit_row(row: list[Any]) -> bool:
    texts = [str(c).strip() for c in row if not is_blank(c)]
    units = sum(knows_unit(bare_unit(t)) or t in ("-", "--") for t in texts)
    numbers = sum(bool(re.fullmatch(r"[<>]?[\d.,]+", t)) for t in texts)
    return bool(texts) and units >= 0.5 * len(texts) and numbers <= 0.2 * len(texts)


def _is_result(heading: str) -> bool:
    return heading_guess(heading)[0] in analyte_register().index


def _is_more_heading(above: list[Any], row: list[Any], known: Known) -> bool:
    """True for a row of names below merged headings: known names and nothing that is a value.

    In other than a laboratory's file words such as engine are values too: there what stands in the row above must be
    empty here.
    """
    is_name: Known = _is_result
    if known is not known_result:
        both = [i for i, (a, b) in enumerate(zip(above, row, strict=False)) if not is_blank(a) and not is_blank(b)]
        is_name = known if len(both) <= 1 < sum(not is_blank(a) for a in above) else is_name
    texts = [str(c).strip() for c in row if not is_blank(c)]
    values = any(re.fullmatch(r"[<>]?[\d.,]+", t) or LIKE_DATES.fullmatch(t) for t in texts)
    return not values and sum(is_name(t) for t in texts) >= 2


def _needs_group_row(rows: list[list[Any]], at: int) -> int:
    """1 where the row above names groups without which headings would repeat or be empty."""
    if at == 0:
        return 0
    heads = [str(c).strip() for c in rows[at]]
    above = [str(c).strip() for c in rows[at - 1]] + [""] * len(heads)
    filled = [h for h in heads if h]
    empty_below = any(a and not h for a, h in zip(above, heads, strict=False))
    repeats = len(set(filled)) < len(filled)
    return int(sum(bool(a) for a in above) >= 2 and (repeats or empty_below))


def decimal_of(grid: Grid) -> tuple[str, tuple[str, ...]]:
    """',' where cells such as 12,5 outnumber those such as 12.5; '' and a doubt where both occur
    and points are more.
    """
    cells = [t for c in grid.columns.values() for t in text_cells(c[:LOOKED_AT])]
    # three figures after the only comma may be thousands
    commas = [
        t for t in cells if re.fullmatch(r"[<>]?\s*-?(?:0,\d+|\d+,(?:\d{1,2}|\d{4,})|\d{1,3}(?:\.\d{3})+,\d+)", t)
    ]
    points = [t for t in cells if re.fullmatch(r"[<>]?\s*-?\d+\.\d+", t)]
    if any("." in t for t in commas):  # 1.000,5 says what the point in 1.110 is for
        points = [t for t in points if not re.fullmatch(r"\d{1,3}\.\d{3}", t)]
    if not commas or len(commas) > len(points):
        return "," if commas else ".", ()
    both = f"decimals: both {commas[0]!r} and {points[0]!r} stand in this file; each is read as it can only be meant"
    return "", (both,)


def date_form(grid: Grid, headings: list[str]) -> tuple[str, tuple[str, ...]]:
    """The one form that reads every date of the file ('' for ISO and dates of a spreadsheet), and a doubt where two
    would.
    """
    cells = (
        np.concatenate([text_cells(grid.columns[h][:LOOKED_AT]) for h in headings])
        if headings
        else np.array([], dtype=object)
    )
    cells = np.array([c for c in cells if c and c.casefold() not in NOT_TESTED], dtype=object)
    if not len(cells) or ((parse_dates(cells).repair == "").all() and (parse_dates(cells).problem == "").all()):
        return "", ()
    fit = {form: _share_of_form(cells, form) for form in DATE_FORMS}
    best = max(fit.values())
    forms = [f for f, share in fit.items() if share == best and best > 0]
    if not forms:
        return "", ("dates: no form fits; look at the date columns",)
    meaning = {f.replace("%b", "%m") for f in forms}
    doubt = (
        (f"dates: {' and '.join(forms)} both fit every date; which is day and which is month does not show here",)
        if len(meaning) > 1
        else ()
    )
    return forms[0], doubt


LIKE_DATES = re.compile(r"\d{1,4}[-./ ](?:\d{1,2}|[A-Za-z]{3})[-./ ]\d{2,4}(?:[ T].*)?")


def _share_of_form(cells: np.ndarray, form: str) -> float:
    days = pd.to_datetime(
        pd.Series(cells, dtype="str").str.split(" ").str[0] if "%b" not in form else cells, format=form, errors="coerce"
    )
    days = pd.Series(days)
    return float(((days.dt.year >= 1980) & (days.dt.year <= 2100)).mean())
