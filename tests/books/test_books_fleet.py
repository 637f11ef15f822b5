"""From a fleet's folder: books once and not again when nothing changed; an assessment from whatever folder a notebook
is given.
"""

import re
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from cmkit.assessment import Assessment
from cmkit.books.content.book import open_book
from cmkit.books.content.open_assessment import given_assessment
from cmkit.books.content.sections.sites import repeat_causes
from cmkit.books.publishing.fleet_month import Wanted, make_month
from cmkit.engine import Workers
from cmkit.errors import ParameterError

TABLES = {
    "sites": "site,name\npit,North pit\n",
    "machines": "machine,site,kind\nLD-1,pit,wheel loader\n",
    "compartments": "compartment,machine,kind,position,capacity_l,pressurised,fluid\nLD-1/engine,LD-1,engine,,40,true,engine oil\n",
    "samples": "sample,compartment,drawn_on,meter_h,reported_on,Fe_ppm\nS1,LD-1/engine,2026-05-02,1200,2026-05-09,22\n",
}


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    """A fleet of one machine with one bottle."""
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "fleet.toml").write_text('name = "Our fleet"\n')
    for name, text in TABLES.items():
        (folder / f"{name}.csv").write_text(text)
    return folder


def refused(*_: object, **__: object) -> Assessment:
    raise AssertionError("assessed again although nothing changed")


def test_the_newest_month_is_not_assessed_again_until_a_record_changes(
    mine: Path, notebooks: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With small notebooks: those of the package make such a fleet's books in test_small_fleet.py."""
    monkeypatch.setattr("cmkit.books.publishing.fleet_month.shipped", lambda name: notebooks)
    out, said = tmp_path / "books", list[str]()
    newest = Wanted(mine, "newest", out)
    assert make_month(newest, Workers(), said.append).made
    with monkeypatch.context() as patched:
        patched.setattr("cmkit.books.publishing.fleet_month.assess_by_site", refused)
        said.clear()
        for month in ("newest", "2026-05"):
            result = make_month(Wanted(mine, month, out), Workers(), said.append)
            assert (result.month, result.made, result.exit_code) == ("2026-05", [], 0)
            assert "nothing changed" in result.words
        assert said == []
        with pytest.raises(AssertionError, match="assessed again"):
            make_month(Wanted(mine, "newest", out, again=True), Workers(), said.append)
        (out / "2026-05" / "sites" / "pit" / "book.html").rename(tmp_path / "gone.html")
        with pytest.raises(AssertionError, match="assessed again"):
            make_month(newest, Workers(), said.append)
    with (mine / "samples.csv").open("a") as file:
        file.write("S2,LD-1/engine,2026-06-02,1400,2026-06-09,24\n")
    later = make_month(newest, Workers(), said.append)
    assert later.month == "2026-06"
    assert "pit/book" in later.made


def test_a_notebook_is_given_a_fleet_a_saved_assessment_or_told_what_to_do(
    mine: Path, tmp_path: Path, made: Callable[..., Assessment], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert given_assessment(str(mine)).as_of == pd.Timestamp("2026-05-09")
    made().save(tmp_path / "saved")
    assert given_assessment(str(tmp_path / "saved")).about["fleet"] == "Made-up fleet"
    monkeypatch.chdir(tmp_path)
    with pytest.raises(ParameterError, match=r"empty, and no sample_data folder here\. .*cmkit demo sample_data"):
        given_assessment()
    with pytest.raises(ParameterError, match=r"found .nowhere., no folder of a fleet"):
        given_assessment("nowhere")
    mine.rename(tmp_path / "sample_data")
    assert given_assessment().about["fleet"] == "Our fleet"


def test_a_cause_found_under_another_name_is_the_cause_that_is_likely_now(demo: Assessment) -> None:
    """The demo's findings say bushing wear; the judgement of a transmission says bush or thrust washer wear: one row."""
    page = repeat_causes(open_book(demo, fleet=True)).text
    assert "bushing wear" not in page
    (row,) = re.findall(r"<tr>(?:(?!</tr>).)*bush or thrust washer wear.*?</tr>", page)
    assert re.findall(r">(\d+)<", row) == ["1", "1"]
