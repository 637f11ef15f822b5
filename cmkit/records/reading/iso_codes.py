"""ISO 4406 codes of a file as code numbers, and the counts they stand for: `21/18/15`, `>28/22/16`, `-/18/13`."""

import re

import numpy as np

from cmkit.records.censoring import CODES, counts_of_codes

ISO4406 = "iso4406"  # as a layout names it; it stands for the three columns of CODES
_CODE = re.compile(r"(?:[>~]|>=|≥)?\s*\d{1,2}|[-*xX]")
_NOT_COUNTED = "-*xX"


def codes_of_texts(texts: np.ndarray) -> dict[str, np.ndarray]:
    """Code numbers at 4, 6 and 14 um(c), as text, for cells with three of them; two are those at 6 and 14 um(c), as in
    older reports.

    `-` and `*` are no number: not counted. `>=16`, the mark of a code from fewer than 20 particles, and `~16` are 16. A
    cell that is no code stays as it is, to be set aside with its reason.
    """
    rows = [_three(str(t)) for t in texts]
    return {name: np.array([row[i] for row in rows], dtype=object) for i, name in enumerate(CODES)}


def _three(text: str) -> tuple[str, ...]:
    parts = [p.strip() for p in text.split("/")]
    if len(parts) == 2:
        parts = ["-", *parts]
    if not text.strip() or len(parts) != 3 or not all(_CODE.fullmatch(p) for p in parts):
        return text, text, text
    return tuple("" if p in _NOT_COUNTED else re.sub(r">=|≥|~", "", p).strip() for p in parts)


def no_code(numbers: np.ndarray) -> np.ndarray:
    """Places of numbers that are no code of the table."""
    return np.flatnonzero(np.isnan(counts_of_codes(numbers)[0]) & ~np.isnan(numbers))


def filled_from_codes(
    count: np.ndarray, side: np.ndarray, code: np.ndarray, code_side: np.ndarray
) -> tuple[np.ndarray, ...]:
    """(count, side, code): where there is no count, the geometric middle of the code's range; above the range for a
    code such as `>28`.

    A code beside a count says nothing more and is left out. Code 0 is a count below the end of its range.
    """
    low, high = counts_of_codes(code)
    use = np.isnan(count) & ~np.isnan(low)
    middle = np.sqrt(low * high)
    from_code = np.where((code_side > 0) | (low == 0), high, middle)
    sides = np.where(code_side > 0, 1, np.where(low == 0, -1, 0)).astype(np.int8)
    return np.where(use, from_code, count), np.where(use, sides, side), np.where(use, code, np.nan)
