"""nbval passes a cell that has no stored output without comparing anything; these tests see to it that something is
compared.
"""

import base64
import json
import re
from pathlib import Path

import nbformat
import pytest
from nbconvert import HTMLExporter
from plotly.utils import PlotlyJSONEncoder

import cmkit
from cmkit.books.content.theme import figure, figure_bundle

NOTEBOOKS = sorted((Path(__file__).parent.parent / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_every_notebook_has_a_compared_cell_with_its_output(path: Path) -> None:
    cells = [c for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code"]
    compared = [c for c in cells if "NBVAL_CHECK_OUTPUT" in c.source]
    assert compared
    assert all(c.outputs and c.execution_count for c in compared)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_nothing_else_is_stored(path: Path) -> None:
    cells = [c for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code"]
    others = [c for c in cells if c.outputs and "NBVAL_CHECK_OUTPUT" not in c.source]
    if path.stem.startswith("guide_"):  # the pictures of a guide are seen before anything is run
        stored = [o["data"] for c in others for o in c.outputs]
        assert all("image/svg+xml" in d or "<svg" in d.get("text/html", "") for d in stored)
    else:
        assert [c.source for c in others] == []


def test_every_citation_of_the_equations_has_its_section(root) -> None:
    """`guide how_it_is_computed, D1` in a docstring leads to the heading `## D1 ...` of that notebook, whose cells
    nbval runs.
    """
    said = re.compile(r"how_it_is_computed,?\s+([A-Z]\d?)\b")
    cited = {key for path in (root / "cmkit").rglob("*.py") for key in said.findall(path.read_text(encoding="utf-8"))}
    text = "\n".join(c.source for c in nbformat.read(root / "notebooks" / "how_it_is_computed.ipynb", 4).cells)
    headings = set(re.findall(r"^## ([A-Z]\d?) ", text, re.M))
    assert len(cited) >= 9
    assert cited <= headings


@pytest.mark.parametrize("path", [p for p in NOTEBOOKS if p.stem.startswith("guide_")], ids=lambda p: p.stem)
def test_a_guide_uses_names_that_are_documented(path: Path) -> None:
    """Every `cmkit.NAME`, `cmkit.plot.NAME` and `cmkit.desk.NAME` of a guide is a public one."""
    code = "\n".join(c.source for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code")
    for first, second in re.findall(r"(?<![\w.])cmkit\.(\w+)(?:\.(\w+))?\(", code):
        assert first in cmkit.__all__
        assert not second or second in getattr(cmkit, first).__all__


def test_plain_nbconvert_keeps_every_figure_and_asks_for_nothing_outside(root: Path) -> None:
    """nbconvert's own HTML exporter, which knows nothing of cmkit: a figure's picture is in the page."""
    drawn = figure([{"type": "scatter", "x": [1, 2], "y": [3, 4]}], {}, "A caption.", "Two points.")
    output = nbformat.v4.new_output(
        "display_data", data=json.loads(json.dumps(figure_bundle(drawn), cls=PlotlyJSONEncoder))
    )
    nb = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("show()", outputs=[output])])
    exporter = HTMLExporter(template_name="basic")
    page, _ = exporter.from_notebook_node(nb)
    (packed,) = re.findall(r'src="data:image/svg\+xml;base64,([^"]+)"', page)
    assert "<title>Two points.</title>" in base64.b64decode(packed).decode()
    assert not re.search(r"(?:src|href)\s*=\s*['\"]https?:", page)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_plain_nbconvert_of_every_notebook_as_stored_loses_no_figure_and_asks_for_nothing_outside(path: Path) -> None:
    """As stored: what nbval compares. Each figure has its picture, and no output leans on a script."""
    nb = nbformat.read(path, as_version=4)
    outputs = [o.get("data", {}) for c in nb.cells if c.cell_type == "code" for o in c.outputs]
    assert all("image/svg+xml" in d for d in outputs if any("plotly" in kind for kind in d))
    drawn = [d for d in outputs if "image/svg+xml" in d]
    page, _ = HTMLExporter(template_name="basic").from_notebook_node(nb)
    pictures = len(re.findall(r'src="data:image/svg\+xml;base64,', page))
    assert pictures == len(drawn)
    assert not re.search(r"<(?:script|link|img|iframe)[^>]*(?:src|href)\s*=\s*['\"]?(?:https?:)?//", page)


@pytest.mark.parametrize("path", [p for p in NOTEBOOKS if p.stem.startswith("guide_")], ids=lambda p: p.stem)
def test_a_guide_that_draws_shows_its_figures_before_anything_is_run(path: Path) -> None:
    """Each cell that ends in a figure or a panel of the desk has its picture stored."""
    for cell in nbformat.read(path, as_version=4).cells:
        last = cell.source.strip().splitlines()[-1] if cell.cell_type == "code" and cell.source.strip() else ""
        if re.match(r"cmkit\.(plot\.|desk\.(fleet|compartment|interval|compare)\()", last):
            kinds = [output.get("data", {}) for output in cell.outputs]
            assert any("image/svg+xml" in d or "<svg" in d.get("text/html", "") for d in kinds), last
