"""Cells into values: numbers (with '<1' and 'not detected'), dates, truth values and words, each with a problem or a
repair in words.
"""

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from cmkit.records.reading.bounds import NUMBER

# Words laboratories write instead of a number; common practice. A layout replaces them by its own.
NOT_DETECTED = (
    "nd",
    "n.d.",
    "n.d",
    "not detected",
    "none detected",
    "bdl",
    "b.d.l.",
    "lod",
    "<lod",
    "<dl",
    "neg",
    "negative",
    "nil",
)
# words that some laboratories use so and others not: proposed for a layout, never read unasked; common practice
PERHAPS_NOT_DETECTED = ("n/d", "trace", "tr", "traces", "absent", "below detection", "undetected", "n.n.", "nn")
NOT_TESTED = (
    "-",
    "--",
    "---",
    "n/a",
    "na",
    "#n/a",
    "nan",
    "null",
    "none",
    "nt",
    "n.t.",
    "n/t",
    "not tested",
    "not run",
    "*",
    "?",
)
_TRUE = {"true", "yes", "y", "1", "x"}
_FALSE = {"false", "no", "n", "0"}

_SIGN = re.compile(r"(<=|>=|<|>|≤|≥)\s*(.*)", re.DOTALL)
_PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_COMMA_DECIMAL = re.compile(r"[+-]?(?:\d+,\d*|,\d+)(?:[eE][+-]?\d{1,3})?")
_COMMA_THOUSANDS = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?")
_POINT_THOUSANDS = re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+(?:,\d+)?")
_SPACE_THOUSANDS = re.compile(r"[+-]?\d{1,3}(?: \d{3})+(?:[.,]\d+)?")


@dataclass(frozen=True)
class Words:
    """How a file writes its values: decimal mark, date form ('' for ISO), words for no result.

    decimal: '.', ','; 'either' (a comma is a decimal mark too); '' (the same, but `1,234` has two meanings and is
    refused).
    """

    decimal: str = ""
    dates: str = ""
    not_detected: tuple[str, ...] = NOT_DETECTED
    not_tested: tuple[str, ...] = NOT_TESTED


@dataclass(frozen=True)
class Parsed:
    """Values by row, with what was wrong (`problem`) or repaired (`repair`) in words, '' where nothing was.

    side (int8): -1 where the value is a limit it was reported below, 1 where it is one it was reported above, 0 where
    it is the value.
    """

    value: np.ndarray
    problem: np.ndarray
    repair: np.ndarray
    side: np.ndarray

    @property
    def plain(self) -> np.ndarray:
        """True for rows of which nothing need be said: no problem, no repair, not censored."""
        out = self.side == 0
        out[worded(self.problem)] = False
        out[worded(self.repair)] = False
        return np.asarray(out)


@dataclass(frozen=True)
class _Number:
    value: float = float("nan")
    problem: str = ""
    repair: str = ""
    side: int = 0


_NO_NUMBER = _Number(problem="not a number")


def nothing(n: int) -> np.ndarray:
    """'' for each of `n` rows: one word that all rows share, so that :func:`worded` need not look at them."""
    return np.broadcast_to(np.array("", dtype=object), n)


def uncensored(n: int) -> np.ndarray:
    """Side 0 for each of `n` rows."""
    return np.zeros(n, dtype=np.int8)


def worded(words: np.ndarray) -> np.ndarray:
    """Places of the rows of which something is said."""
    return np.array([], dtype=np.intp) if words.strides == (0,) else np.flatnonzero(words != "")


