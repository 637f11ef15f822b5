"""Particle counts and their classes: ISO 4406:2021 codes, SAE AS4059 E (cumulative), the older difference classes (NAS
1638).

Sizes in um(c) as counted by an instrument calibrated to ISO 11171: at and above 4, 6, 14. Counts per ml for ISO 4406,
per 100 ml for the others, as the standards have it.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cmkit.fluids.answer import Answer, undefined
from cmkit.fluids.standard_tables import standard_table

TOP_CODE = 28
SIZES = ("A", "B", "C", "D", "E", "F")
_FEW = 20  # ISO 4406: below 20 particles counted the code is marked >=


def iso_codes(per_ml: ArrayLike) -> NDArray[np.float64]:
    """ISO 4406 code numbers of counts per ml, any shape: 0..28, 29 for "more than 28", NaN where missing or negative.

    By the table, whose upper bounds are inclusive: 1.3 per ml is code 7, where a logarithm would give 8.
    """
    counts = np.asarray(per_ml, float)
    upper = standard_table("iso4406_codes")["up_to_and_including_per_ml"].to_numpy()
    codes = np.searchsorted(upper, counts, side="left").astype(float)
    return np.where(np.isfinite(counts) & (counts >= 0), codes, np.nan)


@dataclass(frozen=True)
class CleanlinessCode:
    """An ISO 4406 code in words, or empty with the reason why there is none."""

    text: str
    reason: str = ""


def iso_code(p4: float, p6: float, p14: float) -> CleanlinessCode:
    """Code such as `21/18/14` from counts per ml at and above 4, 6 and 14 um(c); a missing count becomes `-`.

    No code when a count is negative, or larger than that of a smaller size: counts are cumulative and cannot rise with
    size.
    """
    counts = [p4, p6, p14]
    known = [c for c in counts if not np.isnan(c)]
    if not known:
        return CleanlinessCode("", "no counts")
    if min(known) < 0:
        return CleanlinessCode("", f"a count of {min(known):g} per ml; counts cannot be negative")
    if any(b > a for a, b in itertools.pairwise(known)):
        return CleanlinessCode("", f"counts {p4:g}, {p6:g}, {p14:g} per ml rise with size; cumulative counts cannot")
    return CleanlinessCode("/".join(_code_word(c) for c in counts))


def _code_word(count: float) -> str:
    code = float(iso_codes(count))
    return "-" if np.isnan(code) else f">{TOP_CODE}" if code > TOP_CODE else f"{code:.0f}"


@dataclass(frozen=True)
class CountRange:
    """What one number of a code says: more than `low` up to and including `high` per ml. mark: ``, `*` too many to
    count, `-` not required, `>=` fewer than 20 counted.
    """

    low: float
    high: float
    mark: str = ""


def parse_iso_code(text: str) -> tuple[CountRange, ...]:
    """Ranges of counts per ml behind a code of two (microscope: 5 and 15 um) or three numbers (ISO 4406:2021).

    `*`: too many to count; `-`: not required; `>=7`: fewer than 20 particles were counted; `>28`: more than the table
    holds. Raises ValueError, naming what was found, for another form, a number above 28, or numbers that rise with
    size.
    """
    parts = [p.strip() for p in text.strip().split("/")]
    if len(parts) not in (2, 3):
        raise ValueError(
            f"ISO 4406 code {text!r}: found {len(parts)} number(s), wanted three as in 18/16/13 (two for a microscope "
            f"count)"
        )
    ranges = tuple(_range_of(part, text) for part in parts)
    known = [r for r in ranges if not np.isnan(r.high)]
    if any(b.high > a.high for a, b in itertools.pairwise(known)):
        raise ValueError(f"ISO 4406 code {text!r}: the numbers rise with size; cumulative counts cannot")
    return ranges


def _range_of(part: str, text: str) -> CountRange:
    if part in ("*", "-"):
        return CountRange(np.nan, np.nan, part)
    mark = ">=" if part.startswith((">=", "≥")) else ""
    number = part.removeprefix(">=").removeprefix("≥").strip()
    table = standard_table("iso4406_codes")
    if number == f">{TOP_CODE}":
        return CountRange(float(table["up_to_and_including_per_ml"].iloc[-1]), np.inf)
    if not number.isascii() or not number.isdigit():
        raise ValueError(f"ISO 4406 code {text!r}: found {part!r}, wanted a whole number, *, - or >= before a number")
    if int(number) > TOP_CODE:
        raise ValueError(f"ISO 4406 code {text!r}: found {number}, the table ends at {TOP_CODE}")
    row = table.iloc[int(number)]
    return CountRange(float(row["more_than_per_ml"]), float(row["up_to_and_including_per_ml"]), mark)


def as4059_classes(per_100ml: Sequence[float]) -> tuple[str, ...]:
    """SAE AS4059 rev E class per size A..F (>4, 6, 14, 21, 38, 70 um(c)), cumulative counts per 100 ml, such as `6A`.

    A class holds up to and including its number. `000` is the cleanest; beyond class 12 the word is `>12`. A missing
    count gives an empty word.
    """
    return tuple(
        _class_word("as4059e_cumulative", size, count) + size if not np.isnan(count) else ""
        for size, count in zip(SIZES, per_100ml, strict=False)
    )


def nas1638_classes(per_100ml_between: Sequence[float]) -> tuple[str, ...]:
    """Older difference classes (NAS 1638) of counts per 100 ml between 5-15, 15-25, 25-50, 50-100 and over 100 um."""
    names = ("5_15", "15_25", "25_50", "50_100", "over_100")
    return tuple(
        _class_word("nas1638_differential", name, count) if not np.isnan(count) else ""
        for name, count in zip(names, per_100ml_between, strict=True)
    )


def _class_word(table_name: str, column: str, count: float) -> str:
    if count < 0:
        raise ValueError(f"count {count:g} per 100 ml; counts cannot be negative")
    table = standard_table(table_name)
    at = int(np.searchsorted(table[column].to_numpy(dtype=float), count, side="left"))
    return f">{table['class'].iloc[-1]}" if at == len(table) else str(table["class"].iloc[at])


def difference_class(per_100ml_between: Sequence[float]) -> Answer:
    """The whole count's older class (NAS 1638): the worst of its five sizes, 00 as -1; undefined beyond class 12 or
    without counts.
    """
    words = [w for w in nas1638_classes(per_100ml_between) if w]
    if not words:
        return undefined("no counts")
    if any(w.startswith(">") for w in words):
        return undefined("more particles than class 12 holds")
    return Answer(float(max(-1 if w == "00" else int(w) for w in words)))
