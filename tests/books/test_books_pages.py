"""Whole books from the real notebooks, opened in a real browser: nothing asked of a network, every figure drawn, readable on a phone and on paper."""

import re
from collections.abc import Callable
from pathlib import Path

import nbformat
import pytest
from pypdf import PdfReader

from cmkit.assessment import Assessment
from cmkit.books.export import page_facts
from cmkit.books.run import run_book

HOSTILE = '<script>window.PWN=1</script>"><img src=x onerror="window.PWN=1">'
MEGABYTE = 1_000_000


@pytest.fixture(scope="module")
def books(
    made: Callable[..., Assessment], root: Path, tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str, str], Path]:
    """Path of a made book: `books("site_book", hostile)`; each is made once."""
    done: dict[tuple[str, str], Path] = {}

    def make(name: str, hostile: str = "") -> Path:
        if (name, hostile) not in done:
            folder = tmp_path_factory.mktemp("book")
            made(hostile).save(folder / "data")
            parameters = {"assessment": "data", "month": "2026-06"} | (
                {"site": "north pit"} if name == "site_book" else {}
            )
            result = run_book(
                root / "notebooks" / f"{name}.ipynb",
                parameters,
                folder,
                name=name,
                page={"title": name, "as_of": "2026-06-30"},
                warm=False,
            )
            assert result.made, result.error
            done[name, hostile] = folder / f"{name}.html"
        return done[name, hostile]

    return make


@pytest.mark.browser
@pytest.mark.parametrize("name", ["site_book", "fleet_book"])
@pytest.mark.parametrize("width", [360, 1280])
def test_a_book_opens_whole_without_a_network(
    name: str, width: int, books: Callable[..., Path], look_at: Callable
) -> None:
    report = look_at(books(name), width)
    assert report.faults == []
    assert report.figures >= 1


@pytest.mark.browser
def test_hostile_names_do_nothing_in_a_book(books: Callable[..., Path], look_at: Callable) -> None:
    report = look_at(books("site_book", HOSTILE))
    assert report.faults == []
    text = books("site_book", HOSTILE).read_text(encoding="utf-8")
    assert "<script>window" not in text
    assert "<img" not in text


def test_a_book_is_small_and_all_its_links_lead_somewhere(books: Callable[..., Path]) -> None:
    path = books("site_book")
    text = path.read_text(encoding="utf-8")
    assert len(text.encode()) < MEGABYTE
    facts = page_facts(text)
    assert [k for k in facts.links if k.startswith("#") and k[1:] not in facts.ids] == []
    assert [k for k in facts.links if not k.startswith("#")] == []


def test_headings_are_those_of_the_book_in_order(books: Callable[..., Path]) -> None:
    text = books("site_book").read_text(encoding="utf-8")
    assert text.count("<h1") == 1
    assert re.findall(r"<h2[^>]*>([^<]+)</h2>", text) == [
        "Headline", "Do this month", "Since last month", "The site at a glance", "Compartments that need a look", "Can the bottles be believed?",
        "Next round", "How often to sample", "Our record", "How this was made",
    ]  # fmt: skip


@pytest.mark.browser
def test_the_first_printed_page_says_what_to_do(
    books: Callable[..., Path], print_a4: Callable[[Path, Path], Path], tmp_path: Path
) -> None:
    first = PdfReader(print_a4(books("site_book"), tmp_path / "book.pdf")).pages[0].extract_text()
    assert "need action" in first
    assert "Do this month" in first
    assert "Look inside before the next sample falls due" in first


@pytest.mark.parametrize("name", ["site_book", "fleet_book", "round_sheet"])
def test_notebooks_are_thin(name: str, root: Path) -> None:
    """After the parameters and the imports each code cell calls one named function of the book."""
    cells = [c for c in nbformat.read(root / "notebooks" / f"{name}.ipynb", 4).cells if c.cell_type == "code"]
    assert cells[0].metadata["tags"] == ["parameters"]
    assert all(re.fullmatch(r"(# NBVAL_CHECK_OUTPUT\n)?\w+\((book)?\)", c.source) for c in cells[2:])
    assert cells[-1].source == "end_of_book()"
