"""The guides come out of the package whole, and the page of names names everything."""

from html.parser import HTMLParser
from pathlib import Path

import nbformat
import pytest
from click.testing import CliRunner

import cmkit
from cmkit.analyst.guides import copy_guides, names_page
from cmkit.books.running.notebook import notebook_parameters
from cmkit.cli import main
from cmkit.errors import ParameterError, WriteError
from cmkit.tables.dictionary import GROUPS

GUIDES = sorted((Path(__file__).parents[2] / "notebooks").glob("guide_*.ipynb"))


def test_there_are_ten_guides_and_each_is_one_question() -> None:
    assert [g.name[6:8] for g in GUIDES] == [f"{n:02d}" for n in range(1, 11)]
    for path in GUIDES:
        nb = nbformat.read(path, as_version=4)
        assert nb.cells[0].source.startswith(f"# {int(path.name[6:8])} · ")
        assert notebook_parameters(nb)[0] == "assessment"
        assert "## On your own fleet" in nb.cells[-1].source
        assert "maker's manual" in nb.cells[-1].source


@pytest.mark.parametrize("path", GUIDES, ids=lambda p: p.stem)
def test_a_guide_refuses_a_parameter_it_does_not_have(path: Path) -> None:
    """The cell that opens the assessment, run as papermill would after a misspelt `-p asessment X`: no other fleet is
    shown.
    """
    cells = [c.source for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code"]
    given: dict[str, object] = {"asessment": "X"}
    exec(cells[0], given)  # noqa: S102
    opening = next(c for c in cells if "refuse_unknown(globals()" in c)
    with pytest.raises(ParameterError, match="found 'asessment', this notebook has assessment"):
        exec(opening, given)  # noqa: S102


def test_guides_are_copied_once_and_nothing_is_written_over(root, tmp_path) -> None:
    said = CliRunner().invoke(main, ["guides", str(tmp_path / "g")])
    assert said.exit_code == 0, said.output
    assert "jupyter lab" in said.output
    copied = {p.name: p.read_bytes() for p in (tmp_path / "g").iterdir()}
    assert {p.name: p.read_bytes() for p in (root / "notebooks").glob("*.ipynb")}.items() <= copied.items()
    assert "names.html" in copied
    with pytest.raises(WriteError, match="nothing is written over"):
        copy_guides(tmp_path / "g")


def test_the_page_of_names_holds_every_name_and_table_and_asks_for_nothing() -> None:
    page = names_page()
    for name in (
        {*cmkit.__all__} - {"plot", "desk"}
        | {f"plot.{n}" for n in cmkit.plot.__all__}
        | {f"desk.{n}" for n in cmkit.desk.__all__}
    ):
        assert f"<code>cmkit.{name}</code>" in page, name
    for name in (n for names in GROUPS.values() for n in names):
        assert f"id='table-{name}'" in page
    found: list[str] = []

    class Reader(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list) -> None:
            found.extend(v for k, v in attrs if k in ("src", "href") and not v.startswith("#"))

    Reader().feed(page)
    assert found == []
