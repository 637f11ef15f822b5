"""The MIME types by which a notebook speaks to the exporter, and the mark that a book is whole.

A chart travels as plotly's own JSON; its caption, alternative text and optional table of numbers in `layout.meta`:
{"caption": text, "alt": text, "table": {"columns": [...], "rows": [[...], ...]}}. A fold is a pair of outputs (see
show.py).
"""

from IPython.display import display

CHART = "application/vnd.plotly.v1+json"
OPENING = "application/vnd.cmkit.opening+json"  # what the book is about, which its page says in its own head
END = "application/vnd.cmkit.end+json"


def end_of_book() -> None:
    """The mark a book must end with: a notebook that stopped half-way, by whatever means, has none and is not
    published.
    """
    display({END: {"whole": True}, "text/plain": "End of the book."}, raw=True)
