"""The round sheet's sections in one place, for its notebook."""

from cmkit.books.content.book import open_book
from cmkit.books.content.sections.cards import bottle_cards, good_bottle, points_to_name, to_bring

__all__ = ["bottle_cards", "good_bottle", "open_book", "points_to_name", "to_bring"]
