"""Whole books from the real notebooks, opened in a real browser: nothing asked of a network, every figure drawn,
readable on a phone and on paper.
"""

import functools
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import nbformat
import numpy as np
import pandas as pd
import pytest
from playwright.sync_api import Browser
from pypdf import PdfReader

from cmkit.assessment import Assessment, table_names
from cmkit.books.publishing.export import page_facts
from cmkit.books.running.run import run_book
from tests.books.conftest import HOSTILE
from tests.lengths import some_or_all

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
            )
            assert result.made, result.error
            done[name, hostile] = folder / f"{name}.html"
        return done[name, hostile]

    return make


@pytest.mark.browser
@pytest.mark.parametrize("name", ["site_book", "fleet_book"])
@some_or_all("width", [360, 1280])
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


@pytest.mark.browser
def test_the_acts_stand_above_the_fold_and_within_two_screens_of_a_phone(
    books: Callable[..., Path], chromium: Browser
) -> None:
    """Every order of the invented site: at 1280 x 720 on the first screen, at 360 x 740 within two."""
    for width, height, screens in ((1280, 720, 1), (360, 740, 2)):
        page = chromium.new_page(viewport={"width": width, "height": height})
        page.goto(books("site_book").as_uri())
        page.wait_for_timeout(300)
        bottoms = page.evaluate(
            "[...document.querySelectorAll('.acts li')].map((li) => li.getBoundingClientRect().bottom)"
        )
        page.close()
        assert len(bottoms) == 4
        assert max(bottoms) < screens * height


@pytest.mark.browser
def test_the_contents_stay_in_sight_and_are_a_menu_on_a_phone(
    books: Callable[..., Path], chromium: Browser, page_until: Callable
) -> None:
    for width, is_menu in ((1280, False), (360, True)):
        page = chromium.new_page(viewport={"width": width, "height": 740})
        page.goto(books("site_book").as_uri())
        page_until(page, "document.documentElement.dataset.charts === 'ready'")
        page.evaluate("window.scrollTo(0, 3000)")
        top = page.evaluate("document.querySelector('nav.contents').getBoundingClientRect().top")
        opened = page.evaluate("document.querySelector('nav.contents details').open")
        page.close()
        assert abs(top) < 1
        assert opened is not is_menu


def bad_site(whole: Assessment, site: str, raised: int, of: int) -> Assessment:
    """A site of `of` compartments, `raised` of them in alarm or alert: its own again and again under other machines'
    names, results a little different each time (invented)."""
    own = whole.for_site(site)
    states = own.verdicts.set_index("compartment")["state"].isin(["alarm", "alert"])
    up, calm = states.index[states], states.index[~states]
    parts = []
    while raised or of:
        took_up, took_calm = up[:raised], calm[: min(of - raised, len(up) if raised else len(calm))]
        raised, of = raised - len(took_up), of - len(took_up) - len(took_calm)
        parts.append(copied(own, {*took_up, *took_calm}, f"-{len(parts)}"))
    keep = {"sites", "set_aside", "repairs", "counts", "corrections", "limits", "numbers"}
    joined = {n: pd.concat([p[n] for p in parts], ignore_index=True) for n in table_names() if n not in keep}
    return replace(own, **joined)


def copied(own: Assessment, take: set[str], suffix: str) -> dict[str, pd.DataFrame]:
    """Tables of the compartments `take` under new names, their results up to a tenth larger."""
    rng = np.random.default_rng(int(suffix[1:]))
    machines = set(own.compartments.loc[own.compartments["compartment"].isin(take), "machine"])
    out = {}
    for name in table_names():
        frame = getattr(own, name)
        for key, kept in (("compartment", take), ("machine", machines)):
            frame = (
                frame[frame[key].isin(kept)]
                if key in frame and not (key == "machine" and "compartment" in frame)
                else frame
            )
        new = {c: frame[c] + suffix for c in ("machine", "sample", "bottle", "finding") if c in frame}
        if "compartment" in frame:
            new["compartment"] = frame["compartment"].str.replace("/", f"{suffix}/", n=1)
        results = ["value", "expected", "expected_sd", "rate", "level", *(c for c in frame if str(c).endswith("_ppm"))]
        new |= {
            c: frame[c] * rng.uniform(1, 1.1, len(frame))
            for c in results
            if c in frame and name in ("samples", "history", "evidence")
        }
        out[name] = frame.assign(**new)
    return out


