"""What a page or a part of it says, as a reader sees it."""

import html
import re


def words_of(shown: object) -> str:
    """The text of markup, or of a section shown: no tags, one blank between words, entities as what they stand for."""
    text = shown if isinstance(shown, str) else shown.text  # type: ignore[attr-defined]
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text).replace("\u00a0", " ")))