def distinct(cells: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(codes, unique texts): `unique[codes]` are the cells as text, stripped; a spreadsheet's 12.0 becomes '12', a date
    ISO.
    """
    if isinstance(cells.dtype, pd.StringDtype):
        codes, words = pd.factorize(cells, use_na_sentinel=False)
        return codes, np.array([_as_text(w) for w in words.to_numpy(dtype=object, na_value=None)], dtype=object)
    kind = pd.api.types.infer_dtype(cells, skipna=False) if cells.dtype.kind == "O" else cells.dtype.kind
    if kind not in ("string", "floating", "integer", "f", "i", "u", "M", "b"):
        cells = np.array([_as_text(c) for c in cells], dtype=object)  # mixed: 1 and True are one to a hash
        kind = "string"
    codes, unique = pd.factorize(cells, use_na_sentinel=kind == "string")
    as_text = str.strip if kind == "string" and "".join(unique).isascii() else _as_text
    return codes, np.array([as_text(c) for c in unique], dtype=object)


def odd_texts(cells: pd.api.extensions.ExtensionArray) -> np.ndarray:
    """Places of texts that are not simply what they say: missing, empty, blank at an end, with control or other than
    ASCII signs.
    """
    texts = pa.chunked_array(pa.array(cells))
    simple = pc.and_(pc.ascii_is_printable(texts), pc.equal(pc.ascii_trim_whitespace(texts), texts))
    simple = pc.and_(simple, pc.greater(pc.binary_length(texts), 0))
    return np.flatnonzero(~pc.fill_null(simple, False).to_numpy().astype(bool))


def not_among(cells: pd.api.extensions.ExtensionArray, words: Sequence[str] | pd.Index) -> np.ndarray:
    """Places of texts that are not, to the letter, one of these words."""
    texts = pa.chunked_array(pa.array(cells))
    return np.flatnonzero(
        ~pc.is_in(texts, value_set=pa.array(np.asarray(words, dtype=object), type=texts.type)).to_numpy()
    )


# marks that cannot be seen and make two names of one: direction and width marks that mail and spreadsheets leave behind
_UNSEEN: dict[int, str | None] = dict.fromkeys(
    [0xAD, 0x200B, 0x200E, 0x200F, *range(0x202A, 0x202F), 0x2060, *range(0x2066, 0x206A), 0xFEFF]
)
_UNSEEN[0xA0] = " "


def visible(text: str) -> str:
    """Text without marks that cannot be seen, and with letters and their accents as one sign each (NFC)."""
    return unicodedata.normalize("NFC", text.translate(_UNSEEN))


def text_cells(cells: np.ndarray) -> np.ndarray:
    """Cells as text, see :func:`distinct`."""
    if not len(cells):
        return np.array([], dtype=object)
    codes, unique = distinct(cells)
    return np.asarray(unique[codes])


def _as_text(cell: object) -> str:
    if isinstance(cell, str):
        return visible(cell).strip()
    if isinstance(cell, (bytes, memoryview)):  # a database's column of bytes
        return visible(bytes(cell).decode("utf-8", "backslashreplace")).strip()
    if cell is None or cell is pd.NaT:
        return ""
    if isinstance(cell, (float, np.floating)):
        number = float(cell)
        return (
            "" if np.isnan(number) else str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)
        )
    if isinstance(cell, datetime):
        return cell.isoformat(sep=" ") if (cell.hour or cell.minute or cell.second) else cell.date().isoformat()
    if isinstance(cell, np.datetime64):
        return np.datetime_as_string(cell, unit="s").replace("T", " ").removesuffix(" 00:00:00")
    return str(cell)


def parse_numbers(cells: np.ndarray, words: Words = Words(), reporting_limit: float = float("nan")) -> Parsed:
    """Numbers of a column. '<1' gives 1 and side -1; '>1000' 1000 and side 1; a 'not detected' word the reporting limit
    and side -1; '' NaN.

    A number that could be read in two ways (`1,234` where the decimal mark is not declared) is a problem, never
    guessed.
    """
    n = len(cells)
    if cells.dtype.kind in "fiu":
        value = cells.astype(float)
        problem = np.where(np.isinf(value), "not a number", "").astype(object)
        return Parsed(np.where(np.isinf(value), np.nan, value), problem, nothing(n), uncensored(n))
    codes, unique = distinct(cells)
    found = [_one_number(text, words, reporting_limit) for text in unique]
    value = np.array([f.value for f in found], dtype=float)
    side = np.array([f.side for f in found], dtype=np.int8)
    problem, repair = (_in_rows([getattr(f, name) for f in found], codes) for name in ("problem", "repair"))
    return Parsed(value[codes], problem, repair, side[codes])


def _in_rows(words: list[str], codes: np.ndarray) -> np.ndarray:
    """Words of the distinct texts for every row."""
    return np.array(words, dtype=object)[codes] if any(words) else nothing(len(codes))


def _one_number(text: str, words: Words, limit: float) -> _Number:
    if len(text) > NUMBER:
        return _Number(problem=f"more than {NUMBER} characters, which is no number a result can have")
    if _PLAIN.fullmatch(text) and words.decimal != ",":
        return _finite(_Number(float(text)))
    if not text:
        return _Number()
    low = text.casefold()
    if low in words.not_detected:
        if np.isnan(limit):
            return _Number(problem="'not detected', but this has no reporting limit")
        return _Number(limit, repair="not detected; used as below the reporting limit", side=-1)
    if low in words.not_tested:
        return _Number(repair="a word for 'not tested', read as not recorded")
    if not any(c.isdigit() for c in text):
        return _NO_NUMBER
    signed = _SIGN.fullmatch(text)
    number = _finite(_unsigned((signed.group(2) if signed else text).replace("−", "-"), words.decimal))
    if not signed or number.problem:
        return number
    return _Number(number.value, repair=number.repair, side=-1 if signed.group(1) in ("<", "<=", "≤") else 1)


def _finite(number: _Number) -> _Number:
    return _Number(problem="not a number a result can have") if np.isinf(number.value) else number


def _unsigned(text: str, decimal: str) -> _Number:
    """One number without its '<', by the decimal mark that is declared or, for '', by what can only be meant."""
    if decimal == ",":
        return _comma_number(text)
    if _PLAIN.fullmatch(text):
        return _Number(float(text))
    if decimal == "either" and _COMMA_DECIMAL.fullmatch(text):
        return _Number(float(text.replace(",", ".")), repair="decimal comma")
    if _COMMA_THOUSANDS.fullmatch(text) and (decimal == "." or "." in text or text.count(",") > 1):
        return _Number(float(text.replace(",", "")), repair="comma between thousands")
    if decimal == "" and _COMMA_THOUSANDS.fullmatch(text) and not text.lstrip("+-").startswith("0"):
        plain = text.replace(",", "")
        return _Number(
            problem=f"a comma with two meanings; {text.replace(',', '.')} or {plain}? Write it without the comma"
        )
    if decimal == "" and _COMMA_DECIMAL.fullmatch(text):
        return _Number(float(text.replace(",", ".")), repair="decimal comma")
    if decimal in ("", "either") and _POINT_THOUSANDS.fullmatch(text):
        return _Number(float(text.replace(".", "").replace(",", ".")), repair="points between thousands, decimal comma")
    if _SPACE_THOUSANDS.fullmatch(text) and ("," not in text or decimal != "."):
        return _Number(float(text.replace(" ", "").replace(",", ".")), repair="space between thousands")
    return _marked(text, decimal)


def _comma_number(text: str) -> _Number:
    """A number of a file that is declared to have decimal commas."""
    if _COMMA_DECIMAL.fullmatch(text) or (_PLAIN.fullmatch(text) and "." not in text):
        return _Number(float(text.replace(",", ".")))
    if _POINT_THOUSANDS.fullmatch(text):
        return _Number(float(text.replace(".", "").replace(",", ".")))
    if _SPACE_THOUSANDS.fullmatch(text) and "." not in text:
        return _Number(float(text.replace(" ", "").replace(",", ".")))
    if _PLAIN.fullmatch(text):
        return _Number(float(text), repair="decimal point in a file of decimal commas")
    return _marked(text, ",")


def _marked(text: str, decimal: str) -> _Number:
    """A number with a footnote mark behind it, else not a number."""
    bare = text.rstrip("*†‡ ")
    if bare and bare != text:
        number = _unsigned(bare, decimal)
        return number if number.problem else _Number(number.value, repair="footnote mark taken off")
    return _NO_NUMBER


_ISO = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ]\d{1,2}:\d{2}.*)?")
_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})(?: \d{1,2}:\d{2}.*)?")
_SLASHED = re.compile(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4})(?: \d{1,2}:\d{2}.*)?")
_YEAR_FIRST = re.compile(r"(\d{4})[/.](\d{1,2})[/.](\d{1,2})(?: \d{1,2}:\d{2}.*)?")
_FIRST_YEAR = 1950
_TOO_EARLY = f"a date before {_FIRST_YEAR}"
_LAST_YEAR = 2200
_TOO_LATE = f"a date after {_LAST_YEAR}"
_EXCEL_EPOCH = date(1899, 12, 30).toordinal()


def parse_dates(cells: np.ndarray, words: Words = Words()) -> Parsed:
    """Days of a column as datetime64[us]; '' gives NaT. Without a declared form only ISO dates and forms with one
    meaning are read.
    """
    n = len(cells)
    if cells.dtype.kind == "M":
        return _typed_dates(cells)
    codes, unique = distinct(cells)
    found = [_one_date(text, words) for text in unique]
    if words.dates:
        found = _uncontradicted(found, unique, words.dates)
    days = np.array([d for d, _, _ in found], dtype="datetime64[us]")[codes]
    problem, repair = _in_rows([p for _, p, _ in found], codes), _in_rows([r for _, _, r in found], codes)
    return Parsed(days, problem, repair, uncensored(n))


def _uncontradicted(
    found: list[tuple[date | None, str, str]], texts: np.ndarray, form: str
) -> list[tuple[date | None, str, str]]:
    """Where a column holds a day that only the form with day and month exchanged can read, none of its days that both
    can read is believed.
    """
    other = re.sub("%[dm]", lambda m: {"%d": "%m", "%m": "%d"}[m[0]], form)
    if not {"%d", "%m"} <= set(re.findall("%.", form)):
        return found
    both = [(_by_form(text, form), _by_form(text, other)) for text in texts]
    against = next((text for text, (own, swapped) in zip(texts, both, strict=True) if swapped and not own), "")
    if not against:
        return found
    problem = (
        f"day and month could be exchanged: the column is declared {form}, and its {against} can only be "
        f"{other}; correct the layout or the file"
    )
    return [
        (None, problem, "") if swapped and swapped != own else day
        for day, (own, swapped) in zip(found, both, strict=True)
    ]


def _typed_dates(cells: np.ndarray) -> Parsed:
    days = cells.astype("datetime64[D]").astype("datetime64[us]")
    early = days < np.datetime64(f"{_FIRST_YEAR}-01-01")
    late = days >= np.datetime64(f"{_LAST_YEAR + 1}-01-01")
    problem = nothing(len(cells))
    if early.any() or late.any():
        problem = np.where(early, _TOO_EARLY, np.where(late, _TOO_LATE, "")).astype(object)
        days = np.where(early | late, np.datetime64("NaT", "us"), days)
    return Parsed(days, problem, nothing(len(cells)), uncensored(len(cells)))


def _one_date(text: str, words: Words) -> tuple[date | None, str, str]:
    """(day, problem, repair)."""
    if not text:
        return None, "", ""
    if len(text) > NUMBER:
        return None, f"more than {NUMBER} characters, which is no date", ""
    low = text.casefold()
    if low in words.not_tested:
        return None, "", "a word for 'none', read as not recorded"
    day, repair = _by_form(text, words.dates) if words.dates else None, ""
    if day is None:
        day, repair, problem = _by_shape(text)
        if problem:
            wanted = f"a date in the form {words.dates}" if words.dates else "a date such as 2026-06-30"
            return None, f"{problem}; wanted {wanted}", ""
    assert day is not None
    if day.year < _FIRST_YEAR:
        return None, _TOO_EARLY, ""
    if day.year > _LAST_YEAR:
        return None, _TOO_LATE, ""
    return day, "", repair


def _by_form(text: str, form: str) -> date | None:
    try:
        return datetime.strptime(text, form).date() if len(text) <= NUMBER else None
    except ValueError:
        return None


def _by_shape(text: str) -> tuple[date | None, str, str]:
    """(day, repair, problem) of a date whose form is not declared."""
    try:
        if m := _ISO.fullmatch(text):
            return date(int(m[1]), int(m[2]), int(m[3])), "", ""
        if m := _YEAR_FIRST.fullmatch(text):
            return date(int(m[1]), int(m[2]), int(m[3])), "year, month, day", ""
        if m := _DAY_FIRST.fullmatch(text):
            return date(int(m[3]), int(m[2]), int(m[1])), "day.month.year", ""
        if m := _SLASHED.fullmatch(text):
            a, b, year = int(m[1]), int(m[2]), int(m[3])
            if a <= 12 and b <= 12 and a != b:
                return None, "", "day and month could be exchanged"
            return (date(year, b, a), "day/month/year", "") if b <= 12 else (date(year, a, b), "month/day/year", "")
        if re.fullmatch(r"\d{5}(?:\.\d+)?", text):
            return date.fromordinal(_EXCEL_EPOCH + int(float(text))), "a spreadsheet's day number", ""
    except ValueError:
        return None, "", "no such day"
    return None, "", "not a date"


def parse_flags(cells: np.ndarray) -> Parsed:
    """Truth values of a column as 1.0, 0.0 and NaN."""
    n = len(cells)
    if cells.dtype.kind == "b":
        return Parsed(cells.astype(float), nothing(n), nothing(n), uncensored(n))
    codes, unique = distinct(cells)
    texts = [t.casefold() for t in unique]
    value = np.array([1.0 if t in _TRUE else 0.0 if t in _FALSE else np.nan for t in texts], dtype=float)
    known = _TRUE | _FALSE | {""}
    problem = _in_rows(["" if t in known else "wanted true or false" for t in texts], codes)
    return Parsed(value[codes], problem, nothing(n), uncensored(n))


def normal(text: str) -> str:
    """A name without differences of case and spacing, to match words a person typed."""
    return " ".join(text.casefold().split()).replace(" /", "/").replace("/ ", "/")


def match_words(cells: np.ndarray, allowed: tuple[str, ...], what: str) -> Parsed:
    """Words of a list, whatever their case and spacing; `value` holds the list's own spelling or ''."""
    spelling = {normal(a): a for a in allowed}
    codes, texts = distinct(cells)
    value = np.array([t if t in allowed else spelling.get(normal(t), "") for t in texts], dtype=object)
    problem = np.array(
        [f"not one of {what}" if t and not v else "" for t, v in zip(texts, value, strict=True)], dtype=object
    )
    repair = np.array(["spelling" if v and v != t else "" for t, v in zip(texts, value, strict=True)], dtype=object)
    return Parsed(value[codes], problem[codes], repair[codes], uncensored(len(cells)))
