"""Pages without a notebook behind them, in a real browser: the digest, the page of a book that failed, the list of
months. Nothing is asked of a network, nothing runs out of the window, axe-core finds nothing, and acts come first.
"""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from cmkit.assessment import Assessment
from cmkit.books.publishing.digest import write_digest
from cmkit.books.publishing.month import publish_index
from cmkit.books.running.run import BookJob, error_page
from tests.books.conftest import HOSTILE


@pytest.fixture
def pages(tmp_path: Path, made: Callable[..., Assessment]) -> dict[str, Path]:
    """One page of each kind, of a fleet whose names are hostile."""
    whole, month = made(HOSTILE), tmp_path / "2026-06"
    write_digest(whole, "2026-06", month, dict.fromkeys(whole.sites["site"], "sites/a/book.html"))
    job = BookJob("a/book", "site_book.ipynb", {}, str(month), page={"title": f"{HOSTILE}, June 2026"})
    error = ValueError(f"{HOSTILE} {'a' * 300}\n" * 60)
    (month / "error.html").write_text(error_page(job, str(error)[:200], error, "book.half-run.ipynb"))
    books = {"a/book": {"title": HOSTILE, "made": False}, "b/book": {"title": "b", "made": True}}
    record = {"fleet": HOSTILE, "as_of": "2026-06-30", "states": {"alarm": 3}, "books": books}
    (month / "run.json").write_text(json.dumps(record))
    publish_index(tmp_path)
    return {"digest": month / "digest.html", "error": month / "error.html", "top": tmp_path / "index.html"}


@pytest.mark.browser
def test_pages_without_a_notebook_are_sound_on_a_phone_and_a_desk(pages: dict[str, Path], look_at: Callable) -> None:
    for name, path in pages.items():
        for width in (360, 1280):
            assert look_at(path, width).faults == [], (name, width)
        assert HOSTILE not in path.read_text(encoding="utf-8")


def test_a_digest_says_what_to_do_before_why_and_why_of_what_is_new(pages: dict[str, Path]) -> None:
    text = pages["digest"].read_text(encoding="utf-8")
    assert text.index("What to do</th>") < text.index("Why</th>")
    found = json.loads(pages["digest"].with_name("digest.json").read_text(encoding="utf-8"))
    lines = [line for site in found["sites"] for line in (*site["alarms"], *site["new"])]
    assert lines
    assert not [line for line in lines if line["words"].startswith("bottle of")]
