"""nbval passes a cell that has no stored output without comparing anything; these tests see to it that something is compared."""

import re
from pathlib import Path

import nbformat
import pytest

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
    assert [c.source for c in cells if c.outputs and "NBVAL_CHECK_OUTPUT" not in c.source] == []


def test_every_citation_of_the_equations_has_its_section(root) -> None:
    """`guide how_it_is_computed, D1` in a docstring leads to the heading `## D1 ...` of that notebook, whose cells nbval runs."""
    said = re.compile(r"how_it_is_computed,?\s+([A-Z]\d?)\b")
    cited = {key for path in (root / "cmkit").rglob("*.py") for key in said.findall(path.read_text(encoding="utf-8"))}
    text = "\n".join(c.source for c in nbformat.read(root / "notebooks" / "how_it_is_computed.ipynb", 4).cells)
    headings = set(re.findall(r"^## ([A-Z]\d?) ", text, re.M))
    assert len(cited) >= 9
    assert cited <= headings
