"""Tables on a page: long ones fold and lose no row, narrow ones name every cell, and one machine's rows can be had
alone.
"""

import re
from collections.abc import Callable
from pathlib import Path

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output
from playwright.sync_api import Browser, Page

from cmkit.assessment import Assessment
from cmkit.books.content.book import Book, open_book
from cmkit.books.content.markup import AT_ONCE, Column, Html, grouped_table, long_table, table
from cmkit.books.content.mime import CHART
from cmkit.books.content.sections.round import next_round
from cmkit.books.publishing.export import BookExporter
from cmkit.books.publishing.labels import with_headings

HEADS = ["Compartment", Column("Due at meter", True), "Why"]
HOSTILE = '</style><script>window.PWN=1</script>"} * {display:none} \\'
NARROW = "(cell) => getComputedStyle(cell, '::before').content"


def rows(n: int) -> list[list[object]]:
    return [[f"M-{i}", f"{i}", "routine"] for i in range(n)]


@pytest.mark.parametrize(("n", "folds"), [(1, 0), (AT_ONCE, 0), (AT_ONCE + 1, 0), (AT_ONCE + 4, 1), (40, 1)])
def test_a_long_table_folds_after_the_first_dozen_and_keeps_every_row(n: int, folds: int) -> None:
    text = str(long_table(HEADS, rows(n), "Bottles", "text"))
    assert text.count('<details class="printed">') == folds
    assert re.findall(r'<th scope="row">(M-\d+)</th>', text) == [f"M-{i}" for i in range(n)]
    if folds:
        shown, rest = text.split("<details")
        assert shown.count('scope="row"') == AT_ONCE
        assert f"{n - AT_ONCE} more rows" in rest


def test_the_machine_of_each_row_stays_with_it_across_the_fold() -> None:
    machines = [f"M-{i % 3}" for i in range(30)]
    text = str(long_table(HEADS, rows(30), "Bottles", "text", machines=machines))
    assert re.findall(r'<tr data-machine="([^"]*)"', text) == machines


def test_a_round_plan_folds_between_days_or_machines_and_keeps_every_bottle(made: Callable[..., Assessment]) -> None:
    book = open_book(made(), "north pit")
    text = next_round(book).text
    now = book.tables.cards[~book.tables.cards["later"] & (book.tables.cards["method"] != "none")]
    plan = text[text.index("Day by day") :]
    assert plan.count('scope="row"') == len(now)
    first = plan[: plan.index("<details")]
    assert AT_ONCE <= first.count('scope="row"') < len(now)
    assert set(re.findall(r'data-machine="([^"]*)"', plan)) == set(now["machine"])


def page_of(*shown: Html, charts: bool = True) -> str:
    outputs = [new_output("display_data", data={"text/html": str(item)}) for item in shown]
    meta = {"caption": "Iron, ppm.", "alt": "Iron."}
    if charts:
        figure = {"data": [{"type": "scatter", "x": [1, 2], "y": [1, 2]}], "layout": {"meta": meta, "height": 300}}
        outputs.append(new_output("display_data", data={CHART: figure}))
    cells = [new_markdown_cell("## Next round"), new_code_cell("", outputs=outputs)]
    resources = {"book": {"title": "A book", "nav": []}}
    return BookExporter().from_notebook_node(new_notebook(cells=cells), resources=resources)[0]


def opened(browser: Browser, path: Path, width: int) -> Page:
    page = browser.new_context(offline=True, viewport={"width": width, "height": 900}).new_page()
    page.goto(path.as_uri())
    if page.locator("figure.chart").count():
        page.wait_for_selector("html[data-charts='ready']", state="attached")
    return page


def test_a_heading_is_one_rule_however_many_cells_it_has() -> None:
    """What a cell is called on a phone costs a page one line, not one a row."""
    few, many = (with_headings(f"<style></style>{table(HEADS, rows(n), 'x', 'text')}") for n in (1, 200))
    rules = [re.findall(r"\.l\d+ td:nth-child\(\d\)", text) for text in (few, many)]
    assert rules[0] == rules[1]
    assert len(rules[0]) == 2
    assert "data-label" not in many


def test_two_tables_share_the_rules_of_headings_in_the_same_place() -> None:
    other = table(["Bottle", Column("Due at meter", True), "By"], rows(2), "y", "blocks")
    text = with_headings(f"<style></style>{table(HEADS, rows(2), 'x', 'text')}{other}")
    assert len(re.findall(r"td:nth-child", text)) == 3


