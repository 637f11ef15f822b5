"""The exporter by itself: what it lets through, what it refuses, how small a page is, and what it draws with."""

import base64
import gzip
import hashlib
import html
import json
import re
from collections.abc import Callable
from pathlib import Path

import nbformat
import plotly.graph_objects as go
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output
from playwright.sync_api import Browser
from plotly.offline import get_plotlyjs_version

from cmkit.books.content.mime import CHART
from cmkit.books.publishing.export import (
    TEMPLATE,
    BookExporter,
    boot_script,
    clean_html,
    packed_charts,
    page_facts,
    plotly_library,
    taken_out,
    with_contents,
)
from cmkit.errors import BookError

PACKED_WORDS = "This part is shown once the script in this page has run."
META = {"caption": "Iron, ppm, by date.", "alt": "Iron rises."}


def shown(*data: dict, source: str = "", metadata: dict | None = None) -> nbformat.NotebookNode:
    return new_code_cell(source, outputs=[new_output("display_data", data=d, metadata=metadata or {}) for d in data])


def page_of(*cells: nbformat.NotebookNode, **book: object) -> str:
    return BookExporter().from_notebook_node(new_notebook(cells=list(cells)), resources={"book": book})[0]


def chart(**layout: object) -> dict:
    figure = go.Figure(go.Scatter(y=[1, 2]), layout={"template": "plotly_white", "meta": META, **layout})
    return {CHART: json.loads(figure.to_json())}


def test_the_drawing_library_is_the_one_plotly_py_speaks_to() -> None:
    packed, hashed = plotly_library()
    text = gzip.decompress(base64.b64decode(packed))
    assert re.search(rb"plotly\.js \(cartesian - minified\) v(\S+)", text)[1].decode() == get_plotlyjs_version()
    assert hashed == f"'sha256-{base64.b64encode(hashlib.sha256(text).digest()).decode()}'"


def test_a_page_that_carries_the_drawing_library_carries_its_licences(root: Path) -> None:
    """Each of these licences asks that its text go along with every copy; the libraries are those of the bundle's own
    module list.
    """
    licences = (TEMPLATE / "plotly-cartesian.LICENSE.txt").read_text(encoding="utf-8")
    for words in ("MIT License", "The ISC License", "zlib licence", "3-clause BSD licence", "@plotly/d3", "polybooljs"):
        assert words in licences
    page = page_of(new_markdown_cell("## One"), shown(chart()))
    assert html.escape(licences.strip()) in page
    assert "licences" not in page_of(new_markdown_cell("## One")).split("<footer>")[1]
    named = re.findall(r"^(\S+/\S+)$", (root / "LICENSE").read_text(encoding="utf-8"), re.MULTILINE)
    assert len(named) == 2
    assert [path for path in named if not (root / path).exists()] == []


def test_a_page_asks_for_nothing_and_holds_no_code() -> None:
    page = page_of(new_markdown_cell("## One"), shown(chart(), source="secret_source()"), title="T")
    assert "secret_source" not in page
    assert not re.search(r"(?:src|href)=\"https?:", page)
    assert "showSendToCloud: false" in boot_script()
    assert "displaylogo: false" in boot_script()
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)[1]
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe-eval" not in policy
    assert "'unsafe-inline'" not in policy.split("script-src")[1].split(";")[0]
    inline = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    assert [f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'" in policy for s in inline] == [
        True
    ]


def test_a_page_without_charts_carries_no_library() -> None:
    page = page_of(new_markdown_cell("## One\n\nwords"), title="T")
    assert len(page) < 50_000
    assert "script-src 'none'" in page


def test_a_page_of_sixty_charts_is_under_a_megabyte() -> None:
    points = {"data": [{"type": "scatter", "x": [f"2026-01-{d:02d}" for d in range(1, 32)], "y": list(range(31))}]}
    heavy = json.loads(go.Figure(layout={"template": "plotly_white"}).to_json())["layout"]
    figures = [{CHART: {**points, "layout": {**heavy, "meta": META, "title": {"text": str(n)}}}} for n in range(60)]
    page = page_of(shown(*figures))
    assert page_facts(page).charts == 60
    assert len(page.encode()) < 800_000


