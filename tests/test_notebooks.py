"""nbval passes a cell that has no stored output without comparing anything; these tests see to it that something is compared."""

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
