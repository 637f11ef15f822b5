"""A book notebook's first step: the parameters it was given, and nothing else, made into the book it says it is."""

import difflib
from collections.abc import Mapping

from IPython.display import display

from cmkit.books.content.book import Book, open_book
from cmkit.books.content.mime import OPENING
from cmkit.errors import ParameterError

_PLAIN = (str, int, float, bool)


def book_of(given: Mapping[str, object], *, fleet: bool = False) -> Book:
    """The book that a notebook's parameters ask for, said in one line: site, month and day before anything else.

    given: the notebook's variables (`globals()`), with assessment, month and, unless `fleet`, site. Raises
    ParameterError, one message, for a parameter that the notebook does not have (a misspelt one would otherwise change
    nothing and say nothing), a site that is not named where there are several or is not the fleet's, a month that is
    not the assessment's, and a folder that holds no fleet.
    """
    known = ("assessment", "month") if fleet else ("assessment", "site", "month")
    refuse_unknown(given, known)
    book = open_book(str(given["assessment"]), str(given.get("site", "")), str(given["month"]), fleet=fleet)
    place = f"site {book.site} ({book.site_names[book.site]})" if book.site else "the whole fleet"
    words = f"{book.fleet_name}, {place}, month {book.month}, as known on {book.as_of:%Y-%m-%d}."
    display({OPENING: {"site": book.site, "month": book.month}, "text/plain": words}, raw=True)
    return book


def refuse_unknown(given: Mapping[str, object], known: tuple[str, ...]) -> None:
    """ParameterError for a plain value in a notebook's variables that is none of its parameters."""
    other = [n for n, v in given.items() if not n.startswith("_") and type(v) in _PLAIN and n not in known]
    if other:
        near = difflib.get_close_matches(other[0], known, n=1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        raise ParameterError(f"parameter: found {other[0]!r}, this notebook has {', '.join(known)}.{hint}")