def test_a_chart_with_another_template_keeps_it() -> None:
    page = page_of(shown(chart(), chart(), chart(template="plotly_dark")))
    packed = re.search(r'id="charts-gz">([^<]*)<', page)[1]
    drawn = json.loads(gzip.decompress(base64.b64decode(packed)))
    assert ["template" in c["layout"] for c in drawn["charts"]] == [False, False, True]
    assert drawn["template"]["layout"]["paper_bgcolor"] == "white"


@pytest.mark.parametrize("missing", ["caption", "alt"])
def test_a_chart_without_words_is_an_error(missing: str) -> None:
    meta = {k: v for k, v in META.items() if k != missing} | {missing: " "}
    with pytest.raises(BookError, match=f"chart 1 of the book has no {missing}"):
        page_of(shown(chart(meta=meta)))


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        (shown({"text/html": '<img src="data:image/png;base64,AA==">'}), "1 picture(s) without alternative text"),
        (shown({"text/html": '<a href="#nowhere">x</a>'}), "link '#nowhere' leads nowhere"),
        (shown({"text/html": '<p id="a"></p><p id="a"></p>'}), "id 'a' stands 2 times"),
        (shown({"text/html": "x"}, metadata={"cmkit": {"fold": "open", "id": "a"}}), "1 fold(s) still open"),
        (shown({"text/html": "x"}, metadata={"cmkit": {"fold": "close"}}), "a fold is closed that was never opened"),
        (shown({"text/html": "x"}, metadata={"cmkit": {"fold": "open", "id": 'a"b'}}), "a fold's id is"),
    ],
)
def test_a_page_that_is_not_sound_is_refused(cell: nbformat.NotebookNode, words: str) -> None:
    with pytest.raises(BookError, match=re.escape(words)):
        page_of(cell)


def test_a_lost_chart_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cmkit.books.publishing.export.chart_markup", lambda figure, number: "")
    with pytest.raises(BookError, match="1 charts in the notebook but 0 in the page"):
        page_of(shown(chart()))


KEPT = (
    '<table class="t"><caption>c</caption><thead><tr><th '
    'scope="col">a</th></tr></thead><tbody><tr><td>1</td></tr></tbody></table>'
    '<details open=""><summary>s</summary><dl><div><dt>n</dt><dd>v</dd></div></dl></details>'
    '<span aria-hidden="true" class="glyph">○</span><img alt="code" src="data:image/png;base64,AA==">'
    '<svg viewBox="0 0 9 9" role="img"><title>t</title><path d="M0 0h9" fill="none"></path></svg>'
)


def test_what_books_use_passes_the_sanitiser_unchanged() -> None:
    assert clean_html(KEPT) == KEPT


@pytest.mark.parametrize(
    "text",
    [
        "<script>x</script>", "<style>x</style>", '<a href="javascript:x">a</a>', '<a href="data:text/html,x">a</a>',
        "<p onclick=x>a</p>",
        '<img alt="a" src="http://a.invalid/x">', '<iframe src="x"></iframe>', '<form action="x"><input></form>',
        "<svg><script>x</script></svg>",
        '<img alt="a" src="data:text/html;base64,AA==">', '<p style="background:url(http://a.invalid)">a</p>', "<base "
        "href=x>", "<meta http-equiv=refresh>",
        '<svg><use href="http://a.invalid"></use></svg>', "<math><mtext><style><img src=x "
        "onerror=x></style></mtext></math>", "<object data=x></object>",
    ],
)  # fmt: skip
def test_what_could_run_or_ask_is_taken_out(text: str) -> None:
    clean = clean_html(text)
    assert not re.search(
        r"script|<style|url\(|javascript|onclick|onerror|https?:|text/html|<(iframe|form|input|base|meta|use|object)",
        clean,
    )
    assert page_facts(clean).sources == []


def test_code_in_comments_and_titles_stays_out() -> None:
    page = page_of(
        new_markdown_cell("## A\n\n<!--<script>"),
        title="</title><script>x</script>",
        nav=[{"href": "a.html", "text": "<b>"}],
    )
    assert "<script>x" not in page
    assert "<b>" not in page
    assert "<!--" not in page


@given(st.text(max_size=40))
def test_charts_travel_packed_and_say_the_same(text: str) -> None:
    figure = {"data": [{"name": text, "y": [1.5, None]}], "layout": {"title": {"text": text}, "meta": META}}
    packed = packed_charts([figure])
    assert re.fullmatch(r"[A-Za-z0-9+/=]+", packed)  # nothing in it can end a script element
    (drawn,) = json.loads(gzip.decompress(base64.b64decode(packed)))["charts"]
    assert drawn["data"] == figure["data"]
    assert drawn["layout"] == {"title": {"text": text}}


