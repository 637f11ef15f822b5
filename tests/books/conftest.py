"""A small invented assessment and two notebooks of its own, so that the machinery of books is tested apart from what
books say.
"""

import functools
import importlib.util
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import nbformat
import pandas as pd
import pytest
from axe_playwright_python.sync_playwright import Axe
from nbformat import NotebookNode
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook
from playwright.sync_api import Browser, Page, sync_playwright

from cmkit.assessment import Assessment, table_names
from cmkit.books.content.book import Book, open_book
from cmkit.tables.frames import empty

# one text for all tests, so that the invented fleet is assessed once with it
HOSTILE = '<script>window.PWN=1</script>"><img src=x onerror="window.PWN=1">{{7*7}}=1+1../../x'

SETUP = """\
import pandas as pd
import plotly.graph_objects as go
from IPython.display import HTML
from html import escape
from cmkit.assessment import load_assessment
a = load_assessment(assessment)"""
CHART = """\
go.Figure(go.Scatter(x=a.samples["drawn_on"].dt.strftime("%Y-%m-%d"), y=a.samples["Fe_ppm"], name="Fe"),
          layout={"height": 300, "template": "plotly_white", "meta": {"caption": "Iron by day, ppm.", "alt": "Iron over time."}})"""
TABLE = """\
HTML("<table><caption>Samples</caption><thead><tr><th scope='col'>sample</th><th scope='col'>note</th></tr></thead><tbody>"
     + "".join(f"<tr><th scope='row'>{escape(r.sample)}</th><td>{escape(str(r.note))}</td></tr>" for r in a.samples.itertuples())
     + "</tbody></table>")"""


def made_notebook(parameters: list[str], cells: list[str]) -> NotebookNode:
    """A notebook with those parameters (all text, empty by default) and code cells."""
    first = new_code_cell("\n".join(f'{p} = ""' for p in parameters), metadata={"tags": ["parameters"]})
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    body = [new_code_cell(source) for source in cells]
    nb = new_notebook(
        cells=[first, new_markdown_cell("## Headline"), *body],
        metadata={"kernelspec": kernel, "language_info": {"name": "python"}},
    )
    for number, cell in enumerate(nb.cells):
        cell["id"] = f"cell-{number}"
    return nb


def made_samples(sites: list[str], each: int, note: str) -> pd.DataFrame:
    """`each` bottles a site, one compartment a site."""
    rows = [
        {"sample": f"S{s}-{i}", "compartment": f"{site} engine",
        "drawn_on": pd.Timestamp("2026-01-05") + pd.Timedelta(days=30 * i),
         "Fe_ppm": 10.0 + 3 * i + s, "note": note}
        for s, site in enumerate(sites)
        for i in range(each)
    ]  # fmt: skip
    columns = {"sample": "str", "compartment": "str", "drawn_on": "datetime64[us]", "Fe_ppm": "float64", "note": "str"}
    frame = pd.DataFrame(rows, columns=list(columns)).astype(columns)
    return frame.assign(reported_on=frame["drawn_on"], received_on=frame["drawn_on"])


def small_assessment(sites: list[str], each: int = 4, note: str = "", as_of: str = "2026-06-30") -> Assessment:
    """An assessment with one machine and one compartment a site; the tables these tests do not read are empty."""
    tables = {name: empty(name) for name in table_names()}
    tables["sites"] = pd.DataFrame({"site": sites, "name": sites}, dtype="str")
    tables["machines"] = pd.DataFrame(
        {"machine": [f"{s} digger" for s in sites], "site": sites, "kind": "digger"}, dtype="str"
    )
    tables["compartments"] = pd.DataFrame(
        {"compartment": [f"{s} engine" for s in sites], "machine": [f"{s} digger" for s in sites], "family": "engine",
        "kind": "engine", "position": ""},
        dtype="str",
    )  # fmt: skip
    tables["samples"] = made_samples(sites, each, note)
    tables["counts"] = pd.DataFrame({"table": ["samples"], "read": [len(tables["samples"])]})
    about = {"fleet": "Testing fleet", "currency": "EUR", "as_of": as_of, "cmkit": "0", "sources": {}, "settings": {}}
    return Assessment(about=about, **tables)


@pytest.fixture
def save_assessment(tmp_path: Path) -> Callable[..., Path]:
    """Save a small assessment and say where; the same folder each time, so that a second call is the fleet's next
    state.
    """

    def save(sites: list[str], **how: object) -> Path:
        small_assessment(sites, **how).save(tmp_path / "assessment")  # type: ignore[arg-type]
        return tmp_path / "assessment"

    return save


@pytest.fixture
def write_notebook(tmp_path: Path) -> Callable[..., Path]:
    """Write a notebook of the given code cells (after parameters `site`, `month`) and say where."""

    def write(*cells: str, name: str = "made.ipynb", parameters: tuple[str, ...] = ("site", "month")) -> Path:
        path = tmp_path / name
        nbformat.write(made_notebook(list(parameters), list(cells)), path)
        return path

    return write


@pytest.fixture
def notebooks(tmp_path: Path) -> Path:
    """A folder with a site book and a fleet book: one chart and one table each."""
    return write_books(tmp_path / "notebooks")


