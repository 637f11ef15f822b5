"""Pages opened in a real browser with the network cut: nothing asked for, nothing complained of, everything drawn,
nothing executed.
"""

from collections.abc import Callable
from pathlib import Path

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output
from playwright.sync_api import Browser, Page

from cmkit.books.content.mime import CHART
from cmkit.books.publishing.export import BookExporter

pytestmark = pytest.mark.browser

HOSTILE = [
    "<script>window.PWN=1</script>",
    "</script><script>window.PWN=1</script>",
    "<!--<script>",
    '<img alt=x src=x onerror="window.PWN=1">',
    '"><svg onload="window.PWN=1">',
    "javascript:window.PWN=1",
    "{{ 7*7 }}{% raw %}",
    '=HYPERLINK("http://example.invalid")',
    "../../x",
    "\u2028\u2029",
]


def chart(name: str, **layout: object) -> nbformat.NotebookNode:
    data = [{"type": "scatter", "x": ["2026-01-01", "2026-02-01"], "y": [1, 2], "name": name, "text": [name, name]}]
    meta = {"caption": f"Caption {name}", "alt": f"Words {name}"}
    return new_output(
        "display_data",
        data={CHART: {"data": data, "layout": {"title": {"text": name}, "meta": meta, "height": 300, **layout}}},
    )


def page_of(outputs: list[nbformat.NotebookNode], path: Path, title: str = "A book") -> Path:
    cells = [new_markdown_cell("## Headline"), new_code_cell("", outputs=outputs)]
    page, _ = BookExporter().from_notebook_node(
        new_notebook(cells=cells), resources={"book": {"title": title, "nav": []}}
    )
    path.write_text(page, encoding="utf-8")
    return path


def fold(inner: list[nbformat.NotebookNode], title: str = "Machine 1") -> list[nbformat.NotebookNode]:
    def mark(about: dict[str, str], text: str) -> nbformat.NotebookNode:
        return new_output("display_data", data={"text/html": text}, metadata={"cmkit": about})

    return [mark({"fold": "open"}, f"<h3>{title}</h3>"), *inner, mark({"fold": "close"}, "")]


def opened(browser: Browser, path: Path) -> tuple[Page, list[str]]:
    """A page whose charts are drawn, and everything it asked for."""
    page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
    asked: list[str] = []
    page.on("request", lambda r: asked.append(r.url))
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-charts='ready']", state="attached")
    return page, asked


def open_folds(page: Page) -> None:
    """Open every fold and wait for the charts inside."""
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    page.wait_for_selector("figure.chart:not(:has(.main-svg))", state="detached")


@pytest.mark.parametrize("width", [360, 1280])
def test_charts_are_drawn_and_nothing_is_asked_for(tmp_path: Path, look_at: Callable, width: int) -> None:
    report = look_at(page_of([chart("open"), *fold([chart("folded")])], tmp_path / "page.html"), width)
    assert report.faults == []
    assert (report.figures, report.drawn) == (2, 2)


def test_the_guard_sees_a_request_an_error_and_a_wide_page(tmp_path: Path, look_at: Callable) -> None:
    bad = tmp_path / "bad.html"
    bad.write_text(
        '<p style="width:5000px">x</p><img src="http://example.invalid/x.png"><script>undefined_name()</script>'
    )
    faults = " ".join(look_at(bad).faults)
    assert "asks for http://example.invalid" in faults
    assert "undefined_name" in faults
    assert "px wider" in faults
    assert "image-alt" in faults


def test_hostile_text_runs_nowhere(tmp_path: Path, chromium: Browser) -> None:
    outputs = []
    for text in HOSTILE:
        table = f"<table><tr><td>{text}</td></tr></table><p title='{text}'>{text}</p>"
        outputs += [chart(text), new_output("display_data", data={"text/html": table}), *fold([chart(text)], text)]
        outputs += [new_output("display_data", data={"text/markdown": f"A note: {text} and [here]({text})"})]
        outputs += [new_output("stream", name="stdout", text=text)]
    page, asked = opened(chromium, page_of(outputs, tmp_path / "page.html", title="".join(HOSTILE)))
    open_folds(page)
    assert page.evaluate("window.PWN") is None
    assert page.locator("figure.chart .main-svg:first-child").count() == 2 * len(HOSTILE)
    assert [url for url in asked if not url.startswith(("file:", "data:", "blob:"))] == []
    page.context.close()


def test_the_policy_stops_a_script_that_gets_through(tmp_path: Path, chromium: Browser) -> None:
    path = page_of([chart("x")], tmp_path / "page.html")
    through = "<script>window.PWN=1</script><img alt='' src='http://example.invalid/a' onerror='window.PWN=1'></main>"
    path.write_text(path.read_text(encoding="utf-8").replace("</main>", through), encoding="utf-8")
    page = chromium.new_page()
    stopped: dict[str, str | None] = {}
    page.on("requestfailed", lambda r: stopped.update({r.url: r.failure}))
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-charts='ready']", state="attached")
    assert page.evaluate("window.PWN") is None
    assert stopped == {"http://example.invalid/a": "csp"}
    page.close()


def test_no_button_offers_to_send_a_chart_anywhere(tmp_path: Path, chromium: Browser) -> None:
    page, _ = opened(chromium, page_of([chart("x")], tmp_path / "page.html"))
    given = page.evaluate("document.querySelector('.js-plotly-plot')._context")
    assert (given["showSendToCloud"], given["displaylogo"]) == (False, False)
    page.hover(".js-plotly-plot")
    assert page.locator("[data-title*='hare'], [data-title*='loud'], .plotlyjsicon").count() == 0
    page.context.close()


def test_numbers_behind_a_chart_are_written_out_when_asked(tmp_path: Path, chromium: Browser) -> None:
    page, _ = opened(chromium, page_of([chart("iron")], tmp_path / "page.html"))
    page.get_by_text("Numbers in this figure").click()
    page.wait_for_selector("details.numbers td")
    rows = page.locator("details.numbers tr").all_inner_texts()
    assert [row.split("\t")[:3] for row in rows[1:]] == [["iron", "2026-01-01", "1"], ["iron", "2026-02-01", "2"]]
    page.context.close()


def test_a_link_into_a_fold_opens_it(tmp_path: Path, chromium: Browser) -> None:
    inside = new_output("display_data", data={"text/html": '<p id="deep">deep</p>'})
    link = new_output("display_data", data={"text/html": '<a href="#deep">go</a>'})
    page, _ = opened(chromium, page_of([link, *fold([inside, chart("x")])], tmp_path / "page.html"))
    assert not page.locator("#deep").is_visible()
    page.get_by_text("go", exact=True).click()
    page.wait_for_selector("#deep", state="visible")
    page.wait_for_selector("details.fold .main-svg")
    page.context.close()


def test_a_printed_chart_fits_the_paper(tmp_path: Path, chromium: Browser) -> None:
    page, _ = opened(chromium, page_of([chart("x")], tmp_path / "page.html"))
    width = "document.querySelector('.main-svg').getBoundingClientRect().width"
    assert page.evaluate(width) > 700
    page.evaluate(f"window.addEventListener('beforeprint', () => {{ window.atPrint = {width}; }})")
    page.pdf(path=str(tmp_path / "page.pdf"), format="A4")
    assert page.evaluate("window.atPrint") <= 680  # A4 is 794 CSS px wide; margins of 15 mm leave 680
    page.context.close()