def test_a_charts_own_table_travels_with_it() -> None:
    table = {"columns": ["day", "Fe <ppm>"], "rows": [["2026-01-01", 3.5]]}
    packed = packed_charts([{"data": [], "layout": {"meta": {**META, "table": table}}}])
    assert json.loads(gzip.decompress(base64.b64decode(packed)))["charts"][0]["table"] == table


def test_a_number_json_has_not_is_refused() -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        packed_charts([{"data": [{"y": [float("nan")]}], "layout": {}}])


FOLDS = (
    '<main id="main"><details class="fold" '
    'id="a"><summary>A</summary><div>{0}<details><summary>inner</summary>x</details></div></details>'
    '<p>between</p><details id="b"><summary>B</summary>{1}</details></main><details>after</details>'
)


@given(st.integers(0, 12_000), st.text(max_size=20))
def test_parts_taken_out_put_back_make_the_page_again(over: int, text: str) -> None:
    page = FOLDS.format("å" * 2000 + html.escape(text), "b" * 3000)
    left, parts = taken_out(page, over)
    for n, part in enumerate(parts):
        left = left.replace(f'<div class="packed" data-part="{n}">{PACKED_WORDS}</div>', part)
    assert left == page
    # the last closed part first, the first one only when that does not do
    assert len(parts) == (0 if over <= 0 else 1 if over <= 2400 else 2)


@pytest.mark.browser
def test_a_page_too_large_travels_with_its_closed_parts_packed(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, look_at: Callable, chromium: Browser
) -> None:
    fold = {"cmkit": {"fold": "open", "id": "one"}}
    long = "<p>" + "words inside " * 200 + '</p><p id="deep">deep</p>'
    cells = [
        new_markdown_cell("## One"),
        shown({"text/html": '<a href="#deep">down</a>'}),
        shown(chart()),
        shown({"text/html": "closed line"}, metadata=fold),
        shown({"text/html": long}),
        shown(chart()),
        shown({"text/html": ""}, metadata={"cmkit": {"fold": "close"}}),
    ]
    whole = page_of(*cells)
    monkeypatch.setattr("cmkit.books.publishing.export.PAGE_BYTES", len(whole.encode()) - 100)
    packed = page_of(*cells)
    assert len(packed.encode()) < len(whole.encode()) - 100
    assert "words inside" not in packed
    assert "closed line" in packed
    path = tmp_path / "page.html"
    path.write_text(packed, encoding="utf-8")
    report = look_at(path)
    assert (report.faults, report.figures) == ([], 2)
    page = chromium.new_page()
    page.goto(path.as_uri() + "#deep")
    page.wait_for_selector("#deep", state="visible")  # a link into a packed part opens it
    assert page.locator("details.fold").inner_text().count("words inside") == 200
    page.close()


def test_headings_get_ids_of_their_own_and_make_the_contents() -> None:
    found = with_contents('<h2>Do this</h2><h3 id="x">X &amp; y</h3><h2>Do this</h2><p id="last"></p><h2>Last</h2>')
    assert [(c["level"], c["id"], str(c["text"])) for c in found["contents"]] == [
        (2, "do-this", "Do this"),
        (3, "x", "X &amp; y"),
        (2, "do-this-2", "Do this"),
        (2, "last-2", "Last"),
    ]
    assert max(page_facts(found["html"]).ids.values()) == 1


def test_a_notebooks_own_title_is_the_pages_and_a_widget_is_said_in_words() -> None:
    widget = {"application/vnd.jupyter.widget-view+json": {"model_id": "x"}, "text/plain": "VBox(children=())"}
    page = page_of(new_markdown_cell("# How <often>?\n\nWords."), shown(widget))
    assert '<h1 id="top">How &lt;often&gt;?</h1>' in page
    assert page.count("often&gt;?") == 2  # the window's title and the heading
    assert "VBox" not in page
    assert "open it in JupyterLab" in page
    assert '<h1 id="top">Given</h1>' in page_of(new_markdown_cell("# Own\nWords."), title="Given")


def test_the_export_does_not_change_the_notebook() -> None:
    nb = new_notebook(cells=[shown(chart(), {"text/html": "x"})])
    before = nbformat.writes(nb)
    BookExporter().from_notebook_node(nb)
    assert nbformat.writes(nb) == before
