"""The site book's sections in one place, for its notebook and for an analyst."""

from cmkit.books.content.book import Book, open_book
from cmkit.books.content.sections.bottles import believed_bottles
from cmkit.books.content.sections.fluids import fluid_care, left_against_right
from cmkit.books.content.sections.glance import glance
from cmkit.books.content.sections.headline import headline
from cmkit.books.content.sections.how import how_made
from cmkit.books.content.sections.often import how_often
from cmkit.books.content.sections.pages import compartment_page, compartment_pages
from cmkit.books.content.sections.programme import programme
from cmkit.books.content.sections.record import our_record
from cmkit.books.content.sections.round import next_round
from cmkit.books.content.sections.since import since_last_month
from cmkit.books.content.sections.work import do_this_month

__all__ = [
    "Book",
    "believed_bottles",
    "compartment_page",
    "compartment_pages",
    "do_this_month",
    "fluid_care",
    "glance",
    "headline",
    "how_made",
    "how_often",
    "left_against_right",
    "next_round",
    "open_book",
    "our_record",
    "programme",
    "since_last_month",
]