def test_a_plain_table_and_a_page_without_tables_are_left_alone() -> None:
    for text in ("<style></style><p>x</p>", f"<style></style>{table(HEADS, rows(2), 'x')}"):
        assert with_headings(text) == text


@pytest.mark.browser
def test_on_a_phone_each_cell_says_its_heading_whatever_its_text(tmp_path: Path, chromium: Browser) -> None:
    path = tmp_path / "page.html"
    heads = ["Compartment", HOSTILE, "State", "Why, %"]
    path.write_text(
        page_of(table(heads, [["M-1", "2", "clear", "routine"]], "x", "text"), charts=False), encoding="utf-8"
    )
    page = opened(chromium, path, 360)
    said = page.locator("td").evaluate_all(f"(cells) => cells.map({NARROW})")
    assert said[0].replace('\\"', '"').replace("\\\\", "\\") == f'"{HOSTILE}: "'
    assert said[1] == "none"  # a state says by its own mark what it is
    assert said[2] == '"Why, %: "'
    assert page.evaluate("window.PWN") is None
    assert page.locator("td").first.is_visible()
    page.context.close()


@pytest.fixture
def filtered(tmp_path: Path) -> Path:
    """A page of three machines: a table with a folded rest, and groups."""
    machines = [f"M-{1 + i % 2}" for i in range(30)]
    groups = grouped_table(
        HEADS, [("Mon: M-1", rows(1)), ("Mon: M-10", rows(2))], "y", "blocks", machines=["M-1", "M-10"]
    )
    path = tmp_path / "page.html"
    path.write_text(page_of(long_table(HEADS, rows(30), "x", "text", machines=machines), groups), encoding="utf-8")
    return path


@pytest.mark.browser
@pytest.mark.parametrize("width", [360, 1280])
def test_one_machine_can_be_shown_alone_and_all_come_back(filtered: Path, chromium: Browser, width: int) -> None:
    page = opened(chromium, filtered, width)
    choice = page.get_by_label("Machine")
    assert choice.locator("option").all_inner_texts() == ["all", "M-1", "M-2", "M-10"]
    choice.select_option("M-1")
    assert page.locator("[data-machine]:visible").evaluate_all(
        "(x) => [...new Set(x.map((i) => i.dataset.machine))]"
    ) == ["M-1"]
    assert page.locator("tr[data-machine]:visible").count() == 15  # the fold with more of them is opened
    assert "Only M-1 is shown, 16 of 32 entries." in page.get_by_role("status").inner_text()
    choice.select_option("M-10")
    assert page.locator("table.text:visible").count() == 0  # nothing of it there: no empty table
    choice.select_option("")
    page.locator("details.printed summary").click()
    assert page.locator("[data-machine]:visible").count() == 32
    assert not page.get_by_role("status").is_visible()
    page.context.close()


@pytest.mark.browser
def test_a_section_without_the_machine_says_so(filtered: Path, chromium: Browser) -> None:
    page = opened(chromium, filtered, 1280)
    page.get_by_label("Machine").select_option("M-10")
    assert page.locator("h2.none").count() == 0
    page.evaluate("document.querySelector('tbody[data-machine=\"M-10\"]').remove()")
    page.get_by_label("Machine").select_option("M-2")
    page.get_by_label("Machine").select_option("M-10")
    assert page.locator("h2.none").all_inner_texts() == ["Next round"]
    page.context.close()


def test_every_part_of_a_site_book_about_a_machine_says_so(made: Callable[..., Assessment]) -> None:
    book: Book = open_book(made(), "north pit")
    assert {book.machine_of(c) for c in book.places.index} == set(book.places["machine"])
    assert open_book(made(), fleet=True).machine_of("WL-1/engine") == ""


def test_the_notebook_format_takes_the_machine_of_a_fold() -> None:
    """The mark travels in the notebook's metadata, and is escaped on the page."""
    about = {"fold": "open", "id": "c-1", "machine": 'M"1'}
    fold = [
        new_output("display_data", data={"text/html": "x"}, metadata={"cmkit": about}),
        new_output("display_data", data={"text/html": ""}, metadata={"cmkit": {"fold": "close"}}),
    ]
    nb = nbformat.v4.new_notebook(cells=[new_code_cell("", outputs=fold)])
    page, _ = BookExporter().from_notebook_node(nb, resources={"book": {"title": "x", "nav": []}})
    assert 'data-machine="M&quot;1"' in page