def write_books(folder: Path) -> Path:
    """The two notebooks, in a new folder."""
    folder.mkdir()
    nbformat.write(made_notebook(["assessment", "site", "month"], [SETUP, CHART, TABLE]), folder / "site_book.ipynb")
    nbformat.write(made_notebook(["assessment", "month"], [SETUP, CHART, TABLE]), folder / "fleet_book.ipynb")
    return folder


@dataclass(frozen=True)
class PageReport:
    """What a browser without a network found of a page at one width. drawn: charts with a picture; serious: axe-core's
    findings.
    """

    requests: list[str]
    errors: list[str]
    charts: str
    figures: int
    drawn: int
    too_wide: int
    serious: list[str]

    @property
    def faults(self) -> list[str]:
        """Everything that must not be."""
        found = [f"asks for {url}" for url in self.requests] + [f"says {e}" for e in self.errors] + self.serious
        if self.figures and self.charts != "ready":
            found.append(f"charts are {self.charts or 'not ready'}")
        if self.drawn != self.figures:
            found.append(f"{self.drawn} of {self.figures} charts drawn")
        if self.too_wide > 0:
            found.append(f"{self.too_wide} px wider than the window")
        return found


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """Debian's Chromium, headless, driven by playwright."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        yield browser
        browser.close()


def open_page(browser: Browser, path: Path, width: int) -> tuple[Page, list[str], list[str]]:
    """A page opened with the network cut; requests for anything but local files and data, and what the console
    complained of.
    """
    context = browser.new_context(offline=True, viewport={"width": width, "height": 900})
    page = context.new_page()
    requests: list[str] = []
    errors: list[str] = []
    page.on(
        "request", lambda r: requests.append(r.url) if not r.url.startswith((path.as_uri(), "data:", "blob:")) else None
    )
    page.on("console", lambda m: errors.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: errors.append(str(e)))
    page.goto(path.as_uri())
    return page, requests, errors


def wait_until(page: Page, expression: str, seconds: float = 20) -> None:
    """Until the page says so. playwright's own wait_for_function is stopped by the pages' security policy, now and
    then.
    """
    until = time.monotonic() + seconds
    while not page.evaluate(expression):
        assert time.monotonic() < until, f"not so within {seconds} s: {expression}"
        page.wait_for_timeout(30)


def open_folds(page: Page) -> None:
    """Open every fold and wait until the charts inside are drawn."""
    if page.locator("figure.chart").count():
        wait_until(page, "document.documentElement.dataset.charts !== undefined")
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    wait_until(page, "[...document.querySelectorAll('figure.chart')].every((f) => f.querySelector('.main-svg'))")


@pytest.fixture
def look_at(chromium: Browser) -> Callable[..., PageReport]:
    """Open a page at a width (360 px: a phone), with every fold open, and report."""

    def look(path: Path, width: int = 1280) -> PageReport:
        page, requests, errors = open_page(chromium, path, width)
        try:
            open_folds(page)
            serious = [
                f"{v['id']} ({v['impact']}): {len(v['nodes'])} x {v['nodes'][0]['html'][:120]}"
                for v in Axe().run(page).response["violations"]
                if v["impact"] in ("serious", "critical")
            ]
            return PageReport(
                requests=requests,
                errors=errors,
                charts=page.evaluate("document.documentElement.dataset.charts || ''"),
                figures=page.locator("figure.chart").count(),
                drawn=page.locator("figure.chart .js-plotly-plot .main-svg:first-child").count(),
                too_wide=page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"),
                serious=serious,
            )
        finally:
            page.context.close()

    return look


@pytest.fixture(scope="session")
def print_page(chromium: Browser) -> Callable[..., Path]:
    """Print a page as PDF, to A4 or `Letter`."""

    def print_page(path: Path, target: Path, paper: str = "A4") -> Path:
        page, _, _ = open_page(chromium, path, 1280)
        try:
            if page.locator("figure.chart").count():
                wait_until(page, "document.documentElement.dataset.charts === 'ready'")
            page.pdf(
                path=str(target),
                format=paper,
                print_background=True,
                prefer_css_page_size=True,
            )
            return target
        finally:
            page.context.close()

    return print_page


@pytest.fixture(scope="session")
def made(once: Callable[[str, Callable[[], Any]], Any]) -> Callable[..., Assessment]:
    """An invented assessment with every table, `made(hostile="")`: see made_assessment.py beside this file."""
    spec = importlib.util.spec_from_file_location("made_assessment", Path(__file__).with_name("made_assessment.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)

    @functools.cache
    def assessed(hostile: str = "") -> Assessment:
        return once(f"made {hostile.encode().hex()}", lambda: module.made_assessment(hostile))

    return assessed


@pytest.fixture(scope="module")
def book(made: Callable[..., Assessment]) -> Book:
    """The book of one site of the invented fleet."""
    return open_book(made(), "north pit")


@pytest.fixture(scope="module")
def fleet(made: Callable[..., Assessment]) -> Book:
    """The book of the whole of it."""
    return open_book(made(), fleet=True)


@pytest.fixture
def page_until() -> Callable[[Page, str], None]:
    """`page_until(page, expression)`: wait for a page that has our security policy."""
    return wait_until
