"""Days as people write them on a field sheet, short years and both orders of day and month included."""

import calendar
import re

import numpy as np
import pandas as pd

from cmkit.records.reading.clean import parse_dates

_SHORT_YEAR = re.compile(r"(\d{1,2})[./-](\d{1,2})[./-](\d{2})")


def day_orders(texts: list[str]) -> tuple[tuple[int, int], ...]:
    """(place of the day, place of the month) that all dates with a short year of a sheet can have; both where they
    leave it open, or differ.
    """
    dates = [[int(n) for n in short.groups()] for t in texts if (short := _SHORT_YEAR.fullmatch(t.strip()))]
    both = ((0, 1), (1, 0))
    return tuple(o for o in both if all(n[o[1]] <= 12 for n in dates)) or both


def read_day(text: str, today: pd.Timestamp, orders: tuple[tuple[int, int], ...]) -> tuple[pd.Timestamp, str]:
    """(day, why there is none). A year of two figures is this century's; where both `orders` are open, the day is the
    newest before `today`.
    """
    if short := _SHORT_YEAR.fullmatch(text.strip()):
        *parts, year = (int(n) for n in short.groups())
        pairs = [(parts[d], parts[m]) for d, m in orders]
        both = {pd.Timestamp(2000 + year, m, d) for d, m in pairs if 1 <= m <= 12 and 1 <= d <= _last(2000 + year, m)}
        past = [day for day in both if day <= today] or list(both)
        if past:
            return min(past, key=lambda day: abs(today - day)), ""
    found = parse_dates(np.array([text], dtype=object))
    why = f"{str(found.problem[0]).partition(';')[0]} ('{text}')" if text else "no date"
    return pd.Timestamp(found.value[0]), why


def _last(year: int, month: int) -> int:
    return calendar.monthrange(year, month)[1]