@pytest.mark.slow
def test_a_bad_month_of_a_large_site_is_one_page_of_a_megabyte_too(
    root: Path, demo: Assessment, tmp_path: Path
) -> None:
    """Invented: 70 of 112 compartments in alarm or alert."""
    bad = bad_site(demo, "ridge", raised=70, of=112)
    assert (len(bad.verdicts), bad.verdicts["state"].isin(["alarm", "alert"]).sum()) == (112, 70)
    bad.save(tmp_path / "data")
    parameters = {"assessment": "data", "site": "ridge", "month": "2026-06"}
    result = run_book(root / "notebooks" / "site_book.ipynb", parameters, tmp_path)
    assert result.made, result.error
    page = (tmp_path / "book.html").read_text(encoding="utf-8")
    assert len(page.encode()) < MEGABYTE
    assert len(re.findall(r'<details class="fold[^"]*" id="c-', page)) == 70 + int(
        (bad.orders["group"] == "repeat bottle").sum()
    )


def test_headings_are_those_of_the_book_in_order(books: Callable[..., Path]) -> None:
    text = books("site_book").read_text(encoding="utf-8")
    assert text.count("<h1") == 1
    assert re.findall(r"<h2[^>]*>([^<]+)</h2>", text) == [
        "Headline", "Do this month", "Since last month", "The site at a glance", "Compartments that need a look",
        "Left against right",
        "Can the bottles be believed?",
        "Next round", "How often to sample", "The fluids", "Our record", "The programme", "How this was made",
    ]  # fmt: skip


@pytest.fixture(scope="module")
def sheets(
    books: Callable[..., Path], print_page: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str], list[str]]:
    """`sheets(paper)`: the text of each printed sheet of the site's book; printed once a paper."""

    @functools.cache
    def printed(paper: str) -> list[str]:
        target = print_page(books("site_book"), tmp_path_factory.mktemp("printed") / "book.pdf", paper)
        return [page.extract_text() for page in PdfReader(target).pages]

    return printed


@pytest.mark.browser
def test_the_first_printed_page_says_what_to_do(sheets: Callable[[str], list[str]]) -> None:
    first = sheets("A4")[0]
    assert "need action" in first
    assert "Stop and check before running on" in first
    assert "Find where the \ufb02uid went" in first.replace("fluid", "\ufb02uid")  # the font's ligature
    assert "that coolant is getting in" in first


@pytest.mark.browser
@some_or_all("paper", ["A4", "Letter"])
def test_the_pages_of_alarms_print_on_two_sheets_each_at_most(paper: str, sheets: Callable[[str], list[str]]) -> None:
    """Invented: three alarms at this site; their pages print without being opened, figures too, and each begins a
    sheet.
    """
    texts = sheets(paper)
    starts = [n for n, text in enumerate(texts) if "How sure" in text]
    after = next(n for n, text in enumerate(texts) if "Can the bottles be believed?" in text)
    assert len(starts) == 3
    assert all("The newest report" in texts[n] for n in starts)
    ends = [*starts[1:], after if texts[after].lstrip().startswith("Can the bottles be believed?") else after + 1]
    assert all(end - start <= 2 for start, end in zip(starts, ends, strict=True))
    assert sum("by machine hours" in text for text in texts) == 3


@pytest.mark.parametrize("name", ["site_book", "fleet_book", "round_sheet"])
def test_notebooks_are_thin(name: str, root: Path) -> None:
    """After the parameters and the imports each code cell calls one named function of the book."""
    cells = [c for c in nbformat.read(root / "notebooks" / f"{name}.ipynb", 4).cells if c.cell_type == "code"]
    assert cells[0].metadata["tags"] == ["parameters"]
    assert all(re.fullmatch(r"(# NBVAL_CHECK_OUTPUT\n)?\w+\((book)?\)", c.source) for c in cells[2:])
    assert cells[-1].source == "end_of_book()"
