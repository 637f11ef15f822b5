"""The figures of one compartment, each from the assessment's tables with its limits, its fresh fluid and what is ahead:
what its page shows, and what an analyst draws anew.
"""

import pandas as pd
import plotly.graph_objects as go

from cmkit.books.content.book import Book
from cmkit.books.content.compartment_data import coming, family_limits_of, fresh_of_drawn, newest_rates
from cmkit.books.content.figures.results import results_over_fluid, results_over_hours
from cmkit.books.content.figures.wear_rate import rate_over_time


def by_hours(book: Book, compartment: str, points: pd.DataFrame) -> go.Figure:
    """Results by machine hours, and what the next bottle may hold of what is wrong; points: of `result_points`."""
    limits, fresh = family_limits_of(book, compartment, "level"), fresh_of_drawn(book, compartment, points["analyte"])
    ahead = coming(book, compartment, points)
    return results_over_hours(points, limits, book.place_name(compartment), fresh, ahead)


def by_fluid(book: Book, compartment: str, points: pd.DataFrame) -> go.Figure:
    """The same results by hours on the fluid."""
    limits, fresh = family_limits_of(book, compartment, "level"), fresh_of_drawn(book, compartment, points["analyte"])
    return results_over_fluid(points, limits, book.place_name(compartment), fresh)


def by_rate(book: Book, compartment: str, history: pd.DataFrame, points: pd.DataFrame) -> go.Figure:
    """Wear rate over time (history: rows with hours), and of what is wrong the rate by the last two bottles alone."""
    limits, newest = family_limits_of(book, compartment, "rate"), newest_rates(book, compartment, points)
    return rate_over_time(history, limits, book.place_name(compartment), newest)
