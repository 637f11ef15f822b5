"""Plain words for readers: numbers with their units, dates, states with their glyphs, names of compartments and
results.

Everything here returns plain text. Text becomes HTML only in `books.content.markup`, and figure text only through
`figure_text`.
"""

import hashlib
import html
import re
from functools import cache

import numpy as np
import pandas as pd

from cmkit.records.analytes import analyte_register

NBSP = "\u00a0"
_DEGREES = re.compile(r"\b(\d+) C\b")
GLYPHS = {"clear": "○", "alert": "◐", "alarm": "●", "not known": "?"}
STATES = ("alarm", "alert", "not known", "clear")  # in the order in which a reader wants them
RULES = {
    "wear rate limit": "wears faster than its family",
    "level limit": "level above its family's limit",
    "low level": "fluid found low",
    "condition": "usual limit of the trade",
    "maker limit": "limit set by the maker or the site",
    "family limit": "limit of its family",
}
_UNITS = {"mm2/s": "mm²/s", "degC": "°C", "uS/cm": "µS/cm", "1": "", "1/ml": "per ml"}


def number(value: float, digits: int = 3) -> str:
    """A number a reader can compare: `digits` significant figures, thousands set apart, never in exponents; `-` when
    missing.
    """
    if value is None or not np.isfinite(value):
        return "-"
    if value == 0:
        return "0"
    places = max(0, digits - 1 - int(np.floor(np.log10(abs(value)))))
    text = f"{value:,.{min(places, 6)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def quantity(value: float, unit: str, digits: int = 3) -> str:
    """Number and unit, held together by a no-break space."""
    text, name = number(value, digits), unit_name(unit)
    return text if text == "-" or not name else f"{text}{NBSP}{name}"


def hours(value: float) -> str:
    """Whole hours, such as `12,340 h`."""
    return "-" if pd.isna(value) else f"{value:,.0f}{NBSP}h"


def money(value: float, currency: str) -> str:
    """Money without false precision: two significant figures of hundreds and more, in the fleet's currency."""
    if pd.isna(value):
        return "-"
    size = 10 ** max(0, int(np.floor(np.log10(max(abs(value), 1)))) - 1)
    return f"{round(value / size) * size:,.0f}{NBSP}{currency}".rstrip(NBSP)


def chance(share: float) -> str:
    """A chance or share in per cent; never a bare 0 or 100 for something that is only nearly so."""
    if pd.isna(share):
        return "-"
    if 0 < share < 0.01:
        return f"less than 1{NBSP}%"
    if 0.995 <= share < 1:
        return f"more than 99{NBSP}%"
    return f"{100 * share:.0f}{NBSP}%"


def day(when: pd.Timestamp) -> str:
    """`30 June 2026`, or `-` when there is no date."""
    return "-" if pd.isna(when) else f"{when.day}{NBSP}{when:%B}{NBSP}{when.year}"


def short_day(when: pd.Timestamp) -> str:
    """`30 Jun 2026`, for tables."""
    return "-" if pd.isna(when) else f"{when.day}{NBSP}{when:%b}{NBSP}{when.year}"


def weekday(when: pd.Timestamp) -> str:
    """`Wed 1 Jul 2026`, for plans; `-` when there is no date."""
    return "-" if pd.isna(when) else f"{when:%a}{NBSP}{short_day(when)}"


def month_name(month: str) -> str:
    """`2026-06` as `June 2026`."""
    return f"{pd.Timestamp(month + '-01'):%B %Y}"


def count(n: int, one: str, many: str = "") -> str:
    """`no samples`, `1 sample`, `1,200 samples`."""
    word = one if n == 1 else many or f"{one}s"
    return f"no {word}" if n == 0 else f"{n:,}{NBSP}{word}"


def listed(words: list[str], most: int = 5) -> str:
    """`a, b and c`; past `most`, `a, b and 4 more`."""
    if len(words) > most:
        words = [*words[: most - 1], f"{len(words) - most + 1} more"]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def sentence(text: str) -> str:
    """First letter large, one full stop at the end."""
    text = text.strip()
    return "" if not text else text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")


def unit_name(unit: str) -> str:
    """A unit as readers write it; empty for pure numbers."""
    return _UNITS.get(unit, unit)


@cache
def _names() -> dict[str, str]:
    register = analyte_register()
    return dict(zip(register["analyte"], register["name"], strict=True))


@cache
def _own_units() -> dict[str, str]:
    register = analyte_register()
    return dict(zip(register["analyte"], register["unit"], strict=True))


def analyte_name(analyte: str) -> str:
    """`Fe_ppm` as `iron`; a fleet's own analyte keeps its own name."""
    return _DEGREES.sub(r"\1 °C", _names().get(analyte, analyte)).replace("um(c)", "µm(c)") or "fluid level"


def analyte_unit(analyte: str) -> str:
    """Unit of a result as readers write it; empty for a pure number or an analyte of the fleet's own."""
    return unit_name(_own_units().get(analyte, ""))


def with_unit(analyte: str) -> str:
    """`iron, ppm`: a result's name with its unit, for axes and headings."""
    unit = analyte_unit(analyte)
    return f"{analyte_name(analyte)}, {unit}" if unit else analyte_name(analyte)


def rule_name(rule: str) -> str:
    """What fired, in words a reader knows."""
    return RULES.get(rule, rule)


def compartment_name(kind: str, position: str | float) -> str:
    """`final drive, left`; the kind alone where there is one only."""
    place = "" if pd.isna(position) else str(position).strip()
    return f"{kind}, {place}" if place else str(kind)


def family_name(family: str) -> str:
    """A family's name without a word said twice running: `excavator medium engine engine oil` as `excavator medium
    engine oil`.
    """
    return re.sub(r"\b(\w+) \1\b", r"\1", str(family))


def anchor(text: str) -> str:
    """An address inside a page for a name: its letters and digits, and a short hash, so that no two names share one."""
    plain = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:60]
    return f"c-{plain}-{hashlib.sha256(text.encode()).hexdigest()[:6]}"


def natural_key(text: str) -> list[tuple[int, int, str]]:
    """Sort key that puts WL-9 before WL-10."""
    return [(1, int(p), "") if p.isdigit() else (0, 0, p.lower()) for p in re.split(r"(\d+)", text)]


def figure_text(text: str) -> str:
    """Text for inside a figure, where a few HTML marks would otherwise be obeyed."""
    return html.escape(text, quote=False)


def plain(text: str) -> str:
    """Machine-made words tidied for reading: plurals, dates, units, percent signs, and no powers of ten.

    `2 bottle(s)` becomes `2 bottles`, `2026-04-19` `19 Apr 2026`, `1.11e+03` `1,110`.
    """
    text = re.sub(r"\b(\d[\d,]*) ((?:\w+ )?\w+)\(s\)", lambda m: f"{m[1]} {m[2]}{'' if m[1] == '1' else 's'}", text)
    text = re.sub(r"\b\d+(?:\.\d+)?e[+-]\d+\b", lambda m: number(float(m[0])), text)
    text = re.sub(r"\b\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])\b", lambda m: short_day(pd.Timestamp(m[0])), text)
    text = re.sub(r"(\d) ?%", rf"\1{NBSP}%", text)
    text = _DEGREES.sub(rf"\1{NBSP}°C", text)
    text = re.sub(r"(\d) (h|l|mm|ppm)\b", rf"\1{NBSP}\2", text)
    return text.replace("um(c)", "µm(c)").replace("mm2/s", "mm²/s").replace("uS/cm", "µS/cm")
