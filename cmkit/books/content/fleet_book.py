"""The fleet book's sections in one place, for its notebook and for an analyst."""

from cmkit.books.content.book import Book, open_book
from cmkit.books.content.sections.headline import headline
from cmkit.books.content.sections.how import how_made
from cmkit.books.content.sections.often import how_often
from cmkit.books.content.sections.programme import programme
from cmkit.books.content.sections.record import our_record
from cmkit.books.content.sections.since import since_last_month
from cmkit.books.content.sections.sites import crews, families, first_anywhere, repeat_causes, sites_beside

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
    "programme",
    "repeat_causes",
    "since_last_month",
    "sites_beside",
]
