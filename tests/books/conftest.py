"""A small invented assessment and two notebooks of its own, so that the machinery of books is tested apart from what books say."""

from collections.abc import Callable
from pathlib import Path

import nbformat
import pandas as pd
import pytest
from nbformat import NotebookNode
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from cmkit.assessment import Assessment, table_names

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
     + "".join(f"<tr><th scope='row'>{escape(r.sample)}</th><td>{escape(r.note)}</td></tr>" for r in a.samples.itertuples())
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
        {"sample": f"S{s}-{i}", "compartment": f"{site} engine", "drawn_on": pd.Timestamp("2026-01-05") + pd.Timedelta(days=30 * i),
         "Fe_ppm": 10.0 + 3 * i + s, "note": note}
        for s, site in enumerate(sites)
        for i in range(each)
    ]  # fmt: skip
    columns = {"sample": "str", "compartment": "str", "drawn_on": "datetime64[us]", "Fe_ppm": "float64", "note": "str"}
    return pd.DataFrame(rows, columns=list(columns)).astype(columns)


def small_assessment(sites: list[str], each: int = 4, note: str = "", as_of: str = "2026-06-30") -> Assessment:
    """An assessment with one machine and one compartment a site; the tables these tests do not read are empty."""
    empty = pd.DataFrame({"compartment": pd.Series([], dtype="str")})
    tables = dict.fromkeys(table_names(), empty)
    tables["sites"] = pd.DataFrame({"site": sites, "name": sites}, dtype="str")
    tables["machines"] = pd.DataFrame({"machine": [f"{s} digger" for s in sites], "site": sites}, dtype="str")
    tables["compartments"] = pd.DataFrame(
        {"compartment": [f"{s} engine" for s in sites], "machine": [f"{s} digger" for s in sites], "family": ["engine"] * len(sites)},
        dtype="str",
    )  # fmt: skip
    tables["samples"] = made_samples(sites, each, note)
    tables["counts"] = pd.DataFrame({"table": ["samples"], "read": [len(tables["samples"])]})
    about = {"fleet": "Testing fleet", "currency": "EUR", "as_of": as_of, "cmkit": "0", "sources": {}, "settings": {}}
    return Assessment(about=about, **tables)


@pytest.fixture
def save_assessment(tmp_path: Path) -> Callable[..., Path]:
    """Save a small assessment and say where; the same folder each time, so that a second call is the fleet's next state."""

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
    folder = tmp_path / "notebooks"
    folder.mkdir()
    nbformat.write(made_notebook(["assessment", "site", "month"], [SETUP, CHART, TABLE]), folder / "site_book.ipynb")
    nbformat.write(made_notebook(["assessment", "month"], [SETUP, CHART, TABLE]), folder / "fleet_book.ipynb")
    return folder
