"""The fleet book's sections in one place, for its notebook and for an analyst."""

from cmkit.books.book import Book, open_book
from cmkit.books.sections.fleet import crews, families, first_anywhere, repeat_causes, sites_beside
from cmkit.books.sections.headline import headline
from cmkit.books.sections.how import how_made
from cmkit.books.sections.often import how_often
from cmkit.books.sections.record import our_record
from cmkit.books.sections.since import since_last_month

__all__ = [
    "Book",
    "crews",
    "families",
    "first_anywhere",
    "headline",
    "how_made",
    "how_often",
    "open_book",
    "our_record",
    "repeat_causes",
    "since_last_month",
    "sites_beside",
]
