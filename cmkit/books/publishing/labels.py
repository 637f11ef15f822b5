"""Headings of a table's cells, for the narrow form in which a row becomes a block: written once as a style rule, not in
every cell.
"""

import re

from markupsafe import Markup

_TABLE = re.compile(r'<table class="([^"]*\b(?:text|blocks)\b[^"]*)">(.*?)</thead>', re.DOTALL)
_HEADING = re.compile(r'<th\b[^>]*scope="col"[^>]*>(.*?)</th>', re.DOTALL)
_SAID_BY_ITS_MARK = "State"  # a state's own glyph and word say what it is


def with_headings(page: str) -> str:
    """The page, its tables of class `text` or `blocks` marked with a class for each pair of place and heading, and the
    rules for these at the end of its style. A heading is written as a CSS string, so that no text of a name can end the
    string or the style.
    """
    rules: dict[tuple[int, str], str] = {}

    def mark(match: re.Match[str]) -> str:
        heads = [Markup(h).striptags() for h in _HEADING.findall(match[2])][1:]
        pairs = [(place, head) for place, head in enumerate(heads, start=2) if head and head != _SAID_BY_ITS_MARK]
        names = [rules.setdefault(pair, f"l{len(rules)}") for pair in pairs]
        return f'<table class="{" ".join([match[1], *names])}">{match[2]}</thead>'

    marked = _TABLE.sub(mark, page)
    if not rules:
        return page
    own = "".join(
        f".{name} td:nth-child({place})::before{{content:{_css_string(head + ': ')}}}"
        for (place, head), name in rules.items()
    )
    return marked.replace("</style>", f"@media (max-width: 40rem) {{{own}}}\n</style>", 1)


def _css_string(text: str) -> str:
    """Text between quotes in a style sheet: everything but letters, digits and plain marks by its number."""
    return '"' + "".join(c if c.isalnum() or c in " ,.:-()%/'°" else f"\\{ord(c):x} " for c in text) + '"'
